"""A uniform cantilever as a spring clip: beam theory, any text on strength of materials; recomputed by hand.

F = E b t^3 d / (4 L^3) and root stress 3 E t d / (2 L^2) for width 8, thickness 1.2, length 40, deflection 2 mm and
E = 114000 N/mm2.
"""

WIDTH_MM, THICKNESS_MM, LENGTH_MM, DEFLECTION_MM, MODULUS = 8.0, 1.2, 40.0, 2.0, 114_000.0
FORCE_N = 12.312
STRESS_N_MM2 = 256.5
RELATIVE = 1e-6
