"""What a program holds for a person who stands beside it: its stops, its operations in order, the work it leaves.

Lists of plain values for the setup sheet, and its way of writing lengths. Lines are 1-based lines of the text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pipeline.model.program import Program
from pipeline.model.toolpath import Operation, Plan
from pipeline.model.units import MM_PER_INCH
from pipeline.model.verdict import Verdict
from pipeline.packet.page.page import copies

_STOP = re.compile(r"(N\d+ )?M0?0")
_MESSAGE = re.compile(r"\(MSG, (.*)\)")
_SWAP = re.compile(r"POCKET (\d+): TAKE OUT T(\d+), PUT IN T(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """Lengths as text, in the machine's unit and without it."""

    units: str

    def exact(self, mm: float) -> str:
        """As fine as the page shows it: a thousandth of a millimetre, a ten-thousandth of an inch."""
        return self._text(mm, 4 if self.units == "in" else 3)

    def short(self, mm: float) -> str:
        """One place less, for what is set by hand or by eye."""
        return self._text(mm, 3 if self.units == "in" else 2)

    def span(self, low_mm: float, high_mm: float) -> str:
        """From a low to a high value."""
        return f"{self.short(low_mm)} to {self.short(high_mm)}"

    def _text(self, mm: float, places: int) -> str:
        text = f"{mm / (MM_PER_INCH if self.units == 'in' else 1.0):.{places}f}"
        return text.removeprefix("-") if float(text) == 0 else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A line at which the program waits for the operator, and what it shows."""

    line: int
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """A stop at which the operator puts a cutter into a pocket of the changer in place of another."""

    line: int
    pocket: int
    out: int
    into: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One cutter's work from its first line on."""

    line: int
    cutter: int
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Operations of one kind to one depth while one cutter works: `what` names features and parts."""

    line: int
    kind: str
    what: str
    bottom_z_mm: float
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What waits for another setup for one reason: `what` names features and parts."""

    setup: str
    operation: str
    what: str
    reason: str


def stops_of(text: str) -> tuple[Stop, ...]:
    """Every M0 of a program with the messages that stand right before it."""
    lines = [line.strip() for line in text.splitlines()]
    stops = []
    for k, line in enumerate(lines):
        if not _STOP.fullmatch(line):
            continue
        said: list[str] = []
        while (before := k - len(said) - 1) >= 0 and (message := _MESSAGE.fullmatch(lines[before])):
            said.insert(0, message[1])
        stops.append(Stop(line=k + 1, message=" ".join(said)))
    return tuple(stops)


def swaps_of(stops: Iterable[Stop]) -> tuple[Swap, ...]:
    """The stops at which a cutter goes into a pocket that another held."""
    found = ((stop.line, _SWAP.match(stop.message)) for stop in stops)
    return tuple(Swap(line=line, pocket=int(m[1]), out=int(m[2]), into=int(m[3])) for line, m in found if m)


def sections_of(program: Program, verdict: Verdict) -> tuple[Section, ...]:
    """The sections in order, each with the time of its operations: changing cutters and waiting not counted."""
    spent = [(span.first_line, _minutes(verdict, span.first_line, span.last_line)) for span in program.index]
    return tuple(
        Section(
            line=s.first_line,
            cutter=s.cutter,
            minutes=sum(minutes for line, minutes in spent if s.first_line <= line <= s.last_line),
        )
        for s in program.sections
    )


def work_of(plan: Plan, program: Program, verdict: Verdict) -> tuple[Work, ...]:
    """While one cutter works, the same operation on copies and on both hands of a part shares a row, and so do
    features of the same parts. A row stands where its first operation does."""
    line: dict[str, int] = {}
    minutes: dict[str, float] = {}
    for span in program.index:
        line.setdefault(span.operation_id, span.first_line)
        spent = _minutes(verdict, span.first_line, span.last_line)
        minutes[span.operation_id] = minutes.get(span.operation_id, 0.0) + spent
    by_feature: dict[tuple[int, str, str, float], list[Operation]] = {}
    section, cutter = 0, None
    for path in plan.toolpaths:
        op = path.operation
        section, cutter = section + (op.cutter != cutter), op.cutter
        by_feature.setdefault((section, op.kind, op.feature_id, round(op.bottom_z_mm, 6)), []).append(op)
    by_parts: dict[tuple[int, str, float, tuple[str, ...]], list[Operation]] = {}
    for (section, kind, _, depth), ops in by_feature.items():
        by_parts.setdefault((section, kind, depth, tuple(op.part_id for op in ops)), []).extend(ops)
    rows = [
        Work(
            line=min(line[op.id] for op in ops),
            kind=kind,
            what=_named([op.feature_id for op in ops], ids),
            bottom_z_mm=ops[0].bottom_z_mm,
            minutes=sum(minutes[op.id] for op in ops),
        )
        for (_, kind, _, ids), ops in by_parts.items()
    ]
    return tuple(sorted(rows, key=lambda row: row.line))


def starts_by_cutter(program: Program) -> dict[str, list[str]]:
    """`T3` -> `2531 handle-left/pocket-1`, ...: where the machine can be started, in line order."""
    starts: dict[str, list[str]] = {}
    for start in program.starts:
        cutter, _, place = start.words.partition(", ")
        starts.setdefault(cutter, []).append(f"{start.line} {place}")
    return starts


def bores_to_measure(plan: Plan) -> tuple[str, ...]:
    """Bores whose operation asks for a measurement, with the size that it gives."""
    asked: dict[tuple[str, str], list[str]] = {}
    for path in plan.toolpaths:
        op = path.operation
        if op.kind == "bore" and "measure" in op.note:
            asked.setdefault((op.feature_id, op.note.split(",")[0]), []).append(op.part_id)
    return tuple(f"{feature} {size} ({_listed(copies(ids))})" for (feature, size), ids in asked.items())


def left_of(plan: Plan) -> tuple[Left, ...]:
    """Work left, by setup. What waits for the same thing for the same reason shares a row."""
    by_feature: dict[tuple[str, str, str, str], list[str]] = {}
    for left in plan.not_cut:
        by_feature.setdefault((left.setup, left.operation, left.reason, left.feature_id), []).append(left.part_id)
    rows: dict[tuple[str, str, str], dict[tuple[str, ...], list[str]]] = {}
    for (setup, operation, reason, feature), ids in by_feature.items():
        rows.setdefault((setup, operation, reason), {}).setdefault(tuple(ids), []).append(feature)
    return tuple(
        Left(
            setup=setup,
            operation=operation,
            what="; ".join(_named(features, ids) for ids, features in groups.items()),
            reason=reason,
        )
        for (setup, operation, reason), groups in sorted(rows.items(), key=lambda row: row[0][:2])
    )


def _named(features: Sequence[str], ids: Sequence[str]) -> str:
    return f"{_listed(copies(features))} of {_listed(copies(ids))}"


def _listed(names: str) -> str:
    """Commas alone between names: semicolons part groups on the sheet."""
    return names.replace("; ", ", ")


def _minutes(verdict: Verdict, first_line: int, last_line: int) -> float:
    return float(verdict.line_seconds[first_line - 1 : last_line].sum()) / 60
