"""Stops and starts: what the operator is asked, where, with what switched off, and that each start stands alone."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest

from pipeline.model.frames import Pose
from pipeline.model.loop import Loop
from pipeline.model.program import Program
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.shop import Dialect
from pipeline.model.toolpath import Plan, Toolpath
from tests.reference.rs274_grammar import Line
from tests.unit.gcode import small
from tests.unit.gcode.walk import read, walk

EVERY = pytest.mark.parametrize("dialect", [small.MM, small.INCH, small.PLAIN], ids=["mm", "inch", "plain"])
MEASURE = "to 3.4 mm, the last ring of its own: measure it"


def cut(name: str, cutter: int = 3, *, part: str = "handle-left", kind: str = "pocket", note: str = "") -> Toolpath:
    """One operation with one pass of its own place."""
    operation = small.operation(name, cutter, part=part, kind=kind, note=note)
    item = dataclasses.replace(small.bore(), id=operation.id)
    return Toolpath(operation=operation, passes=(item,))


def plan(*paths: Toolpath) -> Plan:
    """A plan that leaves nothing."""
    return Plan(toolpaths=paths, not_cut=())


def pair_and_studs() -> Setup:
    """The small setup with two handles of 200 mm2, a clip of 60 mm2 and three studs of 50 mm2."""
    setup = small.setup()
    spot = setup.parts[0]

    def placed(part_id: str, family: str, outline: Loop) -> PlacedPart:
        part = dataclasses.replace(spot.part, name=part_id, family=family, outline=outline)
        pose = Pose.planar(to="setup-1", frm="part", x_mm=20, y_mm=20, z_mm=0.654, angle_rad=0)
        return dataclasses.replace(spot, part_id=part_id, part=part, setup_from_part=pose)

    clip = Loop.polygon(np.array([[0, 0], [20, 0], [20, 3], [0, 3.0]]))
    stud = Loop.circle(0.0, 0.0, math.sqrt(50 / math.pi))
    parts = [placed(f"handle-{side}", "handle", spot.part.outline) for side in ("left", "right")]
    parts += [placed("clip", "clip", clip)]
    parts += [placed(f"stud-{k}", "stud", stud) for k in (1, 2, 3)]
    return dataclasses.replace(setup, parts=tuple(parts))


def messages(program: Program) -> list[str]:
    """The messages before each stop, the last line of each."""
    lines = read(program.text)
    return [lines[k - 1].comments[-1] for k, line in enumerate(lines) if line.codes("M") == (0.0,)]


def stop_named(program: Program, words: str) -> tuple[list[Line], list[Line]]:
    """Lines of words before and after the one stop whose message has `words`."""
    lines = read(program.text)
    (at,) = [k for k, line in enumerate(lines) if any(words in c and c.startswith("MSG") for c in line.comments)]
    return [line for line in lines[:at] if line.words], [line for line in lines[at:] if line.words]


def last_m(lines: list[Line], codes: set[float]) -> float:
    """The last M word of `codes`."""
    return next(m for line in reversed(lines) for m in line.codes("M") if m in codes)


def assert_off_and_up(before: list[Line]) -> None:
    """Spindle and coolant off, and nothing moved since the machine's own retract."""
    assert last_m(before, {3.0, 5.0}) == 5.0
    assert last_m(before, {7.0, 8.0, 9.0}) == 9.0
    last_move = next(line for line in reversed(before) if line.get("Z") is not None or line.get("X") is not None)
    assert 53.0 in last_move.codes("G")


def assert_start_block(words: list[Line], dialect: Dialect, cutter: int) -> None:
    """From any state: units and G90 first, the retract, every mode, speed, dwell, X Y, length with Z, coolant, then a
    cut; no coordinate before the retract."""
    first_feed = next(k for k, line in enumerate(words) if line.codes("G") and line.get("F") is not None)
    block = words[:first_feed]
    retract = next(k for k, line in enumerate(block) if 53.0 in line.codes("G"))
    assert all(line.get(axis) is None for line in block[:retract] for axis in "XYZ")
    assert {code for line in block[:retract] for code in line.codes("G")} >= {
        20.0 if dialect.units == "in" else 21.0, 90.0, 40.0, 80.0, 92.1}  # fmt: skip
    spin = max(k for k, line in enumerate(block) if line.codes("M") == (3.0,))
    modes = {code for line in block[:spin] for code in line.codes("G")}
    assert modes >= {17.0, 90.0, 94.0, 40.0, 49.0, 80.0, 54.0, 98.0, 61.0}
    speed, dwell, across, down, *rest = block[spin:]
    assert speed.get("S") == 3000.0
    assert dwell.get("P") == dialect.spin_up_s
    assert across.get("Z") is None and across.get("X") is not None and across.get("Y") is not None
    assert down.get("H") == dialect.length_offsets.get(cutter, cutter) and down.get("Z") is not None
    assert ({8.0} if dialect.coolant_on else set()) == {m for line in rest for m in line.codes("M")}


