"""Random passes and holes: units agree, canned and expanded holes agree, rapids stay in order, text stays legal."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.program import Program
from pipeline.model.shop import Dialect
from pipeline.model.toolpath import HolePass, PathPass, Plan, Toolpath
from tests.reference import rs274
from tests.unit.gcode import small
from tests.unit.gcode.walk import Move, bottoms, read, walk

CLEAR = small.CLEAR


def random_pass(rng: np.random.Generator, name: str) -> PathPass:
    """Lines and arcs of any sweep, flat or falling, long enough to stay what they are in both units."""
    x, y, z = rng.uniform(10, 60), rng.uniform(5, 45), rng.uniform(2.5, 4.0)
    rows: list[tuple[float, ...]] = [(0, x, y, CLEAR), (0, x, y, 5.0), (1, x, y, z, 0, 0, rng.uniform(20, 90))]
    for _ in range(rng.integers(3, 9)):
        feed = rng.uniform(60, 400)
        if rng.random() < 0.5:
            x, y = rng.uniform(10, 60), rng.uniform(5, 45)
            rows.append((1, x, y, z, 0, 0, feed))
            continue
        ccw = rng.random() < 0.5
        radius, start = rng.uniform(0.5, 6), rng.uniform(0, 2 * math.pi)
        sweep = rng.choice([rng.uniform(0.3, 6.0), 2 * math.pi])
        cx, cy = x - radius * math.cos(start), y - radius * math.sin(start)
        if sweep < 6.1:
            turned = start + (sweep if ccw else -sweep)
            x, y = cx + radius * math.cos(turned), cy + radius * math.sin(turned)
        z -= rng.choice([0.0, 0.15])
        rows.append((3 if ccw else 2, x, y, z, cx, cy, feed))
    rows.append((0, x, y, CLEAR))
    return small.path(name, *rows)


def random_plan(seed: int) -> Plan:
    """A few toolpaths with three cutters."""
    rng = np.random.default_rng(seed)
    toolpaths = []
    for k in range(4):
        cutter = int(rng.integers(1, 4))
        passes = tuple(random_pass(rng, f"op {k}/pass {n}") for n in range(rng.integers(1, 4)))
        toolpaths.append(Toolpath(operation=small.operation(f"op {k}", cutter), passes=passes))
    return Plan(toolpaths=tuple(toolpaths), not_cut=())


def moves_of(program: Program) -> list[Move]:
    bare = re.sub(r"\([^)]*\)", "", program.text)
    assert "e" not in bare.lower()
    return walk(read(program.text))


@pytest.mark.parametrize("seed", range(12))
def test_inch_and_mm_agree_and_follow_the_plan(seed: int) -> None:
    plan = random_plan(seed)
    dialects = (dataclasses.replace(small.MM, feed_decimals=4), dataclasses.replace(small.INCH, feed_decimals=5))
    mm, inch = (moves_of(small.program(plan, dialect=d)) for d in dialects)
    assert len(mm) == len(inch)
    for a, b in zip(mm, inch, strict=True):
        assert a.kind == b.kind
        assert [25.4 * v for v in b.end] == pytest.approx(list(a.end), abs=0.00254, nan_ok=True)
        assert 25.4 * b.feed == pytest.approx(a.feed, rel=1e-4)
    cutting = [m for m in mm if m.kind != "rapid"]
    rows = [r for path in plan.toolpaths for item in path.passes for r in item.moves.tolist() if r[0] != 0]
    ends = np.array([m.end for m in cutting])
    for row in rows:  # every planned end is reached
        assert np.abs(ends - row[1:4]).max(axis=1).min() <= 0.0005 + 1e-9


@pytest.mark.parametrize("dialect", [small.MM, small.INCH, small.PLAIN])
@pytest.mark.parametrize("seed", range(6))
def test_rapids_and_arcs_keep_the_rules(seed: int, dialect: Dialect) -> None:
    unit = 25.4 if dialect.units == "in" else 1.0
    for move in moves_of(small.program(random_plan(seed), dialect=dialect)):
        across = move.start[:2] != move.end[:2]
        if move.kind == "rapid" and across and not math.isnan(move.end[2]):
            assert move.start[2] == move.end[2] >= (CLEAR - 0.002) / unit
        if move.kind in ("cw", "ccw"):
            assert move.mismatch <= rs274.ARC_LIMIT[dialect.units]


@pytest.mark.parametrize("seed", range(4))
def test_chords_follow_the_arcs(seed: int) -> None:
    plan = random_plan(seed)
    arcs, chords = (moves_of(small.program(plan, dialect=d)) for d in (small.MM, small.PLAIN))

    def length(moves: list[Move]) -> float:
        total = 0.0
        for m in moves:
            if m.kind == "feed":
                total += math.dist(m.start, m.end)
            elif m.kind != "rapid":
                total += math.hypot(math.hypot(*m.offset) * m.sweep, m.end[2] - m.start[2])
        return total

    # A chord of sagitta e on radius r is shorter by about 2 e / 3 r of its length: under 0.3 % from 0.5 mm up.
    assert length(chords) == pytest.approx(length(arcs), rel=0.003)
    assert length(chords) < length(arcs)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(
    cycle=st.sampled_from(["drill", "peck", "chip break"]),
    x=st.floats(-50, 50),
    retract=st.floats(4.5, CLEAR),
    depth=st.floats(0.01, 4.0),
    peck=st.floats(0.05, 5.0),
    inch=st.booleans(),
)
def test_canned_and_expanded_holes_agree(
    cycle: str, x: float, retract: float, depth: float, peck: float, inch: bool
) -> None:
    base = small.INCH if inch else small.MM
    item = HolePass(
        id="hole",
        cycle=cycle,  # type: ignore[arg-type]
        x_mm=x,
        y_mm=3.0,
        retract_z_mm=retract,
        bottom_z_mm=retract - depth,
        peck_mm=peck,
        feed_mm_min=50.0,
    )
    plan = Plan(toolpaths=(Toolpath(operation=small.operation("hole", 2), passes=(item,)),), not_cut=())
    expanded = dataclasses.replace(base, canned_cycles=frozenset())
    first, second = (moves_of(small.program(plan, dialect=d)) for d in (base, expanded))
    assert bottoms(first) == bottoms(second)
    assert len(bottoms(first)) >= 1
    assert first[-1].end == second[-1].end
