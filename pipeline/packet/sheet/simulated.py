"""What the sheet takes from the simulation: the gauge's limit, the worst that each cutter feels, sizes to measure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.packet.sheet.sources import Sources
from pipeline.packet.simulated.features import SizeRow, size_rows
from pipeline.packet.simulated.hold import hold_facts
from pipeline.packet.simulated.stretches import cutter_loads

if TYPE_CHECKING:
    from pipeline.packet.sheet.paper import Column, Paper

_NOT_AT_MACHINE = ("position", "wall")  # what needs more than the gauges at a mill


def write_hold(paper: Paper, s: Sources) -> None:
    """The reading below which the machine is stopped, with boxes for the readings at the bed."""
    columns: list[Column] = [
        ("vacuum, with its unit:", 38, "text"),
        ("reading before start", 36, "write"),
        ("stop below", 36, "write"),
        ("", 76, "text"),
    ]
    if s.verdict.holding is None:
        limit = "The limit comes from your pump's manual and your own trials: the hold was not worked out."
        paper.table(columns, [["read at the bed", "", "", limit]], height_mm=7.5)
        return
    hold = hold_facts(s.verdict.holding, s.setup.blocks, s.verdict.findings)
    where = ", ".join(f"{axis}{s.n.short(v)}" for axis, v in zip("XYZ", hold.result.at_mm, strict=True))
    at_line = f", line {hold.result.line}" if hold.result.line else ""
    if hold.lowest:
        word, under = f"{hold.lowest.kpa} kPa", f"({hold.lowest.inhg} inHg) lowest gauge reading: feed hold below it"
    else:
        word, under = "NO READING", "holds as asked for: do not start"
    spare = f"{abs(hold.spare_kpa)} kPa {'to spare' if hold.spare_kpa >= 0 else 'TOO LITTLE'}"
    whose = "parts and plate: " if hold.waste else ""
    paper.framed(
        word,
        under,
        [
            ("planned", f"{hold.planned}" + (f", {spare}" if hold.lowest else "")),
            ("weakest", f"{whose}safety factor {hold.factor}, asked for: {hold.result.target:g}"),
            *([("", hold.waste)] if hold.waste else []),
            ("where", f"{hold.case}{at_line}"),
            ("at", where),
        ],
        is_good=hold.is_enough,
    )
    if hold.clamps:
        paper.boxed(paper.strong(hold.clamps))
    rule = f"Gauge below {hold.lowest}: feed hold. Do not start below it." if hold.lowest else "Do not start."
    stop = str(hold.lowest.kpa) + " kPa" if hold.lowest else "at once"
    paper.table(columns, [["read at the bed", "", stop, paper.strong(rule)]], height_mm=7.5)


def write_felt(paper: Paper, s: Sources) -> None:
    """The worst that each cutter feels, to listen and to look for."""
    loads = s.verdict.loads
    if loads is None:
        return
    columns: list[Column] = [
        ("worst for", 15, "text"),
        ("force, N", 18, "number"),
        ("power, W", 18, "number"),
        (f"bends, {s.n.units}", 20, "number"),
        ("arc, degrees", 20, "number"),
        ("min in cut", 17, "number"),
        ("at line", 16, "number"),
        ("largest force in", 62, "text"),
    ]
    rows = [
        [
            paper.strong(f"T{one.cutter}"),
            f"{one.force_n:.0f}" if one.force_n else "–",
            f"{one.power_w:.0f}",
            s.n.exact(one.deflection_mm) if one.force_n else "–",
            f"{one.engaged_deg:.0f}" if one.force_n else "–",
            f"{one.cutting_s / 60:.1f}",
            str(one.line),
            one.where,
        ]
        for one in cutter_loads(loads)
    ]
    if rows:
        paper.table(columns, rows)
        spread = f"{100 * loads.uncertainty:.0f} %"
        paper.text(
            f"Simulated, for worn cutters; forces within {spread}. Force: across the cutter, – where it is a drill.",
            size=7.4,
        )


def write_sizes(paper: Paper, s: Sources) -> None:
    """Sizes as simulated, with boxes for those that are measured at the machine."""
    rows = size_rows(s.verdict.features, {spot.part_id: spot.part.family for spot in s.setup.parts})
    paper.heading("6  Sizes to measure", f"simulated with nominal cutters; {s.n.units}")
    if not rows:
        paper.text("Not worked out: measure by the drawings of the parts in packet.html.")
        return
    columns: list[Column] = [
        ("feature", 31, "text"),
        ("size", 21, "text"),
        ("parts", 37, "text"),
        ("nominal", 18, "number"),
        ("limits", 29, "number"),
        ("simulated", 29, "number"),
        ("measured", 21, "write"),
    ]
    cells: list[list[str]] = []
    groups: list[int] = []
    kind = None
    measured = [row for row in rows if row.least is not None]
    for row in (row for row in measured if not (row.is_within and row.quantity.startswith(_NOT_AT_MACHINE))):
        if row.kind != kind:
            kind = row.kind
            groups.append(len(cells))
            cells.append([kind, "", "", "", "", "", ""])
        found = _span(s, row, row.least, row.most)
        if not row.is_within:
            found = paper.strong(f"OUT {found}")
        named = [row.feature, row.quantity, _parts(row), _size(s, row, row.nominal), _limits(s, row)]
        cells.append([*named, found, ""])
    if cells:
        paper.table(columns, cells, strong=groups, height_mm=5.4)
    left_out = len(measured) - len(cells) + len(groups)
    missing = len(rows) - len(measured)
    said = [f"positions and walls within limits ({left_out})"] if left_out else []
    said += [f"what was not measured in simulation, with why ({missing})"] if missing else []
    if said:
        paper.text(f"In packet.html, under Parts as simulated: {' and '.join(said)}.", size=7.4)


def _parts(row: SizeRow) -> str:
    return row.parts.replace("; ", ", ")


def _size(s: Sources, row: SizeRow, value: float) -> str:
    return s.n.exact(value) if row.unit == "mm" else f"{value:g}"


def _span(s: Sources, row: SizeRow, low: float | None, high: float | None) -> str:
    ends = [_size(s, row, value) for value in (low, high) if value is not None]
    return " to ".join(dict.fromkeys(ends))


def _limits(s: Sources, row: SizeRow) -> str:
    """Both limits, or one with its side."""
    if row.low is None and row.high is None:
        return ""
    if row.low is None:
        return f"at most {_size(s, row, row.high or 0.0)}"
    if row.high is None:
        return f"at least {_size(s, row, row.low)}"
    return _span(s, row, row.low, row.high)
