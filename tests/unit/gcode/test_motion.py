"""Rows to lines: rapids in a safe order, arcs that stay arcs, holes with the right bottoms."""

from __future__ import annotations

import dataclasses
import math

import pytest

from pipeline.errors import Bug, PlanError
from pipeline.gcode.arcs import chord_angle_rad
from pipeline.gcode.comments import Lines
from pipeline.gcode.motion import Cursor
from pipeline.gcode.words import Format
from pipeline.model.shop import Dialect
from pipeline.model.toolpath import HolePass, PathPass
from tests.reference import rs274
from tests.unit.gcode import small
from tests.unit.gcode.walk import Move, bottoms, read, walk

CLEAR = small.CLEAR


def written(item: PathPass | HolePass, dialect: Dialect = small.MM) -> tuple[list[str], list[Move]]:
    """Lines and moves of one pass, from a cutter waiting over (0, 0) at the safe height."""
    lines = Lines(numbered=False)
    cursor = Cursor(lines, form=Format.of(dialect, machine="mill"), dialect=dialect, clearance_mm=CLEAR)
    cursor.over(0.0, 0.0)
    cursor.down_to_safe(small.SAFE, offset=1)
    if isinstance(item, PathPass):
        cursor.path(item)
    else:
        cursor.hole(item)
    text = lines.text()
    return text.splitlines()[2:], walk(read(text + "M2\n"))[2:]


def test_rapids_never_move_across_and_down_together() -> None:
    lines, moves = written(small.face())
    assert lines[:3] == ["G0 X15.123 Y18.000", "G0 Z10.000", "G0 Z5.000"]
    for move in moves:
        if move.kind == "rapid":
            across = move.start[:2] != move.end[:2]
            assert not (across and move.start[2] != move.end[2])
            assert not across or move.end[2] >= CLEAR


@pytest.mark.parametrize(
    "rows",
    [
        [(0, 5, 5, CLEAR), (0, 5, 5, 2.0), (0, 6, 5, 2.0), (0, 6, 5, CLEAR)],  # sideways below the clearance height
        [(0, 5, 5, 4.0), (0, 5, 5, CLEAR)],  # does not start at the clearance height
        [(0, 5, 5, CLEAR), (1, 5, 5, 2.0, 0, 0, 50.0)],  # does not end there
        [(0, 5, 5, CLEAR), (1, 5, 5, 2.0), (0, 5, 5, CLEAR)],  # no feed
        [(0, 5, 5, CLEAR), (7, 5, 5, 2.0, 0, 0, 50.0), (0, 5, 5, CLEAR)],  # no such kind
        [(0, 5, 5, CLEAR), (2, 5, 7, CLEAR, 5, 5.5, 50.0), (0, 5, 7, CLEAR)],  # radii 0.5 and 1.5
        [(0, 5, 5, CLEAR), (1, 5, 5, 2.0, 0, 0, 0.001), (0, 5, 5, CLEAR)],  # feed rounds to nothing
    ],
)
def test_broken_passes_are_refused(rows: list[tuple[float, ...]]) -> None:
    with pytest.raises(Bug):
        written(small.path("bad", *rows))


def test_every_motion_line_says_its_word_and_unchanged_words_are_left_out() -> None:
    lines, _ = written(small.face())
    assert all(line.removeprefix("G61 ").removeprefix("G64 ").startswith(("G0 ", "G1 ")) for line in lines)
    assert lines[3:5] == ["G64 G1 Z3.654 F60.00", "G1 X44.000 F240.00"]


@pytest.mark.parametrize("dialect", [small.MM, small.INCH, dataclasses.replace(small.MM, arcs=False, helices=False)])
def test_rapids_and_holes_are_exact_and_cuts_are_blended(dialect: Dialect) -> None:
    lines = Lines(numbered=False)
    cursor = Cursor(lines, form=Format.of(dialect, machine="mill"), dialect=dialect, clearance_mm=CLEAR)
    cursor.over(0.0, 0.0)
    cursor.down_to_safe(small.SAFE, offset=1)
    cursor.path(small.face())
    for cycle in ("drill", "peck", "chip break"):
        cursor.hole(small.hole(cycle, peck=1.0))
    cursor.path(small.bore())
    cursor.up_to_safe(small.SAFE)
    word, changes = 61.0, 0
    for line in read(lines.text() + "M2\n"):
        codes = set(line.codes("G"))
        if said := codes & {61.0, 64.0}:
            assert said != {word}, "a word that is in force already"
            (word,) = said
            changes += 1
        if codes & {0.0, 73.0, 81.0, 83.0}:
            assert word == 61.0
        elif codes & {1.0, 2.0, 3.0}:
            assert word == 64.0
    assert changes == 6  # two strokes and a bore, on and off


def test_expanded_holes_are_exact_and_an_exact_machine_needs_no_words() -> None:
    lines, _ = written(small.hole("peck", peck=1.0), dataclasses.replace(small.MM, canned_cycles=frozenset()))
    assert not [line for line in lines if "G6" in line]
    lines, _ = written(small.face(), small.PLAIN)
    assert not [line for line in lines if "G6" in line]


