"""The figures behind the verdict as plain data, for `summary.json`: mm, s, rad, N, W, kPa.

Safety factors are rounded down, as on page and sheet.
What is infinite (no force on the hold, no reading that holds) or was not worked out is null.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.model.job import Tolerances
from pipeline.model.verdict import Freed, HoldingResult, Loads, Measured, PartMap, StretchLoad, Verdict, WorstPlace
from pipeline.packet.simulated.hold import rounded_down

# decimals by unit: finer would be noise of the model, not of the machine
_MM, _N, _N_M, _W, _RAD, _S, _KPA, _FACTOR = 4, 1, 4, 1, 4, 1, 1, 2
_WORST = {"N": _N, "deg": 1, "mm": _MM, "W": _W, "N m": _N_M, "": _FACTOR}


def simulated(verdict: Verdict, tolerances: Tolerances) -> dict[str, Any]:
    """Loads, hold, features, maps, the skin's needs and the wishes for lower feeds, in a fixed key order."""
    loads, holding = verdict.loads, verdict.holding
    return {
        "loads": _loads(loads) if loads else None,
        "hold": _hold(holding) if holding else None,
        "features": [_feature(one) for one in sorted(verdict.features, key=_by_feature)],
        "maps": [_map(one, tolerances) for one in sorted(verdict.maps, key=lambda one: one.part_id)],
        "skin_needs_mm": {name: _plain(value, _MM) for name, value in verdict.skin_stack},
        "caps": [
            {
                "first_line": cap.first_line,
                "last_line": cap.last_line,
                "feed_factor": _plain(cap.feed_factor, 3),
                "reason": cap.reason,
            }
            for cap in verdict.caps
        ],
    }


def _plain(value: float | None, places: int) -> float | None:
    """A number as JSON has it: rounded, no minus zero, null for what is not finite."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), places) + 0.0


def _row(values: ArrayLike, places: int) -> list[float | None]:
    return [_plain(value, places) for value in np.asarray(values, dtype=float).tolist()]


def _place(at: tuple[float, ...]) -> list[float | None]:
    return _row(at, _MM)


def _loads(loads: Loads) -> dict[str, Any]:
    line = loads.timeline
    return {
        "uncertainty": _plain(loads.uncertainty, 3),
        "assumed": list(loads.assumed),
        "stretches": [_stretch(one) for one in loads.stretches],
        "worst": [_worst(one) for one in loads.worst],
        "timeline": {
            "step_s": _plain(line.step_s, 3),
            "force_n": _row(line.force_n, _N),
            "engaged_rad": _row(line.engaged_rad, 3),
            "holding": _row([rounded_down(one) for one in line.holding.tolist()], _FACTOR),
            "skin_mm": _row(line.skin_mm, _MM),
            "stretch": np.asarray(line.stretch).tolist(),
        },
    }


def _stretch(one: StretchLoad) -> dict[str, Any]:
    return {
        "heading": one.heading,
        "cutter": one.cutter,
        "first_line": one.first_line,
        "last_line": one.last_line,
        "cutting_s": _plain(one.cutting_s, _S),
        "air_s": _plain(one.air_s, _S),
        "cutting_mm": _plain(one.cutting_mm, 1),
        "removed_mm3": _plain(one.removed_mm3, 1),
        "engaged_mean_rad": _plain(one.engaged_mean_rad, _RAD),
        "engaged_peak_rad": _plain(one.engaged_peak_rad, _RAD),
        "depth_peak_mm": _plain(one.depth_peak_mm, _MM),
        "chip_mean_mm": _plain(one.chip_mean_mm, _MM),
        "chip_peak_mm": _plain(one.chip_peak_mm, _MM),
        "rate_peak_mm3_min": _plain(one.rate_peak_mm3_min, 1),
        "force_peak_n": _plain(one.force_peak_n, _N),
        "torque_peak_n_m": _plain(one.torque_peak_n_m, _N_M),
        "power_peak_w": _plain(one.power_peak_w, _W),
        "deflection_peak_mm": _plain(one.deflection_peak_mm, _MM),
        "holding": _plain(rounded_down(one.holding), _FACTOR),
        "skin_mm": _plain(one.skin_mm, _MM),
    }


def _worst(one: WorstPlace) -> dict[str, Any]:
    return {
        "quantity": one.quantity,
        "value": _plain(rounded_down(one.value) if one.quantity == "holding" else one.value, _WORST.get(one.unit, _MM)),
        "unit": one.unit,
        "line": one.line,
        "cutter": one.cutter,
        "heading": one.heading,
        "at_mm": _place(one.at_mm),
        "part": one.part_id,
    }


def _hold(hold: HoldingResult) -> dict[str, Any]:
    return {
        "least": _plain(rounded_down(hold.least), _FACTOR),
        "target": _plain(hold.target, _FACTOR),
        "case": hold.case,
        "what": hold.what,
        "line": hold.line,
        "at_mm": _place(hold.at_mm),
        "gauge_planned_kpa": _plain(hold.gauge_planned_kpa, _KPA),
        "gauge_least_kpa": _plain(hold.gauge_least_kpa, _KPA),
        "local_pressure_kpa": _plain(hold.local_pressure_kpa, _KPA),
        "freed": [_freed(one) for one in hold.freed],
        "assumed": list(hold.assumed),
    }


def _freed(one: Freed) -> dict[str, Any]:
    """A line is 0 and its time null where that never happens."""
    return {
        "what": one.what,
        "area_mm2": _plain(one.area_mm2, 1),
        "tied_line": one.tied_line,
        "tied_s": _plain(one.tied_s, _S) if one.tied_line else None,
        "severed_line": one.severed_line,
        "severed_s": _plain(one.severed_s, _S) if one.severed_line else None,
        "at_mm": _place(one.at_mm),
    }


def _by_feature(one: Measured) -> tuple[str, str, str]:
    return one.part_id, one.feature_id, one.quantity


def _feature(one: Measured) -> dict[str, Any]:
    return {
        "part": one.part_id,
        "feature": one.feature_id,
        "quantity": one.quantity,
        "unit": one.unit,
        "nominal": _plain(one.nominal, _MM),
        "low": _plain(one.low, _MM),
        "high": _plain(one.high, _MM),
        "measured": _plain(one.measured, _MM),
        "within": one.is_within if one.measured is not None else None,
        "why": one.why,
    }


def _map(one: PartMap, tolerances: Tolerances) -> dict[str, Any]:
    """A map in four figures; the share over the limits is of the area that is judged."""
    judged = one.deviation[np.isfinite(one.deviation)]
    over = (judged < -tolerances.floor_mm) | (judged > tolerances.left_mm)
    return {
        "part": one.part_id,
        "judged_mm2": _plain(judged.size * one.cell_mm**2, 1),
        "least_mm": _plain(judged.min(), _MM) if judged.size else None,
        "most_mm": _plain(judged.max(), _MM) if judged.size else None,
        "share_over_limits": _plain(float(over.mean()), 5) if judged.size else None,
    }
