"""What checking a program asks for goes back to the planner: by pass, at most two rounds, kept and cached as all else.

The verifier is replaced by one that asks for what the test wants; the rest is real.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import pytest
import yaml

from pipeline import stages, verify
from pipeline.batch.cache import Cache
from pipeline.batch.keep import StageFolder
from pipeline.job import read_job
from pipeline.model.verdict import LineCap, Verdict
from tests.e2e.conftest import JOBS
from tests.unit.batch.verdicts import full

JOB = """\
based_on: {base}
title: two studs
parts:
  handle: {{count: 0}}
  clip: {{count: 0}}
  stud: {{count: 2, fixed: [{{x: 40, y: 55, angle: 0}}, {{x: 105, y: 103, angle: 0}}]}}
nest: {{effort: 1}}
"""
EDGE = "stud-1/edge/outline"
Asks = Callable[[int, str], Sequence[LineCap]]


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    file = tmp_path_factory.mktemp("jobs") / "two-studs.yaml"
    file.write_text(JOB.format(base=JOBS / "grafting-pair.yaml"))
    return read_job(file)


@pytest.fixture
def asking(monkeypatch):
    """asking(asks) makes a verifier that releases everything with the caps of asks(round, text); its texts are kept."""

    def use(asks: Asks) -> list[str]:
        texts: list[str] = []

        def check_program(text: str, **terms: object) -> Verdict:
            texts.append(text)
            return full(*asks(len(texts), text))

        monkeypatch.setattr(verify, "check_program", check_program, raising=False)
        return texts

    return use


def lines_of(text: str, name: str) -> tuple[int, int]:
    """First and last line with words of an operation, from 1."""
    lines = text.splitlines()
    first = next(n for n, line in enumerate(lines, 1) if line.startswith(f"({name},")) + 1
    last = next(n for n, line in enumerate(lines[first:], first) if line.startswith("("))
    return first, last


def feeds_of(text: str, name: str) -> list[float]:
    first, last = lines_of(text, name)
    return [float(f) for f in re.findall(r"F([\d.]+)", "\n".join(text.splitlines()[first - 1 : last]))]


def cap(text: str, factor: float, name: str = EDGE) -> LineCap:
    first, _ = lines_of(text, name)
    return LineCap(first_line=first + 3, last_line=first + 3, feed_factor=factor, reason="deflection")


def test_a_cap_on_a_line_lowers_the_feed_of_its_pass_and_of_no_other(job, asking):
    texts = asking(lambda n, text: [cap(text, 0.8)] if n == 1 else [])
    drafted = stages.draft(job)
    assert len(texts) == 2 and drafted.program.text == texts[1]
    old, new = feeds_of(texts[0], EDGE), feeds_of(texts[1], EDGE)
    assert new == pytest.approx([0.8 * feed for feed in old], abs=0.06)
    different = [(a, b) for a, b in zip(texts[0].splitlines(), texts[1].splitlines(), strict=True) if a != b]
    assert len(different) == len(old)
    operation = next(t.operation for t in drafted.plan.toolpaths if t.operation.id == EDGE)
    assert operation.note.endswith("feed lowered to 80 % for deflection")


def test_two_rounds_at_most_and_caps_multiply(job, asking):
    texts = asking(lambda n, text: [cap(text, 0.9), cap(text, 0.95)])
    drafted = stages.draft(job)
    assert len(texts) == 1 + stages.ROUNDS == 3
    assert drafted.program.text == texts[-1] and drafted.verdict.caps  # the last, whatever is still asked for
    high = [max(feeds_of(text, EDGE)) for text in texts]
    assert high[1:] == pytest.approx([0.9 * high[0], 0.81 * high[0]], abs=0.06)  # the lower of two caps, then again


def test_nothing_asked_or_nothing_that_is_a_pass_is_one_round(job, asking):
    assert len(asking(lambda n, text: [])) == 0
    texts = asking(lambda n, text: [LineCap(first_line=1, last_line=20, feed_factor=0.5, reason="force")])
    drafted = stages.draft(job)
    assert len(texts) == 1 and drafted.program.text == texts[0]


def test_feeds_that_are_as_low_as_they_may_be_are_not_tried_again(job, asking):
    texts = asking(lambda n, text: [cap(text, 0.001)])
    stages.draft(job)
    assert len(texts) == 2


def test_rounds_are_cached_and_kept_to_be_read(job, asking, tmp_path):
    cache, keep = Cache(tmp_path / "cache"), StageFolder(tmp_path / "stages")
    names: list[str] = []

    def run(stage, inputs, compute):
        names.append(stage)
        value = cache.recall(stage, inputs, compute)
        keep.write(stage, value)
        return value

    texts = asking(lambda n, text: [cap(text, 0.8)] if n % 2 else [])
    first = stages.draft(job, run=run)
    assert names[-6:] == ["toolpaths", "program", "verify"] * 2
    again = stages.draft(job, run=run)
    assert len(texts) == 2 and again.program.text == first.program.text
    kept = sorted((tmp_path / "stages").glob("*-toolpaths.yaml"))
    assert len(kept) == 4
    notes = ["feed lowered" in kept_file.read_text() for kept_file in kept]
    assert notes == [False, True, False, True]
    verdicts = [yaml.safe_load(f.read_text()) for f in sorted((tmp_path / "stages").glob("*-verify.yaml"))]
    assert [len(verdict["caps"]) for verdict in verdicts] == [1, 0, 1, 0]


def test_what_is_lowered_does_not_depend_on_workers(job, asking):
    made = []
    for workers in (1, 2):
        asking(lambda n, text: [cap(text, 0.8)] if n == 1 else [])
        made.append(stages.draft(job, workers=workers).program.text)
    assert made[0] == made[1]
