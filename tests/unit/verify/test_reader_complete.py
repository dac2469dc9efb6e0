"""What the report has beyond G0 to G3 and drilling: each followed exactly, and found where a shop should not use it.

Source, unless a test says otherwise: NISTIR 6556 (2000); sections in the docstrings. Values by plain arithmetic.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from pipeline.verify import record
from pipeline.verify.motion_time import path_lengths
from pipeline.verify.reader import EXTENSIONS, read_program
from pipeline.verify.reading import LINE, Reading
from tests.unit.verify.text_bench import CRIB, ENDING, MACHINE, N_BEFORE, PREAMBLE, changed, codes, own, read


def spindles(reading: Reading) -> list[int]:
    """How the spindle turns in the moves of line 10."""
    return [int(s) for s in reading.moves.spindle[reading.moves.line == N_BEFORE + 1]]


def test_back_boring() -> None:
    """3.5.16.7: past the hole with a stopped cutter moved aside by I J, up to K from below, and out the same way."""
    reading = read("G99 G87 X10 Y5 Z-8 R2 I-3 J1 K-4\nG80", at=(0, 0, 5))
    assert codes(reading) == ["V617"]
    assert own(reading) == [
        ("rapid", 10, 5, 5), ("rapid", 10, 5, 2), ("rapid", 7, 6, 2), ("rapid", 7, 6, -8), ("rapid", 10, 5, -8),
        ("feed", 10, 5, -4), ("feed", 10, 5, -8), ("rapid", 7, 6, -8), ("rapid", 7, 6, 2), ("rapid", 10, 5, 2),
    ]  # fmt: skip
    assert spindles(reading) == [1, 1, 1, 0, 0, 1, 1, 0, 0, 0]
    assert reading.moves.spindle[-1] == 0  # M5 of the ending; before it the cycle had started the spindle again
    steps = own(read("G91 G99 G87 X10 Y5 Z-10 R-3 I-3 J1 K4\nG80 G90", at=(0, 0, 5)))
    assert steps == own(reading)  # G91: R from where it stands, Z from R, K from Z; I and J are always steps


def test_back_boring_words_stay_for_the_series() -> None:
    moves = own(read("G99 G87 X10 Y5 Z-8 R2 I-3 J1 K-4\nX20\nG80", at=(0, 0, 5)))
    assert moves[11:] == [(what, x + 10, y, z) for what, x, y, z in moves[2:10]]


def test_tapping() -> None:
    """3.5.16.4: feed in, reverse, feed out, forward again; the spindle must turn clockwise."""
    reading = read("G99 G84 X1 Y2 Z-3 R1\nG1 X2\nG80", at=(0, 0, 5))
    assert codes(reading) == ["V617"]
    assert own(reading)[:4] == [("rapid", 1, 2, 5), ("rapid", 1, 2, 1), ("feed", 1, 2, -3), ("feed", 1, 2, 1)]
    assert spindles(reading) == [1, 1, 1, -1]
    assert reading.moves.spindle[reading.moves.line == N_BEFORE + 2].tolist() == [1]
    standstill = reading.moves.exact_stop[reading.moves.line == N_BEFORE + 1]
    assert standstill.tolist() == [False, False, True, True]
    assert "V619" in codes(read("M5\nM4\nG99 G84 X1 Y2 Z-3 R1\nG80", at=(0, 0, 5)))


@pytest.mark.parametrize("code", ["G84", "G86 P1", "G87 I1 J1 K1", "G88 P1"])
def test_cycles_that_need_a_turning_spindle(code: str) -> None:
    reading = read(f"M5\nG99 {code} X1 Y2 Z-3 R1\nG80", at=(0, 0, 5))
    assert "V619" in codes(reading)
    assert own(reading) == []


def test_boring_with_a_stop() -> None:
    """3.5.16.8: dwell, spindle stop, program stop; the operator lifts the cutter out."""
    reading = read("(MSG, LIFT IT OUT)\nG99 G88 X1 Y2 Z-3 R1 P0.5\nG80", at=(0, 0, 5))
    assert codes(reading) == ["V617"]
    stop = reading.stops[-1]
    assert (stop.word, stop.line, stop.spindle, stop.message) == ("M0", 11, 0, "LIFT IT OUT")
    assert reading.dwell_s == {11: 0.5}
    assert reading.moves.end[stop.before_move - 1].tolist() == [1, 2, -3]
    assert reading.moves.end[stop.before_move].tolist() == [1, 2, 1]
    assert reading.moves.spindle[stop.before_move] == 0


def test_spindle_runs_on_after_a_cycle_that_stopped_it() -> None:
    moves = read("M5\nM4\nG99 G86 X1 Y2 Z-3 R1 P0\nG1 X5\nG80", at=(0, 0, 5)).moves
    assert moves.spindle[moves.line == N_BEFORE + 3].tolist() == [-1, -1, -1, 0]
    assert moves.spindle[moves.line == N_BEFORE + 4].tolist() == [-1]


@pytest.mark.parametrize(("line", "code"), [
    ("G87 X1 Y2 Z-3 R1 I1 J1", "V610"), ("G87 X1 Y2 Z-3 R1 I1 J1 K-4", "V619"),
    ("G87 X1 Y2 Z-3 R1 I1 J1 K1 P1", "V609"),
    ("G83 Z-9 X1 R1 Q0.01 L100", "V619"), ("G81 X1 Z-1 R1 L1001", "V619"), ("G81 X1 Z-1 R1 L1000000000", "V602"),
    ("G81 X1 Z-1 R1 L9999999", "V619"), ("G81 X1 Z-1 R1 L-1", "V619"),
])  # fmt: skip
def test_cycles_that_are_errors(line: str, code: str) -> None:
    reading = read(line + "\nG80", at=(0, 0, 5))
    assert (code, N_BEFORE + 1) in [(f.code, f.line) for f in reading.findings]
    assert own(reading) == []


def test_height_of_one_cycle_kept_for_the_next() -> None:
    """R is sticky (3.5.16); that another cycle takes it over is found, and followed."""
    reading = read("G99 G81 X1 Y1 Z-1 R1\nG82 X2 Z-2 P0\nG80\nG0 X0\nG81 X3 Z-1", at=(0, 0, 5))
    assert [(f.code, f.line) for f in reading.findings] == [("V619", 11), ("V610", 14)]
    assert [row for row in own(reading) if row[0] == "feed"] == [("feed", 1, 1, -1), ("feed", 2, 1, -2)]


def test_cycles_in_the_other_planes() -> None:
    """G18 drills along Y, G19 along X; the letters turn with the plane (3.5.16)."""
    plain = own(read("G99 G82 X1 Y2 Z-3 R1 P0\nG80", at=(0, 0, 5)))
    for plane, words, order in (("G18", "Z1 X2 Y-3", (2, 0, 1)), ("G19", "Y1 Z2 X-3", (1, 2, 0))):
        start = {"G18": (0, 5, 0), "G19": (5, 0, 0)}[plane]
        reading = read(f"{plane} G99 G82 {words} R1 P0\nG80 G17", at=start)
        assert codes(reading) == []
        assert [(row[0], *(row[1 + order[i]] for i in range(3))) for row in own(reading)] == plain


def test_bores_in_another_plane_move_aside_in_it() -> None:
    moves = own(read("G18 G99 G87 Z10 X5 Y-8 R2 K-3 I1 J-4\nG80 G17", at=(0, 5, 0)))
    assert moves[2:5] == [("rapid", 6, 2, 7), ("rapid", 6, -8, 7), ("rapid", 5, -8, 10)]
    assert moves[5] == ("feed", 5, -4, 10)


def test_helices_in_the_other_planes() -> None:
    """A quarter turn of radius 6 that rises 4 on its axis is sqrt((3 pi)^2 + 16) long; F is along it (2.1.2.5)."""
    length = math.hypot(3 * math.pi, 4)
    for line, start, axis in (("G18 G3 Z6 X6 I6 Y14", (0, 10, 0), 1), ("G19 G3 Y6 Z6 J-0 K6 X14", (10, 0, 0), 0)):
        reading = read(f"G93 {line} F2\nG94 G17 F100", at=start)
        rows = np.flatnonzero(reading.moves.line == N_BEFORE + 1)
        assert codes(reading) == []
        assert path_lengths(reading.moves)[rows].sum() == pytest.approx(length, abs=2e-3)
        assert reading.moves.feed_mm_min[rows] == pytest.approx(2 * length, abs=1e-9)
        assert reading.moves.end[rows[-1]].tolist() == [14.0 if i == axis else 6.0 for i in range(3)]
        rise = np.diff(reading.moves.end[rows, axis])
        assert rise == pytest.approx(rise[0], abs=1e-9)


def test_an_arc_beyond_any_machine_is_not_made_into_chords() -> None:
    """2 pi / 20000 a chord, sagitta 0.0005 mm, is reached at a radius of 8 x 0.0005 / (2 pi / 20000)^2 = 40.5 m."""
    for radius, n in ((40_000, 1), (41_000, 0)):
        reading = read(f"G18 G2 X0 Z5 K{radius}\nG17", at=(0, 0, 5))
        assert [f.code for f in reading.findings].count("V618") == 1 - n


def test_exact_stop_of_an_arc_is_at_its_end() -> None:
    moves = read("G61.1 G18 G2 Z6 X6 I6\nG17 G64", at=(0, 10, 0)).moves
    stops = moves.exact_stop[moves.line == N_BEFORE + 1]
    assert stops.tolist() == [False] * (len(stops) - 1) + [True]


def test_probing_is_found_and_then_the_place_is_not_known() -> None:
    """3.5.9: where it touches depends on the work."""
    reading = read("G38.2 Z2 F50\nG1 X3\nG0 Z20\nG1 X4", at=(0, 0, 5))
    assert [(f.code, f.line) for f in reading.findings] == [("V617", 10), ("V626", 11)]
    assert own(reading)[0] == ("feed", 0, 0, 2)
    assert codes(read("G38.2 Z4.9 F50", at=(0, 0, 5))) == ["V617"]
    assert own(read("G38.2 Z4.9 F50", at=(0, 0, 5))) == []
    assert "V615" in codes(read("G38.2 Z2 F50\nG0 Z#5063", at=(0, 0, 5)))


def test_homes_from_the_programs_own_parameters() -> None:
    """3.5.8 and table 2: 5161 on for G28, 5181 on for G30, in the machine frame; the bed's origin there is known."""
    bed = MACHINE.bed_origin_mm
    reading = read("#5161=-200 #5162=-50 #5163=-20\nG28 Z30\n#5181=-100\nG30", at=(1, 2, 5))
    assert {f.code for f in reading.findings} == {"V615", "V625"}
    assert own(reading) == [
        ("rapid", 1, 2, 30), ("rapid", -200 - bed[0], -50 - bed[1], -20 - bed[2] - 30),
        ("rapid", -100 - bed[0], 0 - bed[1], 0 - bed[2] - 30),
    ]  # fmt: skip


