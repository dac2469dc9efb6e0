"""The search: many streams, each a pure function of its seed, combined by a total order.

Words. A *layout* is a list of bodies with poses, the mandatory ones first. A *stream* is one run of the search with a
seed of its own; streams run on however many workers there are and meet only at fixed points, so the result does not
depend on the workers.

Steps: (1) every stream separates the mandatory bodies from random starts and then walks among feasible layouts,
scored by how many discs a quick fill gets in; (2) the best layouts are filled for real; (3) several streams go on from
the best fill.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypeVar

import numpy as np

from pipeline.geometry.regions import grown_area_mm2
from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.check import Measured, Walls, measure
from pipeline.nest.corners import MOST_BODIES, corner_fill
from pipeline.nest.shapes import Kind

SAFETY_MM = 0.002  # kept beyond every gap in the search; covers the minimiser's tolerance
TOL_MM = 0.001  # a layout is settled when no shortfall (safety included) is larger
STREAMS = 4
_ROUNDS = 40  # of one guided separation
_SAMPLES = 50  # random poses of one relocation
_REPAIRS = 6
_TRIES = 8  # random starts of one stream
_WALKS, _STEPS = 6.0, 20  # walks, and steps of each, times the square root of the effort
_FILL, _IMPROVE = 1, 3  # attempts to get a disc in, per unit of effort
_IMPROVE_ROUNDS = 2
_RESULT = TypeVar("_RESULT")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """What to nest. `fixed` are poses that must stay, kinds `fixed_which`; `wanted` the mandatory rest; `extra` the
    kinds of which as many as fit are taken, best value per area first."""

    kinds: tuple[Kind, ...]
    world: nest_engine.World
    walls: Walls
    gap_mm: float
    fixed_which: tuple[int, ...]
    fixed: Float
    wanted: tuple[int, ...]
    extra: tuple[int, ...]
    usable_area_mm2: float
    grown_usable_mm2: float  # grown by half the gap: no less than the sum of the parts grown so
    seed: int
    effort: int
    workers: int

    @property
    def mandatory(self) -> tuple[int, ...]:
        return self.fixed_which + self.wanted

    @property
    def box(self) -> Float:
        return np.array(self.walls.outline.box)

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

    def value(self, task: Task) -> float:
        """Value of everything placed."""
        return math.fsum(task.kinds[k].request.value for k in self.which)


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


def _free(n: int, n_held: int, capacity: int) -> Any:
    free = np.ones(capacity, dtype=np.int64)
    free[:min(n, n_held)] = 0
    return free


# ---- mandatory bodies --------------------------------------------------------------------------------------------


def settle_mandatory(task: Task, *, stream: int, tries: int, rounds: int = _ROUNDS) -> tuple[Float, float]:
    """Poses of all mandatory bodies and their worst shortfall, mm; settled when that is at most TOL_MM."""
    which = np.array(task.mandatory, dtype=np.int64)
    n = len(which)
    best, best_worst = np.zeros((n, 3)), math.inf
    if n == 0:
        return best, 0.0
    state = new_state(task.seed, stream)
    free = _free(n, len(task.fixed_which), n)
    start, angles = task.angles
    for _ in range(tries):
        poses = np.zeros((n, 3))
        poses[: len(task.fixed)] = task.fixed
        nest_engine.scatter(which, poses, n, free, start, angles, task.box, state)
        worst = nest_engine.separate(task.world, which, poses, n, free, start, angles, task.box, rounds, _SAMPLES,
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


# ---- walking among layouts of the mandatory bodies ---------------------------------------------------------------


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
        nest_engine.room_base(task.world, radius, x0, y0, cell, base)
        iy, ix = np.nonzero(base > -0.5 * cell)
        flat = (iy * base.shape[1] + ix).astype(np.int64)
        turns = [math.radians(30 * k + 1) for k in range(12)]  # off the axes, so that a row has an order
        orders = np.array([flat[np.argsort(ix * math.cos(a) + iy * math.sin(a), kind="stable")] for a in turns])
        return cls(kind=kind, x0=x0, y0=y0, cell=cell, base=base, orders=orders)


def capacity(task: Task) -> int:
    """More bodies than can fit: the area bound over all kinds that are wanted as many as fit, with room to spare."""
    areas = [grown_area_mm2(task.kinds[k].figure(np.zeros(3)), by_mm=task.gap_mm / 2) for k in task.extra]
    box = task.box
    roomy = (box[2] - box[0] + task.gap_mm) * (box[3] - box[1] + task.gap_mm)
    return len(task.mandatory) + (math.ceil(roomy / min(areas)) + 2 if areas else 0)


def quick_score(task: Task, rooms: Rooms, which: Any, poses: Float, spots: Float) -> float:
    """Discs that a quick fill gets in beside the mandatory bodies, and a little for room left over."""
    radius = task.kinds[rooms.kind].radius_mm
    pitch = 2 * radius + task.gap_mm
    room = np.empty_like(rooms.base)
    nest_engine.room_map(task.world, which, poses, len(which), radius, rooms.base, rooms.x0, rooms.y0, rooms.cell,
                         0.5 * pitch, room)
    count, share = nest_engine.best_start(room, rooms.x0, rooms.y0, rooms.cell, rooms.orders, pitch, 4, 3, spots)
    return count + 0.25 * share


def walk(task: Task, rooms: Rooms | None, start_from: Layout | None, *, stream: int, tries: int,
         steps: int) -> list[Layout]:
    """Feasible layouts of the mandatory bodies, best quick score first; empty when none was found."""
    if start_from is not None:
        poses, worst = start_from.poses.copy(), 0.0
        free = _free(len(poses), len(task.fixed_which), len(poses))
        which = np.array(task.mandatory, dtype=np.int64)
        worst = nest_engine.relax(task.world, which, poses, len(poses), free, 0.0, 0.0, 150, TOL_MM)
    else:
        poses, worst = settle_mandatory(task, stream=stream, tries=tries)
        which = np.array(task.mandatory, dtype=np.int64)
    if worst > TOL_MM:
        return []
    n, n_fixed = len(which), len(task.fixed_which)
    first = Layout(which=task.mandatory, poses=poses, n_held=n_fixed, score=0.0)
    if rooms is None or n == n_fixed:
        return [first]
    state = new_state(task.seed, 1000 + stream)
    free = _free(n, n_fixed, n)
    start, angles = task.angles
    spots = np.empty((capacity(task), 2))
    here = quick_score(task, rooms, which, poses, spots)
    kept = [replace(first, score=here)]
    for t in range(steps):
        trial = poses.copy()
        _move(task, which, trial, free, n_fixed, state)
        worst = nest_engine.relax(task.world, which, trial, n, free, 0.0, 0.0, 120, TOL_MM)
        if worst > TOL_MM:
            worst = nest_engine.separate(task.world, which, trial, n, free, start, angles, task.box, 3, _SAMPLES // 2,
                                         TOL_MM, state)
        if worst > TOL_MM:
            continue
        score = quick_score(task, rooms, which, trial, spots)
        heat = 0.8 * (1 - t / steps) + 0.02
        if score >= here or nest_engine.draw(state) < math.exp((score - here) / heat):
            poses, here = trial, score
            kept.append(Layout(which=task.mandatory, poses=trial, n_held=n_fixed, score=score))
    kept.sort(key=lambda layout: -layout.score)  # stable: the earlier of equals first
    return kept[:6]


def _move(task: Task, which: Any, poses: Float, free: Any, n_fixed: int, state: Any) -> None:
    """One random change of the big bodies, in place: shift and turn, pull together, send elsewhere, or swap."""
    n = len(which)
    i = n_fixed + int(nest_engine.draw(state) * (n - n_fixed))
    u = nest_engine.draw(state)
    box = task.box
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


# ---- filling -----------------------------------------------------------------------------------------------------


def fill(task: Task, rooms: dict[int, Rooms], layout: Layout, *, stream: int, attempts: int) -> Layout:
    """As many as fit of every extra kind, best value per area first, beside the layout's bodies."""
    state = new_state(task.seed, 2000 + stream)
    room_for = capacity(task)
    n = first = len(layout.which)
    which = np.zeros(room_for, dtype=np.int64)
    which[:n] = layout.which
    poses = np.zeros((room_for, 3))
    poses[:n] = layout.poses
    free = _free(n, layout.n_held, room_for)
    for kind in task.extra:
        if task.kinds[kind].is_disc:
            n = _start_discs(task, rooms[kind], which, poses, n, first, free)
            n = _more_discs(task, rooms[kind], which, poses, n, first, n, free, state, attempts)
        else:
            n = _add_bodies(task, kind, which, poses, n, free, state, max(4, attempts // 20))
    done = replace(layout, which=tuple(int(k) for k in which[:n]), poses=poses[:n].copy())
    return replace(done, score=done.value(task))


def _start_discs(task: Task, rooms: Rooms, which: Any, poses: Float, n: int, first: int, free: Any) -> int:
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


def _more_discs(task: Task, rooms: Rooms, which: Any, poses: Float, n: int, first: int, end: int, free: Any, state: Any,
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
        if not nest_engine.insert_body(task.world, which, poses, n, free, start, angles, task.box, _SAMPLES, tries,
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
    free = _free(n, layout.n_held, room_for)
    n = _more_discs(task, rooms[kind], which, poses, n, first, n, free, state, attempts)
    done = replace(layout, which=tuple(int(k) for k in which[:n]), poses=poses[:n].copy())
    return replace(done, score=done.value(task))


# ---- the end -----------------------------------------------------------------------------------------------------


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
                return replace(layout, score=layout.value(task)), found
            safety += found.worst_mm + TOL_MM
            poses, which = layout.poses.copy(), np.array(layout.which, dtype=np.int64)
            free = _free(len(which), layout.n_held, len(which))
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


def search(task: Task) -> tuple[Layout, Measured] | None:
    """The best layout that passed the exact check, or None when the mandatory bodies found no place."""
    discs = [k for k in task.extra if task.kinds[k].is_disc]
    rooms = {k: Rooms.of(task, k) for k in discs}
    lead = rooms[discs[0]] if discs else None
    corner = corner_layout(task)
    effort = max(1, task.effort)
    n_walks = math.ceil(_WALKS * math.sqrt(effort)) if lead is not None else STREAMS
    walks = run((partial(walk, task, lead, corner if s == 0 else None, stream=s, tries=_TRIES,
                         steps=math.ceil(_STEPS * math.sqrt(effort))) for s in range(n_walks)), task.workers)
    layouts = sorted((layout for found in walks for layout in found[:1]), key=lambda layout: -layout.score)
    layouts = layouts[: max(STREAMS, n_walks // 2)]
    if corner is not None:
        layouts.append(corner)
    if not layouts:
        return None
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
    return good


def _ordered(layouts: Sequence[Layout]) -> list[Layout]:
    return sorted(layouts, key=lambda layout: (-layout.score, -len(layout.which)))
