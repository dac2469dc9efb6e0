"""Classes of mutants that hands, disks and posts make in the text: words changed, lost, doubled, in the wrong place."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator

from tests.sabotage.mutants import (
    ALL,
    Group,
    Mutant,
    drops,
    inserts,
    is_code,
    places,
    replaced,
    swaps,
    text_of,
)
from tests.sabotage.programs import Base

words = Group("language")
Mutants = Iterator[Mutant]


@words("arc direction", "gouge, left, kerf, skin, depth")
def _direction(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"\bG([23])\b(?!\d)", lambda m: "G3" if m[1] == "2" else "G2")


@words("arc centre sign", "language (radii differ), gouge")
def _centre(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"([IJ])(-?)([\d.]*[1-9][\d.]*)", lambda m: m[1] + ("" if m[2] else "-") + m[3])


@words("arc offset lost", "language (radii differ, no centre)")
def _offset(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r" ?[IJ]-?[\d.]*[1-9][\d.]*", "")


@words("arc offset a little off", "language (radii differ by more than 0.002 mm or 0.0002 in)")
def _offset_off(base: Base, rng: random.Random) -> Mutants:
    # A third of a tenth for mm, the same for inches: far over what the report lets pass, far under what eyes see.
    by = 0.005 / 25.4 * 2 if base.inches else 0.01
    yield from swaps(base, rng, r"([IJ])(-?[\d.]*[1-9][\d.]*)", lambda m: f"{m[1]}{float(m[2]) + by:.5f}")


@words("incremental for absolute", "unknown place, language, machine, " + ALL)
def _incremental(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"G90", "G91")
    yield from inserts(base, rng, r"^G0 Z", "G91")


@words("mode never stated", "past (what another job has left)", per_base=10)
def _no_g90(base: Base, rng: random.Random) -> Mutants:
    lines = [re.sub(r"G90 ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G90 at all")
    lines = [re.sub(r"G17 ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G17 at all")
    lines = [re.sub(r"G40 ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G40 at all")
    lines = [re.sub(r"G54 ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G54 at all")
    lines = [re.sub(r"G94 ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G94 at all")
    lines = [re.sub(r"G2[01] ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no units at all")
    lines = [re.sub(r"G98 ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G98 at all")
    lines = [re.sub(r"G6[14] ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no path control at all")
    lines = [re.sub(r"G(49|80) ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G49 and no G80 but those behind cycles")
    yield text_of(base, [line for line in base.lines if "G92.1" not in line], "no G92.1")


@words("plane of the arcs", "language (offsets of another plane), past")
def _plane(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, "G17", "G18")
    yield from swaps(base, rng, "G17", "G19")
    yield from inserts(base, rng, r"^M[78]$", "G18")


@words("units", "language (the tool table is in the other unit), machine, left")
def _units(base: Base, rng: random.Random) -> Mutants:
    other = "G21" if base.inches else "G20"
    lines = [re.sub(r"G2[01]", other, line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, f"{other} everywhere")
    yield from swaps(base, rng, r"G2[01](?!\d)", other)
    yield from inserts(base, rng, r"^M[78]$", other)


@words("decimal point moved", ALL + ", chip, machine")
def _point(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"[XYZIJF]-?\d+\.\d"):
        found = [m for m in re.finditer(r"([XYZIJF])(-?)(\d+)\.(\d)(\d*)", base.lines[i])]
        m = rng.choice(found)
        right, left = f"{m[3]}{m[4]}.{m[5]}", f"{m[3][:-1]}.{m[3][-1]}{m[4]}{m[5]}"
        new = m[1] + m[2] + (right if rng.random() < 0.7 else left)
        yield replaced(base, i, base.lines[i][: m.start()] + new + base.lines[i][m.end() :])


@words("decimal point lost", ALL + ", chip, machine")
def _no_point(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"([XYZIJ]-?\d+)\.(\d)", r"\1\2")


def _digit_changes(base: Base, rng: random.Random, letters: str) -> Mutants:
    for i in places(base, rng, rf"[{letters}]-?\d"):
        m = rng.choice(list(re.finditer(rf"([{letters}]-?)([\d.]+)", base.lines[i])))
        digits = [k for k, c in enumerate(m[2]) if c.isdigit()]
        k = rng.choice(digits[:3])
        new = m[2][:k] + rng.choice([c for c in "0123456789" if c != m[2][k]]) + m[2][k + 1 :]
        yield replaced(base, i, base.lines[i][: m.start()] + m[1] + new + base.lines[i][m.end() :])


@words("digit changed", ALL, per_base=8)
def _digit(base: Base, rng: random.Random) -> Mutants:
    yield from _digit_changes(base, rng, "XYZ")


@words("digit changed in a centre", "language (radii differ)")
def _digit_centre(base: Base, rng: random.Random) -> Mutants:
    yield from _digit_changes(base, rng, "IJ")


@words("digits turned round", ALL)
def _turned(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"[XYZ]-?\d*\.?\d"):
        for m in re.finditer(r"([XYZ]-?[\d.]*?)(\d)(\.?)(\d)", base.lines[i]):
            if m[2] != m[4]:
                new = m[1] + m[4] + m[3] + m[2]
                yield replaced(base, i, base.lines[i][: m.start()] + new + base.lines[i][m.end() :])
                break


@words("sign", ALL + ", bed, clamp, machine")
def _sign(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"([XYZ])(\d*\.?\d*[1-9])", r"\1-\2")


@words("axis letter", ALL)
def _letter(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"^(G[01] )([XYZ])(?=\S+$)", lambda m: m[1] + {"X": "Y", "Y": "X", "Z": "X"}[m[2]])
    yield from swaps(base, rng, r"([XY])([\d.-]+) ([XY])", lambda m: f"{m[3]}{m[2]} {m[1]}")


@words("feed lost", "language (no feed), chip")
def _no_feed(base: Base, rng: random.Random) -> Mutants:
    lines = [re.sub(r" ?F[\d.]+", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no F at all")
    first = next(i for i, line in enumerate(base.lines) if is_code(line) and "F" in line)
    yield replaced(base, first, re.sub(r" ?F[\d.]+", "", base.lines[first]))
    yield from swaps(base, rng, r" ?F[\d.]+", "")


@words("speed lost", "spindle, past, speed, chip")
def _no_speed(base: Base, rng: random.Random) -> Mutants:
    lines = [re.sub(r" ?S\d+ ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no S at all")
    yield from swaps(base, rng, r" ?S\d+ ?", "")


@words("word doubled", "language")
def _doubled(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"[XYZF]-?[\d.]+"):
        m = rng.choice(list(re.finditer(r"[XYZF]-?[\d.]+", base.lines[i])))
        yield replaced(base, i, base.lines[i] + " " + m[0])


@words("comment broken", "language")
def _comment(base: Base, rng: random.Random) -> Mutants:
    rows = [i for i, x in enumerate(base.lines) if x.startswith("(") and x.endswith(")")]
    rng.shuffle(rows)
    for k, i in enumerate(rows):
        x = base.lines[i]
        yield replaced(base, i, (x[:-1], x[1:], x[:-1] + "(" + ")", x.replace("(", "[").replace(")", "]"))[k % 4])


@words("letter for a digit", "language")
def _oh(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"([XYZIJ]-?\d*\.?\d*)0", r"\1O")
    yield from swaps(base, rng, r"([XYZIJ]-?)1", r"\1l")


@words("foreign number or word", "language", per_base=8)
def _foreign(base: Base, rng: random.Random) -> Mutants:
    for pattern, new in (
        (r"([XYZ]-?\d+)\.(\d)", r"\1,\2"), (r"([XYZ]-?[\d.]+)", r"\1e0"), (r"([XYZ])(-?[\d.]+)", r"\1=\2"),
        (r"([XYZ]-?[\d.]+)$", r"\1 U1"), (r"([XYZ]-?[\d.]+)$", r"\1 ; ready"), (r"(X-?[\d.]+)", r"\1 A0"),
        (r"([XYZ])(-?[\d.]+)", r"\1--\2"), (r"^G1 ", "G1 G0 "), (r"^(G[01] .*)", r"\1 P2"), (r"^(G1 .*)", r"\1 M98"),
    ):  # fmt: skip
        found = places(base, rng, pattern)
        if found:
            yield replaced(base, found[0], re.sub(pattern, new, base.lines[found[0]], count=1))


@words("line lost", ALL + ", chip, spindle, offset, retract", per_base=12)
def _line(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"[A-Z]")


@words("line doubled", "language, " + ALL)
def _twice(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^(G[0123]|T|M|S)"):
        yield replaced(base, i, base.lines[i], base.lines[i])


@words("two lines swapped", ALL + ", spindle, offset, retract", per_base=8)
def _swapped(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"."):
        if i + 1 < len(base.lines) and is_code(base.lines[i + 1]):
            lines = list(base.lines)
            lines[i], lines[i + 1] = lines[i + 1], lines[i]
            yield text_of(base, lines, f"lines {i + 1} and {i + 2}: {base.lines[i][:30]} | {base.lines[i + 1][:30]}")


@words("line cut short", "language, " + ALL)
def _short(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G[0123] \S+ \S+"):
        words = base.lines[i].split()
        yield replaced(base, i, " ".join(words[: rng.randrange(1, len(words))]))


@words("block delete", "language (a switch decides)")
def _slash(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^[GMTS]"):
        yield replaced(base, i, "/" + base.lines[i])


@words("word moved to the next line", ALL + ", language")
def _strayed(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G[0123] \S+ .*[YZIJ]-?[\d.]+$"):
        if i + 1 < len(base.lines) and is_code(base.lines[i + 1]):
            words = base.lines[i].split()
            lines = [*base.lines[:i], " ".join(words[:-1]), f"{base.lines[i + 1]} {words[-1]}", *base.lines[i + 2 :]]
            yield text_of(base, lines, f"line {i + 1}: {words[-1]} on the next line")


@words("rapid for feed", "rapid")
def _g0(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"^G1 ([^F]*)( F[\d.]+)?$", r"G0 \1\2")


@words("end", "language (nothing stops the machine), left, kerf", per_base=6)
def _end(base: Base, rng: random.Random) -> Mutants:
    lines = list(base.lines)
    yield from drops(base, rng, r"^M(2|30)$")
    yield text_of(base, lines[: int(0.7 * len(lines))], "cut off at 0.7")
    yield text_of(base, lines[: int(0.9 * len(lines))], "cut off at 0.9")
    yield text_of(base, lines + lines, "two programs in a file")
    yield text_of(base, ["%", *lines], "one % alone")
    yield text_of(base, ["%", *lines, "%", *lines], "two programs round a %")
    half = len(lines) // 2
    yield text_of(base, [*lines[:half], "M2", *lines[half:]], "an end in the middle")


@words("expression", ALL + ", language")
def _expression(base: Base, rng: random.Random) -> Mutants:
    for k, i in enumerate(places(base, rng, r"[XYZ]\d")):
        new = (r"\1[\2-0.5]", r"\1#1", r"\1[\2", r"\1[\2*2]")[k % 4]
        yield replaced(base, i, re.sub(r"([XYZ])([\d.]+)", new, base.lines[i], count=1))

