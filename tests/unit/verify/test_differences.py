"""Somebody's text against ours: what the machine does counts, how it is written does not."""

from __future__ import annotations

import dataclasses
import math
import random
import re
from collections.abc import Callable

import pytest

from pipeline.model.program import Program
from pipeline.model.shop import Dialect
from pipeline.verify.differences import Difference, differences, job_digest_in
from tests.unit.gcode import small

MM5 = dataclasses.replace(small.MM, linear_decimals=5, arc_decimals=5, feed_decimals=3)
INCH6 = dataclasses.replace(MM5, units="in", linear_decimals=6, arc_decimals=6, feed_decimals=5)
FACE, HOLES, PIVOT, PIN = (f"handle-left/{name}" for name in ("face", "holes", "pivot/bore", "pin/bore"))
ALL = [FACE, HOLES, PIVOT, PIN]


def compared(text: str, program: Program, dialect: Dialect = small.MM) -> tuple[Difference, ...]:
    return differences(text, program, machine=small.machine(dialect), crib=small.CRIB)


def told(found: tuple[Difference, ...]) -> dict[str, str]:
    """What is not the same, by name."""
    return {one.operation: one.sort for one in found if one.sort != "same"}


def without_comments(text: str) -> str:
    return re.sub(r"\([^)]*\)", "", text)


def with_radii(text: str) -> str:
    """Every flat arc by its radius instead of its centre, with more digits than the text has."""
    lines, at = [], (0.0, 0.0)
    for line in text.splitlines():
        words = dict(re.findall(r"([XYZIJ])(-?[\d.]+)", without_comments(line)))
        end = tuple(float(words.get(axis, at[k])) for k, axis in enumerate("XY"))
        if "I" in words and "Z" not in words:
            i, j = float(words["I"]), float(words["J"])
            chord = math.dist(at, end)
            sign = 1 if (("G3" in line) == (i * (end[1] - at[1]) - j * (end[0] - at[0]) <= 0)) else -1
            if chord < 1.99 * math.hypot(i, j):  # of half a turn a radius is as good as no centre
                line = re.sub(r"I-?[\d.]+ J-?[\d.]+", f"R{sign * math.hypot(i, j):.9f}", line)
        lines.append(line)
        if "53" not in line:
            at = end
    return "\n".join(lines)


def halved(text: str) -> str:
    """Every straight feed move in X alone as two."""
    out = []
    x = 0.0
    for line in text.splitlines():
        found = re.fullmatch(r"(.*G1 )X([\d.]+)(.*)", line)
        if found and "Y" not in line and "Z" not in line:
            out.append(f"{found[1]}X{(x + float(found[2])) / 2:.4f}{found[3]}")
        out.append(line)
        place = re.search(r"X(-?[\d.]+)", without_comments(line))
        x = float(place[1]) if place else x
    return "\n".join(out)


def other_order_of_words(text: str) -> str:
    return "\n".join(line if "(" in line else " ".join(reversed(line.split())) for line in text.splitlines())


HARMLESS: dict[str, Callable[[str], str]] = {
    "as it is": lambda text: text,
    "comments gone": without_comments,
    "numbered": lambda text: "\n".join(f"N{10 * n} {line}" for n, line in enumerate(text.splitlines(), 1)),
    "spaces and small letters": lambda text: text.replace(" ", "   ").lower(),
    "ends of lines": lambda text: text.replace("\n", "\r\n"),
    "zeros": lambda text: re.sub(r"(?<=[XYZ])(\d+\.\d+)", r"00\g<1>00", text),
    "words in another order": other_order_of_words,
    "moves in two pieces": halved,
    "arcs by radius": with_radii,
    "moves to where it stands": lambda text: re.sub(r"(?m)^(G0 Z30.0+)$", r"\1\n\1", text),
}


@pytest.mark.parametrize("rewrite", HARMLESS.values(), ids=HARMLESS)
def test_another_way_to_write_it_is_no_difference(rewrite: Callable[[str], str]) -> None:
    program = small.program(dialect=MM5)
    text = rewrite(program.text)
    found = compared(text, program, MM5)
    assert told(found) == {}
    assert [one.operation for one in found] == ALL


