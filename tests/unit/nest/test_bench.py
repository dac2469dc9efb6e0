"""The benchmark of nests runs on a folder of small instances of every kind, and sees no fault."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from tests.bench import billets, hides
from tests.unit.nest.test_forms import INVENTED

ROOT = Path(__file__).parents[3]


def test_the_benchmark_takes_every_kind(tmp_path: Path) -> None:
    for name, data in (("strip", INVENTED), ("hides", hides.invented(2)), ("plate", billets.tight_billets()[0])):
        (tmp_path / f"{name}.json").write_text(json.dumps(data))
    (tmp_path / "odd.json").write_text(json.dumps({"columns": []}))
    words = ["nest", "--instances", tmp_path, "--seconds", "0.2", "--seeds", "1", "--json", tmp_path / "out"]
    bench = ROOT / "tests/bench/__main__.py"
    subprocess.run([sys.executable, bench, *words], check=True, capture_output=True, cwd=ROOT)
    found = json.loads((tmp_path / "out").read_text())
    assert set(found) == {"invented-strip", "invented", "tight-01"}
    for row in found.values():
        assert row["faults"] == 0 and row["pieces"] > 0 and row["seeds"] == 1
