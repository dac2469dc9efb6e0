"""Thread mills against tables of limits, closed forms, and programs with one thing wrong. Cases: acceptance list."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from pipeline.model.part import Hole, Side, Thread
from pipeline.model.shop import CutterKind
from pipeline.model.toolpath import NotCut
from pipeline.verify.helices import farthest_mm, helices
from pipeline.verify.motion_time import motion_seconds
from pipeline.verify.reader import read_program
from pipeline.verify.thread_form import groove_half_width_mm, pitch_diameter_mm, pitch_limits_mm, tip_flat_mm
from pipeline.verify.threads import check_thread_mills
from pipeline.verify.tools import tool_table
from tests.reference import threads as outside
from tests.unit.verify import by_hand

IN = 25.4
P, MAJOR, DC = IN / 40, 0.112 * IN, 0.070 * IN
CORE = 0.089 * IN
THREAD = Thread(name="4-40 UNC-2B", major_mm=MAJOR, pitch_mm=P, drill_limits_mm=(0.0849 * IN, 0.0939 * IN))
AT = (20.0, 15.0)
CRIB = by_hand.crib(
    by_hand.cutter(1, CORE, CutterKind.DRILL, chip_load_mm=0.05, flute_length_mm=12.0, reach_mm=14.0, peck_mm=9.0),
    by_hand.cutter(2, DC, CutterKind.THREAD, flute_length_mm=0.7, reach_mm=6.0, neck_diameter_mm=1.1, chip_load_mm=0.01,
                   shank_diameter_mm=3.0),
)  # fmt: skip
RADIUS = (MAJOR - DC) / 2  # .0210 in
TOP, FLOOR = 4.6, 1.2  # setup Z of the hole's mouth and of its full diameter's end


def setup(*, blocks=(), name: str = THREAD.name):
    thread = dataclasses.replace(THREAD, name=name)
    hole = Hole(id="screw", side=Side.INSIDE, x_mm=1.0, y_mm=0.5, diameter_mm=CORE, limits_mm=THREAD.drill_limits_mm,
                top_z_mm=3.8, bottom_z_mm=FLOOR - 0.8, through=False, thread=thread)  # fmt: skip
    part = dataclasses.replace(by_hand.prism(by_hand.box(12, 10, -6, -5), 3.8), features=(hole,))
    placed = by_hand.placed(part, AT[0] - 1.0, AT[1] - 0.5, 0.8)
    return by_hand.setup(by_hand.box(40, 30), top=TOP, skin=0.3, parts=(placed,), blocks=blocks)


def program(
    *, radius: float = RADIUS, pitch: float = P, turns: int = 4, arc: str = "G3", up: bool = True,
    low: float = FLOOR + 0.3, lead: float = 0.5, at: tuple[float, float] = AT, start: str = "M3 S7000",
    drill: bool = True, feed: float = 40.0, way_in: str = "", way_out: str = "", chords: int = 0, coolant: str = "M8",
) -> str:  # fmt: skip
    """Drill, then a half turn in, a helix of whole turns and a half turn out, all text rounded to 0.1 um."""
    x, y = at
    rise = 1.0 if up else -1.0
    z = low if up else low + pitch * (turns + 2 * lead)
    tip = FLOOR - CORE / 2 / math.tan(math.radians(59))
    rows = ["%", "G21 G17 G90 G94 G40 G49 G80 G54 G61", "G92.1", "G53 G0 Z0"]
    if drill:
        rows += ["T1 M6", "S3000 M3", "M8", "G4 P3", f"G0 X{AT[0]:.4f} Y{AT[1]:.4f}", "G43 H1 Z20", "G0 Z6",
                 f"G1 Z{tip:.4f} F90", "G0 Z20", "M9", "M5", "G53 G0 Z0"]  # fmt: skip
    rows += ["T2 M6", start, coolant, "G4 P3", f"G0 X{x:.4f} Y{y:.4f}", "G43 H2 Z20", "G0 Z6"]

    def half(x1: float, i: float) -> None:
        nonlocal z
        z += rise * pitch * lead
        rows.append(f"{arc} X{x1:.4f} Y{y:.4f} Z{z:.4f} I{i:.4f} J0 F{feed:.1f}")

    rows.append(way_in or f"G1 Z{z:.4f} F{feed:.1f}")
    half(x + radius, radius / 2)
    for _ in range(turns):
        if chords:
            sign = 1.0 if arc == "G3" else -1.0
            for k in range(1, chords + 1):
                a = sign * 2 * math.pi * k / chords
                z += rise * pitch / chords
                rows.append(f"G1 X{x + radius * math.cos(a):.4f} Y{y + radius * math.sin(a):.4f} Z{z:.4f}")
        else:
            z += rise * pitch
            rows.append(f"{arc} X{x + radius:.4f} Y{y:.4f} Z{z:.4f} I{-radius:.4f} J0")
    half(x, -radius / 2)
    rows += [way_out or "G0 Z20", "G0 Z20", "M9", "M5", "G53 G0 Z0", "M30", "%", ""]
    return "\n".join(rows)


def test_ways_in_of_chords():
    """A half turn of chords that rises with the thread passes; one that does not rise, or goes straight, speaks."""
    x, y, z = *AT, FLOOR + 0.3

    def way_in(rise: float) -> str:
        rows = [f"G1 Z{z:.4f} F40"]
        for k in range(1, 31):
            a = math.pi + math.pi * k / 30
            rows.append(f"G1 X{x + RADIUS / 2 * (1 + math.cos(a)):.4f} Y{y + RADIUS / 2 * math.sin(a):.4f} "
                        f"Z{z + rise * k / 30:.4f}")  # fmt: skip
        return "\n".join(rows)

    def text(way: str, at_z: float) -> str:
        lines = program(way_in=way).split("\n")
        arc = next(n for n, line in enumerate(lines) if line.startswith("G3"))
        return "\n".join([*lines[:arc], *(f"{line} F40" if "I-0.5334" in line else line for line in lines[arc + 1 :])])

    assert codes(text(way_in(P / 2), z + P / 2)) == set()
    assert codes(text(way_in(0.0), z)) >= {"V696"}
    faults, _ = check(text(f"G1 Z{z + P / 2:.4f} F40\nG1 X{x + RADIUS:.4f}", z + P / 2))
    assert [(f.code, f.severity) for f in faults] == [("V696", "warning")]


def check(text: str, *, crib=CRIB, on=None, not_cut=(), dog_leg=False, timed=False):
    reading = read_program(text, machine=by_hand.MACHINE, crib=crib)
    assert reading.findings == ()
    seconds = motion_seconds(reading.moves, machine=by_hand.MACHINE) if timed else None
    return check_thread_mills(on or setup(), moves=reading.moves, crib=crib, tools=tool_table(crib), not_cut=not_cut,
                              material=by_hand.MATERIAL, dog_leg=dog_leg, reading=reading, spin_up_s=3.0,
                              seconds=seconds)  # fmt: skip


def codes(text: str, **more) -> set[str]:
    return {f.code for f in check(text, **more)[0]}


def test_the_440_of_the_list_is_right_and_measured():
    faults, rows = check(program())
    assert faults == []
    measured = {row.quantity: row for row in rows}
    assert measured["thread pitch"].measured == pytest.approx(P, abs=2e-4)
    assert measured["major diameter"].measured == pytest.approx(MAJOR, abs=2e-4)
    # Acceptance list: with its over-cut .0971 in, inside 2B .0958 to .0991.
    pitch = measured["pitch diameter"]
    assert pitch.measured == pytest.approx(0.0971 * IN, abs=0.00005 * IN)
    assert (pitch.low, pitch.high) == pytest.approx((0.0958 * IN, 0.0991 * IN), abs=1e-5)
    assert all(row.is_within for row in rows)


@pytest.mark.parametrize(("arc", "up"), [("G2", True), ("G3", False)])
def test_the_sense_of_the_arc_or_of_z_alone_turns_the_hand(arc, up):
    assert codes(program(arc=arc, up=up)) == {"V694"}


def test_both_together_are_right_hand_again_but_against_the_climb():
    faults, _ = check(program(arc="G2", up=False))
    assert [(f.code, f.severity) for f in faults] == [("V694", "warning")]


def test_a_left_hand_thread_wants_the_left_hand():
    faults, _ = check(program(arc="G2"), on=setup(name="4-40 UNC LH"))
    assert [(f.code, f.severity) for f in faults] == [("V694", "warning")]  # it must be milled against the climb
    assert check(program(arc="G3", up=False), on=setup(name="4-40 UNC LH"))[0] == []
    assert "V694" in codes(program(), on=setup(name="4-40 UNC LH"))


@pytest.mark.parametrize(("radius", "speaks"), [
    (RADIUS, False),
    (RADIUS - 0.00129 * IN / 2, True),  # acceptance list: major .1107, the gauge stops
    (RADIUS + 0.0009 * IN, False),  # pitch diameter .0989
    (RADIUS + 0.0012 * IN, True),  # .0995 is over .0991
])  # fmt: skip
def test_radius_decides_pitch_and_major_diameter(radius, speaks):
    faults, rows = check(program(radius=radius))
    assert {f.code for f in faults} == ({"V695"} if speaks else set())
    assert all(row.is_within for row in rows) != speaks


@pytest.mark.parametrize("pitch", [IN / 44, IN / 36, P * 1.006])
def test_a_wrong_pitch(pitch):
    assert "V693" in codes(program(pitch=pitch))


def test_one_turn_with_a_wrong_z_is_a_wrong_pitch():
    lines = program().split("\n")
    turn = [n for n, line in enumerate(lines) if line.startswith("G3 X")][2]
    z = float(lines[turn].split("Z")[1].split()[0])
    lines[turn] = lines[turn].replace(f"Z{z:.4f}", f"Z{z + 0.02:.4f}")
    assert "V693" in codes("\n".join(lines))


def test_a_helix_of_chords_is_the_same_thread():
    faults, rows = check(program(chords=90))
    assert faults == []
    assert next(r for r in rows if r.quantity == "thread pitch").measured == pytest.approx(P, abs=2e-4)
    assert next(r for r in rows if r.quantity == "major diameter").measured == pytest.approx(MAJOR, abs=4e-4)
    assert codes(program(chords=90, arc="G2")) == {"V694"}
    assert "V695" in codes(program(chords=90, radius=RADIUS + 0.05))


@pytest.mark.parametrize(("changes", "code"), [
    ({"at": (AT[0] + 0.1, AT[1])}, "V696"),  # beside its hole
    ({"low": FLOOR - 0.2}, "V696"),  # in the floor
    ({"drill": False}, "V696"),  # no hole yet
    ({"way_in": f"X{AT[0] + 0.5} Y{AT[1]}\nG0 Z{FLOOR + 0.3}\nG1 X{AT[0]} F40"}, "V696"),  # down beside the axis
    ({"turns": 3, "way_out": f"G0 X{AT[0] - 0.5}\nG0 Z20"}, "V696"),  # up along the wall
    ({"lead": 0.0}, "V696"),  # flat ways in and out
    ({"lead": 1.5}, "V696"),
    ({"turns": 0}, "V697"),
    ({"turns": 2}, "V697"),  # ends in the hole
    ({"pitch": 0.0}, "V697"),  # a groove
    ({"at": (5.0, 5.0)}, "V697"),  # where no hole is
    ({"start": "M4 S7000"}, "V643"),
    ({"coolant": "(dry)"}, "V644"),
    ({"feed": 400.0}, "V660"),
    ({"start": "M3 S20000"}, "V661"),
    ({"low": 0.0}, "V640"),
])  # fmt: skip
def test_one_thing_wrong(changes, code):
    assert code in codes(program(**changes))


def test_a_neck_that_rubs_and_a_shank_that_is_too_low():
    def with_mill(**changes):
        return by_hand.crib(CRIB.cutters[0], dataclasses.replace(CRIB.cutters[1], **changes))

    assert "V646" in codes(program(), crib=with_mill(neck_diameter_mm=1.3))
    assert "V646" in codes(program(), crib=with_mill(reach_mm=2.0))
    assert "V646" not in codes(program(), crib=with_mill(neck_diameter_mm=1.19))


def test_a_thread_that_is_not_milled_must_be_declared():
    text = program().split("T2 M6")[0] + "M30\n%\n"
    assert codes(text) == {"V697"}
    later = NotCut(part_id="block-1", feature_id="screw", operation="thread milling", setup="setup-1, later", reason="",
                   region=np.zeros((0, 2)), low_z_mm=1.0, high_z_mm=4.6)  # fmt: skip
    faults, rows = check(text, not_cut=(later,))
    assert faults == []
    assert {row.why for row in rows} == {"cut in setup-1, later"} and all(row.measured is None for row in rows)


def test_a_clamp_in_the_way():
    clamp = dataclasses.replace(by_hand.CLAMP, outline=by_hand.box(3, 3, AT[0] + 1.0, AT[1]))
    assert "V655" in codes(program(), on=setup(blocks=(clamp,)))
    assert codes(program(), on=setup(blocks=(by_hand.CLAMP,))) == set()


def before_the_hole(*moves: str) -> str:
    """The good program with these moves of the thread mill at Z 6, over the hole."""
    lines = program().split("\n")
    at = max(k for k, line in enumerate(lines) if line == "G0 Z6") + 1
    return "\n".join([*lines[:at], *moves, f"G0 X{AT[0]} Y{AT[1]}", *lines[at:]])


def passing(text: str, block, **more) -> tuple[str, float] | None:
    """Code and amount of the worst that is said of a block."""
    of_it = [f for f in check(text, on=setup(blocks=(block,)), **more)[0] if f.part_id == f"{block.kind} {block.name}"]
    worst = max(of_it, key=lambda f: (f.severity == "error", f.amount_mm), default=None)
    return worst and (worst.code, worst.amount_mm)


@pytest.mark.parametrize("kind", ["clamp", "stop", "rigid spacer"])
def test_the_shank_on_the_helix_beside_a_block(kind):
    """Plan gap by hand: the block's near side, less the helix's radius and the shank's 1.5."""
    def at(gap: float):
        x = AT[0] + RADIUS + 1.5 + gap
        return dataclasses.replace(by_hand.CLAMP, kind=kind, outline=by_hand.box(3, 6, x, AT[1] - 3))

    assert passing(program(), at(2.05)) is None
    assert passing(program(), at(1.25)) == ("V658", pytest.approx(0.75, abs=0.003))
    assert passing(program(), at(-0.05))[0] == ("V655" if kind == "clamp" else "V656")


