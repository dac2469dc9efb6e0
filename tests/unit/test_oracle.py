"""The oracle of the sabotage suite, against the NIST report's worked examples, closed forms and hand-made harm.

It must be right before anybody may be measured with it: it shares nothing with the verifier but the model's types.
"""

from __future__ import annotations

import ast
import dataclasses
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from pipeline.model.shop import CutterKind
from tests.oracle.events import Before, Move
from tests.oracle.harm import Case, judge, stock_of
from tests.oracle.probes import COARSE_MM, Stock
from tests.oracle.reader import run
from tests.oracle.stamping import MISSED_MM
from tests.oracle.words import Illegal, read_line
from tests.sabotage.programs import Base, plate, stud
from tests.unit.verify import by_hand

ORACLE = Path(__file__).parents[1] / "oracle"
CRIB = by_hand.crib(by_hand.cutter(1, 3.0), by_hand.cutter(2, 2.0, CutterKind.DRILL))
MACHINE = dataclasses.replace(
    by_hand.MACHINE,
    dialect=dataclasses.replace(by_hand.MACHINE.dialect, canned_cycles=frozenset({"G81", "G82", "G83"}),
                                longest_arc_rad=2 * math.pi),
)  # fmt: skip


def moves(*lines: str) -> list[Move]:
    """Tip moves of cutter 1, its offset active, from the lines on."""
    start = ["G21 G17 G90 G94 G40 G49 G80 G54 G98 G61", "G53 G0 Z0", "T1 M6", "M3 S5000", "G43 H1 F100"]
    reading = run("\n".join([*start, *lines, "M2"]), machine=MACHINE, crib=CRIB)
    assert reading.faults == []
    return [m for m in reading.moves if m.line > len(start)]


def ends(*lines: str) -> list[tuple[float, float, float]]:
    return [tuple(round(v, 6) for v in m.end) for m in moves(*lines)]


def test_nothing_of_the_verifier_is_imported():
    for file in sorted(ORACLE.glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text())):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [
                a.name for a in node.names] if isinstance(node, ast.Import) else []  # fmt: skip
            for name in names:
                assert not name.startswith("pipeline.") or name.startswith("pipeline.model."), (file.name, name)


# NISTIR 6556 (2000), worked examples.


def test_arc_of_the_report():
    """Section 3.5.3.2: from (7, 7), `G17 G2 X10 Y16 I3 J4 Z9`: centre (10, 11), radius 5."""
    arc = moves("G0 X7 Y7 Z5", "G17 G2 X10 Y16 I3 J4 Z9")[-1]
    assert arc.centre == pytest.approx((10, 11))
    assert math.dist(arc.start[:2], arc.centre) == pytest.approx(5)
    assert arc.turn < 0


def test_radius_arc_of_the_report():
    """Section 3.3.2.3: from (3, 1, 0), `g2 x[6-[4*3/2]] r 7.01 z0.5`; centre computed from the chord by hand."""
    arc = moves("G0 X3 Y1 Z5", "g2 x[6-[4*3/2]] r 7.01 z0.5")[-1]
    assert arc.end == pytest.approx((0, 1, 0.5))
    assert arc.centre == pytest.approx((1.5, 7.8476), abs=1e-4)
    assert arc.turn < 0


def test_cycles_of_the_report():
    """Section 3.5.16.1, the two examples of G81; heights moved up by 10 so that a tool is not in the bed."""
    assert ends("G0 X1 Y2", "G0 Z13", "G90 G81 G98 X4 Y5 Z11.5 R12.8")[-4:] == [
        (4, 5, 13), (4, 5, 12.8), (4, 5, 11.5), (4, 5, 13)]  # fmt: skip
    found = ends("G0 X1 Y2", "G0 Z13", "G91 G81 G98 X4 Y5 Z-0.6 R1.8 L3")[2:]
    assert found[0] == (1, 2, 14.8)
    assert [e for e in found if e[2] == 14.2] == [(5, 7, 14.2), (9, 12, 14.2), (13, 17, 14.2)]
    assert found[-1] == (13, 17, 14.8)


