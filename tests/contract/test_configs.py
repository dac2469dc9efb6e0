"""Every file of configs/: it reads, its figures say where they come from, and they lie in the bands of the trade.

Bands and values here are from outside; each table says from where. "common practice" has no source.
"""

from __future__ import annotations

import json
import math
import re
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import shapely
import yaml

from pipeline import setups
from pipeline.job import check_job, job_schema
from pipeline.model.job import Job
from pipeline.model.shop import Cutter, CutterKind

CONFIGS = Path(__file__).parents[2] / "configs"
JOBS = sorted(path.stem for path in (CONFIGS / "jobs").glob("*.yaml"))
FILES = sorted(path.relative_to(CONFIGS).as_posix() for path in CONFIGS.rglob("*.yaml"))


@cache
def job_of(name: str) -> Job:
    """The job, which must have neither errors nor warnings."""
    checked = check_job(CONFIGS / "jobs" / f"{name}.yaml")
    assert checked.findings == (), [str(finding) for finding in checked.findings]
    assert checked.job is not None
    return checked.job


ALL_CUTTERS = [(name, cutter.number) for name in JOBS for cutter in job_of(name).crib.cutters]


def test_every_shop_file_is_used_by_a_job() -> None:
    used = set()
    for name in JOBS:
        job = job_of(name)
        used |= {f"jobs/{name}.yaml", f"billets/{job.billet.name}.yaml", f"machines/{job.machine.name}.yaml",
                 f"cribs/{job.crib.name}.yaml", f"holdings/{job.holding.name}.yaml",
                 f"materials/{job.material.name}.yaml"}  # fmt: skip
    assert used == set(FILES)


@pytest.mark.parametrize("file", FILES)
def test_figures_say_where_they_come_from(file: str) -> None:
    text = (CONFIGS / file).read_text()
    assert re.search(r"INVENTED|our shop's|common practice|from memory|table \d", text)


def test_every_family_appears_in_a_job() -> None:
    from pipeline.families import scan

    assert {part.family for name in JOBS for part in job_of(name).parts} == set(scan())


# --- the schema for editors ------------------------------------------------------------------------------------------


def test_the_schema_file_is_what_the_tables_say() -> None:
    """Write it anew with: python -m pipeline schema > configs/job.schema.json"""
    assert json.loads((CONFIGS / "job.schema.json").read_text()) == job_schema()


@pytest.mark.parametrize("name", JOBS)
def test_every_job_names_the_schema(name: str) -> None:
    first = (CONFIGS / "jobs" / f"{name}.yaml").read_text().splitlines()[0]
    match = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
    assert match and (CONFIGS / "jobs" / match[1]).resolve() == (CONFIGS / "job.schema.json").resolve()


