"""Cutter compensation as the reader follows it: contours whose compensated path is known from plane geometry or from
the report, and what the report makes an error (NISTIR 6556 (2000), section 3.5.10 and appendix B)."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from pipeline.model.shop import Crib
from pipeline.verify.motion_time import path_lengths
from pipeline.verify.reader import read_program
from pipeline.verify.reading import ARC_CCW, ARC_CW, LINE, RAPID, Reading
from tests.reference import nist_rs274 as nist
from tests.unit.verify.text_bench import CRIB, ENDING, MACHINE, N_BEFORE, PREAMBLE, codes, cutter

ONE = Crib(name="one", cutters=(dataclasses.replace(cutter(1, 30.0), diameter_mm=1.0), cutter(2, 40.0)))
# A contour as in table 12, of our own coordinates: straight sides of 12 in all, arcs of radius 1 that turn once. It is
# written once and mirrored for the other side; the entry follows appendix B.
ENTRY = ["G0 X{-2} Y-8", "G1 X{-2} Y-6", "{comp} G1 X{-2} Y-2", "{cw} X{0} Y0 I{+2}"]
CONTOUR = ["G1 X{4}", "{ccw} X{5} Y1 J1", "G1 Y3", "{ccw} X{4} Y4 I{-1}", "G1 X{0}", "{ccw} X{-1} Y3 J-1", "G1 Y1",
           "{ccw} X{0} Y0 I{+1}"]
EXIT = ["G40 G1 X{0} Y-5"]
# Centres of the cutter at the ends of the contour's pieces: half a unit outside (plane geometry).
ENDS = [(4, -0.5), (5.5, 1), (5.5, 3), (4, 4.5), (0, 4.5), (-1.5, 3), (-1.5, 1), (0, -0.5)]


def text(lines: list[str], *, left: bool) -> list[str]:
    """The lines as written for G42, or mirrored in X for G41. X{n} are places, I{+n} offsets."""
    side = -1 if left else 1
    out = []
    for line in lines:
        for word in ("cw", "ccw"):
            line = line.replace("{" + word + "}", {True: "G2", False: "G3"}[(word == "cw") != left])
        line = line.replace("{comp}", "G41 D1" if left else "G42 D1")
        for n in range(-5, 6):
            line = line.replace(f"{{{n}}}", str(side * n)).replace(f"{{{n:+d}}}", str(side * n))
        out.append(line)
    return out


def run(lines: list[str], z: float = 5.0) -> Reading:
    """The lines after the preamble, with a cutter of diameter 1 in the spindle."""
    body = "\n".join([f"G0 Z{z}", *lines])
    return read_program(PREAMBLE + body + "\nG40\n" + ENDING, machine=MACHINE, crib=ONE)


def rows_of(reading: Reading, first: int, last: int) -> np.ndarray:
    """Rows of the lines `first` to `last`, counted from 1 at the first line given to `run`."""
    line = reading.moves.line - N_BEFORE - 1
    return np.flatnonzero((line >= first) & (line <= last))


@pytest.mark.parametrize("left", [True, False], ids=["G41, clockwise", "G42, counter-clockwise"])
def test_the_contour_of_table_12_travels_the_path_of_table_13(left: bool) -> None:
    entry, contour = text(ENTRY, left=left), text(CONTOUR, left=left)
    reading = run(entry + contour + text(EXIT, left=left))
    assert codes(reading) == ["V617"]  # that it is used at all
    rows = rows_of(reading, len(entry) + 1, len(entry) + len(contour))
    assert path_lengths(reading.moves)[rows].sum() == pytest.approx(nist.TABLE_13_PATH, abs=1e-9)
    assert pytest.approx(nist.TABLE_12["path"], abs=1e-6) == nist.TABLE_13_PATH
    side = -1 if left else 1
    assert reading.moves.end[rows, :2] == pytest.approx(np.array(ENDS) * [side, 1], abs=1e-9)
    assert len(rows) == len(contour)  # tangent joins need no arc between


@pytest.mark.parametrize("left", [True, False])
def test_both_tables_give_the_same_path(left: bool) -> None:
    """What table 13 programs without compensation is where the compensated cutter of table 12 goes."""
    side = -1 if left else 1
    nominal = ["G1 X{4}", "{ccw} X%s Y1 J1.5", "G1 Y3", "{ccw} X{4} Y4.5 I%s", "G1 X{0}", "{ccw} X%s Y3 J-1.5", "G1 Y1",
               "{ccw} X{0} Y-0.5 I%s"]
    values = iter((5.5, -1.5, -1.5, 1.5))
    nominal = [line % (side * next(values)) if "%s" in line else line for line in nominal]
    entry = text(ENTRY, left=left)
    beside = run(entry + text(CONTOUR, left=left) + text(EXIT, left=left))
    straight = run(["G0 X0 Y-8", "G1 Y-0.5", *text(nominal, left=left)])
    a, b = rows_of(beside, len(entry) + 1, len(entry) + 8), rows_of(straight, 3, 10)
    for name in ("kind", "start", "end", "feed_mm_min"):
        assert getattr(beside.moves, name)[a] == pytest.approx(getattr(straight.moves, name)[b], abs=1e-9), name
    arcs = beside.moves.kind[a] != LINE
    assert beside.moves.centre[a][arcs] == pytest.approx(straight.moves.centre[b][arcs], abs=1e-9)


def test_convex_corners_are_rolled_round() -> None:
    """Round a square of 4 with a cutter of radius 0.5: four sides, three quarter turns between them."""
    reading = run(["G0 X0 Y-3", "G41 D1 G1 X0 Y0", "Y4", "X4", "Y0", "X0", "G40"])
    rows = rows_of(reading, 4, 6)
    moves = reading.moves
    assert moves.kind[rows].tolist() == [ARC_CW, LINE] * 3
    assert path_lengths(moves)[rows].sum() == pytest.approx(12 + 3 * math.pi / 2 * 0.5, abs=1e-9)
    assert moves.end[rows][1::2, :2] == pytest.approx(np.array([(4, 4.5), (4.5, 0), (0, -0.5)]), abs=1e-9)
    assert moves.centre[rows][::2] == pytest.approx(np.array([(0, 4), (4, 4), (4, 0)]), abs=1e-9)
    assert codes(reading) == ["V617"]


def test_first_move_and_exit() -> None:
    """The first move ends where the cutter touches the point, its centre square to the way there: with a radius of 0.5
    and 1.3 to go, 1.2 are travelled (a 5-12-13 triangle). After G40 the way goes on from where the cutter stands."""
    reading = run(["G0 X0 Y0", "G42 D1 G1 X1.3 Y0", "G40 G1 X5 Y5"])
    moves = reading.moves
    first, last = rows_of(reading, 2, 3)
    assert path_lengths(moves)[first] == pytest.approx(1.2, abs=1e-12)
    assert moves.end[first, :2] == pytest.approx([1.2 * 12 / 13, -1.2 * 5 / 13], abs=1e-12)
    assert moves.start[last].tolist() == moves.end[first].tolist()
    assert moves.end[last, :2].tolist() == [5, 5]


def test_increments_count_from_the_contour() -> None:
    places = run(["G0 X0 Y-3", "G41 D1 G1 X0 Y0", "Y4", "Z4", "X4 Z3", "G40"])
    steps = run(["G0 X0 Y-3", "G41 D1 G1 X0 Y0", "G91 Y4", "Z-1", "X4 Z-1", "G90 G40"])
    assert steps.moves.end == pytest.approx(places.moves.end, abs=1e-12)
    rows = rows_of(places, 4, 5)
    assert places.moves.end[rows, 2].tolist() == [4, 4, 3]  # it rolls round the corner at the height it has


def test_a_cutter_without_radius_follows_the_contour() -> None:
    lines = ["G0 X0 Y-3", "{} G1 X0 Y0", "Y4", "X4 Y4.5", "G3 X4 Y4.5 I1", "Y0", "X0"]
    with_d0, without = (run([line.format(word) for line in lines]) for word in ("G42 D0", ""))
    assert with_d0.moves.end == pytest.approx(without.moves.end, abs=1e-12)
    assert path_lengths(with_d0.moves) == pytest.approx(path_lengths(without.moves), abs=1e-9)


def test_a_full_turn_stays_one() -> None:
    """Inside a bore of radius 5 the centre goes round on 4.5, once, wherever the rounding of its ends falls."""
    for k in range(12):
        x, y = round(5 * math.cos(k), 4), round(5 * math.sin(k), 4)
        lines = [f"G0 X{x + 0.6 * y:.4f} Y{y - 0.6 * x:.4f}", f"G41 D1 G1 X{x} Y{y}", f"G3 X{x} Y{y} I{-x} J{-y}",
                 f"G3 X{x} Y{y} I{-x} J{-y}", "G40"]
        reading = run(lines)
        (second,) = rows_of(reading, 4, 4)
        assert reading.moves.kind[second] == ARC_CCW
        assert path_lengths(reading.moves)[second] == pytest.approx(2 * math.pi * 4.5, abs=1e-3)


def test_first_move_along_an_arc() -> None:
    """Outside a circle of radius 3 about (0, 0), clockwise on the left: the cutter starts on a circle of 3.5."""
    for way in ("I-3.5", "R3"):
        reading = run(["G0 X3.5 Y0", f"G41 D1 G2 X0 Y-3 {way}", "G2 X-3 Y0 J3", "G40"])
        assert codes(reading) == ["V617"]
        rows = rows_of(reading, 2, 3)
        assert reading.moves.end[rows, :2] == pytest.approx(np.array([(0, -3.5), (-3.5, 0)]), abs=1e-9)
        assert reading.moves.centre[rows] == pytest.approx(np.zeros((2, 2)), abs=1e-9)
        assert path_lengths(reading.moves)[rows] == pytest.approx([3.5 * math.pi / 2] * 2, abs=1e-9)


def test_inverse_time_counts_the_path_of_the_cutter() -> None:
    """F 2: half a minute for the corner and the side together (section 3.5.19)."""
    reading = run(["G0 X0 Y-3", "G41 D1 G1 X0 Y0", "Y4", "G93 X4 F2", "G94 F100 G40"])
    rows = rows_of(reading, 4, 4)
    assert len(rows) == 2
    minutes = path_lengths(reading.moves)[rows] / reading.moves.feed_mm_min[rows]
    assert minutes.sum() == pytest.approx(0.5, abs=1e-12)


def test_rapids_keep_to_the_side_without_arcs() -> None:
    moves = run(["G0 X0 Y-3", "G41 D1 G0 X0 Y0", "Y4", "X4", "G40"]).moves
    rows = np.flatnonzero((moves.line > N_BEFORE + 2) & (moves.line < N_BEFORE + 6))
    assert set(moves.kind[rows].tolist()) == {RAPID}
    assert moves.end[rows[-1], :2] == pytest.approx([4, 4.5], abs=1e-12)


@pytest.mark.parametrize(("lines", "words"), [
    (["Y4", "X-4"], "concave corner of 90.0"), (["G41"], "is on"), (["G3 X0.4 Y0.4 J0.4"], "radius 0.4000"),
    (["G18"], "G18"), (["G20"], "G20"), (["G49"], "G49"), (["G43 H1"], "G43"), (["G55"], "G55"), (["G54"], "G54"),
    (["G28"], "G28"), (["G30 X1"], "G30"), (["G53 G0 Z0"], "G53"), (["G92 X0"], "G92"), (["G10 L2 P1 X0"], "G10"),
    (["G81 X5 Z1 R2"], "G81"), (["T2 M6"], "a tool change"),
])  # fmt: skip
def test_what_is_an_error_while_compensation_is_on(lines: list[str], words: str) -> None:
    reading = run(["G0 X0 Y-3", "G41 D1 G1 X0 Y0", *lines, "G40 G17 G21 G54"])
    found = [f for f in reading.findings if f.code == "V639"]
    assert found, reading.findings
    assert words in found[0].found
    assert found[0].line == N_BEFORE + 3 + len(lines)


@pytest.mark.parametrize(("lines", "code"), [
    (["G18 G41 D1"], "V639"), (["G41 D1 G1 X0.4"], "V639"), (["G41 D1 G1 Z3"], "V639"),
    (["G41 D1 G3 X2 Y0 I1"], "V639"), (["G41 D2 G1 X5"], "V639"),
    (["G41 D7 G1 X5"], "V623"), (["G41 D-1"], "V602"), (["G42 D1.5"], "V602"),
    (["G41 D1 G1 X5", "G38.2 X9"], "V617"),
])  # fmt: skip
def test_what_is_an_error_when_it_begins(lines: list[str], code: str) -> None:
    reading = run(["G0 X0 Y0", *lines, "G40 G17"])
    assert (code, N_BEFORE + 2 + len(lines)) in [(f.code, f.line) for f in reading.findings]


def test_switching_off_what_is_off_is_nothing() -> None:
    reading = run(["G40", "G40 G1 X1"])
    assert codes(reading) == []
    assert CRIB.cutter(1).diameter_mm == 3.0  # the bench's own cutter is another one than here
