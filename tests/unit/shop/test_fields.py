"""Fields and tables: what they take, what they refuse and where they point."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest

from pipeline.shop.air import KPA_PER_INHG
from pipeline.shop.fields import Choice, Field, Flag, Length, Number, Quantity, Special, Text
from pipeline.shop.reading import FAILED, Reader
from pipeline.shop.schema import Key, ListOf, MapOf, Table
from pipeline.shop.strict_yaml import load


def read(field: Field, text: str, units: str = "mm") -> tuple[Any, list[str]]:
    reader = Reader()
    reader.units["f"] = units
    node = load(f"v: {text}\n", file="f", findings=reader.findings)
    assert node is not None
    value = field.read(node.entries["v"].node, reader)
    return value, [finding.code for finding in reader.findings]


@pytest.mark.parametrize(
    ("field", "text", "value"),
    [
        (Length(), "3", 3.0),
        (Length(), "1/16 in", 1.5875),
        (Length(), '"#43"', 0.089 * 25.4),
        (Number(), "-0.5", -0.5),
        (Number(), "+3.", 3.0),
        (Number(whole=True), "12", 12),
        (Number(degrees=True), "90", math.pi / 2),
        (Number(degrees=True), "118 deg", math.radians(118)),
        (Text(), "no", "no"),
        (Text(), "1:30", "1:30"),
        (Choice(("bed", "top")), "top", "top"),
        (Flag(), "yes", True),
        (Flag(), "no", False),
        (Special("any", None, Number()), "any", None),
        (Special("any", None, Number()), "3", 3.0),
        (ListOf(Number()), "[1, 2]", (1.0, 2.0)),
    ],
)
def test_taken(field: Field, text: str, value: Any) -> None:
    found, codes = read(field, text)
    assert codes == []
    assert found == value and type(found) is type(value)


@pytest.mark.parametrize(
    "text", ["010", "1e3", "1:30", "1_000", ".inf", ".nan", "0x10", "no", "~", "", "[1]", "{a: 1}"]
)
@pytest.mark.parametrize("field", [Number(), Length(), Number(whole=True), Number(degrees=True)])
def test_no_number(field: Field, text: str) -> None:
    value, codes = read(field, text)
    assert value is FAILED and codes == ["J106"]


@pytest.mark.parametrize("text", ["010 mm", "1e1 mm", "1:30 in", "3 mm mm", "1/0 in", "3 cm"])
def test_no_length(text: str) -> None:
    value, codes = read(Length(), text)
    assert value is FAILED and codes == ["J106"]


def test_bounds_belong_to_the_range_in_either_unit() -> None:
    field = Length(low=5.08, high=7.62)
    for text, units in (("5.08", "mm"), ("7.62", "mm"), ("0.2", "in"), ("0.3", "in")):
        value, codes = read(field, text, units)
        assert codes == [] and 5.08 <= value <= 7.62
    for text, units in (("5.07", "mm"), ("0.301", "in")):
        value, codes = read(field, text, units)
        assert value is FAILED and codes == ["J107"]


def test_a_table_goes_on_after_a_fault() -> None:
    table = Table("a thing", {"a": Key(Number(), "a"), "b": Key(Number(), "b"), "c": Key(Number(), "c", default=7.0)})
    value, codes = read(table, "{a: x, d: 3}")
    assert sorted(codes) == ["J104", "J105", "J106"]
    assert dict(value) == {"c": 7.0} and not value.is_whole


def test_map_of_names() -> None:
    value, codes = read(MapOf(Number(), 1), "{a-1: 2, 'b c': 3}")
    assert codes == ["J108"] and dict(value) == {"a-1": 2.0} and not value.is_whole


# --- numbers with their unit -----------------------------------------------------------------------------------------

GAUGE = Quantity({"kPa": 1.0, "inHg": KPA_PER_INHG}, 5, 110, "75 kPa")
FLOW = Quantity({"l/min": 1.0}, 0, 500, "40 l/min")


@pytest.mark.parametrize(
    ("field", "text", "value"),
    [
        (GAUGE, "75 kPa", 75.0),
        (GAUGE, "75kPa", 75.0),
        (GAUGE, "22 inHg", 22 * 3.386389),  # NIST SP 811, appendix B.8
        (GAUGE, "'22.5 inHg'", 22.5 * 3.386389),
        (FLOW, "40 l/min", 40.0),
        (FLOW, "0", 0.0),
        (FLOW, "0 l/min", 0.0),
    ],
)
def test_quantities(field: Field, text: str, value: float) -> None:
    found, codes = read(field, text)
    assert codes == [] and found == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["75", "inHg", "75 bar", "75 kpa", "75 kPa kPa", "7,5 kPa", "1e2 kPa", "010 kPa", "", "[75]", "no"]
)
def test_no_quantity(text: str) -> None:
    value, codes = read(GAUGE, text)
    assert value is FAILED and codes == ["J106"]


def test_bounds_of_a_quantity_hold_in_every_unit() -> None:
    assert read(GAUGE, "0")[1] == ["J107"] and read(GAUGE, "1.4 inHg")[1] == ["J107"]  # 1.4 x 3.386 = 4.74 kPa
    assert read(GAUGE, "1.5 inHg")[1] == [] and read(GAUGE, "33 inHg")[1] == ["J107"]


def test_the_schema_of_a_quantity_takes_what_the_field_takes() -> None:
    pattern = GAUGE.schema()["anyOf"][1]["pattern"]
    for text in ("75 kPa", "75kPa", "22.5 inHg", ".5 kPa"):
        assert re.search(pattern, text) and read(GAUGE, text)[1] in ([], ["J107"])
    assert not any(re.search(pattern, text) for text in ("75", "75 bar", "kPa", "1e2 kPa"))
