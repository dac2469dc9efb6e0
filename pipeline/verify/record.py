"""What is written down while a program is read: moves, stops, dwells and findings.

Findings of one kind are kept up to a handful; the rest are counted, so that ten thousand bad lines stay readable.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from pipeline.model.findings import Finding, Severity
from pipeline.verify.reading import Moves, Stop

KEPT_PER_KIND = 8

Row = tuple[
    int, float, float, float, float, float, float, float, float, float, float, int, int, int, int, bool, bool
]  # kind, start, end, centre, feed, rpm, spindle, coolant, tool, line, known_z, blend


class FindingLog:
    """Findings by code and severity: the first few of a kind in full, then one that counts the rest."""

    def __init__(self) -> None:
        self._kept: list[Finding] = []
        self._count: dict[tuple[str, Severity], int] = {}
        self._last: dict[tuple[str, Severity], Finding] = {}

    def add(self, code: str, line: int, tool: int, found: str, wanted: str = "", hint: str = "",
            severity: Severity = "error", at_mm: tuple[float, float, float] | None = None) -> None:
        """Take one finding of line `line` with cutter `tool` in the spindle (0 for none)."""
        where = f"T{tool}, line {line}" if tool else f"line {line}"
        finding = Finding(code=code, severity=severity, where=where, found=found, wanted=wanted, hint=hint,
                          line=line, at_mm=at_mm)
        kind = (code, severity)
        self._count[kind] = self._count.get(kind, 0) + 1
        if self._count[kind] <= KEPT_PER_KIND:
            self._kept.append(finding)
        else:
            self._last[kind] = finding

    def findings(self) -> tuple[Finding, ...]:
        """All kept findings in order of line, then the counts of what was left out."""
        rest = [
            replace(last, found=f"{self._count[kind] - KEPT_PER_KIND} more of this kind, the last: {last.found}")
            for kind, last in self._last.items()
        ]
        return tuple(sorted(self._kept, key=lambda f: f.line or 0)) + tuple(rest)


class Record:
    """Rows of moves as they are made, with stops and dwells beside them."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.stops: list[Stop] = []
        self.dwell_s: dict[int, float] = {}
        self._standstill: set[int] = set()

    def halt(self) -> None:
        """The last move made so far ends at standstill."""
        if self.rows:
            self._standstill.add(len(self.rows) - 1)

    def dwell(self, line: int, seconds: float) -> None:
        """Wait `seconds` on line `line`, at standstill."""
        self.dwell_s[line] = self.dwell_s.get(line, 0.0) + seconds
        self.halt()

    def moves(self, always_halt: Iterable[int] = ()) -> Moves:
        """All rows as arrays. `always_halt` holds rows that end at standstill for another reason (G61.1)."""
        self.halt()
        table = np.array(self.rows, dtype=np.float64).reshape(-1, 17)
        exact = np.zeros(len(table), dtype=np.bool_)
        exact[sorted(self._standstill | set(always_halt))] = True
        return Moves(
            kind=table[:, 0].astype(np.int8), start=table[:, 1:4].copy(), end=table[:, 4:7].copy(),
            centre=table[:, 7:9].copy(), feed_mm_min=table[:, 9].copy(), rpm=table[:, 10].copy(),
            spindle=table[:, 11].astype(np.int8), coolant=table[:, 12].astype(np.int8),
            tool=table[:, 13].astype(np.int32), line=table[:, 14].astype(np.int32),
            known_z=table[:, 15].astype(np.bool_), exact_stop=exact, blend=table[:, 16].astype(np.bool_),
        )
