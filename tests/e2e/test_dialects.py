"""One job in several dialects of the same machine: the same moves, the same stock, whatever the text looks like.

The job is a clip and two studs on the metric shop's plate, made stage by stage: what is compared is what the verifier
reads back out of each program's text.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, minimum_filter

from pipeline import gcode, nest, operations, setups, solids, verify
from pipeline.job import read_job
from pipeline.model.digests import digest
from pipeline.model.shop import Dialect, Machine
from pipeline.model.toolpath import Cycle, HolePass, Plan
from pipeline.model.units import MM_PER_INCH
from pipeline.model.verdict import Verdict
from pipeline.verify.reader import read_program
from pipeline.verify.reading import RAPID, Moves
from tests.e2e.conftest import JOBS
from tests.reference.rs274_grammar import parse

JOB = f"""\
based_on: {JOBS / "grafting-pair.yaml"}
title: A clip and two studs, at fixed places
parts:
  handle: {{count: 0}}
  clip: {{count: 1, fixed: [{{x: 60, y: 60, angle: 7}}]}}
  stud: {{count: 2, fixed: [{{x: 60, y: 80, angle: 0}}, {{x: 75, y: 82, angle: 0}}]}}
"""
METRIC = read_job(JOBS / "grafting-pair.yaml").machine.dialect
INCH = read_job(JOBS / "budding-small.yaml").machine.dialect
CANNED = replace(METRIC, canned_cycles=METRIC.canned_cycles | {"G73"})
BACKOFF_MM = METRIC.peck_backoff_mm - 0.15

# The same machine each time, so that only the way of writing differs.
DIALECTS: dict[str, Dialect] = {
    "as configured": METRIC,
    "canned": CANNED,
    "expanded": replace(METRIC, canned_cycles=frozenset(), peck_backoff_mm=BACKOFF_MM),
    "inch": replace(
        CANNED,
        units="in",
        linear_decimals=INCH.linear_decimals,
        arc_decimals=INCH.arc_decimals,
        feed_decimals=INCH.feed_decimals,
    ),
    "quarter arcs": replace(CANNED, longest_arc_rad=math.pi / 2),
    "flat arcs": replace(CANNED, helices=False),
    "chords": replace(CANNED, arcs=False, helices=False),
}
UNIT_MM = MM_PER_INCH / 10**INCH.linear_decimals  # one output unit of the coarser of the two, 0.00001 in
FIELD_CHORD_MM = 0.002  # the stock field replays arcs by chords that are off by up to this


@dataclass(frozen=True, kw_only=True)
class Made:
    """One dialect's program, as the verifier read and judged it."""

    text: str
    moves: Moves
    verdict: Verdict


Make = Callable[..., Made]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Make:
    """made(name of a dialect, cycle of the deep holes if not the planner's own) -> Made, each made once."""
    file = tmp_path_factory.mktemp("dialects") / "clip-and-studs.yaml"
    file.write_text(JOB)
    job = read_job(file)
    parts = solids.build_parts(job.parts)
    seating = setups.seat(job.billet, job.holding)
    gap_mm = job.crib.cutter(job.nest.outline_cutter).diameter_mm + job.nest.margin_mm
    region = setups.nest_region(job, seating)
    placed = nest.place_parts(parts, job.parts, region, gap_mm=gap_mm, seed=job.nest.seed, effort=job.nest.effort)
    setup = setups.plan_setup(job, parts, placed, seating)

    @cache
    def make(name: str, cycle: Cycle | None = None) -> Made:
        machine: Machine = replace(job.machine, dialect=DIALECTS[name])
        shop = {"crib": job.crib, "machine": machine, "material": job.material}
        plan = operations.plan_toolpaths(setup, tolerances=job.tolerances, nest_request=job.nest, **shop)
        if cycle is not None:
            plan = with_cycle(plan, cycle)
        text = gcode.write_program(
            plan, setup, job_name=job.name, job_digest=digest(job), status="NOT YET RUN", **shop
        ).text
        verdict = verify.check_program(
            text, setup=setup, tolerances=job.tolerances, not_cut=plan.not_cut, **shop
        )  # the plan is not shown to it
        return Made(text=text, moves=read_program(text, machine=machine, crib=job.crib).moves, verdict=verdict)

    return make


