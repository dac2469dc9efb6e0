"""What stands at the top of a program, in comments: what it is, what Z means, which cutters, what to mind."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.gcode.comments import Lines
from pipeline.gcode.pockets import Load
from pipeline.gcode.words import Format
from pipeline.model.setup import Setup
from pipeline.model.shop import Crib, Cutter, Machine, Material
from pipeline.model.toolpath import Plan

# General rules of the trade for titanium and for a first run; the wording is ours. Common practice, no source.
CAUTIONS = (
    "The manual of the machine and qualified people decide. This text replaces neither.",
    "First run in air above the work, spindle off. Then single block, reduced feed and rapids, hand on feed hold.",
    "Eye protection. Guards closed. Nobody reaches in while the spindle turns.",
    "Titanium chips and fines burn. Never water on burning metal: a class D agent stands at the machine.",
    "Clear fine chips often. Never leave the cut running alone or dry when the plan asks for coolant.",
    "Check the hold-down before the first cut and at every stop: vacuum reading, stops, blocks.",
)


def write_header(
    lines: Lines,
    *,
    plan: Plan,
    setup: Setup,
    job_name: str,
    job_digest: str,
    serial: str,
    crib: Crib,
    machine: Machine,
    material: Material,
    status: str,
    form: Format,
    loads: Mapping[int, Load],
) -> None:
    """Write the comments at the top. `loads` gives each cutter's first pocket; empty without a changer."""
    unit = form.units
    lines.say(f"{job_name}, {setup.name}, {setup.side_up} face up")
    lines.status(status)
    if setup.side_up == "inside":
        lines.say("INSIDE FACE UP: the show side lies on the bed")
    lines.say(f"job: {job_name}")
    if serial:
        lines.say(f"serial: {serial}")
    lines.say(f"job digest: {job_digest}")
    lines.say(f"machine: {machine.name}")
    lines.say(f"material: {material.name}, layers {', '.join(material.layers)}")
    lines.say(f"units: {'inch, G20' if unit == 'in' else 'millimetre, G21'}, feeds per minute, work system G54")
    lines.say(f"X0 Y0: {setup.origin}")
    lines.say("Z0: the bed under the billet, not the top of the billet")
    if machine.dialect.path_word == "G64":
        blend = form.length(machine.dialect.blend_mm)
        lines.say(f"G64: set the control to round corners by at most {blend} {form.units}")
    _write_heights(lines, setup, form)
    _write_cutters(lines, plan, crib, machine, form, loads)
    if plan.not_cut:
        lines.say(f"Left for later setups: {len(plan.not_cut)}, listed in the packet")
    for caution in CAUTIONS:
        lines.say(f"CAUTION: {caution}")


def _write_heights(lines: Lines, setup: Setup, form: Format) -> None:
    z, unit, length = setup.z, form.units, form.length
    low, high = setup.billet.min(axis=0), setup.billet.max(axis=0)
    size = " x ".join(length(v) for v in (high - low).tolist())
    lines.say(
        f"billet: {size} {unit} over all as it lies, X {length(low[0])} to {length(high[0])}, "
        f"Y {length(low[1])} to {length(high[1])}, marked corner at X {length(setup.seating.corner_mm[0])} "
        f"Y {length(setup.seating.corner_mm[1])}"
    )
    lines.say(f"Z {length(z.top_mm)} top of the billet, nominal, {length(z.top_low_mm)} to {length(z.top_high_mm)}")
    faces: dict[str, list[str]] = {}
    for part in setup.parts:
        faces.setdefault(length(part.inside_z_mm), []).append(part.part_id)
    for height, names in faces.items():
        lines.say(f"Z {height} inside face of {', '.join(names)}")
    lines.say(f"Z {length(z.bottom_of_part_mm())} outer face of the parts")
    lines.say(f"Z {length(z.skin_mm)} skin: nothing is cut below it")
    lines.say(f"Z {length(z.clearance_mm)} clearance, Z {length(z.safe_mm)} safe height between cutters, {unit}")


def _write_cutters(
    lines: Lines, plan: Plan, crib: Crib, machine: Machine, form: Format, loads: Mapping[int, Load]
) -> None:
    lines.say(f"cutters, in order of first use, {form.units}:")
    for number in dict.fromkeys(path.operation.cutter for path in plan.toolpaths):
        cutter = crib.cutter(number)
        text = (
            f"T{number} H{length_offset(machine, number)} {sort_of(cutter, form)}, stickout at least "
            f"{form.length(cutter.stickout_mm)}, {cutter.name}"
        )
        if number in loads:
            text += f", pocket {loads[number].pocket}"
        lines.say(text)


def sort_of(cutter: Cutter, form: Format) -> str:
    """The cutter in a few words: what it is made of, its kind and its diameter."""
    return f"{cutter.substrate} {cutter.kind.value} diameter {form.length(cutter.diameter_mm)} {form.units}"


def length_offset(machine: Machine, cutter: int) -> int:
    """The H number of a cutter on this machine."""
    return machine.dialect.length_offsets.get(cutter, cutter)
