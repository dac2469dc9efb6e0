"""Programs that harm in small steps: what one long move would be refused for, cut up so that each move looks clean."""

from __future__ import annotations

import dataclasses

import pytest

from pipeline.model.shop import Block
from pipeline.verify.judge import check_program
from pipeline.verify.reader import read_program
from pipeline.verify.threads import check_thread_mills
from pipeline.verify.tools import tool_table
from tests.unit.verify import by_hand
from tests.unit.verify import test_thread_mills as threads
from tests.unit.verify.by_hand import Motion
from tests.unit.verify.test_judge import PECKING, RAMPING, codes, judged

PLATE = by_hand.setup(by_hand.box(24, 20), top=5.0, skin=0.3)  # no part: only what the cutter does is judged
CRIB = by_hand.crib(RAMPING, PECKING)
STEP_MM = 0.0009  # less than the micron that a single move may touch
DEPTH_MM = 2.7


def down(motion: Motion, step_mm: float, *, rapid: bool = False) -> Motion:
    """From the plate's top straight down in steps, and out."""
    motion.rapid(6, 6).rapid(z=5.0)
    for k in range(1, round(DEPTH_MM / step_mm) + 1):
        (motion.rapid if rapid else motion.line)(z=5.0 - k * step_mm)
    return motion.rapid(z=30)


def test_a_rapid_through_stock_in_steps_below_a_micron():
    assert "V641" in codes(judged(down(Motion(), 0.5, rapid=True), setup=PLATE, crib=CRIB))
    assert "V641" in codes(judged(down(Motion(), STEP_MM, rapid=True), setup=PLATE, crib=CRIB))


@pytest.mark.parametrize(("state", "code"), [({"spindle": 0}, "V642"), ({"spindle": -1}, "V643"),
                                             ({"coolant": 0}, "V644"), ({"known_z": False}, "V645")])  # fmt: skip
def test_the_state_of_the_machine_in_steps_below_a_micron(state, code):
    for step in (0.5, STEP_MM):
        motion = Motion()
        for name, value in state.items():
            setattr(motion, name, value)
        assert code in codes(judged(down(motion, step), setup=PLATE, crib=CRIB)), step


@pytest.mark.parametrize("step", [0.5, 0.009, 0.0019])
def test_a_mill_straight_down_in_short_steps(step):
    assert "V665" in codes(judged(down(Motion(), step), setup=PLATE, crib=CRIB))


@pytest.mark.parametrize("between", ["nothing", "the same line again", "up a tenth of a micron",
                                     "a rapid to the place"])  # fmt: skip
def test_a_long_stroke_of_a_drill_is_not_ended_by_a_move_that_goes_nowhere(between):
    motion = Motion(tool=2).rapid(6, 6).rapid(z=5.0)
    for z in (4.0, 3.0, 2.0, 1.0):  # one stroke of 4.0, the crib's peck is 0.8
        motion.line(z=z)
        if between == "the same line again":
            motion.line(z=z)
        elif between == "up a tenth of a micron":
            motion.line(z=z + 0.0001)
        elif between == "a rapid to the place":
            motion.rapid(z=z)
    assert "V664" in codes(judged(motion.rapid(z=30), setup=PLATE, crib=CRIB))


@pytest.mark.parametrize("step", [8.0, 1.4, 0.2])
def test_a_full_slot_twice_as_deep_as_the_crib_allows_in_short_moves(step):
    motion = Motion().rapid(-4, 10).rapid(z=3.4)  # 1.6 deep, the crib's stepdown is 0.8
    for k in range(1, round(24 / step) + 1):
        motion.line(x=-4 + k * step)
    assert "V664" in codes(judged(motion.rapid(z=30), setup=PLATE))


