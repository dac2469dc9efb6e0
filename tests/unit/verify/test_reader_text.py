"""The reader's rules of form: what is not understood is found, never skipped. Rules: NISTIR 6556 (2000), section 3."""

from __future__ import annotations

import math
import random
import string

import numpy as np
import pytest

from pipeline.model.findings import has_errors
from pipeline.verify.reader import read_program
from pipeline.verify.reading import LINE, RAPID
from tests.unit.verify.text_bench import CRIB, ENDING, MACHINE, PREAMBLE, changed, codes, own, read


def test_the_preamble_of_these_tests_is_clean() -> None:
    reading = read("G1 X1")
    assert reading.findings == ()
    assert reading.units == "mm"
    assert own(reading) == [("feed", 1, 0, 20)]
    assert reading.n_lines == 15


@pytest.mark.parametrize(("line", "code"), [
    ("E1", "V601"), ("O100", "V601"), ("U1", "V601"), ("V1", "V601"), ("W1", "V601"), ("G0 X1 ; words", "V601"),
    ("G0 X1 é", "V601"), ("X1e-05", "V601"), ("G0 X1 $", "V601"), ("G0 ſ1", "V601"), ("O<part> call", "V601"),
    ("X", "V602"),
    ("G1 X1,5", "V601"), ("G1 X--3", "V602"), ("G1 X.", "V602"), ("T1.5", "V602"), ("H1", "V609"), ("M3.5", "V602"),
    ("(one (two))", "V603"), ("(open", "V603"), ("closed)", "V603"), ("G0 X(half)1", "V602"),
    ("G0 X1" + " " * 252, "V604"),
    ("N123456 G0 X1", "V605"), ("N-1 G0 X1", "V605"), ("G0 X1 N5", "V605"), ("N5.5 G0 X1", "V605"), ("N G0 X1", "V605"),
    ("X1 X2", "V606"), ("S1 S1", "V606"), ("M3 M6 M8 M48 M0", "V606"), ("G1 G2 X1 I1", "V607"), ("G90 G91", "V607"),
    ("M3 M4", "V607"), ("M7 M8", "V607"), ("G0 G0 X1", "V607"), ("G44 H1", "V608"), ("G64.5", "V608"),
    ("M98 P5", "V608"),
    ("M19", "V608"), ("G5 X1", "V608"), ("G1 X1 P5", "V609"), ("A10", "V609"), ("G0 X1 I1", "V609"), ("L2", "V609"),
    ("G49 H1", "V609"), ("D1", "V609"), ("G1 F100", "V610"), ("G0", "V610"), ("G4", "V610"), ("G43 Z1", "V610"),
    ("G92", "V610"), ("G0 X1 %", "V611"), ("G20", "V612"), ("/G0 X1", "V614"), ("G1 X1 /", "V614"), ("#5221=3", "V615"),
    ("G0 X#5221", "V615"), ("G80 X1", "V616"), ("G92 G1 X1", "V616"), ("G28 G0 X1", "V616"), ("G53 X1 G2 I1", "V616"),
    ("G53", "V616"), ("G41 D1", "V617"), ("G42", "V617"), ("G38.2 X1", "V617"), ("M60", "V617"),
    ("G10 L1 P1 Z5", "V617"),
    ("G4 P-1", "V602"), ("F-1", "V602"), ("S-1", "V602"), ("T-1", "V602"), ("F0 G1 X1", "V620"), ("M5 G1 X1", "V621"),
    ("T1 M6", "V622"), ("T9", "V623"), ("M5 M9 M6", "V622"), ("G43 H5", "V624"), ("G43 H0", "V624"),
    ("G43 H12", "V624"),
    ("G55", "V625"), ("G10 L2 P1 X3", "V625"), ("G30", "V625"), ("G28 Z20", "V625"), ("M0", "V627"),
    ("G0 X99999999", "V602"), ("G0 Z500", "V630"), ("G1 X1\r F20", "V601"), ("G0 X1 \x0c", "V601"),
])  # fmt: skip
def test_what_is_found(line: str, code: str) -> None:
    reading = read("G91\nG90\n" + line)  # two lines that do nothing, so that the fault stands on line 12
    assert code in codes(reading), reading.findings
    first = next(f for f in reading.findings if f.code == code)
    assert first.line == 12
    assert "line 12" in first.where


@pytest.mark.parametrize("line", [
    "", "   \t", "(only a comment)", "N1", "N00001 G0 X1", "n99999g0x1", "G0 X 1 . 5", "g 0 x 1",
    "M8 M3 S5000 G0 X1 M48",
    "(a) G0 (b) X1 (c)", "G1 X1 (a\ttab in a comment)", "G00 X1", "G1. X1", "X+1 G0",
    "G61", "G[1] X1", "M[8]", "G1 X1 F100 S4000 T2",
])  # fmt: skip
def test_what_is_legal(line: str) -> None:
    assert read(line).findings == ()


