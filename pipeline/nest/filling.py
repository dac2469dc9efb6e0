"""As many as fit of the extra kinds beside the mandatory bodies."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.corners import MOST_BODIES, corner_fill
from pipeline.nest.merit import score
from pipeline.nest.task import SAMPLES, TOL_MM, Layout, Task, capacity, free_mask, new_state
from pipeline.nest.walking import Rooms


def fill(task: Task, rooms: dict[int, Rooms], layout: Layout, *, stream: int, attempts: int) -> Layout:
    """As many as fit of every extra kind, best value per area first, beside the layout's bodies."""
    state = new_state(task.seed, 2000 + stream)
    room_for = capacity(task)
    n = first = len(layout.which)
    which = np.zeros(room_for, dtype=np.int64)
    which[:n] = layout.which
    poses = np.zeros((room_for, 3))
    poses[:n] = layout.poses
    free = free_mask(n, layout.n_held, room_for)
    for kind in task.extra:
        if task.kinds[kind].is_disc:
            n = _start_discs(task, rooms[kind], which, poses, n, free)
            n = _more_discs(task, rooms[kind], which, poses, n, first, free, state, attempts)
        else:
            n = _add_bodies(task, kind, which, poses, n, free, state, attempts)
    done = replace(layout, which=tuple(int(k) for k in which[:n]), poses=poses[:n].copy())
    return replace(done, score=score(task, done.which, done.poses))


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


def _more_discs(task: Task, rooms: Rooms, which: Any, poses: Float, n: int, first: int, free: Any, state: Any,
                attempts: int) -> int:
    own = next((i for i in range(n) if i >= first and which[i] == rooms.kind), n)
    return int(nest_engine.insert_discs(task.world, which, poses, n, first, own, rooms.kind, free, rooms.base, rooms.x0,
                                        rooms.y0, rooms.cell, attempts, len(which), TOL_MM, state))


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


def improve(task: Task, rooms: dict[int, Rooms], layout: Layout, *, stream: int, attempts: int) -> Layout:
    """Go on from a filled layout: more of the last extra kind, when it is a disc."""
    kind = task.extra[-1]
    if not task.kinds[kind].is_disc:
        return layout
    state = new_state(task.seed, 3000 + stream)
    room_for = capacity(task)
    n, first = len(layout.which), len(task.mandatory)
    which = np.zeros(room_for, dtype=np.int64)
    which[:n] = layout.which
    poses = np.zeros((room_for, 3))
    poses[:n] = layout.poses
    free = free_mask(n, layout.n_held, room_for)
    n = _more_discs(task, rooms[kind], which, poses, n, first, free, state, attempts)
    done = replace(layout, which=tuple(int(k) for k in which[:n]), poses=poses[:n].copy())
    return replace(done, score=score(task, done.which, done.poses))
