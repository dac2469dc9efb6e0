"""The wiring: the stages in order. Read this first.

    job text -> job -> solids -> seating, region -> nest -> setup -> toolpaths -> program text -> verdict
    -> remnant -> packet

and back from the verdict to the toolpaths, at most ROUNDS times: what was found too much for a cutter or for the hold
lowers feeds, and the new text is read and cut anew.

Stages do not know each other; they meet here, in values of `pipeline.model`. Each stage is a function: frozen values
in, a frozen value out, no files, no clock. The verifier sees the text, the setup and the shop, never a toolpath.

Every stage is called as `run(name, inputs, compute)`. That one hook is how a command times the stages, keeps their
values, or takes a value from an earlier run: `inputs` is all that `compute` depends on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Protocol

from pipeline.errors import Bug
from pipeline.model.digests import digest
from pipeline.model.feedback import Cap, Feedback
from pipeline.model.job import Job, PartRequest
from pipeline.model.nest import Nest, Progress, Silhouette, SmallerCutter
from pipeline.model.nest_check import NestCheck
from pipeline.model.part import Part
from pipeline.model.program import Program
from pipeline.model.setup import Seating, Setup
from pipeline.model.shop import CutterKind
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import LineCap, Verdict
from pipeline.verify.differences import Difference, differences, job_digest_in

ROUNDS = 2  # of feedback: later ones would only chase the last hundredth of a feed
QUICK_CELL_MM = 0.05  # of the stock, for a quick look: coarser than the verifier's own
UNCHECKED = "NOT CHECKED YET"
RELEASED = "SIMULATED, NO FINDINGS. NOT YET RUN."
RELEASED_WITH_WARNINGS = "SIMULATED, {n} TO READ IN THE PACKET. NOT YET RUN."
FORCED = "REFUSED, WRITTEN BY FORCE"
_MOST_FAULTS = 5  # told of a nest that is wrong

Kept = Mapping[str, tuple[tuple[float, float, float], ...]]  # part name -> (x_mm, y_mm, angle_rad) of each copy
Stop = Callable[[], bool]
Tell = Callable[[Progress], None]


class Run(Protocol):
    """How a stage is run. It returns what `compute()` returns, or an equal value from before."""

    def __call__(self, stage: str, inputs: object, compute: Callable[[], Any]) -> Any: ...


def plainly(stage: str, inputs: object, compute: Callable[[], Any]) -> Any:
    """Just run it."""
    return compute()


@dataclass(frozen=True, slots=True, kw_only=True)
class Drafted:
    """A job as far as its checked program. The verdict is on `program.text`, without the planner's warnings."""

    parts: tuple[Part, ...]
    nest: Nest
    n_kept: int | None  # placements taken from an earlier nest; None when nothing was to be kept
    setup: Setup
    plan: Plan
    program: Program
    verdict: Verdict


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """Somebody's program text, judged against a job. `drafted` is what the tool would have written, `different` how the
    text differs from it, in the order of its operations; an operation without a difference is among them, too."""

    verdict: Verdict
    drafted: Drafted
    different: tuple[Difference, ...]
    job_digest: str
    text_digest: str  # the job digest in the text's header, empty when there is none