def test_order_of_words_never_matters() -> None:
    words = ["G1", "X3", "Y4", "Z5", "F200", "S4000", "M8"]
    rng = random.Random(5)
    seen = set()
    for _ in range(20):
        rng.shuffle(words)
        reading = read(" ".join(words))
        assert reading.findings == ()
        row = int(np.flatnonzero(reading.moves.line == 10)[0])
        moves = reading.moves
        seen.add((tuple(moves.end[row]), float(moves.feed_mm_min[row]), float(moves.rpm[row])))
    assert seen == {((3.0, 4.0, 5.0), 200.0, 4000.0)}


def test_change_comes_before_spindle_start() -> None:
    reading = read("M5 M9 G53 G0 Z0\nM3 S4000 M6 T2\nG53 G0 Z0\nG43 H12 G0 Z5")
    assert reading.findings == ()
    assert reading.stops[-1].word == "M6"
    assert (reading.stops[-1].tool, reading.stops[-1].spindle) == (2, 0)
    row = reading.moves.line == 12
    assert (int(reading.moves.tool[row][0]), float(reading.moves.rpm[row][0])) == (2, 4000.0)


def test_cutters_are_changed_at_the_safe_retract_only() -> None:
    assert codes(read("M5 M9\nM6 T2")) == ["V622"]
    assert codes(read("M5 M9 G53 G0 Z0\nG1 Z5\nM6 T2"))[-1] == "V622"


def test_dwell_comes_before_the_move() -> None:
    reading = read("G1 X1\nG4 P1.5 G1 X2\nG1 X3")
    assert reading.dwell_s == {11: 1.5}
    stops = [bool(reading.moves.exact_stop[reading.moves.line == n][0]) for n in (10, 11)]
    assert stops == [True, False]


def test_length_offset_comes_before_the_move() -> None:
    reading = read("G1 X1\nG0 Z1 G43 H12")
    assert own(reading)[-1] == ("rapid", 1, 0, 1 + 40 - 30)


def test_compensation_comes_before_the_move() -> None:
    """The cutter of 3 mm ends beside the point: 1.5 off, and square to its way there."""
    reading = read("G41 D1 G1 X5\nG40")
    ((kind, x, y, z),) = own(reading)
    assert codes(reading) == ["V617"]
    assert (kind, z) == ("feed", 20)
    assert math.dist((x, y), (5, 0)) == pytest.approx(1.5, abs=1e-12)
    assert x * (x - 5) + y * y == pytest.approx(0, abs=1e-12)
    assert y > 0  # left of the way to +X


def test_stop_comes_after_the_move() -> None:
    reading = read("M5\nG0 X1 M0 (MSG, LOOK)\nM3\nG1 X2")
    stop = reading.stops[-1]
    assert (stop.word, stop.line, stop.message) == ("M0", 11, "LOOK")
    assert stop.before_move == int(np.flatnonzero(reading.moves.line == 13)[0])
    assert bool(reading.moves.exact_stop[stop.before_move - 1])


def test_what_a_stop_says() -> None:
    """The message on its line, else the last comment since the last move; a message goes before a plain comment."""
    reading = read("M5\n(one)\n(MSG, two)\nM0\nG0 X1\nM0\nM1 (three)\nM0 (MSG, four) (five)")
    said = [(s.word, s.message) for s in reading.stops[2:]]
    assert said == [("M0", "two"), ("M0", ""), ("M1", "three"), ("M0", "five")]


def test_feed_and_speed_hold_for_the_line_they_stand_on() -> None:
    reading = read("G1 X1 F200 S4000\nX2")
    row = reading.moves.line >= 10
    assert reading.moves.feed_mm_min[row][:2].tolist() == [200, 200]
    assert reading.moves.rpm[row][:2].tolist() == [4000, 4000]


def test_inches() -> None:
    reading = read("G1 X1 F10\nG3 X1 Y1 J.5", machine=changed(units="in"))
    assert reading.findings == ()
    assert reading.units == "in"
    arc = reading.moves.line == 11
    assert own(reading)[0] == ("feed", 25.4, 0, pytest.approx(20.32))
    assert reading.moves.feed_mm_min[arc][0] == 254
    assert reading.moves.centre[arc][0] == pytest.approx([25.4, 12.7])


def test_wrong_unit_for_the_machine() -> None:
    assert codes(read_program(PREAMBLE.replace("G21", "G20") + ENDING, machine=MACHINE, crib=CRIB))[0] == "V612"


