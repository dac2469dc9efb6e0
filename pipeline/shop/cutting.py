"""Speeds and feeds: what a cutter may do in this plate on this machine.

Words: *surface speed* vc of the cutting edge; *chip load* fz, feed per tooth (per turn for a drill); *radial
engagement* ae, the width cut away beside the cutter; q = ae / D; *hmax*, the thickest point of a chip; *band*, the
range of surface speeds the material's file gives for a cutter's substrate.

Steps: surface speed -> rpm, held inside the spindle's range -> every feed from the rpm that was left, held under the
machine's feed -> warnings about what came out. A plate of several layers is judged by its worst layer: the material's
`speed_factor` and bands are that layer's. The numbers are starting values; warnings never stop a job.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.errors import Bug
from pipeline.model.findings import Finding
from pipeline.model.shop import Cutter, CutterKind, Machine, Material
from pipeline.model.units import EPS_MM

THINNING_HIGH = 1.4  # thin cuts raise the feed no further: in a corner the cut is suddenly wide. Our shop's rule
RAMP_SHARE = 0.5  # of the slot feed, down the steepest ramp: the centre of the end cuts too. Common practice, no source
RAMP_FULL_RAD = math.radians(1.0)  # flatter ramps run at the whole slot feed. Common practice, no source
INSIDE_LOW = 0.4  # the centre is never slower than this share of the feed inside an arc. Common practice, no source
PLUNGE_SHARE = 0.25  # of the slot feed, straight down, which only ever ends in air or at a floor. Common practice
RAMP_ANGLE_RAD = math.radians(2.0)  # for mills whose crib entry names none. Common practice, no source
CHIP_LOW_EDGES = 0.3  # a chip thinner than this many edge radii rubs. Common practice, no source
CHIP_LOW_MM = 0.005  # the same when the edge radius is not known
SLENDER = 4.0  # length below the shank over diameter of an end mill. Common practice, no source
DRILL_FEED_BAND = (0.005, 0.012)  # feed per turn over diameter in titanium, up to 1/8 in. Common practice, no source
DRILL_FEED_BAND_HIGH_MM = 3.175


@dataclass(frozen=True, slots=True, kw_only=True)
class CutData:
    """What one cutter runs at. rpm, mm/min, mm, rad. Feeds are of the cutter's centre along a straight path.

    `slot_feed_mm_min` is for a full slot, `clear_feed_mm_min` for clearing at `stepover_mm`, `finish_feed_mm_min` for
    the thin cut along a wall. `ramp_feed_mm_min` is for a ramp as steep as `ramp_angle_rad`. Under `least_feed_mm_min`
    of the centre the chip is too thin to cut. A drill uses `drill_feed_mm_min` alone; a mill's is its plunge feed.
    """

    rpm: float
    slot_feed_mm_min: float
    clear_feed_mm_min: float
    finish_feed_mm_min: float
    plunge_feed_mm_min: float
    ramp_feed_mm_min: float
    drill_feed_mm_min: float
    stepdown_mm: float
    stepover_mm: float
    ramp_angle_rad: float
    least_feed_mm_min: float = 0.0
    warnings: tuple[Finding, ...] = ()

    def ramp_share(self, angle_rad: float) -> float:
        """Share of the feed down a ramp: all of it up to a degree, then evenly down to the steepest ramp's."""
        if angle_rad <= RAMP_FULL_RAD or self.ramp_angle_rad <= RAMP_FULL_RAD:
            return 1.0
        steep = min((angle_rad - RAMP_FULL_RAD) / (self.ramp_angle_rad - RAMP_FULL_RAD), 1.0)
        return 1.0 - steep * (1.0 - self.ramp_feed_mm_min / self.slot_feed_mm_min)


def spindle_rpm(surface_speed_m_min: float, diameter_mm: float) -> float:
    """n = 1000 vc / (pi D), rev/min from m/min and mm. Machinery's Handbook, speeds and feeds (from memory)."""
    return 1000.0 * surface_speed_m_min / (math.pi * diameter_mm)


def surface_speed_m_min(rpm: float, diameter_mm: float) -> float:
    """vc = pi D n / 1000, m/min from rev/min and mm. Machinery's Handbook, speeds and feeds (from memory)."""
    return math.pi * diameter_mm * rpm / 1000.0


def chip_thinning(engaged: float) -> float:
    """Feed factor that keeps hmax at the chip load: 1 / (2 sqrt(q (1 - q))) for q = ae / D up to 0.5, else 1.

    From the geometry of a circle; Machinery's Handbook, chip thinning (from memory). Raises Bug unless 0 < q <= 1.
    """
    if not 0 < engaged <= 1:
        raise Bug(f"chip thinning: found an engagement of {engaged} diameters, wanted one in (0, 1]")
    return 1.0 if engaged >= 0.5 else 1.0 / (2.0 * math.sqrt(engaged * (1.0 - engaged)))