def test_origins_set_by_g10_and_by_parameters() -> None:
    """3.5.5: axes named only, in the machine frame; a parameter counts from the next time its system is selected."""
    bed = MACHINE.bed_origin_mm
    set_by_word = read(f"G10 L2 P2 X{bed[0] + 7} Y{bed[1] - 2} Z{bed[2]}\nG55 G0 X1 Y1\nG54 G0 X1 Y1", at=(0, 0, 5))
    set_by_parameter = read(f"#5241={bed[0] + 7} #5242={bed[1] - 2} #5243={bed[2]}\nG55 G0 X1 Y1\nG54 X1 Y1",
                            at=(0, 0, 5))
    assert own(set_by_word) == own(set_by_parameter) == [("rapid", 8, -1, 5), ("rapid", 1, 1, 5)]
    now = read(f"G10 L2 P1 X{bed[0] + 7}\nG0 X1\n#5221={bed[0]}\nG0 X1\nG54 X1", at=(0, 0, 5))
    assert [row[1] for row in own(now)] == [8, 8, 1]
    assert set(codes(now)) == {"V625", "V615"}


def test_parameters_that_the_program_filled_may_be_read() -> None:
    reading = read("G10 L2 P3 X-120\nG92 X5\nG0 X[#5261 + 130]\nG0 X#5211\nG92.1\nG0 X#5211\nX#5220", at=(4, 0, 5))
    assert set(codes(reading)) == {"V625"}
    assert [row[1] for row in own(reading)] == [10 - 1, -1 - 1, 0, 1]  # G92 X5 at 4 is an offset of -1
    assert "V615" in codes(read("G0 X#5161"))


