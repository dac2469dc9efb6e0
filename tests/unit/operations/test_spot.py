"""Spotting: depth from the mouth, and a dimple that stays inside the hole."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from pipeline.errors import PlanError
from pipeline.model.toolpath import HolePass
from pipeline.operations.spot import plan_spot, spot_depth_mm
from pipeline.shop.cutting import cut_data
from tests.reference import cutting as ref
from tests.unit.operations.shop_values import CRIB, MACHINE, MATERIAL

SPOT = CRIB.cutter(7)


def spotted(**more: float) -> HolePass:
    values = dict(drill_angle_rad=math.radians(90), hole_mm=2.2606, depth_high_mm=2.0, top_z_mm=4.3) | more
    cut = cut_data(SPOT, MATERIAL, MACHINE)
    return plan_spot(pass_id="stud-1/bore/spot", at_mm=(1.0, 2.0), cutter=SPOT, cut=cut, **values)


def test_depth_for_a_mouth() -> None:
    (mouth, degrees), wanted = ref.SPOT_DEPTH_IN
    assert spot_depth_mm(mouth, math.radians(degrees)) == pytest.approx(wanted, rel=ref.REL)


def test_mouth_stays_inside_the_hole() -> None:
    spot = spotted()
    mouth = 2 * (spot.retract_z_mm - 0.3 - spot.bottom_z_mm) * math.tan(SPOT.point_angle_rad / 2)
    assert 0.5 * 2.2606 < mouth < 2.2606
    assert (spot.cycle, spot.peck_mm, spot.x_mm, spot.y_mm) == ("drill", 0.0, 1.0, 2.0)


def test_under_a_blunter_drill_only_a_mark() -> None:
    # The corners of a 135 degree drill would meet the walls of a 90 degree dimple first. Common practice, no source
    assert spotted(drill_angle_rad=math.radians(135)).bottom_z_mm == pytest.approx(4.3 - 2.2606 / 4)


def test_shallow_hole_limits_the_dimple() -> None:
    assert spotted(depth_high_mm=0.4).bottom_z_mm == pytest.approx(3.9)


def test_blunt_spot_drill_is_refused() -> None:
    blunt = replace(SPOT, tip_diameter_mm=2.5)
    with pytest.raises(PlanError, match="sharper"):
        plan_spot(pass_id="s", at_mm=(0, 0), top_z_mm=0, hole_mm=2.0, depth_high_mm=1, cutter=blunt,
                  drill_angle_rad=math.radians(90), cut=cut_data(blunt, MATERIAL, MACHINE))  # fmt: skip