def thickest_chip_mm(feed_per_tooth_mm: float, engaged: float) -> float:
    """hmax = fz 2 sqrt(q (1 - q)) for q = ae / D up to 0.5, else fz. From the geometry of a circle."""
    return feed_per_tooth_mm / chip_thinning(engaged)


def inside_arc_factor(wall_radius_mm: float, cutter_radius_mm: float) -> float:
    """Centre feed over edge feed along the inside of an arc: (R - r) / R. Machinery's Handbook (from memory).

    Raises Bug unless the cutter is smaller than the arc: it would stand still in the corner.
    """
    if not 0 < cutter_radius_mm < wall_radius_mm:
        raise Bug(f"inside arc of radius {wall_radius_mm}: a cutter of radius {cutter_radius_mm} does not fit")
    return (wall_radius_mm - cutter_radius_mm) / wall_radius_mm


def outside_arc_factor(wall_radius_mm: float, cutter_radius_mm: float) -> float:
    """Centre feed over edge feed round the outside of an arc: (R + r) / R. Machinery's Handbook (from memory)."""
    if not (wall_radius_mm > 0 and cutter_radius_mm > 0):
        raise Bug("outside arc: wanted two positive radii")
    return (wall_radius_mm + cutter_radius_mm) / wall_radius_mm


def bore_factor(hole_mm: float, cutter_mm: float) -> float:
    """Centre feed over edge feed in a helical bore: (Dh - d) / Dh, diameters. Machinery's Handbook (from memory)."""
    return inside_arc_factor(hole_mm / 2, cutter_mm / 2)


def helix_pitch_mm(path_diameter_mm: float, ramp_angle_rad: float) -> float:
    """Drop per turn of a helix: p = pi Dp tan(angle), Dp the diameter of the centre's path. From geometry."""
    return math.pi * path_diameter_mm * math.tan(ramp_angle_rad)


def helix_angle_rad(path_diameter_mm: float, pitch_mm: float) -> float:
    """Ramp angle of a helix: atan(p / (pi Dp)). From geometry."""
    return math.atan(pitch_mm / (math.pi * path_diameter_mm))


def inside_feed_mm_min(feed_mm_min: float, factor: float, *, least_feed_mm_min: float) -> float:
    """Feed of the centre inside an arc whose edge asks for `feed_mm_min`: times the factor, but with a chip that cuts.

    The centre moves round the arc's centre, so a tooth at angle phi from the wall takes centre feed per tooth x
    sin(phi): in a narrow bore, and in a corner about as wide as the cutter, nearly the centre's own feed per tooth.
    Not under `INSIDE_LOW` of the feed nor the least feed, never over the feed. From geometry. mm/min.
    """
    return min(feed_mm_min, max(feed_mm_min * max(factor, INSIDE_LOW), least_feed_mm_min))


def is_mill(cutter: Cutter) -> bool:
    """True for what cuts with its side: feeds are then per tooth, otherwise per turn."""
    return cutter.kind not in (CutterKind.DRILL, CutterKind.SPOT)


def cut_data(
    cutter: Cutter,
    material: Material,
    machine: Machine,
    *,
    clear_radial_mm: float | None = None,
    finish_radial_mm: float | None = None,
) -> CutData:
    """Speeds and feeds of `cutter` in `material` on `machine`, with warnings.

    `clear_radial_mm` is the width taken when clearing (the crib's stepover when not given), `finish_radial_mm` the
    width left for a finishing pass (a twentieth of the diameter when not given).
    """
    d = cutter.diameter_mm
    wanted_rpm = spindle_rpm(cutter.surface_speed_m_min * material.speed_factor, d)
    rpm = min(max(wanted_rpm, machine.spindle_low_rpm), machine.spindle_high_rpm)
    warnings = [*_speed_warnings(cutter, material, rpm, wanted_rpm)]
    if not is_mill(cutter):
        drill_feed = min(rpm * cutter.chip_load_mm, machine.feed_high_mm_min)
        warnings += _drill_warnings(cutter, drill_feed / rpm)
        return CutData(
            rpm=rpm, slot_feed_mm_min=drill_feed, clear_feed_mm_min=drill_feed, finish_feed_mm_min=drill_feed,
            plunge_feed_mm_min=drill_feed, ramp_feed_mm_min=drill_feed, drill_feed_mm_min=drill_feed,
            stepdown_mm=cutter.stepdown_mm, stepover_mm=cutter.stepover_mm, ramp_angle_rad=0.0,
            warnings=tuple(warnings),
        )  # fmt: skip

    clear_q = min(max((cutter.stepover_mm if clear_radial_mm is None else clear_radial_mm) / d, EPS_MM), 1.0)
    finish_q = min(max(0.05 if finish_radial_mm is None else finish_radial_mm / d, EPS_MM), 1.0)
    edge_feed = rpm * cutter.flutes * cutter.chip_load_mm

    def held(feed: float) -> float:
        return min(feed, machine.feed_high_mm_min)

    slot = held(edge_feed)
    clear = held(edge_feed * min(chip_thinning(clear_q), THINNING_HIGH))
    finish = held(edge_feed * min(chip_thinning(finish_q), THINNING_HIGH))
    per_tooth = 1.0 / (rpm * cutter.flutes)
    least = least_chip_mm(cutter) / per_tooth
    warnings += _chip_warnings(
        cutter,
        (
            ("in a full slot", thickest_chip_mm(slot * per_tooth, 1.0)),
            ("when clearing", thickest_chip_mm(clear * per_tooth, clear_q)),
            ("when finishing", thickest_chip_mm(finish * per_tooth, finish_q)),
            ("in a narrow bore or corner", inside_feed_mm_min(slot, 0.0, least_feed_mm_min=least) * per_tooth),
        ),
    )
    warnings += _slender_warnings(cutter)
    return CutData(
        rpm=rpm,
        slot_feed_mm_min=slot,
        clear_feed_mm_min=clear,
        finish_feed_mm_min=finish,
        plunge_feed_mm_min=PLUNGE_SHARE * slot,
        ramp_feed_mm_min=RAMP_SHARE * slot,
        drill_feed_mm_min=PLUNGE_SHARE * slot,
        stepdown_mm=cutter.stepdown_mm,
        stepover_mm=cutter.stepover_mm,
        ramp_angle_rad=cutter.ramp_angle_rad or RAMP_ANGLE_RAD,
        least_feed_mm_min=least,
        warnings=tuple(warnings),
    )