def test_full_circle_becomes_halves_and_a_helix_turn_two_lines() -> None:
    _, moves = written(small.bore())
    arcs = [m for m in moves if m.kind == "ccw"]
    assert len(arcs) == 7  # two helix turns and a flat one in halves, and a quarter
    assert [round(m.sweep / math.pi, 6) for m in arcs] == [1.0] * 6 + [0.5]
    assert [m.end[2] for m in arcs[:4]] == pytest.approx([3.454, 3.254, 3.054, 2.854])


def test_quarters_where_the_machine_asks_for_them() -> None:
    quarters = dataclasses.replace(small.MM, longest_arc_rad=math.pi / 2)
    _, moves = written(small.bore(), quarters)
    arcs = [m for m in moves if m.kind == "ccw"]
    assert len(arcs) == 13
    assert max(m.sweep for m in arcs) == pytest.approx(math.pi / 2, abs=1e-3)


def test_direction_is_kept() -> None:
    rows = [(0, 10, 0, CLEAR), (1, 10, 0, 2, 0, 0, 50), (2, 0, 10, 2, 0, 0, 50), (0, 0, 10, CLEAR)]
    lines, _ = written(small.path("clockwise, three quarters", *rows))
    assert lines[-3:-1] == [
        "G2 X-7.0711 Y-7.0711 I-10.0000 J0.0000",
        "G2 X0.0000 Y10.0000 I7.0711 J7.0711",
    ]


def test_chords_stay_within_the_tolerance() -> None:
    straight = dataclasses.replace(small.MM, arcs=False, helices=False, chord_mm=0.005)
    _, moves = written(small.bore(x=30.0, y=24.0, radius=5.0), straight)
    assert {m.kind for m in moves} == {"rapid", "feed"}
    worst = 0.0
    for move in moves[4:-3]:
        middle = [(a + b) / 2 for a, b in zip(move.start, move.end, strict=True)]
        if math.dist(move.end[:2], (30.0, 24.0)) > 4.99:
            worst = max(worst, 5.0 - math.dist(middle[:2], (30.0, 24.0)))
    assert 0.0045 < worst < 0.005 + 0.0008  # the tolerance and the rounding of two ends


def test_chord_length_formula() -> None:
    r, e = rs274.CHORD["radius"], rs274.CHORD["sagitta"]
    assert 2 * r * math.sin(chord_angle_rad(r, e) / 2) == pytest.approx(rs274.CHORD["chord"], rel=1e-6)


def test_flat_arcs_stay_arcs_where_only_helices_are_missing() -> None:
    flat = dataclasses.replace(small.MM, helices=False)
    lines, _ = written(small.bore(), flat)
    arcs = [line for line in lines if line.startswith("G3")]
    assert len(arcs) == 3
    assert all(" Z" not in line for line in arcs)


def test_a_flat_arc_never_gets_a_height_from_rounding() -> None:
    # 3.65449 mm is 3.654 on a straight move and 3.6545 on an arc line: that must not make a helix of a flat arc.
    rows = [(0, 10, 0, CLEAR), (1, 10, 0, 3.65449, 0, 0, 50), (2, -10, 0, 3.65449, 0, 0, 50), (0, -10, 0, CLEAR)]
    lines, _ = written(small.path("flat", *rows))
    assert "G2 X-10.0000 Y0.0000 I-10.0000 J0.0000" in lines


def test_arc_without_chord_but_not_on_its_start_never_turns() -> None:
    tiny = 3e-7
    rows = [(0, 10, 0, CLEAR), (1, 10, 0, 2, 0, 0, 50), (3, 10, tiny, 2, 0, 0, 50), (0, 10, tiny, CLEAR)]
    lines, _ = written(small.path("tiny", *rows))
    assert not [line for line in lines if line.startswith(("G2", "G3"))]


def peck_hole(cycle: str) -> HolePass:
    """The report's peck example, in inch."""
    inch = 25.4
    r, z, q = (rs274.PECK[k] * inch for k in "RZQ")
    return dataclasses.replace(small.hole(cycle), retract_z_mm=r, bottom_z_mm=z, peck_mm=q)


@pytest.mark.parametrize("canned", [frozenset[str](), frozenset({"G81", "G83", "G73"})])
@pytest.mark.parametrize("cycle", ["peck", "chip break"])
def test_pecks_end_where_the_report_says(canned: frozenset[str], cycle: str) -> None:
    _, moves = written(peck_hole(cycle), dataclasses.replace(small.INCH, canned_cycles=canned))
    assert [end[2] for end in bottoms(moves)] == pytest.approx(rs274.PECK_BOTTOMS, abs=1e-9)