def faults(value: Any, schema: dict[str, Any], root: dict[str, Any], at: str = "") -> list[str]:
    """The part of JSON Schema (draft 2020-12) that our schema uses, written for this test from the specification."""
    known = {"$schema", "$defs", "$ref", "title", "description", "default", "type", "enum", "const", "pattern",
             "minimum", "maximum", "minLength", "maxLength", "properties", "required", "additionalProperties",
             "propertyNames", "minProperties", "items", "minItems", "maxItems", "anyOf", "allOf", "not", "if",
             "then"}  # fmt: skip
    assert set(schema) <= known, f"{at}: this test does not know {set(schema) - known}"
    out: list[str] = []

    def is_valid(part: dict[str, Any]) -> bool:
        return not faults(value, part, root, at)

    if "$ref" in schema:
        out += faults(value, root["$defs"][schema["$ref"].removeprefix("#/$defs/")], root, at)
    kinds = {"object": dict, "array": list, "string": str, "boolean": bool, "integer": int, "number": (int, float)}
    if "type" in schema:
        wanted = kinds[schema["type"]]
        if not isinstance(value, wanted) or (isinstance(value, bool) and schema["type"] != "boolean"):
            return [*out, f"{at}: {value!r} is no {schema['type']}"]
    if "enum" in schema and value not in schema["enum"]:
        out.append(f"{at}: {value!r} is none of {schema['enum']}")
    if "const" in schema and value != schema["const"]:
        out.append(f"{at}: {value!r} is not {schema['const']!r}")
    if isinstance(value, str):
        if "pattern" in schema and not re.search(schema["pattern"], value):
            out.append(f"{at}: {value!r} does not match")
        if not schema.get("minLength", 0) <= len(value) <= schema.get("maxLength", math.inf):
            out.append(f"{at}: length of text")
    low, high = schema.get("minimum", -math.inf), schema.get("maximum", math.inf)
    if isinstance(value, (int, float)) and not low <= value <= high:
        out.append(f"{at}: {value} is out of bounds")
    if isinstance(value, list):
        if not schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", math.inf):
            out.append(f"{at}: number of items")
        for index, item in enumerate(value):
            out += faults(item, schema.get("items", {}), root, f"{at}/{index}")
    if isinstance(value, dict):
        out += [f"{at}: {key} is missing" for key in schema.get("required", ()) if key not in value]
        if len(value) < schema.get("minProperties", 0):
            out.append(f"{at}: too few keys")
        for key, item in value.items():
            out += faults(key, schema.get("propertyNames", {}), root, f"{at}/{key}")
            if key in schema.get("properties", {}):
                out += faults(item, schema["properties"][key], root, f"{at}/{key}")
            elif schema.get("additionalProperties") is False:
                out.append(f"{at}: {key} is unknown")
            elif isinstance(schema.get("additionalProperties"), dict):
                out += faults(item, schema["additionalProperties"], root, f"{at}/{key}")
    if "anyOf" in schema and not any(is_valid(part) for part in schema["anyOf"]):
        out.append(f"{at}: {value!r} fits none of anyOf")
    for part in schema.get("allOf", ()):
        out += faults(value, part, root, at)
    if "not" in schema and is_valid(schema["not"]):
        out.append(f"{at}: what must not be")
    if "if" in schema and is_valid(schema["if"]):
        out += faults(value, schema.get("then", {}), root, at)
    return out


@pytest.mark.parametrize("name", JOBS)
def test_every_job_fits_the_schema(name: str) -> None:
    schema = job_schema()
    assert faults(yaml.safe_load((CONFIGS / "jobs" / f"{name}.yaml").read_text()), schema, schema) == []


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (("titel",), "A knife", "titel is unknown"),
        (("units",), "cm", "none of"),
        (("z", "skin"), "thin", "fits none"),
        (("z", "zero"), "middle", "none of"),
        (("parts", "clip", "count"), "some", "fits none"),
        (("parts", "clip", "family"), "clipp", "none of"),
        (("parts", "clip", "sizes", "length"), 1.9, "fits none"),
        (("parts", "clip", "sizes", "lenght"), 48, "lenght is unknown"),
        (("parts", "stud", "sizes", "thread"), "4-40", "none of"),
        (("nest", "outline_cutter"), 3.5, "no integer"),
    ],
)
def test_the_schema_sees_faults(path: tuple[str, ...], value: Any, words: str) -> None:
    schema = job_schema()
    job = yaml.safe_load((CONFIGS / "jobs" / "grafting-pair.yaml").read_text())
    place = job
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    assert any(words in fault for fault in faults(job, schema, schema))


def test_a_job_that_is_based_on_another_needs_nothing_else() -> None:
    schema = job_schema()
    assert faults({"based_on": "grafting-pair"}, schema, schema) == []
    assert any("title is missing" in fault for fault in faults({}, schema, schema))


# --- cutters ---------------------------------------------------------------------------------------------------------

# Coated carbide end mills in Ti-6Al-4V, flood: (D in, ft/min low and high, in/tooth low and high, slot depth / D).
# Common practice, no source.
MILL_STARTS = [(1 / 16, 100, 180, 0.0002, 0.0004, 0.25), (1 / 8, 100, 200, 0.0004, 0.0008, 0.25),
               (1 / 4, 120, 250, 0.0008, 0.0015, 0.40)]  # fmt: skip
M_PER_FT = 0.3048


