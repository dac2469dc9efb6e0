"""What is written down while a program is read: moves, stops, dwells and findings.

Moves stand in columns that grow, not in objects: a program may have a million. Findings of one kind are kept up to a
handful; the rest are counted, so that ten thousand bad lines stay readable.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Finding, Severity
from pipeline.verify.reading import Moves, Stop

KEPT_PER_KIND = 8
MOST_MOVES = 2_000_000  # ours: a text that asks for more is a slip of the pen, or meant to fill the memory
_FIRST_ROWS = 1024
_COLUMNS: dict[str, tuple[type, int]] = {  # name -> type, numbers in a row
    "kind": (np.int8, 0), "start": (np.float64, 3), "end": (np.float64, 3), "centre": (np.float64, 2),
    "feed_mm_min": (np.float64, 0), "rpm": (np.float64, 0), "spindle": (np.int8, 0), "coolant": (np.int8, 0),
    "tool": (np.int32, 0), "line": (np.int32, 0), "known_z": (np.bool_, 0), "exact_stop": (np.bool_, 0),
    "blend": (np.bool_, 0),
}  # fmt: skip


_Words = tuple[str, int, int, str, str, str, Severity, tuple[float, float, float] | None]  # what a finding is made of


class TooManyMoves(Exception):
    """The program makes more moves than are followed here."""


class FindingLog:
    """Findings by code and severity: the first few of a kind in full, then one that counts the rest."""

    def __init__(self) -> None:
        self._kept: list[Finding] = []
        self._count: dict[tuple[str, Severity], int] = {}
        self._last: dict[tuple[str, Severity], _Words] = {}

    def add(self, code: str, line: int, tool: int, found: str, wanted: str = "", hint: str = "",
            severity: Severity = "error", at_mm: tuple[float, float, float] | None = None) -> None:
        """Take one finding of line `line` with cutter `tool` in the spindle (0 for none)."""
        kind = (code, severity)
        self._count[kind] = self._count.get(kind, 0) + 1
        if self._count[kind] <= KEPT_PER_KIND:
            self._kept.append(_finding(code, line, tool, found, wanted, hint, severity, at_mm))
        else:
            self._last[kind] = (code, line, tool, found, wanted, hint, severity, at_mm)

    def findings(self) -> tuple[Finding, ...]:
        """All kept findings in order of line, then the counts of what was left out."""
        rest = []
        for kind, last in self._last.items():
            finding = _finding(*last)
            more = f"{self._count[kind] - KEPT_PER_KIND} more of this kind, the last: {finding.found}"
            rest.append(replace(finding, found=more))
        return tuple(sorted(self._kept, key=lambda f: f.line or 0)) + tuple(rest)


def _finding(code: str, line: int, tool: int, found: str, wanted: str, hint: str, severity: Severity,
             at_mm: tuple[float, float, float] | None) -> Finding:
    where = f"T{tool}, line {line}" if tool else f"line {line}"
    return Finding(code=code, severity=severity, where=where, found=found, wanted=wanted, hint=hint, line=line,
                   at_mm=at_mm)


class Record:
    """Columns of moves as they are made (`columns`, of which `n` rows are used), with stops and dwells beside them."""

    def __init__(self) -> None:
        self.n = 0
        self.columns: dict[str, NDArray[Any]] = {
            name: np.zeros((_FIRST_ROWS, width) if width else _FIRST_ROWS, kind)
            for name, (kind, width) in _COLUMNS.items()
        }
        self.stops: list[Stop] = []
        self.dwell_s: dict[int, float] = {}

    def reserve(self, rows: int) -> None:
        """Make room for `rows` more moves. Raises TooManyMoves. Rows not yet used are all zero."""
        room, wanted = len(self.columns["kind"]), self.n + rows
        if wanted <= room:
            return
        if wanted > MOST_MOVES:
            raise TooManyMoves
        grown = min(max(wanted, 2 * room), MOST_MOVES)
        for column in self.columns.values():
            column.resize((grown, *column.shape[1:]), refcheck=False)  # in place; nobody else holds them yet

    def add(self, kind: int, start: tuple[float, ...], end: tuple[float, ...], centre: tuple[float, float],
            feed_mm_min: float, rpm: float, flags: tuple[int, int, int, int, bool, bool, bool]) -> None:
        """One move. `flags`: spindle, coolant, tool, line, known_z, exact_stop, blend. Raises TooManyMoves."""
        self.reserve(1)
        c, n = self.columns, self.n
        c["kind"][n], c["start"][n], c["end"][n], c["centre"][n] = kind, start, end, centre
        c["feed_mm_min"][n], c["rpm"][n] = feed_mm_min, rpm
        c["spindle"][n], c["coolant"][n], c["tool"][n], c["line"][n] = flags[:4]
        c["known_z"][n], c["exact_stop"][n], c["blend"][n] = flags[4:]
        self.n = n + 1

    def halt(self) -> None:
        """The last move made so far ends at standstill."""
        if self.n:
            self.columns["exact_stop"][self.n - 1] = True

    def dwell(self, line: int, seconds: float) -> None:
        """Wait `seconds` on line `line`, at standstill."""
        self.dwell_s[line] = self.dwell_s.get(line, 0.0) + seconds
        self.halt()

    def moves(self) -> Moves:
        """All rows. The record is used up: the columns are handed over, cut to their length, not copied."""
        self.halt()
        for column in self.columns.values():
            column.resize((self.n, *column.shape[1:]), refcheck=False)
        return Moves(**self.columns)
