"""The main job, all the way: seconds by stage and whole, first and then warm, and the peak of memory."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
JOB = ROOT / "configs/jobs/grafting-pair.yaml"
WARM_RUNS = 3


def run() -> dict[str, float]:
    """Whole-process wall seconds; stage seconds are medians of the warm runs."""
    figures: dict[str, float] = {}
    walls: list[float] = []
    stages: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(WARM_RUNS + 1):
            begin = time.perf_counter()
            subprocess.run(
                [sys.executable, "-m", "pipeline", "make", str(JOB), "--out", f"{folder}/packet"],
                cwd=ROOT,
                check=True,
                capture_output=True,
            )
            wall = time.perf_counter() - begin
            if turn == 0:
                figures["first run, s"] = wall
                continue
            walls.append(wall)
            for name, seconds in json.loads(Path(folder, "packet/run.json").read_text())["stage_s"].items():
                stages.setdefault(name, []).append(seconds)
    figures["warm run, s (median)"] = sorted(walls)[len(walls) // 2]
    for name, seconds in stages.items():
        figures[f"{name}, s"] = sorted(seconds)[len(seconds) // 2]
    figures["peak memory, MB"] = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return figures
