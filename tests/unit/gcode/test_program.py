"""Whole programs: legal RS274 in every dialect, sections that stand alone, an exact index, a telling header."""

from __future__ import annotations

import dataclasses
import re

import pytest

from pipeline.errors import Bug, PlanError
from pipeline.gcode import mark_status
from pipeline.gcode.write import file_name
from pipeline.model.program import Program
from pipeline.model.shop import Dialect
from pipeline.model.toolpath import Plan, Toolpath
from tests.reference.rs274_grammar import Line
from tests.unit.gcode import small
from tests.unit.gcode.walk import bottoms, read, walk

DIALECTS = {"mm": small.MM, "inch": small.INCH, "plain": small.PLAIN}
EVERY = pytest.mark.parametrize("dialect", DIALECTS.values(), ids=DIALECTS)
MODES = {17.0, 90.0, 94.0, 40.0, 49.0, 80.0, 54.0, 98.0}


def part(program: Program, first: int, last: int) -> list[Line]:
    """Parsed lines first to last, both ends included."""
    return [line for line in read(program.text) if first <= line.at <= last]


@EVERY
def test_text_is_legal_short_and_plain(dialect: Dialect) -> None:
    program = small.program(dialect=dialect)
    lines = read(program.text)
    assert program.text.endswith("M30\n")
    assert program.text.isascii()
    assert max(len(line) for line in program.text.splitlines()) <= 80
    for text in re.findall(r"\(([^)]*)\)", program.text):
        assert re.fullmatch(r"[A-Za-z0-9\-_.,:/=#+ ]*", text), text
    bare = re.sub(r"\([^)]*\)", "", program.text)
    assert "e" not in bare.lower()
    assert not re.search(r"-0*\.?0*(?![\d.])", bare)
    assert all(len(line.codes("M")) <= 1 for line in lines)


def test_the_negative_zero_pattern_finds_one() -> None:
    assert re.search(r"-0*\.?0*(?![\d.])", "X-0.000 Y1")
    assert not re.search(r"-0*\.?0*(?![\d.])", "X-0.001 Y1")


@EVERY
def test_preamble_states_every_mode_before_any_coordinate(dialect: Dialect) -> None:
    seen: set[float] = set()
    for line in read(small.program(dialect=dialect).text):
        moving = line.get("X") is not None and 53.0 not in line.codes("G")
        if moving:
            break
        seen |= set(line.codes("G"))
    assert seen >= MODES | {20.0 if dialect.units == "in" else 21.0, 61.0}


@EVERY
def test_sections_stand_alone(dialect: Dialect) -> None:
    program = small.program(dialect=dialect)
    retracts = len(dialect.safe_retract)
    assert [section.cutter for section in program.sections] == [1, 2, 3]
    for section in program.sections:
        lines = part(program, section.first_line, section.last_line)
        words = [line for line in lines if line.words]
        assert [line.codes("M") for line in words[:2]] == [(9.0,), (5.0,)]
        assert words[2].get("X") is None and 90.0 in words[2].codes("G")
        change = next(k for k, line in enumerate(words) if line.codes("M") == (6.0,))
        assert words[change].get("T") == section.cutter
        assert any(53.0 in line.codes("G") for line in words[:change])
        spin = next(k for k, line in enumerate(words) if line.codes("M") == (3.0,))
        # After the change: a retract and all modes, before the spindle and before any X or Y.
        between = words[change + 1 : spin]
        assert sum(53.0 in line.codes("G") for line in between) == retracts
        assert {code for line in between for code in line.codes("G")} >= MODES
        assert words[spin].get("S") == 3000.0
        assert words[spin + 1].get("P") == dialect.spin_up_s
        across, down = words[spin + 2], words[spin + 3]
        assert (across.get("Z"), across.codes("G")) == (None, (0.0,))
        assert across.get("X") is not None and across.get("Y") is not None
        assert set(down.codes("G")) == {0.0, 43.0}
        assert down.get("H") == dialect.length_offsets.get(section.cutter, section.cutter)
        assert down.get("Z") == pytest.approx(30.0 / (25.4 if dialect.units == "in" else 1.0), abs=1e-4)
        end = words[-3 - retracts :]
        assert end[0].get("Z") == down.get("Z")
        assert [line.codes("M") for line in end[1:3]] == [(9.0,), (5.0,)]
        assert all(53.0 in line.codes("G") for line in end[3:])


