"""Saying no: which part does not fit, by how much, where, and what was found to help.

Codes: N201 a part alone does not fit · N202 the parts are larger than the plate · N203 the parts do not fit together ·
N204 a fixed placement is too near to something · N205 more fixed placements than copies · N206 no region is left ·
N208 (bounds) a zone that the billet has not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np

from pipeline.errors import BadInput
from pipeline.geometry.regions import Figure, clearance_mm, grown_area_mm2, inside_mm, usable
from pipeline.model.arrays import Float
from pipeline.model.findings import Finding
from pipeline.model.nest import Region
from pipeline.model.units import EPS_MM
from pipeline.nest.check import Shortfall, measure
from pipeline.nest.corners import corner_fill
from pipeline.nest.mandatory import ROUNDS, round_cost, settle_mandatory
from pipeline.nest.remedies import Otherwise, Trial, copy_name, remedies
from pipeline.nest.task import SAFETY_MM, TOL_MM, Task

_ALONE_TRIES = 6
_ATTEMPT = 1000.0  # units of `round_cost` that an attempt may take when areas say no
_MOST_TRIED = 300  # bodies; of more than that areas say enough
_MUCH = 4.0
_AREA_NOISE = 1.001  # round corners are polygons where areas are grown


def refuse_at_once(task: Task, other: Otherwise) -> None:
    """Raises BadInput for what needs no search: fixed placements, areas, and parts that do not fit even alone. What
    could be `other` is tried for the hints."""
    findings = _fixed_findings(task, other.region)
    if task.usable_area_mm2 <= 0:
        findings.append(Finding(code="N206", where="region", found="nothing left inside the edge gap and the keep-outs",
                                wanted="some room", hint="take a larger billet or smaller gaps"))
    if findings:
        raise BadInput(findings)
    findings = _area_findings(task)
    if findings and len(task.mandatory) <= _MOST_TRIED:
        lack = _Lack.of(task, _attempt(task), other.region)
        findings = [
            _with_remedies(replace(f, found=f"{f.found}; {lack.words}", amount_mm=lack.short_mm),
                           _trial(other, task, lack.poses), _guilty_by_area(task, f), lack.bodies)
            for f in findings
        ]
    elif not findings:
        for index in sorted(set(task.wanted)):
            alone = replace(task, fixed_which=(), fixed=np.zeros((0, 3)), wanted=(index,), extra=())
            found = _alone_findings(task, index, other.region)
            findings += [_with_remedies(f, _trial(other, alone, None), index) for f in found]
    if findings:
        raise BadInput(findings)


def refuse_set(task: Task, poses: Float, other: Otherwise) -> NoReturn:
    """Raises BadInput: the mandatory parts fit alone but the search found no place for all. `poses` (n, 3) is its best
    attempt. What could be `other` is tried for the hints."""
    lack = _Lack.of(task, poses, other.region)
    finding = Finding(
        code="N203", where=task.kinds[lack.guilty].name, amount_mm=lack.short_mm, at_mm=None,
        found=f"no place on the plate for all {len(task.mandatory)} parts that have a count; {lack.words}",
        wanted=f"{task.gap_mm:.3f} mm between parts (outline cutter and margin), and the edge margin"
               + _all_bounds(task),
        hint="try a shorter part, fewer copies, more rotations, a higher effort or another seed, or a larger billet",
    )
    attempt = ""
    if lack.bodies and lack.short_mm < task.gap_mm / _MUCH:  # more than that no shop can give
        attempt = f"with an outline cutter or margins {lack.short_mm:.3f} mm smaller this attempt fits"
    raise BadInput([_with_remedies(finding, _trial(other, task, poses), lack.guilty, lack.bodies, also=attempt)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lack:
    """What is missing in an attempt `poses` (n, 3): the largest shortfall, the kind that fails first, and the bodies
    that are in each other's way, worst first."""

    poses: Float
    short_mm: float
    guilty: int
    bodies: tuple[int, ...]
    words: str

    @classmethod
    def of(cls, task: Task, poses: Float, region: Region) -> _Lack:
        found = measure(task.kinds, task.mandatory, poses, task.walls, gap_mm=task.gap_mm)
        worst = found.shortfalls[0] if found.shortfalls else None
        short = worst.short_mm if worst else SAFETY_MM
        x, y = worst.at_mm if worst else (float(poses[0, 0]), float(poses[0, 1]))
        more = len(found.shortfalls) - 1
        words = (f"the best attempt lacks {short:.3f} mm {_between(task, poses, worst, region)}, near x {x:.1f},"
                 f" y {y:.1f} mm of the plate's own frame")
        if more > 0:
            words += f", and less in {more} other place{'s' if more > 1 else ''}"
        bodies = tuple(b for s in found.shortfalls for b in (s.first, s.second) if b is not None)
        guilty = task.mandatory[_movable(task, worst)]
        return cls(poses=poses, short_mm=short, guilty=guilty, bodies=bodies, words=words)


