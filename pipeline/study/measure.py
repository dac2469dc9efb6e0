"""One candidate: the job with another outline cutter as far as its checked program, and what that earns."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline import stages
from pipeline.errors import BadInput, PlanError
from pipeline.model.findings import Finding
from pipeline.model.job import Job
from pipeline.model.part import Part
from pipeline.model.shop import Cutter, CutterKind
from pipeline.operations.cutters import Means, outline_cutter
from pipeline.setups.heights import plan_z
from pipeline.stages import Drafted, Made, Run
from pipeline.study.money import Costs, Prices, costs
from pipeline.study.slot import Slot, full_slot
from pipeline.verify.motion_time import motion_seconds, path_lengths
from pipeline.verify.reader import read_program
from pipeline.verify.reading import RAPID

FREES = ("outline", "web")  # kinds of operation that free parts, all with the outline cutter


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """What one outline cutter makes of the job. `value` is of everything placed; `terms` the money of what else the job
    weighs, by the term's name, empty when it weighs nothing else; `outline_s` the outlines' time, `web_s` that of thin
    waste cleared before them, `total_s` the whole program's, of moves alone; `path_m` the feed path of outlines and
    webs. `force_n` and `deflection_mm` are the worst of them in simulated cutting, None when forces were not worked
    out. Money in the billet's currency."""

    cutter: Cutter
    gap_mm: float
    placed: Mapping[str, int]
    value: float
    terms: Mapping[str, float]
    outline_s: float
    web_s: float
    total_s: float
    path_m: float
    slot: Slot
    costs: Costs
    verdict: str
    n_errors: int
    n_warnings: int
    force_n: float | None
    deflection_mm: float | None

    @property
    def other_worth(self) -> float:
        """Money of all that the job weighs beside the values."""
        return math.fsum(self.terms.values())

    @property
    def earnings(self) -> float:
        """The nest's whole score less what it costs to cut."""
        return self.value + self.other_worth - self.costs.total


@dataclass(frozen=True, slots=True, kw_only=True)
class Excluded:
    """A cutter that cannot free the parts of this job, with the findings that say why."""

    cutter: Cutter
    findings: tuple[Finding, ...]

    @property
    def why(self) -> str:
        """The first finding in words, and how many more there are."""
        first, n = self.findings[0], len(self.findings) - 1
        words = f"{first.where}: {first.found}" + (f"; wanted {first.wanted}" if first.wanted else "")
        return words + (f" (and {n} more)" if n else "")


def with_cutter(job: Job, number: int) -> Job:
    """The job with this outline cutter."""
    return replace(job, nest=replace(job.nest, outline_cutter=number))


def tried(job: Job, parts: tuple[Part, ...], cutter: Cutter, *, prices: Prices, workers: int,
          run: Run) -> Candidate | Excluded:  # fmt: skip
    """The candidate, its program checked by a quick look, or why the cutter is none. What is seen without a nest is
    looked at first."""
    own = with_cutter(job, cutter.number)
    try:
        _check(own, parts)
        drafted = stages.draft(own, cell_mm=stages.QUICK_CELL_MM, workers=workers, run=run)
    except BadInput as bad:
        return Excluded(cutter=cutter, findings=bad.findings)
    except PlanError as cannot:
        return Excluded(cutter=cutter, findings=(Finding.of(cannot),))
    return measured(own, drafted, prices=prices)


def measured(job: Job, made: Drafted | Made, *, prices: Prices) -> Candidate:
    """The figures of a job that was made with its outline cutter; times and paths are the verifier's, of the text."""
    nest, plan, program, verdict = made.nest, made.plan, made.program, made.verdict
    cutter = job.crib.cutter(job.nest.outline_cutter)
    moves = read_program(program.text, machine=job.machine, crib=job.crib).moves
    n_lines = program.text.count("\n") + 1
    seconds = np.bincount(moves.line, motion_seconds(moves, machine=job.machine), minlength=n_lines + 1)
    feeds = np.bincount(moves.line, path_lengths(moves) * (moves.kind != RAPID), minlength=n_lines + 1)
    kinds = {path.operation.id: path.operation.kind for path in plan.toolpaths}
    part_of = {path.operation.id: path.operation.part_id for path in plan.toolpaths}
    spent = dict.fromkeys(FREES, 0.0)
    path_m: dict[str, float] = {}
    for span in program.index:
        kind, lines = kinds[span.operation_id], slice(span.first_line, span.last_line + 1)
        if kind in FREES:
            spent[kind] += float(seconds[lines].sum())
            at = part_of[span.operation_id]
            path_m[at] = path_m.get(at, 0.0) + float(feeds[lines].sum()) / 1000
    worth = {request.name: request.value for request in job.parts}
    placed = Counter(spot.part for spot in nest.placements)
    slot = full_slot(cutter, _means(job).cut(cutter), job.material)
    total_s = float(seconds.sum())
    loads = verdict.loads.stretches if verdict.loads else ()
    frees = [stretch for stretch in loads if kinds.get(stretch.heading) in FREES]
    severities = [finding.severity for finding in verdict.findings]
    return Candidate(
        cutter=cutter,
        gap_mm=cutter.diameter_mm + job.nest.margin_mm,
        placed={request.name: placed[request.name] for request in job.parts},
        value=math.fsum(worth[spot.part] for spot in nest.placements),
        terms={term.name: term.money for term in nest.terms[1:] if term.worth},  # the first is the value
        outline_s=spent["outline"],
        web_s=spent["web"],
        total_s=total_s,
        path_m=math.fsum(path_m.values()),
        slot=slot,
        costs=costs(
            slot, path_m, {spot.part_id: worth[spot.part] for spot in nest.placements},
            feed_s=math.fsum(spent.values()), total_s=total_s, prices=prices,
        ),
        verdict=verdict.verdict,
        n_errors=severities.count("error"),
        n_warnings=severities.count("warning"),
        force_n=max((stretch.force_peak_n for stretch in frees), default=None),
        deflection_mm=max((stretch.deflection_peak_mm for stretch in frees), default=None),
    )  # fmt: skip


def flat_mills(job: Job) -> tuple[Cutter, ...]:
    """The crib's flat end mills, largest first."""
    flat = [cutter for cutter in job.crib.cutters if cutter.kind is CutterKind.FLAT]
    return tuple(sorted(flat, key=lambda cutter: (-cutter.diameter_mm, cutter.number)))


def _means(job: Job) -> Means:
    return Means(crib=job.crib, machine=job.machine, material=job.material, tolerances=job.tolerances, nest=job.nest)


def _check(job: Job, parts: tuple[Part, ...]) -> None:
    """Raises BadInput when the cutter is no flat end mill, or does not reach down to the skin or into an inside corner
    of a part."""
    z, means = plan_z(job), _means(job)
    cutter = job.crib.cutter(job.nest.outline_cutter)
    if cutter.kind is not CutterKind.FLAT:
        raise PlanError(where="outlines", found=f"a {cutter.kind.value}", wanted="a flat end mill", code="O407")
    findings = []
    for part in parts:
        try:
            outline_cutter(part.outline, z.top_high_mm - z.skin_mm, means, part.name)
        except PlanError as error:
            findings.append(Finding.of(error))
    if findings:
        raise BadInput(findings)
