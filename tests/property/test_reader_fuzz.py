"""The reader on 100,000 lines that nobody meant: no crash, no hang, and what comes out is findings and real moves.

Texts come from a grammar of the language used without sense, from good lines with a few characters changed, and from
plain junk; the seeds are fixed, so every run reads the same.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable
from itertools import product

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.model.findings import has_errors
from pipeline.model.shop import Machine
from pipeline.verify.motion_time import path_lengths
from pipeline.verify.reader import read_program
from pipeline.verify.reading import ARC_CCW, RAPID
from pipeline.verify.record import KEPT_PER_KIND
from tests.unit.verify.text_bench import CRIB, ENDING, MACHINE, PREAMBLE, changed, emitted

MACHINES = (MACHINE, changed(units="in"), changed(path_word="G61", extensions=frozenset({"G64 P", ";"})))
SECONDS = 20.0  # of one text of some hundred lines, which takes milliseconds: only a hang takes so long
LINES = {"grammar": (260, 170), "changed": (200, 170), "junk": (160, 170)}  # texts, lines in each

CODES = ["G0", "G1", "G2", "G3", "G4", "G10", "G17", "G18", "G19", "G20", "G21", "G28", "G30", "G38.2", "G40", "G41",
         "G42", "G43", "G49", "G53", "G54", "G55", "G59.3", "G61", "G61.1", "G64", "G73", "G80", "G81", "G82", "G83",
         "G84", "G85", "G86", "G87", "G88", "G89", "G90", "G91", "G92", "G92.1", "G92.2", "G92.3", "G93", "G94", "G98",
         "G99", "M0", "M1", "M3", "M4", "M5", "M6", "M7", "M8", "M9", "M48", "M49", "M60"]  # fmt: skip
NUMBERS = ["0", "-0", "1", "-1", "2.5", ".5", "-.5", "10", "1000", "9999999", "10000000", "10000001", "-9999999",
           "0.0000000001", "1e308", "1E5", "9" * 40, "9" * 240, "." + "0" * 240 + "1", "0" * 200 + "1", "1.2.3", "--1",
           "+-1", ".", "-", "+", "", "1,5", "4.9e-324", "nan", "inf", "0x10", "1_000", "17976931348623157" + "0" * 200]
FUNCTIONS = ["ABS", "ACOS", "ASIN", "ATAN", "COS", "EXP", "FIX", "FUP", "LN", "ROUND", "SIN", "SQRT", "TAN"]
OPERATORS = ["+", "-", "*", "/", "**", "MOD", "AND", "OR", "XOR", " ** ", "***", "//"]
GOOD = [*emitted(150).splitlines(), "G98 G83 X1 Y2 Z-3 R1 Q0.5", "X5 L3", "G80", "#1=[2+3*4]",
        "G1 X#1 Y[#1/3] F[100*2]",
        "G41 D1 G1 X5 Y5", "G3 X9 Y9 R4", "G40 G0 Z20", "G18 G2 X5 Z5 I2.5 K2.5", "G19 G3 Y1 Z1 J1 K0", "G91 X1 Y1",
        "G53 G0 Z0", "T2 M6 (MSG, NEXT)", "G43 H12 Z5", "M3 S4000", "G4 P1.5", "G92 X0 Y0", "G10 L2 P1 X-300 Y-200",
        "G28 Z20", "G93 G1 X1 F3", "N100 G87 X1 Y1 Z-5 R1 I1 J1 K-2", "G54", "%", "/G1 X1", "M30"]  # fmt: skip


def value(rng: random.Random, depth: int = 0) -> str:
    kind = rng.random()
    if kind < 0.55 or depth > 4:
        return rng.choice(NUMBERS) if rng.random() < 0.3 else f"{rng.uniform(-50, 50):.{rng.randrange(6)}f}"
    if kind < 0.65:
        index = value(rng, 5) if rng.random() < 0.2 else str(rng.randrange(40))
        return "#" * rng.choice((1, 1, 1, 2, 5, 200)) + index
    if kind < 0.8:
        name = rng.choice(FUNCTIONS)
        return f"{name}[{value(rng, depth + 1)}]" + (f"/[{value(rng, depth + 1)}]" if name == "ATAN" else "")
    terms = rng.choice(OPERATORS).join(value(rng, depth + 1) for _ in range(rng.randrange(1, 4)))
    return "[" * rng.choice((1, 1, 1, 1, 2, 45, 120)) + terms + "]" * rng.choice((1, 1, 1, 1, 1, 2, 45, 0))


def grammar_line(rng: random.Random) -> str:
    words = [rng.choice(CODES) for _ in range(rng.choice((0, 1, 1, 1, 2, 3)))]
    words += [rng.choice("XYZXYZIJKRFPQLSTHDABCNEOUVW") + value(rng) for _ in range(rng.choice((0, 1, 2, 2, 3, 4, 6)))]
    if rng.random() < 0.15:
        words.append(f"#{rng.choice((rng.randrange(40), rng.randrange(5000, 5400), value(rng)))}={value(rng)}")
    if rng.random() < 0.1:
        words.insert(0, rng.choice(("/", "%", "N", "(open", "closed)", "(MSG, a)", ";", "(a) (b)", "((", "()")))
    if rng.random() < 0.6:
        rng.shuffle(words)
    return rng.choice((" ", " ", "", "\t")).join(words)


def changed_line(rng: random.Random) -> str:
    line = rng.choice(GOOD)
    if line == "%" and rng.random() < 0.9:
        return ""
    for _ in range(rng.choice((0, 0, 1, 1, 2, 4))):
        at = rng.randrange(len(line) + 1)
        what = rng.random()
        if what < 0.35:
            line = line[:at] + rng.choice("GMXYZIJKRFPQ0123456789.-+[]#=()/;% \r\x00é") + line[at:]
        elif what < 0.6:
            line = line[:at] + line[at + 1 :]
        elif what < 0.8:
            line = line[:at] + rng.choice(GOOD)[: rng.randrange(12)] + line[at:]
        else:
            line = (line[:at] + line[at:] * rng.choice((2, 2, 30)))[:2000]
    return line


def junk_line(rng: random.Random) -> str:
    kind = rng.randrange(7)
    n = rng.choice((0, 1, 3, 10, 40, 255, 256, 257, 300, 5000))
    if kind == 0:
        return bytes(rng.randrange(256) for _ in range(min(n, 300))).decode("latin-1")
    if kind == 1:
        return "".join(chr(rng.choice((rng.randrange(0x80), rng.randrange(0x800), rng.randrange(0x110000))))
                       for _ in range(min(n, 300)))
    if kind == 2:
        return rng.choice("[]()#%/-XNG1\x00 \t\r.=") * n
    if kind == 3:
        return "G1 X" + rng.choice(("[", "#", "[-", "SQRT[", "[1+", "[1**", "##[")) * min(n, 120)
    if kind == 4:
        return f"G{rng.randrange(2000) / 10:g} M{rng.randrange(110)} X{rng.choice(NUMBERS)}"
    if kind == 5:
        return rng.choice(("(", "(MSG,", "G1 X1 (")) + "a" * n + rng.choice((")", "", "))"))
    return rng.choice(("X1" * 60, "G1 X1" + " " * n, "T99999999999 M6", "S" + "9" * 300, "\ufeffG0 X1", "G０ X１"))


MAKERS: dict[str, Callable[[random.Random], str]] = {
    "grammar": grammar_line, "changed": changed_line, "junk": junk_line,
}  # fmt: skip


def check(text: str, machine: Machine = MACHINE) -> None:
    """Read the text; everything that must hold of whatever comes out."""
    begin = time.process_time()
    reading = read_program(text, machine=machine, crib=CRIB)
    assert time.process_time() - begin < SECONDS
    moves = reading.moves
    assert has_errors(reading.findings) or len(moves.kind)
    for name in ("start", "end", "centre", "feed_mm_min", "rpm"):
        assert np.isfinite(getattr(moves, name)).all(), name
    assert np.isfinite(path_lengths(moves)).all()
    assert ((moves.kind >= RAPID) & (moves.kind <= ARC_CCW)).all()
    assert (moves.feed_mm_min >= 0).all()
    assert (moves.feed_mm_min[moves.kind == RAPID] == 0).all()
    assert ((moves.line >= 1) & (moves.line <= reading.n_lines)).all()
    assert (np.diff(moves.line) >= 0).all()
    assert (moves.end[:-1, :2] == moves.start[1:, :2]).all()  # Z jumps with each change of cutter
    assert all(math.isfinite(s) and s >= 0 for s in reading.dwell_s.values())
    per_kind: dict[tuple[str, str], int] = {}
    for f in reading.findings:
        per_kind[f.code, f.severity] = per_kind.get((f.code, f.severity), 0) + 1
        assert f.line is not None
        assert 1 <= f.line <= max(reading.n_lines, 1)
        assert f.at_mm is None or all(map(math.isfinite, f.at_mm))
        assert str(f).isprintable()
        assert len(str(f)) < 700
    assert all(n <= KEPT_PER_KIND + 1 for n in per_kind.values())


@pytest.mark.parametrize("kind", MAKERS)
def test_lines_that_nobody_meant(kind: str) -> None:
    texts, n = LINES[kind]
    for seed in range(texts):
        rng = random.Random(f"{kind} {seed}")
        lines = [MAKERS[kind](rng).replace("\n", " ") for _ in range(n)]
        text = rng.choice(("\n", "\n", "\r\n")).join(lines)
        check((PREAMBLE + text + "\n" + ENDING) if seed % 8 else text, MACHINES[seed % 3])


def test_that_is_a_hundred_thousand_lines() -> None:
    assert sum(texts * n for texts, n in LINES.values()) >= 100_000


@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.text(max_size=400), st.booleans())
@example("%\n" * 50, False)
@example("\x00" * 300, True)
@example("\ud800", True)
def test_any_text_at_all(text: str, inside: bool) -> None:
    check(PREAMBLE + text + "\n" + ENDING if inside else text)


@pytest.mark.parametrize(("opening", "inner", "n"), list(product(
    ("", "G91 ", "G18 ", "G93 ", "G20 "),
    ("G1 X9999999 Y9999999", "G2 X1 Y1 I9999999 J9999999", "G3 X9999999 I9999999", "G2 X1 R9999999",
     "G2 X0 Y0 I5000000", "G3 Z1 X1 K9999999 I-9999999", "G2 Z0 X0 I9999999 K9999999",
     "G83 X1 Z-9999999 R9999999 Q0.0001 L1000",
     "G81 X9999999 Z-1 R1 L1000", "G92 X9999999", "G1 X[9999999*9999999]", "G1 X[2**1023*2**1023]", "X[1 MOD 0]",
     "X[ATAN[0]/[0]]", "X[EXP[9999999]]", "X[[0-1]**0.5]", "X[0**[0-1]]", "#1=#1", "G28 X9999999", "G1 F9999999 X1",
     "G4 P9999999", "S9999999 X1", "G38.2 X9999999", "G10 L2 P1 X9999999 Y-9999999 Z9999999"),
    (1, 60),
)))  # fmt: skip
def test_values_at_the_edge(opening: str, inner: str, n: int) -> None:
    check(PREAMBLE + "".join(f"{opening}{inner}\n" for _ in range(n)) + ENDING)


def test_a_long_file_of_percents_comments_and_faults_takes_no_longer_than_its_lines() -> None:
    for line in ("%", "(a)", "G1 X", "é", "#1=1", "M6", "G4 P1", "/", "N1", "(((", "G81 X1"):
        check((line + "\n") * 20_000)
        check(PREAMBLE + (line + "\n") * 20_000 + ENDING)
    check("X" * 3_000_000)
    check("(" * 3_000_000)
    check("\r" * 300_000)
    check(PREAMBLE + "G1" + " " * 1_000_000 + "X1\n" + ENDING)
