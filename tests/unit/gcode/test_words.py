"""Numbers and comments: the one place that rounds, and the characters that are left."""

from __future__ import annotations

import dataclasses

import pytest

from pipeline.errors import Bug, PlanError
from pipeline.gcode.comments import Lines, comment, plain, wrapped
from pipeline.gcode.words import Format, fixed
from tests.reference.rs274_grammar import parse_line
from tests.unit.gcode import small

MM = Format(units="mm", linear_decimals=3, arc_decimals=4, feed_decimals=1)
INCH = Format(units="in", linear_decimals=4, arc_decimals=5, feed_decimals=3)


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (1e-05, 3, "0.000"),
        (-0.00004, 3, "0.000"),
        (-0.0, 1, "0.0"),
        (1e16, 0, "10000000000000000"),
        (-1.25, 2, "-1.25"),
    ],
)
def test_fixed_has_no_exponent_and_no_negative_zero(value: float, decimals: int, text: str) -> None:
    assert fixed(value, decimals) == text


@pytest.mark.parametrize(
    ("form", "length_mm", "text"),
    [
        (MM, 0.0, "0.000"),
        (MM, -0.0004, "0.000"),
        (MM, -0.0006, "-0.001"),
        (MM, 12.3456, "12.346"),
        (INCH, 25.4, "1.0000"),
        (INCH, -25.4e-6, "0.0000"),
        (INCH, 6.35, "0.2500"),
    ],
)
def test_lengths(form: Format, length_mm: float, text: str) -> None:
    assert form.length(length_mm) == text


def test_arc_lines_have_one_place_more() -> None:
    counts = MM.counts(-0.12344, arc=True)
    assert MM.text(counts, arc=True) == "-0.1234"
    assert MM.mm(counts) == pytest.approx(-0.1234)
    with pytest.raises(Bug):
        MM.text(counts)  # a place that a straight move does not have is never dropped in silence


def test_feed_that_rounds_to_nothing_is_refused() -> None:
    assert INCH.feed(254.0) == "10.000"
    with pytest.raises(Bug):
        MM.feed(0.04)


@pytest.mark.parametrize(
    "change",
    [{"linear_decimals": 2}, {"arc_decimals": 3}, {"units": "in"}, {"units": "cm"}, {"linear_decimals": 5}],
)
def test_machine_with_too_few_places_is_refused(change: dict[str, object]) -> None:
    Format.of(small.MM, machine="mill")
    with pytest.raises(PlanError):
        Format.of(dataclasses.replace(small.MM, **change), machine="mill")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        ("a(b)c", "a b c"),
        ('1/4" end mill', "1/4in end mill"),
        ("Öse; 90°; ø3", "Ose, 90 deg, D3"),
        ("%\n* x", "x x"),
        ("tab\tnew\nline", "tab new line"),
        ("日本", ""),
        ("a-b_c.d,e:f/g=h#i+j", "a-b_c.d,e:f/g=h#i+j"),
    ],
)
def test_comment_characters(text: str, clean: str) -> None:
    assert plain(text) == clean
    parse_line(comment(text))


def test_long_comments_are_wrapped_and_short_enough() -> None:
    lines = wrapped("word " * 100 + "x" * 300)
    assert all(len(line) <= 80 for line in lines)
    assert sum(line.count("word") for line in lines) == 100
    assert sum(line.count("x") for line in lines) == 300
    assert len(comment("y" * 1000)) == 80


def test_line_numbers_are_the_lines_of_the_file() -> None:
    lines = Lines(numbered=True)
    lines.say("first")
    lines.add("G0 X1")
    lines.stop("look (here)")
    assert lines.text() == "(first)\nN2 G0 X1\n(MSG, look here)\nN4 M0\nN5 M5\n"


def test_a_long_message_is_several_and_none_is_too_wide() -> None:
    lines = Lines(numbered=False)
    lines.stop("measure " + ", ".join(f"handle-{k}/pivot-bore" for k in range(8)))
    *messages, stop, off = lines.text().splitlines()
    assert (stop, off) == ("M0", "M5")
    assert len(messages) > 2
    assert all(line.startswith("(MSG, ") and len(line) <= 80 for line in messages)
    assert sum(line.count("/pivot-bore") for line in messages) == 8
