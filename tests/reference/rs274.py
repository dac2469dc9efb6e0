"""Outside values about RS274/NGC text, each with where it is from. Plain data; the tests compare.

NISTIR 6556: T. R. Kramer, F. M. Proctor, E. R. Messina, The NIST RS274/NGC Interpreter - Version 3, 2000, as read.
"""

from __future__ import annotations

import math

# 3.3.2.1 and appendix E: spellings of numbers.
LEGAL_NUMBERS = {"5.": 5.0, "-.5": -0.5, "+0. 12": 0.12, "007": 7.0}
ILLEGAL_NUMBERS = ("1e-05", "1,5", "--3", ".")

# Appendix C.2: expressions and their values, as printed (3 to 4 digits).
EXPRESSIONS = {
    "[1 + 2 * 3 - 4 / 5]": 6.2,
    "[2.0 / 3 * 1.5 - 5.5 / 11.0]": 0.5,
    "[15 MOD 4.0]": 3.0,
    "[1 --3]": 4.0,
    "[2 ** 3.0]": 8.0,
    "fix[-2.8]": -3.0,
    "fup[-2.8]": -2.0,
    "fix[-0.499]": -1.0,
    "round[-0.5001]": -1.0,
    "round[-0.499]": 0.0,
    "atan[1.7321]/[1.0]": 60.0,
    "sqrt[3**2 + 4**2]": 5.0,
    "[2 and 2]": 1.0,
    "[2 xor 2]": 0.0,
}
EXPRESSION_DIGITS = 0.001

# Example lines of the report with the words they hold (3.5.3, 3.5.11, 3.5.16, 3.5.20, 4.3.6).
LINES = {
    "G17 G2 X10 Y16 I3 J4 Z9": {"G": (17.0, 2.0), "X": 10, "Y": 16, "I": 3, "J": 4, "Z": 9},
    "g2 x[6-[4*3/2]] r 7.01 z0.5": {"G": (2.0,), "X": 0, "R": 7.01, "Z": 0.5},
    "m6 g43 h2": {"G": (43.0,), "H": 2},
    "G90 G81 G98 X4 Y5 Z1.5 R2.8": {"G": (90.0, 81.0, 98.0), "X": 4, "Y": 5, "Z": 1.5, "R": 2.8},
    "G91 G81 G98 X4 Y5 Z-0.6 R1.8 L3": {"G": (91.0, 81.0, 98.0), "X": 4, "Y": 5, "Z": -0.6, "R": 1.8, "L": 3},
    "g91 g81 x3 y2 z-0.8 r1.5 l2": {"G": (91.0, 81.0), "X": 3, "Y": 2, "Z": -0.8, "R": 1.5, "L": 2},
}

# 3.1, 3.3, 3.4, 3.5: lines that are errors.
ILLEGAL_LINES = (
    "G1 G2 X1 I1",  # two of one modal group
    "G90 G91",
    "M3 M4",
    "X1 X2",  # a letter twice
    "E1",  # no such letter
    "O100",
    "G0 X1 ; words",  # no such comment
    "(one (two))",
    "(open",
    "closed)",
    "N123456 G0 X1",  # six digits
    "N-1 G0 X1",
    "G0 X1 N5",  # the line number comes first
    "G1 X1 /",  # block delete comes first
    "G80 X1",  # axis words with nobody to use them
    "G92 G1 X1",  # two users of the axis words
    "G1 F100",  # a motion without an axis word
    "G2 X1 Y1",  # an arc without centre or radius
    "G43 Z1",  # no H
    "G1 X-#3",
    "T1.5",
    "G4",
    "G64.5",
    "G44 H1",  # not in the language
)

# 3.5.3: |r1 - r2| that a control accepts in centre format.
ARC_LIMIT = {"in": 0.0002, "mm": 0.002}

# Elementary geometry: worst mismatch of radii when start, end and centre are rounded to k places, I and J taken from
# the rounded start: each of two coordinates loses half a unit at the start, at the end, and twice at the centre.
WORST_MISMATCH = {("in", 4): 4 * math.sqrt(2) * 0.5e-4, ("mm", 3): 4 * math.sqrt(2) * 0.5e-3}
WORST_PRINTED = {("in", 4): 0.000282842712, ("mm", 3): 0.00282842712}

# 3.5.16 with R 0.2, Z -1.1, Q 0.21: where successive pecks end.
PECK = {"R": 0.2, "Z": -1.1, "Q": 0.21}
PECK_BOTTOMS = (-0.01, -0.22, -0.43, -0.64, -0.85, -1.06, -1.1)

# Elementary geometry, from memory: chord of sagitta e = 0.005 on radius 5: 2 sqrt(2 r e - e^2).
CHORD = {"radius": 5.0, "sagitta": 0.005, "chord": 0.447101778}
