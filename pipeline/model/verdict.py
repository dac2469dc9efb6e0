"""What the verifier says of a program's text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Finding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StockField:
    """Height of the stock left, setup frame: z[row, col] at (x0 + col * cell, y0 + row * cell). float32, mm.

    Cells outside the billet hold -inf turned into 0 (the bed)."""

    x0_mm: float
    y0_mm: float
    cell_mm: float
    z: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionTime:
    """Time of one cutter's section from the text and the machine's limits."""

    cutter: int
    cutting_s: float
    air_s: float  # rapids and feed moves that touch nothing
    cutting_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartResult:
    """What was measured on one part in the simulated stock."""

    part_id: str
    worst_gouge_mm: float
    worst_left_mm: float  # outside the regions declared as not cut
    left_volume_mm3: float  # inside them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """`released` or `refused`, the findings worst first, and the figures behind them."""

    verdict: Literal["released", "refused"]
    findings: tuple[Finding, ...]
    checked: tuple[str, ...]  # in words, for the page
    not_checked: tuple[str, ...]
    n_moves: int
    path_mm: float
    removed_mm3: float
    thinnest_skin_mm: float
    section_times: tuple[SectionTime, ...]
    line_seconds: NDArray[np.float64]  # seconds per program line, index 0 is line 1
    parts: tuple[PartResult, ...]
    stock: StockField
