"""Drawings are read back by the DXF library's own reader: the same polygons on the same layers, in either unit."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from pipeline.geometry.dxf import drawing_bytes, read_outline

SHEET = np.array([[0, 0], [25.4, 0], [25.4, 50.8], [0, 50.8]])


@pytest.mark.parametrize("units", ["mm", "in"])
def test_a_drawing_reads_back(tmp_path, units):
    file = tmp_path / "a.dxf"
    file.write_bytes(drawing_bytes({"BILLET": [SHEET], "PARTS-STUD": [SHEET / 2]}, units=units))
    assert read_outline(file, "BILLET").area_mm2 == pytest.approx(25.4 * 50.8, rel=1e-9)
    assert read_outline(file, "PARTS-STUD").area_mm2 == pytest.approx(25.4 * 50.8 / 4, rel=1e-9)


def test_same_drawing_same_bytes_and_the_note_is_in_it():
    one, two = (drawing_bytes({"BILLET": [SHEET]}, units="mm", note="REFUSED, WRITTEN BY FORCE") for _ in range(2))
    assert one == two
    assert b"REFUSED, WRITTEN BY FORCE" in one


def test_same_bytes_whatever_the_hash_seed():
    """The library writes a table in the order of a set of texts, which another process may order otherwise."""
    code = (
        "import sys, hashlib, numpy as np; from pipeline.geometry.dxf import drawing_bytes;"
        "sheet = np.array([[0, 0], [9, 0], [9, 9.0]]);"
        "print(hashlib.sha256(drawing_bytes({'BILLET': [sheet]}, units='mm', note='x')).hexdigest())"
    )
    seen = {
        subprocess.run([sys.executable, "-c", code], env=os.environ | {"PYTHONHASHSEED": str(seed)}, text=True,
                       cwd=Path(__file__).parents[3], capture_output=True, check=True).stdout
        for seed in range(6)
    }  # fmt: skip
    assert len(seen) == 1
