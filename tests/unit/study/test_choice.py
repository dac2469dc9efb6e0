"""The choice: what earns most among released full runs, the reason in a sentence, and what would change it."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import pytest

from pipeline.study.choice import choose, promising, ranked
from pipeline.study.money import Prices
from tests.unit.study.candidates import candidate

THICK, THIN = candidate(3, 3.0, studs=13, hours=2.0), candidate(4, 2.0, studs=16, hours=3.0)


NO_PRICES = Prices()


def chosen(candidates, full_runs=None, prices=NO_PRICES):
    """The choice when all were run in full, unless told otherwise, with the same figures."""
    return choose(candidates, candidates if full_runs is None else full_runs, prices=prices, currency="USD", unit="mm")


def test_the_sentence_names_what_speaks_for_and_against():
    thin = replace(THIN, costs=replace(THIN.costs, breakage=2.5))
    found = chosen([THICK, thin])
    assert found.best == 4
    assert found.sentence == (
        "T4 (2 mm flat) earns most, 105.50 USD a plate, 6.50 more than T3 (3 mm flat), because it places 16 instead of"
        " 13 stud with a gap of 2.500 mm instead of 3.500 mm (9.00 more), which outweighs 2.50 more for breakage and"
        " wear."
    )


def test_the_whole_score_decides_and_its_terms_are_named():
    """By hand: three studs are worth 9, but the thick cutter's pair looks 12 more alike and is held 1 worse: 2 more."""
    thick = candidate(3, 3.0, studs=13, alike=15.0, held=1.0)
    thin = candidate(4, 2.0, studs=16, alike=3.0, held=2.0)
    found = chosen([thick, thin])
    assert found.best == 3
    assert found.sentence == (
        "T3 (3 mm flat) earns most, 115.00 USD a plate, 2.00 more than T4 (2 mm flat), because it has better"
        " marks (alike 12.00 more), which outweighs 9.00 less for parts (13 instead of 16 stud, with a gap of 3.500 mm"
        " instead of 2.500 mm) and lower marks (held 1.00 less)."
    )


def test_without_costs_cutters_are_in_the_order_of_their_scores():
    rng = random.Random(7)
    some = [candidate(k, 2.0, studs=rng.randint(5, 9), figure=rng.uniform(0, 20), layers=rng.uniform(0, 9))
            for k in range(1, 30)]  # fmt: skip
    by_score = sorted(some, key=lambda c: -(60 + 3 * c.placed["stud"] + c.terms["figure"] + c.terms["layers"]))
    assert [c.cutter.number for c in ranked(some)] == [c.cutter.number for c in by_score]


def test_time_may_decide():
    priced = [replace(c, costs=replace(c.costs, time=20.0 * c.total_s / 3600)) for c in (THICK, THIN)]
    found = chosen(priced, prices=Prices(rate_per_h=20.0))
    assert found.best == 3
    assert "costs 20.00 less in machine time, which outweighs 9.00 less for parts" in found.sentence


def test_the_rate_at_which_the_choice_turns():
    """By hand: 9 more for an hour more."""
    found = chosen([THICK, THIN])
    assert any("Above 9.00 USD an hour" in line and "T3" in line for line in found.turns)
    at = 9.0 + 0.01
    priced = [replace(c, costs=replace(c.costs, time=at * c.total_s / 3600)) for c in (THICK, THIN)]
    assert ranked(priced)[0].cutter.number == 3
    back = chosen(priced, prices=Prices(rate_per_h=at))
    assert back.best == 3 and any("Below 9.00 USD an hour" in line and "T4" in line for line in back.turns)


def test_the_price_of_a_cutter_at_which_the_choice_turns():
    """By hand: half an hour more along outlines is 30 of 45 minutes of a cutter's life, 9 more are worth 13.50."""
    found = chosen([THICK, THIN])
    assert any(line.startswith("Above 13.50 USD for a new cutter T3") for line in found.turns)


@pytest.mark.parametrize(("breakage", "times", "doubt"), [(3.0, "3.0", True), (0.5, "18", False)])
def test_how_much_more_breakage_turns_it(breakage, times, doubt):
    """By hand: 9 = times x breakage. Within the model's own uncertainty the line says so."""
    thin = replace(THIN, costs=replace(THIN.costs, breakage=breakage))
    line = next(line for line in chosen([THICK, thin]).turns if "broke" in line)
    assert f"more than {times} times" in line and "T3" in line
    assert ("may be off by as much" in line) == doubt


def refused(one):
    return replace(one, verdict="refused", n_errors=2)


def test_a_refused_run_is_never_chosen():
    found = chosen([THICK, refused(THIN)])
    assert found.best == 3 and found.turns == ()
    assert re.search(r"T4 .* would earn 9.00 more but is refused, with 2 errors", found.sentence)
    none = chosen([refused(THICK), refused(THIN)])
    assert none.best is None and "No full run is released: T3 with 2 errors, T4 with 2 errors." in none.sentence
    assert [c.cutter.number for c in promising([THICK, refused(THIN)])] == [3, 4]


def test_full_runs_bring_their_own_figures():
    slowed = replace(THIN, costs=replace(THIN.costs, time=50.0))
    assert chosen([THICK, THIN]).best == 4
    assert chosen([THICK, THIN], [slowed, THICK], prices=Prices(rate_per_h=10.0)).best == 3


def test_one_that_was_not_run_in_full_is_named_when_it_leads():
    slowed = replace(THIN, costs=replace(THIN.costs, time=50.0))
    found = chosen([THICK, THIN, candidate(5, 1.5, studs=15)], [slowed, THICK])
    assert found.best == 3 and "T5 (1.5 mm flat) would earn 6.00 more but was not run in full" in found.sentence


def test_of_equals_the_shorter_program_then_the_thicker_cutter():
    one, other = candidate(3, 3.0, studs=13, hours=2.0), candidate(4, 2.0, studs=13, hours=2.0)
    assert [c.cutter.number for c in ranked([other, one])] == [3, 4]
    quick = replace(other, total_s=3600.0)
    assert [c.cutter.number for c in ranked([one, quick])] == [4, 3]
    assert "and its program is shorter" in chosen([one, quick]).sentence


def test_alone():
    found = chosen([THICK])
    assert found.best == 3 and found.turns == () and "no other cutter" in found.sentence
