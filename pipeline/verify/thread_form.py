"""What a thread mill leaves in its hole: pitch diameter from path radius, cutter and pitch, and its limits.

Words. The *axis distance* is that of the cutter's axis from the thread's. The cutter's tooth is a 60 degree V with a
flat `tip_flat_mm` wide at its greatest radius. The *over-cut*: the tooth follows a helix, so beside the plane in which
it is deepest it is higher by the pitch's share of the turn, and its flanks, drawn back but little there, take more
than their own shape. It widens the groove: an internal thread's pitch diameter grows, an external one's shrinks.

At radius rho, a turn theta ahead, the tooth's flank stands at P theta / 2 pi + f / 2 + (r - s) tan 30, with s the
distance of the point from the cutter's axis, s^2 = rho^2 + e^2 - 2 rho e cos theta; the groove's half width is the
maximum over theta (derived here). The pitch diameter is where the groove is P / 2 wide (ASME B1.1, basic profile).
"""

from __future__ import annotations

import math
from functools import lru_cache

from pipeline.model.part import Thread
from pipeline.model.units import MM_PER_INCH

_TAN_30 = math.tan(math.pi / 6)
BASIC_PITCH = 0.75 * math.sqrt(3) / 2  # major less pitch diameter, in pitches: ASME B1.1 and ISO 68-1, basic profile
_GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
_ROUNDS = 48
_INCH_DECIMALS = 4  # to which ASME B1.1 rounds a limit and a tolerance of these sizes
_INCH_2B = 1.3  # times the tolerance of class 2A: ASME B1.1, tolerances of internal threads
_METRIC_6H_MM = {0.4: 0.090, 0.45: 0.095, 0.5: 0.100, 0.7: 0.118}  # by pitch, M2 to M4: ISO 965-1, table of TD2
_SAME_PITCH_MM = 0.0005


def tip_flat_mm(pitch_mm: float) -> float:
    """The flat of a thread mill's tooth, mm: an eighth of the pitch, as in the basic profile. The crib does not say."""
    return pitch_mm / 8


def groove_half_width_mm(
    rho_mm: float, *, axis_mm: float, cutter_radius_mm: float, pitch_mm: float, tip_flat_mm: float
) -> float:
    """Half the width of the groove at radius `rho_mm` from the thread's axis, over-cut included."""

    def stands(theta: float) -> float:
        s = math.sqrt(rho_mm * rho_mm + axis_mm * axis_mm - 2 * rho_mm * axis_mm * math.cos(theta))
        return pitch_mm * theta / (2 * math.pi) + tip_flat_mm / 2 + (cutter_radius_mm - s) * _TAN_30

    # Up to where the tooth no longer reaches, or where it draws back fastest: past that the flank only falls.
    reach = (rho_mm**2 + axis_mm**2 - cutter_radius_mm**2) / (2 * rho_mm * axis_mm)
    fastest = min(rho_mm, axis_mm) / max(rho_mm, axis_mm)
    low, high = 0.0, math.acos(min(1.0, max(-1.0, reach, fastest)))
    a, b = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    for _ in range(_ROUNDS):
        if stands(a) < stands(b):
            low, a, b = a, b, a + _GOLDEN * (high - a)
        else:
            high, b, a = b, a, b - _GOLDEN * (b - low)
    return stands((low + high) / 2)


@lru_cache(maxsize=1024)
def pitch_diameter_mm(
    *, axis_mm: float, cutter_radius_mm: float, pitch_mm: float, tip_flat_mm: float, internal: bool = True
) -> float:
    """Pitch diameter that a thread mill cuts, over-cut included; nan when it cuts no groove half a pitch wide.

    The axis distance is the path's radius, for an internal thread as for a stud.
    """
    if axis_mm <= 0 or pitch_mm <= 0:
        return math.nan
    if internal:
        crest, other = axis_mm + cutter_radius_mm, max(axis_mm, cutter_radius_mm - axis_mm)
    else:
        crest, other = axis_mm - cutter_radius_mm, axis_mm
    if crest <= 0:
        return math.nan

    def over(rho: float) -> float:
        return groove_half_width_mm(rho, axis_mm=axis_mm, cutter_radius_mm=cutter_radius_mm, pitch_mm=pitch_mm,
                                    tip_flat_mm=tip_flat_mm) - pitch_mm / 4  # fmt: skip

    if over(other) < 0:
        return math.nan
    if over(crest) >= 0:
        return 2 * crest
    for _ in range(_ROUNDS):
        middle = (crest + other) / 2
        if over(middle) < 0:
            crest = middle
        else:
            other = middle
    return crest + other


def pitch_limits_mm(thread: Thread) -> tuple[float, float | None]:
    """Limits of an internal thread's pitch diameter, by the class in its name: 2B (ASME B1.1-2003, formula for an
    engagement of one diameter, rounded as its tables are) or 6H (ISO 965-1). A class that is not known has no upper."""
    d, p = thread.major_mm, thread.pitch_mm
    basic = d - BASIC_PITCH * p
    if thread.name.endswith("2B"):
        d, p = d / MM_PER_INCH, p / MM_PER_INCH
        low = round(d - BASIC_PITCH * p, _INCH_DECIMALS)
        wide = _INCH_2B * (0.0015 * d ** (1 / 3) + 0.0015 * math.sqrt(d) + 0.015 * p ** (2 / 3))
        return low * MM_PER_INCH, (low + round(wide, _INCH_DECIMALS)) * MM_PER_INCH
    if thread.name.endswith("6H"):
        for pitch, wide in _METRIC_6H_MM.items():
            if abs(p - pitch) < _SAME_PITCH_MM:
                return basic, basic + wide
    return basic, None
