"""Candidates of a study with round figures, invented."""

from __future__ import annotations

from pipeline.study.measure import Candidate
from pipeline.study.money import Costs
from pipeline.study.slot import Slot
from tests.unit.operations.shop_values import flat

SLOT = Slot(force_n=50.0, deflection_mm=0.03, stress_n_mm2=500.0, slenderness=5.0, spread=0.3)


def candidate(
    number: int, diameter: float, *, studs: int, hours: float = 1.0, breakage: float = 0.0, time: float = 0.0,
    verdict: str = "released", **terms: float,
) -> Candidate:
    """Studs of 3 each; `hours` of program, no breakage that stops the machine; `terms` the money of what else is
    weighed."""
    return Candidate(
        cutter=flat(number, diameter), gap_mm=diameter + 0.5, placed={"handle": 1, "stud": studs},
        value=60.0 + 3.0 * studs, terms=terms, outline_s=1800 * hours, web_s=0.0, total_s=3600 * hours,
        path_m=10.0, slot=SLOT,
        costs=Costs(breakages=0.0, breakage=breakage, wear=0.0, time=time),
        verdict=verdict, n_errors=0 if verdict == "released" else 2, n_warnings=0, force_n=40.0, deflection_mm=0.02,
    )  # fmt: skip
