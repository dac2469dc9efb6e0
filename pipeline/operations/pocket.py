"""Pockets: cleared level by level from the inside out, then the floor, then the walls.

Words: the *reach* is where the cutter's centre may be; what the disc cannot touch from there is *uncut* and reported.
Rough levels stay the wall allowance off the walls and the floor allowance off the floor. The wall is finished in one
cut (as many axial levels as the flutes demand), along a tangent arc from the void and back into it. A groove too narrow
for the allowance gets a smaller one, down to none: its rough path then runs on the wall and no finish follows, since a
pass without stock only rubs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.exact import snapped
from pipeline.geometry.offsets import CHORD_MM, FINE_CHORD_MM, Area
from pipeline.geometry.paths import Path
from pipeline.model.arrays import Float
from pipeline.model.loop import Loop
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import PathPass
from pipeline.operations.clearing import LEAST_LOOP, clear_level, plan_clearing
from pipeline.operations.entries import DRIFT_DIAMETERS, descend, drift, follow, lead_arcs, level_heights
from pipeline.operations.motion import PassBuilder
from pipeline.shop.cutting import CutData

EXACT_FIT_MM = 0.0007  # a groove exactly as wide as the cutter is entered with this much less radius
FIT_REACH_MM = 0.05  # when that lets the centre go this much farther
LEAD_RADII = (1.0, 0.7, 0.5, 0.35, 0.25, 0.15)  # of the cutter radius, tried in this order
LEAST_LEAD_MM = 0.05  # by which a lead-in begins clear of the rough wall
SAMPLE_MM = 0.1
DRIFT_PLACES = 24
TOUCH_MM = 0.003  # a path nearer to a wall than this runs along it
OVERRUN_MM = 1.0  # an open stretch of wall is finished from this far before it to this far behind
SIDE_STEP_MM = 0.3
CORNER_REACH = 4.0  # allowances; a finish path farther from the rough path would cut a slot


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PocketResult:
    """Passes in cutting order; the area every level leaves, mm2, and where: polygons (n, 2) in the setup frame."""

    passes: tuple[PathPass, ...]
    uncut_mm2_per_level: float
    uncut_regions: tuple[Float, ...]


def plan_pocket(
    *, pass_prefix: str, outer: Loop, islands: tuple[Loop, ...], open_edge: bool, beyond_mm: float, top_z_mm: float,
    floor_z_mm: float, cutter: Cutter, cut: CutData, clearance_mm: float, wall_allowance_mm: float,
    floor_allowance_mm: float, finish: bool, feed_high_mm_min: float = 0.0,
    part: Loop | None = None,
) -> PocketResult:  # fmt: skip
    """Passes for one pocket. Setup frame, mm.

    `open_edge`: the disc may leave `outer` by `beyond_mm`, and there `outer` is no wall to finish; outside it is
    stock at that time, so the way in is a helix or a ramp all the same. With `part`, the part's outline, the disc
    may leave `outer` only beside the part: what of the part lies outside `outer` is a wall like an island.
    Without `finish` the allowances are left for another cutter. `feed_high_mm_min` bounds the feed raised on
    outside arcs of a finish; 0 raises nothing.
    """
    radius = cutter.diameter_mm / 2
    space = _Space(outer, islands, beyond_mm if open_edge else 0.0, open_edge, part if open_edge else None)
    reach = space.centres(radius, 0.0)
    with_less = space.centres(radius - EXACT_FIT_MM, 0.0)
    if not with_less.minus(reach.without_slivers().grown(FIT_REACH_MM)).is_empty:
        radius, reach = radius - EXACT_FIT_MM, with_less
    uncut = space.uncut(radius)
    passes: list[PathPass] = []
    pieces = reach.pieces()
    for i, piece in enumerate(pieces):
        where = pass_prefix if len(pieces) == 1 else f"{pass_prefix}/region-{i + 1}"
        allowance, rough = _rough_region(space, piece, radius, wall_allowance_mm, may_reduce=finish)
        floor = floor_z_mm + floor_allowance_mm
        above = top_z_mm
        clearings = [plan_clearing(r, stepover_mm=cut.stepover_mm, cutter_radius_mm=radius) for r in rough]
        heights = [(f"level-{k}", z) for k, z in enumerate(level_heights(top_z_mm, floor, cut.stepdown_mm), start=1)]
        if finish and floor_allowance_mm > 0:
            heights.append(("floor", floor_z_mm))
        for name, z in heights:
            for j, clearing in enumerate(clearings):
                b = PassBuilder(
                    f"{where}/{name}" + (f"-{j + 1}" if len(clearings) > 1 else ""), clearance_mm=clearance_mm
                )
                clear_level(b, clearing, from_z_mm=above, z_mm=z, cut=cut, where=where)
                passes.append(b.done())
            above = z
        if not (finish and allowance > 0 and heights):
            continue
        sources = [(outer, -radius), *((island, radius) for island in islands)]
        walls = [snapped(wall, sources) for wall in piece.boundary()]
        runs: tuple[tuple[float, float] | None, ...] = space.wall_runs(walls[0], radius) if open_edge else (None,)
        stretches = [(walls[0], run) for run in runs] + [(wall, None) for wall in walls[1:]]
        for j, (wall, run) in enumerate(stretches):
            for k, z in enumerate(level_heights(top_z_mm, floor_z_mm, cutter.flute_length_mm)):
                b = PassBuilder(f"{where}/wall-{j + 1}" + (f"/level-{k + 1}" if k else ""), clearance_mm=clearance_mm)
                if run is None:
                    way = _lap(wall, piece, rough, allowance, radius)
                else:
                    way = (_open_stretch(wall, rough, *run),)
                descend(b, *way[0].start, floor_z_mm=z, plunge_feed=cut.plunge_feed_mm_min)
                for path in way:
                    follow(
                        b,
                        path,
                        z_mm=z,
                        feed=cut.finish_feed_mm_min,
                        cutter_radius_mm=radius,
                        feed_low=cut.least_feed_mm_min,
                        feed_high=feed_high_mm_min,
                    )
                passes.append(b.done())
    return PocketResult(passes=tuple(passes), uncut_mm2_per_level=uncut.area_mm2, uncut_regions=uncut.polygons())


@dataclass(frozen=True, slots=True, eq=False)
class _Space:
    outer: Loop
    islands: tuple[Loop, ...]
    beyond_mm: float
    open_edge: bool
    part: Loop | None

    def solid(self, chord_mm: float = CHORD_MM) -> Area:
        """What must stand: the islands, and the part beside an open pocket."""
        islands = Area.union(self.islands, chord_mm=chord_mm)
        if self.part is None:
            return islands
        body = Area.of_loops(self.part, chord_mm=chord_mm).minus(Area.of_loops(self.outer, chord_mm=chord_mm))
        return islands.plus(body.without_slivers())

    def centres(self, radius: float, allowance: float, *, chord_mm: float = CHORD_MM) -> Area:
        """Where the centre of a cutter may be that stays the allowance off every wall."""
        outside = radius - self.beyond_mm + (0.0 if self.open_edge else allowance)
        space = Area.of_loops(self.outer, chord_mm=chord_mm).shrunk(outside)
        space = space.minus(self.solid(chord_mm).grown(radius + allowance))
        return space.without_specks(LEAST_LOOP * 2 * radius)

    def uncut(self, radius: float) -> Area:
        """What of the pocket, on the part, no disc touches."""
        wanted = Area.of_loops(self.outer, self.islands, chord_mm=FINE_CHORD_MM)
        if self.part is not None:
            wanted = wanted.common(Area.of_loops(self.part, chord_mm=FINE_CHORD_MM))
        return wanted.minus(self.centres(radius, 0.0, chord_mm=FINE_CHORD_MM).grown(radius)).without_slivers()

    def wall_runs(self, wall: Path, radius: float) -> tuple[tuple[float, float], ...]:
        """Stretches of an open pocket's outer path that run along something solid, and a little more at both ends."""
        solid = self.solid()
        if solid.is_empty:
            return ()
        places, points = wall.sampled(SAMPLE_MM)
        near = solid.grown(radius + TOUCH_MM).contains(points[:-1])
        n, step = len(near), float(places[1])
        if near.all() or not near.any():
            return ((0.0, wall.length_mm),) if near.all() else ()
        starts = [k for k in range(n) if near[k] and not near[k - 1]]
        ends = [next(m for m in range(k, k + n) if not near[m % n]) for k in starts]
        return tuple((a * step - OVERRUN_MM, z * step + OVERRUN_MM) for a, z in zip(starts, ends, strict=True))


