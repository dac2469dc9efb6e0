"""Loads as the page lists them: one row for the same work on all copies of a part, and the worst places with numbers.

Rows of plain values in mm, s, degrees and N; the templates show lengths in the unit of the control.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.model.program import Program
from pipeline.model.verdict import Loads, StretchLoad, WorstPlace
from pipeline.packet.copies import copies, kind_of

# quantity -> its name in the list, in the order of the list
QUANTITIES = {
    "force": "force",
    "deflection": "cutter bends",
    "engagement": "arc in stock",
    "chip": "chip thickness",
    "torque": "torque",
    "power": "spindle power",
    "holding": "hold, safety factor",
    "skin": "skin",
}
LEAST_IS_WORST = frozenset({"holding", "skin"})
_PLACES_EACH = 2  # of one quantity on the page, of different cutters; the summary has all


def name_of(heading: str) -> str:
    """What a heading is about: `(clip-1/inside-face/face, T1, Z 4.8 to 3.5)` -> `clip-1/inside-face/face`."""
    return heading.strip().strip("()").split(",")[0].strip() or "no heading"


@dataclass(slots=True)
class LoadRow:
    """The same work on every copy of a part while one cutter is in: times are sums, the rest is the worst of all.
    `line` is the first of the copy on which the force is largest."""

    work: str
    cutter: int
    line: int
    ids: list[str] = field(default_factory=list)
    cutting_s: float = 0.0
    air_s: float = 0.0
    removed_mm3: float = 0.0
    engaged_mean_deg: float = 0.0
    engaged_peak_deg: float = 0.0
    depth_mm: float = 0.0
    chip_mm: float = 0.0
    rate_mm3_min: float = 0.0
    force_n: float = 0.0
    torque_n_m: float = 0.0
    power_w: float = 0.0
    deflection_mm: float = 0.0
    holding: float = math.inf
    skin_mm: float = math.inf

    @property
    def parts(self) -> str:
        """The parts in few words, empty for work that names none."""
        return copies(self.ids)

    def add(self, one: StretchLoad) -> None:
        """Counts one stretch in."""
        if self.cutting_s + one.cutting_s > 0:
            before = self.engaged_mean_deg * self.cutting_s
            here = math.degrees(one.engaged_mean_rad) * one.cutting_s
            self.engaged_mean_deg = (before + here) / (self.cutting_s + one.cutting_s)
        if one.force_peak_n > self.force_n:
            self.line = one.first_line
        self.cutting_s += one.cutting_s
        self.air_s += one.air_s
        self.removed_mm3 += one.removed_mm3
        self.engaged_peak_deg = max(self.engaged_peak_deg, math.degrees(one.engaged_peak_rad))
        self.depth_mm = max(self.depth_mm, one.depth_peak_mm)
        self.chip_mm = max(self.chip_mm, one.chip_peak_mm)
        self.rate_mm3_min = max(self.rate_mm3_min, one.rate_peak_mm3_min)
        self.force_n = max(self.force_n, one.force_peak_n)
        self.torque_n_m = max(self.torque_n_m, one.torque_peak_n_m)
        self.power_w = max(self.power_w, one.power_peak_w)
        self.deflection_mm = max(self.deflection_mm, one.deflection_peak_mm)
        self.holding = min(self.holding, one.holding)
        self.skin_mm = min(self.skin_mm, one.skin_mm)


def load_rows(loads: Loads, families: Mapping[str, str]) -> list[LoadRow]:
    """Rows in the program's order; what cuts nothing has none. `families` by part: both hands share their rows."""
    rows: dict[tuple[int, int, str, str], LoadRow] = {}
    turn, cutter = 0, None
    for one in loads.stretches:
        if one.cutter != cutter:
            turn, cutter = turn + 1, one.cutter
        if one.cutting_s <= 0:
            continue
        part, _, work = name_of(one.heading).partition("/")
        if not work:
            part, work = "", part
        key = (turn, one.cutter, families.get(part, kind_of(part)), work)
        row = rows.setdefault(key, LoadRow(work.replace("/", ", "), one.cutter, one.first_line))
        row.add(one)
        if part and part not in row.ids:
            row.ids.append(part)
    return list(rows.values())


@dataclass(frozen=True, slots=True)
class CutterLoad:
    """The worst that one cutter feels in the whole program."""

    cutter: int
    cutting_s: float
    force_n: float
    torque_n_m: float
    power_w: float
    deflection_mm: float
    engaged_deg: float
    chip_mm: float
    where: str  # of the largest force
    line: int


def cutter_loads(loads: Loads) -> list[CutterLoad]:
    """A row for each cutter that cuts, in order of first use. `line`: where the force is largest, as near as known."""
    found: dict[int, list[StretchLoad]] = {}
    for one in loads.stretches:
        if one.cutting_s > 0:
            found.setdefault(one.cutter, []).append(one)
    rows = []
    for cutter, mine in found.items():
        worst = max(mine, key=lambda one: one.force_peak_n)
        place = next((w for w in loads.worst if w.quantity == "force" and w.cutter == cutter), None)
        exact = place is not None and worst.first_line <= place.line <= worst.last_line
        rows.append(
            CutterLoad(
                cutter,
                sum(one.cutting_s for one in mine),
                worst.force_peak_n,
                max(one.torque_peak_n_m for one in mine),
                max(one.power_peak_w for one in mine),
                max(one.deflection_peak_mm for one in mine),
                math.degrees(max(one.engaged_peak_rad for one in mine)),
                max(one.chip_peak_mm for one in mine),
                name_of(worst.heading),
                place.line if place and exact else worst.first_line,
            )
        )
    return rows


@dataclass(frozen=True, slots=True)
class Worst:
    """A worst place with the number it has in list, drawing and timeline."""

    number: str
    place: WorstPlace

    @property
    def what(self) -> str:
        """The quantity in words."""
        return QUANTITIES.get(self.place.quantity, self.place.quantity)


def worst_places(loads: Loads, drills: frozenset[int]) -> list[Worst]:
    """The worst few places of every quantity, the worst first. `drills` are the numbers of the cutters that stand in
    stock all round by their nature: their arc is no news."""
    chosen: list[WorstPlace] = []
    names = dict.fromkeys([*QUANTITIES, *(one.quantity for one in loads.worst)])
    for name in names:
        mine = [one for one in loads.worst if one.quantity == name and math.isfinite(one.value)]
        if name == "engagement":
            mine = [one for one in mine if one.cutter not in drills]
        mine.sort(key=lambda one: (one.value if name in LEAST_IS_WORST else -one.value, one.line))
        by_cutter = {one.cutter: one for one in reversed(mine)}
        chosen += [one for one in mine if by_cutter[one.cutter] is one][:_PLACES_EACH]
    return [Worst(f"W{k}", one) for k, one in enumerate(chosen, start=1)]


def flags_of(places: Sequence[Worst], times_s: Mapping[str, float]) -> dict[str, tuple[float, str]]:
    """The first place of each quantity, for the timeline: time of the worst in s, and number."""
    found: dict[str, tuple[float, str]] = {}
    for one in places:
        if one.place.quantity in times_s:
            found.setdefault(one.place.quantity, (times_s[one.place.quantity], one.number))
    return found


def start_of(program: Program, line: int) -> int | None:
    """The line to start the program at to come to a line again, None where there is none."""
    return max((start.line for start in program.starts if start.line <= line), default=None)
