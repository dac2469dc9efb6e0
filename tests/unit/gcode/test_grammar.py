"""The test grammar against the report's own spellings, lines and values: one that takes anything checks nothing."""

from __future__ import annotations

import pytest

from tests.reference import rs274
from tests.reference.rs274_grammar import Illegal, evaluate, parse, parse_line


@pytest.mark.parametrize(("text", "value"), rs274.LEGAL_NUMBERS.items())
def test_legal_numbers(text: str, value: float) -> None:
    assert parse_line(f"X{text}").get("X") == value


@pytest.mark.parametrize("text", rs274.ILLEGAL_NUMBERS)
def test_illegal_numbers(text: str) -> None:
    with pytest.raises(Illegal):
        parse_line(f"X{text}")


@pytest.mark.parametrize(("text", "value"), rs274.EXPRESSIONS.items())
def test_expressions_have_the_printed_values(text: str, value: float) -> None:
    assert evaluate(text) == pytest.approx(value, abs=rs274.EXPRESSION_DIGITS)


@pytest.mark.parametrize("text", rs274.LINES)
def test_example_lines(text: str) -> None:
    line = parse_line(text)
    for letter, wanted in rs274.LINES[text].items():
        assert line.codes("G") == wanted if letter == "G" else line.get(letter) == pytest.approx(wanted)


@pytest.mark.parametrize("text", rs274.ILLEGAL_LINES)
def test_illegal_lines(text: str) -> None:
    with pytest.raises(Illegal):
        parse_line(text)


def test_parameters_take_effect_after_the_line() -> None:
    # NISTIR 6556, 3.3.3: with #3 = 15 the line goes to X15.
    lines = parse("#3=15\n#3=6 G1 X#3\nG1 X#3\nM2")
    assert [line.get("X") for line in lines[1:3]] == [15.0, 6.0]


def test_percent_lines_and_end() -> None:
    # NISTIR 6556, 3.1
    assert len(parse("%\nG0 X1\n%\nnot read at all")) == 1
    with pytest.raises(Illegal):
        parse("%\nG0 X1\nM2")
    with pytest.raises(Illegal):
        parse("G0 X1\n")
    assert len(parse("G0 X1\nM30\n")) == 3


def test_long_line_and_comments() -> None:
    with pytest.raises(Illegal):
        parse_line("(" + "a" * 255 + ")")
    line = parse_line("/N10 G0 (One, Two) X1 (MSG, Three)")
    assert line.comments == ("One, Two", "MSG, Three")


def test_undeclared_cycle_is_refused() -> None:
    with pytest.raises(Illegal):
        parse("G73 X1 Z0 R1 Q0.1\nM2")
    assert parse("G73 X1 Z0 R1 Q0.1\nM2", extra_g=(73.0,))
