"""The demonstration list of forty orders, all the way: one worker against two, and against one cold run.

Every run is the real command in a process of its own. Stage results are kept in a folder of their own that begins
empty; compiled kernels are there from a run before, except for the cold run, which has neither. Memory is that of each
worker process, sampled twice a second: its peak in the first third of the orders and over the whole run.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
TEMPLATE, ORDERS = ROOT / "configs/jobs/grafting-pair.yaml", ROOT / "configs/orders/spring-round.csv"


def run() -> dict[str, float]:
    """Wall seconds, ratios and megabytes."""
    out: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as scratch:
        home = Path(scratch)
        begin = time.perf_counter()
        _call(["make", str(TEMPLATE), "--workers", "1", "--out", str(home / "cold")], home / "cold-cache",
              {"NUMBA_CACHE_DIR": str(home / "cold-kernels")})  # fmt: skip
        out["cold single run, s"] = time.perf_counter() - begin
        _call(["make", str(TEMPLATE), "--workers", "1", "--out", str(home / "warm")], home / "warm-cache", {})
        for workers in (1, 2):
            words = ["batch", str(TEMPLATE), "--orders", str(ORDERS), "--out", str(home / f"of-{workers}"),
                     "--workers", str(workers)]  # fmt: skip
            wall, done_s, early_mb, peak_mb = _watched(words, home / f"cache-{workers}")
            name = f"{workers} worker{'s' if workers > 1 else ''}"
            out[f"{name}, s"] = wall
            out[f"{name}: first order, s"] = done_s[0]
            out[f"{name}: each after the first, s"] = (wall - done_s[0]) / (len(done_s) - 1)
            out[f"{name}: most memory of a worker in the first third, MB"] = early_mb
            out[f"{name}: most memory of a worker, MB"] = peak_mb
            begin = time.perf_counter()
            _call(words, home / f"cache-{workers}", {})
            out[f"{name}: second run, nothing to do, s"] = time.perf_counter() - begin
        out["two workers against one, times faster"] = out["1 worker, s"] / out["2 workers, s"]
        out["an order after the first against a cold run"] = (
            out["1 worker: each after the first, s"] / out["cold single run, s"]
        )
    return out


def _environment(cache: Path) -> dict[str, str]:
    return {**os.environ, "XDG_CACHE_HOME": str(cache)}


def _call(words: list[str], cache: Path, more: dict[str, str]) -> None:
    done = subprocess.run([sys.executable, "-m", "pipeline", *words], cwd=ROOT, capture_output=True, text=True,
                          env=_environment(cache) | more)  # fmt: skip
    if done.returncode not in (0, 2):  # the list holds two orders that cannot be made
        raise RuntimeError(done.stderr)


def _watched(words: list[str], cache: Path) -> tuple[float, list[float], float, float]:
    """Wall seconds, seconds at which each order was done, peak of a worker's memory early and over all."""
    begin = time.perf_counter()
    done_s: list[float] = []
    samples: list[tuple[int, float]] = []
    with subprocess.Popen([sys.executable, "-m", "pipeline", *words], cwd=ROOT, stdout=subprocess.PIPE, text=True,
                          stderr=subprocess.DEVNULL, env=_environment(cache)) as process:  # fmt: skip
        stop = threading.Event()

        def sample() -> None:
            while not stop.wait(0.5):
                samples.append((len(done_s), max(_worker_mb(process.pid), default=0.0)))

        watcher = threading.Thread(target=sample)
        watcher.start()
        assert process.stdout is not None
        for line in process.stdout:
            number, _, rest = line.partition("/")
            if number.isdigit() and rest[:1].isdigit():
                done_s.append(time.perf_counter() - begin)
        process.wait()
        stop.set()
        watcher.join()
    wall = time.perf_counter() - begin
    third = len(done_s) / 3
    return wall, done_s, max(mb for n, mb in samples if n <= third), max(mb for _, mb in samples)


def _worker_mb(parent: int) -> list[float]:
    """Resident memory of the processes below, the main one left out."""
    below, found = {parent}, []
    stats = {}
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            lines = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
            stats[int(status.parent.name)] = (int(lines["PPid"]), int(lines.get("VmRSS", "0 kB").split()[0]) / 1024)
        except (OSError, KeyError, ValueError):
            continue
    grown = True
    while grown:
        new = {pid for pid, (above, _) in stats.items() if above in below} - below
        below |= new
        grown = bool(new)
    found = [mb for pid, (_, mb) in stats.items() if pid in below and pid != parent]
    return found