def _attempt(task: Task) -> Float:
    """Poses of a short search for parts that cannot all fit, to say where they lack most."""
    rounds = min(max(round(_ATTEMPT / round_cost(task)), 2), ROUNDS)
    return settle_mandatory(task, stream=500, tries=1, rounds=rounds)[0]


def _trial(other: Otherwise, task: Task, begin: Float | None) -> Trial:
    return Trial(other=other, task=task, begin=begin, can_fit=lambda made: not _area_findings(made))


def _with_remedies(finding: Finding, trial: Trial, guilty: int, bodies: Sequence[int] = (), *,
                   also: str = "") -> Finding:
    """The finding with a hint that begins with what was tried and helps, or says that nothing did."""
    helps, vain = remedies(trial, guilty, bodies)
    if also:
        helps.append(also)
    if helps:
        return replace(finding, hint="; ".join([*helps, f"else {finding.hint}"]))
    tried = f"none of these was found to help: {', '.join(vain)}; " if vain else ""
    return replace(finding, hint=tried + finding.hint)


def _guilty_by_area(task: Task, finding: Finding) -> int:
    """The kind to begin with when areas say no: of those named, or all, the one that takes the most area."""
    named = [k for k in set(task.wanted) if task.kinds[k].name in finding.where.split(", ")] or list(set(task.wanted))
    return max(named, key=lambda k: (task.wanted.count(k) * task.kinds[k].area_mm2, -k), default=task.mandatory[0])


def _movable(task: Task, worst: Shortfall | None) -> int:
    """The smaller movable body of a shortfall: the one that a machinist would take away."""
    if worst is None:
        return len(task.mandatory) - 1
    bodies = [b for b in (worst.first, worst.second) if b is not None and b >= len(task.fixed_which)]
    return min(bodies, key=lambda b: (task.kinds[task.mandatory[b]].area_mm2, b), default=worst.first)


def _between(task: Task, poses: Float, worst: Shortfall | None, region: Region) -> str:
    if worst is None:
        return "somewhere"
    first = task.kinds[task.mandatory[worst.first]]
    second = (_wall(region, worst, first.figure(poses[worst.first]))[0] if worst.second is None
              else task.kinds[task.mandatory[worst.second]].name)
    return f"between {first.name} and {second}"


def _wall(region: Region, short: Shortfall, figure: Figure) -> tuple[str, float, float]:
    """The wall that a figure is too near to, for people: its name, how far the figure lies from it, negative where it
    reaches beyond, and how far it must. The region's edge is that rim of which it lacks most."""
    if short.wall != "edge":
        gap = {name: gap for name, _, gap in region.keepouts}.get(short.wall, 0.0)
        return short.wall, gap - short.short_mm, gap
    rims = [(name, inside_mm(figure, Figure.polygon(points)), gap) for name, points, gap in region.rims]
    rims = [rim for rim in rims if rim[1] < rim[2] - EPS_MM]
    gap = region.edge_gap_mm  # where no rim says why
    return max(rims, key=lambda rim: rim[2] - rim[1], default=("the edge", gap - short.short_mm, gap))


