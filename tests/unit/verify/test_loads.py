"""Figures by stretch, over time and at their worst, from moves and figures made by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from pipeline.model.verdict import Loads
from pipeline.shop import forces as formulas
from pipeline.verify.forces import move_forces
from pipeline.verify.loads import STEPS, build_loads, timeline
from pipeline.verify.stretches import split
from pipeline.verify.tools import tool_table
from tests.unit.verify.by_hand import MATERIAL, Motion, crib, cutter
from tests.unit.verify.test_forces import side_cut

TOOLS = crib(cutter(1, 3.0), cutter(2, 3.0, flutes=2))


def program() -> Motion:
    """Lines 1 to 3 rough with T1, 4 and 5 finish with T1, 6 and 7 with T2; 3 and 5 are rapids."""
    m = Motion()
    m.line(x=10).line(x=20).rapid(x=0).line(x=10).rapid(x=0)
    m.tool = 2
    m.line(x=10).line(x=30)
    return m


def loads(**changes) -> Loads:
    m = program()
    reading = dataclasses.replace(m.reading(), headings=((1, "rough, T1"), (4, "finish, T1")))
    moves = reading.moves
    wide, thin = side_cut(moves, 1.5, 0.6), side_cut(moves, 0.2, 2.0)
    mine = np.arange(7) < 3
    felt = type(wide)(**{f.name: np.where(mine, getattr(wide, f.name), getattr(thin, f.name))
                         for f in dataclasses.fields(wide)})  # fmt: skip
    given: dict = dict(
        stretches=split(reading), material=MATERIAL, seconds=np.array([4.0, 4.0, 0.5, 4.0, 0.5, 4.0, 8.0]),
        holding=np.array([3.0, 2.5, math.inf, 4.0, math.inf, 6.0, 5.0]),
        skin_mm=np.array([math.inf, 0.5, 0.5, 0.4, 0.4, 0.3, 0.26]), part_of_move=lambda i: f"part-{i}",
    )  # fmt: skip
    given.update(changes)
    forces = move_forces(moves, felt, tools=tool_table(TOOLS), material=MATERIAL)
    return build_loads(moves, felt, forces, **given)


def test_stretches_are_headings_and_cutters() -> None:
    got = loads().stretches
    assert [(s.heading, s.cutter, s.first_line, s.last_line) for s in got] == [
        ("rough, T1", 1, 1, 3), ("finish, T1", 1, 4, 5), ("finish, T1", 2, 6, 7),
    ]  # fmt: skip
    rough, finish, last = got
    assert (rough.cutting_s, rough.air_s) == (8.0, 0.5)
    assert (finish.cutting_s, finish.air_s) == (4.0, 0.5)
    assert rough.cutting_mm == pytest.approx(20) and rough.removed_mm3 == pytest.approx(20 * 1.5 * 0.6)
    assert rough.engaged_mean_rad == pytest.approx(math.pi / 2) == rough.engaged_peak_rad
    assert (rough.depth_peak_mm, finish.depth_peak_mm) == (0.6, 2.0)
    assert rough.rate_peak_mm3_min == pytest.approx(1.5 * 0.6 * 150)
    assert (rough.holding, finish.holding, last.holding) == (2.5, 4.0, 5.0)
    assert (rough.skin_mm, finish.skin_mm, last.skin_mm) == (0.5, 0.4, 0.26)
    assert rough.chip_peak_mm == pytest.approx(0.01) and rough.chip_mean_mm == pytest.approx(0.01 * 2 / math.pi)


def test_stretches_in_air_are_left_out() -> None:
    """Lines 1 and 3 cut nothing and have headings of their own; the timeline's numbers are those of what is kept."""
    m = Motion().rapid(x=10).line(x=0).rapid(x=10).line(x=0)
    reading = dataclasses.replace(m.reading(), headings=((1, "to it"), (2, "a"), (3, "away"), (4, "b")))
    felt = side_cut(reading.moves, 0.3, 0.6)
    forces = move_forces(reading.moves, felt, tools=tool_table(TOOLS), material=MATERIAL)
    got = build_loads(
        reading.moves, felt, forces, stretches=split(reading), material=MATERIAL, seconds=np.full(4, 0.5),
        holding=np.full(4, math.inf), skin_mm=np.full(4, math.inf), part_of_move=lambda i: "",
    )  # fmt: skip
    assert [s.heading for s in got.stretches] == ["a", "b"]
    assert got.timeline.stretch.tolist() == [-1, 0, -1, 1]


