"""Drilling: depths to the shoulder, not to the point; cycles; pecks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.errors import Bug, PlanError
from pipeline.operations.drill import (
    choose_cycle,
    even_peck_mm,
    peck_bottoms_mm,
    plan_drill,
    point_length_mm,
    through_tip_z_mm,
)
from pipeline.shop.cutting import cut_data
from tests.reference import cutting as ref
from tests.unit.operations.shop_values import CRIB, MACHINE, MATERIAL


def test_point_lengths() -> None:
    for degrees, wanted in ref.DRILL_POINT:
        assert point_length_mm(1.0, math.radians(degrees)) == pytest.approx(wanted, rel=ref.REL)
    (d, degrees), wanted = ref.POINT_43_IN
    assert point_length_mm(d, math.radians(degrees)) == pytest.approx(wanted, rel=ref.REL)


def test_through_hole_depth() -> None:
    (thickness, d, degrees, beyond), wanted = ref.DRILL_THROUGH_IN
    assert through_tip_z_mm(0.0, thickness, d, math.radians(degrees), beyond) == pytest.approx(wanted, rel=ref.REL)


def volume_mm3(d: float, tip_depth: float, angle_rad: float) -> float:
    """Of a drilled hole from its tip's depth, by summing discs: a way apart from the closed form."""
    z = (np.arange(400_000) + 0.5) * tip_depth / 400_000
    radius = np.minimum((tip_depth - z) * math.tan(angle_rad / 2), d / 2)
    return float(np.sum(math.pi * radius**2) * tip_depth / 400_000)


def test_blind_depth_counts_to_the_shoulder() -> None:
    (d, depth, degrees), wanted = ref.BLIND_VOLUME
    angle = math.radians(degrees)
    assert volume_mm3(d, depth + point_length_mm(d, angle), angle) == pytest.approx(wanted, rel=1e-4)
    # The mistake that this guards against, a hole "5 deep" to the point, holds far less.
    assert volume_mm3(d, depth, angle) < 0.9 * wanted


def test_peck_bottoms() -> None:
    (retract, bottom, peck), wanted = ref.PECK_BOTTOMS
    assert peck_bottoms_mm(retract, bottom, peck) == pytest.approx(wanted, abs=1e-9)
    (depth, peck), count = ref.PECK_COUNT
    assert len(peck_bottoms_mm(depth, 0.0, peck)) == count
    assert peck_bottoms_mm(1.0, 0.0, 0.25) == pytest.approx((0.75, 0.5, 0.25, 0.0))
    for bad in ((0.0, 1.0, 0.1), (1.0, 0.0, 0.0)):
        with pytest.raises(Bug):
            peck_bottoms_mm(*bad)


def test_cycle_by_depth() -> None:
    assert [choose_cycle(ratio * 2.0, 2.0, 1.0) for ratio in (0.25, 0.5, 0.51, 2.5, 2.51, 8.0)] == [
        "drill", "drill", "chip break", "chip break", "peck", "peck",
    ]  # fmt: skip


def test_pass_stops_at_the_tip_and_starts_above_the_surface() -> None:
    cutter = CRIB.cutter(8)
    hole = plan_drill(pass_id="h", at_mm=(3.0, 4.0), top_z_mm=4.3, tip_z_mm=0.25, cutter=cutter,
                      cut=cut_data(cutter, MATERIAL, MACHINE))  # fmt: skip
    assert hole.bottom_z_mm == 0.25
    assert hole.retract_z_mm == pytest.approx(4.6)
    assert hole.cycle == "chip break" and hole.peck_mm <= cutter.peck_mm + 0.001
    bites = -np.diff([4.6, *peck_bottoms_mm(4.6, 0.25, hole.peck_mm)])
    assert len(bites) == math.ceil(4.35 / cutter.peck_mm)  # as few as the crib's peck allows, and equal
    assert np.ptp(bites) < 0.02


def test_even_pecks() -> None:
    for height, peck in ((4.05, 0.5), (1.5, 0.5), (2.0, 0.35), (0.301, 0.3)):
        bite = even_peck_mm(height, peck)
        bottoms = peck_bottoms_mm(height, 0.0, bite)
        assert len(bottoms) == math.ceil(height / peck - 1e-9)
        assert bite <= peck + 0.001 + 1e-9
        assert bite - bottoms[-2] < 0.001 * len(bottoms) + 1e-9


def test_flutes_too_short_are_refused() -> None:
    cutter = CRIB.cutter(8)
    with pytest.raises(PlanError, match="longer drill"):
        plan_drill(pass_id="h", at_mm=(0, 0), top_z_mm=20.0, tip_z_mm=0.0, cutter=cutter,
                   cut=cut_data(cutter, MATERIAL, MACHINE))  # fmt: skip
