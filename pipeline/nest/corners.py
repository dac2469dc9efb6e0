"""A constructive start: each body into the lowest free corner made by what lies there already.

Exact to the last bit of the gap, so it finds what no search on grids can: rectangles that fill a plate without play.
Steps: candidate places put a body's bounding box at the low corner of the region or of its zones or one gap beyond
another box; the first one that holds all exact distances is taken, by columns or by rows. A *pattern* turns the first
k bodies one way and the rest the other way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from pipeline.geometry.regions import Figure, clearance_mm, inside_mm
from pipeline.model.arrays import Float
from pipeline.model.units import EPS_MM
from pipeline.nest.bounds import Bound
from pipeline.nest.check import Walls
from pipeline.nest.shapes import Kind, posed

MOST_BODIES = 60  # beyond this the number of candidate places grows too large
_STEPS = 13  # patterns tried per pair of angles
_SMALL = 24  # up to so many bodies every small k is tried too


class _Board:
    """Bodies laid so far, with their boxes; grows."""

    def __init__(self, walls: Walls, gap_mm: float) -> None:
        self.walls, self.gap = walls, gap_mm
        self.figures: list[Figure] = []
        self.boxes: list[tuple[float, float, float, float]] = []
        self.full: list[tuple[float, float, float, float]] = []  # boxes of the bodies that fill theirs

    def add(self, figure: Figure) -> None:
        self.figures.append(figure)
        self.boxes.append(figure.box)
        if _fills_its_box(figure):
            self.full.append(figure.box)

    def corners(self, axis: int, bound: Bound | None) -> list[float]:
        """Where a box may start along the axis, ascending."""
        low = self.walls.outline.box[axis] + self.walls.edge_gap_mm
        beyond = [box[axis + 2] + self.gap for box in self.boxes]
        beyond += [figure.box[axis + 2] + gap for _, figure, gap in self.walls.keepouts]
        if bound is not None:
            beyond += [figure.box[axis + 2] for _, figure in bound.clear_of]
            low = low if bound.inside is None else max(low, bound.inside.box[axis])
        return sorted({low, *(b for b in beyond if b > low)})

    def has_room(self, figure: Figure, bound: Bound | None) -> bool:
        x0, y0, x1, y1 = figure.box
        for box, other in zip(self.boxes, self.figures, strict=True):
            apart = max(box[0] - x1, x0 - box[2], box[1] - y1, y0 - box[3])
            if apart < self.gap - EPS_MM and clearance_mm(figure, other) < self.gap - EPS_MM:
                return False
        if inside_mm(figure, self.walls.outline) < self.walls.edge_gap_mm - EPS_MM:
            return False
        if bound is not None and not bound.holds(figure):
            return False
        return all(clearance_mm(figure, keepout) >= gap - EPS_MM for _, keepout, gap in self.walls.keepouts)

    def place(self, kind: Kind, angle: float, axis: int) -> Float | None:
        """Pose in the lowest corner along `axis` first, or None."""
        shape = posed(kind.polygon, np.array([0.0, 0.0, angle]))
        low, high = shape.min(axis=0), shape.max(axis=0)
        if kind.is_disc:
            low, high = np.full(2, -kind.radius_mm), np.full(2, kind.radius_mm)
        room = np.array(self.walls.outline.box[2:]) - self.walls.edge_gap_mm + EPS_MM
        if kind.bound is not None and kind.bound.inside is not None:
            room = np.minimum(room, np.array(kind.bound.inside.box[2:]) + EPS_MM)
        width, height = (float(v) for v in high - low)
        is_full = _fills_its_box(kind.figure(np.array([0.0, 0.0, angle])))
        apart = self.gap - EPS_MM
        for first in self.corners(axis, kind.bound):
            for second in self.corners(1 - axis, kind.bound):
                x, y = (first, second) if axis == 0 else (second, first)
                pose = np.array([x - low[0], y - low[1], angle])
                if (pose[:2] + high > room).any():
                    continue
                # two full boxes nearer than the gap both ways need no exact work, and most candidates end here
                if is_full and any(b[0] - x - width < apart and x - b[2] < apart and b[1] - y - height < apart
                                   and y - b[3] < apart and _box_gap(b, x, y, width, height) < apart
                                   for b in self.full):
                    continue
                figure = kind.figure(pose)
                if self.has_room(figure, kind.bound):
                    self.add(figure)
                    return pose
        return None


def _fills_its_box(figure: Figure) -> bool:
    """True for a rectangle along the axes."""
    x0, y0, x1, y1 = figure.box
    return figure.radius_mm == 0 and abs(figure.core.area - (x1 - x0) * (y1 - y0)) < EPS_MM


def _box_gap(box: tuple[float, float, float, float], x: float, y: float, width: float, height: float) -> float:
    """Distance of two boxes, 0 or negative when they touch or overlap."""
    dx = max(box[0] - x - width, x - box[2])
    dy = max(box[1] - y - height, y - box[3])
    return math.hypot(dx, dy) if dx > 0 and dy > 0 else max(dx, dy)


def _patterns(kinds: Sequence[Kind], order: Sequence[int]) -> Iterator[tuple[int, list[tuple[float, ...]]]]:
    """Axis and, per body, the angles to try in turn."""
    n = len(order)
    many = {round(k) for k in np.linspace(0, n, min(n + 1, _STEPS))}
    if n <= _SMALL:
        many |= set(range(min(n, _STEPS)))
    is_boxy = any(_fills_its_box(kinds[index].figure(np.zeros(3))) for index in order)
    steps = sorted(many) if is_boxy else [0, n]  # mixed columns pay for rectangles only
    for axis in (0, 1):
        seen = set()
        for first, second in ((0, 1), (1, 0), (2, 3), (3, 2)):
            for k in steps:
                wanted: list[tuple[float, ...]] = []
                for at, index in enumerate(order):
                    allowed = kinds[index].angles_rad or (0.0, math.pi / 2)
                    turn = (first if at < k else second) % len(allowed)
                    other = (second if at < k else first) % len(allowed)
                    wanted.append((allowed[turn], allowed[other]) if at < k else (allowed[turn],))
                key = tuple(wanted)
                if key not in seen:
                    seen.add(key)
                    yield axis, wanted


def corner_fill(kinds: Sequence[Kind], order: Sequence[int], placed: Sequence[Figure], walls: Walls, *,
                gap_mm: float) -> list[Float]:
    """Poses of the bodies in `order` (kind indices), beside those `placed`: the most that any pattern gets in.

    Shorter than `order` when not all fit.
    """
    best: list[Float] = []
    if not order or len(order) > MOST_BODIES:
        return best
    for axis, wanted in _patterns(kinds, order):
        board = _Board(walls, gap_mm)
        for figure in placed:
            board.add(figure)
        poses: list[Float] = []
        for index, angles in zip(order, wanted, strict=True):
            pose = next((p for p in (board.place(kinds[index], a, axis) for a in angles) if p is not None), None)
            if pose is None:
                break
            poses.append(pose)
        if len(poses) > len(best):
            best = poses
        if len(best) == len(order):
            break
    return best
