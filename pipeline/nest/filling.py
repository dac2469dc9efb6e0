"""As many as fit of the extra kinds beside the mandatory bodies.

A *crowd* is a layout with more discs of the last kind than lie well, of soft bodies that share the overlap out. Its
energy says how far it is from lying well, long before a count of discs would.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.corners import MOST_BODIES, corner_fill
from pipeline.nest.merit import score
from pipeline.nest.task import LATTICES, SAMPLES, TOL_MM, Layout, Task, capacity, free_mask
from pipeline.nest.walking import Rooms

_ENERGY = 0.006  # of one disc too many, in pitches^2; measured on plates with 60 and 170 discs


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crowd:
    """Kinds and poses with room for more, `n` bodies, those from `own` on discs of the last kind. `worth` is its score
    if all lay well, `hope` the score to expect of it."""

    which: Any
    poses: Float
    n: int
    own: int
    n_held: int
    worth: float = math.inf
    hope: float = -math.inf


def fill(task: Task, rooms: Mapping[int, Rooms], layout: Layout, *, state: Any, rounds: int, tries: int,
         kinds: Sequence[int]) -> Layout:
    """As many as fit of the kinds, one kind after the other, beside the layout's bodies. `rounds` of pressing discs,
    `tries` to get one more polygon in."""
    layout = replace(layout, score=score(task, layout.which, layout.poses))
    for kind in kinds:
        which, poses, n, free = _roomy(task, layout)
        if task.kinds[kind].is_disc:
            own, n = n, _lay_discs(task, rooms[kind], which, poses, n, len(which))
            n = _settled(task, which, poses, n, own, free)
            layout = _layout(task, which, poses, n, n_held=layout.n_held)
            crowd = Crowd(which=which, poses=poses, n=n, own=own, n_held=layout.n_held)
            _, found = press(task, rooms[kind], _joined(task, rooms[kind], crowd, n + 1), state=state, rounds=rounds)
            layout = found or layout
        else:
            n = _add_bodies(task, kind, which, poses, n, free, state, tries)
            layout = _layout(task, which, poses, n, n_held=layout.n_held)
    return layout


def add_bodies(task: Task, layout: Layout, *, state: Any, tries: int) -> Layout:
    """More of the last extra kind, polygons, beside all that lies there."""
    which, poses, n, free = _roomy(task, layout)
    n = _add_bodies(task, task.extra[-1], which, poses, n, free, state, tries)
    return _layout(task, which, poses, n, n_held=layout.n_held)


def crowd_on(task: Task, rooms: Rooms, base: Layout, best: Layout) -> Crowd | None:
    """The base, all but the last kind, with as many discs as would make it better than the best; None when they find no
    voids at all."""
    which, poses, n, _ = _roomy(task, base)
    value = task.kinds[rooms.kind].request.value
    own = _own(task, best, rooms.kind)
    behind = score(task, best.which[:own], best.poses[:own]) - score(task, base.which, base.poses)
    count = len(best.which) - own + 1 + (math.floor(behind / value) if value > 0 else 0)
    if count <= 0:
        return None
    laid = _lay_discs(task, rooms, which, poses, n, count)
    crowd = Crowd(which=which, poses=poses, n=laid, own=n, n_held=base.n_held)
    return _joined(task, rooms, crowd, n + count)


def crowd_of(task: Task, rooms: Rooms, layout: Layout) -> Crowd | None:
    """The layout and one disc too many; None when there is no void for it."""
    which, poses, n, _ = _roomy(task, layout)
    crowd = Crowd(which=which, poses=poses, n=n, own=_own(task, layout, rooms.kind), n_held=layout.n_held)
    return _joined(task, rooms, crowd, n + 1)


def press(task: Task, rooms: Rooms, crowd: Crowd | None, *, state: Any,
          rounds: int) -> tuple[Crowd | None, Layout | None]:
    """Work off overlap for so many rounds; whenever all lies well, one disc more. Returns the crowd (None when no void
    is left), and the last layout that lay well, if any."""
    found: Layout | None = None
    while crowd is not None and rounds > 0:
        which, poses = crowd.which.copy(), crowd.poses.copy()
        free = free_mask(crowd.n, crowd.n_held, len(which))
        energy, rounds = nest_engine.press(
            task.world, which, poses, crowd.n, crowd.own, rooms.kind, free, rooms.base, rooms.x0, rooms.y0, rooms.cell,
            rounds, TOL_MM, state,
        )  # fmt: skip
        layout = _layout(task, which, poses, crowd.n, n_held=crowd.n_held)
        if energy == 0.0:
            found = layout
            crowd = _joined(task, rooms, replace(crowd, which=which, poses=poses), crowd.n + 1)
        else:
            kind = task.kinds[rooms.kind]
            unit = _ENERGY * (2 * kind.radius_mm + task.gap_mm) ** 2
            hope = layout.score - kind.request.value * energy / unit
            crowd = replace(crowd, which=which, poses=poses, worth=layout.score, hope=hope)
    return crowd, found


def _joined(task: Task, rooms: Rooms, crowd: Crowd, target: int) -> Crowd | None:
    """The crowd with more discs in its voids; None when they find none."""
    which, poses = crowd.which.copy(), crowd.poses.copy()
    free = free_mask(crowd.n, crowd.n_held, len(which))
    n = int(nest_engine.crowd(task.world, which, poses, crowd.n, target, rooms.kind, free, rooms.base, rooms.x0,
                              rooms.y0, rooms.cell, TOL_MM))
    return replace(crowd, which=which, poses=poses, n=n) if n == target else None


def _own(task: Task, layout: Layout, kind: int) -> int:
    """Where the layout's discs of the last kind begin."""
    n = len(layout.which)
    while n > len(task.mandatory) and layout.which[n - 1] == kind:
        n -= 1
    return n


