"""How long a verification takes: the text of a program for a plate of 230 x 95 mm, read, cut, compared and judged.

The program is made for this: seventy turned studs, each faced, stepped and cut out in rounds of short chords, some of
them ramps, a ball end mill over waves in the waste between them, and drilled holes; five cutters. Each case runs in a
process of its own, on two workers, after one small run that loads the compiled code (`warm_up_s`); wall and processor
seconds are of the whole judgement of the text, memory is the peak of the process. Figures at the top are those of
about 250,000 moves at 0.02 mm.
"""

from __future__ import annotations

import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from pipeline.model.setup import Setup
from pipeline.model.shop import CutterKind
from pipeline.model.verdict import Verdict
from pipeline.verify import check_program
from tests.unit.verify import by_hand

ROOT = Path(__file__).parents[2]
_ROWS, _COLS, _PITCH_X, _PITCH_Y = 5, 14, 16.2, 18.2
SAFE, CLEAR = 25.0, 7.0
# Of 120 sides: the seventy together have about twice the triangles of all parts of the larger example job.
STUD = by_hand.turned(
    [(0, 0), (4, 0), (4, 1.2), (2.2, 1.2), (2.2, 3.8), (1, 3.8), (1, 1.8), (0, 1.8 - by_hand.POINT_MM)], n=120,
    features=(by_hand.BORE,),
)  # fmt: skip
CRIB = by_hand.crib(
    by_hand.cutter(1, 3.0), by_hand.cutter(2, 2.5), by_hand.cutter(3, 3.0, CutterKind.BALL),
    by_hand.cutter(4, 2.0, CutterKind.DRILL, chip_load_mm=0.03, peck_mm=1.0), by_hand.cutter(5, 6.0, chip_load_mm=0.03),
)  # fmt: skip


class Writer:
    """Lines of a program; XY in 4 decimals."""

    def __init__(self) -> None:
        self.lines = ["G21 G17 G90 G94 G40 G49 G80", "G54 G98", "G61", "G92.1", "G53 G0 Z0"]

    def section(self, tool: int, rpm: int, *, stop: bool = False) -> None:
        self.lines += ["M9", "M5", "G53 G0 Z0", f"T{tool} M6", *(["M0"] if stop else []), "G0 X5 Y5", f"M3 S{rpm}",
                       "G4 P3", "M8", f"G43 H{tool} G0 Z{SAFE:g}", f"G0 Z{CLEAR:g}"]  # fmt: skip

    def rounds(self, x: float, y: float, radius: float, levels: list[float], n: int, feed: int) -> None:
        """Rounds clockwise at each level, every fourth a ramp down to it. Chords stay outside the radius."""
        radius /= math.cos(math.pi / n)
        self.lines += [f"G0 X{x + radius:.4f} Y{y:.4f}", "G0 Z5.2"]
        for k, z in enumerate(levels):
            ramp = k % 4 == 3
            if not ramp:
                self.lines.append(f"G1 Z{z:.4f} F60")
            for i in range(1, n + 1):
                turn = -2 * math.pi * i / n
                word = f"G1 X{x + radius * math.cos(turn):.4f} Y{y + radius * math.sin(turn):.4f}"
                if ramp:
                    word += f" Z{levels[k - 1] + (z - levels[k - 1]) * i / n:.4f}"
                self.lines.append(word + (f" F{feed}" if i == 1 else ""))
        self.lines.append(f"G0 Z{CLEAR:g}")

    def waves(self, x: float, y: float, n: int) -> None:
        """A ball over waves, 4 x 4 mm, there and back."""
        self.lines += [f"G0 X{x:.4f} Y{y:.4f}", "G0 Z5.2", "G1 Z4.7 F60"]
        for row in range(20):
            for i in range(n + 1):
                u = 4.0 * (i if row % 2 == 0 else n - i) / n
                z = 4.4 + 0.3 * math.sin(1.7 * u + 0.4 * row)
                self.lines.append(f"G1 X{x + u:.4f} Y{y + 0.2 * row:.4f} Z{z:.4f}" + (" F150" if i == 0 else ""))
        self.lines.append(f"G0 Z{CLEAR:g}")


def _levels(high: float, low: float, step: float) -> list[float]:
    n = math.ceil((high - low) / step)
    return [high - (high - low) * k / n for k in range(1, n + 1)]


SPOTS = [(12.0 + _PITCH_X * j, 10.5 + _PITCH_Y * i) for i in range(_ROWS) for j in range(_COLS)]


