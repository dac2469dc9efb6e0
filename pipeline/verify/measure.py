"""Sizes of every feature, measured on the simulated stock: diameter, position, depth, walls, thickness.

Goal: the table a machinist would fill in after the first part, before it is cut. Steps: gather all places of all parts,
ask the probe three times (reaches, heights, gaps), fit circles, take the value of each size that lies worst in its
limits. Conventions: depths and floors count from where the part's top belongs, and the face that is really there has a
row of its own (thickness, from the face as cut to the outer face as drawn). A wall is + where stock is left, - where
the part is cut into. Position is the distance of a hole's axis, that of a circle of least squares through 72 rays, from
where it belongs. Limits are the feature's own; where it has none, the job's tolerances. A position has no limit on a
drawing here: what a hole of the drawn size may be off before the exact wall test speaks (see acceptance.py) is taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_measure as kernel
from pipeline.model.job import Tolerances
from pipeline.model.part import Chamfer, Feature, Hole, Mark, Part, Pocket, Side
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.toolpath import NotCut
from pipeline.model.units import EPS_MM
from pipeline.model.verdict import Measured
from pipeline.verify.excused import Excuse
from pipeline.verify.faults import Fault
from pipeline.verify.places import DRILL_RINGS, Places, places
from pipeline.verify.probe import N_RAYS, RAYS, Probe, inside_by
from pipeline.verify.reading import Moves
from pipeline.verify.tools import ToolTable

Array = NDArray[np.float64]
_HEIGHTS = (0.15, 0.5, 0.85)  # of a hole's wall, from its foot
_LEAST_WALL_MM = 0.1
_MOST_TIMES, _MOST_MORE_MM = 1.5, 1.0  # a ray is followed to this many radii and so much more
_ENOUGH_RAYS = 48
_DECIMALS = 6  # of what is reported, mm
_FIT_ROUNDS = 12
_FIT_DONE_MM = 1e-9
_ASIDE_MM, _ASIDE_TIMES = 0.05, 2.0  # a ray this far off a circle, and so many times the middle one, is no part of it
_SPOKEN_MM = 0.6  # what another check found this near to a feature's edge is about it
SPOKEN_BY = ("V649", "V650", "V651", "V652")
_FAULTS = {"diameter": "V690", "core diameter": "V690", "depth": "V691", "thickness": "V691", "position": "V692"}


def measure_features(
    setup: Setup, *, moves: Moves, tools: ToolTable, tolerances: Tolerances, not_cut: Sequence[NotCut],
    excused: Sequence[Excuse],
) -> tuple[Measured, ...]:  # fmt: skip
    """Rows for every feature of every placed part, in the setup's order, mm. What is not cut, or not a size, has
    `measured` None and says why. Stock that is excused is not measured."""
    probe = Probe.of(moves, tools, start_z_mm=setup.z.top_high_mm)
    known: dict[int, Places] = {}
    jobs = []
    for index, placed in enumerate(setup.parts):
        if id(placed.part) not in known:
            known[id(placed.part)] = places(placed.part, left_mm=tolerances.left_mm)
        mine = [e for e in excused if e.part == index]
        left = [n for n in not_cut if n.part_id in (placed.part_id, "")]
        jobs.append(_PartJob(placed, known[id(placed.part)], tolerances, mine, left))
    asked = _Asked()
    for job in jobs:
        job.ask(asked)
    asked.answer(probe)
    return tuple(row for job in jobs for row in job.rows(asked))


@dataclass(slots=True)
class _Asked:
    """What the probe is asked, all parts together; an answer is found by the number its question got."""

    rings: list[Array] = field(default_factory=list)
    points: list[Array] = field(default_factory=list)
    walls: list[Array] = field(default_factory=list)
    reach: list[Array] = field(default_factory=list)
    z: list[Array] = field(default_factory=list)
    gap: list[Array] = field(default_factory=list)

    def answer(self, probe: Probe) -> None:
        self.reach = _split(self.rings, probe.reaches, 4)
        self.z = _split(self.points, probe.heights, 2)
        self.gap = _split(self.walls, probe.gaps, 3)


def _split(questions: list[Array], ask: Callable[[Array], Array], columns: int) -> list[Array]:
    if not questions:
        return []
    whole = np.ascontiguousarray(np.vstack(questions).reshape(-1, columns))
    return np.split(ask(whole), np.cumsum([len(q) for q in questions])[:-1])


def _put(questions: list[Array], rows: Array) -> int:
    questions.append(rows)
    return len(questions) - 1


class _PartJob:
    def __init__(
        self, placed: PlacedPart, where: Places, tolerances: Tolerances, excused: list[Excuse], left: list[NotCut]
    ) -> None:
        self.placed, self.where, self.tol, self.excused, self.left = placed, where, tolerances, excused, left
        self.up = placed.bottom_z_mm
        self.number: dict[tuple[str, str], int] = {}  # (what, feature id) -> number of the question
        self.why: dict[str, str] = {}

    def ask(self, asked: _Asked) -> None:
        """Put this part's questions."""
        part, pose = self.placed.part, self.placed.setup_from_part
        for f in part.features:
            if f.side is not Side.INSIDE or (not isinstance(f, Hole) and self._left_for(f.id)):
                continue
            if isinstance(f, Hole):
                foot, head = self._wall(f)
                if head - foot >= _LEAST_WALL_MM:
                    xy = pose.points(np.array([[f.x_mm, f.y_mm]]))[0]
                    most = _MOST_TIMES * f.diameter_mm / 2 + _MOST_MORE_MM
                    rings = np.array([(*xy, foot + s * (head - foot), most) for s in _HEIGHTS])
                    self.number["reach", f.id] = _put(asked.rings, rings)
            if f.id in self.where.floors:
                z = f.bottom_z_mm if isinstance(f, Hole) else f.floor_z_mm if isinstance(f, Pocket) else 0.0
                self._ask_heights(asked, f.id, self.where.floors[f.id], z)
        self._ask_heights(asked, "inside-face", self.where.face, part.thickness_mm)
        for name, points in self.where.walls.items():
            if len(points):
                xyz = np.column_stack([pose.points(points[:, :2]), points[:, 2] + self.up])
                xyz = xyz[~self._excused(xyz[:, :2], xyz[:, 2])]
                if len(xyz):
                    self.number["gap", name] = _put(asked.walls, xyz)

    def _ask_heights(self, asked: _Asked, name: str, xy: Array, z_mm: float) -> None:
        if len(xy):
            xy = self.placed.setup_from_part.points(xy)
            xy = xy[~self._excused(xy, np.full(len(xy), z_mm + self.up))]
        if len(xy):
            self.number["z", name] = _put(asked.points, xy)

    def _wall(self, hole: Hole) -> tuple[float, float]:
        """Setup z between which a hole has a wall of its own: over what is left at its bottom, under any chamfer."""
        foot, head = hole.bottom_z_mm + self.up, hole.top_z_mm + self.up
        for f in self.placed.part.features:
            if isinstance(f, Chamfer) and f.inward and abs(f.z_mm - hole.top_z_mm) < EPS_MM:
                middle = (f.loop.vertices[:, :2].min(axis=0) + f.loop.vertices[:, :2].max(axis=0)) / 2
                if math.hypot(middle[0] - hole.x_mm, middle[1] - hole.y_mm) < hole.diameter_mm / 2:
                    head = min(head, hole.top_z_mm + self.up - f.leg_mm)
        for n in self.left:
            if n.feature_id == hole.id and len(n.region) >= 3:
                foot = max(foot, n.high_z_mm)
        return foot, head

    def _left_for(self, feature_id: str) -> str:
        """The setup that a declaration leaves the feature for, threads apart; empty when there is none."""
        return next((n.setup for n in self.left if n.feature_id == feature_id and "thread" not in n.operation), "")

    def _excused(self, xy: Array, z: Array) -> NDArray[np.bool_]:
        """Points where declared stock may lie."""
        grow = self.tol.left_mm
        out = np.zeros(len(xy), dtype=np.bool_)
        for e in self.excused:
            some = np.flatnonzero(~out & (z < e.high_mm + grow) & (z > e.low_mm - grow))
            some = some[inside_by(xy[some], e.region) > -grow]
            if not len(some):
                continue
            inside = inside_by(xy[some], e.shape)
            held = np.abs(inside) < e.edge_mm + grow if e.edge_mm else inside > -grow
            for island in e.islands:
                held &= inside_by(xy[some], island) < grow
            out[some[held]] = True
        return out

    def rows(self, asked: _Asked) -> Iterable[Measured]:
        """This part's rows: the face and the outline first, then the features as the part lists them."""
        part, tol = self.placed.part, self.tol
        z = self._answer(asked.z, "z", "inside-face")
        thick = part.thickness_mm
        yield self._row("inside-face", "thickness", thick, thick - tol.floor_mm, thick + tol.left_mm,
                        None if z is None else z - self.up, "no flat of it is left to measure on")  # fmt: skip
        gap = self._answer(asked.gap, "gap", "outline")
        for word, pick in (("wall, smallest", np.min), ("wall, largest", np.max)):
            value = None if gap is None else np.array([pick(gap)])
            yield self._row("outline", word, 0.0, -tol.wall_mm, tol.left_mm, value, "it is left for later")
        for f in part.features:
            if f.side is not Side.INSIDE:
                yield self._unmeasured(f, f"cut in {self._left_for(f.id) or 'the setup for the other side'}")
            elif isinstance(f, Hole):
                yield from self._hole(f, asked)
            elif self._left_for(f.id):
                yield self._unmeasured(f, f"cut in {self._left_for(f.id)}")
            elif isinstance(f, Pocket):
                yield from self._pocket(f, asked)
            else:
                yield self._unmeasured(f, "not a size: its faces are checked against the solid")

    def _answer(self, answers: list[Array], what: str, name: str) -> Array | None:
        number = self.number.get((what, name))
        return None if number is None else answers[number]

    def _row(
        self, feature_id: str, quantity: str, nominal: float, low: float | None, high: float | None,
        values: Array | None, why: str = "",
    ) -> Measured:  # fmt: skip
        """A row with the value that lies worst in its limits; `why` speaks when there is none."""
        measured = None
        if values is not None and len(values):
            over = np.maximum(
                values - high if high is not None else np.full(len(values), -np.inf),
                low - values if low is not None else np.full(len(values), -np.inf),
            )
            measured = round(float(values[int(np.argmax(over))]), _DECIMALS)
        return Measured(
            part_id=self.placed.part_id, feature_id=feature_id, quantity=quantity, unit="mm",
            nominal=round(nominal, _DECIMALS), low=None if low is None else round(low, _DECIMALS),
            high=None if high is None else round(high, _DECIMALS), measured=measured,
            why=why if measured is None else "",
        )  # fmt: skip

    def _unmeasured(self, f: Feature, why: str) -> Measured:
        if isinstance(f, Hole):
            return self._row(f.id, "diameter", f.diameter_mm, *f.limits_mm, None, why)
        if isinstance(f, Pocket):
            return self._row(f.id, "depth", abs(f.top_z_mm - f.floor_z_mm), None, None, None, why)
        if isinstance(f, Chamfer):
            return self._row(f.id, "leg", f.leg_mm, None, None, None, why)
        if isinstance(f, Mark):
            return self._row(f.id, "depth", f.depth_mm, None, None, None, why)
        return self._row(f.id, "form", 0.0, None, None, None, why)

    def _hole(self, f: Hole, asked: _Asked) -> Iterable[Measured]:
        low, high = f.thread.drill_limits_mm if f.thread else f.limits_mm
        word = "core diameter" if f.thread else "diameter"
        fits, why = _circles(self._answer(asked.reach, "reach", f.id), f)
        if self._left_for(f.id) and not len(fits):
            why = f"cut in {self._left_for(f.id)}"
        yield self._row(f.id, word, f.diameter_mm, low, high, 2 * fits[:, 2] if len(fits) else None, why)
        off = np.hypot(fits[:, 0], fits[:, 1]) if len(fits) else None
        allowed = max(self.tol.wall_mm, (high - f.diameter_mm) / 2)
        yield self._row(f.id, "position", 0.0, None, allowed, off, why)
        depth = f.top_z_mm - f.bottom_z_mm
        if f.through:
            later = self._left_for(f.id)
            yield self._row(f.id, "depth", depth, None, None, None, f"through: opened in {later}" if later else
                            "through: judged with the kerf and the skin")  # fmt: skip
            return
        z = self._answer(asked.z, "z", f.id)
        if z is not None and not f.flat_bottom:
            n = len(z) // len(DRILL_RINGS)
            if not len(fits) or len(z) != len(self.where.floors[f.id]) or len(z) % len(DRILL_RINGS):
                z, why = None, why or "its floor is cut by something else"
            else:
                inner, outer = float(np.mean(z[:n])), float(np.mean(z[n:]))
                r0, r1 = (share * f.diameter_mm / 2 for share in DRILL_RINGS)
                z = np.array([outer + (outer - inner) / (r1 - r0) * (float(fits[0, 2]) - r1)])
        deep, shallow = f.depth_limits_mm or (f.bottom_z_mm - self._too_deep(f), f.bottom_z_mm + self.tol.left_mm)
        yield self._row(f.id, "depth", depth, f.top_z_mm - shallow, f.top_z_mm - deep,
                        None if z is None else f.top_z_mm + self.up - z,
                        why or "no floor is left to measure on")  # fmt: skip

    def _too_deep(self, f: Hole) -> float:
        """How far a hole without limits of depth may go below its bottom; a wide drill's point lies lower."""
        return self.tol.floor_mm if f.flat_bottom else max(self.tol.floor_mm, (f.limits_mm[1] - f.diameter_mm) / 2)

    def _pocket(self, f: Pocket, asked: _Asked) -> Iterable[Measured]:
        z, gap = self._answer(asked.z, "z", f.id), self._answer(asked.gap, "gap", f.id)
        deep, shallow = f.floor_limits_mm or (f.floor_z_mm - self.tol.floor_mm, f.floor_z_mm + self.tol.left_mm)
        yield self._row(f.id, "depth", f.top_z_mm - f.floor_z_mm, f.top_z_mm - shallow, f.top_z_mm - deep,
                        None if z is None else f.top_z_mm + self.up - z, "no floor is left to measure on")  # fmt: skip
        yield self._row(f.id, "wall", 0.0, -self.tol.wall_mm, self.tol.left_mm, gap, "no wall of its own")


