"""Tiny nesting problems drawn by number: the same number is the same problem in any process."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.model.job import PartRequest
from pipeline.model.loop import Loop
from pipeline.model.nest import Region, Silhouette
from tests.reference.packings import plain_region, rectangle, request, ring


@dataclass(frozen=True)
class Small:
    """One problem."""

    parts: tuple[Silhouette, ...]
    requests: tuple[PartRequest, ...]
    region: Region
    gap_mm: float
    seed: int


def small_problem(number: int) -> Small:
    """One or two kinds with counts, studs on some plates, a pin on some, gaps from 0 up. Plates are three to five times
    as large as their parts, so that a search takes milliseconds; a few are so small that some parts find no place."""
    rng = np.random.default_rng([20262, number])
    parts, requests, taken = [], [], 0.0
    gap = float(rng.choice([0.0, 0.4, 1.5]))
    for k in range(1 if rng.random() < 0.6 else 2):
        outline = _outline(rng)
        count = int(rng.integers(1, 3))
        rotations = [None, (0.0, 90.0), (17.0,)][int(rng.integers(3))]
        parts.append(Silhouette(name=f"part{k}", outline=outline))
        requests.append(request(f"part{k}", count, rotations_deg=rotations))
        taken += count * (outline.area_mm2 + gap * outline.length_mm / 2)
    if rng.random() < 0.03:
        parts.append(Silhouette(name="stud", outline=Loop.circle(0.3, -0.2, float(rng.uniform(2.0, 3.0)))))
        requests.append(request("stud", None))
    edge = float(rng.choice([0.0, 0.5]))
    area = taken * (rng.uniform(1.2, 1.6) if rng.random() < 0.004 else rng.uniform(3.0, 5.5))
    width = math.sqrt(area * rng.uniform(0.7, 1.4))
    height = area / width
    plate = rectangle(width, height) if rng.random() < 0.5 else \
        ring(int(rng.integers(5, 9)), 1.0) * [0.62 * width, 0.62 * height] + [width / 2, height / 2]
    keepouts = ()
    if rng.random() < 0.3:
        at = rng.uniform(0.1, 0.9, 2) * [width, height]
        keepouts = (("pin", ring(5, rng.uniform(0.5, 1.5)) + at, float(rng.uniform(0, 1))),)
    if rng.random() < 0.15:  # a place that is fixed, good or not
        spot = (float(rng.uniform(0.2, 0.6) * width), float(rng.uniform(0.2, 0.6) * height), float(rng.uniform(0, 6)))
        requests[0] = request(requests[0].name, requests[0].count, fixed=(spot,))
    return Small(tuple(parts), tuple(requests), plain_region(plate, edge_gap_mm=edge, keepouts=keepouts), gap, number)


def _outline(rng: np.random.Generator) -> Loop:
    """A tiny part about its own zero: a disc, a box, a wedge, a bow with a hollow side, a plate with round ends."""
    a, b = (float(v) for v in rng.uniform(3, 9, 2))
    bulge = float(rng.uniform(0.2, 0.6))
    return [
        lambda: Loop.circle(1.0, -0.5, a / 2),
        lambda: Loop.polygon(rectangle(a, b)),
        lambda: Loop.polygon(np.array([[0, 0], [a, 0], [0, b]])),
        lambda: Loop(np.array([[0, 0, -bulge], [a + 2, 0, 0], [a + 2, b, bulge], [0, b, 0]])),
        lambda: Loop(np.array([[0, 0, 0], [a, 0, 1.0], [a, b / 2, 0], [0, b / 2, 1.0]])),
    ][int(rng.integers(5))]()
