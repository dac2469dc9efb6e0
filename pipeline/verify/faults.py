"""Faults: what one check saw at one place, before many of one kind become one finding.

A program with one wrong line may touch a part in a thousand moves. The reader of the page wants one finding with the
worst place, the first line and the count; so faults are grouped by code, part and cutter.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.model.findings import Finding, Severity


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault. `found` says what, with the figure of this place; line 0 and cutter 0 mean that none is to blame."""

    code: str
    part_id: str
    cutter: int
    line: int
    at_mm: tuple[float, float, float] | None
    amount_mm: float
    found: str
    wanted: str
    hint: str = ""
    severity: Severity = "error"


def as_findings(faults: Iterable[Fault]) -> list[Finding]:
    """One finding for each (code, part, cutter): the worst fault speaks, the count and the first line are added."""
    groups: dict[tuple[str, str, int], list[Fault]] = {}
    for fault in faults:
        groups.setdefault((fault.code, fault.part_id, fault.cutter), []).append(fault)
    out = []
    for key in sorted(groups):
        group = groups[key]
        worst = max(group, key=lambda f: (f.severity == "error", f.amount_mm, -f.line))
        lines = sorted({f.line for f in group if f.line})
        names = [worst.part_id] if worst.part_id else []
        if worst.cutter:
            names.append(f"T{worst.cutter}")
        if worst.line:
            names.append(f"line {worst.line}")
        found = worst.found
        if len(group) > 1:
            found += f" (the worst of {len(group)}" + (f", first at line {lines[0]})" if lines else ")")
        out.append(
            Finding(
                code=worst.code,
                severity=worst.severity,
                where=", ".join(names) or "the program",
                found=found,
                wanted=worst.wanted,
                hint=worst.hint,
                line=worst.line or None,
                at_mm=worst.at_mm,
                amount_mm=worst.amount_mm,
            )
        )
    return out


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Errors, then warnings, then notes; inside each the largest first, faults of the text (no amount) before."""
    rank = {"error": 0, "warning": 1, "note": 2}

    def key(f: Finding) -> tuple[int, float, str, int, str]:
        amount = float("-inf") if f.amount_mm is None else -f.amount_mm
        return rank[f.severity], amount, f.code, f.line or 0, f.where

    return tuple(sorted(findings, key=key))