def _roomy(task: Task, layout: Layout) -> tuple[Any, Float, int, Any]:
    """The layout in arrays with room for more bodies: kinds, poses, number, and which may move."""
    room_for, n = capacity(task), len(layout.which)
    which = np.zeros(room_for, dtype=np.int64)
    which[:n] = layout.which
    poses = np.zeros((room_for, 3))
    poses[:n] = layout.poses
    return which, poses, n, free_mask(n, layout.n_held, room_for)


def _layout(task: Task, which: Any, poses: Float, n: int, *, n_held: int) -> Layout:
    """The first n bodies."""
    bodies, at = tuple(int(k) for k in which[:n]), poses[:n].copy()
    return Layout(which=bodies, poses=at, n_held=n_held, score=score(task, bodies, at))


def _lay_discs(task: Task, rooms: Rooms, which: Any, poses: Float, n: int, most: int) -> int:
    """Discs where a quick fill has them, a little too near some of them; returns the number of bodies."""
    radius = task.kinds[rooms.kind].radius_mm
    pitch = 2 * radius + task.gap_mm
    room = np.empty_like(rooms.base)
    nest_engine.room_map(task.world, which, poses, n, radius, rooms.base, rooms.x0, rooms.y0, rooms.cell, 0.5 * pitch,
                         room)
    spots = np.empty((len(which) - n - 1, 2))
    count, _ = nest_engine.best_start(room, rooms.x0, rooms.y0, rooms.cell, rooms.orders, pitch, *LATTICES, spots)
    count = min(count, most)
    which[n:n + count] = rooms.kind
    poses[n:n + count, :2] = spots[:count]
    poses[n:n + count, 2] = 0.0
    return n + int(count)


def _settled(task: Task, which: Any, poses: Float, n: int, own: int, free: Any) -> int:
    """Discs from `own` on relaxed, those in the way dropped; returns the number of bodies."""
    kept, kept_which = poses[:own].copy(), which[:own].copy()
    held = free.copy()
    held[:own] = 0
    settled = int(nest_engine.settle(task.world, which, poses, n, own, held, TOL_MM))
    if settled < 0:
        which[:own], poses[:own] = kept_which, kept
        return own
    return settled


def _add_bodies(task: Task, kind: int, which: Any, poses: Float, n: int, free: Any, state: Any, tries: int) -> int:
    """More bodies of a polygon kind: laid in corners first, then one by one at the best of random poses."""
    figures = [task.kinds[k].figure(p) for k, p in zip(which[:n], poses[:n], strict=True)]
    most = min(len(which) - n - 1, MOST_BODIES)
    for pose in corner_fill(task.kinds, [kind] * most, figures, task.walls, gap_mm=task.gap_mm):
        which[n], poses[n] = kind, pose
        n += 1
    start, angles = task.angles
    while n < len(which) - 1:
        which[n] = kind
        if not nest_engine.insert_body(task.world, which, poses, n, free, start, angles, task.boxes, SAMPLES, tries,
                                       TOL_MM, state):
            return n
        n += 1
    return n
