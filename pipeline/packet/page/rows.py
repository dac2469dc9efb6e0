"""What stands in the tables of the page: operations, stops, cutters, work left, cost, kinds of part.

Rows of plain values, lengths in mm and times in s; the templates show them in the unit of the control. Lines are
1-based lines of the program's text.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.model.job import Job
from pipeline.model.part import Part
from pipeline.model.program import Program, Section, Start
from pipeline.model.setup import Setup
from pipeline.model.toolpath import HolePass, Operation, Plan, Toolpath
from pipeline.model.units import MM_PER_INCH
from pipeline.model.verdict import Verdict
from pipeline.packet.copies import copies
from pipeline.packet.part import part_drawing
from pipeline.packet.sheet import program as told


@dataclass(slots=True)
class Row:
    """One line of the operations table: the same operation on every copy of a part."""

    first: Operation
    first_line: int  # of its cut: not a place to start at
    below_face_mm: float | None
    ids: list[str] = field(default_factory=list)
    lines: list[tuple[int, int]] = field(default_factory=list)  # of the program, both ends included
    seconds: float = 0.0
    feed_low_mm_min: float = math.inf
    feed_high_mm_min: float = 0.0
    start_line: int = 0  # where to start the program again to come to this cut


@dataclass(frozen=True, slots=True)
class Group:
    """All that one cutter does from when it is put in to the next change. `rpm` is None when its rows differ."""

    cutter: int
    start_line: int  # where the program is started to do all of it
    rows: tuple[Row, ...]
    starts: tuple[Start, ...]
    rpm: int | None


def operation_rows(setup: Setup, plan: Plan, program: Program, verdict: Verdict) -> list[Row]:
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
    rows: list[Row] = []
    in_section: dict[tuple[Any, ...], Row] = {}
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
            in_section[key] = Row(op, first_line[op.id], below)
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


def groups(rows: Sequence[Row], program: Program) -> list[Group]:
    """Rows by the cutter in the spindle, with the places where the program can be started while it is in."""
    runs: list[list[Row]] = []
    for row in rows:
        if not runs or runs[-1][0].first.cutter != row.first.cutter:
            runs.append([])
        runs[-1].append(row)
    begins = [max(s.first_line for s in program.sections if s.first_line <= run[0].first_line) for run in runs]
    found = []
    for run, begin, end in zip(runs, begins, [*begins[1:], math.inf], strict=True):
        starts = tuple(start for start in program.starts if begin <= start.line < end)
        speeds = {round(row.first.spindle_rpm) for row in run}
        rpm = speeds.pop() if len(speeds) == 1 else None
        first = starts[0].line if starts else begin
        for row in run:
            row.start_line = max((s.line for s in starts if s.line <= row.first_line), default=first)
        found.append(Group(run[0].first.cutter, first, tuple(run), starts, rpm))
    return found


def _feeds(path: Toolpath) -> Iterable[float]:
    """Every feed of a toolpath."""
    for one in path.passes:
        if isinstance(one, HolePass):
            yield one.feed_mm_min
        else:
            yield from (float(feed) for feed in one.moves[:, 6] if feed > 0)


def cutter_rows(job: Job, plan: Plan, program: Program, verdict: Verdict) -> list[dict[str, Any]]:
    """Cutters in order of first use with their time, what they do, where they are started and checked. `pocket` is None
    for a cutter that is loaded later, at the stop `swap` when the program has one for it."""
    waits = told.stops_of(program.text)
    checks, swaps = told.z_checks_of(waits), {swap.into: swap for swap in told.swaps_of(waits)}
    numbers = list(dict.fromkeys(path.operation.cutter for path in plan.toolpaths))
    total: dict[int, float] = {}
    cutting: dict[int, float] = {}
    for t in verdict.section_times:
        total[t.cutter] = total.get(t.cutter, 0.0) + t.cutting_s + t.air_s
        cutting[t.cutter] = cutting.get(t.cutter, 0.0) + t.cutting_s
    out = []
    for place, number in enumerate(numbers, start=1):
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
                "lines": [_first_start(program, s) for s in program.sections if s.cutter == number],
                "checks": checks.get(number, ()),
                "pocket": place if place <= job.machine.dialect.pockets else None,
                "swap": swaps.get(number),
            }
        )
    return out


def _first_start(program: Program, section: Section) -> int:
    """The line at which a section is started."""
    first, last = section.first_line, section.last_line
    return min((start.line for start in program.starts if first <= start.line <= last), default=first)


def stops(program: Program) -> dict[str, Any]:
    """Every stop with the cutter of its section, and the lines of the first checks, None where there is none."""
    listed = told.stops_of(program.text)
    rows = []
    for stop in listed:
        before = [section.cutter for section in program.sections if section.first_line <= stop.line]
        rows.append({"stop": stop, "cutter": before[-1] if before else None})
    return {
        "rows": rows,
        "seating": next((stop.line for stop in listed if stop.message.startswith("SEATING")), None),
        "z_check": min((line for lines in told.z_checks_of(listed).values() for line in lines), default=None),
    }


def left_rows(plan: Plan) -> list[dict[str, Any]]:
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


def cost_rows(job: Job, setup: Setup) -> list[dict[str, Any]]:
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
                "share": footprint * len(mine) / job.billet.area_mm2,
                "each": footprint / 100 * job.billet.price_per_cm2,
                "thickness": mine[0].part.thickness_mm,
            }
        )
    return out


def kinds(parts: Sequence[Part], setup: Setup, units: str) -> list[dict[str, Any]]:
    """Each kind of part with its drawing, its features and its sizes as asked for."""
    return [
        {
            "part": part,
            "count": sum(spot.part.name == part.name for spot in setup.parts),
            "drawing": part_drawing.draw_part(part, units=units),
            "features": part_drawing.feature_rows(part, units=units),
            "figures": dict(_figure(label, value, units) for label, value in part.report.items()),
            "lengths": {_plain_name(k): v for k, v in part.sizes.items() if k.endswith("_mm")},
            "others": {_plain_name(k): v for k, v in part.sizes.items() if not k.endswith("_mm")},
        }
        for part in parts
    ]


def _plain_name(size: str) -> str:
    """`pivot_width_mm` -> `pivot width`."""
    return size.removesuffix("_mm").replace("_", " ")


def _figure(label: str, value: float, units: str) -> tuple[str, float]:
    """A design figure in the page's unit: lengths and areas are turned into it, other units stand in the label."""
    name, _, unit = label.rpartition(", ")
    power = {"mm": 1, "mm2": 2}.get(unit, 0)
    if units != "in" or not power:
        return label, value
    return f"{name}, {unit.replace('mm', 'in')}", value / MM_PER_INCH**power
