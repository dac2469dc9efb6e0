"""The nest's search ended by the command: it says what a rerun needs, and that gives the same placements."""

from __future__ import annotations

import re

import pytest

from pipeline import stages
from pipeline.job import read_job
from tests.e2e.conftest import JOBS


class _Enough(Exception):
    """The nest is there."""


def _placements(job_file, effort: int):
    """The nest of the job with another effort, as text of its parts and places."""
    file = job_file.with_name("again.yaml")
    file.write_text(f"based_on: {job_file}\nnest: {{effort: {effort}}}\n")
    found = []

    def run(stage, inputs, compute):
        value = compute()
        if stage == "nest":
            found.append(value)
            raise _Enough
        return value

    with pytest.raises(_Enough):
        stages.draft(read_job(file), run=run)
    return found[0]


def test_a_time_for_the_nest_and_the_same_nest_again(make, tmp_path):
    job_file = tmp_path / "short.yaml"
    job_file.write_text(f"based_on: {JOBS / 'budding-small.yaml'}\ntitle: ended early\n")
    run = make(job_file, "--seconds", "0")
    assert run.code == 0, run.stderr
    said = re.search(r"ended after (\d+) of 20 rounds; a rerun needs `nest: effort: (\d+)` in the job", run.stderr)
    assert said and said[1] == said[2]
    again = _placements(job_file, int(said[1]))
    assert not again.is_ended_early
    kept = [(p["part"], p["x_mm"], p["y_mm"]) for p in run.summary["placements"]]
    assert kept == [(p.part_id, *p.billet_from_part.shift_mm[:2]) for p in again.placements]
