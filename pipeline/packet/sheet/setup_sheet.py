"""The setup sheet: what must be at the machine and in which order, on A4 to pin beside it. Boxes are ticked by hand.

This module says what stands on the sheet, `sheet_paper` how it is printed. Lengths are in the unit of the machine's
control, so that they can be compared with its display.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.model.program import Program
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict
from pipeline.packet.page.page import CAUTIONS, copies
from pipeline.packet.sheet.program import (
    Numbers,
    Stop,
    bores_to_measure,
    left_of,
    sections_of,
    starts_by_cutter,
    stops_of,
    swaps_of,
    work_of,
)

if TYPE_CHECKING:
    from pipeline.packet.sheet.paper import Column, Paper

_MOST_FINDINGS = 8
_TALLEST_DRAWING_MM = 175.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sources:
    """What the sections of the sheet are drawn from."""

    job: Job
    nest: Nest
    setup: Setup
    plan: Plan
    program: Program
    written: Program | None
    verdict: Verdict
    n: Numbers
    stops: tuple[Stop, ...]
    cutters: tuple[int, ...]  # numbers, in order of first use


def setup_sheet_pdf(
    *,
    job: Job,
    job_digest: str,
    nest: Nest,
    setup: Setup,
    plan: Plan,
    program: Program,
    written: Program | None,
    verdict: Verdict,
    status: str,
    is_forced: bool,
) -> bytes:
    """The sheet as a PDF file, the same bytes each time. `program` is the checked text, `written` the one that goes
    out, None when it was refused; `status` stands on every page, in a frame when the program was written by force.
    """
    from pipeline.packet.sheet.paper import Paper  # reportlab takes a while to import

    sources = _Sources(
        job=job,
        nest=nest,
        setup=setup,
        plan=plan,
        program=program,
        written=written,
        verdict=verdict,
        n=Numbers(units=job.machine.dialect.units),
        stops=stops_of(program.text),
        cutters=tuple(dict.fromkeys(section.cutter for section in program.sections)),
    )
    paper = Paper(
        title=f"{job.title}: setup sheet",
        head=f"{job.name}{_serial(job)}, {setup.name}",
        reference=f"job digest {job_digest[:12]}",
        foot=f"{written.file}: {status}" if written else "REFUSED. No program was written.",
        banner=status if is_forced else "",
    )
    _write_top(paper, sources, job_digest, status)
    _write_at_the_machine(paper, sources)
    _write_cutters(paper, sources)
    _write_seating(paper, sources)
    _write_nest(paper, sources)
    _write_run(paper, sources)
    _write_starts(paper, sources)
    _write_work_left(paper, sources)
    _write_end(paper, sources)
    return paper.pdf()


def _serial(job: Job) -> str:
    return f", serial {job.serial}" if job.serial else ""


def _write_top(paper: Paper, s: _Sources, digest: str, status: str) -> None:
    job, setup, verdict, written = s.job, s.setup, s.verdict, s.written
    n_errors = sum(f.severity == "error" for f in verdict.findings)
    is_good = verdict.verdict == "released"
    under = status
    if not is_good:
        under = "The program was written by force" if written else "No program was written: do not set up by this sheet"
        under += f"; {n_errors} finding{'s stop' if n_errors != 1 else ' stops'} it."
    minutes = sum(t.cutting_s + t.air_s for t in verdict.section_times) / 60
    lines = s.program.text.count("\n")
    paper.title(job.title)
    paper.verdict(
        verdict.verdict.upper(),
        under,
        [
            ("job", job.name + _serial(job)),
            ("setup", f"{setup.name}, {setup.side_up} face up"),
            ("machine", f"{job.machine.name}, lengths in {'inches' if s.n.units == 'in' else 'mm'}"),
            ("program", f"{written.file}, {lines} lines" if written else f"none; {lines} lines were checked"),
            ("time", f"about {minutes:.0f} min at the machine's limits"),
            ("", f"{len(s.cutters)} cutters, {len(s.stops)} stops"),
            ("job digest", digest[:12]),
        ],
        is_good=is_good,
    )
    found = []
    for f in verdict.findings[:_MOST_FINDINGS]:
        allowed, hint = f"; allowed: {f.wanted}" if f.wanted else "", f". {f.hint}" if f.hint else ""
        found.append([paper.strong(f"{f.code} {f.severity}, {f.where}: "), f.found, allowed, hint])
    paper.steps(found, mark="!")
    if len(verdict.findings) > _MOST_FINDINGS:
        paper.text(f"{len(verdict.findings) - _MOST_FINDINGS} more are in packet.html.")


def _write_at_the_machine(paper: Paper, s: _Sources) -> None:
    job, setup, n, bold = s.job, s.setup, s.n, paper.strong
    billet, holding, coolant = job.billet, job.holding, job.machine.dialect.coolant_on
    low, high = (billet.thickness_mm + k * billet.thickness_uncertainty_mm for k in (-1, 1))
    bores = bores_to_measure(s.plan)
    paper.heading("1  At the machine", "tick what is there; the cautions are at the end: read them first")
    checks: list[list[str]] = [
        [
            bold(f"Billet {billet.name}"),
            f", {n.exact(low)} to {n.exact(high)} thick, bow at most {n.exact(billet.bow_mm)}. ",
            f"Up: {billet.up_face}. Marked corner: {billet.corner}.",
        ],
        [bold(f"Holding {holding.name}"), ": gasket whole, port clear; stops and blocks as in the table"],
        [bold(f"Gauge block {n.exact(setup.z.gauge_block_mm)}"), f" {n.units}, for the check of Z zero"],
        [bold("Pointer"), " for the spindle, for the three checks of the seating"],
        [bold("Class D agent"), " at hand, and a covered metal bin for chips"],
        [bold("Liquid and chip trap"), " before the vacuum pump"],
    ]
    if coolant:
        checks.append([bold("Coolant"), f": tank full, nozzle on the cut; the program calls {coolant}"])
    if bores:
        checks.insert(4, [bold("Gauges for the bores: "), "; ".join(bores)])
    paper.steps(checks, mark="tick", size=8.8)
    columns: list[Column] = [
        ("", 6.5, "box"),
        ("on the bed", 40, "text"),
        ("kind", 60.5, "text"),
        ("height", 19, "number"),
        ("X", 30, "number"),
        ("Y", 30, "number"),
    ]
    rows = []
    for block in sorted(setup.blocks, key=lambda b: b.kind != "stop"):  # stops are needed first
        (x0, y0), (x1, y1) = block.outline.min(axis=0).tolist(), block.outline.max(axis=0).tolist()
        cut = f", may be cut {n.short(block.cut_depth_mm)} deep" if block.cut_depth_mm else ""
        rows.append(["tick", block.name, block.kind + cut, n.short(block.height_mm), n.span(x0, x1), n.span(y0, y1)])
    paper.table(columns, rows)


def _write_cutters(paper: Paper, s: _Sources) -> None:
    job, n, dialect = s.job, s.n, s.job.machine.dialect
    by_hand = dialect.tool_change != "changer"
    paper.heading("Cutters", "in order of use; stick-out at least, holder no thicker; write in the length measured")
    columns: list[Column] = [
        ("set", 8, "box"),
        ("line" if by_hand else "pocket", 16, "number"),
        ("T", 9, "text"),
        ("H", 9, "text"),
        ("cutter", 57, "text"),
        ("dia.", 16, "number"),
        ("flutes", 15, "number"),
        ("stick-out", 19, "number"),
        ("holder", 15, "number"),
        ("measured", 22, "write"),
    ]
    first_line = {section.cutter: section.first_line for section in reversed(s.program.sections)}
    rows = []
    for place, number in enumerate(s.cutters, start=1):
        cutter = job.crib.cutter(number)
        pocket = str(place) if place <= dialect.pockets else "later"
        rows.append(
            [
                "tick",
                str(first_line[number]) if by_hand else pocket,
                paper.strong(f"T{number}"),
                f"H{dialect.length_offsets.get(number, number)}",
                cutter.name,
                n.exact(cutter.diameter_mm),
                n.short(cutter.flute_length_mm),
                n.short(cutter.stickout_mm),
                n.short(cutter.holder_diameter_mm),
                "",
            ]
        )
    paper.table(columns, rows, height_mm=7.5)
    swaps = [f"line {w.line}: T{w.out} out of pocket {w.pocket}, T{w.into} in" for w in swaps_of(s.stops)]
    if by_hand:
        paper.text("Cutters are changed by hand: the program stops for each, soon after the line named.")
    elif swaps:
        paper.text(
            paper.strong(f"The changer holds {dialect.pockets} cutters, this program uses {len(s.cutters)}. "),
            f"The program stops to load the others: {'; '.join(swaps)}.",
        )


def _write_seating(paper: Paper, s: _Sources) -> None:
    job, setup, n = s.job, s.setup, s.n
    corner, block = setup.seating.corner_mm, n.exact(setup.z.gauge_block_mm)
    lies = " The inside faces of the parts look up, their show faces lie toward the bed."
    paper.heading("2  Seating", "before anything moves", needs_mm=60)
    paper.steps(
        [
            [
                f"Up: {job.billet.up_face}.{lies if setup.side_up == 'inside' else ''}"
                f" The marked corner lies at X{n.short(corner[0])} Y{n.short(corner[1])}."
            ],
            [paper.strong("X0 Y0: "), f"{setup.origin}. ", paper.strong("Z0: "), "the bed under the billet."],
            [f"Push the billet against {', '.join(stop.name for stop in job.holding.stops)}; vacuum on; then clamps."],
            [
                "Pointer checks, at the program's first stop: the edge of the billet lies at the places named.",
                " When one is off by more, seat the billet again; never move the origin to fit.",
            ],
            [f"Gauge check of Z zero, at its stop: a block of {block} on the bed just slides under a tip at Z{block}."],
        ]
    )
    paper.beside((92, lambda left: _write_pointer_checks(left, s)), (88, lambda right: _write_heights(right, s)))


def _write_pointer_checks(paper: Paper, s: _Sources) -> None:
    columns: list[Column] = [
        ("", 8, "text"),
        ("X", 17, "number"),
        ("Y", 17, "number"),
        ("along", 12, "text"),
        ("within", 15, "number"),
        ("seen", 10, "box"),
        ("off by", 13, "write"),
    ]
    rows = [
        [paper.strong(f"P{k}"), s.n.short(c.x_mm), s.n.short(c.y_mm), c.approach, s.n.short(c.allowed_mm), "tick", ""]
        for k, c in enumerate(s.setup.seating.pointer_checks, start=1)
    ]
    paper.table(columns, rows, height_mm=7)
    paper.text("Along Y- means that the pointer comes toward lower Y.", size=7)


def _write_heights(paper: Paper, s: _Sources) -> None:
    z, n = s.setup.z, s.n
    inside: dict[str, list[str]] = {}
    for placed in s.setup.parts:
        inside.setdefault(n.exact(placed.inside_z_mm), []).append(placed.part_id)
    rows = [
        ("travel over the work", n.exact(z.clearance_mm)),
        ("top of the billet, highest", n.exact(z.top_high_mm)),
        ("top of the billet, nominal", n.exact(z.top_mm)),
        ("top of the billet, lowest", n.exact(z.top_low_mm)),
        *((f"inside face of {copies(ids).replace('; ', ', ')}", height) for height, ids in inside.items()),
        (f"outer faces, {n.exact(z.stock_below_mm)} of stock under them", n.exact(z.bottom_of_part_mm())),
        ("skin: nothing is cut below", n.exact(z.skin_mm)),
        ("bed under the billet", n.exact(0.0)),
    ]
    paper.table([("height of", 68, "text"), ("Z", 20, "number")], rows)


def _write_nest(paper: Paper, s: _Sources) -> None:
    from pipeline.packet.sheet.drawing import nest_drawing
    from pipeline.packet.sheet.paper import FRAME_MM

    drawing, scale = nest_drawing(s.setup, units=s.n.units, width_mm=FRAME_MM, height_mm=_TALLEST_DRAWING_MM)
    counts = Counter(placement.part for placement in s.nest.placements)
    placed = ", ".join(f"{count} {part}" for part, count in counts.items())
    gap = f"; least gap {s.n.exact(s.nest.least_gap_mm)}" if len(s.nest.placements) > 1 else ""
    paper.drawing(
        "3  Nest",
        f"seen from above, {s.setup.side_up} face up",
        drawing,
        f"{placed}{gap}. Scale 1:{scale:g} when printed at full size. Thick line: measured outline. Dashed: gasket."
        " Black dots: contacts with the stops. Dense hatching: stops, clamps, spacers: keep clear. Solid: defects."
        " P1 to P3: pointer checks, the arrow goes the way of the pointer.",
    )


def _write_run(paper: Paper, s: _Sources) -> None:
    """Cutters, operations and stops in the order of the program."""
    columns: list[Column] = [
        ("line", 14, "number"),
        ("", 16, "text"),
        ("what", 114, "text"),
        ("Z to", 18, "number"),
        ("min", 14, "number"),
        ("done", 10, "box"),
    ]
    rows: list[tuple[int, list[str]]] = []
    for section in sections_of(s.program, s.verdict):
        name = s.job.crib.cutter(section.cutter).name
        rows.append((section.line, [f"T{section.cutter}", name, "", f"{section.minutes:.1f}", ""]))
    for stop in s.stops:
        rows.append((stop.line, [paper.strong("STOP"), stop.message, "", "", "tick"]))
    for work in work_of(s.plan, s.program, s.verdict):
        rows.append((work.line, [work.kind, work.what, s.n.exact(work.bottom_z_mm), f"{work.minutes:.1f}", ""]))
    rows.sort(key=lambda row: row[0])
    begins = {section.first_line for section in s.program.sections}
    paper.heading("4  The program", "operations and stops, in order" if s.written else "as it was checked; not written")
    strong = [k for k, (line, _) in enumerate(rows) if line in begins]
    paper.table(columns, [[str(line), *cells] for line, cells in rows], strong=strong)


def _write_starts(paper: Paper, s: _Sources) -> None:
    starts = starts_by_cutter(s.program)
    if not starts or not s.written:
        return
    paper.heading("Where it can be started", "at a line named, never between")
    paper.text(
        "Each start retracts, states every mode, turns the spindle and comes down from above. Put the cutter named in"
        " first and check its length. Everything that cutter did since it was last seen good is suspect."
    )
    pieces: list[str] = []
    for cutter, places in starts.items():
        pieces += [paper.strong(f"{cutter}: "), f"{', '.join(places)}.  "]
    paper.text(*pieces, size=7.4)


def _write_work_left(paper: Paper, s: _Sources) -> None:
    paper.heading("5  Work left", "not cut by this program")
    rows: list[list[str]] = []
    groups: list[int] = []
    last = None
    for left in left_of(s.plan):
        if left.setup != last:
            last, more = left.setup, s.setup.later_setups.get(left.setup, "")
            groups.append(len(rows))
            rows.append([left.setup + (f": {more}" if more else ""), "", ""])
        rows.append([left.operation, left.what, left.reason])
    columns: list[Column] = [("still to do", 31, "text"), ("what", 72, "text"), ("why", 83, "text")]
    if rows:
        paper.table(columns, rows, strong=groups)
    else:
        paper.text("Nothing.")


def _write_end(paper: Paper, s: _Sources) -> None:
    paper.heading("6  Cautions")
    paper.steps([[line] for line in CAUTIONS], mark="•", size=7.8)
    if s.job.notes:
        paper.text(paper.strong("Notes of the job"))
        paper.steps([[note] for note in s.job.notes], mark="•")
    paper.beside(
        (104, lambda left: _write_list(left, "Checked, by simulated cutting of the program's text", s.verdict.checked)),
        (78, lambda right: _write_list(right, "Not checked", s.verdict.not_checked)),
    )
    paper.heading("Run by", "written by hand", needs_mm=29)
    heads = ("date", "initials", "billet measured", "vacuum before start", "vacuum at first outline", "remarks")
    widths = (24, 18, 27, 34, 39, 44)
    columns: list[Column] = [(head, width, "write") for head, width in zip(heads, widths, strict=True)]
    paper.table(columns, [[""] * len(columns)] * 2, height_mm=7.5)


def _write_list(paper: Paper, head: str, lines: tuple[str, ...]) -> None:
    paper.text(paper.strong(head))
    paper.steps([[line] for line in lines], mark="•", size=6.9)
