"""Harmless rewrites of motion: arcs and straight moves split, cycles expanded, distances, retracts, waits."""

from __future__ import annotations

import itertools
import math
import random
import re
from collections.abc import Iterator
from decimal import Decimal

from tests.sabotage.mutants import Lines, is_code
from tests.sabotage.programs import Base
from tests.sabotage.rewrites import code_lines, in_numbers, rewrite

# -- 3.5.3: arcs


def _states(base: Base) -> Iterator[tuple[int, str, dict[str, Decimal]]]:
    """(index, line, position before it in the text's numbers) of every line of code."""
    at: dict[str, Decimal] = {}
    for i, line in enumerate(base.lines):
        if is_code(line):
            yield i, line, dict(at)
            if "G53" not in line:
                at.update({k: Decimal(v) for k, v in re.findall(r"([XYZ])(-?[\d.]+)", line)})


def _arc(line: str, at: dict[str, Decimal]) -> tuple[float, float, float, float, float, float] | None:
    """(centre x, y, radius, start angle, turn, rise) of an arc line."""
    if not re.match(r"^G[23] ", line) or not {"X", "Y", "Z"} <= at.keys():
        return None
    w = {k: float(v) for k, v in re.findall(r"([XYZIJ])(-?[\d.]+)", line)}
    x, y, z = (float(at[k]) for k in "XYZ")
    cx, cy = x + w.get("I", 0.0), y + w.get("J", 0.0)
    first = math.atan2(y - cy, x - cx)
    turn = math.atan2(w.get("Y", y) - cy, w.get("X", x) - cx) - first
    turn = turn % (2 * math.pi) if line[1] == "3" else -(-turn % (2 * math.pi))
    return cx, cy, math.hypot(x - cx, y - cy), first, turn, w.get("Z", z) - z


