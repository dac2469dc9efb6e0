"""Worked facts of the RS274/NGC report, for the reader of program text. Plain data; the tests compare.

Source, unless a line says otherwise: T. R. Kramer, F. M. Proctor, E. R. Messina, "The NIST RS274/NGC Interpreter -
Version 3", NISTIR 6556, NIST, 2000, as read; section numbers in the comments. Lengths are in the program's own unit.
"""

from __future__ import annotations

import math

# 3.5.3.2: start, line, centre and radius of a helical arc in centre format.
CENTRE_ARC = {"start": (7, 7, 0), "line": "G17 G2 X10 Y16 I3 J4 Z9", "centre": (10, 11), "radius": 5,
              "end": (10, 16, 9)}

# Appendix E: an arc in radius format with an expression. The centre is printed to 4 digits.
RADIUS_ARC = {
    "start": (3, 1, 0), "line": "g2 x[6-[4*3/2]] r 7.01 z0.5", "end": (0, 1, 0.5), "centre": (1.5, 7.8476),
    "digits": 6e-5,
}

# 3.5.16 and 3.5.20: canned cycles, start, line, moves.
CYCLES = {
    "G81 absolute": (
        (1, 2, 3), "G90 G81 G98 X4 Y5 Z1.5 R2.8",
        [("rapid", 4, 5, 3), ("rapid", 4, 5, 2.8), ("feed", 4, 5, 1.5), ("rapid", 4, 5, 3)],
    ),
    "G81 incremental": (
        (1, 2, 3), "G91 G81 G98 X4 Y5 Z-0.6 R1.8 L3",
        [("rapid", 1, 2, 4.8), ("rapid", 5, 7, 4.8), ("feed", 5, 7, 4.2), ("rapid", 5, 7, 4.8), ("rapid", 9, 12, 4.8),
         ("feed", 9, 12, 4.2), ("rapid", 9, 12, 4.8), ("rapid", 13, 17, 4.8), ("feed", 13, 17, 4.2),
         ("rapid", 13, 17, 4.8)],
    ),
    "G81 session": (  # appendix E, a log that also shows exact path in force for the cycle
        (30, 1, -0.5), "g91 g81 x3 y2 z-0.8 r1.5 l2",
        [("rapid", 30, 1, 1), ("rapid", 33, 3, 1), ("feed", 33, 3, 0.2), ("rapid", 33, 3, 1), ("rapid", 36, 5, 1),
         ("feed", 36, 5, 0.2), ("rapid", 36, 5, 1)],
    ),
}

# Appendix C.3: R 0.2, Z -1.1, Q 0.21. The back-off is not specified, so only the bottoms count.
PECK_BOTTOMS = [-0.01, -0.22, -0.43, -0.64, -0.85, -1.06, -1.1]

# By counting (no source): H deep in n pecks of Q with back-off b feeds H+(n-1)b and rapids the sum of 2iQ-b, plus H.
PECK_LENGTHS = {"H": 0.4, "Q": 0.1, "b": 0.01, "n": 4, "feed": 0.43, "rapid": 1.57}

# Appendix E: Z reads 0.5; a length offset of 1.0 comes into force; Z reads -0.5 though nothing moved.
LENGTH_SHIFT = {"before": 0.5, "offset": 1.0, "after": -0.5}

# 3.5.18: at X4, G92 X7 gives an offset of -3; G92 X9 then gives -5.
G92_STEPS = {"at": 4, "values": (7, 9), "offsets": (-3, -5)}

# 3.3.3: settings take effect after all values of the line have been read.
SETTING = {"line": "#3=6 G1 X#3", "before": 15, "goes_to": 15}

# 4.3.6.1: feed along the helix. Elementary geometry: helix length over circle length, pitch p, radius r.
HELIX = {"p": 0.025, "r": 0.021, "ratio": 1.01779121}

# Appendix C.2: expressions and values, as printed.
EXPRESSIONS = {
    "[1 + 2 * 3 - 4 / 5]": 6.2, "[2.0 / 3 * 1.5 - 5.5 / 11.0]": 0.5, "[15 MOD 4.0]": 3, "[1 --3]": 4, "[2 ** 3.0]": 8,
    "fix[-2.8]": -3, "fup[-2.8]": -2, "fix[-0.499]": -1, "round[-0.5001]": -1, "round[-0.499]": 0,
    "atan[1.7321]/[1.0]": 60, "sqrt[3**2 + 4**2]": 5, "[2 and 2]": 1, "[2 xor 2]": 0,
}  # fmt: skip
EXPRESSION_DIGITS = 0.001

# 3.3.2.1.
LEGAL_NUMBERS = {"5.": 5.0, "-.5": -0.5, "+0. 12": 0.12, "007": 7.0}
ILLEGAL_NUMBERS = ("1e-05", "1,5", "--3", ".")

# Table 13: the nominal path of a 1.0 cutter round the contour of table 12: straight sides of 12 and arcs of radius 1.5
# that turn once in all. (The report's own coordinates are not repeated; any such rounded shape has this length.)
TABLE_13_PATH = 12 + 3 * math.pi
# Table 12: length of the contour, and of the way of a 1.0 cutter outside it, to 7 digits.
TABLE_12 = {"contour": 18.2831853, "path": 21.424778}

# 3.5.3.2: |radius at start - radius at end| that is still accepted.
ARC_MISMATCH = {"mm": 0.002, "in": 0.0002}