@pytest.mark.parametrize("between", ["nothing", "the same line again", "a rapid to the place", "a micron back"])
def test_a_dwell_in_contact_behind_a_move_that_goes_nowhere(between):
    motion = Motion().rapid(6, 6).rapid(z=5.5).line(z=4.5).line(x=9)
    if between == "the same line again":
        motion.line()
    elif between == "a rapid to the place":
        motion.rapid()
    elif between == "a micron back":
        motion.line(x=8.999)
    motion.dwells = {len(motion.rows) + 1: 5.0}
    assert "V648" in codes(judged(motion.rapid(z=5.0).rapid(z=30), setup=PLATE))


def thread_faults(moves: list[str], block: Block) -> set[str]:
    """Codes of what the thread mill's check says of the good program with these moves at Z 6, before the hole."""
    lines = threads.program().splitlines()
    at = max(k for k, line in enumerate(lines) if line == "G0 Z6") + 1
    text = "\n".join([*lines[:at], *moves, *lines[at:]]) + "\n"
    reading = read_program(text, machine=by_hand.MACHINE, crib=threads.CRIB)
    found, _ = check_thread_mills(
        threads.setup(blocks=(block,)), moves=reading.moves, crib=threads.CRIB, tools=tool_table(threads.CRIB),
        material=by_hand.MATERIAL, not_cut=(),
    )  # fmt: skip
    return {f.code for f in found}


def test_a_thread_mill_on_an_arc_through_a_clamp():
    x, y = threads.AT
    clamp = Block(name="A", kind="clamp", outline=by_hand.box(3, 3, x - 1.5, y + 11), height_mm=9.0)
    back = f"G0 X{x} Y{y}"
    assert "V655" not in thread_faults([], clamp)
    assert "V655" in thread_faults([f"G0 X{x} Y{y + 14}", back], clamp)
    # Half round the hole at 12.5: over the clamp half way, its ends far from it.
    arc = f"G2 X{x + 12.5} Y{y} I12.5 J0 F400"
    assert "V655" in thread_faults([f"G0 X{x - 12.5} Y{y}", arc, back], clamp)


@pytest.mark.parametrize("tool", [1, 2])
def test_dog_legs_over_a_clamp_with_every_kind_of_cutter(tool):
    """From (13, 13.3) to (36, 28): axis by axis the way leads 45 degrees up to (27.7, 28), then along the clamp."""
    clamp = Block(name="A", kind="clamp", outline=by_hand.box(3, 3, 27, 26), height_mm=9.0)
    lines = threads.program().splitlines()
    at = [k for k, line in enumerate(lines) if line == "G0 Z6"][tool - 1] + 1
    way = ["G0 X13 Y13.3", "G0 X36 Y28", "G0 Z20", "G0 X20 Y15", "G0 Z6"]
    found = {}
    for path in ("straight", "dog-leg"):
        verdict = check_program(
            "\n".join([*lines[:at], *way, *lines[at:]]) + "\n", setup=threads.setup(blocks=(clamp,)),
            crib=threads.CRIB, machine=dataclasses.replace(by_hand.MACHINE, rapid_path=path),
            material=by_hand.MATERIAL, tolerances=by_hand.TOLERANCES, not_cut=(), cell_mm=0.1,
        )  # fmt: skip
        found[path] = "V655" in codes(verdict)
    assert found == {"straight": False, "dog-leg": True}


def test_a_thread_mill_before_its_spindle_is_up_to_speed():
    lines = threads.program().splitlines()
    dwells = [k for k, line in enumerate(lines) if line == "G4 P3"]
    for left_out in dwells:  # the drill's, the thread mill's
        text = "\n".join(line for k, line in enumerate(lines) if k != left_out) + "\n"
        verdict = check_program(
            text, setup=threads.setup(), crib=threads.CRIB, machine=by_hand.MACHINE, material=by_hand.MATERIAL,
            tolerances=by_hand.TOLERANCES, not_cut=(), cell_mm=0.1,
        )  # fmt: skip
        assert "V667" in codes(verdict), lines[left_out - 2]
