"""Rewrites that change nothing a machine does, or nothing that matters: the verifier must release every one.

They are harmless by construction, each by a rule of NISTIR 6556 (2000) named at its class; the oracle must agree, too.
Numbers are rewritten as decimals, never through binary fractions, so that no last digit moves.
"""

from __future__ import annotations

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
    import tests.sabotage.motion_rewrites  # noqa: F401  they put themselves into REWRITES

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


def code_lines(base: Base, change: Callable[[str], str]) -> Lines:
    return [change(line) if is_code(line) else line for line in base.lines]


def in_numbers(base: Base, letters: str, change: Callable[[str], str]) -> Lines:
    def line(text: str) -> str:
        return NUMBER.sub(lambda m: m[1] + (change(m[2]) if m[1] in letters else m[2]), text)

    return code_lines(base, line)


def _some(base: Base, rng: random.Random, share: float, change: Callable[[str], str]) -> Lines:
    return [change(x) if is_code(x) and rng.random() < share else x for x in base.lines]


# -- 3.3: how a line is written


@rewrite("line numbers")
def _numbered(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "by ten", [f"N{10 * i + 10} {x}" if is_code(x) else x for i, x in enumerate(base.lines) if 10 * i < 99990]
    yield "all the same", code_lines(base, lambda x: f"N7 {x}")
    yield "in disorder", code_lines(base, lambda x: f"N{rng.randrange(100000)}{x}")


@rewrite("blanks and tabs")
def _blanks(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "none", code_lines(base, lambda x: x.replace(" ", ""))
    yield "many", code_lines(base, lambda x: "  " + x.replace(" ", " \t ") + "   ")
    yield "inside numbers", code_lines(base, lambda x: re.sub(r"(\d)(\d)", r"\1 \2", x))


@rewrite("lower case")
def _lower(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "all", code_lines(base, str.lower)
    yield "some", _some(base, rng, 0.5, str.lower)


@rewrite("leading noughts")
def _leading(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "G and M codes", code_lines(base, lambda x: re.sub(r"\b([GM])(\d)(?![\d.])", r"\g<1>0\2", x))
    yield "coordinates", in_numbers(base, "XYZIJF", lambda n: re.sub(r"^([+-]?)(\d)", r"\g<1>00\2", n))
    yield "none before the point", in_numbers(base, "XYZIJ", lambda n: re.sub(r"^([+-]?)0\.(\d)", r"\1.\2", n))


@rewrite("trailing noughts")
def _trailing(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "more", in_numbers(base, "XYZIJF", lambda n: (n if "." in n else n + ".") + "000")
    yield "fewer", in_numbers(base, "XYZIJF", lambda n: n.rstrip("0").rstrip(".") or "0" if "." in n else n)
    yield "a point at the end", in_numbers(base, "XYZIJF", lambda n: n if "." in n else n + ".")


@rewrite("plus signs")
def _plus(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "on coordinates", in_numbers(base, "XYZ", lambda n: n if n[0] in "+-" else "+" + n)
    yield "on everything but codes", in_numbers(base, "XYZIJFP", lambda n: n if n[0] in "+-" else "+" + n)


@rewrite("comments")
def _comments(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    yield "behind every line", code_lines(base, lambda x: f"{x} (as planned)")
    yield "in the middle of lines", code_lines(base, lambda x: x.replace(" ", " (so) ", 1))
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

    yield "shuffled", code_lines(base, shuffled)
    yield "shuffled otherwise", code_lines(base, shuffled)
    yield "backwards", code_lines(base, backwards)


# -- 3.3.2: other ways to write a value


@rewrite("expressions")
def _expressions(base: Base, rng: random.Random) -> Iterator[tuple[str, Lines]]:
    def half(n: str) -> str:
        k = Decimal(rng.randrange(1, 9))
        return f"[{Decimal(n) - k}+{k}]"

    yield "in brackets", in_numbers(base, "XYZ", lambda n: f"[{n}]")
    yield "sums", _some_numbers(base, rng, half)
    yield "functions and products", _some_numbers(base, rng, lambda n: f"[{n}*1]" if n[0] == "-" else f"abs[-{n}]")


def _some_numbers(base: Base, rng: random.Random, change: Callable[[str], str]) -> Lines:
    def line(text: str) -> str:
        if "G53" in text or rng.random() < 0.6:
            return text
        return NUMBER.sub(lambda m: m[1] + (change(m[2]) if m[1] in "XYZIJ" else m[2]), text)

    return code_lines(base, line)


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
    yield "with the plane", code_lines(base, lambda x: x.replace("G2 ", "G17 G2 ").replace("G3 ", "G3 G17 "))
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
    apart: Lines = []
    for line in base.lines:
        found = re.search(r"F[\d.]+", line) if re.match(r"^G[123] ", line) else None
        apart += [found[0], re.sub(r" ?F[\d.]+", "", line)] if found else [line]
    yield "on lines of their own", apart


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
