"""The search: many streams, each a pure function of its seed, that meet between rounds; combined by a total order.

Steps of a stream: (1) places for the mandatory bodies, filled; (2) walks on from there, scored by merit and by the
discs that a quick fill gets in; (3) where each ends, one disc more than the best has is crowded in, and what hopes most
is pressed on, the mandatory bodies moving, too, until all lies well. At last (4) the best that passes the exact check.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.model.nest import Progress
from pipeline.nest.check import Measured, measure
from pipeline.nest.mandatory import corner_layout
from pipeline.nest.merit import score
from pipeline.nest.streams import Stream, of_corner, play_round
from pipeline.nest.task import STREAMS, TOL_MM, Layout, Task, free_mask, run
from pipeline.nest.walking import Rooms

_REPAIRS = 6
_KEPT = 8  # layouts, for the exact check to choose from
_SHIFTS = ((7.3, 3.1, 0.4), (-11.7, 5.9, 1.9), (2.3, -17.1, 3.3))  # of all bodies, to see whether places count


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """The best layout that passed the exact check, after so many rounds."""

    layout: Layout
    measured: Measured
    rounds: int
    is_ended_early: bool


def search(task: Task, *, stop: Callable[[], bool] | None = None,
           tell: Callable[[Progress], None] | None = None) -> Found | Attempt:
    """Up to `task.effort` rounds; the best attempt when the mandatory bodies found no place.

    `stop` is asked after each round once there is a layout, `tell` hears of it.
    """
    rooms = {k: Rooms.of(task, k) for k in task.extra if task.kinds[k].is_disc}
    corner = corner_layout(task)
    # corners are enough when nothing else is wanted; a search that cannot hit an exact fit would only take time
    n_corners = 0 if corner is None else 1 if task.extra else STREAMS
    streams = [of_corner(s, corner) if corner is not None and s >= STREAMS - n_corners else Stream(number=s)
               for s in range(STREAMS)]
    best: list[Layout] = []
    effort = max(1, task.effort)
    number, is_ended_early = 0, False
    while number < effort and not is_ended_early:
        number += 1
        streams = run((partial(play_round, task, rooms, stream, number) for stream in streams), task.workers)
        held = [stream.best for stream in streams if stream.best is not None]
        if not held:
            continue
        best = _ordered([*best, *(layout for layout in held if not any(layout is b for b in best))])[:_KEPT]
        streams = _shared(streams)
        if tell is not None:
            tell(_progress(task, best[0], number, effort))
        if not _can_gain(task, best[0]):
            break
        is_ended_early = number < effort and stop is not None and stop()
    good = _best_good(task, best)
    if good is None:
        nearest = min(streams, key=lambda stream: stream.short_mm).attempt
        assert nearest is not None
        return Attempt(poses=nearest if corner is None else corner.poses)
    return Found(layout=good[0], measured=good[1], rounds=number, is_ended_early=is_ended_early)


def _shared(streams: Sequence[Stream]) -> list[Stream]:
    """All take the best layout; crowds they keep, those of streams that have a layout."""
    base, best = max(((s.base, s.best) for s in streams if s.best is not None), key=lambda pair: pair[1].score)
    return [replace(stream, base=stream.base or base, best=best) for stream in streams]


def _can_gain(task: Task, layout: Layout) -> bool:
    """False when every layout of the task is worth the same."""
    if task.extra or not task.wanted:
        return bool(task.extra)
    moved = (layout.poses + shift for shift in _SHIFTS)
    return any(score(task, layout.which, poses) != layout.score for poses in moved)


def _progress(task: Task, layout: Layout, rounds: int, of: int) -> Progress:
    area = math.fsum(task.kinds[k].area_mm2 for k in layout.which)
    return Progress(rounds=rounds, of=of, studs=len(layout.which) - len(task.mandatory), value=layout.score,
                    share=area / task.usable_area_mm2)


def _best_good(task: Task, layouts: Sequence[Layout]) -> tuple[Layout, Measured] | None:
    """The best that passes the exact check."""
    good: tuple[Layout, Measured] | None = None
    for layout in layouts:
        if good is not None and good[0].score >= layout.score:
            break
        checked = repaired(task, layout)
        if checked is not None and (good is None or checked[0].score > good[0].score):
            good = checked
    return good


def _ordered(layouts: Sequence[Layout]) -> list[Layout]:
    return sorted(layouts, key=lambda layout: (-layout.score, -len(layout.which)))
