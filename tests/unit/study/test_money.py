"""The slot's figures against beam theory, and the money model: what grows with what, and sums made by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from pipeline.shop import forces
from pipeline.shop.cutting import cut_data
from pipeline.study.money import (
    CHANCE_PER_M,
    LIFE_MIN,
    SLENDER,
    SPOILED_SHARE,
    STOP_MIN,
    Prices,
    breakages_per_m,
    costs,
    model_words,
)
from pipeline.study.slot import Slot, full_slot
from tests.unit.operations.shop_values import MACHINE, MATERIAL, flat

CUTTER = flat(3, 3.0)
EVEN = Slot(force_n=1.0, deflection_mm=0.0, stress_n_mm2=forces.ALLOWED_N_MM2, slenderness=SLENDER, spread=0.3)


def slot_of(cutter):
    """At the speeds and feeds of CUTTER whatever the cutter: what changes is the cutter alone."""
    return full_slot(cutter, cut_data(CUTTER, MATERIAL, MACHINE), MATERIAL)


def test_a_plain_rod_is_as_slender_as_it_is_long():
    """Stickout over diameter, by what the word means. Flutes are made vanishingly short: they count on their core."""
    rod = replace(CUTTER, flute_length_mm=1e-9, reach_mm=1e-9, neck_diameter_mm=3.0, shank_diameter_mm=3.0,
                  stickout_mm=21.0)  # fmt: skip
    assert slot_of(rod).slenderness == pytest.approx(7.0, rel=1e-6)


def test_deflection_is_that_of_a_cantilever():
    """F L^3 / (3 E I), I = pi d^4 / 64: Machinery's Handbook, beams (from memory)."""
    rod = replace(CUTTER, flute_length_mm=1e-9, reach_mm=1e-9, neck_diameter_mm=3.0, shank_diameter_mm=3.0,
                  stickout_mm=21.0)  # fmt: skip
    slot = slot_of(rod)
    by_hand = slot.force_n * 21**3 / (3 * 600_000 * math.pi * 3**4 / 64)
    assert slot.deflection_mm == pytest.approx(by_hand, rel=1e-6)


def test_a_thicker_cutter_breaks_less():
    chances = [
        breakages_per_m(slot_of(replace(CUTTER, diameter_mm=d, neck_diameter_mm=0.95 * d)))
        for d in (1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
    ]
    assert chances == sorted(chances, reverse=True) and chances[0] > 100 * chances[-1]


def test_a_longer_cutter_breaks_more():
    by_stickout = [breakages_per_m(slot_of(replace(CUTTER, stickout_mm=mm))) for mm in (14, 20, 26, 32, 40)]
    assert by_stickout == sorted(by_stickout) and by_stickout[-1] > by_stickout[0]
    by_reach = [breakages_per_m(slot_of(replace(CUTTER, reach_mm=mm))) for mm in (8, 10, 12, 15, 20)]
    assert by_reach == sorted(by_reach) and by_reach[-1] > 2 * by_reach[0]


def test_more_force_breaks_more():
    deeper = [replace(cut_data(CUTTER, MATERIAL, MACHINE), stepdown_mm=mm) for mm in (0.3, 0.6, 0.9)]
    chances = [breakages_per_m(full_slot(CUTTER, cut, MATERIAL)) for cut in deeper]
    assert chances == sorted(chances) and chances[-1] > 2 * chances[0]


def test_costs_by_hand():
    """At the parameters' own stress and slenderness 8 m feed through 0.01 x 8 breakages."""
    assert breakages_per_m(EVEN) == CHANCE_PER_M == 0.01
    assert (SPOILED_SHARE, STOP_MIN, LIFE_MIN) == (0.5, 20.0, 45.0)
    found = costs(
        EVEN, {"handle-left": 3.0, "stud-1": 1.0, "waste": 4.0}, {"handle-left": 60.0, "stud-1": 3.0},
        feed_s=1350.0, total_s=5400.0, prices=Prices(rate_per_h=30.0, cutter=20.0),
    )  # fmt: skip
    assert found.breakages == pytest.approx(0.08)
    # a cutter and 20 minutes each: 30; half of 60 over 3 m, half of 3 over 1 m
    assert found.breakage == pytest.approx(0.08 * 30 + 0.03 * 30 + 0.01 * 1.5)
    assert found.wear == pytest.approx(10.0)  # half of its 45 minutes
    assert found.time == pytest.approx(45.0)
    assert found.total == pytest.approx(found.breakage + 55.0)


def test_what_is_not_priced_costs_nothing():
    found = costs(EVEN, {"stud-1": 1.0}, {"stud-1": 3.0}, feed_s=60.0, total_s=60.0, prices=Prices())
    assert (found.wear, found.time) == (0.0, 0.0) and found.breakage == pytest.approx(0.015)


def test_every_parameter_is_printed():
    words = " ".join(model_words())
    for figure in ("0.01 x", "1000 N/mm2)^3", "slenderness / 5)^2", "20 minutes", "50%", "45 minutes", "3 times"):
        assert figure in words
