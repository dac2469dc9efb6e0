"""The study of one job: every candidate measured, the two that earn most run in full, the choice and its reasons."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from pipeline import stages
from pipeline.errors import BadInput
from pipeline.model.digests import digest
from pipeline.model.findings import Finding
from pipeline.model.job import Job
from pipeline.model.shop import Cutter
from pipeline.solids import build_parts
from pipeline.stages import Run
from pipeline.study.choice import Choice, choose, promising
from pipeline.study.measure import Candidate, Excluded, flat_mills, measured, tried, with_cutter
from pipeline.study.money import Prices

FULL_RUNS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class FullRun:
    """What came of the whole pipeline with one candidate, at the job's own effort and in fine cells. `files` is its
    packet."""

    candidate: Candidate
    files: Mapping[str, bytes]

    @property
    def folder(self) -> str:
        """Where its packet lies in the study's folder."""
        return f"T{self.candidate.cutter.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """All that a study found. `candidates` in the order of their diameters, largest first."""

    job: Job
    effort: int  # of the candidates' nests; full runs have the job's own
    prices: Prices
    candidates: tuple[Candidate, ...]
    excluded: tuple[Excluded, ...]
    full_runs: tuple[FullRun, ...]  # what earns most first, by the candidates' figures
    choice: Choice


def study_job(
    job: Job, *, cutters: Sequence[int] | None = None, effort: int | None = None, prices: Prices, workers: int = 1,
    run: Run = stages.plainly,
) -> Study:  # fmt: skip
    """Study the outline cutters with these numbers, all flat end mills of the crib when None. Candidates are nested
    with `effort`, the job's own when None. The result does not depend on `workers`.

    Raises BadInput when a number is not in the crib (J143), or when no cutter can free the parts.
    """
    run = _once(run)
    chosen = _chosen(job, cutters)
    effort = job.nest.effort if effort is None else effort
    quick = replace(job, nest=replace(job.nest, effort=effort))
    parts = build_parts(job.parts, recall=partial(run, "solids"))
    outcomes = [tried(quick, parts, cutter, prices=prices, workers=workers, run=run) for cutter in chosen]
    candidates = tuple(one for one in outcomes if isinstance(one, Candidate))
    excluded = tuple(one for one in outcomes if isinstance(one, Excluded))
    if not candidates:
        raise BadInput(
            replace(finding, where=f"T{one.cutter.number}, {finding.where}")
            for one in excluded
            for finding in one.findings
        )
    full_runs = tuple(
        _full_run(with_cutter(job, one.cutter.number), prices=prices, workers=workers, run=run)
        for one in promising(candidates)[:FULL_RUNS]
    )
    choice = choose(
        candidates, [one.candidate for one in full_runs], prices=prices, currency=job.billet.currency,
        unit=job.machine.dialect.units,
    )  # fmt: skip
    return Study(
        job=job, effort=effort, prices=prices, candidates=candidates, excluded=excluded, full_runs=full_runs,
        choice=choice,
    )  # fmt: skip


def _chosen(job: Job, cutters: Sequence[int] | None) -> tuple[Cutter, ...]:
    flat = flat_mills(job)
    if cutters is None:
        return flat
    known = {cutter.number: cutter for cutter in job.crib.cutters}
    words = "; ".join(f"T{cutter.number} {cutter.name}" for cutter in flat)
    missing = [number for number in dict.fromkeys(cutters) if number not in known]
    if missing:
        raise BadInput(
            Finding(code="J143", where="--cutters", found=f"T{number}, which is not in the crib",
                    wanted=f"flat end mills: {words}")
            for number in missing
        )  # fmt: skip
    return tuple(sorted({known[number] for number in cutters}, key=lambda c: (-c.diameter_mm, c.number)))


def _full_run(job: Job, *, prices: Prices, workers: int, run: Run) -> FullRun:
    made = stages.make(job, workers=workers, run=run)
    return FullRun(candidate=measured(job, made, prices=prices), files=made.files)


def _once(run: Run) -> Run:
    """The hook with a memory: what one candidate has made is not made again for the next or for a full run."""
    known: dict[str, Any] = {}

    def run_stage(stage: str, inputs: object, compute: Callable[[], Any]) -> Any:
        if stage == "packet":
            return run(stage, inputs, compute)
        name = digest((stage, inputs))
        if name not in known:
            known[name] = run(stage, inputs, compute)
        return known[name]

    return run_stage