def test_g92_from_parameters() -> None:
    assert own(read("#5211=3\nG92.3\nG0 X1", at=(0, 0, 5))) == [("rapid", 4, 0, 5)]


def test_pallet_stop() -> None:
    reading = read("M5\nM60")
    assert codes(reading) == ["V617"]
    assert reading.stops[-1].word == "M0"


def test_headings_are_comments_alone_on_their_line() -> None:
    body = """(handle-left/inside-face/face, T1, Z 4.8800 to 4.3000)
G1 X1 (a remark)
N20 ( pocket )
(MSG, look)
( msg , look)
(one) (two)
/(deleted)
()
(not a, MSG)
(broken"""
    reading = read(body)
    assert reading.headings == (
        (10, "handle-left/inside-face/face, T1, Z 4.8800 to 4.3000"), (12, "pocket"), (15, "two"), (18, "not a, MSG"),
    )  # fmt: skip
    assert read_program(PREAMBLE + ENDING, machine=MACHINE, crib=CRIB).headings == ()


def test_tolerance_word_of_a_control_that_has_one() -> None:
    """Not in the report: G64 P is declared by the machine file, and may not round more than the budget allows."""
    has = changed(extensions=frozenset({"G64 P"}), blend_mm=0.01)
    assert codes(read("G64 P0.01\nG1 X1", machine=has)) == []
    assert codes(read("G64 P0.02\nG1 X1", machine=has)) == ["V636"]
    assert codes(read("G64 P-1", machine=has)) == ["V602"]
    assert codes(read("G64 P0.01 G4 X1", machine=has)) == ["V609"]
    (finding,) = read("G1 X1\nG64 P0.01 G1 X2\nX3").findings
    assert (finding.code, finding.line) == ("V636", 11)
    inch = dataclasses.replace(has, dialect=dataclasses.replace(has.dialect, units="in"))
    assert codes(read("G64 P.0003", machine=inch)) == []
    assert codes(read("G64 P.0005", machine=inch)) == ["V636"]


