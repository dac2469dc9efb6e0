"""What the page says of the simulation: the hold, what the cutters feel, parts as simulated. Values for templates."""

from __future__ import annotations

import itertools
import math
from typing import Any

from pipeline.model.job import Job
from pipeline.model.program import Program
from pipeline.model.setup import Setup
from pipeline.model.shop import Crib, CutterKind, Hold
from pipeline.model.verdict import HoldingResult, Loads, Verdict, WorstPlace
from pipeline.packet.nest_places import draw_places
from pipeline.packet.sheet.program import Numbers
from pipeline.packet.simulated.features import SizeRow, size_rows, tally, unmeasured
from pipeline.packet.simulated.hold import freed_rows, hold_facts, never_freed, rounded_down
from pipeline.packet.simulated.maps import COLOURS, draw_maps, limits_mm
from pipeline.packet.simulated.stretches import flags_of, load_rows, name_of, start_of, worst_places
from pipeline.packet.simulated.timeline import columns, draw_timeline, timeline_json, times_of_worst

# head, class of its column, how it sorts
_HEADS = (
    ("T", "", "number"),
    ("line", "n", "number"),
    ("operation and parts", "", "text"),
    ("min in cut", "n", "number"),
    ("arc, mean", "n", "number"),
    ("arc, peak", "n", "number"),
    ("deep", "n", "number"),
    ("chip", "n", "number"),
    ("{volume}/min", "n", "number"),
    ("force, N", "n", "number"),
    ("torque, N m", "n", "number"),
    ("power, W", "n", "number"),
    ("bends", "n", "number"),
    ("hold", "n", "number"),
    ("skin", "n", "number"),
)


def simulated_values(job: Job, setup: Setup, program: Program, verdict: Verdict, units: str) -> dict[str, Any]:
    """What the three sections of the page are drawn from; None or empty where nothing was worked out."""
    needed = sum(mm for _, mm in verdict.skin_stack)
    sizes = size_rows(verdict.features, _families(setup))
    measured = [row for row in sizes if row.is_within is not None]
    hold = verdict.holding
    return {
        "hold": hold_facts(hold, setup.blocks, verdict.findings) if hold else None,
        "freed": freed_rows(hold.freed) if hold else [],
        "stay_tied": never_freed(hold.freed) if hold else "",
        "skin_needed": needed,
        "forces_found": any(finding.code.startswith("V67") for finding in verdict.findings),
        "felt": _felt(verdict.loads, job.crib, setup, program, verdict, units) if verdict.loads else None,
        "maps": draw_maps(verdict.maps, setup, job.tolerances),
        "map_key": _map_key(job, units),
        "map_limits": (-job.tolerances.floor_mm, job.tolerances.left_mm),
        "sizes": [(kind, list(rows)) for kind, rows in itertools.groupby(measured, key=lambda row: row.kind)],
        "unmeasured": unmeasured(sizes),
        "tally": tally(verdict.features),
    }


def _families(setup: Setup) -> dict[str, str]:
    return {spot.part_id: spot.part.family for spot in setup.parts}


def _felt(loads: Loads, crib: Crib, setup: Setup, program: Program, verdict: Verdict, units: str) -> dict[str, Any]:
    drills = frozenset(one.number for one in crib.cutters if one.kind in (CutterKind.DRILL, CutterKind.SPOT))
    worst = worst_places(loads, drills)
    at = columns(loads)
    hold = verdict.holding
    drawing = draw_timeline(
        at,
        loads,
        units=units,
        targets=_targets(hold, setup.hold) if hold else (),
        skin_mm=setup.z.skin_mm,
        skin_needed_mm=sum(mm for _, mm in verdict.skin_stack),
        flags=flags_of(worst, times_of_worst(at)),
    )
    names = [name_of(one.heading) for one in loads.stretches]
    volume = "in³" if units == "in" else "cm³"
    return {
        "drawing": drawing,
        "data": timeline_json(at, loads, names=names),
        "step_s": at.step_s,
        "uncertainty": loads.uncertainty,
        "assumed": loads.assumed,
        "rows": load_rows(loads, _families(setup)),
        "heads": [(head.format(volume=volume), kind, sort) for head, kind, sort in _HEADS],
        "worst": [
            {
                "number": one.number,
                "what": one.what,
                "place": one.place,
                "name": name_of(one.place.heading),
                "start": start_of(program, one.place.line),
            }
            for one in worst
        ],
        "plate": draw_places(
            setup,
            [(one.place.at_mm[0], one.place.at_mm[1], one.number) for one in worst],
            title="Where loads are at their worst",
        ),
    }


def _targets(result: HoldingResult, hold: Hold | None) -> list[tuple[float, str]]:
    """The safety factors asked for with what for; those that are equal are one."""
    if hold is None:
        return [(result.target, "")]
    asked: dict[float, list[str]] = {}
    for value, words in (
        (hold.safety_rough, "roughing"),
        (hold.safety_finish, "finishing"),
        (hold.safety_tilt, "tipping"),
    ):
        asked.setdefault(value, []).append(words)
    return [(value, ", ".join(words)) for value, words in asked.items()]


def _map_key(job: Job, units: str) -> list[dict[str, str]]:
    """Colours with the deviations they stand for, from the deepest to the most left."""
    n = Numbers(units=units)
    bounds = [f"{value:+.{n.places}f}" for value in (mm / n.mm_per_unit for mm in limits_mm(job.tolerances))]
    words = [f"below {bounds[0]}", *(f"{a} to {b}" for a, b in itertools.pairwise(bounds))]
    words.append(f"above {bounds[-1]}")
    return [
        {"colour": "#{:02x}{:02x}{:02x}".format(*colour), "words": said}
        for colour, said in zip(COLOURS, words, strict=True)
    ]


def amount(place: WorstPlace, units: str) -> str:
    """A worst value with its unit, as the page says it; lengths in the unit of the control."""
    if place.unit == "mm":
        n = Numbers(units=units)
        return f"{n.exact(place.value)} {units}"
    places = {"N": 0, "deg": 0, "W": 0, "N m": 2}.get(place.unit, 2)
    value = rounded_down(place.value) if place.quantity == "holding" else place.value
    unit = {"deg": "degrees"}.get(place.unit, place.unit)
    return f"{value:.{places}f} {unit}".strip()


def factor(value: float) -> str:
    """A safety factor, rounded down; nothing where no force pulls at the hold."""
    return f"{rounded_down(value):.2f}" if math.isfinite(value) else ""


def size(row: SizeRow, value: float, units: str) -> str:
    """A measured size in the unit of the control, as exact as the page is; numbers without a unit stay."""
    return f"{value:g}" if row.unit == "" else Numbers(units=units).exact(value)
