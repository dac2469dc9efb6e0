"""What an outline cutter feels in a full slot at its whole stepdown and slot feed, with a worn edge. mm, N, N/mm^2.

The formulas are the verifier's (`pipeline.shop.forces`), for the worst that a straight rough lap can ask: no move of
the outline takes more, since laps divide the depth evenly and arcs and ramps run slower.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.model.shop import Cutter, Material
from pipeline.shop import forces
from pipeline.shop.cutting import CutData, least_chip_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """`deflection_mm` is of the tip under the peak force, `stress_n_mm2` the bending and torsion of that moment.
    `slenderness` is the length over diameter of a plain rod of the cutter's own diameter that bends as much as the
    cutter does in its holder: flutes, neck, shank and stickout as one figure. `spread` is the relative uncertainty."""

    force_n: float
    deflection_mm: float
    stress_n_mm2: float
    slenderness: float
    spread: float


def full_slot(cutter: Cutter, cut: CutData, material: Material) -> Slot:
    """The figures of a flat end mill at these speeds and feeds."""
    mc, kc11 = material.mc, material.kc11_n_mm2
    d, depth = cutter.diameter_mm, cut.stepdown_mm
    harder = forces.MILLING * forces.WORN
    tooth = cut.slot_feed_mm_min / (cut.rpm * cutter.flutes)
    chip = float(forces.mean_chip_mm(tooth, d, d, math.pi))
    least = least_chip_mm(cutter)
    ploughs = max(1.0, least / tooth) ** (1 - mc)
    peak = float(
        forces.peak_force_n(
            harder * ploughs * forces.edge_n(depth, depth, tooth, kc11, mc), math.pi,
            forces.lag_rad(depth, d, cutter.helix_angle_rad), flutes=cutter.flutes, mc=mc,
            runout_ratio=min(forces.runout_step_mm(cutter.runout_mm, cutter.flutes) / tooth, cutter.flutes - 1),
        )
    )  # fmt: skip
    power = forces.power_w(d * depth * cut.slot_feed_mm_min, harder * forces.specific_force(chip, kc11, mc, least))
    torque = float(forces.torque_n_m(power, cut.rpm))
    beam, young = forces.sections(cutter), forces.young_n_mm2(cutter.substrate)
    compliance = forces.compliance_mm_n(beam, young)
    bent, twisted = peak * forces.stress_per_n(beam), torque * forces.twist_stress_per_n_m(beam)
    rod = 3 * young * math.pi * d**4 / 64  # of a rod: length^3 / compliance. Beam theory
    return Slot(
        force_n=peak,
        deflection_mm=peak * compliance,
        stress_n_mm2=math.sqrt(bent * bent + 3 * twisted * twisted),
        slenderness=math.cbrt(rod * compliance) / d,
        spread=forces.spread(chip),
    )