def _rough_region(
    space: _Space, piece: Area, radius: float, allowance: float, *, may_reduce: bool
) -> tuple[float, tuple[Area, ...]]:
    """The largest allowance of a few with which roughing still reaches everywhere the finish will go."""
    shares = (1.0, 0.5, 0.25) if allowance > 0 else ()
    for share in shares:
        left = allowance * share
        rough = space.centres(radius, left).common(piece).without_slivers().without_specks(LEAST_LOOP * 2 * radius)
        if not may_reduce:
            return left, rough.pieces()
        if not rough.is_empty and piece.minus(rough.grown(CORNER_REACH * left)).without_slivers().is_empty:
            return left, rough.pieces()
    return 0.0, (piece,)


def _lap(wall: Path, piece: Area, rough: tuple[Area, ...], allowance: float, radius: float) -> tuple[Path, ...]:
    """One lap along a closed wall path, from the void and back into it."""
    lead = _lead(wall, piece, rough, allowance, radius)
    if lead is None:
        return _drift_lap(wall, rough, allowance, radius)
    s, lead_in, lead_out = lead
    return lead_in, wall.sub(s, s + wall.length_mm), lead_out


def _open_stretch(wall: Path, rough: tuple[Area, ...], s0: float, s1: float) -> Path:
    """Along a stretch of the wall path that begins and ends beside no wall; a step to the left there, into the void."""
    path = wall.sub(s0, s1)
    rows = path.segments.tolist()
    for s, at in ((s0, 0), (s1, -1)):
        x, y, tx, ty = wall.at(s)
        free = (x - ty * SIDE_STEP_MM, y + tx * SIDE_STEP_MM)
        if any(r.contains(np.array([free]))[0] for r in rough):
            step = [*free, *path.start] if at == 0 else [*path.end, *free]
            rows.insert(0 if at == 0 else len(rows), [*step, 0.0, 0.0, 0.0])
    return Path(np.array(rows), False)