def test_the_edges_alone_keep_a_margin_to_clamps_only():
    block = dataclasses.replace(by_hand.CLAMP, height_mm=6.5, outline=by_hand.box(4, 3, 26, 20))
    way = before_the_hole("G0 X28 Y18.1")  # edges down to Z 6, neck from 6.7
    assert passing(way, block) == ("V658", pytest.approx(2 - (1.9 - DC / 2), abs=1e-6))
    assert passing(way, dataclasses.replace(block, kind="stop")) is None
    soft = dataclasses.replace(block, kind="sacrificial spacer")
    assert passing(way, soft) is None
    assert passing(before_the_hole("G0 X28 Y22"), soft) == ("V657", pytest.approx(0.5))


@pytest.mark.parametrize("arc", ["G2", "G3"])
def test_the_gap_of_an_arc_to_a_clamp(arc):
    """Half a turn of radius 12.5 about the hole, a clamp 1.25 past its middle: both ends are far from it."""
    (x, y), radius = AT, 12.5
    side = 1 if arc == "G2" else -1
    near = y + side * (radius + DC / 2 + 1.25)
    clamp = dataclasses.replace(by_hand.CLAMP, outline=by_hand.box(3, 3, x - 1.5, near if side > 0 else near - 3))
    text = before_the_hole(f"G0 X{x - radius}", f"{arc} X{x + radius} Y{y} I{radius} J0 F400")
    assert passing(text, clamp) == ("V658", pytest.approx(0.75, abs=0.003))
    other = text.replace(f"{arc} X{x + radius}", f"{'G3' if arc == 'G2' else 'G2'} X{x + radius}")
    assert passing(other, clamp) is None