def with_cycle(plan: Plan, cycle: Cycle) -> Plan:
    """The plan with every hole that is drilled in steps drilled by this cycle."""
    paths = []
    for path in plan.toolpaths:
        holes = [isinstance(p, HolePass) and p.cycle != "drill" for p in path.passes]
        passes = [replace(p, cycle=cycle) if deep else p for p, deep in zip(path.passes, holes, strict=True)]
        paths.append(replace(path, passes=tuple(passes)))
    return replace(plan, toolpaths=tuple(paths))


@pytest.mark.parametrize("name", DIALECTS)
def test_every_dialect_is_released(made: Make, name: str) -> None:
    verdict = made(name).verdict
    assert verdict.verdict == "released", "\n".join(str(f) for f in verdict.findings)
    assert {part.part_id for part in verdict.parts} == {"clip", "stud-1", "stud-2"}


@pytest.mark.parametrize("name", DIALECTS)
def test_every_dialect_obeys_the_grammar_of_the_standard(made: Make, name: str) -> None:
    lines = parse(made(name).text, extra_g=(73.0,))  # not in the report, but common
    codes = {code for line in lines for code in line.codes("G")}
    dialect = DIALECTS[name]
    assert (20 in codes) == (dialect.units == "in") and (21 in codes) == (dialect.units == "mm")
    assert bool({2, 3} & codes) == dialect.arcs
    assert ("G81" in dialect.canned_cycles, "G73" in dialect.canned_cycles) == (81 in codes, 73 in codes)
    helical = [line for line in lines if {2, 3} & set(line.codes("G")) and line.get("Z") is not None]
    assert bool(helical) == dialect.helices


def test_inch_and_mm_make_the_same_moves(made: Make) -> None:
    """Every end within one output unit. A cycle's n-th peck ends n pecks under the R plane, and Q is rounded like every
    other word: there, a unit for each move of the cycle's line."""
    mm, inch = made("canned").moves, made("inch").moves
    np.testing.assert_array_equal(mm.kind, inch.kind)
    np.testing.assert_array_equal(mm.tool, inch.tool)
    np.testing.assert_array_equal(mm.rpm, inch.rpm)
    first_of_line = np.searchsorted(mm.line, mm.line)
    allowed = UNIT_MM * (1 + np.arange(len(mm.line)) - first_of_line)
    off = np.abs(mm.end - inch.end).max(axis=1)
    assert (off <= allowed).all(), off.max()
    assert (allowed == UNIT_MM).mean() > 0.5  # most moves have a line of their own
    is_arc = mm.kind > 1
    assert is_arc.any()
    assert np.abs(mm.centre - inch.centre)[is_arc].max() <= 2 * UNIT_MM  # the start and I J are rounded, each


def test_inch_and_mm_feeds_agree_to_four_digits(made: Make) -> None:
    """To one unit of the fourth significant digit of mm/min."""
    mm, inch = made("canned").moves, made("inch").moves
    cutting = mm.kind != RAPID
    a, b = mm.feed_mm_min[cutting], inch.feed_mm_min[cutting]
    assert (np.abs(a - b) <= 10.0 ** (np.floor(np.log10(a)) - 3)).all()
    assert (mm.feed_mm_min[~cutting] == 0).all() and (inch.feed_mm_min[~cutting] == 0).all()


def lifts_joined(moves: Moves) -> Moves:
    """Without the rapids straight up that the next rapid carries on."""
    up = (moves.kind == RAPID) & (moves.end[:, 2] > moves.start[:, 2])
    up &= (moves.end[:, :2] == moves.start[:, :2]).all(axis=1)
    kept = ~(up & np.append(up[1:], False))
    return Moves(**{field.name: getattr(moves, field.name)[kept] for field in fields(Moves)})


