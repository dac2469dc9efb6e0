"""Random parts on random plates: whatever is placed keeps every gap, whatever is refused says why. Twelve crowded
plates, and two thousand tiny ones in blocks that can be shared out."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import BadInput
from pipeline.model.digests import digest
from pipeline.model.loop import Loop
from pipeline.model.nest import Nest
from pipeline.nest import place_parts
from pipeline.verify import check_nest
from tests.reference.nest_measure import least_distances
from tests.reference.packings import L_SHAPE, U_SHAPE, plain_part, plain_region, rectangle, request, ring, slotted, star
from tests.reference.small_nests import Small, small_problem

ROOT = Path(__file__).resolve().parents[2]
BLOCK, BLOCKS = 100, 20
NOISE = 1e-9  # mm and rad


def _random_case(seed: int):
    rng = np.random.default_rng(seed)
    shapes = [lambda s: L_SHAPE * s, lambda s: U_SHAPE * s, lambda s: star(int(rng.integers(3, 8)), 14 * s, 6 * s),
              lambda s: rectangle(30 * s, 9 * s), lambda s: slotted(40 * s, 12 * s, 4 * s),
              lambda s: Loop.circle(1.0, 2.0, 7 * s)]
    parts, requests = [], []
    for k in range(int(rng.integers(1, 4))):
        outline = shapes[int(rng.integers(len(shapes)))](float(rng.uniform(0.6, 1.2)))
        rotations = [None, (0.0, 90.0), (17.0,)][int(rng.integers(3))]
        parts.append(plain_part(f"part{k}", outline))
        requests.append(request(f"part{k}", int(rng.integers(1, 4)), rotations_deg=rotations))
    parts.append(plain_part("stud", Loop.circle(0, 0, float(rng.uniform(2, 5)))))
    requests.append(request("stud", None))
    corners = ring(int(rng.integers(5, 12)), 1.0) * rng.uniform(40, 75, size=2) * rng.uniform(0.85, 1.0)
    keepouts = tuple((f"pin-{i}", ring(8, rng.uniform(1, 5)) + rng.uniform(-45, 45, size=2), float(rng.uniform(0, 3)))
                     for i in range(int(rng.integers(0, 4))))
    region = plain_region(corners, edge_gap_mm=float(rng.uniform(0, 3)), keepouts=keepouts)
    return parts, requests, region, float(rng.choice([0.0, 0.5, 1.8, 3.5]))


@pytest.mark.parametrize("seed", range(12))
def test_gaps_hold_and_counts_are_kept(seed: int) -> None:
    parts, requests, region, gap_mm = _random_case(seed)
    try:
        nest = place_parts(parts, requests, region, gap_mm=gap_mm, seed=seed, effort=1)
    except BadInput as refused:
        # these plates hold up to nine parts of a few hundred mm2; a refusal must be about something
        assert all(f.code.startswith("N2") and f.hint and (f.amount_mm is None or f.amount_mm > 0)
                   for f in refused.findings)
        pytest.fail(f"refused: {refused}")
    gap, edge = least_distances(nest, parts, region)
    assert gap >= gap_mm - 1e-6  # floating-point noise only
    assert edge >= -1e-6
    for asked in requests[:-1]:
        assert sum(p.part == asked.name for p in nest.placements) == asked.count
        if asked.rotations_rad is not None:
            turns = {round(p.billet_from_part.angle_rad, 9) for p in nest.placements if p.part == asked.name}
            assert turns <= {round(a, 9) for a in asked.rotations_rad}
    found = check_nest(nest, parts, requests, region, gap_mm=gap_mm)
    assert found.faults == ()
    assert found.least_gap_mm == pytest.approx(gap, abs=0.002)  # theirs is of arcs as chords


# ---- two thousand tiny problems -------------------------------------------------------------------------------------


def _placed(problem: Small, workers: int = 1) -> Nest | BadInput:
    try:
        return place_parts(problem.parts, problem.requests, problem.region, gap_mm=problem.gap_mm, seed=problem.seed,
                           effort=1, workers=workers)  # fmt: skip
    except BadInput as refused:
        return refused


def _mark(outcome: Nest | BadInput) -> str:
    """The outcome's bytes in short."""
    return digest(outcome.findings if isinstance(outcome, BadInput) else outcome)


def _counts_are_kept(problem: Small, nest: Nest) -> bool:
    n = {r.name: sum(p.part == r.name for p in nest.placements) for r in problem.requests}
    ids = [p.part_id for p in nest.placements]
    return len(set(ids)) == len(ids) and all(r.count is None or n[r.name] == r.count for r in problem.requests)


