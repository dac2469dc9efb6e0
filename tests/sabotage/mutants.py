"""What a mutant is, and the tools with which the classes make them."""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from tests.oracle.harm import Case
from tests.sabotage.programs import Base

Lines = list[str]
Maker = Callable[[Base, random.Random], Iterator["Mutant"]]
ALL = "gouge, left, kerf, skin, rapid, depth, language"  # what a wrong move may be found out by
HEADING = re.compile(r"^\(([\w-]+/[\w/-]+, T\d+, Z|(face|step|outline|drill|spot|pocket|bore)\)$)")
PER_BASE = 3  # mutants of a class from one program written by hand, where it has as many places
PLANNED_SHARE = 3  # of a planned program, which is long, one for three


@dataclass(frozen=True, slots=True, eq=False)
class Mutant:
    """One text, with the case it is judged in: the base's own, or one with another set-up."""

    kind: str  # its class
    name: str
    base: str
    text: str
    case: Case

    @property
    def title(self) -> str:
        return f"{self.kind} / {self.base} / {self.name}"


@dataclass(frozen=True, slots=True)
class Class:
    """A class of mutants. `criteria`: which of the oracle's criteria may decide that one of it does harm."""

    name: str
    group: str
    criteria: str
    make: Maker = field(compare=False)
    per_base: int = PER_BASE


class Group:
    """Collects the classes of one module."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.classes: list[Class] = []

    def __call__(self, name: str, criteria: str, per_base: int = PER_BASE) -> Callable[[Maker], Maker]:
        def keep(make: Maker) -> Maker:
            self.classes.append(Class(name, self.name, criteria, make, per_base))
            return make

        return keep


def mutants_of(one: Class, base: Base) -> list[Mutant]:
    """At most `per_base` of what the class makes of the base, the same ones each time, without repeats of a text."""
    rng = random.Random(f"{one.name}, {base.name}")
    out: list[Mutant] = []
    clean = "\n".join(base.lines) + "\n"
    for mutant in one.make(base, rng):
        same = any(m.text == mutant.text and m.case is mutant.case for m in out)
        if same or (mutant.text == clean and mutant.case is base.case):
            continue
        out.append(Mutant(one.name, mutant.name, base.name, mutant.text, mutant.case))
        if len(out) == (one.per_base if base.by_hand else math.ceil(one.per_base / PLANNED_SHARE)):
            break
    return out


def text_of(base: Base, lines: Lines, name: str) -> Mutant:
    return Mutant("", name, base.name, "\n".join(lines) + "\n", base.case)


def is_code(line: str) -> bool:
    return bool(line) and not line.startswith("(")


def places(base: Base, rng: random.Random, pattern: str) -> list[int]:
    """Lines of code that match, in a random order."""
    out = [i for i, line in enumerate(base.lines) if is_code(line) and re.search(pattern, line)]
    rng.shuffle(out)
    return out


def replaced(base: Base, i: int, *new: str) -> Mutant:
    """The program with other lines in place of line i."""
    lines = [*base.lines[:i], *new, *base.lines[i + 1 :]]
    return text_of(base, lines, f"line {i + 1}: {base.lines[i][:60]} -> {' | '.join(new)[:80] or 'nothing'}")


def swaps(base: Base, rng: random.Random, pattern: str, new: str | Callable[[re.Match[str]], str]) -> Iterator[Mutant]:
    """One mutant for each line that matches: the match replaced."""
    for i in places(base, rng, pattern):
        yield replaced(base, i, re.sub(pattern, new, base.lines[i], count=1))


def inserts(base: Base, rng: random.Random, after: str, *new: str) -> Iterator[Mutant]:
    """Lines put after each line that matches."""
    for i in places(base, rng, after):
        yield replaced(base, i, base.lines[i], *new)


def drops(base: Base, rng: random.Random, pattern: str) -> Iterator[Mutant]:
    for i in places(base, rng, pattern):
        yield replaced(base, i)


def operations(base: Base) -> list[tuple[str, int, int]]:
    """(heading, first line, line behind the last) of each operation's motion."""
    out = []
    for i, line in enumerate(base.lines):
        if HEADING.match(line):
            end = next(k for k in range(i + 1, len(base.lines)) if base.lines[k].startswith(("(", "M9")))
            out.append((line.strip("()").split(",")[0], i + 1, end))
    return out


def number(value: float, base: Base) -> str:
    """A coordinate as the base writes them, fine enough for its arcs."""
    return f"{value:.{6 if base.inches else 5}f}"


def length(mm: float, base: Base) -> float:
    """Millimetres in the program's unit."""
    return mm / 25.4 if base.inches else mm


def nudged(line: str, axis: str, by_mm: float, base: Base) -> str:
    """One absolute position of a line moved."""
    by = length(by_mm, base)
    return re.sub(rf"{axis}([+-]?[\d.]+)", lambda m: f"{axis}{number(float(m[1]) + by, base)}", line)


def scaled(line: str, letter: str, by: float, about: float, base: Base) -> str:
    """One word of a line drawn larger about a value."""
    return re.sub(rf"{letter}([+-]?[\d.]+)",
                  lambda m: f"{letter}{number(about + (float(m[1]) - about) * by, base)}", line)  # fmt: skip


def moved(lines: Lines, base: Base, axis: str, by_mm: float) -> Lines:
    """All absolute positions of an axis moved, but those in the machine frame."""
    return [nudged(x, axis, by_mm, base) if is_code(x) and "G53" not in x else x for x in lines]
