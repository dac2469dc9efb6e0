"""The wiring: the stages in order. Read this first.

    job text -> job -> solids -> seating, region -> nest -> setup -> toolpaths -> program text -> verdict -> packet

Stages do not know each other; they meet here, in values of `pipeline.model`. Each stage is a function: frozen values
in, a frozen value out, no files, no clock. The verifier sees the text, the setup and the shop, never a toolpath.

Every stage is called as `run(name, inputs, compute)`. That one hook is how a command times the stages, keeps their
values, or takes a value from an earlier run: `inputs` is all that `compute` depends on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Protocol

from pipeline.model.digests import digest
from pipeline.model.job import Job, PartRequest
from pipeline.model.nest import Nest, Silhouette
from pipeline.model.part import Part
from pipeline.model.program import Program
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict

UNCHECKED = "NOT CHECKED YET"
RELEASED = "SIMULATED, NO FINDINGS. NOT YET RUN."
RELEASED_WITH_WARNINGS = "SIMULATED, {n} TO READ IN THE PACKET. NOT YET RUN."
FORCED = "REFUSED, WRITTEN BY FORCE"

Kept = Mapping[str, tuple[tuple[float, float, float], ...]]  # part name -> (x_mm, y_mm, angle_rad) of each copy


class Run(Protocol):
    """How a stage is run. It returns what `compute()` returns, or an equal value from before."""

    def __call__(self, stage: str, inputs: object, compute: Callable[[], Any]) -> Any: ...


def plainly(stage: str, inputs: object, compute: Callable[[], Any]) -> Any:
    """Just run it."""
    return compute()


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


def make(job: Job, *, workers: int = 1, force: bool = False, kept: Kept | None = None, run: Run = plainly) -> Made:
    """One job, all the way. `kept` holds the placements of an earlier nest: those copies stay where they are, copies
    the job asks for beyond them are placed, and nothing is filled in.

    Raises BadInput when something cannot be nested or planned. A refused program stays out of `files` unless `force`,
    which marks its text. The result does not depend on `workers`.
    """
    from pipeline import gcode, nest, operations, packet, setups, solids, verify

    parts = solids.build_parts(job.parts, recall=partial(run, "solids"))

    seating = setups.seat(job.billet, job.holding)
    place = {
        "parts": tuple(Silhouette(name=part.name, outline=part.outline) for part in parts),
        "requests": tuple(_held(request, kept) for request in job.parts),
        "region": setups.nest_region(job, seating),
        "gap_mm": job.crib.cutter(job.nest.outline_cutter).diameter_mm + job.nest.margin_mm,
        "seed": job.nest.seed,
        "effort": job.nest.effort,
        "fill": kept is None,
    }
    placed = run("nest", place, lambda: nest.place_parts(**place, workers=workers))
    setup = setups.plan_setup(job, parts, placed, seating)

    shop = {"crib": job.crib, "machine": job.machine, "material": job.material}
    cut = {"setup": setup, "tolerances": job.tolerances, "nest_request": job.nest, **shop}
    plan = run("toolpaths", cut, lambda: operations.plan_toolpaths(**cut))

    job_digest = digest(job)
    write = {"plan": plan, "setup": setup, "job_name": job.name, "job_digest": job_digest, "serial": job.serial, **shop}
    program = run("program", write, lambda: gcode.write_program(**write, status=UNCHECKED))

    judge = {"setup": setup, "tolerances": job.tolerances, "not_cut": plan.not_cut, **shop}
    verdict = run(
        "verify", (program.text, judge), lambda: verify.check_program(program.text, **judge, workers=workers)
    )
    verdict = replace(
        verdict, findings=verdict.findings + plan.findings
    )  # the planner's own warnings, never its errors
    status = _status(verdict, force=force)
    written = gcode.mark_status(program, status) if status else None
    show = {
        "job": job,
        "job_digest": job_digest,
        "parts": parts,
        "nest": placed,
        "n_kept": sum(len(_held(request, kept).fixed) for request in job.parts) if kept is not None else None,
        "setup": setup,
        "plan": plan,
        "program": program,
        "written": written,
        "status": status,
        "verdict": verdict,
    }
    files = run("packet", show, lambda: packet.build_packet(**show))
    return Made(
        job=job, parts=parts, nest=placed, setup=setup, plan=plan, program=program, verdict=verdict, files=files
    )


def draw_family(name: str, *, units: str) -> str:
    """The drawing (SVG) of a family's part with its default sizes, each dimension named as a job file writes it."""
    from pipeline import packet, solids

    request = PartRequest(name=name, family=name, sizes={}, count=1, value=0.0, rotations_rad=None, fixed=())
    return packet.draw_part(solids.build_parts([request])[0], units=units, names=True)


def _held(request: PartRequest, kept: Kept | None) -> PartRequest:
    """The request as the nest sees it: without the sizes, which the outline holds, and with the places to keep."""
    fixed = request.fixed
    if kept is not None:
        fixed = kept.get(request.name, ())[: request.count]
    return replace(request, family="", sizes={}, fixed=fixed)


def _status(verdict: Verdict, *, force: bool) -> str:
    """The line that every page and program carries; empty when nothing may be written."""
    if verdict.verdict == "refused":
        return FORCED if force else ""
    n = len(verdict.findings)
    return RELEASED_WITH_WARNINGS.format(n=f"{n} WARNING" + ("S" if n > 1 else "")) if n else RELEASED