def test_the_rewrites_rewrite() -> None:
    text = small.program(dialect=MM5).text
    unchanged = [name for name, rewrite in HARMLESS.items() if rewrite(text).strip() == text.strip()]
    assert unchanged == ["as it is"]
    assert with_radii(text).count("R") - text.count("R") >= 2


def test_inches_cycles_written_out_and_longer_arcs_are_no_difference() -> None:
    program = small.program(dialect=MM5)
    inches = small.program(dialect=INCH6)
    assert told(compared(inches.text, program, MM5)) == {}
    expanded = small.program(dialect=dataclasses.replace(MM5, canned_cycles=frozenset()))
    assert "G83" in program.text and "G83" not in expanded.text
    assert told(compared(expanded.text, program, MM5)) == {}
    quarters = small.program(dialect=dataclasses.replace(MM5, longest_arc_rad=math.pi / 2))
    thirds = small.program(dialect=dataclasses.replace(MM5, longest_arc_rad=2.0))
    assert told(compared(quarters.text, thirds, MM5)) == {}
    assert told(compared(thirds.text, quarters, MM5)) == {}


def test_arcs_written_as_chords_are_a_difference() -> None:
    chords = small.program(dialect=dataclasses.replace(MM5, arcs=False))
    found = compared(chords.text, small.program(dialect=MM5), MM5)
    assert told(found) == {PIVOT: "changed", PIN: "changed"}


@pytest.mark.parametrize("with_headings", [True, False], ids=["headings", "no headings"])
class TestOneFault:
    """Each in a text with its headings and in one without any comment: the same answer."""

    def found(self, program: Program, old: str, new: str, with_headings: bool, count: int = 1) -> list[Difference]:
        assert old in program.text
        text = program.text.replace(old, new, count)
        found = compared(text if with_headings else without_comments(text), program)
        return [one for one in found if one.sort != "same"]

    def test_a_feed(self, with_headings: bool) -> None:
        program = small.program()
        (one,) = self.found(program, "X44.000 F240.00", "X44.000 F241.00", with_headings)
        assert (one.operation, one.sort, one.found, one.wanted) == (FACE, "changed", "F241", "F240")
        first = program.text.splitlines().index("G1 X44.000 F240.00") + 1
        assert one.line == one.own_line == first
        assert str(one) == f"{FACE}: line {one.line}: F241; the tool writes F240"

    def test_a_depth(self, with_headings: bool) -> None:
        (one,) = self.found(small.program(), "Z2.8540 I1.7", "Z2.8550 I1.7", with_headings)
        assert (one.operation, one.sort) == (PIVOT, "changed")
        assert one.found == "Z2.855" and one.wanted == "Z2.854"

    def test_a_speed(self, with_headings: bool) -> None:
        (one,) = self.found(small.program(), "S4000 M3", "S4400 M3", with_headings)
        assert (one.operation, one.found, one.wanted) == (PIN, "S4400", "S4000")

    def test_a_stop_that_is_gone(self, with_headings: bool) -> None:
        program = small.program()
        ways = self.found(program, "M0\nM5\nG21", "M5\nG21", with_headings)
        assert [(one.operation, one.sort) for one in ways] == [(f"way to {FACE}", "changed")]
        assert "M0" in ways[0].wanted

    def test_coolant_that_stays_off(self, with_headings: bool) -> None:
        names = {one.operation: one.found for one in self.found(small.program(), "M8\n", "\n", with_headings)}
        assert names == {FACE: "coolant off"}

    def test_an_operation_that_is_gone(self, with_headings: bool) -> None:
        program = small.program()
        first = min(span.first_line for span in program.index if span.operation_id == HOLES)
        last = max(span.last_line for span in program.index if span.operation_id == HOLES)
        lines = program.text.splitlines()
        cut = "\n".join(lines[: first - 2] + lines[last:])
        (one,) = [d for d in compared(cut if with_headings else without_comments(cut), program) if d.sort != "same"]
        assert (one.operation, one.sort) == (HOLES, "missing")
        assert first - 3 <= one.line <= first + 3

    def test_a_text_that_ends_early(self, with_headings: bool) -> None:
        program = small.program()
        end = min(span.first_line for span in program.index if span.operation_id == PIN)
        text = "\n".join(program.text.splitlines()[: end + 2])
        found = told(compared(text if with_headings else without_comments(text), program))
        assert found == {PIN: "changed"}


