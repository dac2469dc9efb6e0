"""Thread limits from outside, with where they stand. Inches for the inch threads, mm for the metric ones.

Unified: ASME B1.1-2003, Unified Inch Screw Threads, table of limits of size, class 2B (read in a reproduction).
Metric: ISO 965-2, limits of sizes, 6H; M2 minor limits read in a reproduction, the minor maxima of M2.5 and M3 from
memory. Basic profile (ISO 68-1 and ASME B1.1): minor diameter = D - 1.25 H with H = sqrt(3) / 2 P.
Tap drills: the customary sizes of Machinery's Handbook, tap drill tables, from memory; inch drills #43 and #50.
"""

# name: unit in mm, major, pitch, minor low, minor high, half of the last printed digit, customary tap drill
INTERNAL = {
    "2-56 UNC-2B": (25.4, 0.086, 1 / 56, 0.0667, 0.0737, 0.00005, 0.070),
    "4-40 UNC-2B": (25.4, 0.112, 1 / 40, 0.0849, 0.0939, 0.00005, 0.089),
    "M2-6H": (1.0, 2.0, 0.40, 1.567, 1.679, 0.0005, 1.60),
    "M2.5-6H": (1.0, 2.5, 0.45, 2.013, 2.138, 0.0005, 2.05),
    "M3-6H": (1.0, 3.0, 0.50, 2.459, 2.599, 0.0005, 2.50),
}
