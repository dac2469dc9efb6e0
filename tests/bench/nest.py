"""Times and yields of the nest on invented plates: `run()` gives seconds (compiled kernels, warm) and counts."""

from __future__ import annotations

import time

import numpy as np

from pipeline.model.loop import Loop
from pipeline.nest import place_parts
from tests.reference.packings import plain_part, plain_region, request, ring, slotted


def _plate(width: float, height: float):
    """A plate with a wavy edge of up to 1 mm and one defect. INVENTED."""
    x, y = np.arange(0, width, 5.0), np.arange(0, height, 5.0)
    dip = 0.5 + 0.5 * np.sin(np.arange(2 * (len(x) + len(y))) * 1.7)
    a, b, c = len(x), len(x) + len(y), 2 * len(x) + len(y)
    outline = np.concatenate([
        np.column_stack([x, dip[:a]]), np.column_stack([width - dip[a:b], y]),
        np.column_stack([width - x, height - dip[b:c]]), np.column_stack([dip[c:], height - y])])
    return plain_region(outline, edge_gap_mm=3.5, keepouts=(("defect", ring(16, 2.0) + [0.75 * width, 20], 3.5),))


def run() -> dict:
    """Seconds and studs of a handle pair, two clips and as many studs as fit on 160 x 75, by seed."""
    handle = slotted(100, 26, 10)
    parts = [plain_part("handle-left", handle), plain_part("handle-right", handle),
             plain_part("clip", slotted(48, 8, 2)), plain_part("stud", Loop.circle(0, 0, 3.5))]
    asked = [request("handle-left", 1, value=60, rotations_deg=(0, 180)),
             request("handle-right", 1, value=60, rotations_deg=(0, 180)), request("clip", 2, value=14),
             request("stud", None, value=3)]
    region = _plate(160, 75)
    place_parts(parts, asked, region, gap_mm=3.3, seed=1, effort=1)  # compiles
    out: dict = {}
    for seed in (1, 2, 3):
        start, cpu = time.perf_counter(), time.process_time()
        nest = place_parts(parts, asked, region, gap_mm=3.3, seed=seed, effort=20, workers=2)
        out[f"seed {seed}"] = {
            "seconds": round(time.perf_counter() - start, 2),
                               "cpu_seconds": round(time.process_time() - cpu, 2),
            "studs": sum(p.part == "stud" for p in nest.placements),
        }
    return out