def test_the_mean_is_over_time_in_cut() -> None:
    """Two moves in one stretch: 1.5 mm wide for 4 s, 0.2 mm for 12 s."""
    m = Motion().line(x=10).line(x=20)
    moves = m.moves()
    wide, thin = side_cut(moves, 1.5, 0.6), side_cut(moves, 0.2, 0.6)
    felt = type(wide)(**{f.name: np.array([getattr(wide, f.name)[0], getattr(thin, f.name)[1]])
                         for f in dataclasses.fields(wide)})  # fmt: skip
    forces = move_forces(moves, felt, tools=tool_table(TOOLS), material=MATERIAL)
    (got,) = build_loads(
        moves, felt, forces, stretches=split(m.reading()), material=MATERIAL, seconds=np.array([4.0, 12.0]),
        holding=np.full(2, math.inf), skin_mm=np.full(2, math.inf), part_of_move=lambda i: "",
    ).stretches  # fmt: skip
    assert got.engaged_mean_rad == pytest.approx((4 * math.pi / 2 + 12 * math.acos(1 - 0.4 / 3)) / 16)
    assert got.heading == "" and got.force_peak_n == forces.force_peak_n.max()


def test_worst_places() -> None:
    worst = {w.quantity: w for w in loads().worst}
    assert set(worst) == {"force", "engagement", "chip", "deflection", "power", "torque", "holding", "skin"}
    assert worst["engagement"].value == pytest.approx(90) and worst["engagement"].unit == "deg"
    assert worst["engagement"].line == 1 and worst["engagement"].heading == "rough, T1"
    assert (worst["holding"].value, worst["holding"].line, worst["holding"].part_id) == (2.5, 2, "part-1")
    assert (worst["skin"].value, worst["skin"].line) == (0.26, 7)
    assert worst["skin"].at_mm == (30.0, 0.0, 30.0)
    assert (worst["force"].line, worst["power"].line) == (1, 1)  # the wide cut
    assert (worst["deflection"].cutter, worst["chip"].value) == (1, pytest.approx(0.01))
    nowhere = {w.quantity for w in loads(holding=np.full(7, math.inf)).worst}
    assert "holding" not in nowhere


def test_a_timeline_holds_the_worst_of_each_step() -> None:
    seconds = np.array([2.0, 0.5, 0.25, 0.25, 3.0])
    force = np.array([1.0, 9.0, 2.0, 3.0, 4.0])
    holding = np.array([5.0, 2.0, math.inf, 7.0, 6.0])
    skin = np.array([math.inf, 0.5, 0.5, 0.4, 0.3])
    got = timeline(seconds, force, force, holding, skin, np.array([0, 0, 0, 1, -1]))
    assert got.step_s == 0.5
    assert got.force_n.tolist() == [1, 1, 1, 1, 9, 3, 4, 4, 4, 4, 4, 4]
    assert got.holding.tolist() == [5, 5, 5, 5, 2, 7, 6, 6, 6, 6, 6, 6]
    assert got.skin_mm.tolist() == [math.inf] * 4 + [0.5, 0.4] + [0.3] * 6
    assert got.stretch.tolist() == [0, 0, 0, 0, 0, 0, -1, -1, -1, -1, -1, -1]


def test_a_long_program_has_six_hundred_steps_and_loses_no_peak() -> None:
    rng = np.random.default_rng(8)
    n = 20_000
    seconds = rng.exponential(0.4, n)
    force = rng.exponential(10.0, n)
    skin = np.minimum.accumulate(rng.uniform(0.2, 1, n))
    got = timeline(seconds, force, force, 1 / force, skin, np.zeros(n, dtype=np.int64))
    assert len(got.force_n) == STEPS
    assert got.step_s * STEPS == pytest.approx(seconds.sum())
    assert got.force_n.max() == force.max() and got.holding.min() == (1 / force).min()
    assert (np.diff(got.skin_mm) <= 0).all()
    # a second way: every step asks every move whether it touches it
    ends = np.cumsum(seconds)
    for step in range(0, STEPS, 37):
        a, b = step * got.step_s, (step + 1) * got.step_s
        touches = (ends - seconds < b - 1e-9) & (ends > a + 1e-9)
        assert got.force_n[step] == force[touches].max()


def test_an_empty_program_has_an_empty_timeline() -> None:
    none = np.zeros(0)
    got = timeline(none, none, none, none, none, np.zeros(0, dtype=np.int64))
    assert len(got.force_n) == len(got.stretch) == 0


def test_what_the_figures_stand_on() -> None:
    got = loads()
    assert got.uncertainty == formulas.SPREAD_THIN
    words = " / ".join(got.assumed)
    for part in ("1400", "worn", "0.05 mm", "100%", "run-out"):
        assert part in words


def test_a_thick_chip_is_within_what_was_fitted() -> None:
    m = Motion()
    m.feed = 5000 * 3 * 0.15
    moves = m.line(x=10).moves()
    felt = side_cut(moves, 3.0, 0.1)
    forces = move_forces(moves, felt, tools=tool_table(TOOLS), material=MATERIAL)
    got = build_loads(
        moves, felt, forces, stretches=split(m.reading()), material=MATERIAL, seconds=np.ones(1),
        holding=np.full(1, math.inf), skin_mm=np.full(1, math.inf), part_of_move=lambda i: "",
    )  # fmt: skip
    assert got.uncertainty == formulas.SPREAD
