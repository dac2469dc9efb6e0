"""What the search works on, and how its streams are run.

Words. A *layout* is a list of bodies with poses, the mandatory ones first. A *stream* is one run of the search with a
seed of its own; streams run on however many workers there are and meet only between rounds, so the result does not
depend on the workers. A *round* is a fixed piece of work of every stream that knows nothing of the rounds to come, so
that a search ended after k rounds has the nest of one that was asked for k.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from pipeline.geometry.regions import grown_area_mm2
from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.aims import Aims
from pipeline.nest.check import Walls
from pipeline.nest.shapes import Kind

SAFETY_MM = 0.002  # kept beyond every gap in the search; covers the minimiser's tolerance
TOL_MM = 0.001  # a layout is settled when no shortfall (safety included) is larger
STREAMS = 4
SAMPLES = 50  # random poses of one relocation
LATTICES = 4, 3  # angles, and shifts each way, that a quick fill tries
_RESULT = TypeVar("_RESULT")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """What to nest. `fixed` are poses that must stay, kinds `fixed_which`; `wanted` the mandatory rest; `extra` the
    kinds of which as many as fit are taken, best value per area first."""

    kinds: tuple[Kind, ...]
    world: nest_engine.World
    walls: Walls
    aims: Aims  # what a layout is marked by
    gap_mm: float
    fixed_which: tuple[int, ...]
    fixed: Float
    wanted: tuple[int, ...]
    extra: tuple[int, ...]
    usable_area_mm2: float
    grown_usable_mm2: float  # grown by half the gap: no less than the sum of the parts grown so
    seed: int
    effort: int  # rounds
    workers: int

    @property
    def mandatory(self) -> tuple[int, ...]:
        return self.fixed_which + self.wanted

    @property
    def box(self) -> Float:
        return np.array(self.walls.outline.box)

    @property
    def boxes(self) -> Float:
        """(kinds, 4) x0, y0, x1, y1 of where the centres of each kind may lie, for the engine."""
        boxes = np.tile(self.box, (len(self.kinds), 1))
        for box, kind in zip(boxes, self.kinds, strict=True):
            if kind.bound is not None and kind.bound.inside is not None:
                box[:2] = np.maximum(box[:2], kind.bound.inside.box[:2])
                box[2:] = np.minimum(box[2:], kind.bound.inside.box[2:])
        return boxes

    @property
    def angles(self) -> tuple[Any, Float]:
        """Start per kind and the flat list of allowed angles, for the engine."""
        lengths = [len(k.angles_rad) for k in self.kinds]
        flat = [a for k in self.kinds for a in k.angles_rad]
        return np.cumsum([0, *lengths]).astype(np.int64), np.array(flat if flat else [0.0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Bodies and poses; the first `n_held` must not move. `score` orders layouts of one task."""

    which: tuple[int, ...]
    poses: Float
    n_held: int
    score: float


def run(jobs: Iterable[Callable[[], _RESULT]], workers: int) -> list[_RESULT]:
    """Results in the order of the jobs, on up to `workers` threads (the engine lets go of the interpreter)."""
    jobs = list(jobs)
    if workers <= 1 or len(jobs) <= 1:
        return [job() for job in jobs]
    with ThreadPoolExecutor(max_workers=workers) as pool:
        return list(pool.map(lambda job: job(), jobs))


def new_state(seed: int, stream: int) -> Any:
    """State of the engine's generator for one stream."""
    state = np.array([(abs(seed) * 7919 + stream * 104729 + 12345) % 2147483646 + 1], dtype=np.int64)
    for _ in range(8):
        nest_engine.draw(state)
    return state


def free_mask(n: int, n_held: int, capacity: int) -> Any:
    """(capacity,) 1 for bodies that may move; the first `n_held` of the n may not."""
    free = np.ones(capacity, dtype=np.int64)
    free[:min(n, n_held)] = 0
    return free


def capacity(task: Task) -> int:
    """More bodies than can fit: the area bound over all kinds that are wanted as many as fit, with room to spare."""
    areas = [grown_area_mm2(task.kinds[k].figure(np.zeros(3)), by_mm=task.gap_mm / 2) for k in task.extra]
    box = task.box
    roomy = (box[2] - box[0] + task.gap_mm) * (box[3] - box[1] + task.gap_mm)
    return len(task.mandatory) + (math.ceil(roomy / min(areas)) + 2 if areas else 0)
