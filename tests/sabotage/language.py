"""Classes of mutants that hands, disks and posts make in the text: words changed, lost, doubled, in the wrong place."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator

from tests.sabotage.mutants import (
    WORD,
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

language = Group("language")
Mutants = Iterator[Mutant]
ALL = "gouge, left, kerf, skin, rapid, depth, language"


@language("arc direction", "gouge, left, kerf, skin, depth")
def _direction(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"\bG([23])\b(?!\d)", lambda m: "G3" if m[1] == "2" else "G2")


@language("arc centre sign", "language (radii differ), gouge")
def _centre(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"([IJ])(-?)([\d.]*[1-9][\d.]*)", lambda m: m[1] + ("" if m[2] else "-") + m[3])


@language("arc offset lost", "language (radii differ, no centre)")
def _offset(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r" ?[IJ]-?[\d.]*[1-9][\d.]*", "")


@language("arc offset a little off", "language (radii differ by more than 0.002 mm or 0.0002 in)")
def _offset_off(base: Base, rng: random.Random) -> Mutants:
    # A third of a tenth for mm, the same for inches: far over what the report lets pass, far under what eyes see.
    by = 0.005 / 25.4 * 2 if base.inches else 0.01
    yield from swaps(base, rng, r"([IJ])(-?[\d.]*[1-9][\d.]*)", lambda m: f"{m[1]}{float(m[2]) + by:.5f}")


@language("incremental for absolute", "unknown place, language, machine, " + ALL)
def _incremental(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"G90", "G91")
    yield from inserts(base, rng, r"^G0 Z", "G91")


@language("distance mode lost", "past (another job may have left G91)")
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


@language("plane of the arcs", "language (offsets of another plane), past")
def _plane(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, "G17", "G18")
    yield from swaps(base, rng, "G17", "G19")
    yield from inserts(base, rng, r"^M[78]$", "G18")


@language("units", "language (the tool table is in the other unit), machine, left")
def _units(base: Base, rng: random.Random) -> Mutants:
    other = "G21" if base.inches else "G20"
    lines = [re.sub(r"G2[01]", other, line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, f"{other} everywhere")
    yield from swaps(base, rng, r"G2[01](?!\d)", other)
    yield from inserts(base, rng, r"^M[78]$", other)


@language("decimal point moved", ALL + ", chip, machine")
def _point(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"[XYZIJF]-?\d+\.\d"):
        found = [m for m in re.finditer(r"([XYZIJF])(-?)(\d+)\.(\d)(\d*)", base.lines[i])]
        m = rng.choice(found)
        new = f"{m[1]}{m[2]}{m[3]}{m[4]}.{m[5]}" if rng.random() < 0.7 else f"{m[1]}{m[2]}{m[3][:-1]}.{m[3][-1]}{m[4]}{m[5]}"
        yield replaced(base, i, base.lines[i][: m.start()] + new + base.lines[i][m.end() :])


@language("decimal point lost", ALL + ", chip, machine")
def _no_point(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"([XYZIJ]-?\d+)\.(\d)", r"\1\2")


def _digit_changes(base: Base, rng: random.Random, letters: str) -> Mutants:
    for i in places(base, rng, rf"[{letters}]-?\d"):
        m = rng.choice(list(re.finditer(rf"([{letters}]-?)([\d.]+)", base.lines[i])))
        digits = [k for k, c in enumerate(m[2]) if c.isdigit()]
        k = rng.choice(digits[:3])
        new = m[2][:k] + rng.choice([c for c in "0123456789" if c != m[2][k]]) + m[2][k + 1 :]
        yield replaced(base, i, base.lines[i][: m.start()] + m[1] + new + base.lines[i][m.end() :])


@language("digit changed", ALL, per_base=8)
def _digit(base: Base, rng: random.Random) -> Mutants:
    yield from _digit_changes(base, rng, "XYZ")


@language("digit changed in a centre", "language (radii differ)")
def _digit_centre(base: Base, rng: random.Random) -> Mutants:
    yield from _digit_changes(base, rng, "IJ")


@language("digits turned round", ALL)
def _turned(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"[XYZ]-?\d*\.?\d"):
        for m in re.finditer(r"([XYZ]-?[\d.]*?)(\d)(\.?)(\d)", base.lines[i]):
            if m[2] != m[4]:
                yield replaced(base, i, base.lines[i][: m.start()] + m[1] + m[4] + m[3] + m[2] + base.lines[i][m.end() :])
                break


@language("sign", ALL + ", bed, clamp, machine")
def _sign(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"([XYZ])(\d*\.?\d*[1-9])", r"\1-\2")


@language("axis letter", ALL)
def _letter(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"^(G[01] )([XYZ])(?=\S+$)", lambda m: m[1] + {"X": "Y", "Y": "X", "Z": "X"}[m[2]])
    yield from swaps(base, rng, r"([XY])([\d.-]+) ([XY])", lambda m: f"{m[3]}{m[2]} {m[1]}")


@language("feed lost", "language (no feed), chip")
def _no_feed(base: Base, rng: random.Random) -> Mutants:
    lines = [re.sub(r" ?F[\d.]+", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no F at all")
    first = next(i for i, line in enumerate(base.lines) if is_code(line) and "F" in line)
    yield replaced(base, first, re.sub(r" ?F[\d.]+", "", base.lines[first]))
    yield from swaps(base, rng, r" ?F[\d.]+", "")


@language("speed lost", "spindle, past, speed, chip")
def _no_speed(base: Base, rng: random.Random) -> Mutants:
    lines = [re.sub(r" ?S\d+ ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no S at all")
    yield from swaps(base, rng, r" ?S\d+ ?", "")


@language("word doubled", "language")
def _doubled(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"[XYZF]-?[\d.]+"):
        m = rng.choice(list(re.finditer(r"[XYZF]-?[\d.]+", base.lines[i])))
        yield replaced(base, i, base.lines[i] + " " + m[0])


@language("length offset lost", "offset, left, gouge, bed")
def _no_g43(base: Base, rng: random.Random) -> Mutants:
    lines = [re.sub(r"G43 H\d+ ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G43 at all")
    yield from swaps(base, rng, r"G43 H\d+ (?=G0|Z)", "")
    yield from swaps(base, rng, r"G43 ", "")


@language("wrong H", "offset, left, gouge, skin, language (empty)")
def _wrong_h(base: Base, rng: random.Random) -> Mutants:
    numbers = [c.number for c in base.case.crib.cutters]
    for i in places(base, rng, r"H\d+"):
        own = int(re.search(r"H(\d+)", base.lines[i])[1])
        for other in rng.sample([n for n in [*numbers, 0, 77] if n != own], 2):
            yield replaced(base, i, re.sub(r"H\d+", f"H{other}", base.lines[i]))


@language("wrong T", "offset, gouge, left, language (not in the crib)")
def _wrong_t(base: Base, rng: random.Random) -> Mutants:
    numbers = [c.number for c in base.case.crib.cutters]
    for i in places(base, rng, r"T\d+ M6"):
        own = int(re.search(r"T(\d+)", base.lines[i])[1])
        for other in rng.sample([n for n in [*numbers, 88] if n != own], 2):
            yield replaced(base, i, re.sub(r"T\d+", f"T{other}", base.lines[i]))


@language("wrong T with its H", "gouge, left, kerf, depth, ramp")
def _wrong_pair(base: Base, rng: random.Random) -> Mutants:
    numbers = [c.number for c in base.case.crib.cutters]
    for i in places(base, rng, r"T\d+ M6"):
        own = re.search(r"T(\d+)", base.lines[i])[1]
        other = rng.choice([n for n in numbers if n != int(own)])
        end = next((k for k in range(i + 1, len(base.lines)) if re.search(r"T\d+ M6", base.lines[k])), len(base.lines))
        part = [re.sub(rf"([TH]){own}\b", rf"\g<1>{other}", x) if is_code(x) else x for x in base.lines[i:end]]
        yield text_of(base, [*base.lines[:i], *part, *base.lines[end:]], f"T{own} H{own} -> T{other} H{other}, line {i}")


@language("cutter not changed", "offset, language, left, gouge")
def _no_change(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"^(T\d+) M6$", r"\1")
    yield from swaps(base, rng, r"^T\d+ M6$", "M6")
    yield from drops(base, rng, r"^T\d+ M6$")


@language("T after its M6", "language, offset")
def _late_t(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^T\d+ M6$"):
        t = base.lines[i].split()[0]
        yield replaced(base, i, "M6", t)


@language("cycle return", "rapid, clamp (none where nothing stands between the holes)")
def _return(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"G98 (?=G8)", "G99 ")
    yield from swaps(base, rng, r"G98(?! G8)", "G99")


@language("cycle not ended", "language, gouge, left, sideways, skin")
def _no_g80(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"^G80$")
    yield from swaps(base, rng, r"^G80$", "G0")


@language("cycle words", "language, rapid, stroke, left, gouge", per_base=8)
def _cycle(base: Base, rng: random.Random) -> Mutants:
    low = {"R5.5": "R1", "R5": "R1"}
    for i in places(base, rng, r"G8[13]"):
        line = base.lines[i]
        yield replaced(base, i, re.sub(r"R[\d.]+", lambda m: low.get(m[0], "R1"), line))
        yield replaced(base, i, re.sub(r"R[\d.]+", "R4.5", line))
        yield replaced(base, i, re.sub(r" R[\d.]+", "", line))
        yield replaced(base, i, re.sub(r"Q[\d.]+", "Q0", line) if "Q" in line else line + " Q1")
        yield replaced(base, i, re.sub(r" Z[\d.]+", "", line))
        yield replaced(base, i, line.replace("G83", "G81") if "G83" in line else line.replace("G81", "G83"))
        yield replaced(base, i, re.sub(r"Q[\d.]+", "Q8", line) if "Q" in line else line + " L0")
        yield replaced(base, i, line.replace("G98 ", "G98 G91 "))


@language("cycle the control has not", "language")
def _strange_cycle(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"G8[13]", "G73")
    yield from swaps(base, rng, r"G8[13]", "G85")
    if base.inches:
        for i in places(base, rng, r"^G1 Z"):
            yield replaced(base, i, f"G98 G81 {base.lines[i][3:]} R0.3", "G80")


@language("axes shifted by G92", "gouge, left, rapid, machine")
def _g92(base: Base, rng: random.Random) -> Mutants:
    yield from inserts(base, rng, r"^M[78]$", "G92 X0")
    yield from inserts(base, rng, r"^G0 Z", "G92 Z10")
    yield from inserts(base, rng, r"^G0 Z", "G92 Z0.2")


@language("origin or home by the program", "language, gouge, left")
def _g10(base: Base, rng: random.Random) -> Mutants:
    yield from inserts(base, rng, r"^G92.1", "G10 L2 P1 Z-199.9")
    yield from inserts(base, rng, r"^M[78]$", "G28 Z25")
    yield from inserts(base, rng, r"^M[78]$", "G30 X1")
    yield from inserts(base, rng, r"^G92.1", "G92.3")


@language("machine frame lost", "language, bed, offset, machine")
def _no_g53(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"^G53 G0 Z0", "G0 Z0")
    yield from swaps(base, rng, r"^(G0 X.*)", r"G53 \1")


@language("safe retract lost", "retract, unknown place, language (first move), rapid")
def _no_retract(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"^G53 G0 Z0")
    yield text_of(base, [x for x in base.lines if not x.startswith("G53")], "no G53 at all")


@language("spindle not started", "spindle")
def _no_m3(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r" ?M3\b ?", "")
    yield from drops(base, rng, r"\bM3\b")


@language("spindle reversed", "spindle")
def _m4(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"\bM3\b", "M4")


@language("spindle not stopped", "change (none where M6 or M2 stops it)")
def _no_m5(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"^M5$")


@language("coolant not started", "coolant")
def _no_m8(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"^M[78]$")
    yield from swaps(base, rng, r"^M[78]$", "M9")


@language("gauge stop lost", "gauge, language (M1)", per_base=6)
def _no_m0(base: Base, rng: random.Random) -> Mutants:
    yield text_of(base, [x for x in base.lines if x != "M0"], "no M0 at all")
    yield text_of(base, ["M1" if x == "M0" else x for x in base.lines], "M1 for every M0")
    yield from drops(base, rng, r"^M0$")
    yield from swaps(base, rng, r"^M0$", "M1")


@language("another work system", "language (its origin is not known), past")
def _system(base: Base, rng: random.Random) -> Mutants:
    for other in ("G55", "G59.1"):
        lines = [line.replace("G54", other) if is_code(line) else line for line in base.lines]
        yield text_of(base, lines, f"{other} everywhere")
    yield from swaps(base, rng, "G54", "G56")
    yield from inserts(base, rng, r"^M[78]$", "G57")


@language("compensation or path mode", "language, path, past")
def _comp(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, "G40", "G41")
    yield from inserts(base, rng, r"^M[78]$", "G42 D1")
    yield from swaps(base, rng, "G61", "G64")
    yield from swaps(base, rng, "G94", "G93")


@language("comment broken", "language")
def _comment(base: Base, rng: random.Random) -> Mutants:
    rows = [i for i, x in enumerate(base.lines) if x.startswith("(") and x.endswith(")")]
    rng.shuffle(rows)
    for k, i in enumerate(rows):
        x = base.lines[i]
        yield replaced(base, i, (x[:-1], x[1:], x[:-1] + "(" + ")", x.replace("(", "[").replace(")", "]"))[k % 4])


@language("letter for a digit", "language")
def _oh(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"([XYZIJ]-?\d*\.?\d*)0", r"\1O")
    yield from swaps(base, rng, r"([XYZIJ]-?)1", r"\1l")


@language("foreign number or word", "language", per_base=8)
def _foreign(base: Base, rng: random.Random) -> Mutants:
    for pattern, new in (
        (r"([XYZ]-?\d+)\.(\d)", r"\1,\2"), (r"([XYZ]-?[\d.]+)", r"\1e0"), (r"([XYZ])(-?[\d.]+)", r"\1=\2"),
        (r"([XYZ]-?[\d.]+)$", r"\1 U1"), (r"([XYZ]-?[\d.]+)$", r"\1 ; ready"), (r"(X-?[\d.]+)", r"\1 A0"),
        (r"([XYZ])(-?[\d.]+)", r"\1--\2"), (r"^G1 ", "G1 G0 "), (r"^(G[01] .*)", r"\1 P2"), (r"^(G1 .*)", r"\1 M98"),
    ):  # fmt: skip
        found = places(base, rng, pattern)
        if found:
            yield replaced(base, found[0], re.sub(pattern, new, base.lines[found[0]], count=1))


@language("line lost", ALL + ", chip, spindle, offset, retract", per_base=12)
def _line(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"[A-Z]")


@language("line doubled", "language, " + ALL)
def _twice(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^(G[0123]|T|M|S)"):
        yield replaced(base, i, base.lines[i], base.lines[i])


@language("two lines swapped", ALL + ", spindle, offset, retract", per_base=8)
def _swapped(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"."):
        if i + 1 < len(base.lines) and is_code(base.lines[i + 1]):
            lines = list(base.lines)
            lines[i], lines[i + 1] = lines[i + 1], lines[i]
            yield text_of(base, lines, f"lines {i + 1} and {i + 2}: {base.lines[i][:30]} | {base.lines[i + 1][:30]}")


@language("line cut short", "language, " + ALL)
def _short(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G[0123] \S+ \S+"):
        words = base.lines[i].split()
        yield replaced(base, i, " ".join(words[: rng.randrange(1, len(words))]))


@language("block delete", "language (a switch decides)")
def _slash(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^[GMTS]"):
        yield replaced(base, i, "/" + base.lines[i])


@language("word moved to the next line", ALL + ", language")
def _strayed(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^G[0123] \S+ .*[YZIJ]-?[\d.]+$"):
        if i + 1 < len(base.lines) and is_code(base.lines[i + 1]):
            words = base.lines[i].split()
            lines = [*base.lines[:i], " ".join(words[:-1]), f"{base.lines[i + 1]} {words[-1]}", *base.lines[i + 2 :]]
            yield text_of(base, lines, f"line {i + 1}: {words[-1]} on the next line")


@language("rapid for feed", "rapid")
def _g0(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"^G1 ([^F]*)( F[\d.]+)?$", r"G0 \1\2")


@language("end", "language (nothing stops the machine), left, kerf", per_base=6)
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


@language("expression", ALL + ", language")
def _expression(base: Base, rng: random.Random) -> Mutants:
    for k, i in enumerate(places(base, rng, r"[XYZ]\d")):
        new = (r"\1[\2-0.5]", r"\1#1", r"\1[\2", r"\1[\2*2]")[k % 4]
        yield replaced(base, i, re.sub(r"([XYZ])([\d.]+)", new, base.lines[i], count=1))


__all__ = ["WORD", "language"]
