"""The quick way through long runs of plain lines: state handed to the compiled byte reader and taken back.

The reader proper is the law. A run begins only where a plain line can mean nothing but its words, and ends before the
first line on which anything would be found; that line is read the slow way, and its finding comes from there.
"""

from __future__ import annotations

import numpy as np

from pipeline.kernels import verify_reading as kernel
from pipeline.model.units import EPS_MM
from pipeline.verify.arcs import MISMATCH_MM, SHORT_ARC_MM
from pipeline.verify.execution import Interpreter
from pipeline.verify.expressions import LARGEST_VALUE
from pipeline.verify.lexer import LONGEST_LINE

STARTS = frozenset("GXYZIJFNgxyzijfn \t\r\n")  # what a plain line may begin with
_NOISE = 1e-3 * EPS_MM  # two ways to a square root agree this well, relative to 1 mm or to the radius


class PlainRuns:
    """One text as bytes, one byte for each of its characters, so that places are the same in both."""

    def __init__(self, text: str) -> None:
        self._bytes = np.frombuffer(text.encode("ascii", "replace"), np.uint8)  # what is not ASCII becomes a ?

    def run(self, interpreter: Interpreter, at: int, line: int) -> tuple[int, int]:
        """Read plain lines from place `at`, line `line` on. Returns place and number of the first line not read.

        Raises TooManyMoves.
        """
        state, motion, record = interpreter.state, interpreter.motion, interpreter.record
        if not motion.takes_plain_lines():
            return at, line
        x, y, z = state.tip
        numbers = np.array([
            x, y, z, state.feed, state.unit_mm, *state.shift, motion.nose_low_mm, motion.nose_high_mm,
            state.length_mm, MISMATCH_MM[state.units], SHORT_ARC_MM, _NOISE, LARGEST_VALUE,
        ])  # fmt: skip
        exact_only = state.machine.dialect.path_word != "G64"
        integers = np.array([
            (state.motion or 0) // 10, state.absolute, state.spindle != 0, state.path, not exact_only, at, line,
            record.n, 0, 0, LONGEST_LINE,
        ], np.int64)  # fmt: skip
        first = record.n
        c = record.columns
        while True:
            kernel.plain_lines(
                self._bytes, numbers, integers, c["kind"], c["start"], c["end"], c["centre"], c["feed_mm_min"],
                c["line"], c["blend"], c["exact_stop"],
            )  # fmt: skip
            record.n = int(integers[kernel.ROWS])
            if record.n < len(c["kind"]):
                break
            record.reserve(1)
        rows = slice(first, record.n)
        c["known_z"][rows], c["tool"][rows] = True, state.tool
        if state.spindle:
            c["rpm"][rows], c["spindle"][rows] = state.rpm, state.spindle
        c["coolant"][rows] = state.mist or state.flood
        state.tip[:] = numbers[:3].tolist()
        state.feed, state.path = float(numbers[kernel.FEED]), int(integers[kernel.PATH])
        if integers[kernel.MOVED]:
            state.motion = int(integers[kernel.MOTION]) * 10
            state.retracted = state.retracted and not integers[kernel.Z_SEEN]
            interpreter.forget_note()
        return int(integers[kernel.AT]), int(integers[kernel.LINE])
