"""Lengths as people write them, and the drill table.

Outside values: 25.4 mm to the inch is a definition (NIST SP 811, appendix B). Number drills: ASME B94.11M-1993, Twist
Drills; #1-#4, #7, #10, #21, #25 and #54-#80 seen in reproductions of the table, the others from memory.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.drill_sizes import NUMBER_DRILLS_IN
from pipeline.model.units import length_mm, shown

# Size by size as printed, so that a digit moved in the table is seen: ASME B94.11M-1993.
PRINTED = {
    "#1": 0.2280, "#2": 0.2210, "#3": 0.2130, "#4": 0.2090, "#7": 0.2010, "#10": 0.1935, "#21": 0.1590, "#25": 0.1495,
    "#29": 0.1360, "#30": 0.1285, "#36": 0.1065, "#40": 0.0980, "#43": 0.0890, "#44": 0.0860, "#47": 0.0785,
    "#50": 0.0700, "#54": 0.0550, "#56": 0.0465, "#60": 0.0400, "#70": 0.0280, "#75": 0.0210, "#80": 0.0135,
}  # fmt: skip


def test_there_are_eighty_and_they_shrink() -> None:
    assert list(NUMBER_DRILLS_IN) == [f"#{n}" for n in range(1, 81)]
    sizes = list(NUMBER_DRILLS_IN.values())
    assert all(larger > smaller for larger, smaller in pairwise(sizes))


@pytest.mark.parametrize("name", PRINTED)
def test_printed_sizes(name: str) -> None:
    assert NUMBER_DRILLS_IN[name] == PRINTED[name]


@pytest.mark.parametrize(
    ("text", "unit", "mm"),
    [
        ("3.2", "mm", 3.2),
        (3.2, "mm", 3.2),
        ("0.125", "in", 3.175),
        ("1/16 in", "mm", 1.5875),
        ("1/8", "in", 3.175),
        ("1 1/2 in", "mm", 38.1),
        ('3/32"', "mm", 2.38125),
        ("0.25 mm", "in", 0.25),
        (".5mm", "in", 0.5),
        ("-2", "mm", -2.0),
        ("#43", "mm", 2.2606),
        ("#43", "in", 2.2606),
        (1, "in", 25.4),
    ],
)
def test_read(text: str | float, unit: str, mm: float) -> None:
    assert length_mm(text, default_unit=unit) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize(
    "text", ["", "thin", "#0", "#81", "#4-40", "F drill", "1/0 in", "3 4", "1e3", "1:30", "2 cm", True, "0,5", "--1"]
)
def test_refused(text: str) -> None:
    with pytest.raises(ValueError):
        length_mm(text, default_unit="mm")


@settings(max_examples=200, derandomize=True)
@given(st.integers(-(10**7), 10**7), st.sampled_from(["mm", "in"]))
def test_written_and_read_again(ten_thousandths: int, unit: str) -> None:
    """A length written with four places comes back to half the last place."""
    scale = 25.4 if unit == "in" else 1.0
    length = ten_thousandths / 10**4 * scale
    again = length_mm(shown(length, unit=unit, places=4), default_unit="mm")
    assert again == pytest.approx(length, abs=1e-9)
