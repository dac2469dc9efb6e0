"""The page a machinist works from: one self-contained HTML file, for a tablet and for A4 in black and white.

Order of the page: verdict and what was not checked, what to fetch, seating, nest, cutters, operations, the view in
three dimensions, parts, work left, yield and cost, findings with pictures, cautions. Numbers are in the unit of the
machine's control, so that they can be compared. All of it is there without scripts; scripts add search and zoom.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.model.job import Job
from pipeline.model.loop import Loop
from pipeline.model.nest import Nest
from pipeline.model.part import Part
from pipeline.model.program import Program, Start
from pipeline.model.setup import Setup
from pipeline.model.toolpath import HolePass, Operation, Plan, Toolpath
from pipeline.model.units import MM_PER_INCH
from pipeline.model.verdict import Verdict
from pipeline.packet.nest_drawing import draw_nest, draw_place, sheet_mm
from pipeline.packet.part import part_drawing
from pipeline.packet.view import view3d

CAUTIONS = (
    "Run the program in air first, above the work, with your hand on feed hold.",
    "First run in metal at reduced feed and reduced rapids, watching each cutter's first cut.",
    "Wear eye protection; keep the guard closed. Small cutters break.",
    "Check the hold-down before every start: vacuum gauge, stops, clamps. Stop when the gauge drops.",
    "Titanium chips, fines and dust burn. No water and no ordinary extinguisher on burning chips: keep a class D agent"
    " at hand. Keep chips wet while cutting, clear them each shift into covered metal bins, apart from grinding dust.",
    "Keep cutters sharp; never let one rub or dwell. Stop on sparks or white smoke.",
    "Put a liquid and chip trap before the vacuum pump.",
    "The machine's manual, local codes and qualified people decide. This page does not replace them.",
)
# id and short name of every section, in order; the number before a heading is its place here
SECTIONS = (
    ("verdict", "Verdict"),
    ("fetch", "Fetch"),
    ("seating", "Seating"),
    ("plate", "Nest"),
    ("cutters", "Cutters"),
    ("operations", "Operations"),
    ("space", "3D"),
    ("parts", "Parts"),
    ("left", "Work left"),
    ("cost", "Cost"),
    ("findings", "Findings"),
    ("cautions", "Cautions"),
)
_HERE = Path(__file__).parent
_MOST_PICTURES = 60  # each only points at the nest's own shapes
_PAPER_MM = (186.0, 232.0)  # of A4 less margins, heading and caption: what the nest may take


@dataclass(slots=True)
class _Row:
    """One line of the operations table: the same operation on every copy of a part."""

    first: Operation
    first_line: int
    below_face_mm: float | None
    ids: list[str] = field(default_factory=list)
    lines: list[tuple[int, int]] = field(default_factory=list)  # of the program, both ends included
    seconds: float = 0.0
    feed_low_mm_min: float = math.inf
    feed_high_mm_min: float = 0.0


@dataclass(frozen=True, slots=True)
class _Group:
    """All that one cutter does from when it is put in to the next change. `rpm` is None when its rows differ."""

    cutter: int
    first_line: int  # of its section
    rows: tuple[_Row, ...]
    starts: tuple[Start, ...]
    rpm: int | None


def page_html(
    *,
    job: Job,
    job_digest: str,
    parts: Sequence[Part],
    nest: Nest,
    setup: Setup,
    plan: Plan,
    program: Program,
    written: Program | None,
    verdict: Verdict,
    summary: dict[str, Any],
    is_forced: bool,
    status: str,
) -> str:
    """The page as text. `parts` holds one of each kind. All lengths pass through the filters, which hold the unit."""
    units = job.machine.dialect.units
    plate_mm2 = Loop.polygon(job.billet.outline).area_mm2
    findings, marks = _findings(verdict, units)
    return (
        _environment(units)
        .get_template("page.html.j2")
        .render(
            job=job,
            digest=job_digest,
            nest=nest,
            setup=setup,
            verdict=verdict,
            summary=summary,
            program=program,
            written=written,
            is_forced=is_forced,
            status=status,
            units=units,
            cautions=CAUTIONS,
            sections=SECTIONS,
            n={name: k for k, (name, _) in enumerate(SECTIONS, start=1)},
            drawing=draw_nest(setup, units=units, marks=marks),
            sheet=_paper(setup),
            groups=_groups(_operation_rows(setup, plan, program, verdict), program),
            cutters=_cutter_rows(job, plan, program, verdict),
            kinds=_kinds(parts, setup, units),
            left=_left_rows(plan),
            cost=_cost_rows(job, setup, plate_mm2),
            plate_cost=plate_mm2 / 100 * job.billet.price_per_cm2,
            findings=findings,
            total_s=sum(t.cutting_s + t.air_s for t in verdict.section_times),
            copies=copies,
            n_errors=sum(f.severity == "error" for f in verdict.findings),
            scene=view3d.scene_json(setup=setup, plan=plan, program=program, crib=job.crib, units=units),
            view3d_scripts=view3d.scripts(),
            view3d_styles=view3d.styles(),
            style=(_HERE / "page.css").read_text(),
            script=(_HERE / "page.js").read_text(),
        )
    )


def _environment(units: str) -> Any:
    """Templates with every text escaped, and filters that show mm, mm3, mm/min, s and rad as people read them."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    scale, places = (MM_PER_INCH, 4) if units == "in" else (1.0, 3)
    environment = Environment(
        loader=FileSystemLoader([_HERE, Path(view3d.__file__).parent]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "exact": lambda mm, p=places: _plain(f"{mm / scale:.{p}f}"),
        "short": lambda mm: _plain(f"{mm / scale:.{places - 1}f}"),
        "volume": lambda mm3: f"{mm3 / scale**3:.{1 if units == 'mm' else 5}f}",
        "feed": lambda mm_min: f"{mm_min / scale:.{1 if units == 'in' else 0}f}",
        "minutes": lambda s: f"{s / 60:.1f}",
        "clock": _clock,
        "degrees": lambda rad: _plain(f"{math.degrees(rad):.3f}"),
        "sentence": lambda text: text[:1].upper() + text[1:],
        "css_text": _css_text,
    }
    return environment


def _css_text(text: str) -> str:
    """Text for between the quotes of a style: every sign that is not plain becomes its number."""
    return "".join(c if c.isascii() and (c.isalnum() or c in " -.,") else f"\\{ord(c):x} " for c in text)


def _paper(setup: Setup) -> dict[str, Any]:
    """How the nest goes on paper: at full size, upright or turned, or else as wide as the paper."""
    width, height = sheet_mm(setup)
    across, down = _PAPER_MM
    if width <= across and height <= down:
        manner = "upright"
    else:
        manner = "turned" if height <= across and width <= down else "fitted"
    return {"width": f"{width:.2f}", "height": f"{height:.2f}", "manner": manner}


def _plain(text: str) -> str:
    return text[1:] if text.startswith("-") and float(text) == 0 else text


def _clock(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _operation_rows(setup: Setup, plan: Plan, program: Program, verdict: Verdict) -> list[_Row]:
    """Operations in cutting order. While one cutter works, the same operation on copies and on both hands of a part
    shares a row, at the place of the first."""
    seconds: dict[str, float] = {}
    lines: dict[str, list[tuple[int, int]]] = {}
    first_line: dict[str, int] = {}
    begin = program.sections[0].first_line if program.sections else 1
    for span in sorted(program.index, key=lambda span: span.first_line):
        spent = float(verdict.line_seconds[span.first_line - 1 : span.last_line].sum())
        seconds[span.operation_id] = seconds.get(span.operation_id, 0.0) + spent
        first_line.setdefault(span.operation_id, span.first_line)
        lines.setdefault(span.operation_id, []).append((begin, span.last_line))  # with the words that lead to it
        begin = span.last_line + 1
    placed = {spot.part_id: spot for spot in setup.parts}
    rows: list[_Row] = []
    in_section: dict[tuple[Any, ...], _Row] = {}
    cutter = None
    for path in plan.toolpaths:
        op = path.operation
        spot = placed.get(op.part_id)
        if op.cutter != cutter:
            cutter, in_section = op.cutter, {}
        family = spot.part.family if spot else op.part_id
        key = (family, op.kind, op.feature_id, round(op.bottom_z_mm, 6), round(op.top_z_mm, 6), op.note)
        if key not in in_section:
            below = spot.inside_z_mm - op.bottom_z_mm if spot and op.kind not in {"face", "outline"} else None
            in_section[key] = _Row(op, first_line[op.id], below)
            rows.append(in_section[key])
        row = in_section[key]
        if op.part_id not in row.ids:
            row.ids.append(op.part_id)
        row.lines = _joined([*row.lines, *lines[op.id]])
        row.seconds += seconds.get(op.id, 0.0)
        for feed in _feeds(path):
            row.feed_low_mm_min = min(row.feed_low_mm_min, feed)
            row.feed_high_mm_min = max(row.feed_high_mm_min, feed)
    return rows


def _joined(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans of lines in order, neighbours made one."""
    joined: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if joined and joined[-1][1] + 1 >= first:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        else:
            joined.append((first, last))
    return joined


def _groups(rows: Sequence[_Row], program: Program) -> list[_Group]:
    """Rows by the cutter in the spindle, with the places where the program can be started while it is in."""
    runs: list[list[_Row]] = []
    for row in rows:
        if not runs or runs[-1][0].first.cutter != row.first.cutter:
            runs.append([])
        runs[-1].append(row)
    begins = [max(s.first_line for s in program.sections if s.first_line <= run[0].first_line) for run in runs]
    groups = []
    for run, begin, end in zip(runs, begins, [*begins[1:], math.inf], strict=True):
        starts = tuple(start for start in program.starts if begin <= start.line < end)
        speeds = {round(row.first.spindle_rpm) for row in run}
        rpm = speeds.pop() if len(speeds) == 1 else None
        groups.append(_Group(run[0].first.cutter, begin, tuple(run), starts, rpm))
    return groups


def _feeds(path: Toolpath) -> Iterable[float]:
    """Every feed of a toolpath."""
    for one in path.passes:
        if isinstance(one, HolePass):
            yield one.feed_mm_min
        else:
            yield from (float(feed) for feed in one.moves[:, 6] if feed > 0)


def kind_of(part_id: str) -> str:
    """`stud-3` -> `stud`; `handle-left` stays."""
    head, _, tail = part_id.rpartition("-")
    return head if head and tail.isdigit() else part_id


def copies(ids: Sequence[str]) -> str:
    """`stud-1, stud-2, stud-5` -> `stud-1, 2, 5`; runs of three and more as `stud-1 to 14`."""
    numbers: dict[str, list[int]] = {}
    for part_id in dict.fromkeys(ids):
        kind = kind_of(part_id)
        numbers.setdefault(kind, [])
        if kind != part_id:
            numbers[kind].append(int(part_id.rpartition("-")[2]))
    return "; ".join(f"{kind}-{_runs(found)}" if found else kind for kind, found in numbers.items())


def _runs(numbers: list[int]) -> str:
    runs: list[list[int]] = []
    for n in sorted(numbers):
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(f"{a}" if a == b else f"{a} to {b}" if b > a + 1 else f"{a}, {b}" for a, b in runs)


def _cutter_rows(job: Job, plan: Plan, program: Program, verdict: Verdict) -> list[dict[str, Any]]:
    """Cutters in order of first use with their time, what they do and the lines where their sections start."""
    total: dict[int, float] = {}
    cutting: dict[int, float] = {}
    for t in verdict.section_times:
        total[t.cutter] = total.get(t.cutter, 0.0) + t.cutting_s + t.air_s
        cutting[t.cutter] = cutting.get(t.cutter, 0.0) + t.cutting_s
    out = []
    for number in dict.fromkeys(path.operation.cutter for path in plan.toolpaths):
        mine = [path.operation for path in plan.toolpaths if path.operation.cutter == number]
        out.append(
            {
                "cutter": job.crib.cutter(number),
                "seconds": total.get(number, 0.0),
                "cutting": cutting.get(number, 0.0),
                "h": job.machine.dialect.length_offsets.get(number, number),
                "deepest": min(op.bottom_z_mm for op in mine),
                "rpm": sorted({round(op.spindle_rpm) for op in mine}),
                "kinds": ", ".join(dict.fromkeys(op.kind for op in mine)),
                "lines": [section.first_line for section in program.sections if section.cutter == number],
            }
        )
    return out


def _left_rows(plan: Plan) -> list[dict[str, Any]]:
    """Work left by setup: copies and features that wait for the same thing for the same reason share a row."""
    by_feature: dict[tuple[str, ...], list[str]] = {}
    for left in plan.not_cut:
        by_feature.setdefault((left.setup, left.operation, left.reason, left.feature_id), []).append(left.part_id)
    rows: dict[tuple[Any, ...], list[str]] = {}
    for (setup, operation, reason, feature), ids in by_feature.items():
        rows.setdefault((setup, operation, reason, tuple(ids)), []).append(feature)
    return [
        {"setup": key[0], "operation": key[1], "reason": key[2], "ids": copies(key[3]), "features": ", ".join(features)}
        for key, features in sorted(rows.items(), key=lambda item: (item[0][0], item[0][1]))
    ]


def _cost_rows(job: Job, setup: Setup, plate_mm2: float) -> list[dict[str, Any]]:
    """Plate cost by footprint: the part's area and half the kerf and margin round it (common practice, no source)."""
    gap = job.crib.cutter(job.nest.outline_cutter).diameter_mm + job.nest.margin_mm
    out = []
    for name in dict.fromkeys(p.part.name for p in setup.parts):
        mine = [p for p in setup.parts if p.part.name == name]
        area = mine[0].part.outline.area_mm2
        footprint = area + mine[0].part.outline.length_mm * gap / 2
        out.append(
            {
                "name": name,
                "count": len(mine),
                "area": area,
                "share": footprint * len(mine) / plate_mm2,
                "each": footprint / 100 * job.billet.price_per_cm2,
                "thickness": mine[0].part.thickness_mm,
            }
        )
    return out


def _kinds(parts: Sequence[Part], setup: Setup, units: str) -> list[dict[str, Any]]:
    """Each kind of part with its drawing, its features and its sizes as asked for."""
    return [
        {
            "part": part,
            "count": sum(spot.part.name == part.name for spot in setup.parts),
            "drawing": part_drawing.draw_part(part, units=units),
            "features": part_drawing.feature_rows(part, units=units),
            "lengths": {_plain_name(k): v for k, v in part.sizes.items() if k.endswith("_mm")},
            "others": {_plain_name(k): v for k, v in part.sizes.items() if not k.endswith("_mm")},
        }
        for part in parts
    ]


def _plain_name(size: str) -> str:
    """`pivot_width_mm` -> `pivot width`."""
    return size.removesuffix("_mm").replace("_", " ")


def _findings(verdict: Verdict, units: str) -> tuple[list[dict[str, Any]], list[tuple[float, float, str]]]:
    """Findings with their numbers, the first of those that have a place with a cut-out of the nest round it; and the
    marks with which the nest shows the same places."""
    rows: list[dict[str, Any]] = []
    marks: list[tuple[float, float, str]] = []
    for k, finding in enumerate(verdict.findings, start=1):
        picture = ""
        if finding.at_mm is not None and len(marks) < _MOST_PICTURES:
            x, y, _ = finding.at_mm
            marks.append((x, y, str(k)))
            picture = draw_place(x, y, number=str(k), units=units)
        rows.append({"number": k, "finding": finding, "picture": picture})
    return rows, marks
