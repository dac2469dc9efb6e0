"""How a program's text differs from the one that the tool would write: by operations, by what the machine does.

Both texts are read; what is compared are *steps*: moves with their cutter, feed, speed and modes, stops, dwells. Line
numbers, spaces, comments, the order of words, a move written in two pieces, an arc by its radius or a cycle written out
are therefore no difference. An operation is found in a text by its heading, without one by its first steps.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from pipeline.model.program import Program
from pipeline.model.shop import Crib, Machine
from pipeline.model.units import MM_PER_INCH
from pipeline.verify.reader import read_program
from pipeline.verify.reading import Reading
from pipeline.verify.steps import KINDS, SAME_MM, Steps, ends_of_match, find, steps_of
from pipeline.verify.stretches import named

_DIGEST = re.compile(r"\(\s*job digest:\s*([0-9a-f]{64})\s*\)", re.IGNORECASE)
_FIRST_STEPS = (3, 2)  # that tell where an operation begins in a text without headings
_SPINDLE = {1: "M3", -1: "M4", 0: "M5"}

Sort = Literal["same", "changed", "missing", "added"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One operation, or the way to one (`way to clip-1/edge/outline`, `way out`), in somebody's text against ours.

    `line` is where in their text it differs for the first time (of a missing one: where it would begin), `own_line` the
    line of ours that says otherwise; 0 where there is none. `found` and `wanted` are what they say, in words.
    """

    operation: str
    sort: Sort
    line: int
    own_line: int
    found: str = ""
    wanted: str = ""

    def __str__(self) -> str:
        if self.sort == "same":
            return f"{self.operation}: as the tool would write it"
        if self.sort == "changed":
            return f"{self.operation}: line {self.line}: {self.found}; the tool writes {self.wanted}"
        place = f"belongs at line {self.line}" if self.sort == "missing" else f"line {self.line}"
        return f"{self.operation}: {self.sort}, {place}" + (f": {self.found}" if self.found else "")


def differences(text: str, program: Program, *, machine: Machine, crib: Crib) -> tuple[Difference, ...]:
    """How `text` differs from `program`, which the tool wrote for this machine and crib: every operation of the program
    in its order, the ways between them where they differ, then what the text has on top. Bad text is compared as far as
    it can be read."""
    theirs, ours = (read_program(t, machine=machine, crib=crib) for t in (text, program.text))
    compared = _Comparison(steps_of(theirs), steps_of(ours), theirs, units=machine.dialect.units)
    return compared.of(_units(program, ours, compared.ours))


def job_digest_in(text: str) -> str:
    """The job digest that the header of a program names; empty when there is none."""
    found = _DIGEST.search(text)
    return found[1].lower() if found else ""


@dataclass(frozen=True, slots=True)
class _Unit:
    """A run of our steps with a name: an operation from its heading to its last pass, or the way to the next."""

    name: str
    begin: int
    end: int
    is_operation: bool


@dataclass(slots=True)
class _Found:
    """Where a unit lies in their steps: from `begin`; `end` is the step after the last that agrees, `ours` the step of
    ours that does not, None when all agree. At `limit` something else begins."""

    begin: int
    end: int
    limit: int
    ours: int | None


def _units(program: Program, ours: Reading, steps: Steps) -> list[_Unit]:
    """The whole program as units, in order; empty ways are left out."""
    names = list(dict.fromkeys(span.operation_id for span in program.index))
    heads = dict(reversed([(key.casefold(), line) for line, key in named(ours)]))
    units, at = [], 0
    for name in names:
        lines = [(span.first_line, span.last_line) for span in program.index if span.operation_id == name]
        begin = steps.first_of_line(heads.get(name.casefold(), min(first for first, _ in lines)))
        end = steps.first_of_line(max(last for _, last in lines) + 1)
        units += [_Unit(f"way to {name}", at, begin, False), _Unit(name, begin, end, True)]
        at = end
    units.append(_Unit("way out", at, len(steps), False))
    return [unit for unit in units if unit.is_operation or unit.begin < unit.end]


