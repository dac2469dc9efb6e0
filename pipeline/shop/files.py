"""From a shop file's text to the model: read, check, build. One function per kind of file.

Each returns what was read as `Values` (for the job's own checks, also when parts failed) and the model, which is None
as soon as this file has an error. Findings gather in the `Reader`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from pipeline.errors import BadInput
from pipeline.model.nest import Zone
from pipeline.model.shop import (
    Billet,
    Block,
    Crib,
    Cutter,
    CutterKind,
    Dialect,
    Hold,
    Holding,
    Machine,
    Material,
    Stop,
)
from pipeline.shop.reading import FAILED, Reader, Values
from pipeline.shop.sanity import check_billet, check_crib, check_holding, check_machine, check_material
from pipeline.shop.schema import Table
from pipeline.shop.strict_yaml import Node, load
from pipeline.shop.tables import BILLET, CRIB, HOLDING, MACHINE, MATERIAL

T = TypeVar("T")
DxfReader = Callable[[Path, str | None], tuple[tuple[float, float], ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded(Generic[T]):
    """One shop file: the values read from it (None when it was no table at all) and the model (None after an error)."""

    values: Values | None
    model: T | None


def read_text(path: Path, reader: Reader, *, shown_as: str, asked_by: Node | None = None) -> str | None:
    """A file's text; None after a finding at the place that asked for it."""
    place = asked_by or Node(kind="scalar", file=shown_as, line=1, column=1, path=())
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        reader.fault("J101", place, found=f"{shown_as}, which is not UTF-8 text", wanted="a text file in UTF-8")
    except OSError as error:
        reader.fault(
            "J101", place, found=f"{shown_as}, which cannot be read ({error.strerror})", wanted="a readable file"
        )
    return None


def read_machine(path: Path, reader: Reader, *, asked_by: Node | None = None) -> Loaded[Machine]:
    """A file of machines/."""
    return _read(path, reader, MACHINE, check_machine, _machine, asked_by)


def read_material(path: Path, reader: Reader, *, asked_by: Node | None = None) -> Loaded[Material]:
    """A file of materials/. It holds no lengths, hence no `units`."""
    return _read(path, reader, MATERIAL, check_material, _material, asked_by)


def read_crib(path: Path, reader: Reader, *, asked_by: Node | None = None) -> Loaded[Crib]:
    """A file of cribs/."""
    return _read(path, reader, CRIB, check_crib, _crib, asked_by)


def read_holding(path: Path, reader: Reader, *, asked_by: Node | None = None) -> Loaded[Holding]:
    """A file of holdings/."""
    return _read(path, reader, HOLDING, check_holding, _holding, asked_by)


def read_billet(path: Path, reader: Reader, *, read_dxf: DxfReader, asked_by: Node | None = None) -> Loaded[Billet]:
    """A file of billets/. `read_dxf(path, layer)` gives an outline's points in mm; it raises BadInput, and its findings
    are passed on at the place that names the DXF file."""

    def check(billet: Values, reader: Reader) -> None:
        if billet.get("outline") is not None:
            _find_outline(billet, billet["outline"], billet.at("outline"), path, reader, read_dxf)
        for zone in billet.get("zones", ()):
            _find_outline(zone, zone, zone.node, path, reader, read_dxf)
        check_billet(billet, reader)

    return _read(path, reader, BILLET, check, _billet, asked_by)


def _read(
    path: Path,
    reader: Reader,
    table: Table,
    check: Callable[[Values, Reader], None],
    build: Callable[[str, Values], T],
    asked_by: Node | None,
) -> Loaded[T]:
    shown_as = str(path)
    before = len(reader.findings)
    text = read_text(path, reader, shown_as=shown_as, asked_by=asked_by)
    node = load(text, file=shown_as, findings=reader.findings) if text is not None else None
    if node is None:
        return Loaded(values=None, model=None)
    note_units(node, reader)
    values = table.read(node, reader)
    if values is FAILED:
        return Loaded(values=None, model=None)
    check(values, reader)
    failed = any(finding.severity == "error" for finding in reader.findings[before:])
    return Loaded(values=values, model=None if failed else build(path.stem, values))


def note_units(node: Node, reader: Reader) -> None:
    """Remember the unit a file says, before its lengths are read."""
    entry = node.entries.get("units")
    if entry is not None and entry.node.text in ("mm", "in"):
        reader.units[entry.node.file] = entry.node.text


def _machine(name: str, values: Values) -> Machine:
    return Machine(
        name=name,
        source=values["source"],
        travel_low_mm=values["travel_low"],
        travel_high_mm=values["travel_high"],
        bed_origin_mm=values["bed_origin"],
        spindle_low_rpm=values["spindle_low_rpm"],
        spindle_high_rpm=values["spindle_high_rpm"],
        feed_high_mm_min=values["feed_high"],
        rapid_mm_min=values["rapid"],
        acceleration_mm_s2=values["acceleration"],
        jerk_mm_s3=values["jerk"],
        tool_change_s=values["tool_change_s"],
        dialect=_dialect(values["dialect"]),
        rapid_path=values["rapid_path"],
        spindle_power_w=values["spindle_power"],
    )


