"""Drawings are read back by the DXF library's own reader: the same polygons on the same layers, in either unit."""

from __future__ import annotations

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
