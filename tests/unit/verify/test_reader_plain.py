"""The quick way through plain lines against the reader proper: the same bits and the same findings from any text."""

from __future__ import annotations

import dataclasses
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.shop import Machine
from pipeline.verify import plain
from pipeline.verify.reader import read_program
from pipeline.verify.reading import Moves, Reading
from tests.unit.verify.text_bench import CRIB, ENDING, MACHINE, N_BEFORE, PREAMBLE, changed, emitted, own, read

MACHINES = (MACHINE, changed(units="in"), changed(path_word="G61", blend_mm=0.0))


def both(text: str, machine: Machine, monkeypatch: pytest.MonkeyPatch) -> tuple[Reading, Reading, int]:
    """The text read with and without the quick way, and how many lines went the quick way."""
    quick_lines = 0
    run = plain.PlainRuns.run

    def counted(self: plain.PlainRuns, interpreter: object, at: int, line: int) -> tuple[int, int]:
        nonlocal quick_lines
        after = run(self, interpreter, at, line)  # type: ignore[arg-type]
        quick_lines += after[1] - line
        return after

    with monkeypatch.context() as patch:
        patch.setattr(plain.PlainRuns, "run", counted)
        quick = read_program(text, machine=machine, crib=CRIB)
        patch.setattr(plain.PlainRuns, "run", lambda self, interpreter, at, line: (at, line))
        slow = read_program(text, machine=machine, crib=CRIB)
    return quick, slow, quick_lines


def differences(a: Reading, b: Reading) -> list[str]:
    """Names of whatever is not the same, to the last bit."""
    out = [f.name for f in dataclasses.fields(Moves)
           if (x := getattr(a.moves, f.name)).tobytes() != (y := getattr(b.moves, f.name)).tobytes()
           or x.dtype != y.dtype or x.shape != y.shape]
    return out + [f.name for f in dataclasses.fields(Reading)
                  if f.name != "moves" and getattr(a, f.name) != getattr(b, f.name)]


def number(rng: random.Random, low: float, high: float) -> str:
    """A number in one of many spellings, some with more figures than a double has."""
    value = rng.uniform(low, high)
    text = f"{value:.{rng.choice((0, 1, 3, 3, 4, 5, 9, 17, 24))}f}"
    if rng.random() < 0.1:
        text = rng.choice((
            f"+{abs(value):.3f}", f"{int(value)}.", "-0", "-0.000", f".{rng.randrange(1000)}", "10000000",
            f"{rng.randrange(-99, 99)} . {rng.randrange(9)} 1", "000000000000000000012.5", "9007199254740993",
            "1234567.1234567891", "10000000.1", "0.00000000000000000000001",
        ))  # fmt: skip
    return text


def line(rng: random.Random, odd: float) -> str:
    """A plain line, or with the chance `odd` one that is not, or that has something wrong with it."""
    if rng.random() < odd:
        return rng.choice((
            "", " \t", "(a remark)", "(MSG, look)", "M0", "G91", "G90", "G61", "G64", "G61.1", "M5", "M3", "M9", "M8",
            "F250", "F0", "F-3", "G1 F100", "G18", "G17", "G93", "G94", "G54", "S4000", "G0 X1 (b)", "/G1 X1", "N7",
            "G43 H1", "G49", "G0 Z400", "Z-76", "I1", "G3 X1 Y1", "G2 I1", "X1 X2", "X1e3", "G1X", "GX1", "G4 X1",
            "G81 X1 Z-1 R1", "G80", "X", "N123456 X1", "X1 N2", "G01.0 X3", "G+1 X3", "G1 G64 G61 X2", "G2 G1 X1",
            "K2", "\x00", "X1\r", "\rX1", "G1 X1 é", "T1 M6", "G92 X0", "G92.1", "G41 D1", "G40", "G3 X20 Y0 R15",
            "X" + " " * 256 + "1", " " * 300, "G1 X" + "1" * 30, "X1" + "." + "1" * 30, "G53 G0 Z0", "G28", "M30",
            "%", "G99", "G1 X[1+2]", "#1=2", "G28 Z0", "G38.2 X9", "G18 G2 X1 Z1 I.5 K.5", "M7", "G20", "G55",
        ))  # fmt: skip
    words = []
    if rng.random() < 0.5:
        words.append(rng.choice(("G0", "G1", "G1", "G01", "g00", "G2", "G3", "G03", "G 1", "G64 G1", "G61 G0")))
    words += [f"{axis}{number(rng, -4, 60)}" for axis in "XY" if rng.random() < 0.7]
    if rng.random() < 0.2:
        words.append(f"Z{number(rng, -40, 60)}")
    if rng.random() < 0.2:
        words.append(f"F{number(rng, -2, 400)}")
    if rng.random() < odd / 2:
        words.append(f"{rng.choice('IJKxz')}{number(rng, -9, 9)}")
    if rng.random() < 0.2:
        rng.shuffle(words)
    return ("N" + str(rng.randrange(100_000)) if rng.random() < 0.1 else "") + rng.choice(("", " ", "\t")).join(words)


