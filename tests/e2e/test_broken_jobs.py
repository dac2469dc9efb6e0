"""The command on broken jobs: exit code 2, every finding on stderr with its place, and nothing written."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CORPUS = ROOT / "tests" / "corpus" / "jobs"
JOBS = sorted(path.stem for path in CORPUS.glob("*.yaml"))
ONE_OF_EACH_KIND = ["01-unknown-key", "12-bracket-left-open", "33-part-too-thick", "42-cutter-geometry"]


def command(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """The command as a user runs it, in a folder of its own."""
    return subprocess.run([sys.executable, "-m", "pipeline", *words], cwd=cwd, capture_output=True, text=True,
                          env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(ROOT), "HOME": str(Path.home())})  # fmt: skip


def rows(job: str) -> list[list[str]]:
    """This job's rows of the corpus table: file, code, line, key, words."""
    lines = (CORPUS / "expected.txt").read_text().splitlines()
    split = [[cell.strip() for cell in line.split("|")] for line in lines if line and not line.startswith("#")]
    return [cells[1:] for cells in split if cells[0] == job]


def test_check_all_at_once(tmp_path: Path) -> None:
    """Every broken job in one run: each finding of the table is on stderr, with its file and line."""
    done = command("check", *(str(CORPUS / f"{job}.yaml") for job in JOBS), cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    lines = done.stderr.splitlines()
    for job in JOBS:
        for file, code, line, _, words in rows(job):
            name = f"{job}.yaml" if file == "-" else Path(file).name
            place = f"{name}:" if line == "*" else f"{name}:{line}:"
            wanted = [word.strip() for word in words.split("; ")]
            hits = [text for text in lines if place in text and code in text and all(word in text for word in wanted)]
            assert hits, f"{job}: no line with {place} {code} {wanted}"
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("job", ONE_OF_EACH_KIND)
def test_make_writes_nothing(job: str, tmp_path: Path) -> None:
    done = command("make", str(CORPUS / f"{job}.yaml"), cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    assert all(code in done.stderr for _, code, _, _, _ in rows(job))
    assert "nothing was written" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_good_job_beside_broken_ones_is_still_said_to_be_good(tmp_path: Path) -> None:
    good = ROOT / "configs" / "jobs" / "grafting-pair.yaml"
    done = command("check", str(CORPUS / "01-unknown-key.yaml"), str(good), cwd=tmp_path)
    assert done.returncode == 2 and "grafting-pair" in done.stdout and "J104" in done.stderr


def test_check_of_the_examples_is_silent_on_stderr(tmp_path: Path) -> None:
    done = command("check", *(str(path) for path in sorted((ROOT / "configs/jobs").glob("*.yaml"))), cwd=tmp_path)
    assert done.returncode == 0 and done.stderr == "", done.stderr
