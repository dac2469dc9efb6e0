"""Classes of mutants that leave the shape alone, or nearly, and break the cutter: feeds, speeds, ways in, stops."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator

from tests.sabotage.mutants import (
    Group,
    Mutant,
    drops,
    inserts,
    is_code,
    length,
    nudged,
    number,
    operations,
    places,
    replaced,
    swaps,
    text_of,
)
from tests.sabotage.programs import Base

process = Group("process")
Mutants = Iterator[Mutant]
CUT = r"^G[123] [XY]"


@process("feed times something", "chip, machine", per_base=8)
def _feed(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"F[\d.]+"):
        f = rng.choice([2, 3, 5, 10, 100])
        yield replaced(base, i, re.sub(r"F([\d.]+)", lambda m, f=f: f"F{float(m[1]) * f:.2f}", base.lines[i]))


@process("all feeds in the other unit", "chip, machine")
def _unit(base: Base, rng: random.Random) -> Mutants:
    for f in (25.4, 60.0):
        lines = [
            re.sub(r"F([\d.]+)", lambda m, f=f: f"F{float(m[1]) * f:.2f}", x) if is_code(x) else x for x in base.lines
        ]
        yield text_of(base, lines, f"all F times {f:g}")


@process("spindle too fast", "machine, speed")
def _fast(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"S\d+"):
        f = rng.choice([2, 3, 10])
        yield replaced(base, i, re.sub(r"S(\d+)", lambda m, f=f: f"S{int(m[1]) * f}", base.lines[i]))


@process("spindle too slow", "chip, machine")
def _slow(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"S\d+"):
        f = rng.choice([2, 3, 10])
        yield replaced(base, i, re.sub(r"S(\d+)", lambda m, f=f: f"S{int(m[1]) // f}", base.lines[i]))


@process("spindle stopped in the cut", "spindle")
def _m5(base: Base, rng: random.Random) -> Mutants:
    yield from inserts(base, rng, CUT, "M5")


@process("S0", "spindle, machine")
def _s0(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"S\d+", "S0")


@process("coolant off in the cut", "coolant")
def _m9(base: Base, rng: random.Random) -> Mutants:
    yield from inserts(base, rng, CUT, "M9")


@process("dwell in the cut", "dwell (none of a second or less, and none where the last move cut air)")
def _dwell(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, CUT):
        yield replaced(base, i, base.lines[i], f"G4 P{rng.choice([2, 5, 30])}")


@process("stop in the cut", "dwell, change, language (M1)")
def _stop(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, CUT):
        yield replaced(base, i, base.lines[i], rng.choice(["M0", "M1"]))


@process("no time to come up to speed", "spin-up (none where the way down takes long enough)")
def _no_dwell(base: Base, rng: random.Random) -> Mutants:
    yield text_of(base, [x for x in base.lines if not x.startswith("G4")], "no G4 at all")
    yield from drops(base, rng, r"^G4")
    lines = list(base.lines)
    for i in places(base, rng, r"^G4"):
        yield text_of(base, [*lines[:i], lines[i].replace("P3", "P0.003").replace("P5", "P0.005"), *lines[i + 1 :]],
                      f"line {i + 1}: milliseconds")  # fmt: skip


@process("spindle started late", "spindle, spin-up")
def _late(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"\bM3\b"):
        down = next((k for k in range(i, len(base.lines)) if re.match(r"^(G64 )?G1 Z|^G98 G8", base.lines[k])), None)
        if down is not None:
            lines = list(base.lines)
            late = lines.pop(i)
            yield text_of(base, [*lines[: down], late, *lines[down:]], f"{late} after line {down}")


@process("straight down for a ramp", "ramp (none where the crib asks for no ramp)", per_base=6)
def _plunge(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G[123] .*[XY][\d.]+.* Z[\d.]+"):
        z = re.search(r"Z[\d.]+", base.lines[i])[0]
        yield replaced(base, i, f"G1 {z}", base.lines[i])


@process("ramp too steep", "ramp, gouge, skin, depth")
def _steep(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G[123] .*[XY][\d.]+.* Z[\d.]+"):
        mm = rng.choice([0.4, 0.8])
        yield replaced(base, i, nudged(base.lines[i], "Z", -mm, base))


@process("first levels left out", "depth, ramp", per_base=5)
def _first(base: Base, rng: random.Random) -> Mutants:
    """Of the plunges or ramps of an operation the first ones go: the next is deeper than the crib allows."""
    for name, a, b in operations(base):
        downs = [i for i in range(a, b) if re.match(r"^G0 X|^G1 X\S+ Z", base.lines[i])]
        for n in (2, 4):
            if len(downs) > n:
                lines = [*base.lines[: downs[0]], *base.lines[downs[n] :]]
                yield text_of(base, lines, f"{name} without its first {n} ways down")


@process("peck", "stroke (none where the crib names no peck)")
def _peck(base: Base, rng: random.Random) -> Mutants:
    for q in ("Q5", "Q2"):
        yield from swaps(base, rng, r"Q[\d.]+", q)
    for name, a, b in operations(base):
        if name.endswith("/drill"):
            feeds = [i for i in range(a, b) if re.match(r"^G1 Z", base.lines[i])]
            if len(feeds) > 2:
                f = re.search(r"F[\d.]+", base.lines[feeds[0]])
                last = re.sub(r" F[\d.]+", "", base.lines[feeds[-1]]) + (f" {f[0]}" if f else "")
                lines = [*base.lines[: feeds[0]], last, *base.lines[feeds[-1] + 1 :]]
                yield text_of(base, lines, f"{name} in one stroke")


@process("drill fed sideways", "sideways, gouge")
def _sideways(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G98 G8[13]"):
        x, y = (float(re.search(rf"{c}([\d.]+)", base.lines[i])[1]) for c in "XY")
        z = base.case.setup.z.top_mm - rng.choice([1.0, 2.0])
        yield replaced(base, i, f"G1 Z{z:g} F100", f"G1 X{x + 0.5:g} Y{y:g}", f"G1 X{x:g}", "G0 Z7", base.lines[i])
    for i in places(base, rng, r"^G1 Z"):
        lines = base.lines[max(0, i - 60) : i]
        head = [x for x in lines if x.startswith("(") and "/drill" in x]
        if head and base.inches:
            at = next(re.search(r"X([\d.]+)", x) for x in reversed(base.lines[:i]) if "X" in x and is_code(x))
            yield replaced(base, i, base.lines[i], f"G1 X{float(at[1]) + 0.01:.5f}", f"G1 X{at[1]}")


@process("through a block", "clamp, rapid", per_base=5)
def _block(base: Base, rng: random.Random) -> Mutants:
    """Over to a block and down on it, at rapid and at feed, from the clearance height of some section."""
    clear = base.case.setup.z.safe_mm
    for i in places(base, rng, r"^G0 Z"):
        block = rng.choice(base.case.setup.blocks)
        if base.lines[i - 1].startswith("(") or not re.match(r"^G0 X", _after(base, i)):
            continue
        x, y = (number(length(float(v), base), base) for v in block.outline.mean(axis=0))
        down = number(length(block.height_mm - rng.choice([0.05, 0.5]), base), base)
        up = number(length(clear, base), base)
        yield replaced(base, i, f"G0 Z{up}", f"G0 X{x} Y{y}", f"{rng.choice(['G0', 'G1'])} Z{down}", f"G0 Z{up}")


def _after(base: Base, i: int) -> str:
    return next((x for x in base.lines[i + 1 :] if is_code(x)), "")


@process("beyond the travel", "machine")
def _travel(base: Base, rng: random.Random) -> Mutants:
    up = number(length(base.case.setup.z.safe_mm, base), base)
    for i in places(base, rng, r"^G0 Z"):
        if re.match(r"^G0 X", _after(base, i)):
            axis, far = rng.choice([("X", 400), ("X", -60), ("Y", 300), ("Z", 260)])
            yield replaced(base, i, f"G0 Z{up}", f"G0 {axis}{number(length(far, base), base)}", f"G0 Z{up}")