def test_a_rapid_that_goes_axis_by_axis():
    """From (10, 10) to (30, 15) the way bends at (15, 15); the straight one passes the clamp 3 mm away."""
    clamp = dataclasses.replace(by_hand.CLAMP, outline=by_hand.box(2, 2, 12.5, 16.5))
    text = before_the_hole("G0 X10 Y10", "G0 X30 Y15")
    assert passing(text, clamp) is None
    gap = math.hypot(0.5, 1.5) - DC / 2
    assert passing(text, clamp, dog_leg=True) == ("V658", pytest.approx(2 - gap, abs=1e-6))
    at_feed = text.replace("G0 X30 Y15", "G1 X30 Y15 F400")
    assert passing(at_feed, clamp, dog_leg=True) is None


@pytest.mark.parametrize(("wait", "short"), [("G4 P3", None), ("G4 P1", 2.0), ("(none)", 3.0)])
def test_the_spindle_is_up_to_speed_before_the_mill_goes_in(wait, short):
    lines = program().split("\n")
    at = max(k for k, line in enumerate(lines) if line == "G4 P3")
    lines[at] = wait
    found = [f for f in check("\n".join(lines))[0] if f.code == "V667"]
    assert [f.amount_mm for f in found] == ([] if short is None else [pytest.approx(short)])
    # Rapids to the hole count: 200 mm at most, a second or two.
    timed = [f for f in check("\n".join(lines), timed=True)[0] if f.code == "V667"]
    assert len(timed) == len(found) and all(short - 2.0 < f.amount_mm < short - 0.1 for f in timed)


