"""How good nests are: the instances of a folder, or ten invented tight billets when none is named.

Strips (`kind: strip`) are packed as short as can be, plates (`kind: knapsack`) filled for value, hides (`kind:
multi_container`) filled one after another. Every layout is checked by code that shares nothing with the search. Seconds
are those of one thread's own processor time, so that other work on the machine takes none of them; compiling and
reading are apart. `load` is the machine's, before and after.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.bench import billets, hides, strips


def words(parser: argparse.ArgumentParser) -> None:
    """What to run, and for how long."""
    parser.add_argument("--instances", type=Path, metavar="DIR", help="a folder of instances (nest-instance/1)")
    parser.add_argument("--only", metavar="NAMES", help="some of them, with commas between")
    parser.add_argument("--seconds", type=float, default=60.0, metavar="S", help="of each run")
    parser.add_argument("--seeds", type=int, default=5, metavar="N", help="runs of each instance")
    parser.add_argument("--threads", type=int, default=1, metavar="T")


def run(instances: Path | None, only: str | None, seconds: float, seeds: int, threads: int) -> dict:
    """Per instance: what is measured, its mean, least and most over the seeds, pieces placed, faults, load."""
    files = sorted(instances.glob("*.json")) if instances else []
    found = [json.loads(file.read_text()) for file in files] if instances else billets.tight_billets()
    wanted = only.lower().split(",") if only else None
    out: dict[str, Any] = {}
    for data in found:
        if data.get("kind") not in _KINDS or (wanted is not None and data["name"].lower() not in wanted):
            continue
        before, begin = os.getloadavg()[0], time.perf_counter()
        rows = [_KINDS[data["kind"]](data, seconds, seed, threads) for seed in range(1, seeds + 1)]
        name, values = rows[0]["measure"], [row["value"] for row in rows]
        out[data["name"]] = {
            "measure": name, "seeds": seeds, "mean": round(statistics.fmean(values), 3), "min": min(values),
            "max": max(values), "pieces": min(row["pieces"] for row in rows),
            "faults": sum(row["faults"] for row in rows),
            **{key: rows[0][key] for key in rows[0] if key not in ("measure", "value", "pieces", "faults", "first_s")},
            **({"first_s": max(row["first_s"] for row in rows)} if "first_s" in rows[0] else {}),
            "seconds": seconds, "threads": threads, "wall_s": round(time.perf_counter() - begin, 1),
            "load": f"{before:.1f} to {os.getloadavg()[0]:.1f}", "values": values,
        }  # fmt: skip
    return out


def _strip(data: dict, seconds: float, seed: int, threads: int) -> dict[str, Any]:
    strip = strips.load(data)
    strips.solve(strip, seconds=0.01, seed=seed)  # compiles
    packed = strips.solve(strip, seconds=seconds, seed=seed, threads=threads)
    return {"measure": "density, %", "value": round(strips.density(strip, packed), 3), "pieces": len(packed.forms),
            "faults": len(strips.faults(strip, data, packed))}  # fmt: skip


def _plate(data: dict, seconds: float, seed: int, threads: int) -> dict[str, Any]:
    plate = billets.load_billet(data)
    billets.solve(plate, 0.0, seed)  # compiles
    nest = billets.solve(plate, seconds, seed, threads)
    plain, many = billets.baseline(plate), billets.baseline(plate, seconds * threads, seed)
    return {"measure": "studs", "value": nest.studs or 0, "pieces": (nest.studs or 0) + billets.counted(plate),
            "faults": nest.faults, "first_s": round(nest.feasible_s, 2), "bottom_left": plain.studs,
            "multi_start": many.studs}  # fmt: skip


def _hides(data: dict, seconds: float, seed: int, threads: int) -> dict[str, Any]:
    """The seconds are shared by the streams of one hide."""
    laid = hides.solve(data, rounds=10**6, seed=seed, threads=threads, cpu_seconds=seconds * threads / hides.STREAMS)
    checked = hides.check(data, laid)
    return {"measure": "hides used", "value": checked["hides"], "pieces": checked["laid"],
            "density": round(100 * checked["density"], 2),
            "faults": len(checked["faults"])}  # fmt: skip


_KINDS: dict[str, Callable[[dict, float, int, int], dict[str, Any]]] = {
    "strip": _strip, "knapsack": _plate, "multi_container": _hides
}  # fmt: skip
