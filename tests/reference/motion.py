"""Outside values for motion times: textbook kinematics of trapezoid and constant-jerk profiles, and plane geometry,
from memory; each value is printed to the digits given. L in mm, v in mm/s, a in mm/s2, j in mm/s3, times in s."""

from __future__ import annotations

# name: (L, v, a, j or None, seconds, formula)
SINGLE_MOVES = {
    "trapezoid": (100.0, 100.0, 500.0, None, 1.2, "L/v + v/a"),
    "triangle": (10.0, 1000.0, 500.0, None, 0.282842712, "2 sqrt(L/a)"),
    "speed and acceleration reached": (100.0, 100.0, 500.0, 5000.0, 1.3, "L/v + v/a + a/j"),
    "acceleration reached": (20.0, 100.0, 500.0, 5000.0, 0.512310563, "a/j + sqrt((a/j)^2 + 4L/a)"),
    "speed reached": (10.0, 30.0, 500.0, 5000.0, 0.488252667, "L/v + 2 sqrt(v/j)"),
    "neither reached": (0.5, 100.0, 500.0, 5000.0, 0.14736126, "(32 L/j)^(1/3)"),
    "boundary, L = 2a^3/j^2": (10.0, 100.0, 500.0, 5000.0, 0.4, "(32 L/j)^(1/3)"),
}

# Corner speed with an inscribed blend arc: a = 500, gap 0.01; inside angle in degrees: mm/s.
CORNERS = {90: 3.47434423, 60: 2.23606798, 135: 7.79008061}

# Greatest speed on an arc, sqrt(a r), a = 500, r = 1: mm/min.
ARC_LIMIT_MM_MIN = 1341.64079