def test_inverse_time() -> None:
    """G93: F is 1/minutes for the move."""
    reading = read("G93 G1 X30 F2\nX0 F4\nG94 F100 X1")
    assert reading.findings == ()
    assert reading.moves.feed_mm_min[reading.moves.kind == LINE].tolist() == [60, 120, 100]
    assert "V620" in codes(read("G93 G1 X30 F2\nX0"))
    assert "V620" in codes(read("G93 G1 X30 F2\nG94 X0"))


def test_machine_frame_moves() -> None:
    reading = read("G53 G0 X-100 Z-10\nG0 X1")
    assert own(reading) == [("rapid", 200, 0, -10 + 250 - 30), ("rapid", 1, 0, 210)]
    assert reading.findings == ()


def test_incremental_moves() -> None:
    assert own(read("G91 G0 X1 Y2\nX1\nG90 X1")) == [("rapid", 1, 2, 20), ("rapid", 2, 2, 20), ("rapid", 1, 2, 20)]


def test_path_control_shows_in_the_moves() -> None:
    moves = read("G1 X1\nG61.1 X2\nG61 X3\nG64 X4").moves
    body = (moves.line >= 10) & (moves.line <= 13)
    assert moves.blend[body].tolist() == [True, False, False, True]
    assert moves.exact_stop[body].tolist() == [False, True, False, True]  # M9 follows the last


def test_retract_then_across_then_length_offset() -> None:
    """The standard beginning: retract in the machine frame, change, XY, then G43 with the first Z. Else: findings."""
    begin = "G21 G17 G90 G94 G40 G49 G80 G54 G98 G64 G92.1\n"
    good = begin + "G53 G0 Z0\nT1 M6\nG0 X1 Y1\nG43 H1 Z5\n" + ENDING
    low = begin + "G53 G0 Z0\nT1 M6\nG0 X1 Y1\nZ5\nX2\n" + ENDING
    none = begin + "T1 M6\nG0 X1 Y1\n" + ENDING
    feed = begin + "G53 G0 Z0\nT1 M6 M3 S500\nG0 X1 Y1\nG1 X5 F100\n" + ENDING
    assert codes(read_program(good, machine=MACHINE, crib=CRIB)) == []
    assert codes(read_program(low, machine=MACHINE, crib=CRIB)) == ["V624", "V624"]
    assert codes(read_program(none, machine=MACHINE, crib=CRIB)) == ["V626", "V624"]
    assert codes(read_program(feed, machine=MACHINE, crib=CRIB)) == ["V624"]


def test_offsets_from_before_the_program_are_not_known() -> None:
    text = PREAMBLE.replace(" G92.1", "") + "G92.3\nG1 X1\n" + ENDING
    assert {"V625", "V613"} <= set(codes(read_program(text, machine=MACHINE, crib=CRIB)))


def test_modes_must_be_stated() -> None:
    words = PREAMBLE.split("\n")[0].split()
    for left_out in ("G17", "G90", "G94", "G40", "G54", "G64", "G92.1"):
        text = PREAMBLE.replace("\n".join([" ".join(words)]), " ".join(w for w in words if w != left_out))
        reading = read_program(text + "G1 X1\n" + ENDING, machine=MACHINE, crib=CRIB)
        assert "V613" in codes(reading), left_out
    text = PREAMBLE.replace("G21 ", "")
    assert {"V612", "V613"} <= set(codes(read_program(text + ENDING, machine=MACHINE, crib=CRIB)))
    text = PREAMBLE.replace("G98 ", "")
    assert codes(read_program(text + "G81 X1 Z1 R2\nG80\n" + ENDING, machine=MACHINE, crib=CRIB)) == ["V613"]


@pytest.mark.parametrize(("text", "wanted"), [
    (PREAMBLE + ENDING, []), ("%\n" + PREAMBLE + ENDING + "%\n", []), ("\n%\n" + PREAMBLE + ENDING + "%\n\n", []),
    ("%\n" + PREAMBLE + ENDING, ["V611"]), (PREAMBLE + ENDING + "%\n", ["V611"]),
    (PREAMBLE + ENDING.replace("M30\n", ""), ["V611"]), (PREAMBLE + ENDING + "G0 X1\n", ["V611"]),
    (PREAMBLE + ENDING + "(a word)\n", []), ("%\n" + PREAMBLE + ENDING + "%\nG0 X1\n", ["V611"]),
    (PREAMBLE.replace("\n", "\r\n") + ENDING.replace("\n", "\r\n"), []), (PREAMBLE + ENDING.rstrip("\n"), []),
])  # fmt: skip
def test_beginning_and_end(text: str, wanted: list[str]) -> None:
    assert codes(read_program(text, machine=MACHINE, crib=CRIB)) == wanted


def test_nothing_runs_after_the_end() -> None:
    reading = read_program(PREAMBLE + "M2\nG1 X5\nG1 X6\n", machine=MACHINE, crib=CRIB)
    assert codes(reading) == ["V611", "V611"]
    assert not (reading.moves.kind == LINE).any()


