"""The reader: program text in, the moves the machine would make out. It shares nothing with the writer.

The language is RS274/NGC as T. R. Kramer, F. M. Proctor and E. R. Messina define it in "The NIST RS274/NGC Interpreter
- Version 3", NISTIR 6556 (2000). What is not understood is an error, never skipped. Where the report leaves something
open, or controls are known to differ, there is a finding too.

What is assumed, since no text says it: before the first line the machine stands at the top of Z and in the middle of X
and Y, its G92 offsets are zero, its G54 is the bed frame, and the operator's block delete switch is off. A program must
therefore begin with the machine's safe retract and state its modes (V626, V613).

Codes: V601 not a word; V602 number, expression or value; V603 comment; V604 line length; V605 line number; V606 a word
twice; V607 two codes of a group; V608 no such code; V609 a word without use; V610 a word is missing; V611 beginning and
end of the program; V612 units; V613 modes not stated; V614 block delete; V615 parameters; V616 no motion in force, or
two that want the axis words; V617 not checked here; V618 arcs; V619 cycles; V620 feed missing; V621 spindle standing;
V622 tool change with things running, or in the wrong place; V623 cutter unknown; V624 length offset; V625 work systems
and homes; V626 unknown position; V627 stop with the spindle turning; V630 Z travel; V636 a code the machine's dialect
has not; V637 overrides switched off; V639 cutter compensation as the report does not allow it. The other V63x are in
`limits`.
"""

from __future__ import annotations

from pipeline.model.shop import Crib, Machine
from pipeline.verify.execution import Interpreter
from pipeline.verify.lexer import read_block
from pipeline.verify.plain import STARTS, PlainRuns
from pipeline.verify.reading import Reading
from pipeline.verify.record import MOST_MOVES, TooManyMoves

# What a machine file may declare beyond the report: a tolerance word with G64, and comments that begin with a ;.
EXTENSIONS = frozenset({"G64 P", ";"})


def read_program(text: str, *, machine: Machine, crib: Crib) -> Reading:
    """Read a whole program. Never raises for bad text: everything wrong with it is in the findings."""
    interpreter = Interpreter(machine, crib)
    log = interpreter.log
    for name in sorted(machine.dialect.extensions - EXTENSIONS):
        log.add("V636", 1, 0, f"the extension {name!r} in the machine file", " or ".join(sorted(EXTENSIONS)))
    n_lines = text.count("\n") + (not text.endswith("\n") and bool(text))
    ends = _Ends()
    try:
        _read_lines(text, interpreter, ends)
    except TooManyMoves:
        log.add("V617", ends.line, interpreter.state.tool, f"more than {MOST_MOVES} moves", "a program of fewer moves",
                "nothing from this line on was checked")
    else:
        _check_end(interpreter, n_lines, ends)
    record = interpreter.record
    return Reading(
        moves=record.moves(), stops=tuple(record.stops), dwell_s=dict(record.dwell_s), findings=log.findings(),
        units=interpreter.units_first, n_lines=n_lines, headings=tuple(interpreter.headings),
    )


class _Ends:
    """How far the text has been read, and what stood at its ends."""

    def __init__(self) -> None:
        self.line = 1
        self.begun = self.opened = self.closed = False


def _read_lines(text: str, interpreter: Interpreter, ends: _Ends) -> None:
    """Run every line. Raises TooManyMoves."""
    runs = PlainRuns(text)
    semicolons = ";" in interpreter.machine.dialect.extensions
    at, size = 0, len(text)
    while at < size:
        if text[at] in STARTS and ends.begun and not ends.closed:
            at, ends.line = runs.run(interpreter, at, ends.line)
            if at >= size:
                break
        end = text.find("\n", at)
        end = size if end < 0 else end
        raw = text[at:end]
        at = end + 1
        bare = raw[:-1] if raw.endswith("\r") else raw
        if bare.strip(" \t"):
            if ends.closed:
                # The report lets a control ignore it; one that reads on would run it.
                interpreter.log.add("V611", ends.line, 0, "text after the second %", "nothing")
                break
            if bare.strip() == "%":
                if ends.begun and not ends.opened:
                    interpreter.log.add("V611", ends.line, 0, "a % with no % before it",
                                        "% first and last, or nowhere")
                ends.closed = ends.opened
                ends.opened = ends.opened or not ends.begun
            else:
                interpreter.run(read_block(bare, ends.line, interpreter.parameters, semicolons=semicolons))
            ends.begun = True
        ends.line += 1


def _check_end(interpreter: Interpreter, n_lines: int, ends: _Ends) -> None:
    state, log = interpreter.state, interpreter.log
    last = max(n_lines, 1)
    if ends.opened and not ends.closed:
        log.add("V611", last, state.tool, "an opening % and no closing one", "% first and last, or nowhere")
    if not state.ended:
        # With % lines the report does not ask for an end, but then nothing stops the spindle.
        log.add("V611", last, state.tool, "no M2 or M30", "M2 or M30 as the last word")
    if not interpreter.units_first:
        log.add("V612", last, state.tool, "neither G20 nor G21", "the units first")
    if not interpreter.record.n:
        log.add("V611", last, state.tool, "a program without a move", "moves")