@rewrite("arcs split")
def _split(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    places = 6 if base.inches else 5
    for pieces, share in ((2, 1.0), (3, 0.5), (2, 0.2)):
        out = list(base.lines)
        for i, line, at in reversed(list(_states(base))):
            arc = _arc(line, at)
            if arc is None or rng.random() > share or abs(arc[2] * arc[4]) < (0.02 if base.inches else 0.5):
                continue
            cx, cy, radius, first, turn, rise = arc
            new, here = [], (float(at["X"]), float(at["Y"]))
            feed = re.search(r" F[\d.]+", line)
            end = re.match(r"^(G[23]) .*", line)[1]
            last = {k: v for k, v in re.findall(r"([XYZ])(-?[\d.]+)", line)}
            for k in range(1, pieces + 1):
                angle = first + turn * k / pieces
                x, y = cx + radius * math.cos(angle), cy + radius * math.sin(angle)
                text = f"X{x:.{places}f} Y{y:.{places}f}"
                z = f" Z{float(at['Z']) + rise * k / pieces:.{places}f}" if rise else ""
                if k == pieces:
                    text = f"X{last.get('X', at['X'])} Y{last.get('Y', at['Y'])}"
                    z = f" Z{last['Z']}" if "Z" in last else ""
                else:
                    x, y = round(x, places), round(y, places)
                centre = f"I{cx - here[0]:.{places}f} J{cy - here[1]:.{places}f}"
                new.append(f"{end} {text}{z} {centre}" + (feed[0] if feed and k == 1 else ""))
                here = (x, y)
            out[i : i + 1] = new
        yield f"in {pieces}, {share:.0%} of them", out


@rewrite("arcs with R")
def _radius(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    """Where they turn by 5 to 160 degrees: there the centre hangs on no last digit."""
    out = list(base.lines)
    n = 0
    for i, line, at in _states(base):
        arc = _arc(line, at)
        if arc and 0.1 < abs(arc[4]) < math.radians(160):
            out[i] = re.sub(r" ?[IJ]-?[\d.]+", "", line) + f" R{arc[2]:.7f}"
            n += 1
    yield f"{n} arcs", out
    if n > 4:
        some = list(base.lines)
        for i in range(0, len(out), 3):
            some[i] = out[i]
        yield "a third of them", some


@rewrite("straight moves split")
def _halves(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    for share in (1.0, 0.3):
        out = list(base.lines)
        for i, line, at in reversed(list(_states(base))):
            words = dict(re.findall(r"([XYZ])(-?[\d.]+)", line))
            if not re.match(r"^G1 ", line) or not words or not {"X", "Y", "Z"} <= at.keys() or rng.random() > share:
                continue
            middle = " ".join(f"{k}{(Decimal(v) + at[k]) / 2}" for k, v in words.items())
            feed = re.search(r" F[\d.]+", line)
            out[i : i + 1] = [f"G1 {middle}" + (feed[0] if feed else ""), re.sub(r" F[\d.]+", "", line)]
        yield f"{share:.0%} of them", out


# -- 3.5.16: cycles


@rewrite("cycles expanded")
def _expanded(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    for backoff in ("0.25", "0.3"):
        out: Lines = []
        sticky: dict[str, str] = {}
        code = ""
        for line in base.lines:
            if is_code(line) and (found := re.search(r"G(8[13])\b", line)):
                code, sticky = found[1], {}
            if is_code(line) and "G80" in line.split():
                code = ""
            words = dict(re.findall(r"([XYZRQF])(-?[\d.]+)", line)) if is_code(line) else {}
            if not code or "X" not in words:
                out.append(line)
                continue
            sticky.update(words)
            back = "R" + sticky["R"] if "G99" in line else "7"
            if base.name not in ("stud", "plate"):
                back = str(float(sticky["R"]) + 9)
            feed, bottom, r = sticky["F"], Decimal(sticky["Z"]), Decimal(sticky["R"])
            out += [f"G0 X{sticky['X']} Y{sticky['Y']}", f"G0 Z{r}"]
            if code == "83":
                depth = r - Decimal(sticky["Q"])
                while depth > bottom:
                    out += [f"G1 Z{depth} F{feed}", f"G0 Z{back.lstrip('R')}", f"G0 Z{depth + Decimal(backoff)}"]
                    depth -= Decimal(sticky["Q"])
            out += [f"G1 Z{bottom} F{feed}", f"G0 Z{back.lstrip('R')}"]
        yield f"back-off {backoff}", out


@rewrite("cycle words repeated")
def _cycle_words(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    out: Lines = []
    last = ""
    for line in base.lines:
        if is_code(line) and re.search(r"G8[13]\b", line):
            last = line
        elif re.match(r"^X\S+ Y\S+$", line) and last:
            line = re.sub(r"X\S+ Y\S+", line, last)
        out.append(line)
    yield "whole on every hole", out
    yield "L1", [x + " L1" if is_code(x) and re.search(r"G8[13]\b", x) else x for x in base.lines]


@rewrite("holes in another order")
def _holes(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    rows = [i for i, x in enumerate(base.lines) if re.match(r"^X\S+ Y\S+$", x)]
    for a, b in itertools.pairwise(rows):
        if b == a + 1:
            out = list(base.lines)
            out[a], out[b] = out[b], out[a]
            yield f"lines {a + 1} and {b + 1}", out


# -- 3.5.17: distance mode, and moves that cut nothing


@rewrite("a stretch incremental")
def _stretch(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    states = {i: at for i, _, at in _states(base)}
    rows = [
        i for i, line, at in _states(base)
        if re.match(r"^G[0123] ", line) and {"X", "Y", "Z"} <= at.keys() and not re.search(r"G43|G53|G8", line)
    ]  # fmt: skip
    rng.shuffle(rows)
    for first in rows:
        last = first
        while last + 1 in states and re.match(r"^G[0123] [^G]*$", base.lines[last + 1]) and last < first + 15:
            last += 1
        if last - first < 3:
            continue
        new = []
        for i in range(first, last + 1):
            at = states[i]
            words = re.findall(r"([XYZ])(-?[\d.]+)", base.lines[i])
            line = base.lines[i]
            for letter, value in words:
                line = line.replace(letter + value, f"{letter}{Decimal(value) - at[letter]:f}")
            new.append(line)
        yield f"lines {first + 1} to {last + 1}", [*base.lines[:first], "G91", *new, "G90", *base.lines[last + 1 :]]


@rewrite("more retracts")
def _retracts(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    safe = base.case.setup.z.safe_mm / (25.4 if base.inches else 1.0)
    lifts = [
        i for i, x in enumerate(base.lines[:-1]) if re.match(r"^G0 Z", x) and re.match(r"^G0 X", base.lines[i + 1])
    ]  # fmt: skip
    for n in (1, 5, 1000):
        out = list(base.lines)
        for i in sorted(rng.sample(lifts, min(n, len(lifts))), reverse=True):
            out[i + 1 : i + 2] = [f"G0 Z{safe:.4f}", base.lines[i + 1], base.lines[i]]
        yield f"{min(n, len(lifts))} of them, to the safe height", out


@rewrite("longer waits")
def _waits(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "twice the dwell", [y for x in base.lines for y in ((x, x) if x.startswith("G4 ") else (x,))]
    yield "M9 and M5 before every retract in the machine frame", [
        y for x in base.lines for y in (("M9", "M5", x) if x.startswith("G53") else (x,))]  # fmt: skip


@rewrite("slower")
def _slower(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    """A tenth less feed: less chip, and still more than the edge's radius."""
    yield "a tenth less feed", in_numbers(base, "F", lambda n: f"{Decimal(n) * Decimal('0.9'):.4f}")
    yield "M30 for M2 or M2 for M30", [{"M2": "M30", "M30": "M2"}.get(x, x) for x in base.lines]


@rewrite("T well before its M6")
def _early(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "on the line before", [y for x in base.lines for y in (x.split() if re.match(r"^T\d+ M6$", x) else (x,))]
    yield "M6 first on its line", code_lines(base, lambda x: re.sub(r"^(T\d+) M6$", r"M6 \1", x))


@rewrite("G43 apart from its move")
def _apart(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    out: Lines = []
    for x in base.lines:
        found = re.match(r"^(G43 H\d+) (G0 Z\S+)$", x) or re.match(r"^(?:G0 )(G43 H\d+) (Z\S+)$", x)
        out += [found[1], found[2] if found[2].startswith("G0") else "G0 " + found[2]] if found else [x]
    yield "on a line of its own", out


@rewrite("all at once")
def _all(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    """Lower case, no blanks, numbers, plus signs, trailing noughts and shuffled words together."""
    for _ in range(3):
        out = []
        for i, x in enumerate(base.lines):
            if is_code(x):
                words = x.split()
                rng.shuffle(words)
                words = [w + "0" if w[0] in "XYZIJF" and "." in w else w for w in words]
                x = f"n{i % 1000}" + rng.choice(["", " ", "\t"]).join(words)
                x = x.lower() if rng.random() < 0.5 else x
            out.append(x)
        yield "all at once", out
