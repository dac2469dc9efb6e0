"""How long a check takes: a plate of 170 x 85 mm at 0.05 mm, fifty round parts, about fifty thousand moves.

Run `./run bench verify`. Times are wall seconds on whatever runs it, median of three, compiled code warm. Memory is
the peak of the whole process.
"""

from __future__ import annotations

import resource
import statistics
import time

from pipeline.verify.judge import judge
from pipeline.verify.removal import simulate
from pipeline.verify.tools import tool_table
from tests.unit.verify import by_hand
from tests.unit.verify.by_hand import Motion

_ROWS, _COLS, _PITCH = 5, 10, 16.0
_N_FINE = 72  # chords of each round, as a program without arcs would have


def plate() -> tuple[Motion, tuple]:
    """Fifty studs, each faced, stepped and cut out; rounds of many short chords."""
    import math

    motion = Motion(z=30.0)
    parts = []
    for i in range(_ROWS):
        for j in range(_COLS):
            x, y = 12.0 + _PITCH * j, 10.5 + _PITCH * i
            parts.append(by_hand.placed(by_hand.STUD, x, y, 0.8, part_id=f"stud-{len(parts) + 1}"))
            rings = [(r, 4.6) for r in (5.2, 3.0, 1.0)] + [(3.7, z) for z in (3.9, 3.2, 2.6, 2.0)]
            rings += [(5.5, z) for z in (4.2, 3.4, 2.6, 1.8, 1.0, 0.3)]
            for radius, z in rings:
                motion.rapid(x + radius, y).rapid(z=5.5).line(z=z)
                for k in range(1, _N_FINE + 1):
                    turn = -2 * math.pi * k / _N_FINE
                    motion.line(x + radius * math.cos(turn), y + radius * math.sin(turn))
                motion.rapid(z=7.0)
    motion.rapid(z=30.0)
    motion.tool = 2
    for part in parts:
        motion.rapid(*part.setup_from_part.shift_mm[:2]).rapid(z=5.5)
        for z in (3.8, 3.0, 2.2, 2.6 - by_hand.POINT_MM):
            motion.line(z=z).rapid(z=5.5)
        motion.rapid(z=7.0)
    return motion, tuple(parts)


def run(repeats: int = 3) -> dict[str, float]:
    """Sizes, median times, moves per second of the whole judgement, memory; for one and two workers."""
    motion, parts = plate()
    setup = by_hand.setup(by_hand.box(170, 85), top=5.0, skin=0.3, parts=parts)
    reading = motion.reading()
    tools = tool_table(by_hand.STUD_CRIB)
    out: dict[str, float] = {"moves": len(motion.rows), "cells": (170 / 0.05) * (85 / 0.05)}
    for workers in (1, 2):
        removal, whole = [], []
        for _ in range(repeats + 1):  # the first run warms up
            start = time.perf_counter()
            simulate(reading.moves, setup=setup, tools=tools, cell_mm=0.05, workers=workers)
            removal.append(time.perf_counter() - start)
            start = time.perf_counter()
            judge(
                reading, [], setup=setup, crib=by_hand.STUD_CRIB, machine=by_hand.MACHINE, material=by_hand.MATERIAL,
                tolerances=by_hand.TOLERANCES, not_cut=(), cell_mm=0.05, workers=workers,
            )  # fmt: skip
            whole.append(time.perf_counter() - start)
        out[f"removal, {workers} worker, s"] = statistics.median(removal[1:])
        out[f"whole, {workers} worker, s"] = statistics.median(whole[1:])
        out[f"moves per second, {workers} worker"] = len(motion.rows) / statistics.median(whole[1:])
    out["peak memory, MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return out