def test_a_stop_in_front_of_the_hole_asks_for_the_dwell_again():
    assert "V667" in codes(before_the_hole("M5", "M0", "M3"))
    assert "V667" not in codes(before_the_hole("M5", "M0", "M3", "G4 P3"))


def test_a_dwell_with_the_teeth_in_the_thread():
    lines = program().split("\n")
    down, *arcs = (n for n, line in enumerate(lines) if line.startswith(("G1 Z1.5", "G3")))

    def severities(after: int, seconds: float, more: str = "(nothing)") -> list[str]:
        text = "\n".join([*lines[: after + 1], more, f"G4 P{seconds}", *lines[after + 1 :]])
        return [f.severity for f in check(text)[0] if f.code == "V648"]

    assert severities(down, 5) == [] and severities(arcs[-1], 5) == []  # on the hole's axis
    for arc in arcs[:-2]:
        assert severities(arc, 5) == ["error"]
    assert severities(arcs[2], 0.5) == ["warning"]
    assert severities(arcs[2], 5, f"G1 X{AT[0] + RADIUS:.4f}") == ["error"]  # behind a move that goes nowhere


def test_the_farthest_place_of_an_arc_by_sampling():
    rng = np.random.default_rng(4)
    for _ in range(40):
        begin, turn, radius, cx, cy = rng.uniform((-3, -6, 0.2, -1, -1), (3, 6, 2, 1, 1))
        motion = by_hand.Motion(cx + radius * math.cos(begin), cy + radius * math.sin(begin))
        motion.arc(cx + radius * math.cos(begin + turn), cy + radius * math.sin(begin + turn), cx, cy,
                   clockwise=bool(turn < 0))  # fmt: skip
        angles = begin + turn * np.linspace(0, 1, 20001)
        sampled = np.hypot(cx + radius * np.cos(angles), cy + radius * np.sin(angles)).max()
        assert farthest_mm(motion.reading().moves, 0, (0.0, 0.0)) == pytest.approx(sampled, abs=1e-6)


