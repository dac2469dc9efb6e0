"""Spotting: a shallow dimple that holds a drill's point where the hole belongs.

The dimple's mouth stays inside the hole, so that nothing of it is left on the finished part. A dimple sharper than the
drill's point would be met by the drill's corners first, which chip: it stays a mark for the centre. Words: *mouth*, the
dimple's diameter at the surface.
"""

from __future__ import annotations

import math

from pipeline.errors import PlanError
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import HolePass
from pipeline.model.units import EPS_MM
from pipeline.shop.cutting import CutData

MOUTH_SHARE = 0.9  # of the hole's diameter
MARK_SHARE = 0.5  # the same when the dimple is sharper than the drill's point. Common practice, no source
R_PLANE_MM = 0.3  # the feed begins this far above the surface, which is faced by then


def spot_depth_mm(mouth_mm: float, point_angle_rad: float, tip_mm: float = 0.0) -> float:
    """Depth of the tip for a mouth of this diameter: (mouth - tip) / 2 / tan(angle / 2). From geometry."""
    return (mouth_mm - tip_mm) / 2 / math.tan(point_angle_rad / 2)


def plan_spot(
    *,
    pass_id: str,
    at_mm: tuple[float, float],
    top_z_mm: float,
    hole_mm: float,
    drill_angle_rad: float,
    depth_high_mm: float,
    cutter: Cutter,
    cut: CutData,
) -> HolePass:
    """One dimple for a drill of point angle `drill_angle_rad` and a hole of diameter `hole_mm` whose surface lies at
    `top_z_mm`, at most `depth_high_mm` deep. Setup frame, mm.

    Raises PlanError when the spot drill cannot make a dimple that small.
    """
    share = MOUTH_SHARE if cutter.point_angle_rad >= drill_angle_rad - EPS_MM else MARK_SHARE
    mouth = min(share * hole_mm, cutter.diameter_mm)
    if mouth <= cutter.tip_diameter_mm or not cutter.point_angle_rad > 0:
        raise PlanError(
            where=pass_id,
            found=f"T{cutter.number}, tip {cutter.tip_diameter_mm:.2f} mm, for a hole of {hole_mm:.3f} mm",
            wanted=f"a spot drill with a point angle and a tip under {share * hole_mm:.2f} mm",
            hint="add a sharper spot drill to the crib",
            code="O402",
        )
    depth = min(spot_depth_mm(mouth, cutter.point_angle_rad, cutter.tip_diameter_mm), depth_high_mm)
    x, y = at_mm
    return HolePass(
        id=pass_id,
        cycle="drill",
        x_mm=x,
        y_mm=y,
        retract_z_mm=top_z_mm + R_PLANE_MM,
        bottom_z_mm=top_z_mm - depth,
        peck_mm=0.0,
        feed_mm_min=cut.drill_feed_mm_min,
    )
