"""The JSON Schema of job files, for editors that complete and underline. Made from the same tables that read them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pipeline import families as part_families
from pipeline.families import Family
from pipeline.job.parts import HAND, written_name
from pipeline.job.tables import JOB, PART
from pipeline.model.units import MM_PER_INCH
from pipeline.shop.fields import LENGTH_REF, LENGTH_TEXT


def job_schema(part_folders: Iterable[Path] = ()) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a job file, with every family's sizes and their bounds in the file's unit."""
    families = part_families.scan(part_folders)
    schema = JOB.schema()
    required = schema.pop("required")
    schema["properties"]["parts"] = {"description": JOB.keys["parts"].note}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "billetwright job",
        **schema,
        "if": {"not": {"required": ["based_on"]}},
        "then": {"required": required},
        "allOf": [_for_unit("mm"), _for_unit("in")],
        "$defs": {"length": LENGTH_TEXT, **{f"parts-{unit}": _parts(families, unit) for unit in ("mm", "in")}},
    }


def _for_unit(unit: str) -> dict[str, Any]:
    return {
        "if": {"properties": {"units": {"const": unit}}, "required": ["units"]},
        "then": {"properties": {"parts": {"$ref": f"#/$defs/parts-{unit}"}}},
    }


def _parts(families: Mapping[str, Family], unit: str) -> dict[str, Any]:
    part = PART.schema()
    del part["required"]  # a job that is based on another may change one key only
    part["properties"]["family"] = {"enum": list(families), "description": PART.keys["family"].note}
    part["allOf"] = [
        {
            "if": {"properties": {"family": {"const": name}}, "required": ["family"]},
            "then": {"properties": {"sizes": _sizes(family, unit)}},
        }
        for name, family in families.items()
    ]
    return {"type": "object", "minProperties": 1, "additionalProperties": part}


def _sizes(family: Family, unit: str) -> dict[str, Any]:
    properties: dict[str, Any] = {}
    scale = MM_PER_INCH if unit == "in" else 1.0
    for size in family.sizes:
        if size.name == HAND:
            continue
        if size.kind == "pick":
            properties[written_name(size)] = {
                "enum": list(size.choices),
                "default": size.default,
                "description": size.note,
            }
            continue
        assert size.low is not None and size.high is not None and isinstance(size.default, (int, float))
        by = scale if size.unit == "mm" else 1.0
        out: dict[str, Any] = {
            "type": "number",
            "minimum": size.low / by,
            "maximum": size.high / by,
            "default": size.default / by,
            "description": size.note,
        }
        for key in ("minimum", "maximum", "default"):
            out[key] = round(out[key], 6)
        if size.unit == "mm":
            note = out.pop("description")
            out = {
                "description": f"{note}; {out['minimum']:g} to {out['maximum']:g} {unit}",
                "default": out.pop("default"),
                "anyOf": [out, {"$ref": LENGTH_REF}],
            }
        properties[written_name(size)] = out
    return {
        "type": "object",
        "description": f"sizes of {family.name}",
        "properties": properties,
        "additionalProperties": False,
    }
