"""Do the shop's own figures fit each other? Checks of one file at a time; the job's checks come after.

Each check takes what a table read (`Values`) and a `Reader` for its findings, and skips what could not be read.
"""

from __future__ import annotations

import math
from itertools import combinations

from pipeline.model.units import EPS_MM, shown
from pipeline.shop.air import KPA_PER_INHG, air_pressure_kpa
from pipeline.shop.plate import find_top
from pipeline.shop.polygons import Points, crossing, is_inside, polygon_fault, share_a_point
from pipeline.shop.reading import Reader, Values
from pipeline.shop.strict_yaml import Node


def check_machine(machine: Values, reader: Reader) -> None:
    """Travel, origin, spindle and changer of a machine."""
    unit = reader.unit_of(machine.node)
    if machine.has("travel_low", "travel_high"):
        for axis, low, high in zip("XYZ", machine["travel_low"], machine["travel_high"], strict=True):
            if low >= high:
                reader.fault(
                    "J150",
                    machine.at("travel_low"),
                    found=f"{axis} from {shown(low, unit=unit)} to {shown(high, unit=unit)}",
                    wanted="travel_low under travel_high on every axis",
                )
        if machine.has("bed_origin"):
            for axis, low, high, at in zip(
                "XYZ", machine["travel_low"], machine["travel_high"], machine["bed_origin"], strict=True
            ):
                if low < high and not low <= at <= high:
                    reader.fault(
                        "J150",
                        machine.at("bed_origin"),
                        found=f"{axis} {shown(at, unit=unit)}",
                        wanted=f"inside the travel, {shown(low, unit=unit)} to {shown(high, unit=unit)}",
                    )
    if machine.has("spindle_low_rpm", "spindle_high_rpm") and machine["spindle_low_rpm"] >= machine["spindle_high_rpm"]:
        reader.fault(
            "J150",
            machine.at("spindle_low_rpm"),
            found=f"{machine['spindle_low_rpm']:g} rpm",
            wanted=f"under spindle_high_rpm, {machine['spindle_high_rpm']:g}",
        )
    if machine.has("feed_high", "rapid") and machine["feed_high"] > machine["rapid"] + EPS_MM:
        reader.fault(
            "J150",
            machine.at("feed_high"),
            found=f"{shown(machine['feed_high'], unit=unit, places=1)}/min",
            wanted=f"at most the rapid, {shown(machine['rapid'], unit=unit, places=1)}/min",
        )
    dialect = machine.get("dialect")
    if dialect is None:
        return
    if dialect.has("tool_change", "pockets"):
        by_hand = dialect["tool_change"] == "by hand"
        if by_hand != (dialect["pockets"] == 0):
            reader.fault(
                "J150",
                dialect.at("pockets"),
                found=f"{dialect['pockets']} pockets with {dialect['tool_change']}",
                wanted="0 pockets by hand, 1 or more with a changer",
            )
    if dialect.has("arcs", "helices") and dialect["helices"] and not dialect["arcs"]:
        reader.fault("J150", dialect.at("helices"), found="helices without arcs", wanted="helices: no where arcs: no")
    if dialect.has("units", "linear_decimals") and dialect["units"] == "in" and dialect["linear_decimals"] < 4:
        reader.fault(
            "J150",
            dialect.at("linear_decimals"),
            found=f"{dialect['linear_decimals']} decimals of an inch",
            wanted="4 or more",
            hint="0.001 in is 0.025 mm; five keep arcs within the control's tolerance",
        )
    offsets = dialect.get("length_offsets", {})
    seen: dict[int, str] = {}
    for name, h in offsets.items():
        if h in seen:
            reader.fault(
                "J150", offsets.at(name), found=f"H{h} for T{seen[h]} and T{name}", wanted="one H number per cutter"
            )
        seen[h] = name


def check_material(material: Values, reader: Reader) -> None:
    """Bands run from low to high."""
    for name, band in material.get("speed_bands_m_min", {}).items():
        if band[0] >= band[1]:
            reader.fault(
                "J152",
                material["speed_bands_m_min"].at(name),
                found=f"{band[0]:g} to {band[1]:g} m/min",
                wanted="low first, then high",
            )


_POINTED = ("drill", "spot drill", "chamfer mill", "engraver")
_MILLS = ("flat end mill", "ball end mill")


def check_crib(crib: Values, reader: Reader) -> None:
    """Every cutter's geometry, and names that cannot be mixed up."""
    names: dict[str, str] = {}
    for number, cutter in crib.get("cutters", {}).items():
        _check_cutter(cutter, reader)
        name = cutter.get("name")
        if name is None:
            continue
        if name in names:
            reader.fault(
                "J153",
                cutter.at("name"),
                found=f"{name!r}, also the name of T{names[name]}",
                wanted="a different name for each cutter",
                hint=f"say what tells T{number} from T{names[name]}",
            )
        names[name] = number


