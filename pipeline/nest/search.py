"""The search: many streams, each a pure function of its seed, combined by a total order.

Steps: (1) streams look for places for the mandatory bodies; (2) walks go on from there, scored by how many discs a
quick fill gets in; (3) the best layouts are filled for real; (4) streams go on from the best fills; (5) the best that
passes the exact check is taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.check import Measured, measure
from pipeline.nest.filling import fill, improve
from pipeline.nest.mandatory import ROUNDS, corner_layout, most_rounds, settle_mandatory
from pipeline.nest.merit import score
from pipeline.nest.task import STREAMS, TOL_MM, Layout, Task, free_mask, run
from pipeline.nest.walking import Rooms, walk

_REPAIRS = 6
_WALKS, _STEPS = 5.0, 20  # walks, and steps of each, times the square root of the effort
_FILL, _IMPROVE = 1, 3  # attempts to get a disc in, per unit of effort
_IMPROVE_ROUNDS = 2


def repaired(task: Task, layout: Layout) -> tuple[Layout, Measured] | None:
    """The layout with every exact clearance at least 0, or None when its mandatory bodies cannot be brought there.

    Raises the search's safety by the exact shortfall and relaxes again; at last drops extra bodies that are in the way.
    """
    safety = task.world.safety
    n_mandatory = len(task.mandatory)
    while True:
        for _ in range(_REPAIRS):
            found = measure(task.kinds, layout.which, layout.poses, task.walls, gap_mm=task.gap_mm)
            if not found.shortfalls:
                return replace(layout, score=score(task, layout.which, layout.poses)), found
            safety += found.worst_mm + TOL_MM
            poses, which = layout.poses.copy(), np.array(layout.which, dtype=np.int64)
            free = free_mask(len(which), layout.n_held, len(which))
            nest_engine.relax(task.world._replace(safety=safety), which, poses, len(which), free, 0.0, 0.0, 300, TOL_MM)
            layout = replace(layout, poses=poses)
        found = measure(task.kinds, layout.which, layout.poses, task.walls, gap_mm=task.gap_mm)
        guilty = [max(s.first, -1 if s.second is None else s.second) for s in found.shortfalls]
        drop = max(guilty, default=-1)
        if not found.shortfalls:
            continue
        if drop < n_mandatory:
            return None
        keep = [i for i in range(len(layout.which)) if i != drop]
        layout = replace(layout, which=tuple(layout.which[i] for i in keep), poses=layout.poses[keep])
        safety = task.world.safety


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Attempt:
    """The nearest the mandatory bodies came to fitting."""

    poses: Float


def search(task: Task) -> tuple[Layout, Measured] | Attempt:
    """The best layout that passed the exact check, or the best attempt when the mandatory bodies found no place."""
    discs = [k for k in task.extra if task.kinds[k].is_disc]
    rooms = {k: Rooms.of(task, k) for k in discs}
    lead = rooms[discs[0]] if discs else None
    effort = max(1, task.effort)
    rounds = most_rounds(task)
    corner = corner_layout(task)
    # corners are enough when nothing else is wanted; a search that cannot hit an exact fit would only take time
    n_starts = STREAMS if corner is None or task.extra else 0
    starts = run((partial(settle_mandatory, task, stream=s, tries=max(1, rounds // ROUNDS), rounds=min(rounds, ROUNDS))
                  for s in range(n_starts)), task.workers)
    known = [Layout(which=task.mandatory, poses=poses, n_held=len(task.fixed_which), score=0.0)
             for poses, worst in starts if worst <= TOL_MM]
    if corner is not None:
        known.append(corner)
    attempt = Attempt(poses=corner.poses if corner is not None else min(starts, key=lambda start: start[1])[0])
    if not known:
        return attempt
    n_walks = math.ceil(_WALKS * math.sqrt(effort)) if lead is not None and task.wanted else 1
    walks = run((partial(walk, task, lead, known[s % len(known)], stream=s,
                         steps=math.ceil(_STEPS * math.sqrt(effort))) for s in range(n_walks)), task.workers)
    layouts = sorted((layout for found in walks for layout in found[:1]), key=lambda layout: -layout.score)
    layouts = layouts[: max(STREAMS, n_walks // 2)]
    if corner is not None or not layouts:
        layouts.append(known[-1])
    if task.extra:
        layouts = _ordered(run((partial(fill, task, rooms, layout, stream=i, attempts=_FILL * effort)
                                for i, layout in enumerate(layouts)), task.workers))
        for r in range(_IMPROVE_ROUNDS if discs else 0):
            bases = layouts[:STREAMS] if r == 0 else layouts[:1]
            more = run((partial(improve, task, rooms, bases[i % len(bases)], stream=r * STREAMS + i,
                                attempts=_IMPROVE * effort) for i in range(STREAMS)), task.workers)
            layouts = _ordered([*more, *layouts])
    good: tuple[Layout, Measured] | None = None
    for layout in layouts:
        if good is not None and good[0].score >= layout.score:
            break
        checked = repaired(task, layout)
        if checked is not None and (good is None or checked[0].score > good[0].score):
            good = checked
    return attempt if good is None else good


def _ordered(layouts: Sequence[Layout]) -> list[Layout]:
    return sorted(layouts, key=lambda layout: (-layout.score, -len(layout.which)))
