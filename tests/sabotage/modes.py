"""Classes of mutants in which a mode, a cycle or a machine function is lost, wrong or in the wrong place."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator

from tests.sabotage.mutants import Group, Mutant, drops, inserts, is_code, places, replaced, swaps, text_of
from tests.sabotage.programs import Base

modes = Group("language")
Mutants = Iterator[Mutant]


@modes("length offset lost", "offset, left, gouge, bed")
def _no_g43(base: Base, rng: random.Random) -> Mutants:
    lines = [re.sub(r"G43 H\d+ ?", "", line) if is_code(line) else line for line in base.lines]
    yield text_of(base, lines, "no G43 at all")
    yield from swaps(base, rng, r"G43 H\d+ (?=G0|Z)", "")
    yield from swaps(base, rng, r"G43 ", "")


@modes("wrong H", "offset, left, gouge, skin, language (empty)")
def _wrong_h(base: Base, rng: random.Random) -> Mutants:
    numbers = [c.number for c in base.case.crib.cutters]
    for i in places(base, rng, r"H\d+"):
        own = int(re.search(r"H(\d+)", base.lines[i])[1])
        for other in rng.sample([n for n in [*numbers, 0, 77] if n != own], 2):
            yield replaced(base, i, re.sub(r"H\d+", f"H{other}", base.lines[i]))


@modes("wrong T", "offset, gouge, left, language (not in the crib)")
def _wrong_t(base: Base, rng: random.Random) -> Mutants:
    numbers = [c.number for c in base.case.crib.cutters]
    for i in places(base, rng, r"T\d+ M6"):
        own = int(re.search(r"T(\d+)", base.lines[i])[1])
        for other in rng.sample([n for n in [*numbers, 88] if n != own], 2):
            yield replaced(base, i, re.sub(r"T\d+", f"T{other}", base.lines[i]))


@modes("wrong T with its H", "gouge, left, kerf, depth, ramp")
def _wrong_pair(base: Base, rng: random.Random) -> Mutants:
    numbers = [c.number for c in base.case.crib.cutters]
    for i in places(base, rng, r"T\d+ M6"):
        own = re.search(r"T(\d+)", base.lines[i])[1]
        other = rng.choice([n for n in numbers if n != int(own)])
        end = next((k for k in range(i + 1, len(base.lines)) if re.search(r"T\d+ M6", base.lines[k])), len(base.lines))
        part = [re.sub(rf"([TH]){own}\b", rf"\g<1>{other}", x) if is_code(x) else x for x in base.lines[i:end]]
        yield text_of(base, [*base.lines[:i], *part, *base.lines[end:]], f"T{own} -> T{other}, H too, line {i + 1}")


@modes("cutter not changed", "offset, language, left, gouge")
def _no_change(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"^(T\d+) M6$", r"\1")
    yield from swaps(base, rng, r"^T\d+ M6$", "M6")
    yield from drops(base, rng, r"^T\d+ M6$")


@modes("T after its M6", "language, offset")
def _late_t(base: Base, rng: random.Random) -> Mutants:
    for i in places(base, rng, r"^T\d+ M6$"):
        t = base.lines[i].split()[0]
        yield replaced(base, i, "M6", t)


@modes("cycle return", "rapid, clamp (none where nothing stands between the holes)")
def _return(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"G98 (?=G8)", "G99 ")
    yield from swaps(base, rng, r"G98(?! G8)", "G99")


@modes("cycle not ended", "language, gouge, left, sideways, skin")
def _no_g80(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"^G80$")
    yield from swaps(base, rng, r"^G80$", "G0")


@modes("cycle words", "language, rapid, stroke, left, gouge", per_base=8)
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


@modes("cycle the control has not", "language")
def _strange_cycle(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"G8[13]", "G73")
    yield from swaps(base, rng, r"G8[13]", "G85")
    if base.inches:
        for i in places(base, rng, r"^G1 Z"):
            yield replaced(base, i, f"G98 G81 {base.lines[i][3:]} R0.3", "G80")


@modes("axes shifted by G92", "gouge, left, rapid, machine")
def _g92(base: Base, rng: random.Random) -> Mutants:
    yield from inserts(base, rng, r"^M[78]$", "G92 X0")
    yield from inserts(base, rng, r"^G0 Z", "G92 Z10")
    yield from inserts(base, rng, r"^G0 Z", "G92 Z0.2")


@modes("origin or home by the program", "language, gouge, left")
def _g10(base: Base, rng: random.Random) -> Mutants:
    yield from inserts(base, rng, r"^G92.1", "G10 L2 P1 Z-199.9")
    yield from inserts(base, rng, r"^M[78]$", "G28 Z25")
    yield from inserts(base, rng, r"^M[78]$", "G30 X1")
    yield from inserts(base, rng, r"^G92.1", "G92.3")


@modes("machine frame lost", "language, bed, offset, machine")
def _no_g53(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"^G53 G0 Z0", "G0 Z0")
    yield from swaps(base, rng, r"^(G0 X.*)", r"G53 \1")


@modes("safe retract lost", "retract, unknown place, language (first move), rapid")
def _no_retract(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"^G53 G0 Z0")
    yield text_of(base, [x for x in base.lines if not x.startswith("G53")], "no G53 at all")


@modes("spindle not started", "spindle")
def _no_m3(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r" ?M3\b ?", "")
    yield from drops(base, rng, r"\bM3\b")


@modes("spindle reversed", "spindle")
def _m4(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, r"\bM3\b", "M4")


@modes("spindle not stopped", "change (none where M6 or M2 stops it)")
def _no_m5(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"^M5$")


@modes("coolant not started", "coolant")
def _no_m8(base: Base, rng: random.Random) -> Mutants:
    yield from drops(base, rng, r"^M[78]$")
    yield from swaps(base, rng, r"^M[78]$", "M9")


@modes("gauge stop lost", "gauge, language (M1)", per_base=6)
def _no_m0(base: Base, rng: random.Random) -> Mutants:
    yield text_of(base, [x for x in base.lines if x != "M0"], "no M0 at all")
    yield text_of(base, ["M1" if x == "M0" else x for x in base.lines], "M1 for every M0")
    yield from drops(base, rng, r"^M0$")
    yield from swaps(base, rng, r"^M0$", "M1")


@modes("another work system", "language (its origin is not known), past")
def _system(base: Base, rng: random.Random) -> Mutants:
    for other in ("G55", "G59.1"):
        lines = [line.replace("G54", other) if is_code(line) else line for line in base.lines]
        yield text_of(base, lines, f"{other} everywhere")
    yield from swaps(base, rng, "G54", "G56")
    yield from inserts(base, rng, r"^M[78]$", "G57")


@modes("compensation or path mode", "language, path, past")
def _comp(base: Base, rng: random.Random) -> Mutants:
    yield from swaps(base, rng, "G40", "G41")
    yield from inserts(base, rng, r"^M[78]$", "G42 D1")
    yield from swaps(base, rng, "G61", "G64")
    yield from swaps(base, rng, "G94", "G93")