def _pins_are_kept(problem: Small, nest: Nest) -> bool:
    at = [(p.part, *p.billet_from_part.shift_mm[:2]) for p in nest.placements]
    return all((r.name, x, y) in at for r in problem.requests for x, y, _ in r.fixed)  # to the last bit


def _turns_are_kept(problem: Small, nest: Nest) -> bool:
    allowed = {r.name: [*(r.rotations_rad or ()), *(a for _, _, a in r.fixed)] for r in problem.requests
               if r.rotations_rad is not None}  # fmt: skip
    return all(min(abs(math.remainder(p.billet_from_part.angle_rad - a, math.tau)) for a in allowed[p.part]) <= NOISE
               for p in nest.placements if p.part in allowed)  # fmt: skip


def _corners(problem: Small, nest: Nest) -> list[np.ndarray]:
    outline = {part.name: part.outline.vertices[:, :2] for part in problem.parts}
    return [p.billet_from_part.points(outline[p.part]) for p in nest.placements]


def _corners_are_on_the_plate(problem: Small, nest: Nest) -> bool:
    """Plates are convex: every corner lies to the left of every edge, the edge gap from it."""
    a = np.array(problem.region.outline)
    way = np.roll(a, -1, axis=0) - a
    way /= np.hypot(*way.T)[:, None]
    points = np.concatenate(_corners(problem, nest)) if nest.placements else np.zeros((0, 2))
    off = points[:, None] - a
    left = way[:, 0] * off[..., 1] - way[:, 1] * off[..., 0]
    return bool((left >= problem.region.edge_gap_mm - 1e-6).all())  # the engine's own limit of noise


def _corners_are_apart(problem: Small, nest: Nest) -> bool:
    """No corner of one part is nearer than the gap to a corner of another, nor to a pin's."""
    corners = _corners(problem, nest)
    walls = [(np.array(polygon), gap) for _, polygon, gap in problem.region.keepouts]
    pairs = [(a, b, problem.gap_mm) for i, a in enumerate(corners) for b in corners[:i]]
    pairs += [(a, wall, gap) for a in corners for wall, gap in walls]
    return all(np.hypot(*(a[:, None] - b).T).min() >= gap - 1e-6 for a, b, gap in pairs)


def _areas_fit(problem: Small, nest: Nest) -> bool:
    area = {part.name: part.outline.area_mm2 for part in problem.parts}
    total = math.fsum(area[p.part] for p in nest.placements)
    return abs(total - nest.parts_area_mm2) < 1e-6 and total <= nest.usable_area_mm2 * 1.001


CONDITIONS = (
    _counts_are_kept,
    _pins_are_kept,
    _turns_are_kept,
    _corners_are_on_the_plate,
    _corners_are_apart,
    _areas_fit,
)


@pytest.mark.parametrize("block", range(BLOCKS))
def test_two_thousand_tiny_problems(block: int) -> None:
    n_placed = n_fixed = 0
    for number in range(block * BLOCK, (block + 1) * BLOCK):
        problem = small_problem(number)
        outcome = _placed(problem)
        if number % 10 == 0:
            assert _mark(outcome) == _mark(_placed(problem, workers=2)), number
        if isinstance(outcome, BadInput):
            for finding in outcome.findings:
                assert finding.code in {"N201", "N202", "N203", "N204"} and finding.hint, (number, str(finding))
                assert finding.amount_mm is None or finding.amount_mm > 0, (number, str(finding))
            continue
        n_placed += 1
        n_fixed += any(r.fixed for r in problem.requests)
        found = check_nest(outcome, problem.parts, problem.requests, problem.region, gap_mm=problem.gap_mm)
        assert found.faults == (), number
        for kept in CONDITIONS:
            assert kept(problem, outcome), (number, kept.__name__)
    assert n_placed >= 0.75 * BLOCK and n_fixed >= 1, "most problems have an answer"


_TOLD = range(0, BLOCK * BLOCKS, 50)


@cache
def _told_here() -> list[str]:
    return [_mark(_placed(small_problem(number))) for number in _TOLD]


def test_another_process_makes_the_same_bytes() -> None:
    text = ("from tests.property.test_nest_random import _told_here\n"
            "print('\\n'.join(_told_here()))")  # fmt: skip
    env = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONHASHSEED": "7"}
    done = subprocess.run([sys.executable, "-c", text], env=env, cwd=ROOT, text=True, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == _told_here()
    assert len(set(_told_here())) > 0.9 * len(_TOLD)
