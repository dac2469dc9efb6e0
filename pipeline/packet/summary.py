"""The packet in figures, for scripts: `summary.json`. Lengths in mm, times in s, areas in mm2, forces in N.

It holds what a later run needs: the placements to the last bit, so that a nest can be kept, and every operation, so
that two packets can be compared.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Sequence
from typing import Any

from pipeline.model.digests import digest
from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.model.part import Part
from pipeline.model.program import Program
from pipeline.model.remnant import Remnant
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict
from pipeline.packet.remnant import remnant_figures
from pipeline.packet.simulated.figures import simulated

_NUMBERS = re.compile(r"\[\n(?:\s*(?:-?[\d.]+(?:e[-+]?\d+)?|null),?\n)+\s*\]")  # no string of JSON holds a line end


def summarise(
    *,
    job: Job,
    job_digest: str,
    parts: Sequence[Part],
    nest: Nest,
    remnant: Remnant,
    n_kept: int | None,
    setup: Setup,
    plan: Plan,
    program: Program,
    written: Program | None,
    verdict: Verdict,
) -> dict[str, Any]:
    """The summary as plain data, in a fixed key order. `programs[].file` is null when no program was written."""
    placed = Counter(spot.part for spot in nest.placements)
    cutting = sum(t.cutting_s for t in verdict.section_times)
    air = sum(t.air_s for t in verdict.section_times)
    return {
        "job": job.name,
        "title": job.title,
        "serial": job.serial,
        "job_digest": job_digest,
        "units": job.machine.dialect.units,
        "billet": job.billet.name,
        "machine": job.machine.name,
        "verdict": verdict.verdict,
        "simulated": "not yet run",
        "findings": [finding.data() for finding in verdict.findings],
        "placed": {request.name: placed.get(request.name, 0) for request in job.parts},
        "kept_placements": n_kept,
        "not_cut": [
            {
                "part": left.part_id,
                "feature": left.feature_id,
                "operation": left.operation,
                "setup": left.setup,
                "reason": left.reason,
            }
            for left in plan.not_cut
        ],
        "programs": [
            {
                "file": written.file if written else None,
                "setup": program.setup,
                "lines": program.text.count("\n"),
                "cutting_s": round(cutting, 1),
                "air_s": round(air, 1),
                "path_mm": round(verdict.path_mm, 1),
                "cutters": [s.cutter for s in program.sections],
                "operations": _operations(plan, program, verdict),
            }
        ],
        "yield": round(nest.parts_area_mm2 / job.billet.area_mm2, 4),
        "share_of_usable_area": round(nest.parts_area_mm2 / nest.usable_area_mm2, 4),
        "usable_area_mm2": round(nest.usable_area_mm2, 1),
        "parts_area_mm2": round(nest.parts_area_mm2, 1),
        "least_gap_mm": round(nest.least_gap_mm, 4) if len(nest.placements) > 1 else None,
        "least_web_mm": round(nest.least_web_mm, 4) if math.isfinite(nest.least_web_mm) else None,
        "search": {"seed": job.nest.seed, "rounds": nest.rounds, "effort": job.nest.effort},
        "score": round(math.fsum(term.money for term in nest.terms), 2),
        "terms": [
            {
                "term": term.name,
                "mark": round(term.mark, 4),
                "worth": round(term.worth, 2),
                "money": round(term.money, 2),
                "share": round(term.share, 4),
                "why": term.why,
            }
            for term in nest.terms
        ],
        "remnant": remnant_figures(remnant, job=job, has_files=written is not None),
        "thinnest_skin_mm": round(verdict.thinnest_skin_mm, 4),
        "removed_mm3": round(verdict.removed_mm3, 1),
        "parts": {
            part.name: {"family": part.family, "sizes": dict(part.sizes), "solid": digest(part.brep)} for part in parts
        },
        "cutters": {
            str(number): job.crib.cutter(number).name
            for number in sorted({path.operation.cutter for path in plan.toolpaths})
        },
        "holding": {
            "name": job.holding.name,
            "on_the_bed": {b.name: [b.kind, digest((b.outline, b.height_mm))] for b in setup.blocks},
            "billet_lies": digest((setup.seating.setup_from_billet, setup.billet)),
            "skin_mm": setup.z.skin_mm,
            "stock_below_mm": setup.z.stock_below_mm,
            "top_mm": setup.z.top_mm,
        },
        "placements": [
            {
                "part": spot.part_id,
                "kind": spot.part,
                "x_mm": spot.billet_from_part.shift_mm[0],
                "y_mm": spot.billet_from_part.shift_mm[1],
                "angle_rad": spot.billet_from_part.angle_rad,
            }
            for spot in nest.placements
        ],
        **simulated(verdict, job.tolerances),
    }


def as_text(summary: dict[str, Any]) -> str:
    """The summary as JSON, a list of numbers on one line."""
    text = json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False)
    return _NUMBERS.sub(lambda found: " ".join(found[0].split()).replace("[ ", "[").replace(" ]", "]"), text) + "\n"


def _operations(plan: Plan, program: Program, verdict: Verdict) -> list[dict[str, Any]]:
    """Every operation in cutting order with what a machinist would compare."""
    spent: dict[str, float] = {}
    for span in program.index:
        seconds = float(verdict.line_seconds[span.first_line - 1 : span.last_line].sum())
        spent[span.operation_id] = spent.get(span.operation_id, 0.0) + seconds
    return [
        {
            "id": op.id,
            "cutter": op.cutter,
            "rpm": round(op.spindle_rpm, 1),
            "feed_mm_min": round(op.feed_mm_min, 2),
            "top_z_mm": round(op.top_z_mm, 5),
            "bottom_z_mm": round(op.bottom_z_mm, 5),
            "seconds": round(spent.get(op.id, 0.0), 1),
        }
        for op in (path.operation for path in plan.toolpaths)
    ]
