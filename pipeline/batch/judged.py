"""What is said of a program's text that was judged by a job: for people in lines, for scripts as plain data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pipeline.batch.folder import kept_nest, packet_of
from pipeline.batch.report import counted
from pipeline.errors import BadInput
from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.stages import Judged

_MOST_DIFFERENT = 25  # differences before the rest is only counted
_SAME_PLACE = 5e-4  # mm and rad: closer than any reader of a program could tell


def judged_words(judged: Judged, program: Path, job: Job, *, cell_mm: float | None, keeps_nest: bool) -> Iterator[str]:
    """Lines for people, below the findings and the verdict. `keeps_nest`: the nest was taken from a packet."""
    setup = judged.drafted.setup.name
    quick = f", quick: cells of {cell_mm:g} mm, coarser than make's" if cell_mm is not None else ""
    yield f"judged by {job.name}, {setup}{quick}"
    if not judged.text_digest:
        yield f"its header names no job digest; this job's is {judged.job_digest[:12]}"
    elif judged.text_digest != judged.job_digest:
        yield (
            f"NOT made from this job as it is now: job digest {judged.text_digest[:12]} in its header, this job's is "
            f"{judged.job_digest[:12]}. The job, its shop files or sizes have changed since, or it is another's."
        )
    other = None if keeps_nest else _packet_with_other_nest(program, judged.drafted.nest)
    if other is not None:
        yield f"its packet has another nest than the one made now; to judge it by its own: --keep-nest {other}"
    different = [one for one in judged.different if one.sort != "same"]
    n_same = len(judged.different) - len(different)
    n = len({path.operation.id for path in judged.drafted.plan.toolpaths})
    yield f"operations as the tool would write them: {n_same} of {n}"
    for one in different[:_MOST_DIFFERENT]:
        yield f"  {one}"
    if len(different) > _MOST_DIFFERENT:
        yield f"  and {counted(len(different) - _MOST_DIFFERENT, 'difference')} more"


def judged_data(judged: Judged, program: Path, job: Job, *, cell_mm: float | None) -> dict[str, Any]:
    """The same for scripts. `cell_mm` is null when the stock was simulated as finely as make does."""
    verdict = judged.verdict
    return {
        "program": program.name,
        "job": job.name,
        "setup": judged.drafted.setup.name,
        "verdict": verdict.verdict,
        "simulated": "not yet run",
        "cell_mm": cell_mm,
        "job_digest": judged.job_digest,
        "program_job_digest": judged.text_digest or None,
        "findings": [finding.data() for finding in verdict.findings],
        "operations": [asdict(one) for one in judged.different],
        "thinnest_skin_mm": round(verdict.thinnest_skin_mm, 4),
        "removed_mm3": round(verdict.removed_mm3, 1),
        "lines": len(verdict.line_seconds),
        "seconds": round(float(verdict.line_seconds.sum()), 1),
        "not_checked": list(verdict.not_checked),
    }


def _packet_with_other_nest(program: Path, nest: Nest) -> Path | None:
    """The packet that the program lies in, when its parts lie elsewhere than in this nest."""
    packet = packet_of(program)
    if packet is None:
        return None
    try:
        kept = kept_nest(packet, {spot.part for spot in nest.placements})
    except BadInput:  # of another version, or with parts that this job has not: it cannot be kept
        return None
    made: dict[str, list[tuple[float, float, float]]] = {}
    for spot in nest.placements:
        pose = spot.billet_from_part
        made.setdefault(spot.part, []).append((*pose.shift_mm[:2], pose.angle_rad))
    there = [(kind, *place) for kind in sorted(kept) for place in kept[kind]]
    now = [(kind, *place) for kind in sorted(made) for place in made[kind]]
    same = len(there) == len(now) and all(
        a[0] == b[0] and all(abs(x - y) <= _SAME_PLACE for x, y in zip(a[1:], b[1:], strict=True))
        for a, b in zip(there, now, strict=True)
    )
    return None if same else packet
