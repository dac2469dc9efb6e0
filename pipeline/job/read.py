"""Stage: a job file's text becomes a `Job`, or every finding at once.

Steps: read the text and what it is based on; read every key by its table; read the shop files it names; check sizes
against the families; check what only several files together can tell; build the model when no error is left.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline import families as part_families
from pipeline.errors import BadInput
from pipeline.families import Family
from pipeline.job.files import load_job, shop_file
from pipeline.job.fit import check_material, check_outline_cutter, check_skin, check_thickness, check_zones
from pipeline.job.parts import ReadPart, read_parts
from pipeline.job.tables import JOB, REFERENCES
from pipeline.job.terms import check_webs, check_worth
from pipeline.model.findings import Finding
from pipeline.model.job import Job, NestRequest, Tolerances, Worth, ZRequest
from pipeline.shop.files import (
    Loaded,
    read_billet,
    read_crib,
    read_holding,
    read_machine,
    read_material,
)
from pipeline.shop.reading import FAILED, Reader, Values
from pipeline.shop.strict_yaml import Node, merged


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A job that was read: the model, None when a finding is an error, and all findings, warnings too."""

    job: Job | None
    findings: tuple[Finding, ...]


def read_job(path: Path, *, part_folders: Iterable[Path] = ()) -> Job:
    """The job in this file, in mm and checked. Raises BadInput with every finding; warnings alone do not raise."""
    checked = check_job(path, part_folders=part_folders)
    if checked.job is None:
        raise BadInput(checked.findings)
    return checked.job


def check_job(path: Path, *, part_folders: Iterable[Path] = ()) -> Checked:
    """Read a job file and everything it names; findings in the order of the files and lines. Raises BadInput only when
    a part family itself is broken."""
    return _checked(Path(path), part_folders, name=Path(path).stem, over=None)


def check_order(template: Path, *, name: str, over: Node) -> Checked:
    """Read a job file with one order's values laid over it; the job gets the order's name. Findings as `check_job`;
    a faulty value points at the place its node names."""
    return _checked(Path(template), (), name=name, over=over)


def _checked(path: Path, part_folders: Iterable[Path], *, name: str, over: Node | None) -> Checked:
    reader = Reader()
    job = _read(path, part_families.scan(part_folders), reader, name=name, over=over)
    order = {
        name: index for index, name in enumerate(dict.fromkeys([str(path), *(f.file or "" for f in reader.findings)]))
    }
    findings = sorted(reader.findings, key=lambda f: (order[f.file or ""], f.line or 0, f.column or 0, f.code))
    return Checked(job=job, findings=tuple(findings))


def _read(path: Path, families: Mapping[str, Family], reader: Reader, *, name: str, over: Node | None) -> Job | None:
    node = load_job(path, reader)
    if node is None:
        return None
    if over is not None:
        reader.units[over.file] = reader.units.get(node.file, "mm")
        node = merged(node, over)
    values = JOB.read(node, reader)
    if values is FAILED:
        return None
    shop = _read_shop(values, reader)
    parts = read_parts(values["parts"], families, reader) if values.has("parts") else ()
    if (
        values.has("parts")
        and values["parts"].is_whole
        and not reader.has_errors()
        and not any(p.requests for p in parts)
    ):
        reader.fault("J134", values.at("parts"), found="no part with a count above 0", wanted="at least one part")
    _check_together(values, parts, {key: loaded.values for key, loaded in shop.items()}, reader)
    if reader.has_errors():
        return None
    return _build(name, values, parts, {key: loaded.model for key, loaded in shop.items()})


def _read_shop(values: Values, reader: Reader) -> dict[str, Loaded[Any]]:
    readers: dict[str, Any] = {
        "billet": _billet,
        "machine": read_machine,
        "crib": read_crib,
        "holding": read_holding,
        "material": read_material,
    }
    out: dict[str, Loaded[Any]] = {}
    for key, folder in REFERENCES.items():
        out[key] = Loaded(values=None, model=None)
        if values.has(key):
            node = values.at(key)
            path = shop_file(node, folder, reader)
            if path is not None:
                out[key] = readers[key](path, reader, asked_by=node)
    return out


def _billet(path: Path, reader: Reader, *, asked_by: Any) -> Loaded[Any]:
    def read_dxf(dxf: Path, layer: str | None) -> tuple[tuple[float, float], ...]:
        from pipeline.geometry.dxf import outline_points  # the drawing library is slow to load and seldom needed

        return outline_points(dxf, layer)

    return read_billet(path, reader, read_dxf=read_dxf, asked_by=asked_by)


def _check_together(
    values: Values, parts: tuple[ReadPart, ...], shop: Mapping[str, Values | None], reader: Reader
) -> None:
    billet, crib = shop["billet"], shop["crib"]
    z = values.get("z")
    if billet is not None and z is not None:
        check_skin(z, billet, reader)
        check_thickness(z, billet, parts, reader)
    if values.get("nest") is not None:
        check_webs(values["nest"], crib, reader)
        check_worth(values["nest"], billet, parts, reader)
    if crib is not None:
        check_outline_cutter(values, crib, billet, reader)
    if billet is not None:
        check_zones(values, billet, reader)
        check_material(values, billet, shop["material"], crib, reader)


def _build(name: str, values: Values, parts: tuple[ReadPart, ...], shop: Mapping[str, Any]) -> Job:
    z, tolerances, nest = values["z"], values["tolerances"], values["nest"]
    return Job(
        name=name,
        title=values["title"],
        units=values["units"],
        billet=shop["billet"],
        material=shop["material"],
        machine=shop["machine"],
        crib=shop["crib"],
        holding=shop["holding"],
        parts=tuple(request for part in parts for request in part.requests),
        tolerances=Tolerances(wall_mm=tolerances["wall"], floor_mm=tolerances["floor"], left_mm=tolerances["left"]),
        z=ZRequest(
            zero=z["zero"],
            skin_mm=z["skin"],
            stock_below_mm=z["stock_below"],
            z_zero_error_mm=z["z_zero_error"],
            tool_length_error_mm=z["tool_length_error"],
            spare_mm=z["spare"],
        ),
        nest=NestRequest(
            outline_cutter=nest["outline_cutter"],
            margin_mm=nest["margin"],
            edge_mm=nest["edge"],
            seed=nest["seed"],
            effort=nest["effort"],
            web_mm=nest["web"],
            worth=Worth(**nest["worth"]) if nest["worth"] is not None else Worth(),
        ),
        notes=tuple(values["notes"]),
        serial=values["serial"],
    )
