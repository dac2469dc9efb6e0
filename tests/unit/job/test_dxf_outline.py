"""Outlines from DXF files: what is read, what is refused."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest

from pipeline.errors import BadInput
from pipeline.geometry.dxf import outline_points, read_outline
from pipeline.job import read_job

GRAFTING = Path(__file__).parents[3] / "configs/jobs/grafting-pair.yaml"


def drawing(path: Path, draw: Callable[[Any], None], units: int = 4) -> Path:
    document = ezdxf.new()
    document.header["$INSUNITS"] = units
    draw(document.modelspace())
    document.saveas(path)
    return path


def rounded(space: Any) -> None:
    """A 40 x 20 rectangle with one corner rounded to r 5: area 800 - (25 - 25 pi / 4)."""
    space.add_lwpolyline([(0, 0, 0), (40, 0, 0), (40, 15, math.tan(math.pi / 8)), (35, 20, 0), (0, 20, 0)],
                         format="xyb", close=True, dxfattribs={"layer": "PLATE"})  # fmt: skip


AREA = 800 - (25 - 25 * math.pi / 4)


def test_a_closed_polyline_keeps_its_arc(tmp_path: Path) -> None:
    loop = read_outline(drawing(tmp_path / "a.dxf", rounded), "PLATE")
    assert loop.area_mm2 == pytest.approx(AREA, abs=1e-9)


def test_inches(tmp_path: Path) -> None:
    assert read_outline(drawing(tmp_path / "a.dxf", rounded, units=1)).area_mm2 == pytest.approx(AREA * 25.4**2)


def test_lines_and_arcs_in_any_order_and_direction(tmp_path: Path) -> None:
    def draw(space: Any) -> None:
        space.add_line((0, 20), (35, 20))
        space.add_line((40, 0), (0, 0))
        space.add_arc((35, 15), 5, 0, 90)
        space.add_line((0, 0), (0, 20))
        space.add_line((40, 0), (40, 15))

    assert read_outline(drawing(tmp_path / "a.dxf", draw)).area_mm2 == pytest.approx(AREA, abs=1e-9)


def test_clockwise_is_turned_round(tmp_path: Path) -> None:
    def draw(space: Any) -> None:
        space.add_lwpolyline([(0, 0, -1), (10, 0, 0), (10, -20, 0), (0, -20, 0)], format="xyb", close=True)

    # clockwise: half a circle of r 5 bulges up over a 10 x 20 rectangle
    assert read_outline(drawing(tmp_path / "a.dxf", draw)).area_mm2 == pytest.approx(200 + 12.5 * math.pi)


def test_a_circle(tmp_path: Path) -> None:
    loop = read_outline(drawing(tmp_path / "a.dxf", lambda space: space.add_circle((3, 4), 5)))
    assert loop.area_mm2 == pytest.approx(25 * math.pi)


def test_points_lie_on_the_arc(tmp_path: Path) -> None:
    points = np.array(outline_points(drawing(tmp_path / "a.dxf", rounded), chord_mm=0.01))
    on_arc = points[(points[:, 0] > 35) & (points[:, 1] > 15)]
    assert len(on_arc) >= 5
    np.testing.assert_allclose(np.hypot(on_arc[:, 0] - 35, on_arc[:, 1] - 15), 5, atol=1e-9)


def open_end(space: Any) -> None:
    space.add_line((0, 0), (10, 0))
    space.add_line((10, 0), (10, 10))


def two(space: Any) -> None:
    space.add_circle((0, 0), 5)
    space.add_circle((20, 0), 5)


def spline(space: Any) -> None:
    space.add_spline([(0, 0), (5, 5), (10, 0)])


@pytest.mark.parametrize(
    ("draw", "units", "layer", "words"),
    [
        (rounded, 0, None, "$INSUNITS 0"),
        (rounded, 6, None, "$INSUNITS 6"),
        (rounded, 4, "EDGE", "nothing on layer EDGE"),
        (open_end, 4, None, "open end at (10.000, 10.000)"),
        (two, 4, None, "2 closed outlines"),
        (spline, 4, None, "a SPLINE"),
        (lambda space: None, 4, None, "an empty drawing"),
    ],
)
def test_refused(tmp_path: Path, draw: Callable[[Any], None], units: int, layer: str | None, words: str) -> None:
    with pytest.raises(BadInput) as caught:
        read_outline(drawing(tmp_path / "a.dxf", draw, units), layer)
    (finding,) = caught.value.findings
    assert finding.code == "J124" and words in finding.found


def test_not_dxf(tmp_path: Path) -> None:
    (tmp_path / "a.dxf").write_text("hello\nworld\n")
    with pytest.raises(BadInput):
        read_outline(tmp_path / "a.dxf")


def test_a_billet_by_drawing(tmp_path: Path) -> None:
    def draw(space: Any) -> None:
        space.add_lwpolyline([(0, 0), (160, 0), (160, 75), (0, 75)], close=True, dxfattribs={"layer": "PLATE"})

    drawing(tmp_path / "plate.dxf", draw)
    corpus = Path(__file__).parents[2] / "corpus/jobs/shop/drawn-billet.yaml"
    (tmp_path / "plate.yaml").write_text(corpus.read_text().replace("nobody.dxf", "plate.dxf"))
    (tmp_path / "job.yaml").write_text(f"based_on: {GRAFTING}\nbillet: ./plate.yaml\n")
    np.testing.assert_allclose(read_job(tmp_path / "job.yaml").billet.outline, [[0, 0], [160, 0], [160, 75], [0, 75]])
