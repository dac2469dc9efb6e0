"""The wiring: the stages in order. Read this first.

    job text -> job -> solids -> seating, region -> nest -> setup -> toolpaths -> program text -> verdict -> packet

Stages do not know each other; they meet here, in values of `pipeline.model`. Each stage is a function: frozen values
in, a frozen value out, no files, no clock. The verifier sees the text, the setup and the shop, never a toolpath.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace

from pipeline.model.digests import digest
from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.model.part import Part
from pipeline.model.program import Program
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict

UNCHECKED = "NOT CHECKED YET"
RELEASED = "SIMULATED, NO FINDINGS. NOT YET RUN."
RELEASED_WITH_WARNINGS = "SIMULATED, {n} TO READ IN THE PACKET. NOT YET RUN."
FORCED = "REFUSED, WRITTEN BY FORCE"

Watch = Callable[[str], AbstractContextManager[object]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """Everything one run made. `files` is the packet, name to content; no program among them when it was refused."""

    job: Job
    parts: tuple[Part, ...]
    nest: Nest
    setup: Setup
    plan: Plan
    program: Program
    verdict: Verdict
    files: Mapping[str, bytes]


def make(job: Job, *, workers: int = 1, force: bool = False, watch: Watch = lambda name: nullcontext()) -> Made:
    """One job, all the way. `watch(name)` is entered round each stage, for progress and times.

    Raises BadInput when something cannot be nested or planned. A refused program stays out of `files` unless `force`,
    which marks its text. The result does not depend on `workers`.
    """
    from pipeline import gcode, nest, operations, packet, setups, solids, verify

    with watch("solids"):
        parts = solids.build_parts(job.parts, workers=workers)
    with watch("nest"):
        seating = setups.seat(job.billet, job.holding)
        region = setups.nest_region(job, seating)
        gap_mm = job.crib.cutter(job.nest.outline_cutter).diameter_mm + job.nest.margin_mm
        placed = nest.place_parts(
            parts, job.parts, region, gap_mm=gap_mm, seed=job.nest.seed, effort=job.nest.effort, workers=workers
        )
        setup = setups.plan_setup(job, parts, placed, seating)
    shop = {"crib": job.crib, "machine": job.machine, "material": job.material}
    with watch("toolpaths"):
        plan = operations.plan_toolpaths(setup, tolerances=job.tolerances, nest_request=job.nest, **shop)
    job_digest = digest(job)
    with watch("program"):
        program = gcode.write_program(plan, setup, job_name=job.name, job_digest=job_digest, status=UNCHECKED, **shop)
    with watch("verify"):
        verdict = verify.check_program(
            program.text, setup=setup, tolerances=job.tolerances, not_cut=plan.not_cut, workers=workers, **shop
        )
    verdict = replace(
        verdict, findings=verdict.findings + plan.findings
    )  # the planner's own warnings, never its errors
    status = _status(verdict, force=force)
    written = gcode.mark_status(program, status) if status else None
    with watch("packet"):
        files = packet.build_packet(
            job=job,
            job_digest=job_digest,
            parts=parts,
            nest=placed,
            setup=setup,
            plan=plan,
            program=program,
            written=written,
            status=status,
            verdict=verdict,
        )
    return Made(
        job=job, parts=parts, nest=placed, setup=setup, plan=plan, program=program, verdict=verdict, files=files
    )


def _status(verdict: Verdict, *, force: bool) -> str:
    """The line that every page and program carries; empty when nothing may be written."""
    if verdict.verdict == "refused":
        return FORCED if force else ""
    n = len(verdict.findings)
    return RELEASED_WITH_WARNINGS.format(n=f"{n} WARNING" + ("S" if n > 1 else "")) if n else RELEASED