@EVERY
def test_nothing_moves_sideways_with_z_unknown_except_at_the_retract(dialect: Dialect) -> None:
    program = small.program(dialect=dialect)
    lines = {line.at: line for line in read(program.text)}
    for move in walk(list(lines.values())):
        if move.kind == "rapid" and move.end[2] != move.end[2]:
            # Z unknown: allowed once per section, after the retract; only comments, modes, spindle and dwell between.
            k = move.line - 1
            while 53.0 not in lines[k].codes("G"):
                assert not {0.0, 6.0} & set(lines[k].codes("M"))
                assert lines[k].get("X") is None and lines[k].get("Z") is None
                k -= 1


@EVERY
def test_first_cut_comes_after_both_checks_and_each_stop_is_followed_by_a_retract(dialect: Dialect) -> None:
    lines = read(small.program(dialect=dialect).text)
    stops = [k for k, line in enumerate(lines) if line.codes("M") == (0.0,)]
    messages = [lines[k - 1].comments[-1] for k in stops]
    assert all(message.startswith("MSG, ") for message in messages)
    assert messages[0].startswith("MSG, SEATING")
    z_check = next(k for k, message in enumerate(messages) if message.startswith("MSG, Z ZERO"))
    block = "0.3937" if dialect.units == "in" else "10.000"
    assert messages[z_check].startswith(f"MSG, Z ZERO: T1 AT Z {block}")
    assert "TAKE THE BLOCK AWAY" in messages[z_check]
    first_spindle = next(k for k, line in enumerate(lines) if line.codes("M") == (3.0,))
    assert stops[z_check] < first_spindle
    by_hand = sum("LOAD" in message for message in messages)
    assert by_hand == (3 if dialect.tool_change == "by hand" else 0)
    for k in stops:
        after = next(line for line in lines[k:] if line.codes("G") and line.get("Z") is not None)
        assert 53.0 in after.codes("G")


@EVERY
def test_index_is_exact(dialect: Dialect) -> None:
    program = small.program(dialect=dialect)
    lines = {line.at: line for line in read(program.text)}
    claimed: set[int] = set()
    ids = [(path.operation.id, item.id) for path in small.plan().toolpaths for item in path.passes]
    assert [(r.operation_id, r.pass_id) for r in program.index] == ids
    for entry in program.index:
        rows = set(range(entry.first_line, entry.last_line + 1))
        assert not rows & claimed
        claimed |= rows
        assert any(s.first_line < entry.first_line <= entry.last_line < s.last_line for s in program.sections)
        assert all(lines[k].codes("G") and not lines[k].comments for k in rows)
    cutting = {
        line.at
        for line in lines.values()
        if {1.0, 2.0, 3.0, 73.0, 81.0, 83.0} & set(line.codes("G")) and line.get("F") is not None
    }
    assert cutting and cutting <= claimed


@EVERY
def test_line_numbers_name_the_line(dialect: Dialect) -> None:
    program = small.program(dialect=dialect)
    for k, text in enumerate(program.text.splitlines(), start=1):
        if not text.startswith("("):
            assert text.startswith(f"N{k} ") == dialect.line_numbers


def test_header_says_what_it_must() -> None:
    text = small.program().text
    head = " ".join(line[1:-1].strip() for line in text[: text.index("M9")].splitlines())
    for wanted in (
        "Grafting pair",
        "0123456789abcdef" * 4,
        "setup-1",
        "STATUS: SIMULATED, NO FINDINGS. NOT YET RUN.",
        "INSIDE FACE UP: the show side lies on the bed",
        "millimetre, G21",
        "Z0: the bed under the billet",
        "X0 Y0: centre of the small dowel, front left",
        "80.000 x 50.000 mm",
        "Z 0.254 skin",
        "Z 3.654 inside face of handle-left",
        "Z 4.200 top of the billet",
        "T1 H1 carbide flat end mill diameter 6.350 mm, stickout at least 20.000",
        "T3 H13",
        "pocket 3",
        "spindle off",
        "Eye protection",
        "class D",
        "Never water",
        "hold-down",
        "reduced feed",
        "qualified people",
    ):
        assert wanted in head, wanted
    for forbidden in ("proven", "guaranteed", "safe to run"):
        assert forbidden not in text.lower()


def test_pointer_places_are_in_comments_only() -> None:
    text = small.program().text
    assert "(pointer going Y+ touches at X 5.000 Y -1.000 within 0.100 mm, edge 1)" in text
    first_move = next(line for line in read(text) if line.get("X") is not None)
    assert first_move.at > text[: text.index("MSG, Z ZERO")].count("\n")


