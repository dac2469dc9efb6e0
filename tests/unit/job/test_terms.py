"""What a job and a billet say of the terms of a nest, as read; and that none of it changes a job that says nothing."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from pipeline.job import read_job
from pipeline.model.job import Worth

ROOT = Path(__file__).parents[3]
GRAFTING = ROOT / "configs/jobs/grafting-pair.yaml"
ZONES = """layers: 7
zones:
- {name: waves, figure: 0.9, points: [[30, 45], [120, 50], [110, 90]]}
- name: eye
  figure: 1
  points: [[40, 60], [50, 60], [50, 70]]
"""


def write(folder: Path, more: str) -> Path:
    plate = (ROOT / "configs/billets/layered-160x75.yaml").read_text()
    (folder / "plate.yaml").write_text(plate + ZONES)
    path = folder / "job.yaml"
    path.write_text(f"based_on: {GRAFTING}\nbillet: ./plate.yaml\n{more}")
    return path


def test_a_job_that_says_nothing_weighs_nothing(tmp_path: Path) -> None:
    said = GRAFTING.read_text().splitlines(keepends=True)
    quiet = [line for line in said if not line.strip().startswith(("web:", "worth:"))]
    assert len(quiet) == len(said) - 2
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    path = tmp_path / "configs/jobs/quiet.yaml"
    path.write_text("".join(quiet))
    job = read_job(path)
    assert (job.nest.worth, job.nest.web_mm) == (Worth(), 0.0)
    assert (job.billet.zones, job.billet.layers_rad) == ((), None)
    assert all(part.along_layers_rad is None for part in job.parts)


def test_worths_zones_and_directions_are_read(tmp_path: Path) -> None:
    job = read_job(write(tmp_path, """
parts:
  handle: {along_layers: 10}
  clip: {along_layers: 0}
nest:
  web: 0.4
  worth: {figure: 25, alike: 12.5, layers: 8}
"""))
    assert job.nest.worth == Worth(figure=25, alike=12.5, layers=8, held=2), "held as the job it is based on"
    assert job.nest.web_mm == 0.4
    along = {part.name: part.along_layers_rad for part in job.parts}
    ten = pytest.approx(math.radians(10))
    assert along["handle-left"] == ten and -along["handle-right"] == ten, "the right half is the left one's image"
    assert (along["clip"], along["stud"]) == (0.0, None)
    assert [(zone.name, zone.figure) for zone in job.billet.zones] == [("waves", 0.9), ("eye", 1.0)]
    assert np.array_equal(job.billet.zones[1].polygon, [[40, 60], [50, 60], [50, 70]])
    assert job.billet.layers_rad == pytest.approx(math.radians(7))


def test_one_worth_can_be_a_column_of_an_order_list(tmp_path: Path) -> None:
    """A job based on another one changes one worth and keeps the rest."""
    first = write(tmp_path, "nest:\n  worth: {figure: 25, alike: 0, held: 3}\n")
    second = tmp_path / "second.yaml"
    second.write_text(f"based_on: {first}\nnest:\n  worth:\n    figure: 30\n")
    assert read_job(second).nest.worth == Worth(figure=30, held=3)


@pytest.mark.parametrize(("margin", "edge", "web"), [(0.5, 0.8, 0.8), (3.0, 0.8, 0.8), (3.8, 0.8, 0.8), (3.4, 0.1, 0)])
def test_margins_and_edges_that_leave_webs_that_stand(tmp_path: Path, margin: float, edge: float, web: float) -> None:
    """With the cutter of 3: neighbours' kerfs meet up to a margin of 3, and from 3.8 on leave 0.8."""
    job = read_job(write(tmp_path, f"nest: {{margin: {margin}, edge: {edge}, web: {web}}}\n"))
    assert job.nest.web_mm == web


def test_a_part_left_out_is_not_missed(tmp_path: Path) -> None:
    """An order without handles, of a job that weighs pairs."""
    job = read_job(write(tmp_path, "parts: {handle: {count: 0}}\nnest: {worth: {alike: 5}}\n"))
    assert job.nest.worth.alike == 5 and [part.name for part in job.parts] == ["clip", "stud"]