def test_pecks_back_off_as_the_machine_file_says():
    found = ends("G0 X1 Y2", "G0 Z13", "G99 G83 X1 Y2 Z9.5 R12 Q1")
    assert [e[2] for e in found[2:]] == [12, 11, 12, 11.25, 10, 12, 10.25, 9.5, 12]


def test_settings_take_effect_behind_their_line():
    """Section 3.3.3: with #3 = 15, `#3=6 G1 X#3` goes to 15."""
    assert [e[0] for e in ends("#3=15", "#3=6 G0 X#3", "G0 X#3")] == [15, 6]


def test_expressions():
    """Section 3.3.2.3, precedence: powers, then products, then sums, from the left."""
    words = read_line("x[2+3*4**2] y[12/4/3] z[7mod4-1] i[atan[1]/[1]] j[2 ** 3 ** 2]", {}).words
    assert words == pytest.approx({"x": 50, "y": 1, "z": 2, "i": 45, "j": 64})


@pytest.mark.parametrize("line", ["X1 X2", "G0 G1 X1", "X1e3", "X1,5", "U1", "X.", "(a", "a)", "(a (b)", "G5 X1", "M98",
                                  "X[1", "X#1", "X1 N5", "G1 X--1", "/ /X1", "X1;b", "N123456 X1"])  # fmt: skip
def test_what_is_not_in_the_language(line):
    with pytest.raises(Illegal):
        read_line(line, {})


def test_arcs_that_do_not_close_are_refused():
    """Section 3.5.3: 0.002 mm between the two radii."""
    head = "G21 G17 G90 G94 G40 G49 G80 G54 G98 G61\nG53 G0 Z0\nT1 M6\nM3 S5000\nG43 H1 F100\nG0 X10 Y0\nG0 Z9\n"
    for j, wrong in (("0.0019", False), ("0.0025", True)):
        reading = run(f"{head}G3 X-10 Y{j} I-10 J0\nM2\n", machine=MACHINE, crib=CRIB)
        # The end is off by j along the tangent: the radius there is sqrt(100 + j^2), as good as 10. So move it in X.
        assert reading.faults == []
        reading = run(f"{head}G3 X{-10 - float(j)} Y0 I-10 J0\nM2\n", machine=MACHINE, crib=CRIB)
        assert bool(reading.faults) == wrong


def test_a_length_offset_of_another_cutter_moves_the_tip():
    crib = by_hand.crib(by_hand.cutter(1, 3.0, stickout_mm=20.0), by_hand.cutter(2, 2.0, stickout_mm=33.0))
    text = "G21 G90\nG53 G0 Z0\nT1 M6\nG43 H{} G0 Z10\nM2\n"
    tips = [run(text.format(h), machine=MACHINE, crib=crib).moves[-1].end[2] for h in (1, 2, 0)]
    assert tips == pytest.approx([10, 23, -10])


def test_another_past_changes_what_happens():
    text = "G21 G90 G94 G40 G54\nG53 G0 Z0\nT1 M6\nM3 S4000\nG43 H1 G0 Z9\nG0 X0 Y0\nG1 X5 F100\nM2\n"
    one, other = (run(text, machine=MACHINE, crib=CRIB, before=b).moves for b in (Before(), Before(g92=(1, 0, 0))))
    assert one[-1].end[0] == 5
    assert other[-1].end[0] == 6


# Removal in closed form, and limits on both sides.


def _bare_case() -> Case:
    setup = by_hand.setup(by_hand.box(30, 20), top=5.0, skin=0.3)
    return Case(setup=setup, crib=by_hand.crib(by_hand.cutter(1, 3.0), by_hand.cutter(2, 2.0, CutterKind.DRILL)),
                machine=MACHINE, material=by_hand.MATERIAL, tolerances=by_hand.TOLERANCES)  # fmt: skip


NOISE = 1e-9
HEAD = (
    "G21 G17 G90 G94 G40 G49 G80 G54 G98 G61\nG92.1\nG53 G0 Z0\nT1 M6\nM0\nG0 X{x} Y{y}\nM3 S5000\nG4 P3\nM8\n"
    "G43 H1 G0 Z25\n"
)


