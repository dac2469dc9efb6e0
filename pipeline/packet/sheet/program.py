"""What a program holds for a person who stands beside it: its stops, its operations in order, the work it leaves.

Lists of plain values for the setup sheet, and its way of writing lengths. Lines are 1-based lines of the text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pipeline.model.part import Hole
from pipeline.model.program import Program
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Operation, Plan
from pipeline.model.units import EPS_MM, MM_PER_INCH
from pipeline.model.verdict import Verdict
from pipeline.packet.copies import copies

_STOP = re.compile(r"(N\d+ )?M0?0")
_MESSAGE = re.compile(r"\(MSG, (.*)\)")
_Z_CHECK = re.compile(r"Z ZERO: T(\d+)\b")
_SWAP = re.compile(r"POCKET (\d+): TAKE OUT T(\d+), PUT IN T(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """Lengths as text, in the machine's unit and without it."""

    units: str

    @property
    def places(self) -> int:
        """Decimals of an exact length."""
        return 4 if self.units == "in" else 3

    @property
    def mm_per_unit(self) -> float:
        """The unit's length."""
        return MM_PER_INCH if self.units == "in" else 1.0

    def exact(self, mm: float) -> str:
        """As fine as the page shows it: a thousandth of a millimetre, a ten-thousandth of an inch."""
        return self._text(mm, self.places)

    def short(self, mm: float) -> str:
        """One place less, for what is set by hand or by eye."""
        return self._text(mm, self.places - 1)

    def signed(self, mm: float) -> str:
        """An exact deviation with its sign, none where it is nothing."""
        text = f"{mm / self.mm_per_unit:+.{self.places}f}"
        return text[1:] if float(text) == 0 else text

    def span(self, low_mm: float, high_mm: float) -> str:
        """From a low to a high value."""
        return f"{self.short(low_mm)} to {self.short(high_mm)}"

    def _text(self, mm: float, places: int) -> str:
        text = f"{mm / self.mm_per_unit:.{places}f}"
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
class Bore:
    """Bores of one feature that the program stops to measure. Limits of the diameter and of the depth from the inside
    face, None where the depth has none; `cut_to` is the size the cutter is sent to, as the operation's note says it.
    """

    what: str
    part_ids: tuple[str, ...]
    cutters: tuple[int, ...]
    limits_mm: tuple[float, float]
    cut_to: str
    depth_mm: tuple[float, float] | None

    @property
    def of(self) -> str:
        """The parts, copies together."""
        return _listed(copies(self.part_ids))

    def sizes(self, n: Numbers) -> str:
        """Limits and aim: "9.500 to 9.515, cut to 9.508, depth 0.800 to 0.813"."""
        low, high = (n.exact(v) for v in self.limits_mm)
        words = f"{low} to {high}, cut {self.cut_to}"
        return words + (f", depth {n.exact(self.depth_mm[0])} to {n.exact(self.depth_mm[1])}" if self.depth_mm else "")


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


def z_checks_of(stops: Iterable[Stop]) -> dict[int, tuple[int, ...]]:
    """The lines of each cutter's gauge-block stops; a cutter without one is absent."""
    lines: dict[int, tuple[int, ...]] = {}
    for stop in stops:
        if m := _Z_CHECK.match(stop.message):
            lines[int(m[1])] = (*lines.get(int(m[1]), ()), stop.line)
    return lines


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
    """Operations in the program's order. Those that follow each other with one cutter, of one kind and to one depth,
    share a row where they are the same feature of several parts or several features of one; nothing else is between.
    The spots of one part share a row whatever their depths; the deepest is named.
    """
    line: dict[str, int] = {}
    minutes: dict[str, float] = {}
    for span in program.index:
        line.setdefault(span.operation_id, span.first_line)
        spent = _minutes(verdict, span.first_line, span.last_line)
        minutes[span.operation_id] = minutes.get(span.operation_id, 0.0) + spent
    groups: list[list[Operation]] = []
    for path in plan.toolpaths:
        op = path.operation
        if groups and _goes_on(groups[-1], op):
            groups[-1].append(op)
        else:
            groups.append([op])
    return tuple(
        Work(
            line=min(line[op.id] for op in ops),
            kind=ops[0].kind,
            what=_named(_once(op.feature_id for op in ops), _once(op.part_id for op in ops)),
            bottom_z_mm=min(op.bottom_z_mm for op in ops),
            minutes=sum(minutes[op.id] for op in ops),
        )
        for ops in groups
    )


def _goes_on(ops: Sequence[Operation], op: Operation) -> bool:
    """Whether an operation belongs into the row of those right before it."""
    last = ops[-1]
    if (op.cutter, op.kind) != (last.cutter, last.kind):
        return False
    of_one_part = all(o.part_id == op.part_id for o in ops)
    if abs(op.bottom_z_mm - last.bottom_z_mm) > EPS_MM:
        return of_one_part and op.kind == "spot"
    return of_one_part or all(o.feature_id == op.feature_id for o in ops)


def bores_of(plan: Plan, setup: Setup) -> tuple[Bore, ...]:
    """Bores whose operation asks for a measurement, with what is allowed of them."""
    asked: dict[tuple[str, str, tuple[float, float], tuple[float, float] | None], list[Operation]] = {}
    parts = {placed.part_id: placed.part for placed in setup.parts}
    for path in plan.toolpaths:
        op = path.operation
        if op.kind != "bore" or "measure" not in op.note or op.part_id not in parts:
            continue
        part = parts[op.part_id]
        for hole in part.features:
            if isinstance(hole, Hole) and hole.id == op.feature_id:
                depth = None
                if hole.depth_limits_mm:
                    low_z, high_z = hole.depth_limits_mm
                    depth = (part.thickness_mm - high_z, part.thickness_mm - low_z)
                key = (hole.id, op.note.split(",")[0], hole.limits_mm, depth)
                asked.setdefault(key, []).append(op)
    return tuple(
        Bore(
            what=feature.replace("-", " "),
            part_ids=tuple(op.part_id for op in ops),
            cutters=tuple(dict.fromkeys(op.cutter for op in ops)),
            limits_mm=limits,
            cut_to=aim,
            depth_mm=depth,
        )
        for (feature, aim, limits, depth), ops in asked.items()
    )


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


def _once(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


def _named(features: Sequence[str], ids: Sequence[str]) -> str:
    return f"{_listed(copies(features))} of {_listed(copies(ids))}"


def _listed(names: str) -> str:
    """Commas alone between names: semicolons part groups on the sheet."""
    return names.replace("; ", ", ")


def _minutes(verdict: Verdict, first_line: int, last_line: int) -> float:
    return float(verdict.line_seconds[first_line - 1 : last_line].sum()) / 60
