"""Real runs of the real command, each made once per test session and shared by the tests that look at it."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
JOBS = ROOT / "configs/jobs"


@dataclass(frozen=True)
class Run:
    """One finished run of the command."""

    folder: Path
    code: int
    stdout: str
    stderr: str

    @property
    def summary(self) -> dict:
        return json.loads((self.folder / "summary.json").read_text())

    @property
    def program(self) -> str:
        return (self.folder / self.summary["programs"][0]["file"]).read_text()


def environment(cache: Path | str) -> dict[str, str]:
    """What the command sees of its surroundings."""
    return {"PATH": "/usr/bin:/bin", "PYTHONPATH": str(ROOT), "HOME": str(Path.home()), "XDG_CACHE_HOME": str(cache)}


def command(
    *words: str, cwd: Path = ROOT, processor: str = "", cache: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """The command as a user runs it. `processor` makes the linear algebra library compute as on that one.

    Unless `cache` is given, it begins with an empty one: equal results of two runs would otherwise be one result
    looked up twice.
    """
    with tempfile.TemporaryDirectory() as empty:
        return subprocess.run(
            [sys.executable, "-m", "pipeline", *words],
            cwd=cwd,
            capture_output=True,
            text=True,
            env=environment(cache or empty) | ({"OPENBLAS_CORETYPE": processor} if processor else {}),
        )


@pytest.fixture(scope="session")
def make(tmp_path_factory):
    """make(job file, *options, processor="") -> Run, remembered by its words."""

    @cache
    def run(job: Path, *options: str, processor: str = "") -> Run:
        folder = tmp_path_factory.mktemp("packets") / "packet"
        done = command("make", str(job), "--out", str(folder), *options, processor=processor)
        return Run(folder, done.returncode, done.stdout, done.stderr)

    return run