@cache
def clean(name: str) -> tuple[Base, Stock]:
    base = {"stud": stud, "plate": plate}[name]()
    return base, stock_of(base.case.setup, base.case.tolerances, ())


def test_a_slot_has_its_volume():
    """Every place nearer to its path than the radius is cut to its depth, none beyond; so is the volume."""
    case = _bare_case()
    text = HEAD.format(x=-3, y=10) + "G0 Z6\nG1 Z4.4 F100\nG1 X20\nG0 Z7\nM9\nM5\nG53 G0 Z0\nM2\n"
    found = judge(text, case)
    assert found.harms == []
    at = found.stock.points
    away = np.hypot(np.maximum(at.x - 20, 0), at.y - 10)
    assert found.z[found.stock.inside & (away < 1.5 - MISSED_MM)] == pytest.approx(4.4)
    assert found.z[found.stock.inside & (away > 1.5 + NOISE)] == pytest.approx(5.0)
    # And the volume, within the cells that the edge divides.
    volume = float(np.sum((5.0 - found.z[found.stock.inside]) * at.area[found.stock.inside]))
    wanted = 0.6 * (20 * 3 + math.pi / 2 * 1.5**2)
    assert volume == pytest.approx(wanted, abs=0.6 * (2 * 20 + math.pi * 1.5) * COARSE_MM / 2)


def test_a_drill_point_leaves_its_cone():
    """118 degrees: at half a millimetre from the axis the stock stands 0.5 / tan 59 over the tip."""
    case = _bare_case()
    text = HEAD.replace("T1", "T2").replace("H1", "H2").format(x=10, y=10)
    found = judge(text + "G98 G81 X10 Y10 Z3 R6 F80\nG80\nM9\nM5\nG53 G0 Z0\nM2\n", case)
    at = found.stock.points
    r = np.hypot(at.x - 10, at.y - 10)
    inside = r < 1.0
    assert found.z[inside] == pytest.approx(3 + r[inside] / math.tan(math.radians(59)), abs=1e-9)


def _shifted_wall(mm: float) -> list[str]:
    """The stud with the last ring of its outline and its step drawn smaller or larger by `mm` in radius."""
    lines = []
    for line in stud().lines:
        if line.startswith(("G0 X17.5", "G2 X17.5", "G2 X6.5")):
            # All walls of the outline: rings of radius 5.5 about (12, 10).
            line = line.replace("X17.5", f"X{17.5 + mm:.4f}").replace("X6.5", f"X{6.5 - mm:.4f}")
            line = line.replace("I-5.5", f"I-{5.5 + mm:.4f}").replace("I5.5", f"I{5.5 + mm:.4f}")
        lines.append(line)
    return lines


@pytest.mark.parametrize(("mm", "criteria"), [(-0.010, ["gouge"]), (-0.008, ["gouge"]), (-0.004, []), (0.015, []),
                                              (0.024, ["kerf"]), (0.05, ["kerf"])])  # fmt: skip
def test_walls_are_judged_to_micrometres(mm, criteria):
    """Tolerances: 0.005 into a wall, 0.020 left on one; the mesh is within 0.0004 of the round."""
    base, stock = clean("stud")
    assert judge("\n".join(_shifted_wall(mm)) + "\n", base.case, stock).criteria() == criteria


@pytest.mark.parametrize("name", ["stud", "plate"])
def test_clean_programs_do_no_harm(name):
    base, stock = clean(name)
    assert judge("\n".join(base.lines) + "\n", base.case, stock).harms == []


