"""Do job, billet and shop fit each other? The checks that need more than one file.

The skin budget: the skin must be thicker than everything that can bring a cutter too deep or the plate too high, bow +
Z zero error + tool length error + spare, else it is pierced (geometry; .08 + .02 + .02 + .05 = .17 mm passes under a
skin of .25, a bow of .2 does not). With Z zero on the top face the plate's own thickness adds its uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.job.parts import ReadPart
from pipeline.model.units import EPS_MM, shown
from pipeline.shop.reading import Reader, Values, nearest


def check_skin(z: Values, billet: Values, reader: Reader) -> None:
    """The budget of errors against the skin, for Z zero on the bed or on the top face."""
    if not z.has("skin", "z_zero_error", "tool_length_error", "spare") or not billet.has("bow"):
        return
    unit = reader.unit_of(z.at("skin"))
    terms = {
        "bow": billet["bow"],
        "Z zero": z["z_zero_error"],
        "tool length": z["tool_length_error"],
        "spare": z["spare"],
    }
    _check_budget(terms, "J140", z, unit, reader, "a flatter plate, a smaller error or a thicker skin")
    if z.get("zero") == "top" and billet.has("thickness_uncertainty"):
        with_thickness = {**terms, "thickness": billet["thickness_uncertainty"]}
        if sum(terms.values()) < z["skin"] - EPS_MM:
            _check_budget(
                with_thickness,
                "J141",
                z,
                unit,
                reader,
                "set zero: bed, which does not depend on the thickness",
                at="zero",
            )


def _check_budget(
    terms: dict[str, float], code: str, z: Values, unit: str, reader: Reader, hint: str, at: str = "skin"
) -> None:
    total = sum(terms.values())
    if total < z["skin"] - EPS_MM:
        return
    words = " + ".join(f"{name} {shown(value, unit=unit)}" for name, value in terms.items())
    reader.fault(
        code,
        z.at(at),
        found=f"skin {shown(z['skin'], unit=unit)} under {words} = {shown(total, unit=unit)}",
        wanted="a skin thicker than the sum of the errors",
        hint=hint,
    )


def check_thickness(z: Values, billet: Values, parts: Sequence[ReadPart], reader: Reader) -> None:
    """The top of every part must lie below the lowest top of the plate, so that facing cleans all of it."""
    if not z.has("skin", "stock_below") or not billet.has("thickness", "thickness_uncertainty"):
        return
    lowest = billet["thickness"] - billet["thickness_uncertainty"]
    for part in parts:
        if part.thickness_mm is None:
            continue
        unit = reader.unit_of(part.thickness_node)
        need = z["skin"] + z["stock_below"] + part.thickness_mm
        if need > lowest + EPS_MM:
            reader.fault(
                "J142",
                part.thickness_node,
                found=f"{part.name}: thickness {shown(part.thickness_mm, unit=unit)} + skin "
                f"{shown(z['skin'], unit=unit)} + stock below {shown(z['stock_below'], unit=unit)} "
                f"= {shown(need, unit=unit)}",
                wanted=f"at most the thinnest place of the billet, {shown(lowest, unit=unit)}",
                hint=f"the part can be at most {shown(lowest - z['skin'] - z['stock_below'], unit=unit)} thick here",
            )


def check_outline_cutter(job: Values, crib: Values, billet: Values | None, reader: Reader) -> None:
    """The outline cutter exists, is a flat end mill, and reaches from the plate's top to the skin."""
    nest = job.get("nest")
    if nest is None or not nest.has("outline_cutter") or not crib.has("cutters"):
        return
    node, number = nest.at("outline_cutter"), nest["outline_cutter"]
    cutters = crib["cutters"]
    flat = {name: cutter for name, cutter in cutters.items() if cutter.get("kind") == "flat end mill"}
    flat_words = "; ".join(f"T{name} {cutter.get('name', '')}" for name, cutter in flat.items())
    cutter = cutters.get(str(number))
    if cutter is None:
        if str(number) not in cutters.node.entries:
            reader.fault(
                "J143", node, found=f"T{number}, which is not in the crib", wanted=f"a flat end mill: {flat_words}"
            )
        return
    if cutter.has("kind") and cutter["kind"] != "flat end mill":
        reader.fault("J144", node, found=f"T{number}, a {cutter['kind']}", wanted=f"a flat end mill: {flat_words}")
        return
    z = job.get("z")
    if z is None or billet is None or not z.has("skin") or not cutter.has("reach"):
        return
    if billet.has("thickness", "thickness_uncertainty", "bow"):
        deep = billet["thickness"] + billet["thickness_uncertainty"] + billet["bow"] - z["skin"]
        if cutter["reach"] < deep - EPS_MM:
            unit = reader.unit_of(node)
            enough = [f"T{name}" for name, other in flat.items() if other.has("reach") and other["reach"] >= deep]
            reader.fault(
                "J145",
                node,
                found=f"T{number}, which reaches {shown(cutter['reach'], unit=unit)}",
                wanted=f"a reach of {shown(deep, unit=unit)} from the plate's highest top to the skin",
                hint=f"long enough: {', '.join(enough)}" if enough else "add a longer cutter to the crib",
            )


def check_zones(job: Values, billet: Values, reader: Reader) -> None:
    """The zones that parts are bound to are zones of the billet, and none is to be kept both in and off."""
    zones = billet.get("zones", ())
    if ("zones" in billet.node.entries and not billet.has("zones")) or not all(zone.has("name") for zone in zones):
        return  # nobody knows what the faulty ones are called
    known = [zone["name"] for zone in zones]
    wanted = ", ".join(known) if known else "no zone: the billet has none"
    for part in job.get("parts", {}).values():
        for key in ("zone", "clear_of"):
            for zone in part.get(key, ()):
                if zone not in known:
                    reader.fault(
                        "J136", part.at(key), found=f"the zone {zone}", wanted=wanted, hint=nearest(zone, known)
                    )
                elif key == "clear_of" and zone in part.get("zone", ()):
                    reader.fault(
                        "J137",
                        part.at(key),
                        found=f"the zone {zone}, in which the part must lie, too",
                        wanted="zones other than those it must lie in",
                        hint="nothing lies both in a zone and clear of it",
                    )


def check_material(job: Values, billet: Values, material: Values | None, crib: Values | None, reader: Reader) -> None:
    """The billet is of the material the job names; warnings for start speeds outside its bands."""
    if job.has("material") and billet.has("material"):
        named, is_of = (
            str(text).rsplit("/", 1)[-1].removesuffix(".yaml") for text in (job["material"], billet["material"])
        )
        if named != is_of:
            reader.fault(
                "J146", job.at("material"), found=f"material {named}", wanted=f"{is_of}, the billet's material"
            )
    if material is None or crib is None or not material.has("speed_bands_m_min", "speed_factor"):
        return
    for cutter in crib.get("cutters", {}).values():
        if not cutter.has("substrate", "surface_speed_m_min"):
            continue
        band = material["speed_bands_m_min"].get(cutter["substrate"])
        speed = cutter["surface_speed_m_min"] * material["speed_factor"]
        if band is not None and not band[0] <= speed <= band[1]:
            reader.fault(
                "J147",
                cutter.at("surface_speed_m_min"),
                found=f"{speed:g} m/min",
                severity="warning",
                wanted=f"{band[0]:g} to {band[1]:g} m/min for {cutter['substrate']} in this material",
            )