def _circles(reach: Array | None, hole: Hole) -> tuple[Array, str]:
    """Circles of least squares (k, 3: x, y from where the axis belongs, radius) at the heights that are open, from
    the foot up, or why there is none."""
    if reach is None:
        return np.zeros((0, 3)), "too little of its wall is cut in this setup"
    most = _MOST_TIMES * hole.diameter_mm / 2 + _MOST_MORE_MM
    out, why = [], "nothing cut here"
    for row in reach:
        shut = np.flatnonzero((row > 0) & (row < most - EPS_MM))
        if row.max() <= 0:
            continue
        if len(shut) < _ENOUGH_RAYS:
            why = f"open over {N_RAYS - len(shut)} of {N_RAYS} directions"
            continue
        fit = np.empty(3)
        points = row[shut, None] * RAYS[shut]
        if kernel.fit_circle(points, _ASIDE_MM, _ASIDE_TIMES, _ENOUGH_RAYS, _FIT_ROUNDS, _FIT_DONE_MM, fit):
            out.append(fit)
        else:
            why = "not round"
    return (np.array(out), "") if out else (np.zeros((0, 3)), why)


def feature_faults(setup: Setup, measured: Iterable[Measured], *, spoken: Sequence[Fault]) -> list[Fault]:
    """A fault for each size out of its limits: V690 a hole's diameter, V691 a depth, floor or thickness, V692 a hole's
    position. Silent where a check of SPOKEN_BY found something at that feature: then the size is its consequence.
    Walls are left to those checks altogether: their limits are the same."""
    parts = {placed.part_id: placed for placed in setup.parts}
    out = []
    for m in measured:
        code = _FAULTS.get(m.quantity)
        if code is None or m.measured is None or m.is_within:
            continue
        placed = parts[m.part_id]
        at, radius = _middle(placed, m.feature_id)
        near = radius + _SPOKEN_MM
        if any(
            f.code in SPOKEN_BY and f.part_id == m.part_id and f.at_mm is not None
            and (radius == 0.0 or math.hypot(f.at_mm[0] - at[0], f.at_mm[1] - at[1]) < near)
            for f in spoken
        ):  # fmt: skip
            continue
        low = "" if m.low is None else f"{m.low:.4f}"
        high = "" if m.high is None else f"{m.high:.4f}"
        limits = f"{low} to {high} mm" if low and high else f"at most {high} mm" if high else f"at least {low} mm"
        off = max(m.measured - m.high if m.high is not None else 0.0, m.low - m.measured if m.low is not None else 0.0)
        out.append(
            Fault(
                code=code, part_id=m.part_id, cutter=0, line=0, at_mm=at, amount_mm=off,
                found=f"{m.feature_id}: {m.quantity} {m.measured:.4f} mm, {off:.4f} mm out of its limits",
                wanted=limits,
                hint="measured in simulation; the wall or floor is within the job's tolerances, the size is not",
            )
        )  # fmt: skip
    return out


def _middle(placed: PlacedPart, feature_id: str) -> tuple[tuple[float, float, float], float]:
    """Where a feature is, setup frame, and the radius of the circle about it; 0 for a part's face."""
    part: Part = placed.part
    for f in part.features:
        if f.id == feature_id:
            if isinstance(f, Hole):
                x, y, z = placed.setup_from_part.points(np.array([[f.x_mm, f.y_mm, f.top_z_mm]]))[0]
                return (float(x), float(y), float(z)), f.diameter_mm / 2
            if isinstance(f, Pocket):
                v = f.outer.flattened(chord_mm=1.0)
                middle = (v.min(axis=0) + v.max(axis=0)) / 2
                x, y, z = placed.setup_from_part.points(np.array([[*middle, f.floor_z_mm]]))[0]
                return (float(x), float(y), float(z)), float(np.hypot(*(v - middle).T).max())
    x, y, _ = placed.setup_from_part.shift_mm
    return (x, y, placed.inside_z_mm), 0.0