def _check_cutter(cutter: Values, reader: Reader) -> None:
    unit = reader.unit_of(cutter.node)

    def at_most(small: str, large: str, why: str) -> None:
        if cutter.has(small, large) and cutter[small] > cutter[large] + EPS_MM:
            reader.fault(
                "J151",
                cutter.at(small),
                found=f"{small} {shown(cutter[small], unit=unit)}",
                wanted=f"at most {large}, {shown(cutter[large], unit=unit)}",
                hint=why,
            )

    at_most("flute_length", "reach", "the neck begins where the flutes end")
    at_most("reach", "stickout", "the holder begins at stickout")
    at_most("tip_diameter", "diameter", "")
    at_most("shank_diameter", "holder_diameter", "")
    at_most("stepover", "diameter", "")
    at_most("edge_radius", "diameter", "")
    if not cutter.has("kind"):
        return
    kind = cutter["kind"]
    if kind in _MILLS:
        at_most("neck_diameter", "diameter", "a neck thicker than the flutes rubs on the wall above them")
        at_most("stepdown", "flute_length", "")
        if cutter.has("ramp_angle") and cutter["ramp_angle"] <= 0:
            reader.fault(
                "J151",
                cutter.at("ramp_angle"),
                found="no ramp angle",
                wanted="ramp_angle above 0 for a mill",
                hint="1 to 3 degrees is common for small mills in titanium",
            )
    if kind in _POINTED and cutter.has("point_angle") and not math.radians(20) <= cutter["point_angle"] < math.pi:
        reader.fault(
            "J151",
            cutter.at("point_angle"),
            found=f"{math.degrees(cutter['point_angle']):g} degrees",
            wanted=f"20 to 179 degrees for a {kind}",
        )
    corner = cutter.get("corner_radius", 0.0)
    if corner > 0 and kind != "flat end mill":
        found = f"a corner radius on a {kind}"
        reader.fault("J151", cutter.at("corner_radius"), found=found, wanted="no corner_radius")
    elif cutter.has("diameter") and corner > cutter["diameter"] / 2 + EPS_MM:
        reader.fault(
            "J151",
            cutter.at("corner_radius"),
            found=f"corner_radius {shown(corner, unit=unit)}",
            wanted=f"at most half the diameter, {shown(cutter['diameter'] / 2, unit=unit)}",
        )
    if kind in _MILLS and cutter.get("point_angle", 0.0) > 0:
        reader.fault("J151", cutter.at("point_angle"), found=f"a point angle on a {kind}", wanted="no point_angle")
    if kind == "drill" and cutter.has("peck") and cutter["peck"] <= 0:
        reader.fault(
            "J151",
            cutter.at("peck"),
            found="no peck",
            wanted="peck above 0 for a drill",
            hint="about 0.2 x the diameter is common for small drills in titanium",
        )


def check_holding(holding: Values, reader: Reader) -> None:
    """Gasket, port, vacuum, stops, clamps and spacers of a holding."""
    unit = reader.unit_of(holding.node)
    _check_vacuum(holding, reader)
    if holding.has("gasket"):
        is_sound = check_polygon(holding["gasket"], holding.at("gasket"), reader, name="the gasket")
        if is_sound and holding.has("port") and not is_inside(holding["port"], holding["gasket"]):
            reader.fault("J155", holding.at("port"), found="a port outside the gasket", wanted="a port inside it")
    stops = holding.get("stops")
    if stops is not None and stops.is_whole and len(stops) == 3:
        centres = [(stop["x"], stop["y"]) for stop in stops.values()]
        (ax, ay), (bx, by), (cx, cy) = centres
        longest = max(math.dist(p, q) for p, q in combinations(centres, 2))
        spread = abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)) / max(longest, EPS_MM)
        if spread < max(stop["radius"] for stop in stops.values()):
            reader.fault(
                "J155",
                holding.at("stops"),
                found="three stops in one line",
                wanted="two along a long edge and one at a short edge",
            )
    blocks = holding.get("blocks", {})
    for name, block in blocks.items():
        if block.has("outline"):
            check_polygon(block["outline"], block.at("outline"), reader, name=f"the outline of {name}")
        if block.has("kind") and block["kind"] != "clamp" and block.get("press", 0.0) > 0:
            found = f"a {block['kind']} that presses"
            reader.fault("J155", block.at("press"), found=found, wanted="press for clamps only")
        if not block.has("kind", "cut_depth"):
            continue
        if block["kind"] != "sacrificial spacer" and block["cut_depth"] > 0:
            reader.fault(
                "J155",
                block.at("cut_depth"),
                found=f"a {block['kind']} that may be cut",
                wanted="no cut_depth",
                hint="only a sacrificial spacer may be cut",
            )
        elif block["kind"] == "sacrificial spacer" and not 0 < block["cut_depth"] < block.get("height", math.inf):
            reader.fault(
                "J155",
                block.at("cut_depth"),
                found=f"cut_depth {shown(block['cut_depth'], unit=unit)}",
                wanted="above 0 and under the spacer's height",
            )


