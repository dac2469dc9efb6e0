"""The command leaves a billet file that the next job can be checked and nested on."""

from __future__ import annotations

import math
import re

import pytest
import shapely

from pipeline.job import read_job
from pipeline.solids import build_parts
from tests.e2e.conftest import JOBS, ROOT, Run, command

JOB = """\
based_on: {base}
title: one clip and two studs of a whole plate
parts:
  handle: {{count: 0}}
  clip: {{count: 1, fixed: [{{x: 40, y: 55, angle: 7}}]}}
  stud: {{count: 2, fixed: [{{x: 60, y: 80, angle: 0}}, {{x: 140, y: 70, angle: 0}}]}}
nest: {{effort: 1}}
"""


FILE = "first-remnant-1.yaml"


def plugged(file):
    file.write_text(file.read_text().replace("holes_plugged: no ", "holes_plugged: yes "))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("remnant")
    (folder / "first.yaml").write_text(JOB.format(base=ROOT / "configs/jobs/grafting-pair.yaml"))
    done = command("make", str(folder / "first.yaml"), "--out", str(folder / "packet"))
    assert done.returncode == 0, done.stderr
    return folder, Run(folder / "packet", done.returncode, done.stdout, done.stderr)


def test_the_file_is_a_billet_of_the_next_job(made):
    folder, run = made
    assert FILE in run.summary["files"]
    job = folder / "next.yaml"
    job.write_text(f"based_on: {folder / 'first.yaml'}\nbillet: ./packet/{FILE}\n")
    done = command("check", str(job))
    assert done.returncode == 2 and "J127" in done.stderr, "nobody has plugged the holes"
    plugged(folder / "packet" / FILE)
    done = command("check", str(job))
    assert done.returncode == 0, done.stderr
    (row,) = run.summary["remnant"]["pieces"]
    first, billet = read_job(folder / "first.yaml"), read_job(job).billet
    piece = shapely.Polygon(billet.outline)
    assert (row["holes"], row["defects"]) == (len(billet.holes), len(billet.defects)) and row["file"] == FILE
    lost = [shapely.Polygon(ring) for ring in (*billet.holes, *billet.defects)]
    assert all(piece.covers(ring) for ring in lost)
    metal = piece.difference(shapely.union_all(lost))
    assert metal.area == pytest.approx(row["area_mm2"], abs=0.025 * metal.length)  # drawn with fewer points
    assert billet.outline_uncertainty_mm > first.billet.outline_uncertainty_mm
    assert (billet.thickness_mm, billet.price_per_cm2) == (first.billet.thickness_mm, first.billet.price_per_cm2)
    # every placed part is in a hole, a whole cutter away from the metal
    by_name = {part.name: part for part in build_parts(first.parts)}
    for spot in run.summary["placements"]:
        outline = shapely.Polygon(by_name[spot["kind"]].outline.flattened(chord_mm=0.01))
        turned = shapely.affinity.rotate(outline, math.degrees(spot["angle_rad"]), origin=(0, 0))
        assert metal.distance(shapely.affinity.translate(turned, spot["x_mm"], spot["y_mm"])) >= 3.0


def test_the_largest_part_lies_in_the_metal_with_its_gaps(made):
    folder, run = made
    left = run.summary["remnant"]
    largest = left["pieces"][0]["largest"]
    assert largest["kind"] == "clip"
    first = read_job(folder / "first.yaml")
    (clip,) = build_parts([r for r in first.parts if r.name == "clip"])
    outline = shapely.Polygon(clip.outline.flattened(chord_mm=0.001))
    placed = shapely.affinity.rotate(outline, math.degrees(largest["angle_rad"]), origin=(0, 0))
    placed = shapely.affinity.translate(placed, largest["x_mm"], largest["y_mm"])
    (folder / "next.yaml").write_text(f"based_on: {folder / 'first.yaml'}\nbillet: ./packet/{FILE}\n")
    plugged(folder / "packet" / FILE)
    billet = read_job(folder / "next.yaml").billet
    piece = shapely.Polygon(billet.outline)
    assert piece.covers(placed)
    assert piece.exterior.distance(placed) >= left["edge_gap_mm"] - 0.001
    assert min(shapely.Polygon(ring).distance(placed) for ring in billet.holes) >= left["edge_gap_mm"] - 0.001


def test_a_job_on_the_plugged_piece_says_what_it_counts_on(made):
    folder, run = made
    plugged(folder / "packet" / FILE)
    (folder / "again.yaml").write_text(
        f"based_on: {folder / 'first.yaml'}\nbillet: ./packet/{FILE}\n"
        "parts: {clip: {count: 1, fixed: []}, stud: {count: 0, fixed: []}}\n"
    )
    done = command("make", str(folder / "again.yaml"), "--out", str(folder / "again"))
    assert done.returncode == 0, done.stderr
    again = Run(folder / "again", done.returncode, done.stdout, done.stderr)
    page, billet = (folder / "again/packet.html").read_text(), read_job(folder / "again.yaml").billet
    holes = shapely.union_all([shapely.Polygon(ring) for ring in billet.holes])
    assert f"Plug the {len(billet.holes)} holes" in page and "are taken as plugged and tight" in page
    assert f"{len(billet.holes)} plugged" in again.program
    metal = (shapely.Polygon(billet.outline).area - holes.area) / 100
    assert f"Plate: <b>{metal * billet.price_per_cm2:.0f} " in page, "a hole is not paid for"
    # the holes lie inside the gasket: the vacuum pulls on so much less
    before, after = (float(re.search(r"kPa under ([0-9.]+) cm2", text)[1])
                     for text in ((folder / "packet/packet.html").read_text(), page))  # fmt: skip
    assert before - after == pytest.approx(holes.area / 100, rel=0.05)


@pytest.mark.parametrize("name", ["grafting-pair", "budding-small"])
def test_the_examples_account_for_the_whole_plate(make, name):
    run = make(JOBS / f"{name}.yaml")
    left, plate = run.summary["remnant"], shapely.Polygon(read_job(JOBS / f"{name}.yaml").billet.outline)
    metal = math.fsum(row["area_mm2"] for row in left["pieces"])
    total = metal + left["kerfs_mm2"] + left["slivers_mm2"] + left["defects_mm2"] + run.summary["parts_area_mm2"]
    assert total == pytest.approx(plate.area, abs=2.0)
    files = sorted(file.name for file in run.folder.glob("*-remnant-*"))
    assert files == [row["file"] for row in left["pieces"] if row["file"]]
    assert bool(files) == (left["usable_mm2"] > 0)
