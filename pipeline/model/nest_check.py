"""What the independent check of a nest found."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class NestCheck:
    """Distances of the true curves, mm; inf where there is nothing to measure to, negative where things overlap (then
    how deep). `faults` are sentences, worst first: what was promised of the nest and does not hold."""

    least_gap_mm: float  # of two parts
    least_edge_mm: float  # of a part to the region's outline, which it lies inside of
    least_keepout_mm: float  # of a part to a keep-out
    faults: tuple[str, ...]