def draft(
    job: Job, *, cell_mm: float | None = None, workers: int = 1, kept: Kept | None = None, run: Run = plainly,
    stop: Stop | None = None, tell: Tell | None = None,
) -> Drafted:  # fmt: skip
    """One job as far as its checked program. `kept` holds the placements of an earlier nest: those copies stay where
    they are, copies the job asks for beyond them are placed, and nothing is filled in. `cell_mm` is the cell of the
    simulated stock, the verifier's own when not given. `stop` is asked after each round of the nest's search whether to
    end it with the best so far, `tell` hears how far it is.

    Raises BadInput when something cannot be nested or planned, and Bug when the independent check finds the nest made
    here wrong. The result does not depend on `workers`, and without `stop` on nothing but the job and `kept`.
    """
    from pipeline import gcode, nest, operations, setups, solids, verify

    parts = solids.build_parts(job.parts, recall=partial(run, "solids"))

    seating = setups.seat(job.billet, job.holding)
    place = {
        "parts": _silhouettes(parts),
        "requests": tuple(_held(request, kept) for request in job.parts),
        "region": setups.nest_region(job, seating),
        "gap_mm": job.crib.cutter(job.nest.outline_cutter).diameter_mm + job.nest.margin_mm,
        "seed": job.nest.seed,
        "effort": job.nest.effort,
        "fill": kept is None,
        "worth": job.nest.worth,
        "web_mm": job.nest.web_mm,
        "smaller_cutters": tuple(_smaller_cutters(job, seating)),
    }
    placed = run("nest", place, lambda: nest.place_parts(**place, workers=workers, stop=stop, tell=tell))
    asked = {key: place[key] for key in ("parts", "requests", "region", "gap_mm", "fill")}
    _require(verify.check_nest(placed, **asked))
    setup = setups.plan_setup(job, parts, placed, seating)

    shop = {"crib": job.crib, "machine": job.machine, "material": job.material}
    feedback, before = Feedback(), ""
    for n in range(ROUNDS + 1):
        cut = {
            "setup": setup, "tolerances": job.tolerances, "nest_request": job.nest, "feedback": feedback, **shop
        }  # fmt: skip
        plan = run("toolpaths", cut, lambda cut=cut: operations.plan_toolpaths(**cut))
        write = {
            "plan": plan, "setup": setup, "job_name": job.name, "job_digest": digest(job), "serial": job.serial, **shop
        }  # fmt: skip
        program = run("program", write, lambda write=write: gcode.write_program(**write, status=UNCHECKED))
        if program.text == before:
            break  # every feed is as low as it may be
        verdict = _judge(program.text, _terms(job, setup, plan, cell_mm), workers=workers, run=run)
        before, again = program.text, _fed_back(feedback, program, verdict.caps)
        if n == ROUNDS or again == feedback:
            break
        feedback = again
    return Drafted(
        parts=parts,
        nest=placed,
        n_kept=sum(len(_held(request, kept).fixed) for request in job.parts) if kept is not None else None,
        setup=setup,
        plan=plan,
        program=program,
        verdict=verdict,
    )


def make(
    job: Job, *, workers: int = 1, force: bool = False, kept: Kept | None = None, run: Run = plainly,
    stop: Stop | None = None, tell: Tell | None = None,
) -> Made:  # fmt: skip
    """One job, all the way; `kept`, `stop`, `tell` and what is raised as for `draft`. A refused program stays out of
    `files` unless `force`, which marks its text. The result does not depend on `workers`.
    """
    from pipeline import gcode, nest, packet

    drafted = draft(job, workers=workers, kept=kept, run=run, stop=stop, tell=tell)
    program, plan = drafted.program, drafted.plan
    # the nest's and the planner's own warnings, never their errors
    verdict = replace(drafted.verdict, findings=drafted.verdict.findings + drafted.nest.findings + plan.findings)
    status = _status(verdict, force=force)
    rest = {
        "setup": drafted.setup,
        "plan": plan,
        "billet": job.billet,
        "crib": job.crib,
        "tolerances": job.tolerances,
        "nest_request": job.nest,
        "parts": _silhouettes(drafted.parts),
        "requests": tuple(_held(request, None) for request in job.parts),
    }
    remnant = run("remnant", rest, lambda: nest.find_remnant(**rest))
    written = gcode.mark_status(program, status) if status else None
    show = {
        "job": job,
        "job_digest": digest(job),
        "parts": drafted.parts,
        "nest": drafted.nest,
        "remnant": remnant,
        "n_kept": drafted.n_kept,
        "setup": drafted.setup,
        "plan": plan,
        "program": program,
        "written": written,
        "status": status,
        "verdict": verdict,
    }
    files = run("packet", show, lambda: packet.build_packet(**show))
    return Made(
        job=job, parts=drafted.parts, nest=drafted.nest, setup=drafted.setup, plan=plan, program=program,
        verdict=verdict, files=files,
    )  # fmt: skip


def judge(
    text: str, job: Job, *, cell_mm: float | None = None, workers: int = 1, kept: Kept | None = None, run: Run = plainly
) -> Judged:
    """Any text, as the program of the job's first setup. What was wanted of it, and what it is compared with, is made
    from the job as `make` makes it; `kept` and what is raised as for `draft`. Bad text is findings.

    `cell_mm` is the cell of the simulated stock, the verifier's own when not given.
    """
    drafted = draft(job, workers=workers, kept=kept, run=run)
    terms = _terms(job, drafted.setup, drafted.plan, cell_mm)
    verdict = _judge(text, terms, workers=workers, run=run)
    against = {"text": text, "program": drafted.program, "machine": job.machine, "crib": job.crib}
    different = run("differences", against, lambda: differences(**against))
    return Judged(
        verdict=verdict, drafted=drafted, different=different, job_digest=digest(job), text_digest=job_digest_in(text)
    )


