"""The hold in numbers a gauge shows: kPa and inches of mercury below the air's pressure, limits rounded up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.model.findings import Finding
from pipeline.model.shop import Block
from pipeline.model.verdict import Freed, HoldingResult
from pipeline.packet.copies import copies

KPA_PER_INHG = 3.386389  # inch of mercury at 32 F: NIST SP 811 (2008), appendix B.8
_NOISE = 1e-9  # of a division that comes out whole
_WASTE = "waste"  # what the verifier calls a piece that is no part


@dataclass(frozen=True, slots=True)
class Gauge:
    """A reading as it is shown, rounded so that no weak hold looks strong enough."""

    kpa: str
    inhg: str

    @classmethod
    def at_least(cls, kpa: float) -> Gauge:
        """The reading that must not be fallen below: whole kPa, tenths of inHg."""
        return cls(str(math.ceil(kpa - _NOISE)), f"{math.ceil(kpa / KPA_PER_INHG * 10 - _NOISE) / 10:.1f}")

    @classmethod
    def at_most(cls, kpa: float) -> Gauge:
        """The reading that is counted on: what is needed is compared with it, figure by figure."""
        return cls(str(math.floor(kpa + _NOISE)), f"{math.floor(kpa / KPA_PER_INHG * 10 + _NOISE) / 10:.1f}")

    @classmethod
    def nearest(cls, kpa: float) -> Gauge:
        """A reading to compare with."""
        return cls(f"{kpa:.0f}", f"{kpa / KPA_PER_INHG:.1f}")

    def __str__(self) -> str:
        return f"{self.kpa} kPa ({self.inhg} inHg)"


def rounded_down(factor: float) -> float:
    """A safety factor as it is shown everywhere: hundredths, never more than it is. What is infinite stays."""
    return math.floor(factor * 100 + _NOISE) / 100 if math.isfinite(factor) else factor


@dataclass(frozen=True, slots=True)
class HoldFacts:
    """The hold for page and sheet. `lowest` is None when no reading holds the target; `spare_kpa` is the planned
    reading less the lowest, both as they are printed. `clamps` names what else the hold rests on, `waste` says of the
    waste, which the factor leaves out, where its weak moments stand; both are empty where there is nothing to say."""

    result: HoldingResult
    planned: Gauge
    lowest: Gauge | None
    air: Gauge
    spare_kpa: int
    is_enough: bool
    clamps: str
    waste: str

    @property
    def factor(self) -> str:
        """The least safety factor, rounded down."""
        least = self.result.least
        return f"{rounded_down(least):.2f}" if math.isfinite(least) else "no force on it"

    @property
    def case(self) -> str:
        """Which of the three cases it is, with the part."""
        what = self.result.what
        return self.result.case + (f" {what}" if what and what not in self.result.case else "")


def hold_facts(result: HoldingResult, blocks: Sequence[Block], findings: Sequence[Finding]) -> HoldFacts:
    """The figures of a hold as they are shown. `findings` are in the order in which the packet numbers them, from 1."""
    can_hold = math.isfinite(result.gauge_least_kpa) and result.gauge_least_kpa < result.local_pressure_kpa
    planned = Gauge.at_most(result.gauge_planned_kpa)
    lowest = Gauge.at_least(result.gauge_least_kpa) if can_hold else None
    spare_kpa = int(planned.kpa) - int(lowest.kpa) if lowest else 0
    return HoldFacts(
        result,
        planned,
        lowest,
        Gauge.nearest(result.local_pressure_kpa),
        spare_kpa,
        result.least >= result.target and can_hold and spare_kpa >= 0,
        _clamps(blocks),
        _waste(findings),
    )


def _clamps(blocks: Sequence[Block]) -> str:
    """The clamps whose press the hold counts on."""
    pressing = [f"{b.name} {b.press_n:.0f} N" for b in blocks if b.kind == "clamp" and b.press_n > 0]
    return (
        f"The plate is held by clamps too: {', '.join(pressing)}"
        " (figures of the holding file; tighten before the start and check)"
        if pressing
        else ""
    )


def _waste(findings: Sequence[Finding]) -> str:
    """Which findings say that waste is held too weakly. A finding's advice names a reading where one would do."""
    weak = [
        (str(k), finding)
        for k, finding in enumerate(findings, start=1)
        if finding.code == "V680" and finding.where.split(",")[0] == _WASTE
    ]
    if not weak:
        return ""
    several = "s" if len(weak) > 1 else ""
    cured = any("reading" in finding.hint for _, finding in weak)
    advice = "the reading here does not cure it" if cured else "no gauge reading cures it"
    return f"Waste: see finding{several} {', '.join(k for k, _ in weak)}; {advice}"


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
