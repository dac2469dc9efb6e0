"""Motion that area operations share: levels, following a path, coming down into stock, coming onto a wall.

All paths are climb for M3: the spindle turns clockwise seen from above, so the material lies to the right of the
travel. Inside a wall that is counter-clockwise, round a part it is clockwise. The left of the path is the void side.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.errors import PlanError
from pipeline.geometry.arcs import fit_open
from pipeline.geometry.paths import Path
from pipeline.model.arrays import Float
from pipeline.model.units import EPS_MM
from pipeline.operations.motion import PassBuilder
from pipeline.shop.cutting import CutData, inside_feed_mm_min

APPROACH_MM = 0.3  # feed begins this far above a floor that is already cut
OUTSIDE_HIGH = 1.5  # the centre is never faster than this share of the feed round the outside
TINY_ARC_MM = 0.15  # a turn to the left this tight goes in straight steps: the centre would all but stand still
TINY_CHORD_MM = 0.001
OUTSIDE_WALL_MM = 0.25  # a wall of a smaller radius is a corner: nothing excuses a raised feed. Both: common practice
DRIFT_DIAMETERS = 3.0  # length of a drift onto a wall. Common practice, no source
SMOOTH_STEP_MM = 0.05  # samples of a drift


def level_heights(top_z_mm: float, bottom_z_mm: float, stepdown_mm: float) -> tuple[float, ...]:
    """Heights of equal levels from below the top down to the bottom, none deeper than the stepdown.

    Raises PlanError when the stepdown is not positive.
    """
    if not stepdown_mm > 0:
        raise PlanError(where="levels", found=f"a stepdown of {stepdown_mm} mm", wanted="a positive stepdown")
    depth = top_z_mm - bottom_z_mm
    if depth <= EPS_MM:
        return ()
    n = max(1, math.ceil(depth / stepdown_mm - EPS_MM))
    return tuple(bottom_z_mm if k == n else top_z_mm - depth * k / n for k in range(1, n + 1))


def ramp_slope(ramp_angle_rad: float, *, where: str) -> float:
    """Drop per length of path on a ramp. Raises PlanError unless the angle is above 0 and below 45 degrees."""
    if not 0 < ramp_angle_rad < math.pi / 4:
        raise PlanError(
            where=where,
            found=f"a ramp angle of {math.degrees(ramp_angle_rad):g} degrees",
            wanted="more than 0 and less than 45 degrees",
            hint="set the cutter's ramp angle in the crib",
        )
    return math.tan(ramp_angle_rad)


def arc_feed(
    feed: float, path_radius_mm: float, *, left_turn: bool, cutter_radius_mm: float, feed_high: float, feed_low: float
) -> float:
    """Feed of the centre that gives the edge at the wall the feed asked for, the wall being on the right.

    On a left turn the wall of radius R = path + r is outside the path: (R - r) / R, with a chip that still cuts
    (`feed_low`). On a right turn it is inside, R = path - r: (R + r) / R, not above `OUTSIDE_HIGH` nor `feed_high`, and
    1 round a corner. Machinery's Handbook (from memory). mm, mm/min.
    """
    if left_turn:
        factor = path_radius_mm / (path_radius_mm + cutter_radius_mm)
        return inside_feed_mm_min(feed, factor, least_feed_mm_min=feed_low)
    wall = path_radius_mm - cutter_radius_mm
    if wall <= OUTSIDE_WALL_MM:
        return feed
    factor = OUTSIDE_HIGH if wall * OUTSIDE_HIGH <= path_radius_mm else path_radius_mm / wall
    return max(feed, min(feed * factor, feed_high))


def follow(
    b: PassBuilder, path: Path, *, z_mm: float, feed: float, cutter_radius_mm: float, feed_low: float,
    feed_high: float = 0.0,
) -> None:  # fmt: skip
    """Travels the path from where the cutter stands, sinking evenly with the length to `z_mm`.

    `feed_low` is the least feed with which a tooth still cuts. `feed_high` is how far the feed may be raised on outside
    arcs; 0 never raises it (a slot has a wall on both sides).
    """
    z0, total = b.z, path.length_mm
    b.line(*path.start, b.z, feed)
    for row, end in zip(path.segments.tolist(), path.ends[1:].tolist(), strict=True):
        x0, y0, x1, y1, cx, cy, sweep = row
        z = z_mm if end >= total else z0 + (z_mm - z0) * end / total
        if sweep == 0:
            b.line(x1, y1, z, feed)
            continue
        radius = math.hypot(x0 - cx, y0 - cy)
        if sweep > 0 and radius < TINY_ARC_MM:
            slow = inside_feed_mm_min(feed, 0.0, least_feed_mm_min=feed_low)
            steps = Path(np.array([row]), False).flattened(chord_mm=TINY_CHORD_MM)[1:]
            z_start = b.z
            for k, (x, y) in enumerate(steps.tolist(), start=1):
                b.line(x, y, z_start + (z - z_start) * k / len(steps), slow)
            continue
        arc = arc_feed(
            feed, radius, left_turn=sweep > 0, cutter_radius_mm=cutter_radius_mm, feed_high=feed_high, feed_low=feed_low
        )
        b.arc(x1, y1, z, centre=(cx, cy), ccw=sweep > 0, feed=arc)


def descend(b: PassBuilder, x: float, y: float, *, floor_z_mm: float, plunge_feed: float) -> None:
    """Over (x, y), rapid down to just above a floor that is already cut there, then feed onto its height."""
    b.start(x, y)
    b.rapid_down(floor_z_mm + APPROACH_MM)
    b.line(x, y, floor_z_mm, plunge_feed)


def helix(
    b: PassBuilder, centre: tuple[float, float], radius_mm: float, *, toward: tuple[float, float], z_mm: float,
    slope: float, cut: CutData, cutter_radius_mm: float,
) -> None:  # fmt: skip
    """Whole turns counter-clockwise from the height of the cutter down to `z_mm`, then one flat turn.

    The cutter stands on the circle, on the ray from the centre toward `toward`, and comes back there.
    """
    drop = b.z - z_mm
    turns = max(1, math.ceil(drop / (math.tau * radius_mm * slope) - EPS_MM))
    x, y = on_ray(centre, toward, radius_mm)
    top = b.z
    factor = radius_mm / (radius_mm + cutter_radius_mm)
    flat = inside_feed_mm_min(cut.slot_feed_mm_min, factor, least_feed_mm_min=cut.least_feed_mm_min)
    feed = min(flat, cut.slot_feed_mm_min * cut.ramp_share(math.atan2(drop, turns * math.tau * radius_mm)))
    for k in range(1, turns + 1):
        b.arc(x, y, z_mm if k == turns else top - drop * k / turns, centre=centre, ccw=True, feed=feed)
    b.arc(x, y, z_mm, centre=centre, ccw=True, feed=flat)


def on_ray(centre: tuple[float, float], toward: tuple[float, float], radius_mm: float) -> tuple[float, float]:
    """The point at this distance from the centre, toward another point (along +X when they coincide)."""
    dx, dy = toward[0] - centre[0], toward[1] - centre[1]
    length = math.hypot(dx, dy)
    if length < EPS_MM:
        return centre[0] + radius_mm, centre[1]
    return centre[0] + radius_mm * dx / length, centre[1] + radius_mm * dy / length


def lead_arcs(wall: Path, s: float, radius_mm: float) -> tuple[Path, Path]:
    """Quarter arcs onto and off the wall path at length s, tangent to it, from and to its left."""
    x, y, tx, ty = wall.at(s)
    cx, cy = x - ty * radius_mm, y + tx * radius_mm
    quarter = math.pi / 2
    lead_in = np.array([[cx - tx * radius_mm, cy - ty * radius_mm, x, y, cx, cy, quarter]])
    lead_out = np.array([[x, y, cx + tx * radius_mm, cy + ty * radius_mm, cx, cy, quarter]])
    return Path(lead_in, False), Path(lead_out, False)


def drift(wall: Path, s0: float, s1: float, *, off0_mm: float, off1_mm: float) -> tuple[Path, Float]:
    """Along the wall path from s0 to s1 while the distance to its left goes smoothly from off0 to off1.

    Returns the path and its samples (n, 2), which the caller checks against the void. Both ends are tangent to the
    wall path's direction there.
    """
    n = max(8, math.ceil((s1 - s0) / SMOOTH_STEP_MM))
    points = np.empty((n + 1, 2))
    for k in range(n + 1):
        u = k / n
        x, y, tx, ty = wall.at(s0 + (s1 - s0) * u)
        off = off0_mm + (off1_mm - off0_mm) * u * u * (3 - 2 * u)
        points[k] = x - ty * off, y + tx * off
    return fit_open(points), points
