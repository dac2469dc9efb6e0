"""Saying no: which part does not fit, by how much, where, and what would help.

Codes: N201 a part alone does not fit · N202 the parts are larger than the plate · N203 the parts do not fit together ·
N204 a fixed placement is too near to something · N205 more fixed placements than copies · N206 no region is left.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NoReturn

import numpy as np

from pipeline.errors import BadInput
from pipeline.geometry.regions import grown_area_mm2
from pipeline.model.arrays import Float
from pipeline.model.findings import Finding
from pipeline.nest.check import Shortfall, measure
from pipeline.nest.corners import corner_fill
from pipeline.nest.mandatory import settle_mandatory
from pipeline.nest.task import SAFETY_MM, TOL_MM, Task

_ALONE_TRIES = 6
_FEWER_TRIES = 2
_AREA_NOISE = 1.001  # round corners are polygons where areas are grown


def refuse_at_once(task: Task) -> None:
    """Raises BadInput for what needs no search: fixed placements, areas, and parts that do not fit even alone."""
    findings = _fixed_findings(task)
    if task.usable_area_mm2 <= 0:
        findings.append(Finding(code="N206", where="region", found="nothing left inside the edge gap and the keep-outs",
                                wanted="some room", hint="take a larger billet or smaller gaps"))
    if findings:
        raise BadInput(findings)
    findings = _area_findings(task)
    if not findings:
        findings = [f for index in sorted(set(task.wanted)) for f in _alone_findings(task, index)]
    if findings:
        raise BadInput(findings)


def refuse_set(task: Task, poses: Float) -> NoReturn:
    """Raises BadInput: the mandatory parts fit alone but the search found no place for all. `poses` (n, 3) is its best
    attempt."""
    found = measure(task.kinds, task.mandatory, poses, task.walls, gap_mm=task.gap_mm)
    worst = found.shortfalls[0] if found.shortfalls else None
    short = worst.short_mm if worst else SAFETY_MM
    at = worst.at_mm if worst else (float(poses[0, 0]), float(poses[0, 1]))
    kind = task.kinds[task.mandatory[_movable(task, worst)]]
    raise BadInput([Finding(
        code="N203", where=kind.name, amount_mm=short, at_mm=None,
        found=f"no place for all {len(task.mandatory)} mandatory parts together; the best attempt is {short:.3f} mm"
              f" short {_between(task, worst)} near billet x {at[0]:.1f}, y {at[1]:.1f} mm",
        wanted=f"{task.gap_mm:.3f} mm between parts and the region's gaps to its walls",
        hint=_hint(task, worst, short),
    )])


def _movable(task: Task, worst: Shortfall | None) -> int:
    """The smaller movable body of a shortfall: the one that a machinist would take away."""
    if worst is None:
        return len(task.mandatory) - 1
    bodies = [b for b in (worst.first, worst.second) if b is not None and b >= len(task.fixed_which)]
    return min(bodies, key=lambda b: (task.kinds[task.mandatory[b]].area_mm2, b), default=worst.first)


def _between(task: Task, worst: Shortfall | None) -> str:
    if worst is None:
        return "somewhere"
    first = task.kinds[task.mandatory[worst.first]].name
    second = worst.wall if worst.second is None else task.kinds[task.mandatory[worst.second]].name
    return f"between {first} and {second}"


def _hint(task: Task, worst: Shortfall | None, short: float) -> str:
    """What would fit: the gap of the best attempt, and one copy fewer of the kind that could spare one."""
    hints = []
    if worst is not None and short < task.gap_mm:
        hints.append(f"the best attempt is nowhere shorter: a cutter or margins {short:.3f} mm smaller fit")
    spare = sorted({k for k in task.wanted if task.wanted.count(k) > 1}, key=lambda k: (task.kinds[k].area_mm2, k))
    for k in spare[:2]:
        at = task.wanted.index(k)
        fewer = replace(task, wanted=task.wanted[:at] + task.wanted[at + 1:])
        _, worst_mm = settle_mandatory(fewer, stream=200, tries=_FEWER_TRIES)
        if worst_mm <= TOL_MM:
            count = task.kinds[k].request.count
            hints.append(f"{(count or 1) - 1} x {task.kinds[k].name} instead of {count} fits")
            break
    return "; ".join(hints) or "take a larger billet, a smaller cutter or fewer parts; more effort may find a place"


def _fixed_findings(task: Task) -> list[Finding]:
    findings = []
    for kind in task.kinds:
        count = kind.request.count
        if count is not None and len(kind.request.fixed) > count:
            findings.append(Finding(code="N205", where=kind.name, found=f"{len(kind.request.fixed)} fixed placements",
                                    wanted=f"at most count {count}", hint="raise the count or take placements out"))
    found = measure(task.kinds, task.fixed_which, task.fixed, task.walls, gap_mm=task.gap_mm)
    for short in found.shortfalls:
        kind = task.kinds[task.fixed_which[short.first]]
        other = short.wall if short.second is None else task.kinds[task.fixed_which[short.second]].name
        findings.append(Finding(
            code="N204", where=kind.name, amount_mm=short.short_mm,
            found=f"a fixed placement {short.short_mm:.3f} mm too near to {other}, near billet x {short.at_mm[0]:.1f},"
                  f" y {short.at_mm[1]:.1f} mm",
            wanted="the gap wanted there", hint="move the fixed placement"))
    return findings


def _area_findings(task: Task) -> list[Finding]:
    """A bound that holds always: parts grown by half the gap stay apart, and inside the region grown by half a gap."""
    half = task.gap_mm / 2
    taken = sum(grown_area_mm2(task.kinds[k].figure(np.zeros(3)), by_mm=half) for k in task.mandatory)
    there = task.grown_usable_mm2
    if taken <= there * _AREA_NOISE:
        return []
    return [Finding(code="N202", where="mandatory parts", found=f"{taken:.0f} mm2 with half the gap round each part",
                    wanted=f"at most {there:.0f} mm2", hint="take a larger billet or fewer parts")]


def _alone_findings(task: Task, index: int) -> list[Finding]:
    kind = task.kinds[index]
    alone = replace(task, fixed_which=(), fixed=np.zeros((0, 3)), wanted=(index,), extra=())
    poses, worst = settle_mandatory(alone, stream=300, tries=_ALONE_TRIES, rounds=8)
    if worst <= TOL_MM or corner_fill(task.kinds, [index], [], task.walls, gap_mm=task.gap_mm):
        return []
    found = measure(task.kinds, (index,), poses, task.walls, gap_mm=task.gap_mm)
    if not found.shortfalls:
        return []
    short = found.shortfalls[0]
    turned = "at any angle" if not kind.angles_rad else "at the allowed angles"
    return [Finding(
        code="N201", where=kind.name, amount_mm=short.short_mm,
        found=f"no place for it even alone {turned}; {short.short_mm:.3f} mm short to {short.wall} near billet"
              f" x {poses[0, 0]:.1f}, y {poses[0, 1]:.1f} mm",
        wanted="room inside the outline less its gaps", hint="take a larger billet, or a smaller part")]