def draw_family(name: str, *, units: str) -> str:
    """The drawing (SVG) of a family's part with its default sizes, each dimension named as a job file writes it."""
    from pipeline import packet, solids

    request = PartRequest(name=name, family=name, sizes={}, count=1, value=0.0, rotations_rad=None, fixed=())
    return packet.draw_part(solids.build_parts([request])[0], units=units, names=True)


def _silhouettes(parts: Iterable[Part]) -> tuple[Silhouette, ...]:
    """All that a nest may know of the parts."""
    return tuple(Silhouette(name=part.name, outline=part.outline) for part in parts)


def _held(request: PartRequest, kept: Kept | None) -> PartRequest:
    """The request as the nest sees it: without the sizes, which the outline holds, and with the places to keep."""
    fixed = request.fixed
    if kept is not None:
        fixed = kept.get(request.name, ())[: request.count]
    return replace(request, family="", sizes={}, fixed=fixed)


def _smaller_cutters(job: Job, seating: Seating) -> Iterable[SmallerCutter]:
    """Flat end mills that could cut the outlines instead, the largest first: thinner, and long enough from the plate's
    highest top to the skin."""
    from pipeline import setups

    now, billet = job.crib.cutter(job.nest.outline_cutter), job.billet
    deep = billet.thickness_mm + billet.thickness_uncertainty_mm + billet.bow_mm - job.z.skin_mm
    for cutter in sorted(job.crib.cutters, key=lambda cutter: (-cutter.diameter_mm, cutter.number)):
        if cutter.kind is CutterKind.FLAT and cutter.diameter_mm < now.diameter_mm and cutter.reach_mm >= deep:
            nest = replace(job.nest, outline_cutter=cutter.number)
            yield SmallerCutter(number=cutter.number, diameter_mm=cutter.diameter_mm,
                                gap_mm=cutter.diameter_mm + job.nest.margin_mm,
                                region=setups.nest_region(replace(job, nest=nest), seating))  # fmt: skip


def _require(checked: NestCheck) -> None:
    """Raises Bug when a nest of ours is not what was promised: bad places of the user's were refused before."""
    if checked.faults:
        first, more = "; ".join(checked.faults[:_MOST_FAULTS]), len(checked.faults) - _MOST_FAULTS
        raise Bug(f"the nest that was made is wrong: {first}" + (f"; and {more} more" if more > 0 else ""))


def _terms(job: Job, setup: Setup, plan: Plan, cell_mm: float | None) -> dict[str, Any]:
    """What a text is judged against, and in which cells when they are not the verifier's own."""
    shop = {"crib": job.crib, "machine": job.machine, "material": job.material}
    cells = {} if cell_mm is None else {"cell_mm": cell_mm}
    return {"setup": setup, "tolerances": job.tolerances, "not_cut": plan.not_cut, **shop, **cells}


def _judge(text: str, terms: Mapping[str, Any], *, workers: int, run: Run) -> Verdict:
    from pipeline import verify

    return run("verify", (text, terms), lambda: verify.check_program(text, **terms, workers=workers))


def _fed_back(feedback: Feedback, program: Program, caps: Iterable[LineCap]) -> Feedback:
    """The feedback the program was made with, and what checking it asks for on top, by passes instead of lines. Lines
    that belong to no pass ask for nothing."""
    found = {(cap.operation_id, cap.pass_id): cap for cap in feedback.caps}
    wanted: dict[tuple[str, str], LineCap] = {}
    for cap in caps:
        for span in program.index:
            key = span.operation_id, span.pass_id
            touches = span.first_line <= cap.last_line and cap.first_line <= span.last_line
            if touches and (key not in wanted or cap.feed_factor < wanted[key].feed_factor):
                wanted[key] = cap
    for (operation_id, pass_id), cap in wanted.items():
        factor = cap.feed_factor
        if (operation_id, pass_id) in found:
            factor *= found[operation_id, pass_id].feed_factor
        found[operation_id, pass_id] = Cap(
            operation_id=operation_id, pass_id=pass_id, feed_factor=factor, reason=cap.reason
        )
    return Feedback(caps=tuple(found[key] for key in sorted(found)))


def _status(verdict: Verdict, *, force: bool) -> str:
    """The line that every page and program carries; empty when nothing may be written."""
    if verdict.verdict == "refused":
        return FORCED if force else ""
    n = len(verdict.findings)
    return RELEASED_WITH_WARNINGS.format(n=f"{n} WARNING" + ("S" if n > 1 else "")) if n else RELEASED
