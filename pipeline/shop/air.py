"""The air's pressure: the ceiling of any vacuum, and the units of gauges."""

from __future__ import annotations

KPA_PER_INHG = 3.386389  # conventional inch of mercury: NIST SP 811, appendix B.8
M_PER_FT = 0.3048  # exact by definition
SEA_LEVEL_KPA = 101.325


def air_pressure_kpa(altitude_m: float) -> float:
    """The standard atmosphere's pressure at an altitude: 101.325 (1 - 2.25577e-5 h)^5.25588 kPa, h in m up to 11 km.

    ISO 2533:1975, Standard Atmosphere, the troposphere's formula with its constants put in (from memory). The weather
    moves the true pressure by some 3 kPa either way.
    """
    return float(SEA_LEVEL_KPA * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)
