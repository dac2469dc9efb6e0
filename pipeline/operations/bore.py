"""Helical boring: a round hole with a flat floor, made by a flat end mill smaller than the hole.

Goal: a hole of an exact diameter, without a drill of that size. Steps, per *ring*: onto the axis, a half circle out to
the wall in the air above, a helix down along the wall, one flat turn at the floor, a half circle back to the axis,
up. Counter-clockwise with the spindle turning clockwise: climb milling inside a hole.

The first ring may be at most twice the cutter wide; else a *post* of Dh - 2 d stays in the middle. Wider holes are
opened ring by ring, each a stepover wider, and a close fit gets its last ring with real stock: a last turn without
stock rubs and hardens titanium. Formulas from geometry: centre radius (Dh - d) / 2, ramp angle
atan(p / (pi (Dh - d))), path length per ring H / p hypot(pi (Dh - d), p) + pi (Dh - d).
"""

from __future__ import annotations

import math

from pipeline.errors import PlanError
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import PathPass
from pipeline.model.units import EPS_MM
from pipeline.operations.motion import PassBuilder
from pipeline.shop.cutting import CutData, bore_factor, helix_angle_rad, helix_pitch_mm, inside_feed_mm_min

R_PLANE_MM = 0.3  # the feed down begins this far above the surface
AIR_MM = 0.2  # the helix begins this far above the surface
RISE_MM = 0.1  # the way back to the axis leaves the floor by this much, so that it does not rub
FIRST_RING = 1.9  # in cutter diameters: short of 2, so that the end's worn corner leaves no pip in the middle
CLOSEST_RING_MM = 0.2  # a ring whose path is narrower than this is not cut: it would be a plunge


def ring_diameters_mm(hole_mm: float, cutter_mm: float, stepover_mm: float, finish_mm: float) -> tuple[float, ...]:
    """Hole diameter after each ring, smallest first, the hole's own last.

    `finish_mm` is the radial stock kept for the last ring; 0 asks for none. Rings between are at most `stepover_mm`
    wider in radius than the one before.
    """
    last_rough = hole_mm - 2 * finish_mm
    if last_rough - cutter_mm < CLOSEST_RING_MM:  # no room for a rough ring: the finished one is the first
        last_rough, finish_mm = hole_mm, 0.0
    first = last_rough if last_rough <= FIRST_RING * cutter_mm + EPS_MM else FIRST_RING * cutter_mm
    n = math.ceil((last_rough - first) / 2 / stepover_mm - EPS_MM)
    rings = [first + (last_rough - first) * k / n for k in range(n)] if n else []
    rings.append(last_rough)
    if finish_mm > 0:
        rings.append(hole_mm)
    return tuple(rings)