@pytest.mark.parametrize("row", outside.PITCH_LIMITS, ids=lambda row: row[0])
def test_limits_of_the_pitch_diameter(row):
    name, unit, major, pitch, low, high, half_digit = row
    thread = Thread(name=name, major_mm=major * unit, pitch_mm=pitch * unit, drill_limits_mm=(0.1, 0.2))
    found = pitch_limits_mm(thread)
    assert found == pytest.approx((low * unit, high * unit), abs=2 * half_digit * unit)


def test_a_class_that_is_not_known_has_no_upper_limit():
    assert pitch_limits_mm(dataclasses.replace(THREAD, name="4-40 special"))[1] is None


@pytest.mark.parametrize(("dc", "shift"), outside.OVERCUT_PD_SHIFT)
def test_over_cut_of_the_list(dc, shift):
    """Its shift is twice the axial over-cut at the basic pitch radius over tan 30."""
    d, p = 0.112, 0.025
    e, rho = (d - dc) / 2, 0.047881
    width = groove_half_width_mm(rho, axis_mm=e, cutter_radius_mm=dc / 2, pitch_mm=p, tip_flat_mm=p / 8)
    axial = width - (p / 16 + (d / 2 - rho) * math.tan(math.pi / 6))
    assert 2 * axial / math.tan(math.pi / 6) == pytest.approx(shift, rel=0.001)
    if dc == 0.070:
        assert axial == pytest.approx(outside.OVERCUT_AXIAL_EXACT, rel=0.002)
        small_angle = p**2 * (rho - e) / (8 * math.pi**2 * math.tan(math.pi / 6) * rho * e)
        assert axial == pytest.approx(small_angle, rel=0.02)