# --- the length of every cutter that decides the skin (skin at 0.254 mm in the small setup)


@pytest.mark.parametrize(("above_skin", "wanted"), [(0.0, True), (0.3, True), (0.301, False)])
def test_a_cutter_near_the_skin_has_its_length_checked(above_skin: float, wanted: bool) -> None:
    hole = dataclasses.replace(small.hole("peck", peck=1.0), bottom_z_mm=0.254 + above_skin)
    drilled = Toolpath(operation=small.operation("holes", 2, kind="drill"), passes=(hole,))
    program = small.program(plan(small.plan().toolpaths[0], drilled, cut("pocket")))
    checks = [message for message in messages(program) if message.startswith("MSG, Z ZERO")]
    assert [check.split()[3] for check in checks] == (["T1", "T2"] if wanted else ["T1"])
    assert all("TAKE THE BLOCK AWAY" in check for check in checks)
    assert program.text.count("(Lift, then take the gauge block away before cycle start.)") == len(checks)
    if wanted:
        before, after = stop_named(program, "Z ZERO: T2")
        assert before[-1].codes("G") == (43.0,) and before[-1].get("H") == 2.0
        assert_off_and_up(before)
        assert after[0].codes("M") == (0.0,)


def test_a_milled_floor_counts_as_well_as_a_hole() -> None:
    deep = small.path("edge", (0, 5, 5, small.CLEAR), (1, 5, 5, 0.4, 0, 0, 50.0), (0, 5, 5, small.CLEAR))
    edge = Toolpath(operation=small.operation("edge", 3, kind="outline"), passes=(small.bore(), deep))
    assert "MSG, Z ZERO: T3 " in small.program(plan(small.plan().toolpaths[0], edge)).text


# --- before the first cut that sets parts loose, and after close bores


@EVERY
@pytest.mark.parametrize("kind", ["outline", "web"])
@pytest.mark.parametrize("inside", [True, False], ids=["inside a section", "at its start"])
def test_one_stop_before_the_first_parting_cut(dialect: Dialect, kind: str, inside: bool) -> None:
    first = cut("pocket") if inside else cut("pocket", 1)
    program = small.program(plan(first, cut("edge", kind=kind), cut("edge-2", kind=kind)), dialect)
    assert sum("READ THE VACUUM" in message for message in messages(program)) == 1
    before, after = stop_named(program, f"FIRST {kind.upper()}: READ THE VACUUM, CLEAR CHIPS, LOOK AT T3")
    assert_off_and_up(before)
    assert [line.codes("M") for line in after[:2]] == [(0.0,), (5.0,)]
    assert_start_block(after[2:], dialect, 3)
    entry = next(e for e in program.index if e.operation_id == "handle-left/edge")
    others = [e for e in program.index if e.operation_id == "handle-left/pocket"]
    assert all(e.last_line < after[0].at < entry.first_line for e in others)


def test_outlines_and_webs_have_a_stop_each() -> None:
    program = small.program(plan(cut("a", kind="outline"), cut("b", kind="web"), cut("c", kind="outline")))
    assert [m[5:15] for m in messages(program)][2:] == ["FIRST OUTL", "FIRST WEB:"]


@EVERY
def test_one_stop_to_measure_after_the_last_close_bore_of_a_section(dialect: Dialect) -> None:
    program = small.program(
        plan(
            cut("pivot", kind="bore", note=MEASURE),
            cut("loose", kind="bore", note="to 5 mm"),
            cut("pin", kind="bore", note=MEASURE),
            cut("pocket", note=MEASURE),
        ),
        dialect,
    )
    before, after = stop_named(program, "MSG, MEASURE handle-left/pivot, handle-left/pin")
    assert_off_and_up(before)
    assert_start_block(after[2:], dialect, 3)
    lines = {e.operation_id.split("/")[1]: e for e in program.index}
    assert lines["pin"].last_line < after[0].at < lines["pocket"].first_line


def test_measuring_at_the_end_of_a_section_leaves_the_tool_up() -> None:
    program = small.program(plan(cut("pivot", kind="bore", note=MEASURE)))
    before, after = stop_named(program, "MEASURE handle-left/pivot")
    assert_off_and_up(before)
    assert 53.0 in next(line for line in after if line.get("Z") is not None).codes("G")
    assert after[-1].codes("M") == (30.0,)
    assert program.sections[-1].last_line > after[0].at


# --- starts


