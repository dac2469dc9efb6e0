"""The reader against the worked facts of the report on the language. Values and sources: tests/reference."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.verify.motion_time import path_lengths
from pipeline.verify.reading import ARC_CCW, ARC_CW, LINE
from tests.reference import nist_rs274 as nist
from tests.unit.verify.text_bench import changed, codes, own, read

INCH = changed(units="in")


def test_centre_format_arc() -> None:
    reading = read(nist.CENTRE_ARC["line"], at=nist.CENTRE_ARC["start"])
    arc = int(np.flatnonzero(reading.moves.kind == ARC_CW)[0])
    assert reading.findings == ()
    assert reading.moves.centre[arc] == pytest.approx(nist.CENTRE_ARC["centre"], abs=1e-9)
    assert reading.moves.end[arc] == pytest.approx(nist.CENTRE_ARC["end"], abs=1e-9)
    radius = math.dist(reading.moves.end[arc, :2], reading.moves.centre[arc])
    assert radius == pytest.approx(nist.CENTRE_ARC["radius"], abs=1e-9)


def test_radius_format_arc_with_an_expression() -> None:
    reading = read(nist.RADIUS_ARC["line"], at=nist.RADIUS_ARC["start"])
    arc = int(np.flatnonzero(reading.moves.kind == ARC_CW)[0])
    assert reading.findings == ()
    assert reading.moves.end[arc] == pytest.approx(nist.RADIUS_ARC["end"], abs=1e-9)
    assert reading.moves.centre[arc] == pytest.approx(nist.RADIUS_ARC["centre"], abs=nist.RADIUS_ARC["digits"])


@pytest.mark.parametrize(("word", "radius", "degrees"), [
    ("G2", 2, 60), ("G2", -2, 300), ("G3", 2, 60), ("G3", -2, 300),
])  # fmt: skip
def test_radius_format_turns_the_short_or_the_long_way(word: str, radius: float, degrees: float) -> None:
    """A chord as long as the radius spans 60 degrees, or 300 the other way round (plane geometry)."""
    reading = read(f"{word} X2 R{radius}", at=(0, 0, 5))
    arc = int(np.flatnonzero(reading.moves.kind >= ARC_CW)[0])
    assert reading.findings == ()
    assert path_lengths(reading.moves)[arc] == pytest.approx(2 * math.radians(degrees), rel=1e-12)


@pytest.mark.parametrize("name", nist.CYCLES)
def test_drilling_cycles(name: str) -> None:
    start, line, wanted = nist.CYCLES[name]
    # The session's log runs in exact path within the cycle, though G64 is in force.
    reading = read(line + "\nG80 G90", at=start)
    moves = own(reading)
    assert reading.findings == ()
    assert [m[0] for m in moves] == [w[0] for w in wanted]
    assert np.array([m[1:] for m in moves]) == pytest.approx(np.array([w[1:] for w in wanted], float), abs=1e-9)
    drilled = np.isin(reading.moves.line, [reading.moves.line[reading.moves.kind == LINE][0]])
    assert not reading.moves.blend[drilled].any()
    assert reading.moves.blend[~drilled].all()


def test_peck_bottoms() -> None:
    reading = read("G99 G83 X1 Y1 Z-1.1 R0.2 Q0.21\nG80 G98", at=(0, 0, 5), machine=INCH)
    bottoms = [m[3] / 25.4 for m in own(reading) if m[0] == "feed"]
    assert reading.findings == ()
    assert bottoms == pytest.approx(nist.PECK_BOTTOMS, abs=1e-9)


def test_peck_lengths() -> None:
    p = nist.PECK_LENGTHS
    back = changed(units="in", peck_backoff_mm=p["b"] * 25.4)
    reading = read(f"G0 Z0.2\nG99 G83 X0 Y0 Z{0.2 - p['H']} R0.2 Q{p['Q']}\nG80", at=(0, 0, 0.2), machine=back)
    drilled = reading.moves.line == reading.moves.line[reading.moves.kind == LINE][0]
    lengths, feeds = path_lengths(reading.moves) / 25.4, reading.moves.kind == LINE
    assert lengths[drilled & feeds].sum() == pytest.approx(p["feed"], abs=1e-9)
    assert lengths[drilled & ~feeds].sum() == pytest.approx(p["rapid"], abs=1e-9)


def test_chip_breaking_peck_stays_in_the_hole() -> None:
    """G73 (from memory of shop practice): back off a little after each peck, leave only at the end."""
    moves = own(read("G99 G73 X0 Y0 Z-1 R1 Q0.8\nG80", at=(0, 0, 5)))
    assert [m[0] for m in moves] == ["rapid", "feed", "rapid", "feed", "rapid", "feed", "rapid"]
    assert [m[3] for m in moves] == pytest.approx([1, 0.2, 0.21, -0.6, -0.59, -1, 1], abs=1e-9)


@pytest.mark.parametrize(("line", "kinds", "dwell"), [
    ("G82 X0 Y0 Z-1 R1 P0.5", ["rapid", "feed", "rapid"], 0.5),
    ("G85 X0 Y0 Z-1 R1", ["rapid", "feed", "feed"], None),
    ("G86 X0 Y0 Z-1 R1 P0.5", ["rapid", "feed", "rapid"], 0.5),
    ("G89 X0 Y0 Z-1 R1 P0.5", ["rapid", "feed", "feed"], 0.5),
])  # fmt: skip
def test_other_cycles(line: str, kinds: list[str], dwell: float | None) -> None:
    reading = read(f"G99 {line}\nG80", at=(0, 0, 5))
    assert reading.findings == ()
    assert [m[0] for m in own(reading)] == kinds
    assert list(reading.dwell_s.values()) == ([] if dwell is None else [dwell])
    stands = [int(s) for s in reading.moves.spindle[reading.moves.line == 10]]
    assert stands == ([1, 1, 0] if line.startswith("G86") else [1, 1, 1])


@pytest.mark.parametrize(("line", "code"), [
    ("G84 X0 Y0 Z-1 R1", "V617"), ("G87 X0 Y0 Z-1 R1 I1 J0 K0", "V617"), ("G88 X0 Y0 Z-1 R1 P1", "V617"),
    ("G81 X0 Y0 R1", "V610"), ("G81 X0 Y0 Z-1", "V610"), ("G81 X0 Y0 Z1 R-1", "V619"), ("G81 R1", "V610"),
    ("G82 X0 Z-1 R1", "V610"), ("G82 X0 Z-1 R1 P-1", "V619"), ("G83 X0 Z-1 R1 Q0", "V619"), ("G83 X0 Z-1 R1", "V610"),
    ("G81 X0 Z-1 R1 L0", "V619"), ("G81 X0 Z-1 R1 L1.5", "V602"), ("G83 X0 Z-1 R1 Q0.0001", "V619"),
    ("G93 G81 X0 Z-1 R1", "V619"), ("G81 X0 Z-1 R1 P1", "V609"), ("G81 X0 Z-1 R1 Q1", "V609"),
])  # fmt: skip
def test_cycles_that_are_errors(line: str, code: str) -> None:
    assert code in codes(read(line + "\nG80 G94", at=(0, 0, 5)))


def test_a_cycle_the_machine_does_not_know() -> None:
    reading = read("G73 X0 Y0 Z-1 R1 Q1\nG80", at=(0, 0, 5), machine=changed(canned_cycles=frozenset({"G81"})))
    assert codes(reading) == ["V636"]


def test_rounding_of_corners_where_the_machine_file_promises_none() -> None:
    exact = changed(path_word="G61", blend_mm=0.0)
    assert "V636" in codes(read("G64", machine=exact))
    assert codes(read("G61", machine=exact)) == []


def test_sticky_words_of_a_cycle() -> None:
    moves = own(read("G99 G81 X1 Y1 Z-1 R1\nX2\nY3\nG80", at=(0, 0, 5)))
    assert [m[1:] for m in moves if m[0] == "feed"] == [(1, 1, -1), (2, 1, -1), (2, 3, -1)]
    assert "V610" in codes(read("G81 X1 Y1 Z-1 R1\nG80\nG81 X2", at=(0, 0, 5)))


def test_return_modes_mixed_in_one_series() -> None:
    assert codes(read("G99 G81 X1 Y1 Z-1 R1\nG98 X2\nG80", at=(0, 0, 5))) == ["V619"]


def test_length_offset_changes_the_reading_not_the_place() -> None:
    """T1 is 30 long. Under an offset of another length the programmed Z shifts by the difference, and it is found."""
    right, wrong = read("G43 H1\nG0 Z5"), read("G43 H12\nG0 Z5")
    assert right.findings == ()
    assert own(right)[-1][3] == pytest.approx(5, abs=1e-12)
    assert own(wrong)[-1][3] == pytest.approx(5 + 40 - 30, abs=1e-12)
    assert "V624" in codes(wrong)
    row = wrong.moves.line == 11
    assert not wrong.moves.known_z[row].any()


def test_length_offset_of_the_report() -> None:
    """Where Z reads 0.5 without an offset it reads -0.5 with one of 1.0: a step of G91 shows the place unchanged."""
    f = nist.LENGTH_SHIFT
    short = read(f"G43 H0 Z{f['before']}\nG43 H1\nG91 G0 Z0\nG90 Z{f['before']}", at=(0, 0, 50))
    heights = [m[3] for m in own(short)]
    assert heights[0] == heights[1]
    reads_after = f["before"] + (heights[1] - heights[2])
    assert reads_after == pytest.approx(f["before"] + (f["after"] - f["before"]) / f["offset"] * 30, abs=1e-9)


def test_change_of_cutter_moves_the_tip() -> None:
    """The axes stay where they are at M6; a cutter 10 longer reaches 10 lower."""
    reading = read("M9\nM5\nG53 G0 Z0\nT2 M6\nG53 G0 X-300\nM3 S5000\nG43 H12 G0 Z20", at=(0, 0, 5))
    tips = [m[3] for m in own(reading)]
    assert reading.findings == ()
    assert tips == pytest.approx([250 - 30, 250 - 40, 20], abs=1e-9)
    assert int(reading.moves.tool[-1]) == 2


def test_g92_shifts() -> None:
    f = nist.G92_STEPS
    reading = read(f"G92 X{f['values'][0]}\nG0 X0\nG92.1\nG0 X{f['at']}\nG92 X{f['values'][0]}\nG92 X{f['values'][1]}\n"
                   "G0 X0\nG92.2\nG0 X1\nG92.3\nG0 X0", at=(f["at"], 0, 5))
    first, second = f["offsets"]
    assert [m[1] for m in own(reading)] == pytest.approx([first, f["at"], second, 1, second])
    assert set(codes(reading)) == {"V625"}


def test_helix_feed_is_along_the_helix() -> None:
    h = nist.HELIX
    reading = read(f"G2 X{h['r']} Y0 I{-h['r']} Z-{h['p']}", at=(h["r"], 0, 0))
    arc = int(np.flatnonzero(reading.moves.kind == ARC_CW)[0])
    ratio = path_lengths(reading.moves)[arc] / (2 * math.pi * h["r"])
    assert ratio == pytest.approx(h["ratio"], rel=1e-6)


@pytest.mark.parametrize(("text", "value"), nist.EXPRESSIONS.items())
def test_expressions(text: str, value: float) -> None:
    reading = read(f"G0 X{text}", at=(100, 0, 5))
    assert reading.findings == ()
    assert own(reading)[-1][1] == pytest.approx(value, abs=nist.EXPRESSION_DIGITS)


@pytest.mark.parametrize("text", [
    "[1", "[1]]", "[1/0]", "sqrt[-1]", "ln[0]", "acos[2]", "[2 ** 5000]", "[[-1] ** 0.5]", "atan[1]", "[]", "abs 1",
    "[1 +]", "#0", "#5400", "#7", "#1.5", "[" * 60 + "1" + "]" * 60, "-[1]", "-#1", "9" * 40,
])  # fmt: skip
def test_expressions_that_are_errors(text: str) -> None:
    reading = read(f"G0 X{text}", at=(100, 0, 5))
    assert {*codes(reading)} <= {"V602", "V615", "V606", "V601"}
    assert codes(reading)
    assert own(reading) == []


@pytest.mark.parametrize(("text", "value"), nist.LEGAL_NUMBERS.items())
def test_legal_numbers(text: str, value: float) -> None:
    reading = read(f"G0 X{text}", at=(100, 0, 5))
    assert reading.findings == ()
    assert own(reading)[-1][1] == value


@pytest.mark.parametrize("text", nist.ILLEGAL_NUMBERS)
def test_illegal_numbers(text: str) -> None:
    reading = read(f"G0 X{text}", at=(100, 0, 5))
    assert codes(reading)
    assert own(reading) == []


def test_settings_take_effect_after_the_line() -> None:
    f = nist.SETTING
    reading = read(f"#3={f['before']}\n{f['line']}\nX#3", at=(0, 0, 5))
    assert reading.findings == ()
    assert [m[1] for m in own(reading)] == [f["goes_to"], 6]


def test_indirect_parameters() -> None:
    assert own(read("#1=2 #2=7\nG0 X##1", at=(0, 0, 5)))[-1][1] == 7


def test_rounded_contour_as_in_table_13() -> None:
    body = """G1 X4 Y0 Z-1