@EVERY
def test_forced_program_keeps_its_lines(dialect: Dialect) -> None:
    program = small.program(dialect=dialect)
    forced = mark_status(program, "REFUSED, WRITTEN BY FORCE")
    before, after = program.text.splitlines(), forced.text.splitlines()
    assert len(before) == len(after)
    changed = [k for k, (a, b) in enumerate(zip(before, after, strict=True)) if a != b]
    assert changed[1:] == [section.first_line for section in program.sections]  # the second line of each
    assert all("REFUSED, WRITTEN BY FORCE" in after[k] for k in changed)
    assert "NO FINDINGS" not in forced.text
    assert (forced.index, forced.sections) == (program.index, program.sections)
    read(forced.text)


@pytest.mark.parametrize("before", ["NOT CHECKED YET", "", "STATUS: odd (text)", "A. " * 60])
def test_any_status_can_be_replaced(before: str) -> None:
    program = mark_status(small.program(), before)
    now = mark_status(program, "SIMULATED, NO FINDINGS. NOT YET RUN.")
    assert now == small.program()
    assert now.text.splitlines()[1] == "(STATUS: SIMULATED, NO FINDINGS. NOT YET RUN.)"


def test_text_without_its_status_lines_cannot_be_marked() -> None:
    program = small.program()
    with pytest.raises(Bug):
        mark_status(dataclasses.replace(program, text=program.text.replace("STATUS", "status", 1)), "X")


@EVERY
def test_same_plan_same_bytes(dialect: Dialect) -> None:
    assert small.program(dialect=dialect) == small.program(dialect=dialect)


def test_inch_and_mm_agree_within_one_unit() -> None:
    mm, inch = (walk(read(small.program(dialect=d).text)) for d in (small.MM, small.INCH))
    assert len(mm) == len(inch) > 40
    for a, b in zip(mm, inch, strict=True):
        assert a.kind == b.kind
        assert [25.4 * v for v in b.end] == pytest.approx(list(a.end), abs=0.00254, nan_ok=True)
        assert 25.4 * b.feed == pytest.approx(a.feed, rel=1e-4)
        if a.kind in ("cw", "ccw"):
            assert [25.4 * v for v in b.offset] == pytest.approx(list(a.offset), abs=0.00254)


def test_canned_and_expanded_programs_drill_the_same_bottoms() -> None:
    expanded = dataclasses.replace(small.MM, canned_cycles=frozenset())
    first, second = (bottoms(walk(read(small.program(dialect=d).text))) for d in (small.MM, expanded))
    assert first == second
    assert sum(z == 1.1 for _, _, z in first) == 3


def test_speed_changes_at_the_clearance_height() -> None:
    lines = read(small.program().text)
    k = next(k for k, line in enumerate(lines) if line.get("S") == 4000.0)
    above = next(line for line in reversed(lines[:k]) if line.get("Z") is not None)
    assert (set(above.codes("G")), above.get("Z")) == ({61.0, 0.0}, small.CLEAR)
    assert lines[k + 1].codes("G") == (4.0,)


def test_a_second_run_of_a_cutter_is_a_section_of_its_own() -> None:
    toolpaths = small.plan().toolpaths
    twice = Plan(toolpaths=(*toolpaths, dataclasses.replace(toolpaths[0])), not_cut=())
    program = small.program(twice)
    assert [section.cutter for section in program.sections] == [1, 2, 3, 1]
    assert program.text.count("MSG, Z ZERO") == 1


def test_too_few_pockets_stop_for_a_swap() -> None:
    text = small.program(dialect=dataclasses.replace(small.MM, pockets=2)).text
    assert "(MSG, POCKET 1: TAKE OUT T1, PUT IN T3, FLAT END MILL 3.000 MM, LENGTH IN H13)" in text
    read(text)


@pytest.mark.parametrize("change", [{"safe_retract": ()}, {"pockets": 0}, {"linear_decimals": 2}])
def test_machine_that_lacks_something_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(PlanError):
        small.program(dialect=dataclasses.replace(small.MM, **change))  # type: ignore[arg-type]


def test_empty_plans_and_passes_are_refused() -> None:
    with pytest.raises(PlanError):
        small.program(Plan(toolpaths=(), not_cut=()))
    empty = Toolpath(operation=small.operation("x", 1), passes=())
    with pytest.raises(Bug):
        small.program(Plan(toolpaths=(empty,), not_cut=()))
    still = small.path("still", (0, 15.1234, 18.0, small.CLEAR), (0, 15.1234, 18.0, small.CLEAR))
    with pytest.raises(Bug):
        small.program(Plan(toolpaths=(Toolpath(operation=small.operation("x", 1), passes=(still, still)),), not_cut=()))


def test_file_names() -> None:
    assert file_name("Grafting pair", "setup-1") == "grafting-pair-setup-1.ngc"
    assert file_name("../Öse (2)", "setup-1") == "ose-2-setup-1.ngc"