def _check_vacuum(holding: Values, reader: Reader) -> None:
    """No pump pulls below nothing: a gauge reads at most the air's own pressure, which falls with altitude."""
    if not holding.has("vacuum", "altitude"):
        return
    air = air_pressure_kpa(holding["altitude"])
    if holding["vacuum"] > air:
        reader.fault(
            "J156",
            holding.at("vacuum"),
            found=f"a reading of {_gauge(holding['vacuum'])}",
            wanted=f"less than the air's own pressure at {holding['altitude']:.0f} m, {_gauge(air)}",
            hint="write what the gauge shows with the plate on the bed",
        )


def _gauge(kpa: float) -> str:
    return f"{kpa:.1f} kPa ({kpa / KPA_PER_INHG:.1f} inHg)"


def check_billet(billet: Values, reader: Reader) -> None:
    """Outline, top, defects and holes of a billet. `outline_points` hold the outline by now, from the file or from its
    DXF; what probes say of the top is put beside them."""
    unit = reader.unit_of(billet.node)
    outline = billet.get("outline_points")
    if outline is None or not check_polygon(outline, billet.at("outline"), reader, name="the outline"):
        outline = None
    find_top(billet, outline, reader)
    if billet.has("thickness", "thickness_uncertainty") and billet["thickness_uncertainty"] > billet["thickness"] / 4:
        reader.fault(
            "J122",
            billet.at("thickness_uncertainty"),
            found=shown(billet["thickness_uncertainty"], unit=unit),
            wanted=f"far under the thickness, {shown(billet['thickness'], unit=unit)}",
        )
    check_zones(billet, outline, reader)
    for key, kind in (("defects", "defect"), ("holes", "hole")):
        _check_inside(billet.get(key, {}), outline, reader, kind=kind)
    if billet.get("holes") and billet.get("holes_plugged") is False:
        names = ", ".join(billet["holes"])
        reader.fault(
            "J127",
            billet.at("holes"),
            found=f"holes right through that nobody has plugged: {names}",
            wanted="`holes_plugged: yes`, or a plate without holes",
            hint="vacuum goes through them: plug them airtight, bonded in, flush with the face that goes down; say so",
        )


def _check_inside(rings: Values, outline: Points | None, reader: Reader, *, kind: str) -> None:
    """Defects or holes are simple polygons inside the outline."""
    for name, points in rings.items():
        node = rings.at(name)
        unit = reader.unit_of(node)
        if not check_polygon(points, node, reader, name=f"the {kind} {name}") or outline is None:
            continue
        outside = [index for index, point in enumerate(points) if not is_inside(point, outline)]
        if outside:
            x, y = points[outside[0]]
            reader.fault(
                "J121",
                _item(node, outside[0]),
                found=f"a {kind} that reaches out of the outline at ({shown(x, unit=unit)}, {shown(y, unit=unit)})",
                wanted=f"{kind}s inside the outline",
                hint=f"draw a {kind} at the rim up to the edge, not past it",
            )


def check_zones(billet: Values, outline: Points | None, reader: Reader) -> None:
    """Zones have names of their own, are simple polygons, and lie on the plate with at least a part of them."""
    seen: dict[str, int] = {}
    for zone in billet.get("zones", ()):
        name = zone.get("name", "")
        if name in seen:
            found = f"a second zone {name}, the first on line {seen[name]}"
            reader.fault("J123", zone.at("name"), found=found, wanted="zones with names of their own")
        elif name:
            seen[name] = zone.at("name").line
        points = zone.get("outline_points")
        if points is None or not check_polygon(points, zone.at("outline_points"), reader, name=f"the zone {name}"):
            continue
        if outline is not None and not share_a_point(points, outline):
            reader.fault(
                "J126", zone.node, found=f"the zone {name} beside the plate", wanted="a zone on the plate",
                hint="points in the billet frame, as the outline's",
            )  # fmt: skip


def check_polygon(points: tuple[tuple[float, float], ...], node: Node, reader: Reader, *, name: str) -> bool:
    """True when the points are a simple polygon; else one finding at the first point that spoils it."""
    unit = reader.unit_of(node)
    fault = polygon_fault(points)
    if fault is not None:
        index, found = fault
        reader.fault(
            "J120",
            _item(node, index),
            found=f"{name}: {found}",
            wanted="a closed outline of 3 or more points, each once",
        )
        return False
    crossed = crossing(points)
    if crossed is not None:
        first, second, (x, y) = crossed
        reader.fault(
            "J120",
            _item(node, second),
            found=f"{name}: the edge from point {second + 1} crosses the edge from "
            f"point {first + 1} near ({shown(x, unit=unit)}, {shown(y, unit=unit)})",
            wanted="an outline that does not cross or touch itself",
            hint="are two points in the wrong order?",
        )
        return False
    return True


def _item(node: Node, index: int) -> Node:
    points = node.entries["points"].node if "points" in node.entries else node
    return points.items[index] if index < len(points.items) else node