class _Comparison:
    def __init__(self, theirs: Steps, ours: Steps, reading: Reading, *, units: str):
        self.theirs, self.ours, self._unit = theirs, ours, units
        self._heads = [(theirs.first_of_line(line), name) for line, name in named(reading)]  # (first step, name)
        self._last_line = max(reading.n_lines, 1)

    def of(self, units: Sequence[_Unit]) -> tuple[Difference, ...]:
        """All differences, see `differences`."""
        headed = self._headed(units)
        places = [place for place, _ in self._heads] + [len(self.theirs)]
        found: dict[int, _Found] = {}
        at, after = 0, 0  # where the text was last known to agree, and the number of the heading after it
        for k, unit in enumerate(units):
            own = headed.get(unit.name)
            if own is not None:
                at, after = places[own], own + 1
            follows = k == 0 or (k - 1 in found and found[k - 1].ours is None)
            limit = max(places[after], at)
            place = self._place(unit, at, limit, is_headed=own is not None, follows=follows)
            if place is not None:
                found[k] = place
                at = place.end
        self._take_gaps(units, found)
        told = self._in_order(units, found, [self._tell(unit, k, found) for k, unit in enumerate(units)])
        kept = [one for k, one in enumerate(told) if units[k].is_operation or self._is_worth_a_word(k, told)]
        return (*kept, *self._added(found))

    @staticmethod
    def _is_worth_a_word(k: int, told: Sequence[Difference]) -> bool:
        """Whether the way k says more than the operations beside it: not when one of them is not there, nor when the
        cutter still turns at the speed that the one before it should not have had."""
        way = told[k]
        beside = [told[i] for i in (k - 1, k + 1) if 0 <= i < len(told)]
        if way.sort == "missing":
            return all(one.sort == "same" for one in beside)
        if any(one.sort == "missing" for one in beside):
            return False
        repeats = any(one.line <= way.line and (one.found, one.wanted) == (way.found, way.wanted) for one in beside)
        return way.sort == "changed" and not repeats

    def _headed(self, units: Sequence[_Unit]) -> Mapping[str, int]:
        """The number of each of our operations' heading among theirs; of two with one name the first."""
        names = {unit.name.casefold(): unit.name for unit in units if unit.is_operation}
        headed: dict[str, int] = {}
        for number, (_, name) in enumerate(self._heads):
            if name.casefold() in names:
                headed.setdefault(names[name.casefold()], number)
        return headed

    def _place(self, unit: _Unit, begin: int, limit: int, *, is_headed: bool, follows: bool) -> _Found | None:
        """The unit from `begin` on, or wherever its first steps are found before `limit`; None when it is nowhere.
        When it does not follow one that agrees, its first rapid may come from elsewhere."""
        place = self._match(unit, begin, limit)
        if place.end == begin and not follows and begin < limit and self._comes_from_elsewhere(begin, unit.begin):
            place = self._match(replace(unit, begin=unit.begin + 1), begin + 1, limit)
            place.begin = begin
        if place.ours is None or (is_headed and begin < limit) or place.end - begin >= _FIRST_STEPS[-1]:
            return place
        for n in _FIRST_STEPS:
            first = slice(unit.begin, min(unit.begin + n, unit.end))
            found_at = find(self.ours, first, self.theirs, slice(begin, limit))
            if found_at is not None:
                return self._match(unit, found_at, limit)
        return place if place.end > begin else None

    def _match(self, unit: _Unit, begin: int, limit: int) -> _Found:
        theirs, ours = ends_of_match(self.theirs, slice(begin, limit), self.ours, slice(unit.begin, unit.end))
        return _Found(begin, theirs, limit, None if ours == unit.end else ours)

    def _comes_from_elsewhere(self, theirs: int, ours: int) -> bool:
        """Whether two rapids go to the same place in the axes that ours moves."""
        a, b = self.theirs, self.ours
        moves = abs(b.end[ours] - b.start[ours]) > SAME_MM
        return bool(a.kind[theirs] == b.kind[ours] == 0 and (abs(a.end[theirs] - b.end[ours])[moves] <= SAME_MM).all())

    def _take_gaps(self, units: Sequence[_Unit], found: dict[int, _Found]) -> None:
        """Steps between two units that were found belong to one between them that was not: the first that begins like
        them, else a way, since an operation that begins in no way like them is not there."""
        places = sorted(found)
        for before, after in itertools.pairwise([-1, *places, len(units)]):
            if after - before < 2 or (before in found and found[before].ours is not None):
                continue  # nothing is wanted here, or the steps are those of the changed one before
            begin = found[before].end if before in found else 0
            heads = [at for at, _ in self._heads if at >= begin]
            limit = min([*heads, found[after].begin if after in found else len(self.theirs)])
            if begin >= limit:
                continue
            tried = [(k, self._match(units[k], begin, limit)) for k in range(before + 1, after)]
            order = sorted(tried, key=lambda one: (one[1].end == begin, units[one[0]].is_operation, one[0]))
            found[order[0][0]] = order[0][1]

    def _tell(self, unit: _Unit, k: int, found: Mapping[int, _Found]) -> Difference:
        place = found.get(k)
        own = self.ours.line_at(unit.begin)
        if place is None:
            before = [found[i].end for i in found if i < k]
            line = self.theirs.line_at(max(before, default=0)) or self._last_line
            return Difference(operation=unit.name, sort="missing", line=line, own_line=own)
        if place.ours is None:
            return Difference(operation=unit.name, sort="same", line=self.theirs.line_at(place.begin), own_line=own)
        wrong, right = self._words(place, place.ours)
        return Difference(
            operation=unit.name, sort="changed", line=self.theirs.line_at(place.end) or self._last_line,
            own_line=self.ours.line_at(place.ours), found=wrong, wanted=right,
        )  # fmt: skip

    def _in_order(
        self, units: Sequence[_Unit], found: Mapping[int, _Found], told: Sequence[Difference]
    ) -> list[Difference]:
        """Operations that are the same but come before one that they should follow."""
        out, last, latest = [], -1, ""
        for k, (unit, one) in enumerate(zip(units, told, strict=True)):
            if k in found and unit.is_operation:
                if found[k].begin < last and one.sort == "same":
                    one = replace(one, sort="changed", found=f"the same steps, before {latest}", wanted="them after it")
                if found[k].begin > last:
                    last, latest = found[k].begin, unit.name
            out.append(one)
        return out

    def _added(self, found: Mapping[int, _Found]) -> list[Difference]:
        """Runs of their steps that no unit accounts for. A changed unit accounts for all up to the next."""
        begins = sorted({*(f.begin for f in found.values()), *(at for at, _ in self._heads), len(self.theirs)})
        taken = sorted(
            (f.begin, f.end if f.ours is None else next(b for b in begins if b > f.begin or b == len(self.theirs)))
            for f in found.values()
        )
        runs, at = [], 0
        for begin, end in [*taken, (len(self.theirs), len(self.theirs))]:
            if at < begin:
                cuts = sorted({at, begin, *(h for h, _ in self._heads if at < h < begin)})
                runs += list(itertools.pairwise(cuts))
            at = max(at, end)
        own = dict(self._heads)
        out = []
        for begin, end in runs:
            first, last = self.theirs.line_at(begin), self.theirs.line_at(end - 1)
            name = own.get(begin) or "moves"
            n = end - begin
            words = f"{n} step{'s' if n > 1 else ''}" + (f" to line {last}" if last > first else "")
            out.append(Difference(operation=name, sort="added", line=first, own_line=0, found=words))
        return out

    def _words(self, place: _Found, ours: int) -> tuple[str, str]:
        """What the two steps say that do not agree, as far as they differ."""
        theirs = place.end
        if theirs >= place.limit:
            return "nothing more there", self._step(self.ours, ours)
        a, b = dict(self._facts(self.theirs, theirs)), dict(self._facts(self.ours, ours))
        if a["kind"] == b["kind"]:
            names = [name for name in a if name in b and a[name] != b[name]]
            if names:
                return ", ".join(a[name] for name in names), ", ".join(b[name] for name in names)
            return f"another arc to {self._step(self.theirs, theirs)}", "one about another centre"
        return self._step(self.theirs, theirs), self._step(self.ours, ours)

    def _step(self, steps: Steps, at: int) -> str:
        facts = dict(self._facts(steps, at))
        return " ".join(facts[name] for name in ("kind", "X", "Y", "Z") if name in facts)

    def _facts(self, steps: Steps, at: int) -> list[tuple[str, str]]:
        """What a step is, by name, in the words of a program in the machine's unit."""
        kind = KINDS[int(steps.kind[at])]
        if kind in ("stop", "dwell"):
            value = steps.value[at]
            return [("kind", f"M{value:.0f}" if kind == "stop" else f"a dwell of {value:g} s")]
        facts = [("kind", kind)]
        scale, digits = (1 / MM_PER_INCH, 5) if self._unit == "in" else (1.0, 4)
        facts += [(axis, f"{axis}{_short(v * scale, digits)}") for axis, v in zip("XYZ", steps.end[at], strict=True)]
        feed, rpm, spindle, coolant, tool, mode, is_offset = steps.state[at]
        if kind != "G0":
            facts.append(("feed", f"F{_short(feed * scale, digits)}"))
        facts += [
            ("tool", f"T{tool:.0f}"),
            ("spindle", _SPINDLE.get(int(spindle), "M5")),
            ("speed", f"S{rpm:.0f}"),
            ("coolant", "coolant on" if coolant else "coolant off"),
            ("offset", "length offset on" if is_offset else "length offset off"),
            ("path", ("G61", "G64", "G61.1")[int(mode)]),
        ]
        return facts


def _short(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