def _dialect(values: Values) -> Dialect:
    return Dialect(
        units=values["units"],
        linear_decimals=values["linear_decimals"],
        arc_decimals=values["arc_decimals"],
        feed_decimals=values["feed_decimals"],
        canned_cycles=frozenset(values["canned_cycles"]),
        arcs=values["arcs"],
        helices=values["helices"],
        longest_arc_rad=values["longest_arc"],
        chord_mm=values["chord"],
        path_word=values["path_word"],
        blend_mm=values["blend"],
        tool_change=values["tool_change"],
        pockets=values["pockets"],
        length_offsets={int(cutter): h for cutter, h in values["length_offsets"].items()},
        safe_retract=values["safe_retract"],
        coolant_on=values["coolant_on"],
        spin_up_s=values["spin_up_s"],
        peck_backoff_mm=values["peck_backoff"],
        line_numbers=values["line_numbers"],
        extensions=frozenset(values["extensions"]),
    )


def _material(name: str, values: Values) -> Material:
    return Material(
        name=name,
        layers=values["layers"],
        density_g_cm3=values["density_g_cm3"],
        kc11_n_mm2=values["kc11_n_mm2"],
        mc=values["mc"],
        speed_band_m_min={substrate: tuple(band) for substrate, band in sorted(values["speed_bands_m_min"].items())},
        speed_factor=values["speed_factor"],
        source=values["source"],
    )


_CUTTER_LENGTHS = (
    "diameter",
    "flute_length",
    "reach",
    "neck_diameter",
    "shank_diameter",
    "stickout",
    "holder_diameter",
    "chip_load",
    "stepdown",
    "stepover",
    "peck",
    "tip_diameter",
    "edge_radius",
    "runout",
    "corner_radius",
)


def _crib(name: str, values: Values) -> Crib:
    cutters = []
    for number, cutter in sorted(values["cutters"].items(), key=lambda pair: int(pair[0])):
        lengths = {f"{key}_mm": cutter[key] for key in _CUTTER_LENGTHS}
        cutters.append(
            Cutter(
                number=int(number),
                name=cutter["name"],
                kind=CutterKind(cutter["kind"]),
                flutes=cutter["flutes"],
                substrate=cutter["substrate"],
                surface_speed_m_min=cutter["surface_speed_m_min"],
                ramp_angle_rad=cutter["ramp_angle"],
                point_angle_rad=cutter["point_angle"],
                helix_angle_rad=cutter["helix_angle"],
                source=cutter["source"],
                **lengths,
            )
        )
    return Crib(name=name, cutters=tuple(cutters))


def _holding(name: str, values: Values) -> Holding:
    stops = [
        Stop(name=stop_name, x_mm=stop["x"], y_mm=stop["y"], radius_mm=stop["radius"], height_mm=stop["height"])
        for stop_name, stop in values["stops"].items()
    ]
    pose = values["nominal_pose"]
    return Holding(
        name=name,
        origin=values["origin"],
        gasket=_array(values["gasket"]),
        gasket_width_mm=values["gasket_width"],
        port_mm=values["port"],
        stops=(stops[0], stops[1], stops[2]),
        nominal_pose=(pose["x"], pose["y"], pose["angle"]),
        blocks=tuple(
            Block(
                name=block_name,
                kind=block["kind"],
                outline=_array(block["outline"]),
                height_mm=block["height"],
                cut_depth_mm=block["cut_depth"],
                press_n=block["press"],
            )
            for block_name, block in values["blocks"].items()
        ),
        stop_uncertainty_mm=values["stop_uncertainty"],
        gauge_block_mm=values["gauge_block"],
        hold=Hold(
            vacuum_kpa=values["vacuum"],
            altitude_m=values["altitude"],
            friction=values["friction"],
            pump_flow_l_min=values["pump_flow"],
            safety_rough=values["safety"]["rough"],
            safety_finish=values["safety"]["finish"],
            safety_tilt=values["safety"]["tilt"],
        ),
    )


def _billet(name: str, values: Values) -> Billet:
    return Billet(
        name=name,
        outline=_array(values["outline_points"]),
        outline_uncertainty_mm=values["outline_uncertainty"],
        thickness_mm=values["thickness"],
        thickness_uncertainty_mm=values["thickness_uncertainty"],
        bow_mm=values["bow"],
        defects=tuple(_array(points) for points in values["defects"].values()),
        price_per_cm2=values["price_per_cm2"],
        currency=values["currency"],
        material=values["material"],
        up_face=values["up_face"],
        corner=values["corner"],
        zones=tuple(
            Zone(name=zone["name"], polygon=_array(zone["outline_points"]), figure=zone["figure"])
            for zone in values["zones"]
        ),
        layers_rad=values["layers"],
        holes=tuple(_array(points) for points in values["holes"].values()),
    )


def _array(points: tuple[tuple[float, float], ...]) -> Any:
    return points  # the model turns it into a checked array


def _find_outline(
    values: Values, outline: Values, node: Node, path: Path, reader: Reader, read_dxf: DxfReader
) -> None:
    """Put an outline's points under `outline_points` of `values`, wherever they come from."""
    points, dxf, layer = outline.get("points"), outline.get("dxf"), outline.get("layer")
    wrote = [key for key in ("points", "dxf") if key in outline.nodes]
    if len(wrote) != 1:
        reader.fault(
            "J105" if not wrote else "J123",
            node,
            found="both points and dxf" if wrote else "neither points nor dxf",
            wanted="either points: [...] or dxf: with layer:",
        )
        return
    if points is not None:
        if layer is not None:
            reader.fault(
                "J123", outline.at("layer"), found="a layer without a dxf file", wanted="layer only beside dxf"
            )
        values["outline_points"] = points
    elif dxf is not None:
        try:
            values["outline_points"] = read_dxf(path.parent / dxf, layer)
        except BadInput as bad:
            for finding in bad.findings:
                reader.fault(
                    finding.code, outline.at("dxf"), found=finding.found, wanted=finding.wanted, hint=finding.hint
                )
