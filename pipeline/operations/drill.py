"""Drilling: how deep the tip goes, and by which cycle.

Words: the *shoulder* is where a drill's full diameter ends, the *point* is the cone below it. A depth on a drawing is
the shoulder's: a hole "5 deep" whose tip stops at 5 is too shallow by the length of the point. A *peck* is one bite
of a deep hole; the *R plane* is where feeding begins and where full-retract pecks go back to.
"""

from __future__ import annotations

import math

from pipeline.errors import Bug, PlanError
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import Cycle, HolePass
from pipeline.model.units import EPS_MM
from pipeline.operations.spot import R_PLANE_MM
from pipeline.shop.cutting import CutData

CHIP_BREAK_DEPTH = 2.5  # up to so many diameters the chip is broken; deeper, pecks clear the flutes. Common practice
PECK_ROUNDING_MM = 0.001  # pecks are counted up to it: the text's own rounding must not leave a last bite that rubs
PECK_SHARE = 0.5  # of the diameter, when the crib names no peck. Common practice, no source


def point_length_mm(diameter_mm: float, point_angle_rad: float) -> float:
    """Length of a drill's point: d / 2 / tan(angle / 2); 0.3004 d at 118 degrees, 0.2071 d at 135. From geometry."""
    return diameter_mm / 2 / math.tan(point_angle_rad / 2)


def through_tip_z_mm(
    top_z_mm: float, thickness_mm: float, diameter_mm: float, point_angle_rad: float, beyond_mm: float
) -> float:
    """Z of the tip so that the full diameter passes a plate by `beyond_mm`: top - (t + point + beyond). mm."""
    return top_z_mm - (thickness_mm + point_length_mm(diameter_mm, point_angle_rad) + beyond_mm)


def choose_cycle(depth_mm: float, diameter_mm: float, peck_mm: float) -> Cycle:
    """The cycle for a hole of this depth, surface to tip: one peck goes down at once; the deeper in diameters, the more
    help the chips need."""
    if depth_mm <= peck_mm + EPS_MM:
        return "drill"
    return "chip break" if depth_mm / diameter_mm <= CHIP_BREAK_DEPTH + EPS_MM else "peck"


def peck_bottoms_mm(retract_z_mm: float, bottom_z_mm: float, peck_mm: float) -> tuple[float, ...]:
    """Where the tip stops, peck by peck, counted from the R plane (RS274/NGC, NISTIR 6556, section 3.5.16, G83).

    Raises Bug unless bottom < R and peck > 0.
    """
    if not (bottom_z_mm < retract_z_mm and peck_mm > 0):
        raise Bug(f"pecks from {retract_z_mm} to {bottom_z_mm} by {peck_mm}")
    count = math.ceil((retract_z_mm - bottom_z_mm) / peck_mm - EPS_MM)
    return (*(retract_z_mm - peck_mm * (k + 1) for k in range(count - 1)), bottom_z_mm)


def even_peck_mm(height_mm: float, peck_mm: float) -> float:
    """The peck that takes the height from the R plane in equal bites, none over `peck_mm` (but for the rounding)."""
    count = math.ceil(height_mm / peck_mm - EPS_MM)
    return (math.floor(height_mm / count / PECK_ROUNDING_MM) + 1) * PECK_ROUNDING_MM


def plan_drill(
    *, pass_id: str, at_mm: tuple[float, float], top_z_mm: float, tip_z_mm: float, cutter: Cutter, cut: CutData
) -> HolePass:
    """One drilled hole from the surface at `top_z_mm` to the tip at `tip_z_mm`. Setup frame, mm.

    Raises PlanError when the flutes are too short to carry the chips out.
    """
    depth = top_z_mm - tip_z_mm
    if depth > min(cutter.flute_length_mm, cutter.reach_mm) + EPS_MM:
        raise PlanError(
            where=pass_id,
            found=f"a tip {depth:.2f} mm deep; T{cutter.number} has flutes of {cutter.flute_length_mm:.2f} mm",
            wanted=f"a drill of {cutter.diameter_mm:.3f} mm with flutes of {depth:.2f} mm or more",
            hint="add a longer drill to the crib",
            code="O402",
        )
    longest = cutter.peck_mm or PECK_SHARE * cutter.diameter_mm
    cycle = choose_cycle(depth, cutter.diameter_mm, longest)
    peck = 0.0 if cycle == "drill" else even_peck_mm(depth + R_PLANE_MM, longest)
    x, y = at_mm
    return HolePass(
        id=pass_id,
        cycle=cycle,
        x_mm=x,
        y_mm=y,
        retract_z_mm=top_z_mm + R_PLANE_MM,
        bottom_z_mm=tip_z_mm,
        peck_mm=peck,
        feed_mm_min=cut.drill_feed_mm_min,
    )