@pytest.mark.parametrize(("cycle", "word", "back"), [("peck", "G83", 2), ("chip break", "G73", 1)])
def test_a_cycle_and_its_expansion_make_the_same_moves(made: Make, cycle: Cycle, word: str, back: int) -> None:
    """Equal (kind, end) in order, to the digit; only where a peck's feed begins again, each machine has its own way.
    That height is `back` moves after the bottom: G83 goes out to the R plane first. A way straight up counts as one
    move, whether the cycle ends on the R plane on the way or not."""
    one, other = made("canned", cycle), made("expanded", cycle)
    assert one.text.count(f" {word} ") == 4 and f" {word} " not in other.text
    canned, expanded = lifts_joined(one.moves), lifts_joined(other.moves)
    np.testing.assert_array_equal(canned.kind, expanded.kind)
    np.testing.assert_allclose(canned.feed_mm_min, expanded.feed_mm_min, rtol=0, atol=1e-9)
    np.testing.assert_allclose(canned.end[:, :2], expanded.end[:, :2], rtol=0, atol=1e-9)
    higher = canned.end[:, 2] - expanded.end[:, 2]
    begins = np.flatnonzero(np.abs(higher) > 1e-9)
    assert len(begins) >= 4
    np.testing.assert_allclose(higher[begins], METRIC.peck_backoff_mm - BACKOFF_MM, rtol=0, atol=1e-9)
    assert (canned.kind[begins] == RAPID).all() and (canned.kind[begins + 1] != RAPID).all()
    assert (canned.kind[begins - back] != RAPID).all()
    for moves, backoff_mm in ((canned, METRIC.peck_backoff_mm), (expanded, BACKOFF_MM)):
        np.testing.assert_allclose(moves.end[begins, 2] - moves.end[begins - back, 2], backoff_mm, rtol=0, atol=1e-9)
    assert (one.verdict.verdict, other.verdict.verdict) == ("released", "released")
    np.testing.assert_array_equal(one.verdict.stock.z, other.verdict.stock.z)


@pytest.mark.parametrize(
    ("name", "height_mm", "aside_mm"),
    [
        ("as configured", 0.0, 0.0),  # the same numbers: the same bits
        ("expanded", 0.0, 0.0),
        ("inch", UNIT_MM, UNIT_MM),
        ("quarter arcs", UNIT_MM, FIELD_CHORD_MM),  # the field's own chords begin elsewhere
        ("flat arcs", UNIT_MM, METRIC.chord_mm + FIELD_CHORD_MM),
        ("chords", UNIT_MM, METRIC.chord_mm + FIELD_CHORD_MM),
    ],
)
def test_every_dialect_leaves_the_same_stock(made: Make, name: str, height_mm: float, aside_mm: float) -> None:
    """Heights agree to one rounding step. A wall that moved aside by a rounding step (or a chord) takes the cells whose
    centres it passed: each of them must show the height of a neighbour, and there can be no more of them than twice
    that step's share of a cell for every cell along a wall."""
    one, other = made("canned").verdict.stock, made(name).verdict.stock
    assert (one.x0_mm, one.y0_mm, one.cell_mm) == (other.x0_mm, other.y0_mm, other.cell_mm)
    a, b = one.z.astype(np.float64), other.z.astype(np.float64)
    tolerance = height_mm + 1e-6 * (height_mm > 0)  # float32 heights
    apart = np.abs(a - b) > tolerance
    low, high = _neighbours(a)
    assert ((low - tolerance <= b) & (b <= high + tolerance)).all()
    walls = np.count_nonzero(high - low > 0.1)
    assert walls > 10_000
    assert np.count_nonzero(apart) <= 2 * aside_mm / one.cell_mm * walls
    assert (a > 0).sum() == (b > 0).sum() > 0


def _neighbours(z: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest of every cell and the eight round it."""
    return minimum_filter(z, 3), maximum_filter(z, 3)
