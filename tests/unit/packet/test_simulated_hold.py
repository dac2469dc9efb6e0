"""The hold as it is shown: kPa and inches of mercury, rounded so that no reading looks strong enough that is not."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.packet.simulated.hold import KPA_PER_INHG, Gauge, freed_rows, hold_facts, never_freed
from tests.unit.packet.figures_by_hand import with_figures
from tests.unit.packet.test_page_html import inputs


@pytest.fixture(scope="module")
def holding():
    given = inputs()
    names = ("plan", "program", "setup")
    return with_figures(given["verdict"], **{name: given[name] for name in names}).holding


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
        assert kpa - 1e-6 <= float(shown.inhg) * KPA_PER_INHG < kpa + 0.1 * KPA_PER_INHG + 1e-6


def test_a_factor_is_never_rounded_up(holding):
    assert hold_facts(replace(holding, least=1.999)).factor == "1.99"
    assert hold_facts(replace(holding, least=2.0)).factor == "2.00"
    assert hold_facts(replace(holding, least=math.inf)).factor == "no force on it"


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
    facts = hold_facts(replace(holding, least=2.5) if not changes else replace(holding, **{"least": 2.5} | changes))
    assert facts.is_enough == is_enough
    assert (facts.lowest.kpa if facts.lowest else None) == lowest


def test_pieces_come_in_order_of_time_and_those_that_stay_apart(holding):
    one = holding.freed[0]
    tied = replace(one, what="b-1", tied_line=50, severed_line=0)
    late = replace(one, what="b-2", tied_line=90, severed_line=95)
    never = [replace(one, what=f"c-{k}", tied_line=0, severed_line=0) for k in (1, 2, 3)]
    assert [row.what for row in freed_rows([late, *never, tied])] == ["b-1", "b-2"]
    assert never_freed([late, *never, tied]) == "c-1 to 3"