def between(diameter_in: float, column: int) -> float:
    """A column of MILL_STARTS: straight lines between its rows; under the first, chip load in proportion to D."""
    rows = MILL_STARTS
    if diameter_in <= rows[0][0]:
        return rows[0][column] * (diameter_in / rows[0][0] if column in (3, 4) else 1.0)
    for low, high in pairwise(rows):
        if diameter_in <= high[0]:
            t = (diameter_in - low[0]) / (high[0] - low[0])
            return low[column] + t * (high[column] - low[column])
    return rows[-1][column]


def cutter_of(where: tuple[str, int]) -> Cutter:
    return job_of(where[0]).crib.cutter(where[1])


MILLS = [where for where in ALL_CUTTERS if cutter_of(where).kind in (CutterKind.FLAT, CutterKind.BALL)]
DRILLS = [where for where in ALL_CUTTERS if cutter_of(where).kind is CutterKind.DRILL]


@pytest.mark.parametrize("where", MILLS)
def test_start_values_of_mills(where: tuple[str, int]) -> None:
    cutter = cutter_of(where)
    diameter = cutter.diameter_mm / 25.4
    assert between(diameter, 1) * M_PER_FT <= cutter.surface_speed_m_min <= between(diameter, 2) * M_PER_FT
    noise = 1e-9
    assert between(diameter, 3) * 25.4 - noise <= cutter.chip_load_mm <= between(diameter, 4) * 25.4 + noise
    assert cutter.stepdown_mm <= between(diameter, 5) * cutter.diameter_mm


@pytest.mark.parametrize("where", MILLS)
def test_chips_of_mills_are_thick_enough(where: tuple[str, int]) -> None:
    """hmax = fz 2 sqrt(q (1 - q)) at a width of q = 0.1 D must exceed 0.3 of the edge's radius, else the edge rubs
    (geometry; the limit is common practice, no source)."""
    cutter = cutter_of(where)
    hmax = cutter.chip_load_mm * 2 * math.sqrt(0.1 * 0.9)
    assert hmax >= 0.3 * cutter.edge_radius_mm


@pytest.mark.parametrize("where", DRILLS)
def test_start_values_of_drills(where: tuple[str, int]) -> None:
    """Feed 0.5 to 1.2 percent of D per turn, peck 0.018 in at 3/32 in within 35 percent: common practice, no source.
    Cobalt in alloyed titanium 12 m/min, point 135 degrees: El-Hofy, Fundamentals of Machining Processes, table 5.4."""
    cutter = cutter_of(where)
    assert 0.005 <= cutter.chip_load_mm / cutter.diameter_mm <= 0.012
    share = cutter.peck_mm / cutter.diameter_mm
    assert abs(share / (0.018 / (3 / 32)) - 1) <= 0.35
    assert math.degrees(cutter.point_angle_rad) == pytest.approx(135)
    if cutter.substrate == "cobalt":
        assert cutter.surface_speed_m_min <= 12


@pytest.mark.parametrize("where", ALL_CUTTERS)
def test_the_spindle_runs_every_cutter(where: tuple[str, int]) -> None:
    job, cutter = job_of(where[0]), cutter_of(where)
    rpm = 1000 * cutter.surface_speed_m_min * job.material.speed_factor / (math.pi * cutter.diameter_mm)
    assert job.machine.spindle_low_rpm <= rpm
    low, high = job.material.speed_band_m_min[cutter.substrate]
    speed = min(rpm, job.machine.spindle_high_rpm) * math.pi * cutter.diameter_mm / 1000
    assert low <= speed <= high  # also where the spindle is too slow for the speed wished for


@pytest.mark.parametrize("name", JOBS)
def test_drills_for_the_threads_that_are_drilled(name: str) -> None:
    """Minor diameter limits of class 2B (ASME B1.1): 4-40 .0849 to .0939 in, 2-56 .0667 to .0737 in."""
    drills = [c.diameter_mm / 25.4 for c in job_of(name).crib.cutters if c.kind is CutterKind.DRILL]
    for low, high in ((0.0849, 0.0939), (0.0667, 0.0737)):
        assert any(low < drill < high for drill in drills)