def test_semicolons_of_a_control_that_has_them() -> None:
    has = changed(extensions=frozenset({";"}))
    body = "G1 X1 ; X2 (three\n;heading\n(a;b) X4 ;\n; MSG, look\n;"
    reading = read(body, machine=has)
    assert codes(reading) == []
    assert [row[1] for row in own(reading)] == [1, 4]
    assert reading.headings == ((11, "heading"),)
    assert set(codes(read(body))) == {"V601", "V603"}


def test_an_extension_nobody_knows() -> None:
    assert {"G64 P", ";"} == EXTENSIONS
    (finding,) = read("G1 X1", machine=changed(extensions=frozenset({"G5.1", "G64 P"}))).findings
    assert finding.code == "V636"
    assert "'G5.1'" in finding.found


def test_a_program_of_too_many_moves_ends_with_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record, "MOST_MOVES", 3000)
    for body in ("G1 X1\nX2\n" * 2000, "(a)\nG1 X[1]\n" * 3500, "G99 G83 X1 Z-1 R1 Q0.1 L90\n" * 9):
        reading = read(body, at=(0, 0, 5))
        assert reading.findings[-1].code == "V617", body[:20]
        assert "moves" in reading.findings[-1].found
        assert 2700 < len(reading.moves.kind) <= 3000


def test_the_feed_of_an_inverse_time_line_without_length_is_zero() -> None:
    moves = read("G93 G1 X0 Y0 F2\nG94 F100").moves
    assert moves.feed_mm_min[(moves.kind == LINE) & (moves.line == N_BEFORE + 1)].tolist() == [0]
