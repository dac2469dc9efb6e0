"""Outlines: round a part down to the skin, in a kerf barely wider than the cutter.

Rough: one continuous ramp round the part, no lap deeper than the stepdown nor steeper than the ramp angle, and one flat
lap on the skin plane. Finish: from the end of that lap, still in the kerf, a drift over three diameters from the rough
path onto the wall, one whole lap that also takes away the drift's own wedge, and a drift off to half the allowance,
where the cutter is free on both sides and lifts. Gaps under two diameters leave no room for arcs in and out.

The ramp begins just above the highest stock that stands under the rough path: the part is faced, and steps and seats
are cut, beside it too. The *kerf* is what has been cut to the skin so far. A stretch of the rough path whose disc lies
in it is not cut again; the rest is then cut as open stretches, entered sideways from the void.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.geometry.offsets import Area, outset
from pipeline.geometry.paths import Path
from pipeline.model.arrays import Float
from pipeline.model.loop import Loop
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import PathPass
from pipeline.model.units import EPS_MM
from pipeline.operations.cleared import Cleared
from pipeline.operations.entries import APPROACH_MM, DRIFT_DIAMETERS, drift, follow, level_heights, ramp_slope
from pipeline.operations.motion import PassBuilder
from pipeline.shop.cutting import CutData

SHARED_MM = 0.004  # a disc that sticks out of the kerf by no more than this cuts nothing worth a pass
SAMPLE_MM = 0.1
START_MM = 0.1  # a path begins this far above the stock under it
OVERRUN_MM = 0.5  # an open stretch begins and ends this far inside the void
DRIFT_PLACES = 48


def unreached(outline: Loop, cutter: Cutter) -> tuple[Float, ...]:
    """Notches beside the outline that this cutter cannot enter, as polygons (n, 2); empty when it cuts all of it."""
    part, radius = Area.of_loops(outline), cutter.diameter_mm / 2
    return part.grown(radius).shrunk(radius).minus(part).without_slivers().polygons()


def plan_outline(
    *, pass_prefix: str, outline: Loop, z_from_mm: float, z_to_mm: float, cutter: Cutter, cut: CutData,
    clearance_mm: float, wall_allowance_mm: float, cleared: Cleared, feed_high_mm_min: float = 0.0,
) -> tuple[PathPass, ...]:  # fmt: skip
    """One pass round the outline, rough and finish, lowest Z exactly z_to. Setup frame, mm. `z_from_mm` is the top of
    the stock where nothing was cut yet; `cleared` knows what was, and grows.

    An allowance of 0 cuts on the wall at once and has no finish. `feed_high_mm_min` bounds the feed raised on outside
    arcs of the finish; 0 raises nothing. Raises PlanError when the cutter names no ramp angle.
    """
    if z_from_mm - z_to_mm <= EPS_MM:
        return ()
    radius = cutter.diameter_mm / 2
    part = Area.of_loops(outline)
    wall = outset(outline, radius).reversed()
    rough = outset(outline, radius + wall_allowance_mm).reversed() if wall_allowance_mm > 0 else wall
    b = PassBuilder(f"{pass_prefix}/kerf", clearance_mm=clearance_mm)

    sweep = Area.swept(rough, radius)
    z_from_mm = min(z_from_mm, max(cleared.top_over(sweep, top_mm=z_from_mm), z_to_mm) + START_MM)
    ways = _finish_way(part, wall, wall_allowance_mm, radius) if wall_allowance_mm > 0 else ()
    begin, _ = rough.nearest(*(ways[0].start if ways else rough.start))
    stretches = _stretches(rough, cleared.at(z_to_mm), cutter.diameter_mm)
    slope = ramp_slope(cut.ramp_angle_rad, where=pass_prefix)
    if stretches is None:
        _rough_round(b, rough, begin, z_from=z_from_mm, z_to=z_to_mm, slope=slope, cut=cut, radius=radius)
    else:
        for s0, s1 in stretches:
            _rough_stretch(b, rough.sub(s0, s1), z_from=z_from_mm, z_to=z_to_mm, cut=cut, radius=radius)
        if not stretches and ways:
            b.start(*rough.at(begin)[:2]).rapid_down(z_from_mm + APPROACH_MM)
            b.line(b.x, b.y, z_to_mm, cut.plunge_feed_mm_min)
    cleared.add(sweep, z_to_mm)
    if ways:
        for z in level_heights(z_from_mm, z_to_mm, cutter.flute_length_mm):
            _along_kerf(b, rough, begin, cut=cut, radius=radius)
            b.line(b.x, b.y, z, cut.plunge_feed_mm_min)
            for path in ways:
                follow(
                    b, path, z_mm=z, feed=cut.finish_feed_mm_min, cutter_radius_mm=radius,
                    feed_low=cut.least_feed_mm_min, feed_high=feed_high_mm_min,
                )  # fmt: skip
        cleared.add(Area.swept(wall, radius), z_to_mm)
    return (b.done(),) if not math.isnan(b.z) else ()


def _rough_round(
    b: PassBuilder, rough: Path, begin: float, *, z_from: float, z_to: float, slope: float, cut: CutData, radius: float
) -> None:
    """Whole laps down from z_from, then the flat lap at z_to."""
    lap = rough.length_mm
    laps = max(1, math.ceil((z_from - z_to) / min(cut.stepdown_mm, lap * slope) - EPS_MM))
    b.start(*rough.at(begin)[:2]).rapid_down(min(z_from + APPROACH_MM, b.z))
    b.line(b.x, b.y, z_from, cut.plunge_feed_mm_min)
    low, slot = cut.least_feed_mm_min, cut.slot_feed_mm_min
    down = slot * cut.ramp_share(math.atan2(z_from - z_to, laps * lap))
    follow(b, rough.sub(begin, begin + laps * lap), z_mm=z_to, feed=down, cutter_radius_mm=radius, feed_low=low)
    follow(b, rough.sub(begin, begin + lap), z_mm=z_to, feed=slot, cutter_radius_mm=radius, feed_low=low)


def _along_kerf(b: PassBuilder, rough: Path, begin: float, *, cut: CutData, radius: float) -> None:
    """On along the rough path to where the finish begins, all air now."""
    s, _ = rough.nearest(b.x, b.y)
    gap = (begin - s) % rough.length_mm
    if SAMPLE_MM < gap < rough.length_mm - SAMPLE_MM:
        follow(
            b, rough.sub(s, s + gap), z_mm=b.z, feed=cut.slot_feed_mm_min, cutter_radius_mm=radius,
            feed_low=cut.least_feed_mm_min,
        )  # fmt: skip


def _rough_stretch(b: PassBuilder, path: Path, *, z_from: float, z_to: float, cut: CutData, radius: float) -> None:
    """Levels along an open stretch that begins and ends in the void, each in the climb direction."""
    for z in level_heights(z_from, z_to, cut.stepdown_mm):
        if not math.isnan(b.z):
            b.lift()
        b.start(*path.start).rapid_down(min(z_from + APPROACH_MM, b.z))
        # the void is only as wide as the cutter: down at feed, in air
        b.line(b.x, b.y, z, cut.plunge_feed_mm_min)
        follow(
            b, path, z_mm=z, feed=cut.slot_feed_mm_min, cutter_radius_mm=radius, feed_low=cut.least_feed_mm_min
        )


def _stretches(rough: Path, kerf: Area, diameter: float) -> tuple[tuple[float, float], ...] | None:
    """Stretches of the rough path still to cut, each reaching into the void at both ends; None when it is all of it."""
    if kerf.is_empty:
        return None
    free = kerf.shrunk(diameter / 2 - SHARED_MM)
    places, points = rough.sampled(SAMPLE_MM)
    is_free = free.contains(points[:-1])
    if not is_free.any():
        return None
    if is_free.all():
        return ()
    n = len(is_free)
    first = next(k for k in range(n) if is_free[k] and not is_free[(k + 1) % n])
    runs: list[list[int]] = []  # sample numbers counted on from `first`, stock from .. to
    for k in range(first + 1, first + n + 1):
        if is_free[k % n]:
            continue
        if runs and (k - runs[-1][1]) * places[1] < 2 * diameter:
            runs[-1][1] = k  # the void between is too short to lift over
        else:
            runs.append([k, k])
    step = float(places[1])
    if len(runs) == 1 and (runs[0][1] - runs[0][0]) * step > rough.length_mm - 2 * diameter:
        return None
    return tuple((a * step - OVERRUN_MM, z * step + OVERRUN_MM) for a, z in runs)


def _finish_way(part: Area, wall: Path, allowance: float, radius: float) -> tuple[Path, ...]:
    """Drift on, a whole lap, drift off: begun where both drifts keep off the part and inside the rough kerf."""
    total = wall.length_mm
    length = DRIFT_DIAMETERS * 2 * radius
    inner, outer = part.grown(radius - SHARED_MM / 2), part.grown(radius + allowance + SHARED_MM / 2)
    longest = int(np.argmax(np.diff(wall.ends)))
    middle = float(wall.ends[longest] + wall.ends[longest + 1]) / 2
    best: tuple[Path, ...] = ()
    for k in range(DRIFT_PLACES):
        s = middle + total * k / DRIFT_PLACES
        on, on_points = drift(wall, s - length, s, off0_mm=allowance, off1_mm=0.0)
        off, off_points = drift(wall, s, s + length, off0_mm=0.0, off1_mm=allowance / 2)
        points = np.vstack([on_points, off_points])
        best = best or (on, wall.sub(s, s + total), off)
        if not inner.contains(points).any() and outer.contains(points).all():
            return on, wall.sub(s, s + total), off
    return best
