"""Rewrites that change nothing a machine does, or nothing that matters: the verifier must release every one.

They are harmless by construction, each by a rule of NISTIR 6556 (2000) named at its class; the oracle must agree, too.
Numbers are rewritten as decimals, never through binary fractions, so that no last digit moves.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable, Iterator
from decimal import Decimal

from tests.sabotage.mutants import Lines, Mutant, is_code
from tests.sabotage.programs import Base

Rewrite = Callable[[Base, random.Random], Iterator[tuple[str, Lines]]]
REWRITES: list[tuple[str, Rewrite]] = []
NUMBER = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")
PER_BASE = 3


def rewrite(name: str) -> Callable[[Rewrite], Rewrite]:
    def keep(make: Rewrite) -> Rewrite:
        REWRITES.append((name, make))
        return make

    return keep


def rewrites(bases: dict[str, Base]) -> list[Mutant]:
    """All of them, the same ones each time; their kind begins with `harmless: `."""
    out = []
    for name, make in REWRITES:
        for base in bases.values():
            clean = "\n".join(base.lines) + "\n"
            found: list[str] = []
            for title, lines in make(base, random.Random(f"{name}, {base.name}")):
                text = "\n".join(lines) + "\n"
                if text != clean and text not in found:
                    found.append(text)
                    out.append(Mutant(f"harmless: {name}", title, base.name, text, base.case))
                if len(found) == PER_BASE:
                    break
    return out


def _code(base: Base, change: Callable[[str], str]) -> Lines:
    return [change(line) if is_code(line) else line for line in base.lines]


def _numbers(base: Base, letters: str, change: Callable[[str], str]) -> Lines:
    def line(text: str) -> str:
        return NUMBER.sub(lambda m: m[1] + (change(m[2]) if m[1] in letters else m[2]), text)

    return _code(base, line)


def _some(base: Base, rng: random.Random, share: float, change: Callable[[str], str]) -> Lines:
    return [change(x) if is_code(x) and rng.random() < share else x for x in base.lines]


# -- 3.3: how a line is written


@rewrite("line numbers")
def _numbered(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "by ten", [f"N{10 * i + 10} {x}" if is_code(x) else x for i, x in enumerate(base.lines) if 10 * i < 99990]
    yield "all the same", _code(base, lambda x: f"N7 {x}")
    yield "in disorder", _code(base, lambda x: f"N{rng.randrange(100000)}{x}")


@rewrite("blanks and tabs")
def _blanks(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "none", _code(base, lambda x: x.replace(" ", ""))
    yield "many", _code(base, lambda x: "  " + x.replace(" ", " \t ") + "   ")
    yield "inside numbers", _code(base, lambda x: re.sub(r"(\d)(\d)", r"\1 \2", x))


@rewrite("lower case")
def _lower(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "all", _code(base, str.lower)
    yield "some", _some(base, rng, 0.5, str.lower)


@rewrite("leading noughts")
def _leading(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "G and M codes", _code(base, lambda x: re.sub(r"\b([GM])(\d)(?![\d.])", r"\g<1>0\2", x))
    yield "coordinates", _numbers(base, "XYZIJF", lambda n: re.sub(r"^([+-]?)(\d)", r"\g<1>00\2", n))
    yield "none before the point", _numbers(base, "XYZIJ", lambda n: re.sub(r"^([+-]?)0\.(\d)", r"\1.\2", n))


@rewrite("trailing noughts")
def _trailing(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "more", _numbers(base, "XYZIJF", lambda n: (n if "." in n else n + ".") + "000")
    yield "fewer", _numbers(base, "XYZIJF", lambda n: n.rstrip("0").rstrip(".") or "0" if "." in n else n)
    yield "a point at the end", _numbers(base, "XYZIJF", lambda n: n if "." in n else n + ".")


@rewrite("plus signs")
def _plus(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "on coordinates", _numbers(base, "XYZ", lambda n: n if n[0] in "+-" else "+" + n)
    yield "on everything but codes", _numbers(base, "XYZIJFP", lambda n: n if n[0] in "+-" else "+" + n)


@rewrite("comments")
def _comments(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "behind every line", _code(base, lambda x: f"{x} (as planned)")
    yield "in the middle of lines", _code(base, lambda x: x.replace(" ", " (so) ", 1))
    yield "between lines", [y for x in base.lines for y in (x, "(a remark: G0 Z-50 M3)", "")]


@rewrite("no comments")
def _bare(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "all but messages", [x for x in base.lines if is_code(x) or x.startswith("(MSG")]
    yield "blank lines instead", [x if is_code(x) or x.startswith("(MSG") else "" for x in base.lines]


@rewrite("percent lines and line ends")
def _percent(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "between two %", ["%", *base.lines, "%"]
    yield "CR LF", [x + "\r" for x in base.lines]
    yield "both", [x + "\r" for x in ["%", *base.lines, "%"]]


@rewrite("order of words")
def _order(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    def shuffled(line: str) -> str:
        words = line.split()
        rng.shuffle(words)
        return " ".join(words)

    def backwards(line: str) -> str:
        return " ".join(reversed(line.split()))

    yield "shuffled", _code(base, shuffled)
    yield "shuffled otherwise", _code(base, shuffled)
    yield "backwards", _code(base, backwards)


# -- 3.3.2: other ways to write a value


@rewrite("expressions")
def _expressions(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    def half(n: str) -> str:
        k = Decimal(rng.randrange(1, 9))
        return f"[{Decimal(n) - k}+{k}]"

    yield "in brackets", _numbers(base, "XYZ", lambda n: f"[{n}]")
    yield "sums", _some_numbers(base, rng, half)
    yield "unary and products", _some_numbers(base, rng, lambda n: f"[{n}*1]" if n[0] == "-" else f"abs[-{n.lstrip('+')}]")


def _some_numbers(base: Base, rng: random.Random, change: Callable[[str], str]) -> Lines:
    def line(text: str) -> str:
        if "G53" in text or rng.random() < 0.6:
            return text
        return NUMBER.sub(lambda m: m[1] + (change(m[2]) if m[1] in "XYZIJ" else m[2]), text)

    return _code(base, line)


@rewrite("parameters")
def _parameters(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    rows = [i for i, x in enumerate(base.lines) if is_code(x) and re.search(r"Z-?[\d.]+", x) and "G53" not in x]
    for n in (1, 8, 20):
        out = list(base.lines)
        for k, i in enumerate(sorted(rng.sample(rows, min(n, len(rows))), reverse=True)):
            z = re.search(r"Z(-?[\d.]+)", out[i])[1]
            out[i : i + 1] = [f"#{k + 1}={z}", out[i].replace(f"Z{z}", f"Z#{k + 1}", 1)]
        yield f"{n} heights", out


@rewrite("parameter set on its line")
def _late(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    """A setting takes effect behind its line (3.3.3)."""
    rows = [i for i, x in enumerate(base.lines) if is_code(x) and re.search(r"X-?[\d.]+", x) and "G53" not in x]
    for i in rng.sample(rows, 2):
        x = re.search(r"X(-?[\d.]+)", base.lines[i])[1]
        new = ["#9=" + x, "#9=0 " + base.lines[i].replace(f"X{x}", "X#9", 1)]
        yield f"line {i + 1}", [*base.lines[:i], *new, *base.lines[i + 1 :]]


# -- 3.4, 3.5: modal words


@rewrite("motion words repeated")
def _repeated(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    out: Lines = []
    modal = ""
    for line in base.lines:
        code = re.search(r"\bG(0|1|2|3|8[0-9])(?![\d.])", line) if is_code(line) else None
        if code:
            modal = "G" + code[1]
        elif is_code(line) and re.match(r"^[XYZIJ]", line) and modal:
            line = f"{modal} {line}"
        out.append(line)
    yield "on every line", out
    yield "with the plane", [x.replace("G2 ", "G17 G2 ").replace("G3 ", "G3 G17 ") if is_code(x) else x for x in base.lines]
    yield "with G90 and G94", [re.sub(r"^(G1 .*)$", r"\1 G90 G94", x) for x in base.lines]


@rewrite("motion words left out")
def _omitted(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    for share in (1.0, 0.5):
        out: Lines = []
        modal = ""
        for line in base.lines:
            if is_code(line):
                match = re.match(r"^G([0123]) (?=[XYZ])", line)
                other = re.search(r"\bG(0|1|2|3|8\d|53|28|92)(?![\d.])", line)
                if match and modal == match[1] and rng.random() < share:
                    line = line[match.end() :]
                elif match:
                    modal = match[1]
                elif other:
                    modal = ""
            out.append(line)
        yield f"{share:.0%} of them", out


@rewrite("positions repeated")
def _axes(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    """Omitted axes keep their value (3.5.1): writing them again does not move them."""
    for share in (1.0, 0.3):
        out: Lines = []
        at: dict[str, str] = {}
        cycle = False
        for line in base.lines:
            if is_code(line):
                if "G80" in line or re.match(r"^G[0123] ", line):
                    cycle = False
                if re.search(r"G8[13]", line):
                    cycle = True
                words = dict(re.findall(r"([XYZ])(-?[\d.]+)", line))
                if "G53" in line or "M6" in line or cycle or "G92" in line:
                    at = {} if "G53" in line or "M6" in line else {k: v for k, v in at.items() if k != "Z"}
                    at.update({k: v for k, v in words.items() if k in "XY" and cycle})
                elif words:
                    missing = [k for k in "XYZ" if k not in words and k in at]
                    at.update(words)
                    if re.match(r"^G[01] ", line) and rng.random() < share:
                        line += "".join(f" {k}{at[k]}" for k in missing)
            out.append(line)
        yield f"{share:.0%} of the straight moves", out


@rewrite("feed repeated")
def _feed(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    out: Lines = []
    feed = ""
    for line in base.lines:
        if is_code(line):
            found = re.search(r"F[\d.]+", line)
            feed = found[0] if found else feed
            if re.match(r"^(G64 )?G[123] ", line) and not found and feed:
                line += " " + feed
        out.append(line)
    yield "on every feed move", out
    yield "on lines of their own", [
        y for x in base.lines
        for y in ((re.search(r"F[\d.]+", x)[0], re.sub(r" ?F[\d.]+", "", x)) if re.match(r"^G[123] .*F[\d.]+", x) else (x,))
    ]  # fmt: skip


@rewrite("preamble on several lines")
def _preamble(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    split = []
    for x in base.lines:
        codes = x.split() if is_code(x) and re.fullmatch(r"(G\d+(\.\d)? ?)+", x) and "G53" not in x else [x]
        split += codes
    yield "one word a line", split
    twice = [y for x in base.lines for y in ((x, x) if re.fullmatch(r"(G\d+ ?)+", x) and "G53" not in x else (x,))]
    yield "twice", twice


@rewrite("several words on a line")
def _joined(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    """3.8: coolant and spindle come before the motion of their line, whatever the order of the words."""
    out: Lines = []
    for x in base.lines:
        if out and re.fullmatch(r"M[78]", out[-1]) and is_code(x) and re.match(r"^G43|^G0", x):
            out[-1] = f"{x} {out[-1]}"
        elif out and re.fullmatch(r"M9", out[-1]) and x == "M5":
            out[-1] = "M5 M9"
        else:
            out.append(x)
    yield "M8 with a move, M9 with M5", out


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
                    text, z = f"X{last.get('X', at['X'])} Y{last.get('Y', at['Y'])}", f" Z{last['Z']}" if "Z" in last else ""
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
    for a, b in zip(rows, rows[1:], strict=False):
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
            new.append(re.sub(r"([XYZ])(-?[\d.]+)", lambda m, at=at: f"{m[1]}{Decimal(m[2]) - at[m[1]]:f}", base.lines[i]))
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
    yield "a tenth less feed", _numbers(base, "F", lambda n: f"{Decimal(n) * Decimal('0.9'):.4f}")
    yield "M30 for M2 or M2 for M30", [{"M2": "M30", "M30": "M2"}.get(x, x) for x in base.lines]


@rewrite("T well before its M6")
def _early(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "on the line before", [y for x in base.lines for y in (x.split() if re.match(r"^T\d+ M6$", x) else (x,))]
    yield "M6 first on its line", [" ".join(reversed(x.split())) if re.match(r"^T\d+ M6$", x) else x for x in base.lines]


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
                words = [NUMBER.sub(lambda m: m[1] + (m[2] + "0" if m[1] in "XYZIJF" and "." in m[2] else m[2]), w) for w in words]
                x = f"n{i % 1000}" + rng.choice(["", " ", "\t"]).join(words)
                x = x.lower() if rng.random() < 0.5 else x
            out.append(x)
        yield "all at once", out