@pytest.mark.parametrize("dialect", [small.MM, small.INCH])
@pytest.mark.parametrize(("cycle", "code"), [("drill", "G81"), ("peck", "G83"), ("chip break", "G73")])
def test_canned_and_expanded_holes_agree(dialect: Dialect, cycle: str, code: str) -> None:
    item = small.hole(cycle, peck=0.777)
    lines, canned = written(item, dialect)
    assert any(line.startswith(f"G98 {code} ") for line in lines)
    assert lines[lines.index(next(line for line in lines if code in line)) + 1] == "G80"
    others, expanded = written(item, dataclasses.replace(dialect, canned_cycles=frozenset()))
    assert not [line for line in others if code in line]
    assert bottoms(canned) == bottoms(expanded)
    assert {m.feed for m in canned if m.kind == "feed"} == {m.feed for m in expanded if m.kind == "feed"}
    assert canned[-1].end == expanded[-1].end
    assert canned[-1].end[2] == pytest.approx(CLEAR / Format.of(dialect, machine="mill").mm_per_unit, abs=5e-5)


def test_full_pecks_clear_to_the_retract_plane_and_come_back_above_the_bottom() -> None:
    lines, _ = written(small.hole("peck", peck=2.0), dataclasses.replace(small.MM, canned_cycles=frozenset()))
    assert lines[2:] == ["G0 Z4.800", "G1 Z2.800 F60.00", "G0 Z4.800", "G0 Z3.050", "G1 Z1.100", "G0 Z10.000"]


def test_chip_breaking_backs_off_without_clearing() -> None:
    lines, _ = written(small.hole("chip break", peck=2.0), dataclasses.replace(small.MM, canned_cycles=frozenset()))
    assert lines[2:] == ["G0 Z4.800", "G1 Z2.800 F60.00", "G0 Z3.050", "G1 Z1.100", "G0 Z10.000"]


def test_a_cycle_without_a_peck_goes_in_one() -> None:
    lines, _ = written(small.hole("peck", peck=0.0))
    assert lines[2] == "G98 G81 X25.000 Y25.000 Z1.100 R4.800 F60.00"


@pytest.mark.parametrize(
    "change",
    [{"bottom_z_mm": 4.8}, {"retract_z_mm": 10.1}, {"peck_mm": 0.0002}, {"peck_mm": -1.0}, {"feed_mm_min": 0.0}],
)
def test_impossible_holes_are_refused(change: dict[str, float]) -> None:
    with pytest.raises(Bug):
        written(dataclasses.replace(small.hole("peck"), **change))  # type: ignore[arg-type]


def test_expanding_pecks_needs_a_back_off() -> None:
    none = dataclasses.replace(small.MM, canned_cycles=frozenset(), peck_backoff_mm=0.0)
    with pytest.raises(PlanError):
        written(small.hole("peck"), none)


def test_a_lift_after_an_arc_goes_straight_up() -> None:
    # X ends on 9.23884 mm: 9.2388 on the arc line, which no straight move can say. A lift must not correct it.
    x, y = 10 * math.cos(math.pi / 8), 10 * math.sin(math.pi / 8)
    rows = [(0, 10, 0, CLEAR), (1, 10, 0, 2, 0, 0, 50), (3, x, y, 2, 0, 0, 50), (0, x, y, 3.0), (0, x, y, CLEAR)]
    lines, _ = written(small.path("lift", *rows))
    assert lines[-3:] == ["G3 X9.2388 Y3.8268 I-10.0000 J0.0000", "G61 G0 Z3.000", "G0 Z10.000"]


def test_a_line_after_an_arc_keeps_the_axis_that_stays() -> None:
    x, y = 10 * math.cos(math.pi / 8), 10 * math.sin(math.pi / 8)
    rows = [(0, 10, 0, CLEAR), (1, 10, 0, 2, 0, 0, 50), (3, x, y, 2, 0, 0, 50), (1, 20, y, 2, 0, 0, 50)]
    lines, _ = written(small.path("line", *rows, (0, 20, y, CLEAR)))
    assert lines[-2:] == ["G1 X20.000", "G61 G0 Z10.000"]


def test_an_end_straight_outward_from_the_start_is_no_turn() -> None:
    rows = [(0, 10, 0, CLEAR), (1, 10, 0, 2, 0, 0, 50), (3, 10.00005, 0, 2, 0, 0, 50), (0, 10.00005, 0, CLEAR)]
    lines, _ = written(small.path("outward", *rows))
    assert not [line for line in lines if line.startswith(("G2", "G3"))]


def test_a_slanted_rapid_goes_up_before_it_goes_across() -> None:
    rows = [(0, 5, 5, CLEAR), (1, 5, 5, 2, 0, 0, 50), (0, 9, 5, CLEAR), (0, 12, 5, CLEAR + 2), (0, 15, 5, CLEAR)]
    lines, _ = written(small.path("slanted", *rows))
    assert lines[3:] == ["G61 G0 Z10.000", "G0 X9.000", "G0 Z12.000", "G0 X12.000", "G0 X15.000", "G0 Z10.000"]
