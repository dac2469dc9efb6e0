"""Whatever is done to the text of a job or a shop file, reading it ends with a Job or with findings."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.errors import BadInput
from pipeline.job import read_job

CONFIGS = Path(__file__).parents[3] / "configs"
FILES = {
    "job": "jobs/grafting-pair.yaml",
    "billet": "billets/layered-160x75.yaml",
    "machine": "machines/small-mill-metric.yaml",
    "crib": "cribs/metric-crib.yaml",
    "holding": "holdings/vacuum-bed-large.yaml",
    "material": "materials/layered-titanium.yaml",
}
WORDS = ["", "0", "-1", "1e9", "999999999", "no", "~", "[]", "{}", "[1, 2]", "{a: 1}", "#43", '"#43"', "1/0 in",
         "0.5 in", "x", "'", "*a", "&a 1", "!t 1", "- 1", "a: b: c", "\t", "é", "1:30", ".nan", ".inf", "any",
         "pair"]  # fmt: skip


def spoiled(text: str, rng: random.Random) -> str:
    """The text with one to three lines dropped, doubled, moved, turned in, cut short, or given another value."""
    lines = text.splitlines()
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(lines))
        match rng.randrange(6):
            case 0:
                lines[at] = ""
            case 1:
                lines.insert(at, lines[at])
            case 2:
                lines[at] = "  " + lines[at]
            case 3:
                lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)]
            case 4:
                lines[at] = lines[at].split(":")[0] + ": " + rng.choice(WORDS)
            case 5:
                other = rng.randrange(len(lines))
                lines[at], lines[other] = lines[other], lines[at]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("which", FILES)
def test_spoiled_text(which: str, tmp_path: Path) -> None:
    rng = random.Random(f"spoiled {which}")
    text = (CONFIGS / FILES[which]).read_text()
    n_refused = 0
    n_tries = 40
    for _ in range(n_tries):
        if which == "job":
            path = tmp_path / "job.yaml"
            path.write_text(spoiled(text, rng))
        else:
            (tmp_path / "shop.yaml").write_text(spoiled(text, rng))
            path = tmp_path / "job.yaml"
            path.write_text(f"based_on: {CONFIGS / FILES['job']}\n{which}: ./shop.yaml\n")
        try:
            read_job(path)
        except BadInput as bad:
            n_refused += 1
            assert bad.findings and all(f.file and f.line and f.column for f in bad.findings)
    assert n_refused > n_tries / 4  # the spoiling does spoil
