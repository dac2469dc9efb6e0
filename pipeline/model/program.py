"""A program is text. Beside it, an index from its lines back to what they are for."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One cutter's section: from its safe retract to its coolant off. Line numbers are 1-based, both ends included."""

    cutter: int
    first_line: int
    last_line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LineRange:
    """Lines of the text that one pass of one operation became."""

    operation_id: str
    pass_id: str
    first_line: int
    last_line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """A line, 1-based, at which the machine can be started: all that the lines after it need is stated again there."""

    line: int
    words: str  # "T3, handle-left/edge": the cutter that is in the spindle or put in, and what is cut first


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """RS274/NGC text for one setup."""

    file: str  # "grafting-pair-setup-1.ngc"
    setup: str
    text: str
    sections: tuple[Section, ...]
    index: tuple[LineRange, ...]
    starts: tuple[Start, ...] = ()  # every section and the places inside long ones, in line order
