"""Classes of mutants that a wrong figure in the drawing, the offset or the depth makes: whole sections a little off."""

from __future__ import annotations

import math
import random
import re
from collections.abc import Iterator

from tests.sabotage.mutants import (
    Group,
    Lines,
    Mutant,
    is_code,
    length,
    moved,
    nudged,
    number,
    operations,
    places,
    replaced,
    scaled,
    text_of,
)
from tests.sabotage.programs import Base

geometry = Group("geometry")
Mutants = Iterator[Mutant]


def _shuffled(base: Base, rng: random.Random) -> list[tuple[str, int, int]]:
    out = operations(base)
    rng.shuffle(out)
    return out


def _with(base: Base, a: int, b: int, new: Lines, name: str) -> Mutant:
    return text_of(base, [*base.lines[:a], *new, *base.lines[b:]], name)


def _in_operations(base: Base, rng: random.Random, by: list[tuple[str, float]]) -> Mutants:
    """Each operation in turn, moved by one of the steps."""
    steps = [(op, step) for step in by for op in operations(base)]
    rng.shuffle(steps)
    for (name, a, b), (axis, mm) in steps:
        yield _with(base, a, b, moved(list(base.lines[a:b]), base, axis, mm), f"{name} moved {mm:+g} mm in {axis}")


@geometry("operation too deep", "gouge, skin", per_base=10)
def _deep(base: Base, rng: random.Random) -> Mutants:
    yield from _in_operations(base, rng, [("Z", -d) for d in (0.01, 0.03, 0.05, 0.1, 0.3)])


@geometry("operation not deep enough", "left, kerf")
def _high(base: Base, rng: random.Random) -> Mutants:
    yield from _in_operations(base, rng, [("Z", d) for d in (0.03, 0.08, 0.3)])


@geometry("operation moved aside", "gouge, left, kerf", per_base=10)
def _aside(base: Base, rng: random.Random) -> Mutants:
    yield from _in_operations(base, rng, [(axis, d) for axis in "XY" for d in (0.01, -0.02, 0.05, -0.2, 1.0)])


@geometry("everything moved", "gouge, skin, left, clamp")
def _all(base: Base, rng: random.Random) -> Mutants:
    for axis, d in (("X", 0.03), ("Y", -0.03), ("Z", -0.03), ("Z", 0.05)):
        yield text_of(base, moved(list(base.lines), base, axis, d), f"everything {d:+g} mm in {axis}")


@geometry("wall cut 0.01 mm too deep", "gouge", per_base=6)
def _wall(base: Base, rng: random.Random) -> Mutants:
    """One piece of a wall: an arc or a straight of the lowest level of an outline, its two ends moved inward."""
    for name, a, b in _shuffled(base, rng):
        rows = [i for i in range(a, b) if re.match(r"^G1 [XY][\d.]+$", base.lines[i]) and is_code(base.lines[i - 1])]
        for i in rng.sample(rows, min(3, len(rows))):
            axis = "Y" if base.lines[i][3] == "X" else "X"
            for mm in rng.sample([0.012, -0.012], 2):
                at = _position(base.lines, i, axis)
                if at is not None:
                    over, back = number(at + length(mm, base), base), number(at, base)
                    new = [f"G1 {axis}{over}", base.lines[i], f"G1 {axis}{back}"]
                    yield _with(base, i, i + 1, new, f"{name}, line {i + 1}: {mm:+g} mm aside along {base.lines[i]}")


def _position(lines: tuple[str, ...], i: int, axis: str) -> float | None:
    for line in reversed(lines[:i]):
        if is_code(line) and "G53" not in line:
            found = re.search(rf"{axis}(-?[\d.]+)", line)
            if found:
                return float(found[1])
    return None


@geometry("path offset", "gouge, left")
def _offset(base: Base, rng: random.Random) -> Mutants:
    """An operation drawn larger or smaller about its middle: a wrong cutter radius in somebody's offset."""
    for name, a, b in _shuffled(base, rng):
        xs, ys = ([float(v) for x in base.lines[a:b] if is_code(x) for v in re.findall(rf"{c}(-?[\d.]+)", x)]
                  for c in "XY")  # fmt: skip
        if len(xs) < 3 or len(ys) < 3 or max(xs) - min(xs) < length(1.0, base):
            continue
        middle = {"X": (min(xs) + max(xs)) / 2, "Y": (min(ys) + max(ys)) / 2, "I": 0.0, "J": 0.0}
        half = max(max(xs) - min(xs), max(ys) - min(ys)) / 2
        for mm in rng.sample([0.015, -0.015, 0.05, -0.05, -0.5], 2):
            f = 1 + length(mm, base) / half
            new = list(base.lines[a:b])
            for letter, about in middle.items():
                new = [scaled(x, letter, f, about, base) if is_code(x) else x for x in new]
            yield _with(base, a, b, new, f"{name} larger by {mm:+g} mm all round")


