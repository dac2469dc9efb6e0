"""Random parts on random plates: whatever is placed keeps every gap, whatever is refused says why."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import BadInput
from pipeline.model.loop import Loop
from pipeline.nest import place_parts
from tests.reference.nest_measure import least_distances
from tests.reference.packings import L_SHAPE, U_SHAPE, plain_part, plain_region, rectangle, request, ring, slotted, star


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
