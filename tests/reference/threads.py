"""Thread limits from outside, with where they stand. Inches for the inch threads, mm for the metric ones.

Unified: ASME B1.1-2003, Unified Inch Screw Threads, table of limits of size, class 2B (read in a reproduction).
Metric: ISO 965-2, limits of sizes, 6H; M2 minor limits read in a reproduction, the minor maxima of M2.5 and M3 from
memory. Basic profile (ISO 68-1 and ASME B1.1): minor diameter = D - 1.25 H with H = sqrt(3) / 2 P.
Pitch diameters: the same tables, internal limits; 0-80, 2-56, 4-40, M2 and 1/4-20 read, the other metric ones from
memory.
Over-cut of a 60 degree thread mill in a 4-40 hole: derivation of the profile in internal thread milling, Proc. IMechE
Part E, doi:10.1177/09544089211056033 (abstract read; the closed form was derived for the project's list of checks).
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

# name, unit in mm, major, pitch, pitch diameter low, high, half of the last printed digit
PITCH_LIMITS = (
    ("0-80 UNF-2B", 25.4, 0.060, 1 / 80, 0.0519, 0.0542, 0.00005),
    ("2-56 UNC-2B", 25.4, 0.086, 1 / 56, 0.0744, 0.0772, 0.00005),
    ("4-40 UNC-2B", 25.4, 0.112, 1 / 40, 0.0958, 0.0991, 0.00005),
    ("1/4-20 UNC-2B", 25.4, 0.250, 1 / 20, 0.2175, 0.2224, 0.00005),
    ("M2-6H", 1.0, 2.0, 0.40, 1.740, 1.830, 0.0005),
    ("M2.5-6H", 1.0, 2.5, 0.45, 2.208, 2.303, 0.0005),
    ("M3-6H", 1.0, 3.0, 0.50, 2.675, 2.775, 0.0005),
    ("M4-6H", 1.0, 4.0, 0.70, 3.545, 3.663, 0.0005),
)

# 4-40 (inch): cutter diameter, growth of the pitch diameter by exact maximisation
OVERCUT_PD_SHIFT = ((0.083, 0.002348), (0.070, 0.001289), (0.065, 0.001042), (0.050, 0.000545))
OVERCUT_AXIAL_EXACT = 0.000372  # for each flank, cutter .070, at the basic pitch radius

# 4-40 with a .070 cutter (inch): radius of the centre's path, length of a turn, feed of centre over edge, rise of half
# a turn in. Geometry; feed factor: Machinery's Handbook, from memory
INTERNAL_440 = {"path_radius": 0.021, "turn": 0.134294386, "feed_factor": 0.375, "half_turn_rise": 0.0125}