@geometry("one move too deep", "gouge, skin, depth, ramp", per_base=8)
def _one_deep(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G[123].*Z[\d.]+"):
        mm = rng.choice([0.03, 0.1, 0.3, 1.0])
        yield replaced(base, i, nudged(base.lines[i], "Z", -mm, base))


@geometry("drilled too deep", "gouge, skin, bed, vacuum", per_base=5)
def _drill(base: Base, rng: random.Random) -> Mutants:
    for mm in (0.05, 0.1, 0.4, 2.0, 3.0):
        for i in places(base, rng, r"G83"):
            yield replaced(base, i, nudged(base.lines[i], "Z", -mm, base))
    for name, a, b in operations(base):
        if name.endswith("/drill"):
            for mm in (0.1, 0.6, 2.5):
                yield _with(base, a, b, moved(list(base.lines[a:b]), base, "Z", -mm), f"{name} deeper by {mm:g}")


@geometry("drilled not deep enough", "left")
def _shallow(base: Base, rng: random.Random) -> Mutants:
    for mm in (0.06, 0.2, 1.0):
        for i in places(base, rng, r"G8[13]"):
            yield replaced(base, i, nudged(base.lines[i], "Z", mm, base))


@geometry("hole beside its place", "gouge, left")
def _beside(base: Base, rng: random.Random) -> Mutants:
    for mm in (0.05, 0.2, 1.0):
        for i in places(base, rng, r"(G8[13] X|^X[\d.]+ Y[\d.]+$)"):
            yield replaced(base, i, nudged(base.lines[i], rng.choice("XY"), mm, base))
    for name, a, b in operations(base):
        if name.endswith("/drill"):
            yield _with(base, a, b, moved(list(base.lines[a:b]), base, rng.choice("XY"), 0.1), f"{name} aside by 0.1")


@geometry("retract lost", "rapid, gouge", per_base=6)
def _no_lift(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G0 Z"):
        if re.match(r"^G0 X", _next(base, i)):
            yield replaced(base, i)


def _next(base: Base, i: int) -> str:
    return next((x for x in base.lines[i + 1 :] if is_code(x)), "")


@geometry("retract too low", "rapid", per_base=6)
def _low_lift(base: Base, rng: random.Random) -> Mutants:
    top = base.case.setup.z.top_mm
    for i in places(base, rng, r"^G0 Z"):
        if re.match(r"^G0 X", _next(base, i)):
            yield replaced(base, i, f"G0 Z{number(length(top - rng.choice([0.3, 1.0, 2.0]), base), base)}")


@geometry("approach too low", "rapid")
def _low_approach(base: Base, rng: random.Random) -> Mutants:
    top = base.case.setup.z.top_mm
    for i in places(base, rng, r"^G0 Z"):
        if re.match(r"^(G64 )?G1 Z", _next(base, i)):
            yield replaced(base, i, f"G0 Z{number(length(top - rng.choice([0.3, 1.0, 2.0]), base), base)}")


@geometry("operation left out", "left, kerf, depth, ramp", per_base=8)
def _left_out(base: Base, rng: random.Random) -> Mutants:
    for name, a, b in _shuffled(base, rng):
        yield _with(base, a, b, [], f"without {name}")


@geometry("operations in another order", "depth, ramp, rapid")
def _order(base: Base, rng: random.Random) -> Mutants:
    """Two operations of one cutter the other way round."""
    found = operations(base)
    rng.shuffle(found)
    for name, a, b in found:
        for other, c, d in found:
            if b + 1 == c:  # neighbours under one cutter: only the heading between them
                lines = [*base.lines[:a], *base.lines[c:d], base.lines[b], *base.lines[a:b], *base.lines[d:]]
                yield text_of(base, lines, f"{other} before {name}")


@geometry("level left out", "depth, ramp, kerf")
def _level(base: Base, rng: random.Random) -> Mutants:
    """From one way down to the next: the step after it is twice as deep."""
    for name, a, b in _shuffled(base, rng):
        downs = [i for i in range(a, b) if re.match(r"^(G0 X|G1 X\S+ Z)", base.lines[i])]
        for k in rng.sample(range(max(0, len(downs) - 1)), min(2, max(0, len(downs) - 1))):
            yield _with(base, downs[k], downs[k + 1], [], f"{name}, lines {downs[k] + 1} to {downs[k + 1]} left out")


@geometry("pass the other way round", "gouge, depth (none where only the chip changes)")
def _mirrored(base: Base, rng: random.Random) -> Mutants:
    """X of an operation mirrored about its middle, arcs as they were: what a wrong mirror in a post does."""
    for name, a, b in _shuffled(base, rng):
        xs = [float(v) for x in base.lines[a:b] if is_code(x) for v in re.findall(r"X(-?[\d.]+)", x)]
        if len(set(xs)) < 2:
            continue
        middle = (min(xs) + max(xs)) / 2 + length(rng.choice([0.0, 0.4]), base)
        new = [scaled(x, "X", -1.0, middle, base) if is_code(x) else x for x in base.lines[a:b]]
        yield _with(base, a, b, new, f"{name} mirrored in X")


@geometry("turned a little", "gouge, left")
def _turned(base: Base, rng: random.Random) -> Mutants:
    """An operation turned about the origin of its numbers by some minutes of arc."""
    for name, a, b in _shuffled(base, rng):
        angle = rng.choice([0.002, -0.004])
        c, s = math.cos(angle), math.sin(angle)
        here = {"X": 0.0, "Y": 0.0}
        new = []
        for axis in "XY":
            here[axis] = _position(base.lines, a + 1, axis) or 0.0
        for line in base.lines[a:b]:
            words = dict(re.findall(r"([XYIJ])(-?[\d.]+)", line)) if is_code(line) and "G53" not in line else {}
            if not words:
                new.append(line)
                continue
            here.update({k: float(v) for k, v in words.items() if k in "XY"})
            rest = re.sub(r" ?[XYIJ]-?[\d.]+", "", line).split()
            x, y = here["X"] * c - here["Y"] * s, here["X"] * s + here["Y"] * c
            extra = [f"X{number(x, base)}", f"Y{number(y, base)}"]
            if "I" in words or "J" in words:
                i, j = float(words.get("I", 0)), float(words.get("J", 0))
                extra += [f"I{number(i * c - j * s, base)}", f"J{number(i * s + j * c, base)}"]
            new.append(" ".join([*rest[:1], *extra, *rest[1:]] if rest and rest[0][0] == "G" else [*extra, *rest]))
        yield _with(base, a, b, new, f"{name} turned by {math.degrees(angle):.2f} degrees")
