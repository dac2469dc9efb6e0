"""Places for the mandatory bodies: guided separation from random starts, or corners, exact."""

from __future__ import annotations

import math

import numpy as np

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.corners import corner_fill
from pipeline.nest.task import SAMPLES, TOL_MM, Layout, Task, free_mask, new_state

ROUNDS = 40  # of one guided separation
_ROUND_BUDGET = 5000.0


def round_cost(task: Task) -> float:
    """What a round of separation costs, in about a millisecond: it grows a little slower than with the square of the
    polygons (measured); discs cost little."""
    n_polygons = sum(not task.kinds[k].is_disc for k in task.mandatory)
    return float(n_polygons**1.5 + 0.8 * len(task.mandatory) + 1)


def granted(task: Task, rounds: int) -> int:
    """Rounds of separation that one stream may have spent after so many rounds of the search: fewer when one costs
    more, so that a refusal comes in time."""
    budget = _ROUND_BUDGET * math.sqrt(rounds / 20) / round_cost(task)
    return round(min(max(budget, 25), 300))


def settle_mandatory(task: Task, *, stream: int, tries: int, rounds: int = ROUNDS,
                     begin: Float | None = None) -> tuple[Float, float]:
    """Poses of all mandatory bodies and their worst shortfall, mm; settled when that is at most TOL_MM. The first try
    starts from the poses `begin`, if given, the others from random ones."""
    which = np.array(task.mandatory, dtype=np.int64)
    n = len(which)
    best, best_worst = np.zeros((n, 3)), math.inf
    if n == 0:
        return best, 0.0
    state = new_state(task.seed, stream)
    free = free_mask(n, len(task.fixed_which), n)
    start, angles = task.angles
    for t in range(tries):
        poses = np.zeros((n, 3))
        if begin is not None and t == 0:
            poses[:] = begin
        else:
            nest_engine.scatter(which, poses, n, free, start, angles, task.boxes, state)
        poses[: len(task.fixed)] = task.fixed
        worst = nest_engine.separate(task.world, which, poses, n, free, start, angles, task.boxes, rounds, SAMPLES,
                                     TOL_MM, state)
        if worst < best_worst:
            best, best_worst = poses, worst
        if best_worst <= TOL_MM:
            break
    return best, best_worst


def corner_layout(task: Task) -> Layout | None:
    """The mandatory bodies laid in corners, exact; None when not all fit so."""
    order = sorted(range(len(task.wanted)), key=lambda i: (-task.kinds[task.wanted[i]].area_mm2, i))
    figures = [task.kinds[k].figure(p) for k, p in zip(task.fixed_which, task.fixed, strict=True)]
    found = corner_fill(task.kinds, [task.wanted[i] for i in order], figures, task.walls, gap_mm=task.gap_mm)
    if not task.wanted or len(found) < len(task.wanted):
        return None
    poses = np.zeros((len(task.mandatory), 3))
    poses[: len(task.fixed)] = task.fixed
    for i, pose in zip(order, found, strict=True):
        poses[len(task.fixed) + i] = pose
    return Layout(which=task.mandatory, poses=poses, n_held=len(task.mandatory), score=0.0)