G3 X5.5 Y1.5 I0 J1.5
G1 Y3.5
G3 X4 Y5 I-1.5 J0
G1 X0
G3 X-1.5 Y3.5 R1.5
G1 Y1.5
G3 X0 Y0 R1.5"""
    reading = read("G1 Z-1\n" + body, at=(0, 0, 5))
    path = path_lengths(reading.moves)[(reading.moves.end[:, 2] == -1) & (reading.moves.start[:, 2] == -1)]
    assert reading.findings == ()
    assert path.sum() == pytest.approx(nist.TABLE_13_PATH, abs=1e-9)


def test_engraving_program() -> None:
    """An engraving in the manner of the report's C.1, of our own making since its text is not at hand: five arcs of
    270, 360, 360, 90 and 180 degrees, and strokes, whose lengths are plain geometry."""
    body = """G0 X0 Y0
G1 Z-0.5 F20
Y10
G0 Z2
G0 X10 Y5
G1 Z-0.5
G3 X7 Y2 I-3 J0
G0 Z2
G0 X20 Y5
G1 Z-0.5
G2 X20 Y5 I-3
G0 Z2
G0 X30 Y5
G1 Z-0.5
G3 X30 Y5 I-2 J0
G0 Z2
G0 X40 Y0
G1 Z-0.5
G3 X43 Y3 R3
G3 X37 Y3 I-3
G0 Z2"""
    reading = read(body, at=(0, 0, 2))
    moves, lengths = reading.moves, path_lengths(reading.moves)
    depth = (moves.start[:, 2] == -0.5) & (moves.end[:, 2] == -0.5)
    arcs = moves.kind >= ARC_CW
    # The first arc turns from 0 degrees the short way to -90, so 270 counter-clockwise.
    wanted = [3 * 1.5 * math.pi, 3 * 2 * math.pi, 2 * 2 * math.pi, 3 * math.pi / 2, 3 * math.pi]
    plunges = (moves.kind == LINE) & (moves.start[:, 2] == 2)
    assert reading.findings == ()
    assert lengths[arcs] == pytest.approx(wanted, abs=1e-9)
    assert lengths[depth].sum() == pytest.approx(10 + sum(wanted), abs=1e-9)
    assert lengths[plunges].sum() == pytest.approx(5 * 2.5)
    cut = depth | plunges
    assert (lengths[cut] / moves.feed_mm_min[cut]).sum() == pytest.approx((10 + sum(wanted) + 12.5) / 20)


def test_other_planes_turn_the_right_way() -> None:
    """Under G18 the first axis is Z: a G3 turns from +Z toward +X. Under G19, from +Y toward +Z."""
    for line, high, centre in (("G18 G3 X0 Z-2 K-1 I0", 0, (0, 0, -1)), ("G19 G3 Y-2 Z0 J-1 K0", 2, (0, -1, 0))):
        moves = read(line + "\nG17", at=(0, 0, 0)).moves  # starts on the plane's first axis, seen from its centre
        body = moves.line == 10
        points = moves.end[body]
        assert points[:-1, high].min() > 0
        assert points[-1] == pytest.approx([-2 * (high == 2) * (i == 1) - 2 * (high == 0) * (i == 2) for i in range(3)])
        assert np.linalg.norm(points - centre, axis=1) == pytest.approx(1, abs=1e-9)
        assert len(points) > 20
        assert (moves.kind[body] == LINE).all()


def test_full_turn_only_when_the_end_is_the_start() -> None:
    full = read("G3 X5 I-5", at=(5, 0, 0)).moves
    assert path_lengths(full)[full.kind == ARC_CCW] == pytest.approx([10 * math.pi])


@pytest.mark.parametrize(("units", "off", "bad"), [("mm", 0.0019, False), ("mm", 0.0021, True), ("in", 0.00019, False),
                                                   ("in", 0.00021, True)])
def test_arc_radius_mismatch(units: str, off: float, bad: bool) -> None:
    assert nist.ARC_MISMATCH[units] == pytest.approx(off, rel=0.06)
    reading = read(f"G3 X0 Y{2 + off} I-2", at=(2, 0, 1), machine=changed(units=units))
    assert codes(reading) == (["V618"] if bad else [])


@pytest.mark.parametrize(("line", "code"), [
    ("G2 X1 Y1", "V610"), ("G2 Z1 I1", "V610"), ("G2 X1 R0.4", "V618"), ("G2 X0 R1", "V618"), ("G2 X1 I.5 K1", "V609"),
    ("G2 X1 I.5 R.5", "V618"), ("G18 G2 X1 I.5 J1", "V609"), ("G2 X0 I0", "V618"), ("G3 X0.0001 I-1", "V618"),
])  # fmt: skip
def test_arcs_that_are_errors(line: str, code: str) -> None:
    assert code in codes(read(line, at=(0, 0, 1)))


def test_risky_radius_arc_is_a_warning() -> None:
    reading = read("G2 X2 R1.0001", at=(0, 0, 1))
    assert [(f.code, f.severity) for f in reading.findings] == [("V618", "warning")]
