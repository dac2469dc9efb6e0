"""The packet in figures, for scripts: `summary.json`. Lengths in mm, times in s, areas in mm2."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from typing import Any

from pipeline.model.job import Job
from pipeline.model.loop import Loop
from pipeline.model.nest import Nest
from pipeline.model.program import Program
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict


def summarise(
    *, job: Job, job_digest: str, nest: Nest, plan: Plan, program: Program, written: Program | None, verdict: Verdict
) -> dict[str, Any]:
    """The summary as plain data, in a fixed key order. `programs[].file` is null when no program was written."""
    placed = Counter(spot.part for spot in nest.placements)
    cutting = sum(t.cutting_s for t in verdict.section_times)
    air = sum(t.air_s for t in verdict.section_times)
    return {
        "job": job.name,
        "job_digest": job_digest,
        "verdict": verdict.verdict,
        "simulated": "not yet run",
        "findings": [{k: v for k, v in asdict(f).items() if v is not None and v != ""} for f in verdict.findings],
        "placed": {request.name: placed.get(request.name, 0) for request in job.parts},
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
            }
        ],
        "yield": round(nest.parts_area_mm2 / Loop.polygon(job.billet.outline).area_mm2, 4),
        "share_of_usable_area": round(nest.parts_area_mm2 / nest.usable_area_mm2, 4),
        "usable_area_mm2": round(nest.usable_area_mm2, 1),
        "parts_area_mm2": round(nest.parts_area_mm2, 1),
        "least_gap_mm": round(nest.least_gap_mm, 4) if len(nest.placements) > 1 else None,
        "thinnest_skin_mm": round(verdict.thinnest_skin_mm, 4),
        "removed_mm3": round(verdict.removed_mm3, 1),
        "placements": [
            {
                "part": spot.part_id,
                "x_mm": round(spot.billet_from_part.shift_mm[0], 6),
                "y_mm": round(spot.billet_from_part.shift_mm[1], 6),
                "angle_rad": round(spot.billet_from_part.angle_rad, 9),
            }
            for spot in nest.placements
        ],
    }