@pytest.mark.parametrize("text", ["", "\n", "%", "%\n%", "()", "M2", "\0", "G", "N", "[", "#", "(", "/", "//", "\r"])
def test_next_to_nothing_is_refused(text: str) -> None:
    reading = read_program(text, machine=MACHINE, crib=CRIB)
    assert has_errors(reading.findings)
    assert len(reading.moves.kind) == 0


def test_many_faults_stay_few_findings() -> None:
    reading = read("G1 X1 Q5\n" * 5000)
    faults = [f for f in reading.findings if f.code == "V609"]
    assert 2 <= len(faults) <= 12
    assert "4992 more" in faults[-1].found
    assert faults[0].line == 10


def test_noise_never_crashes_and_is_always_refused() -> None:
    """Lines of random characters, and random words, seed 11."""
    rng = random.Random(11)
    alphabet = string.ascii_uppercase + string.digits * 3 + " .+-[]#=/()%;,\t" + "é\x00\x7f"
    words = [
        *("G0", "G1", "G2", "G3", "G18", "G81", "G83", "G91", "G92", "G28", "G43", "G53", "G10", "G20"),
        *("M2", "M3", "M6", "T2", "H1", "X1", "Y-2", "Z3", "I1", "J.5", "K2", "R2", "Q.1", "P1", "L2", "F100", "S9"),
        *("X[1/3]", "#1=2", "X#1"),
    ]
    for _ in range(400):
        noise = "".join(rng.choice(alphabet) for _ in range(rng.randrange(1, 60)))
        reading = read_program(noise, machine=MACHINE, crib=CRIB)
        assert has_errors(reading.findings), repr(noise)
        reading = read("\n".join(" ".join(rng.sample(words, rng.randrange(1, 6))) for _ in range(30)))
        assert has_errors(reading.findings)
        assert np.isfinite(reading.moves.start).all()
        assert np.isfinite(reading.moves.end).all()
        assert np.isfinite(reading.moves.feed_mm_min).all()
        assert (reading.moves.end[:-1, :2] == reading.moves.start[1:, :2]).all()  # Z jumps with each change of cutter


def test_one_character_of_noise_in_a_good_line_is_found_or_legal() -> None:
    """Every letter of the alphabet put before a good line: letters that the language has not are always found."""
    for letter in string.ascii_uppercase:
        reading = read(f"{letter}1 G1 X1.5 Y2 Z3")
        # F S T are words of their own right, N1 is a line number; M1 is a stop, but here with the spindle turning.
        assert bool(codes(reading)) == (letter not in "FSTN"), letter
    for sign in "!\"$&'*,:;<=>?@\\^_`{|}~":
        assert codes(read(f"G1 X1.5{sign}"))


def test_moves_join_up() -> None:
    rng = random.Random(3)
    body = "\n".join(f"G{rng.randrange(2)} X{rng.uniform(0, 90):.3f} Y{rng.uniform(0, 90):.3f}" for _ in range(200))
    moves = read(body).moves
    assert (moves.start[1:, :2] == moves.end[:-1, :2]).all()
    assert np.flatnonzero(moves.start[1:, 2] != moves.end[:-1, 2]).tolist() == [0]  # the change of cutter
    assert ((moves.feed_mm_min == 0) == (moves.kind == RAPID)).all()
    assert math.isclose(float(moves.end[-1, 2]), 220.0)


@pytest.mark.parametrize("odd", ["\r", "\x0b", "\x0c", "\x00", "\x1a", "\x85", "\u2028", "\xa0", "\xe9"])
def test_what_another_control_may_take_for_the_end_of_a_line(odd: str) -> None:
    """In a comment such a character would hide a move from this reader alone; a line of it is not blank either."""
    assert codes(read(f"(a remark{odd}G0 Z-1)")) == ["V601"]
    assert codes(read(odd + " ")) == ["V601"]


@pytest.mark.parametrize(("line", "code"), [
    ("/", "V614"), ("/(a remark)", "V614"), ("G92 X0", "V625"), ("G28 Z20", "V625"), ("M5\nM3\nM1", "V627"),
    ("M7", "V636"), ("M49", "V637"), ("G91\nG53 G0 Z0\nG90", "V625"),
])  # fmt: skip
def test_what_controls_read_in_their_own_way_is_an_error(line: str, code: str) -> None:
    assert [(f.code, f.severity) for f in read(line).findings] == [(code, "error")]


def test_text_after_the_second_percent_is_an_error() -> None:
    reading = read_program("%\n" + PREAMBLE + ENDING + "%\nG0 X1\n", machine=MACHINE, crib=CRIB)
    assert [(f.code, f.severity) for f in reading.findings] == [("V611", "error")]