def _fixed_findings(task: Task, region: Region) -> list[Finding]:
    findings = []
    for kind in task.kinds:
        count = kind.request.count
        if count is not None and len(kind.request.fixed) > count:
            findings.append(Finding(code="N205", where=kind.name, found=f"{len(kind.request.fixed)} fixed placements",
                                    wanted=f"at most count {count}", hint="raise the count or take placements out"))
    found = measure(task.kinds, task.fixed_which, task.fixed, task.walls, gap_mm=task.gap_mm)
    for short in found.shortfalls:
        kind, pose = task.kinds[task.fixed_which[short.first]], task.fixed[short.first]
        bound, figure, (x, y) = kind.bound, kind.figure(pose), short.at_mm
        if short.second is None:
            other, lies, must = _wall(region, short, figure)
        else:
            other, lies, must = copy_name(task, short.second), task.gap_mm - short.short_mm, task.gap_mm
        lack, inward = must - lies, "beyond" if short.wall == "edge" else "into"
        how = f"is fixed {lack:.3f} mm too near to {other} ({abs(lies):.3f} mm {'from' if lies >= 0 else inward} it)"
        wanted = f"at least {must:.3f} mm" + (" (cutter, margins and uncertainty)" if short.wall == "edge" else "")
        if bound is not None and short.wall in bound.zones:
            how = f"is fixed {lack:.3f} mm {'out of' if other == bound.name else 'into'} the zone {other}"
            wanted = bound.words
        elif (short.wall == "edge" and region.plate is not None
              and clearance_mm(figure, Figure.polygon(region.plate)) > -EPS_MM):
            how, wanted, (x, y) = "lies off the plate", f"a place inside {other}, {wanted}", pose[:2]
        findings.append(Finding(
            code="N204", where=copy_name(task, short.first), amount_mm=lack,
            found=f"a place that {how}, near x {x:.1f}, y {y:.1f} mm of the plate's own frame",
            wanted=wanted, hint="another place, or a smaller part"))
    return findings


def _area_findings(task: Task) -> list[Finding]:
    """A limit that holds always: parts grown by half the gap stay apart, and inside the region grown by half a gap. So
    do the parts of one bound inside what that leaves of the region."""
    half = task.gap_mm / 2
    grown = [grown_area_mm2(kind.figure(np.zeros(3)), by_mm=half) for kind in task.kinds]
    taken = sum(grown[k] for k in task.mandatory)
    there = task.grown_usable_mm2
    if taken > there * _AREA_NOISE:
        return [Finding(code="N202", where="the parts that have a count",
                        found=f"{taken:.0f} mm2 with half the gap round each part",
                        wanted=f"at most {there:.0f} mm2, what the plate offers",
                        hint="take a larger billet or fewer parts")]
    findings = []
    left = usable(task.walls.outline, edge_gap_mm=task.walls.edge_gap_mm,
                  keepouts=tuple((figure, gap) for _, figure, gap in task.walls.keepouts))
    for bound in dict.fromkeys(task.kinds[k].bound for k in task.mandatory):
        if bound is None or left is None:
            continue
        bodies = [k for k in task.mandatory if task.kinds[k].bound is bound]
        room = bound.room(left)
        taken, there = sum(grown[k] for k in bodies), 0.0 if room is None else grown_area_mm2(room, by_mm=half)
        if taken > there * _AREA_NOISE:
            findings.append(Finding(
                code="N202", where=", ".join(dict.fromkeys(task.kinds[k].name for k in bodies)),
                found=f"{taken:.0f} mm2 with half the gap round each part that must lie {bound.words}",
                wanted=f"at most {there:.0f} mm2, what the plate offers there",
                hint="a larger zone, another billet or fewer parts"))
    return findings


def _alone_findings(task: Task, index: int, region: Region) -> list[Finding]:
    kind = task.kinds[index]
    alone = replace(task, fixed_which=(), fixed=np.zeros((0, 3)), wanted=(index,), extra=())
    poses, worst = settle_mandatory(alone, stream=300, tries=_ALONE_TRIES, rounds=8)
    if worst <= TOL_MM or corner_fill(task.kinds, [index], [], task.walls, gap_mm=task.gap_mm):
        return []
    found = measure(task.kinds, (index,), poses, task.walls, gap_mm=task.gap_mm)
    if not found.shortfalls:
        return []
    short = found.shortfalls[0]
    wall = _wall(region, short, kind.figure(poses[0]))[0]
    turned = "at any angle" if not kind.angles_rad else "at the allowed angles"
    return [Finding(
        code="N201", where=kind.name, amount_mm=short.short_mm,
        found=f"no place for it even alone {turned}; {short.short_mm:.3f} mm short to {wall} near"
              f" x {poses[0, 0]:.1f}, y {poses[0, 1]:.1f} mm of the plate's own frame",
        wanted="room inside the outline less its gaps" + (f", {kind.bound.words}" if kind.bound else ""),
        hint="take a larger billet, or a smaller part" + (", or bind it to a larger zone" if kind.bound else ""))]


def _all_bounds(task: Task) -> str:
    """Which parts that have a count are bound, for a list of what is wanted."""
    kinds = [task.kinds[k] for k in dict.fromkeys(task.mandatory)]
    return "".join(f", and {kind.name} {kind.bound.words}" for kind in kinds if kind.bound is not None)