def long_section() -> Plan:
    """One cutter over two handles, a clip and three studs, first faces, then edges."""
    names = ("handle-left", "handle-right", "clip", "stud-1", "stud-2", "stud-3")
    faces = [cut("face", 1, part=name, kind="face") for name in names]
    spots = [cut("spot", 2, part=name, kind="spot") for name in names]
    edges = [cut("edge", part=name, kind="outline") for name in reversed(names)]
    return plan(*faces, *spots, *edges, cut("edge-2", part="handle-left", kind="outline"))


@EVERY
def test_starts_at_each_section_each_large_part_and_each_new_family(dialect: Dialect) -> None:
    program = small.program(long_section(), dialect, where=pair_and_studs())
    assert [start.words for start in program.starts] == [
        "T1, handle-left/face", "T1, handle-right/face", "T1, clip/face", "T1, stud-1/face",
        "T2, handle-left/spot",
        "T3, stud-3/edge", "T3, clip/edge", "T3, handle-right/edge", "T3, handle-left/edge",
    ]  # fmt: skip
    text = program.text.splitlines()
    lines = read(program.text)
    for start in program.starts:
        assert not text[start.line - 1].startswith("(")
        words = [line for line in lines if line.at >= start.line and line.words]
        assert words[0].at == start.line
        assert_start_block(words, dialect, int(start.words[1]))
        wanted = start.words.split(", ")[1]
        assert next(e for e in program.index if e.first_line > start.line).operation_id == wanted


def test_no_coordinate_from_before_a_start_is_counted_on() -> None:
    # Two operations at the same place: the second must say X and Y again, and so must its first pass know Z.
    program = small.program(long_section(), where=pair_and_studs())
    for start in program.starts:
        rest = "\n".join(program.text.splitlines()[start.line - 1 :]) + "\n"
        moves = walk(read(rest))
        feeds = [k for k, move in enumerate(moves) if move.kind != "rapid"]
        assert all(not math.isnan(v) for move in moves[feeds[0] :] for v in move.start if move.kind != "rapid")
        assert moves[feeds[0]].feed > 0


def test_a_small_part_of_a_known_family_has_no_start_of_its_own() -> None:
    program = small.program(long_section(), where=pair_and_studs())
    assert not [start for start in program.starts if "stud-2" in start.words]
    assert not [start for start in program.starts if "edge-2" in start.words]


def test_another_speed_at_a_start_is_said_once() -> None:
    edge = cut("edge", part="handle-right", kind="outline")
    edge = dataclasses.replace(edge, operation=dataclasses.replace(edge.operation, spindle_rpm=4000.0))
    program = small.program(plan(cut("pocket"), edge, cut("last", part="handle-right")), where=pair_and_studs())
    assert [line.get("S") for line in read(program.text) if line.get("S")] == [3000.0, 4000.0, 3000.0]


@EVERY
def test_a_fresh_cutter_for_the_last_cuts_starts_where_its_length_is_checked(dialect: Dialect) -> None:
    """The stop before a parting cut names two lines: the section's start, which stops for the gauge block before it
    moves down, and the start of the parting cut itself."""
    program = small.program(plan(cut("a", 3), cut("b", 3, kind="outline")), dialect=dialect)
    (words,) = [c for c in " ".join(c for line in read(program.text) for c in line.comments).split("CHECK BEFORE")[1:]]
    lines = [int(word) for word in re.findall(r"line (\d+)", " ".join(words.split()))]
    assert lines == [start.line for start in program.starts][-2:] and len(lines) == 2
    text = program.text.splitlines()
    after = "\n".join(text[lines[0] - 1 :])
    assert "Z ZERO" in after[: after.index("M3")]


@pytest.mark.parametrize("dialect", [small.INCH, small.PLAIN], ids=["inch", "plain"])
def test_every_cutter_that_is_put_in_by_hand_is_checked(dialect: Dialect) -> None:
    by_hand = dataclasses.replace(dialect, tool_change="by hand")
    program = small.program(plan(cut("a", 1), cut("b", 2), cut("c", 3)), dialect=by_hand)
    checked = [m for m in messages(program) if "Z ZERO" in m]
    assert [re.search(r"T(\d+)", m)[1] for m in checked] == ["1", "2", "3"]  # type: ignore[index]


def test_plugs_are_pressed_before_the_cutter_comes() -> None:
    holed = dataclasses.replace(small.setup(), holes=(np.array([[5, 5], [9, 5], [9, 9.0]]),))
    before, stop, _ = small.program(where=holed).text.partition("(MSG, SEATING: CHECK")
    said = before[before.index("(SEATING CHECK") :].replace(")\n(  ", " ") if stop else ""
    assert "has 1 plugged hole. Look" in said and "must be bonded in" in said
    assert "plugged" not in small.program().text
