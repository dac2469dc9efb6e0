"""An invented mill, two invented cutters, and a preamble that has nothing wrong with it, for tests of the reader."""

from __future__ import annotations

import dataclasses
import math
import random

from pipeline.model.shop import Crib, Cutter, CutterKind, Dialect, Machine
from pipeline.verify.reader import read_program
from pipeline.verify.reading import Reading

DIALECT = Dialect(
    units="mm", linear_decimals=3, arc_decimals=4, feed_decimals=1,
    canned_cycles=frozenset(f"G{n}" for n in (73, 81, 82, 83, 84, 85, 86, 87, 88, 89)), arcs=True, helices=True,
    longest_arc_rad=2 * math.pi, chord_mm=0.002, path_word="G64", blend_mm=0.01, tool_change="changer", pockets=4,
    length_offsets={2: 12}, safe_retract=("G53 G0 Z0",), coolant_on="M8", spin_up_s=2.0, peck_backoff_mm=0.01,
    line_numbers=False,
)  # fmt: skip
MACHINE = Machine(
    name="bench mill", travel_low_mm=(-400.0, -300.0, -300.0), travel_high_mm=(0.0, 0.0, 0.0),
    bed_origin_mm=(-300.0, -200.0, -250.0), spindle_low_rpm=100.0, spindle_high_rpm=12000.0, feed_high_mm_min=6000.0,
    rapid_mm_min=12000.0, acceleration_mm_s2=500.0, jerk_mm_s3=None, tool_change_s=8.0, dialect=DIALECT,
)  # fmt: skip


def cutter(number: int, stickout_mm: float) -> Cutter:
    """A small flat end mill."""
    return Cutter(
        number=number, name=f"cutter {number}", kind=CutterKind.FLAT, diameter_mm=3.0, flutes=3, flute_length_mm=9.0,
        reach_mm=12.0, neck_diameter_mm=2.8, shank_diameter_mm=3.0, stickout_mm=stickout_mm, holder_diameter_mm=20.0,
        substrate="carbide", chip_load_mm=0.01, surface_speed_m_min=50.0, stepdown_mm=0.5, stepover_mm=1.0,
    )  # fmt: skip


CRIB = Crib(name="bench", cutters=(cutter(1, 30.0), cutter(2, 40.0)))
PREAMBLE = """\
G21 G17 G90 G94 G40 G49 G80 G54 G98 G64 G92.1
G53 G0 Z0
T1 M6
M0
M3 S5000
M8
G0 X0 Y0
G43 H1 Z20
F300
"""
ENDING = "M9\nM5\nG53 G0 Z0\nG49\nM30\n"
N_BEFORE = PREAMBLE.count("\n")


def changed(**values: object) -> Machine:
    """The mill with other values of its dialect."""
    return dataclasses.replace(MACHINE, dialect=dataclasses.replace(DIALECT, **values))  # type: ignore[arg-type]


def read(body: str, *, at: tuple[float, float, float] | None = None, machine: Machine = MACHINE) -> Reading:
    """Read preamble, a rapid to `at`, `body` and ending. In an inch machine's program the preamble says G20."""
    preamble = PREAMBLE if machine.dialect.units == "mm" else PREAMBLE.replace("G21", "G20").replace("Z20", "Z.8")
    preamble = preamble.replace("G64", machine.dialect.path_word)
    if at is not None:
        preamble = preamble.replace("F300\n", f"F300 G0 X{at[0]} Y{at[1]} Z{at[2]}\n")
    return read_program(preamble + body + "\n" + ENDING, machine=machine, crib=CRIB)


def own(reading: Reading) -> list[tuple[str, float, float, float]]:
    """The moves of the body alone: rapid or feed, and the end point."""
    moves = reading.moves
    last = reading.n_lines - ENDING.count("\n")
    rows = [i for i in range(len(moves.kind)) if N_BEFORE < moves.line[i] <= last]
    return [("feed" if moves.kind[i] else "rapid", *(float(v) for v in moves.end[i])) for i in rows]


def codes(reading: Reading) -> list[str]:
    """Codes of the findings, in order."""
    return [finding.code for finding in reading.findings]


def emitted(n: int, *, seed: int = 1) -> str:
    """A program of about `n` moves in the manner of our writer: headings, approaches, lines, arcs, F now and then."""
    rng = random.Random(seed)
    out: list[str] = []
    x = y = 10.0
    while len(out) < n:
        out += [f"(handle-left/face-{len(out)}, T1, Z 3.654 to 2.500)", f"G0 X{x:.3f} Y{y:.3f}", "G0 Z5.000",
                "G64 G1 Z3.654 F60.00"]
        for i in range(60):
            if i % 10 == 9:
                r = round(rng.uniform(1, 5), 4)
                x = round(x + 2 * r, 4)
                out.append(f"{rng.choice(('G2', 'G3'))} X{x:.4f} Y{y:.4f} I{r:.4f} J0.0000")
            else:
                x, y = round(rng.uniform(0, 90), 3), round(rng.uniform(0, 90), 3)
                out.append(f"G1 X{x:.3f} Y{y:.3f}" + (f" F{rng.uniform(60, 400):.2f}" if i % 7 == 0 else ""))
        out.append("G61 G0 Z10.000")
    return PREAMBLE + "\n".join(out) + "\n" + ENDING