def _lead(
    wall: Path, piece: Area, rough: tuple[Area, ...], allowance: float, radius: float
) -> tuple[float, Path, Path] | None:
    """Where the largest tangent arcs fit: in the middle of a segment, lines first, the longest first."""
    order = sorted(
        range(len(wall.segments)), key=lambda i: (wall.segments[i, 6] != 0, -round(wall.ends[i + 1] - wall.ends[i], 6))
    )
    for share in LEAD_RADII:
        lead = share * radius
        if lead < allowance + LEAST_LEAD_MM:
            break
        for i in order[:24]:
            s = float(wall.ends[i] + wall.ends[i + 1]) / 2
            lead_in, lead_out = lead_arcs(wall, s, lead)
            ends = np.array([lead_in.start, lead_out.end])
            along = np.vstack([lead_in.flattened(chord_mm=0.01)[:-1], lead_out.flattened(chord_mm=0.01)[1:]])
            if any(r.contains(ends).all() for r in rough) and piece.contains(along).all():
                return s, lead_in, lead_out
    return None


def _drift_lap(wall: Path, rough: tuple[Area, ...], allowance: float, radius: float) -> tuple[Path, ...]:
    """Without room for arcs: from the rough path onto the wall, a lap over all of it, and off again.

    The drifts lie on the longest segment; where it is too short for them they may go round bends, as long as they
    begin and end in the void.
    """
    total = wall.length_mm
    longest = int(np.argmax(np.diff(wall.ends)))
    middle = float(wall.ends[longest] + wall.ends[longest + 1]) / 2
    half = float(wall.ends[longest + 1] - wall.ends[longest]) / 2
    length = min(DRIFT_DIAMETERS * 2 * radius, half if half > 2 * radius else total)
    void = [r.grown(EXACT_FIT_MM) for r in rough]
    best: tuple[Path, ...] = ()
    for k in range(DRIFT_PLACES):
        s = middle + total * k / DRIFT_PLACES
        on, on_points = drift(wall, s - length, s, off0_mm=allowance, off1_mm=0.0)
        off, off_points = drift(wall, s, s + length, off0_mm=0.0, off1_mm=allowance)
        way = (on, wall.sub(s, s + total), off)
        best = best or way
        ends = np.array([on_points[0], off_points[-1]])
        if any(v.contains(ends).all() for v in void):
            return way
    return best
