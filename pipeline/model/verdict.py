"""What the verifier says of a program's text, and the figures behind it. Setup frame, mm, rad, s, N.

A *stretch* is a run of lines under one heading (a comment such as `(clip-1/inside-face/face, T1, ...)`) with one
cutter; for a program of ours that is an operation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Finding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StockField:
    """Height of the stock left, thinned out for pictures: z[row, col] is the greatest height in the square cell whose
    centre is (x0 + col * cell, y0 + row * cell). float32, mm; 0 (the bed) beside the billet."""

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
class PartMap:
    """How far the stock lies from one part, seen from above: deviation[row, col] at (x0 + col * cell, y0 + row *
    cell), mm, + is left and - is cut too deep; the value farthest from 0 in the cell. NaN where nothing is judged
    (beside the part, at its walls) and where stock is declared as left for later."""

    part_id: str
    x0_mm: float
    y0_mm: float
    cell_mm: float
    deviation: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One size of one feature, measured on the simulated stock. `measured` is None when it cannot be: `why` says so.

    `quantity` is "diameter", "depth", "position" (distance of the axis from where it belongs), "thread pitch", ...;
    low and high are the limits, None where there is none on that side.
    """

    part_id: str
    feature_id: str
    quantity: str
    unit: Literal["mm", ""]
    nominal: float
    low: float | None
    high: float | None
    measured: float | None
    why: str = ""

    @property
    def is_within(self) -> bool:
        """True when measured and inside its limits."""
        if self.measured is None:
            return False
        return (self.low is None or self.measured >= self.low) and (self.high is None or self.measured <= self.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstPlace:
    """Where in the program a figure is at its worst. `quantity`: "force", "engagement", "chip", "deflection",
    "power", "torque", "holding", "skin". Unit as printed: "N", "deg", "mm", "W", "N m", ""."""

    quantity: str
    value: float
    unit: str
    line: int
    cutter: int
    heading: str
    at_mm: tuple[float, float, float]
    part_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchLoad:
    """What the cutter feels in one stretch. Peaks are the largest of any move, means are over time in cut.

    Forces, torque, power and deflection are for a worn cutter; they are models, see `Loads.uncertainty`.
    `engaged` is the arc of the cutter in stock, rad. `holding` is the least safety factor of the hold, `skin_mm` the
    thinnest skin so far, at the end of the stretch.
    """

    heading: str
    cutter: int
    first_line: int
    last_line: int
    cutting_s: float
    air_s: float
    cutting_mm: float
    removed_mm3: float
    engaged_mean_rad: float
    engaged_peak_rad: float
    depth_peak_mm: float
    chip_mean_mm: float
    chip_peak_mm: float
    rate_peak_mm3_min: float
    force_peak_n: float
    torque_peak_n_m: float
    power_peak_w: float
    deflection_peak_mm: float
    holding: float
    skin_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Timeline:
    """Figures over the program's time, in n equal steps: the worst in each step. `stretch` is an index into
    `Loads.stretches`, -1 for none; `holding` is inf where nothing is cut; `skin_mm` is the thinnest so far."""

    step_s: float
    force_n: NDArray[np.float64]
    engaged_rad: NDArray[np.float64]
    holding: NDArray[np.float64]
    skin_mm: NDArray[np.float64]
    stretch: NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loads:
    """All that was worked out of what the cutters feel. `uncertainty` is the relative spread of forces, `assumed` says
    in words what they stand on."""

    stretches: tuple[StretchLoad, ...]
    worst: tuple[WorstPlace, ...]
    timeline: Timeline
    uncertainty: float
    assumed: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Freed:
    """When a piece of the plate loses its ties. `what` is a part's id, or "waste" for a piece that is no part; a line
    is 0 where that never happens. *Tied*: only the skin still joins it to the plate; *severed*: nothing does."""

    what: str
    area_mm2: float
    tied_line: int
    tied_s: float
    severed_line: int
    severed_s: float
    at_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldingResult:
    """The hold over the program. `case` at the least: "whole plate", "tied part" or "severed part", and of what.

    `least` is the safety factor there and `target` what is asked for; `gauge_planned_kpa` is the vacuum that the
    holding file counts on, `gauge_least_kpa` the lowest reading at which every target still holds, but never below half
    of the planned one (inf: none does). `assumed` says in words what the figures stand on.
    """

    least: float
    target: float
    case: str
    what: str
    line: int
    at_mm: tuple[float, float, float]
    gauge_planned_kpa: float
    gauge_least_kpa: float
    local_pressure_kpa: float
    freed: tuple[Freed, ...]
    assumed: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LineCap:
    """A wish to the planner: on these lines the feed times `feed_factor` (below 1) would keep `reason` in limits."""

    first_line: int
    last_line: int
    feed_factor: float
    reason: str


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
    maps: tuple[PartMap, ...] = ()
    features: tuple[Measured, ...] = ()
    loads: Loads | None = None
    holding: HoldingResult | None = None
    caps: tuple[LineCap, ...] = ()
    skin_stack: tuple[tuple[str, float], ...] = ()  # what the skin must be thicker than, mm, each with its name