def arcs(rng: random.Random) -> list[str]:
    """A place, and arcs from it: good, slightly off, far off, full turns, too short."""
    x, y, r = (round(rng.uniform(1, 40), 3) for _ in range(3))
    off = rng.choice((0.0, 0.0, 0.0, 0.0019, 0.002, 0.0020000001, 0.0021, 0.00018, 0.00021, 0.5))
    ends = rng.choice(((x + 2 * r, y), (x + r, y + r), (x, y), (x + 0.0003, y), (x + 0.0005, y), (x + 2 * r, y + 3)))
    rise = rng.choice(("", "", f" Z{rng.uniform(1, 20):.3f}"))
    return [f"G1 X{x:.4f} Y{y:.4f}", f"{rng.choice(('G2', 'G3'))} X{ends[0] + off:.10f} Y{ends[1]:.10f} I{r:.4f}{rise}"]


@pytest.mark.parametrize("machine", MACHINES, ids=["mm", "inch", "exact path"])
@settings(derandomize=True, deadline=None, max_examples=250)
@given(seed=st.integers(0, 2**32))
def test_both_ways_read_the_same(machine: Machine, seed: int) -> None:
    rng = random.Random(seed)
    lines: list[str] = []
    odd = rng.choice((0.0, 0.01, 0.03, 0.15))
    for _ in range(rng.randrange(1, 120)):
        lines += arcs(rng) if rng.random() < 0.15 else [line(rng, odd)]
    preamble = PREAMBLE.replace("G64", machine.dialect.path_word)
    if machine.dialect.units == "in":
        preamble = preamble.replace("G21", "G20").replace("Z20", "Z.8")
    end = rng.choice(("\n", "\r\n"))
    text = (preamble + "\n".join(lines) + "\n" + ENDING).replace("\n", end)
    text = text[: rng.choice((len(text), len(text) - 1, rng.randrange(len(text))))]
    with pytest.MonkeyPatch.context() as patch:
        quick, slow, _ = both(text, machine, patch)
    assert differences(quick, slow) == []


def test_the_quick_way_is_taken_by_what_the_writer_writes(monkeypatch: pytest.MonkeyPatch) -> None:
    text = emitted(3000)
    quick, slow, n = both(text, MACHINE, monkeypatch)
    assert differences(quick, slow) == []
    assert quick.findings == ()
    assert n > 0.95 * quick.n_lines
    assert {0, 1, 3} <= set(quick.moves.kind.tolist())


def test_numbers_have_the_bits_that_python_gives_them() -> None:
    rng = random.Random(8)
    texts = [f"{rng.uniform(-300, 300):.{rng.randrange(23)}f}" for _ in range(20_000)]
    texts = [t for t in texts if -100 < float(t) < 295]
    moves = read("\n".join(f"G0 X{t}" for t in texts)).moves
    body = (moves.line > N_BEFORE) & (moves.line <= N_BEFORE + len(texts))
    assert moves.end[body, 0].tobytes() == np.array([float(t) + 0.0 for t in texts]).tobytes()


def test_columns_have_the_types_that_are_promised() -> None:
    moves = read("G1 X1\nG3 X1 I-1").moves
    wanted = {"kind": np.int8, "spindle": np.int8, "coolant": np.int8, "tool": np.int32, "line": np.int32,
              "known_z": np.bool_, "exact_stop": np.bool_, "blend": np.bool_}
    for field in dataclasses.fields(Moves):
        column = getattr(moves, field.name)
        assert column.dtype == wanted.get(field.name, np.float64), field.name
        assert column.flags["C_CONTIGUOUS"]
        assert len(column) == len(moves.kind)


def test_a_finding_in_a_run_stands_on_its_line_and_the_run_goes_on() -> None:
    reading = read("G1 X1\nX2\nX3 Y3\nX4 X5\nX6\nG3 X7 Y3 I0.7\nX8")
    assert [(f.code, f.line) for f in reading.findings] == [("V606", 13), ("V618", 15)]
    assert [row[1] for row in own(reading)] == [1, 2, 3, 6, 8]
