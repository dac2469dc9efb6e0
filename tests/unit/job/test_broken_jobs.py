"""Every broken job of tests/corpus/jobs gives exactly the findings of its table, each at its line, each with advice."""

from __future__ import annotations

import os
from collections import defaultdict
from pathlib import Path

import pytest

from pipeline.errors import BadInput
from pipeline.job import read_job

CORPUS = Path(__file__).parents[2] / "corpus" / "jobs"


def expectations() -> dict[str, list[list[str]]]:
    """Rows of expected.txt by job: file, code, line, key, words."""
    rows = defaultdict(list)
    for line in (CORPUS / "expected.txt").read_text().splitlines():
        if line.strip() and not line.startswith("#"):
            job, *rest = (cell.strip() for cell in line.split("|"))
            rows[job].append(rest)
    return dict(rows)


EXPECTED = expectations()


def test_every_file_has_a_row_and_there_are_forty() -> None:
    assert {path.stem for path in CORPUS.glob("*.yaml")} == set(EXPECTED)
    assert len(EXPECTED) >= 40


@pytest.mark.parametrize("job", sorted(EXPECTED))
def test_findings(job: str) -> None:
    path = CORPUS / f"{job}.yaml"
    with pytest.raises(BadInput) as caught:
        read_job(path)
    found = list(caught.value.findings)
    for file, code, line, key, words in EXPECTED[job]:
        where = path if file == "-" else CORPUS / file
        matches = [
            f
            for f in found
            if f.code == code
            and os.path.realpath(f.file or "") == os.path.realpath(where)
            and (f.key or "-") == key
            and all(word.strip() in str(f) for word in words.split("; "))
        ]
        assert matches, f"no finding {code} at {key} with {words!r} among:\n{caught.value}"
        finding = matches[0]
        assert line == "*" or finding.line == int(line), str(finding)
        assert finding.column is not None and finding.column >= 1
        if line == "*":
            assert key.split(".")[-1] in where.read_text().splitlines()[finding.line - 1]
        found.remove(finding)
    assert not found, f"more than expected: {[str(f) for f in found]}"


def test_warnings_do_not_stop_a_job(tmp_path: Path) -> None:
    from pipeline.job import check_job

    configs = Path(__file__).parents[3] / "configs"
    crib = (configs / "cribs" / "metric-crib.yaml").read_text()
    (tmp_path / "fast.yaml").write_text(crib.replace("surface_speed_m_min: 60", "surface_speed_m_min: 120", 1))
    job = tmp_path / "job.yaml"
    job.write_text(f"based_on: {configs}/jobs/grafting-pair.yaml\ncrib: ./fast.yaml\n")
    checked = check_job(job)
    assert checked.job is not None
    assert [(f.code, f.severity) for f in checked.findings] == [("J147", "warning")]
    assert "120 m/min" in checked.findings[0].found and "30 to 76" in checked.findings[0].wanted