def test_what_is_added_is_named_or_has_its_lines() -> None:
    program = small.program()
    line = f"({PIVOT},"
    more = "(handle-left/slot/pocket, T3, Z 3 to 2)\nG0 X50 Y20\nG0 X31.7 Y24\n"
    (one,) = [d for d in compared(program.text.replace(line, more + line), program) if d.sort != "same"]
    assert (one.operation, one.sort) == ("handle-left/slot/pocket", "added")
    assert program.text.splitlines()[one.line - 2].startswith(line)
    unnamed = without_comments(program.text.replace(line, more + line))
    sorts = told(compared(unnamed, program))
    assert "added" in sorts.values() or "changed" in sorts.values()


def test_operations_in_another_order_are_told() -> None:
    """Two bores changed places, each complete with its heading."""
    program = small.program()
    lines = program.text.splitlines()
    at = [next(n for n, line in enumerate(lines) if line.startswith(f"({name},")) for name in (PIVOT, PIN)]
    end = max(span.last_line for span in program.index if span.operation_id == PIN)
    lines[at[0] : end] = lines[at[1] : end] + lines[at[0] : at[1]]
    found = [d for d in compared("\n".join(lines), program) if d.operation == PIN]
    assert found[0].sort == "changed" and found[0].found


def test_anything_can_be_compared() -> None:
    program = small.program()
    for text in ("", "\n\n", "hello", "%\n%", "(only a comment)", "G1 X1", "M30", "\0"):
        found = told(compared(text, program))
        assert {FACE, HOLES, PIVOT, PIN} <= found.keys(), text
        assert all(one.line >= 1 for one in compared(text, program) if one.sort != "same")
    assert told(compared(program.text, small.program(dialect=small.PLAIN)))


def test_texts_spoiled_at_random_are_compared_to_their_end() -> None:
    """Lines dropped, doubled, moved, characters changed: every operation is told of, with a line that there is."""
    chance = random.Random(5)
    programs = [(small.program(dialect=d), d) for d in (small.MM, small.INCH, small.PLAIN)]
    for _ in range(150):
        program, dialect = chance.choice(programs)
        lines = program.text.split("\n")
        for _ in range(chance.randint(1, 5)):
            a, n, c = chance.randrange(len(lines)), chance.randint(1, 40), chance.randrange(len(lines))
            run = lines[a : a + n]
            kind = chance.randrange(4)
            if kind < 2:
                del lines[a : a + n]
            if kind > 0:
                lines[c:c] = run
            if kind == 3 and (text := lines[a]):
                i = chance.randrange(len(text))
                lines[a] = text[:i] + chance.choice("0123456789XYZGMF.-() ") + text[i + 1 :]
            lines = lines or [""]
        found = compared("\n".join(lines), program, dialect)
        assert [d.operation for d in found if d.sort != "added" and d.operation in ALL] == ALL
        assert all(1 <= d.line <= len(lines) and str(d) for d in found)


def test_a_step_too_small_to_matter_is_none_and_one_micron_is_one() -> None:
    program = small.program(dialect=MM5)
    assert told(compared(program.text.replace("X44.00000", "X44.00040"), program, MM5)) == {}
    assert told(compared(program.text.replace("X44.00000", "X44.00100"), program, MM5)) == {FACE: "changed"}


def test_the_digest_in_the_header() -> None:
    assert job_digest_in(small.program().text) == "0123456789abcdef" * 4
    assert job_digest_in("( Job digest:  " + "AB" * 32 + " )\nG0") == "ab" * 32
    assert job_digest_in("(job digest: 12ab)") == ""
