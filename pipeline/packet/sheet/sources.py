"""What the sections of the setup sheet are drawn from."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.model.program import Program
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict
from pipeline.packet.sheet.program import Numbers, Stop


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """One run's values. `program` is the checked text, `written` the one that goes out, None when it was refused."""

    job: Job
    job_digest: str
    nest: Nest
    setup: Setup
    plan: Plan
    program: Program
    written: Program | None
    verdict: Verdict
    n: Numbers
    stops: tuple[Stop, ...]
    cutters: tuple[int, ...]  # numbers, in order of first use

    @property
    def run_minutes(self) -> float:
        """Time of all motion; stops and changes of cutter not counted."""
        return sum(t.cutting_s + t.air_s for t in self.verdict.section_times) / 60