def test_pitch_diameters_of_the_list():
    p = 0.025
    inside = pitch_diameter_mm(axis_mm=0.021, cutter_radius_mm=0.035, pitch_mm=p, tip_flat_mm=tip_flat_mm(p))
    assert inside == pytest.approx(0.0971, abs=0.00005)
    stud = pitch_diameter_mm(axis_mm=0.134414138, cutter_radius_mm=0.1875 / 2, pitch_mm=p, tip_flat_mm=tip_flat_mm(p),
                             internal=False)  # fmt: skip
    assert stud == pytest.approx(0.0969, abs=0.00005)  # over 2A .0950


def test_lengths_and_feeds_of_the_list():
    """The list's own figures against this file's program: a turn, the centre's feed over the edge's, the way in."""
    reading = read_program(program(), machine=by_hand.MACHINE, crib=CRIB)
    found = helices(reading.moves, range(len(reading.moves.kind)), AT)
    assert len(found) == 1 and found[0].turns == pytest.approx(4.0, abs=1e-6)
    one = outside.INTERNAL_440
    assert found[0].radius_mm == pytest.approx(one["path_radius"] * IN, abs=1e-4)
    turn = math.hypot(2 * math.pi * found[0].radius_mm, found[0].pitch_mm)
    assert turn == pytest.approx(one["turn"] * IN, rel=2e-4)
    assert found[0].radius_mm / (found[0].radius_mm + DC / 2) == pytest.approx(one["feed_factor"], rel=2e-4)
    way_in = found[0].first - 1
    rise = reading.moves.end[way_in, 2] - reading.moves.start[way_in, 2]
    assert rise == pytest.approx(one["half_turn_rise"] * IN, abs=1e-4)


def test_a_tiny_pitch_has_no_over_cut():
    """Basic profile: pitch diameter is major less .6495 pitches (ASME B1.1)."""
    p = 1e-4
    found = pitch_diameter_mm(axis_mm=0.5, cutter_radius_mm=0.9, pitch_mm=p, tip_flat_mm=p / 8)
    assert found == pytest.approx(2.8 - 0.649519 * p, abs=1e-7)


def test_over_cut_by_another_way():
    """The groove's half width by plain sampling of the tooth's flank over the whole turn."""
    e, r, p, f = 0.53, 0.89, 0.635, 0.08
    theta = np.linspace(-math.pi, math.pi, 200001)
    for rho in (1.0, 1.2, 1.35):
        s = np.sqrt(rho**2 + e**2 - 2 * rho * e * np.cos(theta))
        flank = np.where(s <= r, p * theta / (2 * math.pi) + f / 2 + (r - s) * math.tan(math.pi / 6), -1.0)
        found = groove_half_width_mm(rho, axis_mm=e, cutter_radius_mm=r, pitch_mm=p, tip_flat_mm=f)
        assert found == pytest.approx(float(flank.max()), abs=1e-5)