# --- material, machine -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", JOBS)
def test_material(name: str) -> None:
    """kc1.1 1400 N/mm2, mc 0.23 for Ti-6Al-4V within 15 percent (tool-makers' tables, from memory); density between
    Ti-6Al-4V 4.43 and pure titanium 4.51 g/cm3 (MMPDS)."""
    material = job_of(name).material
    assert material.kc11_n_mm2 == pytest.approx(1400, rel=0.15) and material.mc == pytest.approx(0.23, rel=0.15)
    assert 4.42 <= material.density_g_cm3 <= 4.52


@pytest.mark.parametrize("name", JOBS)
def test_the_machine_reaches_all_of_the_bed(name: str) -> None:
    job = job_of(name)
    machine = job.machine
    outline = setups.seat(job.billet, job.holding).setup_from_billet.points(job.billet.outline)
    for axis in (0, 1):
        low, high = outline[:, axis].min() - 10, outline[:, axis].max() + 10
        assert machine.travel_low_mm[axis] <= machine.bed_origin_mm[axis] + low
        assert machine.bed_origin_mm[axis] + high <= machine.travel_high_mm[axis]
    longest = max(cutter.stickout_mm for cutter in job.crib.cutters)
    highest = max(block.height_mm for block in job.holding.blocks) + 25
    assert machine.bed_origin_mm[2] + highest + longest <= machine.travel_high_mm[2]
    assert machine.dialect.pockets < len(job.crib.cutters)


def test_the_two_dialects_differ() -> None:
    metric, inch = (job_of(name).machine.dialect for name in ("grafting-pair", "budding-small"))
    assert (metric.units, inch.units) == ("mm", "in")
    assert metric.canned_cycles and not inch.canned_cycles
    assert (metric.tool_change, inch.tool_change) == ("changer", "by hand")
    assert inch.linear_decimals >= 5  # four places break the arc rule of RS274/NGC, 0.0002 in, after rounding


# --- billet and holding ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", JOBS)
def test_the_billet_lies_on_its_holding(name: str) -> None:
    job = job_of(name)
    seating = setups.seat(job.billet, job.holding)
    x, y, angle = job.holding.nominal_pose
    at = seating.setup_from_billet
    assert math.hypot(at.shift_mm[0] - x, at.shift_mm[1] - y) < 0.5 and abs(at.angle_rad - angle) < math.radians(0.1)
    plate = shapely.Polygon(at.points(job.billet.outline))
    band = shapely.LinearRing(job.holding.gasket).buffer(job.holding.gasket_width_mm / 2)
    assert plate.contains(band) and plate.exterior.distance(band) > 1.0
    for block in job.holding.blocks:
        shape = shapely.Polygon(block.outline)
        assert block.kind == "clamp" or not shape.intersects(band), block.name  # a clamp presses from above
        deep = shape.intersection(plate)
        if block.kind == "clamp":
            assert not deep.is_empty, block.name
            reach = max(plate.exterior.distance(shapely.Point(point)) for point in deep.exterior.coords)
            assert reach <= 4.5, block.name  # it presses on the rim, no more
        else:
            assert deep.is_empty, block.name
    assert len(job.billet.outline) >= 40
    assert all(shapely.Polygon(job.billet.outline).contains(shapely.Polygon(defect)) for defect in job.billet.defects)


@pytest.mark.parametrize("name", JOBS)
def test_counted_parts_take_half_of_what_is_usable(name: str) -> None:
    """The example jobs are worth nesting: handles and clips fill at least half of the room, studs fill the rest."""
    from pipeline.families import scan

    job = job_of(name)
    region = setups.nest_region(job, setups.seat(job.billet, job.holding))
    room = shapely.Polygon(region.outline)
    for _, polygon, gap in region.keepouts:
        room = room.difference(shapely.Polygon(polygon).buffer(gap))
    area = sum(scan()[p.family].build(p.sizes).outline.area_mm2 * p.count for p in job.parts if p.count is not None)
    assert 0.5 * room.area <= area <= room.area
    assert any(part.count is None for part in job.parts)