def least_chip_mm(cutter: Cutter) -> float:
    """The thinnest chip that still cuts: 0.3 edge radii, 0.005 mm when the radius is not known. Common practice."""
    return CHIP_LOW_EDGES * cutter.edge_radius_mm if cutter.edge_radius_mm > 0 else CHIP_LOW_MM


def _speed_warnings(cutter: Cutter, material: Material, rpm: float, wanted_rpm: float) -> tuple[Finding, ...]:
    band = material.speed_band_m_min.get(cutter.substrate)
    if band is None:
        return (_warning(
            "O422", cutter, f"no surface speed band for {cutter.substrate} in {material.name}",
            "a band for every substrate of the crib", "add one to the material's file",
        ),)  # fmt: skip
    speed = surface_speed_m_min(rpm, cutter.diameter_mm)
    # A thousandth of slack: bands are whole numbers, often turned from ft/min.
    if band[0] * 0.999 <= speed <= band[1] * 1.001:
        return ()
    why = "the spindle's range holds it there" if abs(rpm - wanted_rpm) > 0.5 else "the crib's start value is outside"
    return (_warning(
        "O421", cutter, f"{speed:.1f} m/min at {rpm:.0f} rpm ({why})",
        f"{band[0]:g} to {band[1]:g} m/min for {cutter.substrate} in {material.name}",
        "change the surface speed in the crib, or take a cutter of another diameter",
    ),)  # fmt: skip


def _chip_warnings(cutter: Cutter, chips: tuple[tuple[str, float], ...]) -> list[Finding]:
    low = least_chip_mm(cutter)
    return [
        _warning(
            "O423", cutter, f"a chip of {chip * 1000:.2f} um {when}", f"at least {low * 1000:.2f} um: thinner rubs",
            "raise the chip load, lower the speed, or take a sharper edge",
        )
        for when, chip in chips
        if chip < low - EPS_MM
    ]  # fmt: skip


def _slender_warnings(cutter: Cutter) -> tuple[Finding, ...]:
    ratio = cutter.reach_mm / cutter.diameter_mm
    if ratio <= SLENDER:
        return ()
    return (_warning(
        "O424", cutter, f"{cutter.reach_mm:.2f} mm below the shank, {ratio:.1f} diameters",
        f"{SLENDER:g} diameters", "take light cuts, or a cutter with a shorter neck",
    ),)  # fmt: skip


def _drill_warnings(cutter: Cutter, per_turn_mm: float) -> tuple[Finding, ...]:
    low, high = (share * cutter.diameter_mm for share in DRILL_FEED_BAND)
    if (
        cutter.kind is not CutterKind.DRILL
        or cutter.diameter_mm > DRILL_FEED_BAND_HIGH_MM + EPS_MM
        or low - EPS_MM <= per_turn_mm <= high + EPS_MM
    ):
        return ()
    return (_warning(
        "O425", cutter, f"{per_turn_mm:.4f} mm per turn", f"{low:.4f} to {high:.4f} mm per turn",
        "change the chip load in the crib",
    ),)  # fmt: skip


def _warning(code: str, cutter: Cutter, found: str, wanted: str, hint: str) -> Finding:
    where = f"T{cutter.number} {cutter.name}"
    return Finding(code=code, severity="warning", where=where, found=found, wanted=wanted, hint=hint)
