"""The hold in numbers a gauge shows: kPa and inches of mercury below the air's pressure, limits rounded up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.model.verdict import Freed, HoldingResult
from pipeline.packet.copies import copies

KPA_PER_INHG = 3.386389  # inch of mercury at 32 F: NIST SP 811 (2008), appendix B.8
_NOISE = 1e-9  # of a division that comes out whole


@dataclass(frozen=True, slots=True)
class Gauge:
    """A reading as it is shown. Both figures are rounded up: no rounding makes a weak hold look strong enough."""

    kpa: str
    inhg: str

    @classmethod
    def at_least(cls, kpa: float) -> Gauge:
        """The reading that must not be fallen below: whole kPa, tenths of inHg."""
        return cls(str(math.ceil(kpa - _NOISE)), f"{math.ceil(kpa / KPA_PER_INHG * 10 - _NOISE) / 10:.1f}")

    @classmethod
    def nearest(cls, kpa: float) -> Gauge:
        """A reading to compare with."""
        return cls(f"{kpa:.0f}", f"{kpa / KPA_PER_INHG:.1f}")

    def __str__(self) -> str:
        return f"{self.kpa} kPa ({self.inhg} inHg)"


@dataclass(frozen=True, slots=True)
class HoldFacts:
    """The hold for page and sheet. `lowest` is None when no reading holds the target; `spare_kpa` is the planned
    reading less the lowest."""

    result: HoldingResult
    planned: Gauge
    lowest: Gauge | None
    air: Gauge
    spare_kpa: float
    is_enough: bool

    @property
    def factor(self) -> str:
        """The least safety factor, rounded down."""
        least = self.result.least
        return f"{math.floor(least * 100 + _NOISE) / 100:.2f}" if math.isfinite(least) else "no force on it"

    @property
    def case(self) -> str:
        """Which of the three cases it is, with the part."""
        what = self.result.what
        return self.result.case + (f" {what}" if what and what not in self.result.case else "")


def hold_facts(result: HoldingResult) -> HoldFacts:
    """The figures of a hold as they are shown."""
    can_hold = math.isfinite(result.gauge_least_kpa) and result.gauge_least_kpa < result.local_pressure_kpa
    return HoldFacts(
        result,
        Gauge.nearest(result.gauge_planned_kpa),
        Gauge.at_least(result.gauge_least_kpa) if can_hold else None,
        Gauge.nearest(result.local_pressure_kpa),
        result.gauge_planned_kpa - result.gauge_least_kpa,
        result.least >= result.target and can_hold and result.gauge_least_kpa <= result.gauge_planned_kpa,
    )


@dataclass(frozen=True, slots=True)
class FreedRow:
    """Pieces that lose their ties: a part by itself, pieces of waste together with the first of them."""

    what: str
    area_mm2: float
    tied_line: int
    tied_s: float
    severed_line: int
    severed_s: float


def freed_rows(freed: Sequence[Freed]) -> list[FreedRow]:
    """In order of time; copies are not put together, for each is freed at its own line."""
    first = sorted(freed, key=lambda one: (one.tied_line or one.severed_line or math.inf, one.what))
    return [
        FreedRow(one.what, one.area_mm2, one.tied_line, one.tied_s, one.severed_line, one.severed_s)
        for one in first
        if one.tied_line or one.severed_line
    ]


def never_freed(freed: Sequence[Freed]) -> str:
    """Pieces that stay tied to the end, in few words."""
    return copies([one.what for one in freed if not (one.tied_line or one.severed_line)])
