"""Cutting forces of mills and drills in closed form, for the verifier and the planner alike. mm, N, rev/min, W, N m.

Model. Kienzle: a chip h thick and b wide asks for b h kc, kc = kc1.1 h^-mc along the cut (KIENZLE), times factors for
milling and for a worn edge; across it the edge pushes with the radial share of that. In milling h follows the tooth
round the arc of engagement; the mean chip over the arc gives mean force, torque and power, so that force times speed
is removal times kc exactly; peaks come from `pulses`, the helix counted, at the worst position of the cutter.

Chips thinner than the least chip do not form: the edge ploughs. Such a chip is taken to ask for the force of the
least chip, which is a guess on the low side (worn edges plough harder). A ball or a cone cuts a thinner, wider chip:
`edge_mm` is the length of edge in stock.

Arguments are floats or arrays of one shape. Sources: KIENZLE: O. Kienzle, VDI-Z 94 (1952) 299-305 (from memory).
TSCHAETSCH: Dietrich, Tschaetsch, Praxis der Zerspanungstechnik, 11th ed. 2014, chapter on milling (read in part, in a
transcription). BUDAK: E. Budak, Y. Altintas, E.J.A. Armarego, J. Eng. Ind. 118 (1996) 216-224 (from memory).
KOPS_VO: L. Kops, D.T. Vo, CIRP Annals 39/1 (1990) (abstract read).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.model.shop import Cutter, CutterKind
from pipeline.shop import pulses

Array = NDArray[np.float64]
MILLING = 1.2  # chips are squeezed more than in turning, where kc was measured. TSCHAETSCH
WORN = 1.3  # a worn edge against a sharp one; may reach 1.5. TSCHAETSCH
# Radial over tangential force. BUDAK's edge and chip values for Ti-6Al-4V (Kt 1900, Kr 700, Kte 24, Kre 43) give equal
# means in a slot with chips of 0.02 mm; thinner chips push more to the side, thicker less.
RADIAL_SHARE = 1.0
AXIAL_SHARE = 400 / 1900 / math.tan(math.radians(30))  # times tan(helix), over tangential. BUDAK: Ka / Kt at 30 degrees
# Thrust over cutting force of a drill's lips: half is their own passive force, and the chisel edge makes about as much
# again. Common practice, no source.
THRUST_SHARE = 1.0
CORE = 0.8  # equivalent over outer diameter of fluted carbide. KOPS_VO
STIFF_N_MM2 = {"carbide": 600_000.0}  # fine grain, 10 percent cobalt: Machinery's Handbook, 550 to 650 (from memory)
STEEL_N_MM2 = 210_000.0  # cobalt and high speed steel; the same, from memory
# Transverse rupture of fine carbide is 3000 to 3600 N/mm2 (from memory); cobalt steel is taken alike. A third of it is
# allowed in bending that comes and goes with every tooth; at half of the low end a fluted cutter, notched all along, is
# expected to break. Common practice, no source.
ALLOWED_N_MM2 = 1000.0
BREAKS_N_MM2 = 1500.0
CHIP_FITTED_MM = 0.05  # kc1.1 and mc were fitted on thicker chips. As circulated with kc tables (from memory)
_HALF_CIRCLE = math.pi - 0.1  # ours: one probe of 64 on a circle
_STRAIGHT = 1e4  # ours: a path of more cutter radii than this is straight
SPREAD, SPREAD_THIN = 0.15, 0.30  # relative, of kc; below CHIP_FITTED_MM the formula is stretched


def specific_force(chip_mm: ArrayLike, kc11_n_mm2: float, mc: float, least_chip_mm: float = 0.0) -> Array:
    """kc = kc1.1 h^-mc, N/mm^2. KIENZLE. Below the least chip it grows so that kc h stays that of the least chip."""
    chip = np.asarray(chip_mm, dtype=np.float64)
    real = np.where(chip > 0, chip, 1.0)
    kc = kc11_n_mm2 * np.maximum(real, least_chip_mm) ** (1 - mc) / real
    return np.where(chip > 0, kc, 0.0)


def engaged_rad(width_mm: ArrayLike, diameter_mm: ArrayLike) -> Array:
    """Arc of a cutter whose side takes `width_mm`: acos(1 - 2 ae / D), pi for a slot. TSCHAETSCH."""
    return np.arccos(np.clip(1 - 2 * np.asarray(width_mm) / np.asarray(diameter_mm), -1.0, 1.0))


def mean_chip_mm(
    feed_per_tooth_mm: ArrayLike, width_mm: ArrayLike, diameter_mm: ArrayLike, engaged: ArrayLike
) -> Array:
    """hm = 2 ae fz / (D phi), the mean over the arc, from the volume of a chip. TSCHAETSCH. 0 without an arc."""
    arc = np.asarray(engaged, dtype=np.float64)
    area = 2 * np.asarray(width_mm) / np.asarray(diameter_mm) * np.asarray(feed_per_tooth_mm)
    return np.divide(area, arc, out=np.zeros(np.broadcast_shapes(area.shape, arc.shape)), where=arc > 0)


def peak_chip_mm(feed_per_tooth_mm: ArrayLike, engaged: ArrayLike) -> Array:
    """fz sin(phi) up to a quarter turn, then fz. Geometry of the circle."""
    return np.asarray(feed_per_tooth_mm) * np.sin(np.clip(np.asarray(engaged), 0.0, math.pi / 2))


def tooth_force_n(depth_mm: ArrayLike, chip_mm: ArrayLike, specific_n_mm2: ArrayLike) -> Array:
    """Mean tangential force of one tooth in the arc: ap hm kc. TSCHAETSCH (kappa 90 degrees)."""
    return np.asarray(depth_mm) * np.asarray(chip_mm) * np.asarray(specific_n_mm2)


def teeth_engaged(flutes: ArrayLike, engaged: ArrayLike) -> Array:
    """Teeth in the arc on average: z phi / (2 pi)."""
    return np.asarray(flutes) * np.asarray(engaged) / (2 * math.pi)


def power_w(rate_mm3_min: ArrayLike, specific_n_mm2: ArrayLike) -> Array:
    """Q kc / 60000. TSCHAETSCH. Equal to the force of all teeth engaged times the cutting speed."""
    return np.asarray(rate_mm3_min) * np.asarray(specific_n_mm2) / 60_000.0


def end_area_mm2(diameter_mm: ArrayLike, engaged: ArrayLike, inside_mm: ArrayLike = math.inf) -> Array:
    """Area of the cutter's end that stands over stock when its side takes an arc: times the speed of sinking, what the
    end takes away. Geometry.

    Straight on: the segment of the disc behind the arc, D^2 / 8 (2 phi - sin(2 phi)). Round the inside of a hole on a
    path of radius `inside_mm`: less the segment of the hole, whose rim goes through both ends of the arc's chord. The
    whole disc for a whole half circle, which has no hole to it.
    """
    arc = np.clip(np.asarray(engaged, dtype=np.float64), 0.0, math.pi)
    r = np.asarray(diameter_mm, dtype=np.float64) / 2
    path = np.minimum(np.asarray(inside_mm, dtype=np.float64), _STRAIGHT * r)
    up, over = r * np.sin(arc), path + r * np.cos(arc)
    half = np.arctan2(up, over)
    disc = r * r / 2 * (2 * arc - np.sin(2 * arc))
    hole = (up * up + over * over) / 2 * (2 * half - np.sin(2 * half))
    return np.where(arc < _HALF_CIRCLE, np.maximum(disc - hole, 0.0), math.pi * r * r)


def torque_n_m(power: ArrayLike, rpm: ArrayLike) -> Array:
    """P / (2 pi n / 60); 0 at standstill."""
    turn = 2 * math.pi / 60 * np.asarray(rpm, dtype=np.float64)
    power = np.asarray(power, dtype=np.float64)
    return np.divide(power, turn, out=np.zeros(np.broadcast_shapes(np.shape(power), np.shape(turn))), where=turn > 0)


def axial_share(helix_rad: ArrayLike) -> Array:
    """Pull along the axis over tangential force, towards the spindle on the plate, for right-hand flutes. BUDAK."""
    return AXIAL_SHARE * np.tan(np.asarray(helix_rad))


def lag_rad(depth_mm: ArrayLike, diameter_mm: ArrayLike, helix_rad: ArrayLike) -> Array:
    """Angle by which the upper end of an edge comes later: 2 ap tan(helix) / D. Geometry."""
    return 2 * np.asarray(depth_mm) * np.tan(np.asarray(helix_rad)) / np.asarray(diameter_mm)


def edge_n(
    depth_mm: ArrayLike, edge_mm: ArrayLike, feed_per_tooth_mm: ArrayLike, kc11_n_mm2: float, mc: float
) -> Array:
    """Force of a whole edge on a chip as thick as the feed per tooth, N: b kc1.1 (fz ap / b)^(1 - mc). KIENZLE. Times a
    pulse it is the force in the arc. `edge_mm` is the length b of edge in a depth ap, the same for an upright edge."""
    edge, depth = np.asarray(edge_mm, dtype=np.float64), np.asarray(depth_mm, dtype=np.float64)
    sine = np.divide(depth, edge, out=np.ones(np.broadcast_shapes(depth.shape, edge.shape)), where=edge > 0)
    return edge * kc11_n_mm2 * (np.asarray(feed_per_tooth_mm) * sine) ** (1 - mc)


def peak_force_n(
    whole_edge_n: ArrayLike, engaged: ArrayLike, lag: ArrayLike, *, flutes: int, mc: float,
    runout_ratio: ArrayLike = 0.0,
) -> Array:
    """Largest plan force of all teeth together over a turn, N; tangential and radial share. `whole_edge_n` is `edge_n`.

    `runout_ratio`: how much thicker than the feed per tooth the chip of the tooth that stands out is; its extra
    force is added at its own peak, which is exact for one tooth in the arc and too high for more.
    """
    extra = (1 + np.asarray(runout_ratio)) ** (1 - mc) - 1
    both = pulses.peak(engaged, lag, flutes, mc)
    if flutes > 1 and np.any(extra > 0):
        both = both + extra * pulses.peak(engaged, lag, 1, mc)
    return math.hypot(1.0, RADIAL_SHARE) * np.asarray(whole_edge_n) * both


def runout_step_mm(runout_mm: float, flutes: int) -> float:
    """How far a tooth may stand out against the one before it: run-out is twice the offset e of the axis, and two
    teeth 2 pi / z apart differ by up to 2 e sin(pi / z). Geometry. 0 for a single tooth."""
    return runout_mm * math.sin(math.pi / flutes) if flutes > 1 else 0.0


def wall_force_n(
    whole_edge_n: ArrayLike, engaged: ArrayLike, lag: ArrayLike, *, flutes: int, mc: float, climb: bool
) -> Array:
    """Force across the wall while the edge makes it, N; positive bends the cutter away, which leaves stock.

    In climb milling a straight edge leaves the wall with no chip and no force: only the helix brings an error.
    """
    return np.asarray(whole_edge_n) * pulses.wall(engaged, lag, flutes, mc, RADIAL_SHARE, climb=climb)


def drill_chip_mm(feed_per_turn_mm: ArrayLike, lips: ArrayLike, point_rad: ArrayLike) -> Array:
    """h = f / z sin(sigma / 2): sigma the full point angle, pi for a flat end. TSCHAETSCH (from memory)."""
    return np.asarray(feed_per_turn_mm) / np.asarray(lips) * np.sin(np.asarray(point_rad) / 2)


def drill_torque_n_m(diameter_mm: ArrayLike, feed_per_turn_mm: ArrayLike, specific_n_mm2: ArrayLike) -> Array:
    """kc f d^2 / 8, into N m. TSCHAETSCH (from memory); times the speed it is the hole's removal times kc. A spot drill
    as deep as its point is such a drill, d its diameter at the surface."""
    d = np.asarray(diameter_mm)
    return np.asarray(specific_n_mm2) * np.asarray(feed_per_turn_mm) * d * d / 8000.0


def drill_thrust_n(
    diameter_mm: ArrayLike, feed_per_turn_mm: ArrayLike, specific_n_mm2: ArrayLike, point_rad: ArrayLike
) -> Array:
    """Push along the axis, N. The lips cut a section of f d / 2 with kc, and push with the thrust share of that square
    to themselves; sin(sigma / 2) of it is along the axis. Derived here."""
    cut = np.asarray(specific_n_mm2) * np.asarray(feed_per_turn_mm) * np.asarray(diameter_mm) / 2
    return THRUST_SHARE * cut * np.sin(np.asarray(point_rad) / 2)


def young_n_mm2(substrate: str) -> float:
    """Young's modulus of a cutter's substrate."""
    return STIFF_N_MM2.get(substrate, STEEL_N_MM2)


def sections(cutter: Cutter) -> tuple[tuple[float, float], ...]:
    """(length, equivalent diameter) from the tip up to the holder, mm: flutes on their core, neck, shank."""
    flutes = min(cutter.flute_length_mm, cutter.stickout_mm)
    neck = min(max(cutter.reach_mm, flutes), cutter.stickout_mm)
    parts = (
        (flutes, CORE * cutter.diameter_mm),
        (neck - flutes, cutter.neck_diameter_mm),
        (cutter.stickout_mm - neck, cutter.shank_diameter_mm),
    )
    return tuple((length, d) for length, d in parts if length > 0)


def compliance_mm_n(parts: tuple[tuple[float, float], ...], young: float) -> float:
    """Tip deflection per N at the tip of a stepped beam held at its upper end: the sum over its parts of
    (b^3 - a^3) / (3 E I), a and b from the tip, I = pi d^4 / 64. Beam theory."""
    total = at = 0.0
    for length, d in parts:
        total += ((at + length) ** 3 - at**3) / (3 * young * math.pi * d**4 / 64)
        at += length
    return total


def stress_per_n(parts: tuple[tuple[float, float], ...]) -> float:
    """Largest bending stress per N at the tip, 1/mm^2: 32 x / (pi d^3) at the upper end of each part. Beam theory."""
    worst = at = 0.0
    for length, d in parts:
        at += length
        worst = max(worst, 32 * at / (math.pi * d**3))
    return worst


def twist_stress_per_n_m(parts: tuple[tuple[float, float], ...]) -> float:
    """Shear stress per N m of torque in the thinnest part, N/mm^2: 16000 / (pi d^3). Theory of torsion."""
    return max(16_000.0 / (math.pi * d**3) for _, d in parts)


def edge_length_mm(cutter: Cutter, depth_mm: ArrayLike) -> Array:
    """Length of edge that stands in stock `depth_mm` deep over the tip: an arc for a ball, longer than the depth by
    1 / cos(half the angle) for a cone. Corner radii of flat mills are left out. Geometry."""
    depth = np.asarray(depth_mm, dtype=np.float64)
    if cutter.kind is CutterKind.BALL:
        r = cutter.diameter_mm / 2
        return r * np.arccos(np.clip(1 - depth / r, 0.0, 1.0)) + np.maximum(depth - r, 0.0)
    if cutter.kind in (CutterKind.CHAMFER, CutterKind.ENGRAVER):
        return depth / math.cos(min(cutter.point_angle_rad, math.radians(170)) / 2)
    return depth


def cut_diameter_mm(cutter: Cutter, depth_mm: ArrayLike) -> Array:
    """Diameter of the cutter `depth_mm` over its tip, at most its own: less for balls, cones and points. Geometry."""
    depth = np.asarray(depth_mm, dtype=np.float64)
    d = cutter.diameter_mm
    if cutter.kind is CutterKind.BALL:
        low = np.minimum(depth, d / 2)
        return 2 * np.sqrt(low * (d - low))
    if cutter.kind is CutterKind.FLAT or not 0 < cutter.point_angle_rad < math.pi:
        return np.full(depth.shape, d)
    return np.minimum(min(cutter.tip_diameter_mm, d) + 2 * depth * math.tan(cutter.point_angle_rad / 2), d)


def spread(thinnest_mm: float) -> float:
    """Relative uncertainty of forces when the thinnest mean chip is this thick: 0.15, or 0.3 where Kienzle's formula is
    stretched below the chips it was fitted on. As circulated with kc tables (from memory)."""
    return SPREAD if thinnest_mm >= CHIP_FITTED_MM else SPREAD_THIN
