"""Walking among feasible layouts of the mandatory bodies towards one that leaves the most room for discs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.merit import score
from pipeline.nest.task import LATTICES, SAMPLES, TOL_MM, Layout, Task, capacity, free_mask

_COOL = 0.005  # where no disc gives the measure: what a step may lose, as a share of the merit
_LEAST_HEAT = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rooms:
    """A grid on which the room for a disc of one kind is mapped, and the orders in which sweeps walk it."""

    kind: int
    x0: float
    y0: float
    cell: float
    base: Float
    orders: Any

    @classmethod
    def of(cls, task: Task, kind: int) -> Rooms:
        radius = task.kinds[kind].radius_mm
        x0, y0, x1, y1 = task.walls.outline.box
        cell = max((2 * radius + task.gap_mm) / 16, math.sqrt((x1 - x0) * (y1 - y0) / 60_000))
        base = np.zeros((math.ceil((y1 - y0) / cell) + 2, math.ceil((x1 - x0) / cell) + 2))
        nest_engine.room_base(task.world, int(task.world.field[kind, 0]), radius, x0, y0, cell, base)
        iy, ix = np.nonzero(base > -0.5 * cell)
        flat = (iy * base.shape[1] + ix).astype(np.int64)
        turns = [math.radians(30 * k + 1) for k in range(12)]  # off the axes, so that a row has an order
        orders = np.array([flat[np.argsort(ix * math.cos(a) + iy * math.sin(a), kind="stable")] for a in turns])
        return cls(kind=kind, x0=x0, y0=y0, cell=cell, base=base, orders=orders)


def quick_score(task: Task, rooms: Rooms | None, which: Any, poses: Float, spots: Float) -> float:
    """The merit of the mandatory bodies, and of the discs that a quick fill gets in beside them: their value, and a
    little for room left over."""
    merit = score(task, task.mandatory, poses)
    if rooms is None:
        return merit
    radius = task.kinds[rooms.kind].radius_mm
    pitch = 2 * radius + task.gap_mm
    room = np.empty_like(rooms.base)
    nest_engine.room_map(task.world, which, poses, len(which), radius, rooms.base, rooms.x0, rooms.y0, rooms.cell,
                         0.5 * pitch, room)
    count, share = nest_engine.best_start(room, rooms.x0, rooms.y0, rooms.cell, rooms.orders, pitch, *LATTICES,
                                           spots)
    return float(merit + task.kinds[rooms.kind].request.value * (count + 0.25 * share))


def loosened(task: Task, layout: Layout) -> Layout | None:
    """The mandatory bodies of a layout, free to move: None when they have no play at all."""
    n, n_fixed = len(task.mandatory), len(task.fixed_which)
    which, poses = np.array(task.mandatory, dtype=np.int64), layout.poses[:n].copy()
    worst = nest_engine.relax(task.world, which, poses, n, free_mask(n, n_fixed, n), 0.0, 0.0, 150, TOL_MM)
    return Layout(which=task.mandatory, poses=poses, n_held=n_fixed, score=0.0) if worst <= TOL_MM else None


def walk(task: Task, rooms: Rooms | None, start: Layout, *, state: Any, steps: int) -> Layout:
    """The feasible layout of the mandatory bodies that a walk from `start` met with the best quick score."""
    which = np.array(task.mandatory, dtype=np.int64)
    n, n_fixed = len(which), len(task.fixed_which)
    free = free_mask(n, n_fixed, n)
    first_angles, angles = task.angles
    spots = np.empty((capacity(task), 2))
    poses = start.poses.copy()
    here = quick_score(task, rooms, which, poses, spots)
    best = replace(start, score=here)
    unit = task.kinds[rooms.kind].request.value if rooms is not None else _COOL * abs(here)
    for t in range(steps):
        trial = poses.copy()
        _move(task, which, trial, free, n_fixed, state)
        worst = nest_engine.relax(task.world, which, trial, n, free, 0.0, 0.0, 120, TOL_MM)
        if worst > TOL_MM:
            worst = nest_engine.separate(task.world, which, trial, n, free, first_angles, angles, task.boxes, 3,
                                         SAMPLES // 2, TOL_MM, state)
        if worst > TOL_MM:
            continue
        found = quick_score(task, rooms, which, trial, spots)
        heat = (0.8 * (1 - t / steps) + 0.02) * unit
        if found >= here or nest_engine.draw(state) < math.exp((found - here) / max(heat, _LEAST_HEAT)):
            poses, here = trial, found
            if found > best.score:
                best = replace(start, poses=trial, score=found)
    return best


def _move(task: Task, which: Any, poses: Float, free: Any, n_fixed: int, state: Any) -> None:
    """One random change of the big bodies, in place: shift and turn, pull together, send elsewhere, or swap."""
    n = len(which)
    i = n_fixed + int(nest_engine.draw(state) * (n - n_fixed))
    u = nest_engine.draw(state)
    box = task.boxes[which[i]]
    if u < 0.45:
        for j in range(n_fixed, n):
            if j == i or u < 0.15:
                spread = 12.0 * nest_engine.draw(state) ** 2
                poses[j, 0] += spread * (2 * nest_engine.draw(state) - 1)
                poses[j, 1] += spread * (2 * nest_engine.draw(state) - 1)
                if task.world.lever[which[j]] > 0:
                    poses[j, 2] += 0.3 * nest_engine.draw(state) ** 2 * (1 if nest_engine.draw(state) < 0.5 else -1)
    elif u < 0.7:
        a = 2 * math.pi * nest_engine.draw(state)
        nest_engine.relax(task.world, which, poses, n, free, 0.3 * math.cos(a), 0.3 * math.sin(a), 60, TOL_MM)
    elif u < 0.9 or n - n_fixed < 2:
        poses[i, 0] = box[0] + (box[2] - box[0]) * nest_engine.draw(state)
        poses[i, 1] = box[1] + (box[3] - box[1]) * nest_engine.draw(state)
        allowed = task.kinds[which[i]].angles_rad
        turn = nest_engine.draw(state)
        poses[i, 2] = allowed[int(turn * len(allowed))] if allowed else 2 * math.pi * turn
    else:
        j = n_fixed + int(nest_engine.draw(state) * (n - n_fixed))
        poses[[i, j], :2] = poses[[j, i], :2]
