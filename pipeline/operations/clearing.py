"""Clearing an area level by level with offset rings, from the inside out.

Goal: every point within a cutter radius of the *region* of allowed centres is cut, climb, without a rapid in stock.

Words. *Ring k* is the boundary of the region shrunk by k stepovers; its pieces form a tree, since a waist splits a
region. A *leaf* is a piece with nothing inside it.

Why nothing is left between rings: a point of ring k's region that is not in ring k+1's is nearer than the stepover to
ring k (erosions compose), and the stepover is kept below the cutter radius; sharp corners need no extra move. A leaf is
left out when the ring round it already covers it. Leaves are entered by a helix where one fits, else down a ramp along
the leaf's own ring. A ring is reached from a neighbouring ring that is already cut, by a short straight move inside
the region, or by lifting to such a place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.offsets import Area
from pipeline.geometry.paths import Path
from pipeline.model.units import EPS_MM
from pipeline.operations.entries import APPROACH_MM, descend, follow, helix, on_ray, ramp_slope
from pipeline.operations.motion import PassBuilder
from pipeline.shop.cutting import CutData

LARGEST_STEPOVER = 0.94  # of the cutter radius; leaves room for the looser inner rings
INNER_RING_MM = 0.004  # inner rings touch no wall
HELIX_LARGEST = 0.45  # of the diameter: no post stays in the middle
HELIX_LEAST = 0.3  # of the diameter; a narrower place is ramped along its ring instead
LEAST_LOOP = 0.2  # of the diameter: a region with a shorter boundary is a hole, not an area
LINK_SLACK_MM = 0.006
SAMPLE_MM = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ring:
    """One piece of the region at one depth of offset: its boundary in climb direction and the rings inside it."""

    area: Area
    loops: tuple[Path, ...]
    inside: tuple[Ring, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clearing:
    """The rings of one connected region of allowed cutter centres."""

    region: Area
    root: Ring
    stepover_mm: float
    cutter_radius_mm: float


def plan_clearing(region: Area, *, stepover_mm: float, cutter_radius_mm: float) -> Clearing:
    """Rings for one connected region of cutter centres; the outermost follows its boundary exactly."""
    step = min(stepover_mm, LARGEST_STEPOVER * cutter_radius_mm)
    coarse = region.simplified(INNER_RING_MM / 2)
    layers: list[tuple[Area, ...]] = [(region,)]
    while layers[-1]:
        layers.append(coarse.shrunk(step * len(layers)).pieces())
    rings: list[Ring] = []
    for depth in range(len(layers) - 2, -1, -1):
        inner, rings = rings, []
        home = [next((i for i, area in enumerate(layers[depth]) if _encloses(area, ring.area)), 0) for ring in inner]
        for i, area in enumerate(layers[depth]):
            inside = tuple(ring for ring, owner in zip(inner, home, strict=True) if owner == i)
            if depth > 0 and not inside and step + area.deepest()[2] < LARGEST_STEPOVER * cutter_radius_mm:
                continue  # the ring round it cuts it already
            loops = area.boundary() if depth == 0 else area.boundary(tolerance_mm=INNER_RING_MM)
            rings.append(Ring(area=area, loops=loops, inside=inside))
    return Clearing(region=region, root=rings[0], stepover_mm=step, cutter_radius_mm=cutter_radius_mm)


def clear_level(b: PassBuilder, clearing: Clearing, *, from_z_mm: float, z_mm: float, cut: CutData, where: str) -> None:
    """Cuts all rings at `z_mm`; everything of the region above `from_z_mm` is already air."""
    slope = ramp_slope(cut.ramp_angle_rad, where=where)
    level = _Level(b=b, clearing=clearing, from_z=from_z_mm, z=z_mm, cut=cut, slope=slope, done=[])
    level.cut_ring(clearing.root)


@dataclass(slots=True, kw_only=True)
class _Level:
    b: PassBuilder
    clearing: Clearing
    from_z: float
    z: float
    cut: CutData
    slope: float
    done: list[Path]

    def cut_ring(self, ring: Ring) -> None:
        for inner in ring.inside:
            self.cut_ring(inner)
        for loop in ring.loops:
            self.cut_loop(loop, ring, is_leaf=not ring.inside)

    def cut_loop(self, loop: Path, ring: Ring, *, is_leaf: bool) -> None:
        s = None if is_leaf and loop is ring.loops[0] else self.link(loop)
        feed = self.cut.clear_feed_mm_min
        if s is None:
            s = self.enter(loop, ring)
            if s is None:
                return
            feed = self.cut.slot_feed_mm_min
        follow(
            self.b,
            loop.sub(s, s + loop.length_mm),
            z_mm=self.z,
            feed=feed,
            cutter_radius_mm=self.clearing.cutter_radius_mm,
            feed_low=self.cut.least_feed_mm_min,
        )
        self.done.append(loop)

    def link(self, loop: Path) -> float | None:
        """Moves from what is cut at this level onto the loop; None when there is no short way inside the region."""
        b, region = self.b, self.clearing.region
        longest = 1.6 * self.clearing.stepover_mm
        if abs(b.z - self.z) < EPS_MM:
            s, distance = loop.nearest(b.x, b.y)
            if distance <= longest and region.holds_line((b.x, b.y), loop.at(s)[:2], slack_mm=LINK_SLACK_MM):
                b.line(*loop.at(s)[:2], self.z, self.cut.slot_feed_mm_min)
                return s
        best: tuple[float, tuple[float, float], float] | None = None
        _, targets = loop.sampled(SAMPLE_MM)
        for other in self.done:
            places, points = other.sampled(SAMPLE_MM)
            gaps = np.min(
                np.hypot(points[:, None, 0] - targets[None, :, 0], points[:, None, 1] - targets[None, :, 1]), axis=1
            )
            i = int(np.argmin(gaps))
            x, y, _, _ = other.at(float(places[i]))
            s, distance = loop.nearest(x, y)
            if best is None or distance < best[0] - EPS_MM:
                best = (distance, (x, y), s)
        if best is None or best[0] > longest:
            return None
        _, (x, y), s = best
        if not region.holds_line((x, y), loop.at(s)[:2], slack_mm=LINK_SLACK_MM):
            return None
        b.lift()
        descend(b, x, y, floor_z_mm=self.z, plunge_feed=self.cut.plunge_feed_mm_min)
        b.line(*loop.at(s)[:2], self.z, self.cut.slot_feed_mm_min)
        return s

    def enter(self, loop: Path, ring: Ring) -> float | None:
        """Comes down from the last level into fresh stock and onto the loop; returns the length where it stands, None
        when the way down has cut the loop already."""
        b, diameter = self.b, 2 * self.clearing.cutter_radius_mm
        if not math.isnan(b.z):
            b.lift()
        if loop is ring.loops[0]:
            x, y, _ = ring.area.deepest()
            radius = min(HELIX_LARGEST * diameter, self.clearing.region.room(x, y) - LINK_SLACK_MM)
            if radius >= HELIX_LEAST * diameter:
                s, _ = loop.nearest(x, y)
                toward = loop.at(s)[:2]
                self.down_to_last_level(*on_ray((x, y), toward, radius))
                helix(b, (x, y), radius, toward=toward, z_mm=self.z, slope=self.slope, cut=self.cut,
                      cutter_radius_mm=self.clearing.cutter_radius_mm)  # fmt: skip
                _, points = loop.sampled(SAMPLE_MM)
                if np.hypot(points[:, 0] - x, points[:, 1] - y).max() <= radius:
                    self.done.append(Path.circle(x, y, radius))
                    return None
                b.line(*toward, self.z, self.cut.slot_feed_mm_min)
                return s
        longest = int(np.argmax(np.diff(loop.ends)))
        s = float(loop.ends[longest])
        ramp = (self.from_z - self.z) / self.slope
        path = loop.sub(s - ramp, s)
        self.down_to_last_level(*path.start)
        follow(
            b, path, z_mm=self.z, feed=self.cut.ramp_feed_mm_min, cutter_radius_mm=self.clearing.cutter_radius_mm,
            feed_low=self.cut.least_feed_mm_min,
        )  # fmt: skip
        return s

    def down_to_last_level(self, x: float, y: float) -> None:
        self.b.start(x, y)
        self.b.rapid_down(min(self.from_z + APPROACH_MM, self.b.z))
        self.b.line(x, y, self.from_z, self.cut.plunge_feed_mm_min)


def _encloses(outer: Area, inner: Area) -> bool:
    return bool(outer.contains(np.array([inner.inner_point()]))[0])
