"""Arcs after rounding: what a control would refuse, and the tiny arc that must never become a full turn.

Radii are measured here from the parsed text, not by the writer's own check.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug
from pipeline.gcode.comments import Lines
from pipeline.gcode.motion import Cursor
from pipeline.gcode.words import Format
from pipeline.model.shop import Dialect
from pipeline.model.toolpath import PathPass
from tests.reference import rs274
from tests.unit.gcode import small
from tests.unit.gcode.walk import Move, read, walk

CLEAR = small.CLEAR
DIALECTS = {"mm": small.MM, "in": small.INCH}
EVERY = pytest.mark.parametrize("dialect", DIALECTS.values(), ids=DIALECTS)
QUARTERS = {name: dataclasses.replace(d, longest_arc_rad=math.pi / 2) for name, d in DIALECTS.items()}

angles = st.floats(0, 2 * math.pi)
places = st.floats(-80, 80)


def moves_of(item: PathPass, dialect: Dialect, form: Format | None = None) -> list[Move]:
    """The moves of one pass, read back from its text."""
    lines = Lines(numbered=False)
    cursor = Cursor(lines, form=form or Format.of(dialect, machine="mill"), dialect=dialect, clearance_mm=CLEAR)
    cursor.over(0.0, 0.0)
    cursor.down_to_safe(small.SAFE, offset=1)
    cursor.path(item)
    text = lines.text()
    assert "e" not in text.lower()
    return walk(read(text + "M2\n"))


def arc_pass(
    x: float, y: float, radius: float, start: float, sweep: float, *, ccw: bool, drop: float = 0.0
) -> PathPass:
    """Down, one arc about (x, y), up."""
    turned = start + (sweep if ccw else -sweep)
    a = (x + radius * math.cos(start), y + radius * math.sin(start))
    b = a if sweep == 2 * math.pi else (x + radius * math.cos(turned), y + radius * math.sin(turned))
    return small.path(
        "arc",
        (0, *a, CLEAR),
        (1, *a, 3.0, 0, 0, 60.0),
        (3 if ccw else 2, *b, 3.0 - drop, x, y, 120.0),
        (0, *b, CLEAR),
    )


def fuzzed(units: str, decimals: int, *, n: int = 30000) -> tuple[float, int, int]:
    """Arcs rounded to `decimals` everywhere, I and J from the rounded start: the worst |r1 - r2| of n, how many a
    control would refuse, and how many of those the writer refuses. A few good ones are written too."""
    rng = np.random.default_rng(20000817)
    unit, limit, step = (25.4 if units == "in" else 1.0), rs274.ARC_LIMIT[units], 10.0**-decimals
    form = Format(units=units, linear_decimals=decimals, arc_decimals=decimals, feed_decimals=4)
    worst, over, refused = 0.0, 0, 0
    for k in range(n):
        x, y, radius, start, sweep = rng.uniform((-2, -2, 0.2, 0.3, 0.5), (2, 2, 2, 3.0, 3.0)).tolist()
        a = (x + radius * math.cos(start), y + radius * math.sin(start))
        b = (x + radius * math.cos(start + sweep), y + radius * math.sin(start + sweep))
        rounded = [round(v / step) * step for v in (*a, *b)]
        i, j = (round((c - s) / step) * step for c, s in zip((x, y), rounded[:2], strict=True))
        mismatch = abs(math.hypot(i, j) - math.hypot(rounded[2] - rounded[0] - i, rounded[3] - rounded[1] - j))
        worst, over = max(worst, mismatch), over + (mismatch > limit)
        if mismatch > limit or k < 300:
            try:
                moves_of(arc_pass(x * unit, y * unit, radius * unit, start, sweep, ccw=True), DIALECTS[units], form)
            except Bug:
                refused += 1
    return worst, over, refused


@pytest.mark.parametrize(("units", "few"), [("in", 4), ("mm", 3)])
def test_with_a_place_fewer_a_control_would_refuse_arcs(units: str, few: int) -> None:
    assert rs274.WORST_MISMATCH[units, few] == pytest.approx(rs274.WORST_PRINTED[units, few], rel=1e-6)
    worst, over, refused = fuzzed(units, few)
    assert rs274.ARC_LIMIT[units] < worst <= rs274.WORST_MISMATCH[units, few]
    assert refused == over > 0


@pytest.mark.parametrize(("units", "enough"), [("in", 5), ("mm", 4)])
def test_with_the_places_we_use_none_is_refused(units: str, enough: int) -> None:
    worst, over, refused = fuzzed(units, enough)
    assert worst < rs274.ARC_LIMIT[units] / 5
    assert refused == over == 0


@EVERY
@settings(derandomize=True, deadline=None, max_examples=150)
@given(x=places, y=places, radius=st.floats(0.05, 60), start=angles, sweep=st.floats(0.001, 6.28), ccw=st.booleans(),
       drop=st.sampled_from([0.0, 0.3]))  # fmt: skip
def test_every_written_arc_holds_the_rule(
    dialect: Dialect, x: float, y: float, radius: float, start: float, sweep: float, ccw: bool, drop: float
) -> None:
    item = arc_pass(x, y, radius, start, sweep, ccw=ccw, drop=drop)
    for pieces in (dialect, dataclasses.replace(dialect, longest_arc_rad=math.pi / 2)):
        unit = 25.4 if dialect.units == "in" else 1.0
        moves = moves_of(item, pieces)
        arcs = [m for m in moves if m.kind in ("cw", "ccw")]
        assert all(m.mismatch <= rs274.ARC_LIMIT[dialect.units] for m in arcs)
        assert all(m.kind == ("ccw" if ccw else "cw") for m in arcs)
        assert all(m.sweep <= pieces.longest_arc_rad + 0.2 for m in arcs)
        for move in arcs:  # the arc's middle lies on the planned circle
            centre = (move.start[0] + move.offset[0], move.start[1] + move.offset[1])
            assert math.dist([unit * c for c in centre], (x, y)) < 0.001
        end = next(m for m in reversed(moves) if m.kind != "rapid").end
        assert [unit * v for v in end] == pytest.approx(
            item.moves[2, 1:4].tolist(), abs=unit * 10.0**-dialect.linear_decimals
        )


@EVERY
@settings(derandomize=True, deadline=None, max_examples=300)
@given(x=places, y=places, radius=st.floats(0.0005, 60), start=angles, chord=st.floats(2e-9, 0.02), ccw=st.booleans())
def test_tiny_arcs_never_become_a_full_turn(
    dialect: Dialect, x: float, y: float, radius: float, start: float, chord: float, ccw: bool
) -> None:
    sweep = 2 * math.asin(min(1.0, chord / 2 / radius))
    item = arc_pass(x, y, radius, start, sweep, ccw=ccw)
    a, b = item.moves[1, 1:3], item.moves[2, 1:3]
    if math.dist(a, b) <= 1e-9 or abs(math.remainder(math.atan2(*(b - (x, y))[::-1]) - start, 2 * math.pi)) < sweep / 2:
        return  # so small that the numbers handed over say something else
    unit = 25.4 if dialect.units == "in" else 1.0
    for move in moves_of(item, dialect):
        if move.kind in ("cw", "ccw"):
            assert move.sweep < math.pi + 1.6
            assert move.start[:2] != move.end[:2]
        if move.kind != "rapid":
            assert math.dist([unit * v for v in move.end[:2]], a) < 0.02 + 0.004


@EVERY
@settings(derandomize=True, deadline=None, max_examples=100)
@given(
    x=places, y=places, radius=st.floats(0.02, 40), start=angles, ccw=st.booleans(), drop=st.sampled_from([0.0, 0.4])
)
def test_full_turns_stay_full_turns(
    dialect: Dialect, x: float, y: float, radius: float, start: float, ccw: bool, drop: float
) -> None:
    moves = moves_of(arc_pass(x, y, radius, start, 2 * math.pi, ccw=ccw, drop=drop), dialect)
    arcs = [m for m in moves if m.kind in ("cw", "ccw")]
    assert len(arcs) == 2
    assert sum(m.sweep for m in arcs) == pytest.approx(2 * math.pi, abs=0.004 / radius + 1e-3)
    assert arcs[0].start[:2] == pytest.approx(arcs[1].end[:2], abs=10.0**-dialect.linear_decimals)