def plate(n_studs: int = len(SPOTS)) -> Setup:
    """The plate with its first studs."""
    spots = SPOTS[:n_studs]
    parts = tuple(by_hand.placed(STUD, x, y, 0.8, part_id=f"stud-{k + 1}") for k, (x, y) in enumerate(spots))
    return by_hand.setup(by_hand.box(230, 95), top=5.0, skin=0.3, parts=parts)


def case(fineness: float, n_studs: int = len(SPOTS)) -> tuple[str, Setup]:
    """About 250,000 moves for all studs and a fineness of 1, in proportion for others."""
    w, spots = Writer(), SPOTS[:n_studs]
    n, n_wave = max(6, round(60 * fineness)), max(3, round(12 * fineness))
    for tool, radii in ((5, (4.0,)), (1, (4.8, 3.0, 1.0))):
        w.section(tool, 3500, stop=tool == 5)
        for x, y in spots:
            for radius in radii:
                w.rounds(x, y, radius, [4.6], n, 250 if tool == 5 else 150)
    for x, y in spots:
        w.rounds(x, y, 3.7, _levels(4.6, 2.0, 0.1), n, 150)
        w.rounds(x, y, 5.5, _levels(4.6, 0.3, 0.15), n, 150)
    w.section(2, 5000)
    for x, y in spots:
        w.rounds(x, y, 5.25, [0.3], n, 150)
    w.section(3, 5000)
    for x, y in spots[: (_ROWS - 1) * _COLS]:
        w.waves(x + _PITCH_X / 2 - 2, y + _PITCH_Y / 2 - 2, n_wave)
    w.section(4, 5000)
    for x, y in spots:
        w.lines += [f"G0 X{x:.4f} Y{y:.4f}", "G0 Z5"]
        for z in (3.8, 3.0, 2.2, 2.6 - by_hand.POINT_MM):
            w.lines += [f"G1 Z{z:.4f} F150", "G0 Z5"]
        w.lines.append(f"G0 Z{CLEAR:g}")
    w.lines += ["M9", "M5", "G53 G0 Z0", "M30"]
    return "\n".join(w.lines) + "\n", plate(n_studs)


def judge(text: str, cell_mm: float, workers: int) -> dict[str, object]:
    """One case in this process: `text` is a program made by `case`."""

    def check(text: str, setup: Setup, cell: float) -> Verdict:
        return check_program(
            text, setup=setup, crib=CRIB, machine=by_hand.MACHINE, material=by_hand.MATERIAL,
            tolerances=by_hand.TOLERANCES, not_cut=(), cell_mm=cell, workers=workers,
        )  # fmt: skip

    start = time.perf_counter()
    check(*case(0.05, 2), 0.25)
    warm = time.perf_counter() - start
    setup = plate()
    wall, cpu = time.perf_counter(), time.process_time()
    verdict = check(text, setup, cell_mm)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    return {
        "moves": verdict.n_moves, "path_m": round(verdict.path_mm / 1000, 1), "grid": cell_mm, "workers": workers,
        "wall_s": round(wall, 3), "cpu_s": round(cpu, 3), "warm_up_s": round(warm, 3),
        "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1), "verdict": verdict.verdict,
        "findings": sorted({f.code for f in verdict.findings}),
    }  # fmt: skip


def alone(fineness: float, cell_mm: float, workers: int = 2) -> dict[str, Any]:
    """One case in a process of its own, which reads the program from a file as the command does."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "program.ngc"
        file.write_text(case(fineness)[0])
        call = f"verify.judge(Path({str(file)!r}).read_text(), {cell_mm}, {workers})"
        code = f"import json; from pathlib import Path; from tests.bench import verify; print(json.dumps({call}))"
        done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    out: dict[str, Any] = json.loads(done.stdout)
    return out


def run() -> dict[str, object]:
    """The figures; nested ones are of other cases. The slope is from 250,000 to 1,000,000 moves at 0.02 mm."""
    alone(0.1, 0.25)  # compiles what is not compiled yet
    full, quick, million = alone(1.0, 0.02), alone(1.0, 0.05), alone(4.0, 0.02)
    slope = (million["wall_s"] - full["wall_s"]) / (million["moves"] - full["moves"]) * 1e6
    return {**full, "slope_s_per_million": round(slope, 2), "one_worker": alone(1.0, 0.02, 1), "quick": quick,
            "million": million}  # fmt: skip
