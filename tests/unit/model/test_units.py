"""Lengths as a shop writes them. Drill sizes: ASME B94.11M-1993, Twist Drills; the inch is 25.4 mm by definition."""

from __future__ import annotations

import itertools

import pytest

from pipeline.model.drill_sizes import NUMBER_DRILLS_IN
from pipeline.model.units import length_mm, shown


@pytest.mark.parametrize(
    ("text", "unit", "mm"),
    [
        (3.2, "mm", 3.2),
        (0.125, "in", 3.175),
        ("1/16 in", "mm", 1.5875),
        ("0.25 mm", "in", 0.25),
        ("#43", "mm", 2.2606),
        ("1 1/8 in", "mm", 28.575),
        ('1/4"', "mm", 6.35),
        ("1/4", "in", 6.35),
        ("-1 1/2 in", "mm", -38.1),
        (" .5 ", "mm", 0.5),
    ],
)
def test_lengths(text, unit, mm):
    assert length_mm(text, default_unit=unit) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize("text", ["", "abc", "1,5", "3 4", "1/0", "#0", "#81", "1e-3", "5 m", "--3", True, None, [1]])
def test_what_is_not_a_length_is_refused(text):
    with pytest.raises(ValueError):
        length_mm(text, default_unit="mm")


def test_number_drills_shrink_with_their_number():
    sizes = [NUMBER_DRILLS_IN[f"#{n}"] for n in range(1, 81)]
    assert all(a > b for a, b in itertools.pairwise(sizes))
    assert (sizes[0], sizes[42], sizes[49], sizes[79]) == (0.228, 0.089, 0.07, 0.0135)


def test_shown():
    assert shown(2.2606, unit="in") == "0.0890 in"
    assert shown(2.2606, unit="mm") == "2.261 mm"