def plan_ring(
    *,
    pass_id: str,
    centre_mm: tuple[float, float],
    hole_mm: float,
    cleared_mm: float,
    start_z_mm: float,
    floor_z_mm: float,
    pitch_mm: float,
    feed_mm_min: float,
    cutter: Cutter,
    cut: CutData,
    clearance_mm: float,
) -> PathPass:
    """One ring: helix from `start_z_mm` (in the air) to `floor_z_mm` and one flat turn there. Setup frame, mm.

    `cleared_mm` is the diameter already open down to the floor, 0 for solid metal. `pitch_mm` is the most per turn: it
    is lowered so that the helix makes whole turns. `feed_mm_min` is the edge's, along the wall; the centre's is lower,
    on the helix by its angle too, but never so low that the chip is too thin.
    Raises PlanError when the cutter does not fit or would leave a post.
    """
    d = cutter.diameter_mm
    if hole_mm <= d + EPS_MM:
        raise PlanError(
            where=pass_id,
            found=f"a hole of {hole_mm:.3f} mm and T{cutter.number} of {d:.3f} mm",
            wanted="a cutter smaller than the hole",
            hint="take a smaller end mill, or drill the hole",
            code="O405",
        )
    post = hole_mm - 2 * d
    if post > EPS_MM and cleared_mm < post - EPS_MM:
        raise PlanError(
            where=pass_id,
            found=f"a post of {post:.3f} mm would stay in a hole of {hole_mm:.3f} mm bored with T{cutter.number}",
            wanted=f"a cutter of at least {hole_mm / 2:.3f} mm, or a middle cleared first",
            hint="open the hole ring by ring, or add a larger end mill to the crib",
            code="O405",
        )
    cx, cy = centre_mm
    radius = (hole_mm - d) / 2
    turns = max(1, math.ceil((start_z_mm - floor_z_mm) / pitch_mm - EPS_MM))
    pitch = (start_z_mm - floor_z_mm) / turns
    factor, low = bore_factor(hole_mm, d), cut.least_feed_mm_min
    feed = inside_feed_mm_min(feed_mm_min, factor, least_feed_mm_min=low)
    down = min(feed, feed_mm_min * cut.ramp_share(helix_angle_rad(hole_mm - d, pitch)))
    wall = (cx + radius, cy)
    half_way = (cx + radius / 2, cy)
    path = PassBuilder(pass_id, clearance_mm=clearance_mm).start(cx, cy)
    path.rapid_down(start_z_mm + R_PLANE_MM - AIR_MM)
    path.line(cx, cy, start_z_mm, feed)
    path.arc(*wall, start_z_mm, centre=half_way, ccw=True, feed=feed)
    for left in reversed(range(turns)):  # counted up from the floor, so that the last turn ends on it exactly
        path.arc(*wall, floor_z_mm + pitch * left, centre=(cx, cy), ccw=True, feed=down)
    path.arc(*wall, floor_z_mm, centre=(cx, cy), ccw=True, feed=feed)
    path.arc(cx, cy, floor_z_mm + RISE_MM, centre=half_way, ccw=True, feed=feed)
    return path.done()


def plan_bore(
    *,
    pass_prefix: str,
    centre_mm: tuple[float, float],
    hole_mm: float,
    top_z_mm: float,
    floor_z_mm: float,
    cutter: Cutter,
    cut: CutData,
    finish_mm: float,
    clearance_mm: float,
) -> tuple[PathPass, ...]:
    """A whole bore from the surface at `top_z_mm` to a flat floor, ring by ring. Setup frame, mm.

    `finish_mm` is the radial stock for a last ring of its own (a close fit), 0 for none. Raises PlanError.
    """
    rings = ring_diameters_mm(hole_mm, cutter.diameter_mm, cut.stepover_mm, finish_mm)
    passes = []
    cleared = 0.0
    for k, ring in enumerate(rings):
        is_finish = finish_mm > 0 and len(rings) > 1 and k == len(rings) - 1
        feed = cut.slot_feed_mm_min if k == 0 else cut.finish_feed_mm_min if is_finish else cut.clear_feed_mm_min
        passes.append(
            plan_ring(
                pass_id=f"{pass_prefix}/{'finish' if is_finish else f'ring-{k + 1}'}",
                centre_mm=centre_mm,
                hole_mm=ring,
                cleared_mm=cleared,
                start_z_mm=top_z_mm + AIR_MM,
                floor_z_mm=floor_z_mm,
                pitch_mm=ring_pitch_mm(ring, cutter.diameter_mm, cut),
                feed_mm_min=feed,
                cutter=cutter,
                cut=cut,
                clearance_mm=clearance_mm,
            )
        )
        cleared = ring
    return tuple(passes)


def ring_pitch_mm(hole_mm: float, cutter_mm: float, cut: CutData) -> float:
    """Most drop per turn: by the ramp angle pi (Dh - d) tan(angle), never more than the stepdown."""
    return min(cut.stepdown_mm, helix_pitch_mm(max(hole_mm - cutter_mm, EPS_MM), cut.ramp_angle_rad))
