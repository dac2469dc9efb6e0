"""A verdict with every field filled, figures invented, and the values that get lost easily: NaN, inf, None."""

from __future__ import annotations

import math

import numpy as np

from pipeline.model.findings import Finding
from pipeline.model.verdict import (
    Freed,
    HoldingResult,
    LineCap,
    Loads,
    Measured,
    PartMap,
    PartResult,
    SectionTime,
    StockField,
    StretchLoad,
    Timeline,
    Verdict,
    WorstPlace,
)

MAP = np.array([[np.nan, 0.01, -0.002]] * 12, dtype=np.float32)
HOLDING = np.array([np.inf] * 20 + [2.5] * 20)


def full(*caps: LineCap, findings: tuple[Finding, ...] = ()) -> Verdict:
    """A verdict with these caps; refused when a finding is an error."""
    stretch = StretchLoad(
        heading="clip-1/edge/outline, T3, Z 4 to 0.25", cutter=3, first_line=10, last_line=90, cutting_s=60.0,
        air_s=5.0, cutting_mm=200.0, removed_mm3=40.0, engaged_mean_rad=1.2, engaged_peak_rad=math.pi,
        depth_peak_mm=0.4, chip_mean_mm=0.006, chip_peak_mm=0.009, rate_peak_mm3_min=80.0, force_peak_n=31.0,
        torque_peak_n_m=0.03, power_peak_w=12.0, deflection_peak_mm=0.006, holding=math.inf, skin_mm=0.25,
    )  # fmt: skip
    timeline = Timeline(
        step_s=1.6, force_n=np.linspace(0, 31, 40), engaged_rad=np.linspace(0, 3, 40), holding=HOLDING,
        skin_mm=np.full(40, 0.25), stretch=np.zeros(40, dtype=np.int32),
    )  # fmt: skip
    worst = WorstPlace(quantity="force", value=31.0, unit="N", line=55, cutter=3, heading="clip-1/edge/outline",
                       at_mm=(1.0, 2.0, 0.25))  # fmt: skip
    freed = Freed(what="waste", area_mm2=12.0, tied_line=80, tied_s=50.0, severed_line=0, severed_s=0.0,
                  at_mm=(1.0, 2.0))  # fmt: skip
    return Verdict(
        verdict="refused" if any(f.severity == "error" for f in findings) else "released", findings=findings,
        checked=("words",), not_checked=("chatter",), n_moves=50, path_mm=300.0, removed_mm3=40.0,
        thinnest_skin_mm=0.25, section_times=(SectionTime(cutter=3, cutting_s=60.0, air_s=5.0, cutting_mm=200.0),),
        line_seconds=np.full(9000, 0.01),
        parts=(PartResult(part_id="clip-1", worst_gouge_mm=0.0, worst_left_mm=0.01, left_volume_mm3=3.0),),
        stock=StockField(x0_mm=0.0, y0_mm=0.0, cell_mm=0.5, z=np.zeros((30, 40), dtype=np.float32)),
        maps=(PartMap(part_id="clip-1", x0_mm=0.0, y0_mm=0.0, cell_mm=0.1, deviation=MAP),),
        features=(
            Measured(part_id="clip-1", feature_id="hole-1", quantity="diameter", unit="mm", nominal=2.0, low=1.98,
                     high=None, measured=None, why="not cut by this program"),
        ),
        loads=Loads(stretches=(stretch,), worst=(worst,), timeline=timeline, uncertainty=0.3, assumed=("worn",)),
        holding=HoldingResult(
            least=2.5, target=2.0, case="tied part", what="clip-1", line=55, at_mm=(1.0, 2.0, 0.25),
            gauge_planned_kpa=80.0, gauge_least_kpa=math.inf, local_pressure_kpa=95.0, freed=(freed,), assumed=("dry",),
        ),
        caps=caps, skin_stack=(("drill point", 0.1),),
    )  # fmt: skip
