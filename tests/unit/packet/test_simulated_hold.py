"""The hold as it is shown: kPa and inches of mercury, rounded so that no reading looks strong enough that is not."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.model.findings import Finding
from pipeline.model.shop import Block
from pipeline.packet.simulated.hold import KPA_PER_INHG, Gauge, freed_rows, hold_facts, never_freed, rounded_down
from tests.unit.packet.figures_by_hand import with_figures
from tests.unit.packet.test_page_html import inputs


@pytest.fixture(scope="module")
def holding():
    given = inputs()
    names = ("plan", "program", "setup")
    return with_figures(given["verdict"], **{name: given[name] for name in names}).holding


def facts_of(holding, **changes):
    return hold_facts(replace(holding, **changes), (), ())


def test_the_standard_atmosphere():
    """101.325 kPa are 29.92 inHg (standard atmosphere, ISO 2533; the inches from any altimeter's setting)."""
    assert pytest.approx(29.92, abs=0.005) == 101.325 / KPA_PER_INHG
    assert str(Gauge.nearest(101.325)) == "101 kPa (29.9 inHg)"


def test_a_limit_by_hand():
    """71.3 / 3.386389 = 21.0549: up to 72 kPa and 21.1 inHg. A whole number stays."""
    assert str(Gauge.at_least(71.3)) == "72 kPa (21.1 inHg)"
    assert Gauge.at_least(70.0).kpa == "70"


def test_a_limit_is_never_rounded_down():
    for kpa in np.random.default_rng(5).uniform(1, 100, 500):
        shown = Gauge.at_least(float(kpa))
        assert kpa - 1e-9 <= float(shown.kpa) < kpa + 1
        most = Gauge.at_most(float(kpa))
        assert kpa - 1 < float(most.kpa) <= kpa + 1e-9 and float(most.inhg) * KPA_PER_INHG <= kpa + 1e-6
        assert kpa - 1e-6 <= float(shown.inhg) * KPA_PER_INHG < kpa + 0.1 * KPA_PER_INHG + 1e-6


def test_a_factor_is_never_rounded_up(holding):
    assert facts_of(holding, least=1.999).factor == "1.99"
    assert facts_of(holding, least=2.0).factor == "2.00"
    assert facts_of(holding, least=math.inf).factor == "no force on it"
    assert (rounded_down(2.0899), rounded_down(2.09), rounded_down(math.inf)) == (2.08, 2.09, math.inf)


@pytest.mark.parametrize(
    ("changes", "is_enough", "lowest"),
    [
        ({}, True, "72"),
        ({"least": 1.99}, False, "72"),
        ({"gauge_least_kpa": 90.0}, False, "90"),
        ({"gauge_least_kpa": math.inf}, False, None),
        ({"gauge_least_kpa": 99.0}, False, None),  # more than the air presses
    ],
)
def test_when_the_hold_is_enough(holding, changes, is_enough, lowest):
    facts = facts_of(holding, **{"least": 2.5} | changes)
    assert facts.is_enough == is_enough
    assert (facts.lowest.kpa if facts.lowest else None) == lowest


def test_what_is_to_spare_is_the_difference_of_what_is_printed(holding):
    """By hand: 85.0 and 71.3 are printed as 85 and 72. 84.6 is counted on as 84, 83.7 is asked for as 84."""
    assert facts_of(holding).spare_kpa == 13
    even = facts_of(holding, least=2.5, gauge_planned_kpa=84.6, gauge_least_kpa=83.7)
    assert (even.planned.kpa, even.lowest.kpa, even.spare_kpa, even.is_enough) == ("84", "84", 0, True)
    short = facts_of(holding, least=2.5, gauge_planned_kpa=84.6, gauge_least_kpa=84.5)
    assert (short.planned.kpa, short.lowest.kpa, short.spare_kpa, short.is_enough) == ("84", "85", -1, False)


def block(name, kind, press_n):
    square = np.array([[0, 0], [5, 0], [5, 5], [0, 5.0]])
    return Block(name=name, kind=kind, outline=square, height_mm=10, press_n=press_n)


def test_the_clamps_that_the_hold_counts_on_are_named(holding):
    blocks = [block("cam-right", "clamp", 3000.0), block("loose", "clamp", 0.0), block("rest", "rigid spacer", 50.0)]
    assert hold_facts(holding, [*blocks, block("cam-back", "clamp", 2500.4)], ()).clamps == (
        "The plate is held by clamps too: cam-right 3000 N, cam-back 2500 N"
        " (figures of the holding file; tighten before the start and check)"
    )
    assert hold_facts(holding, blocks[1:], ()).clamps == ""


def test_waste_is_left_out_of_the_factor_and_that_is_said(holding):
    other = Finding(code="V670", severity="warning", where="waste, T1, line 2", found="a stress")
    part = Finding(code="V680", where="clip-1, T3, line 7", found="safety 1.9")
    waste = Finding(code="V680", severity="warning", where="waste, T3, line 9", found="safety 1.6", hint="less feed")
    held = replace(waste, hint="a reading of 90 kPa holds it; less feed")
    said = [hold_facts(holding, (), found).waste for found in ([other, part], [part, waste], [waste, other, held])]
    assert said == [
        "",
        "Waste: see finding 2; no gauge reading cures it",
        "Waste: see findings 1, 3; the reading here does not cure it",
    ]


def test_pieces_come_in_order_of_time_and_those_that_stay_apart(holding):
    one = holding.freed[0]
    tied = replace(one, what="b-1", tied_line=50, severed_line=0)
    late = replace(one, what="b-2", tied_line=90, severed_line=95)
    never = [replace(one, what=f"c-{k}", tied_line=0, severed_line=0) for k in (1, 2, 3)]
    assert [row.what for row in freed_rows([late, *never, tied])] == ["b-1", "b-2"]
    assert never_freed([late, *never, tied]) == "c-1 to 3"