SPOILED = [  # (criterion, text of the stud's program, what is put for it)
    ("rapid", "G0 Z7\n(outline)", "(outline)"),
    ("skin", "G1 Z0.3 F60", "G1 Z0.2 F60"),
    ("bed", "G1 Z0.3 F60", "G1 Z-0.3 F60"),
    ("spindle", "M3 S5000\nG4 P3\nM8\nG43 H2", "G4 P3\nM8\nG43 H2"),
    ("spindle", "M3 S5000", "M4 S5000"),
    ("coolant", "M8\nG43 H2", "G43 H2"),
    ("chip", "G1 Z0.3 F60", "G1 Z0.3 F600"),
    ("speed", "M3 S5000", "M3 S15000"),
    ("machine", "M3 S5000", "M3 S50000"),
    ("offset", "G43 H2", "G43 H1"),
    ("gauge", "\nM0\n", "\n"),
    ("language", "\nM0\n", "\nM1\n"),
    ("past", "G21 G17 G90 G94 G40", "G21 G17 G94 G40"),
    ("retract", "M5\nG53 G0 Z0\nT2 M6", "M5\nT2 M6"),
    ("change", "M9\nM5\nG53 G0 Z0\nT2 M6", "M9\nG53 G0 Z0\nT2 M6"),
    ("clamp", "(outline)", "G0 X23 Y22\nG0 Z8\nG0 Z25"),
    ("left", "(drill)\nG98 G83", "(drill)\n(G98 G83"),
    ("spin-up", "M3 S5000\nG4 P3\nM8\nG43 H2 G0 Z25\nG0 Z7", "M8\nG43 H2 G0 Z25\nG0 Z5.1\nM3 S5000"),
]  # fmt: skip


@pytest.mark.parametrize(("criterion", "old", "new"), SPOILED, ids=[f"{i}-{s[0]}" for i, s in enumerate(SPOILED)])
def test_harm_is_named(criterion, old, new):
    base, stock = clean("stud")
    text = "\n".join(base.lines) + "\n"
    assert old in text
    assert criterion in judge(text.replace(old, new, 1), base.case, stock).criteria()


def test_shank_ramp_depth_stroke_dwell_and_sideways():
    base, stock = clean("plate")
    text = "\n".join(base.lines) + "\n"

    def of(new: str, **cutter: float) -> list[str]:
        crib = base.case.crib
        if cutter:
            changed = tuple(dataclasses.replace(c, **cutter) if c.number == 1 else c for c in crib.cutters)
            crib = dataclasses.replace(crib, cutters=changed)
        return judge(new, dataclasses.replace(base.case, crib=crib), stock).criteria()

    assert of(text) == []
    assert "shank" in of(text, flute_length_mm=1.0, reach_mm=1.0, shank_diameter_mm=6.0)
    assert "ramp" in of(text.replace("G1 X9 Z4.05 F120", "G1 Z3.7 F120"))
    assert "depth" in of(text, stepdown_mm=0.4)
    assert "stroke" in of(text.replace("Q0.8", "Q2.5"))
    assert "dwell" in of(text.replace("G1 X9 Z4.05 F120", "G1 X9 Z4.05 F120\nG4 P5"))
    assert "dwell" not in of(text.replace("G1 X9 Z4.05 F120", "G1 X9 Z4.05 F120\nG4 P0.3"))
    assert "sideways" in of(text.replace("G98 G83 X9", "G1 Z4 F100\nG1 X9.5\nG0 Z7\nG98 G83 X9"))
    assert "kerf" in of(text.replace("G1 X21 Z0.3", "G1 X21 Z0.4").replace("G1 X9 Z0.6", "G1 X9 Z0.65"))


def test_a_hole_through_the_plate_loses_the_vacuum():
    base, stock = clean("stud")
    text = "\n".join(base.lines).replace("Z1.9991", "Z-1.5") + "\n"
    assert "Z-1.5" in text
    assert {"vacuum", "bed", "skin"} <= set(judge(text, base.case, stock).criteria())


def test_points_beside_walls_have_limits():
    """Every wall of the stud is watched from inside (no lower than the top) and from outside (down to the floor)."""
    _, stock = clean("stud")
    r = np.hypot(stock.points.x - 12, stock.points.y - 10)
    inside = (r > 3.9) & (r < 3.995)
    assert (stock.low[inside & (r < 3.9935)] > 1.9).sum() > 100  # the head's rim, at Z 2.0
    outside = (r > 4.02) & (r < 4.03)
    assert (stock.high[outside] < 0.35).sum() > 100
