"""Outside values for cutting forces, power and deflection, each with its source.

A row: (inputs, expected). Relative tolerance is 1e-6 unless the row says otherwise: the values are closed forms
computed apart from the project's code. TSCHAETSCH: Dietrich, Tschaetsch, Praxis der Zerspanungstechnik, 11th ed. 2014,
chapter on milling (read in part, in a transcription that names it). MH: Machinery's Handbook (from memory). ALTINTAS:
Y. Altintas, Manufacturing Automation, ch. 2 (from memory). KOPS_VO: L. Kops, D.T. Vo, CIRP Annals 39/1 (1990) (abstract
read).

`turning` is a second, slow way to forces: a turn of the cutter in many small steps, its edges in many thin slices.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

REL = 1e-6
KC11_N_MM2, MC = 1400.0, 0.23  # Ti-6Al-4V, as circulated in tables of kc (from memory, +/- 15 percent)
# kc = kc1.1 h^-mc: (kc1.1, mc, h mm) -> N/mm^2. O. Kienzle, VDI-Z 94 (1952) (from memory).
KC_AT_H = ((1400, 0.23, 0.02), 3442.63624)
# Chips under this are outside what the coefficients were fitted on: (h, limit). As circulated with the tables.
EXTRAPOLATED = (0.004, 0.05)
SPREAD_THIN = 0.30  # the band to report then; the same source
# Engagement angle acos(1 - 2 ae / D), degrees, and mean chip 360 / (pi phi) (ae / D) fz, mm: (ae, D, fz). TSCHAETSCH.
ENGAGED_DEG = ((0.3175, 3.175), 36.8698976)
MEAN_CHIP = ((0.3175, 3.175, 0.0127), 0.00394715715)
# Largest chip fz 2 sqrt(q (1 - q)), mm: (fz, q = ae / D). Geometry.
PEAK_CHIP = ((0.0127, 0.1), 0.00762)
# Worked example: 1/8 in, 4 flutes, 10 percent radial, 1 D axial. Speed, feed, removal: MH; the rest: TSCHAETSCH.
EXAMPLE = {"D": 3.175, "z": 4, "fz": 0.0127, "ae": 0.3175, "ap": 3.175, "vc": 36.576}  # mm, mm/tooth, m/min
EXAMPLE_RPM = 3666.92989
EXAMPLE_FEED_MM_MIN = 186.280038
EXAMPLE_RATE_MM3_MIN = 187.781921
EXAMPLE_KC_N_MM2 = 5000.14524
EXAMPLE_POWER_W = 15.648948
EXAMPLE_TOOTH_N = 62.6629399
EXAMPLE_TORQUE_N_M = 0.0407524687  # P / omega
# Multipliers for a worn edge (may reach 1.5) and for chip compression in milling; tolerance 1 percent. TSCHAETSCH.
CORRECTIONS = {"worn": 1.3, "milling": 1.2}
CORRECTIONS_REL = 0.01
# Drilling torque kc f d^2 / 8 with h = f / 2 sin(sigma / 2): (d mm, f mm/turn, sigma deg, kc1.1, mc) -> N mm.
# TSCHAETSCH (from memory).
DRILL_TORQUE_N_MM = ((2.2606, 0.04, 135, 1400, 0.23), 89.5812376)
# Mean forces of a slot on the cutter, linear-edge model, x along the feed, y to its left, z up the axis: N teeth,
# a depth, c feed per tooth, Ktc Krc Kac N/mm^2, Kte Kre Kae N/mm. ALTINTAS; Kte and Kre of Ti-6Al-4V from E. Budak,
# Y. Altintas, E.J.A. Armarego, J. Eng. Ind. 118 (1996) (from memory). Tolerance 1e-8.
SLOT = {"N": 4, "a": 2.0, "c": 0.02, "Kt": 1900.0, "Kr": 700.0, "Ka": 400.0, "Kte": 24.0, "Kre": 43.0, "Kae": 3.0}
SLOT_N = (-137.498601, 137.115498, 32.3718327)
SLOT_REL = 1e-8
# Equivalent over outer diameter of end mills, +/- 0.03. KOPS_VO.
CORE, CORE_ABS = 0.8, 0.03
# Young's modulus of fine WC with 10 percent Co, N/mm^2. MH.
CARBIDE_BAND_N_MM2 = (550_000, 650_000)
# Tip deflection F L^3 / (3 E I), mm: (F, L, D, E, core ratio). KOPS_VO for the ratio, beam theory.
DEFLECTION = ((50, 12.7, 3.175, 600_000, 0.8), 0.027848634)
STIFFNESS_N_MM = 1795.4202  # the same beam
STRESS_N_MM2 = 394.705048  # the same, 32 F L / (pi d^3)
SOLID_RATIO = (0.8, 2.44140625)  # 1 / r^4
STRENGTH_BAND_N_MM2 = (1000, 1200)  # a third of carbide's transverse rupture strength (from memory)
# Stepped beam, load at the tip, mm: (F, L1, L, d1, d2, E). Beam theory.
STEPPED = ((10, 6.35, 19.05, 1.27, 3.175, 600_000), 0.0185538739)
# Peak engagement in a sharp inside corner 90 + acos(1 - ae / rc), degrees: (ae, rc). Geometry.
CORNER_DEG = ((0.3, 1.5875), 125.803937)


def turning(
    flutes: int, depth: float, low: float, high: float, law: Callable[[np.ndarray], tuple[np.ndarray, ...]], *,
    feed_per_tooth: float, lag: float = 0.0, steps: int = 720, slices: int = 400,
) -> np.ndarray:  # fmt: skip
    """(steps, 3) forces on the cutter while it turns from one tooth to the next, after which all begins anew. ALTINTAS'
    axes: x along the feed, y to its left, z along the axis. The cutter turns clockwise; angles count clockwise from +y,
    stock stands from `low` to `high`. `law` gives tangential, radial and axial force per mm of edge for chips in mm.
    `lag` is how far the top of an edge is behind its tip. The first tooth's tip is at 2 pi (k + 1/2) / (z steps)."""
    out = np.zeros((steps, 3))
    turn = 2 * math.pi * (np.arange(steps) + 0.5) / steps / flutes
    for tooth in range(flutes):
        for part in range(slices if lag > 0 else 1):
            share = 1 / slices if lag > 0 else 1.0
            angle = (turn + 2 * math.pi * tooth / flutes - lag * (part + 0.5) * share) % (2 * math.pi)
            inside = (angle > low) & (angle < high)
            along, across, axial = law(np.where(inside, feed_per_tooth * np.sin(angle), 1.0))
            rows = np.column_stack([
                -along * np.cos(angle) - across * np.sin(angle), along * np.sin(angle) - across * np.cos(angle), axial,
            ])  # fmt: skip
            out += np.where(inside[:, None], rows, 0.0) * depth * share
    return out
