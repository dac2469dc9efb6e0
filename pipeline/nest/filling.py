"""As many as fit of the extra kinds beside the mandatory bodies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.corners import MOST_BODIES, corner_fill
from pipeline.nest.merit import score
from pipeline.nest.task import SAMPLES, TOL_MM, Layout, Task, capacity, free_mask
from pipeline.nest.walking import Rooms


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Filled:
    """A layout with its extra bodies, and what the last squeeze left: `work` with a disc too many, `n_work` bodies."""

    layout: Layout
    work: Float
    n_work: int


def fill(task: Task, rooms: Mapping[int, Rooms], layout: Layout, *, state: Any, rounds: int, tries: int) -> Filled:
    """As many as fit of every extra kind, best value per area first, beside the layout's bodies. `rounds` of squeezing
    discs, `tries` to get one more polygon in."""
    which, poses, n, free = _roomy(task, layout)
    work, n_work = np.zeros_like(poses), 0
    for kind in task.extra:
        if task.kinds[kind].is_disc:
            own = n
            n = _start_discs(task, rooms[kind], which, poses, n, free)
            n, n_work = _squeeze(task, rooms[kind], which, poses, n, own, free, state, rounds, work, 0)
        else:
            n = _add_bodies(task, kind, which, poses, n, free, state, tries)
            n_work = 0
    return Filled(layout=_done(task, layout, which, poses, n), work=work, n_work=n_work)


def go_on(task: Task, rooms: Mapping[int, Rooms], filled: Filled, *, state: Any, rounds: int, tries: int) -> Filled:
    """More of the last extra kind, beside all that lies there."""
    kind, layout = task.extra[-1], filled.layout
    which, poses, n, free = _roomy(task, layout)
    if not task.kinds[kind].is_disc:
        n = _add_bodies(task, kind, which, poses, n, free, state, tries)
        return replace(filled, layout=_done(task, layout, which, poses, n))
    first = len(task.mandatory)
    own = next((i for i in range(first, n) if which[i] == kind), n)
    work = filled.work.copy()
    n, n_work = _squeeze(task, rooms[kind], which, poses, n, own, free, state, rounds, work, filled.n_work)
    return Filled(layout=_done(task, layout, which, poses, n), work=work, n_work=n_work)


def _roomy(task: Task, layout: Layout) -> tuple[Any, Float, int, Any]:
    """The layout in arrays with room for more bodies: kinds, poses, number, and which may move."""
    room_for, n = capacity(task), len(layout.which)
    which = np.zeros(room_for, dtype=np.int64)
    which[:n] = layout.which
    poses = np.zeros((room_for, 3))
    poses[:n] = layout.poses
    return which, poses, n, free_mask(n, layout.n_held, room_for)


def _done(task: Task, layout: Layout, which: Any, poses: Float, n: int) -> Layout:
    bodies, at = tuple(int(k) for k in which[:n]), poses[:n].copy()
    return replace(layout, which=bodies, poses=at, score=score(task, bodies, at))


def _start_discs(task: Task, rooms: Rooms, which: Any, poses: Float, n: int, free: Any) -> int:
    radius = task.kinds[rooms.kind].radius_mm
    pitch = 2 * radius + task.gap_mm
    room = np.empty_like(rooms.base)
    nest_engine.room_map(task.world, which, poses, n, radius, rooms.base, rooms.x0, rooms.y0, rooms.cell, 0.5 * pitch,
                         room)
    spots = np.empty((len(which) - n - 1, 2))
    count, _ = nest_engine.best_start(room, rooms.x0, rooms.y0, rooms.cell, rooms.orders, pitch, 12, 6, spots)
    kept, kept_which = poses[:n].copy(), which[:n].copy()
    which[n:n + count] = rooms.kind
    poses[n:n + count, :2] = spots[:count]
    poses[n:n + count, 2] = 0.0
    held = free.copy()
    held[:n] = 0
    settled = nest_engine.settle(task.world, which, poses, n + count, n, held, TOL_MM)
    if settled < 0:
        which[:n], poses[:n] = kept_which, kept
        return n
    return int(settled)


def _squeeze(task: Task, rooms: Rooms, which: Any, poses: Float, n: int, own: int, free: Any, state: Any, rounds: int,
             work: Float, n_work: int) -> tuple[int, int]:
    n, n_work = nest_engine.squeeze(task.world, which, poses, n, own, rooms.kind, free, rooms.base, rooms.x0, rooms.y0,
                                    rooms.cell, rounds, TOL_MM, state, work, n_work)
    return int(n), int(n_work)


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
