"""Reading whole jobs: units, pairs, based_on, places, and what reading must not load."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import BadInput
from pipeline.job import read_job
from pipeline.model.digests import digest
from pipeline.model.shop import CutterKind

ROOT = Path(__file__).parents[3]
JOBS = ROOT / "configs" / "jobs"
GRAFTING = JOBS / "grafting-pair.yaml"


def test_the_metric_job() -> None:
    """Figures as written in the files."""
    job = read_job(GRAFTING)
    assert (job.name, job.units, job.z.zero) == ("grafting-pair", "mm", "bed")
    assert [(part.name, part.family, part.count) for part in job.parts] == [
        ("handle-left", "handle", 1),
        ("handle-right", "handle", 1),
        ("clip", "clip", 2),
        ("stud", "stud", None),
    ]
    left, right = job.parts[:2]
    assert (left.sizes["hand"], right.sizes["hand"]) == ("left", "right")
    assert {**left.sizes, "hand": "right"} == dict(right.sizes)
    assert left.rotations_rad == pytest.approx((math.radians(7), math.radians(187)))
    assert job.parts[2].rotations_rad is None
    assert job.billet.outline.shape == (50, 2) and len(job.billet.defects) == 1
    assert (job.billet.thickness_mm, job.billet.bow_mm) == (4.8, 0.05)
    outline = job.crib.cutter(job.nest.outline_cutter)
    assert outline.kind is CutterKind.FLAT and outline.diameter_mm == 3.0
    assert job.crib.cutter(8).diameter_mm == pytest.approx(2.2606, abs=1e-12)
    assert job.crib.cutter(8).point_angle_rad == pytest.approx(math.radians(135))
    assert job.machine.dialect.canned_cycles == {"G81", "G82", "G83"}
    assert job.machine.jerk_mm_s3 is None and job.machine.dialect.line_numbers is False
    assert [stop.name for stop in job.holding.stops] == ["front-left", "front-right", "left"]


def test_the_inch_job_is_in_millimetres_inside() -> None:
    job = read_job(JOBS / "budding-small.yaml")
    assert job.units == "in"
    assert job.parts[0].sizes["length_mm"] == pytest.approx(3.25 * 25.4)
    assert job.parts[0].sizes["pivot_diameter_mm"] == pytest.approx(4.7625)
    assert job.billet.thickness_mm == pytest.approx(0.172 * 25.4)
    assert job.crib.cutter(3).diameter_mm == pytest.approx(3.175)
    assert job.crib.cutter(5).edge_radius_mm == pytest.approx(0.004)
    assert job.machine.travel_low_mm[2] == pytest.approx(-8 * 25.4)
    assert job.machine.dialect.canned_cycles == frozenset()
    assert job.z.skin_mm == pytest.approx(0.254)


def test_every_size_of_a_family_is_filled_in() -> None:
    from pipeline.families import scan

    for part in read_job(GRAFTING).parts:
        assert list(part.sizes) == [size.name for size in scan()[part.family].sizes]


def write(folder: Path, text: str, name: str = "job.yaml") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def test_based_on_overrides_one_value_deep_down(tmp_path: Path) -> None:
    job = read_job(write(tmp_path, f"based_on: {GRAFTING}\nparts:\n  clip:\n    sizes: {{length: 50}}\n    count: 3\n"))
    base = read_job(GRAFTING)
    changed = {part.name: part for part in job.parts}["clip"]
    assert (changed.count, changed.sizes["length_mm"], changed.sizes["thickness_mm"]) == (3, 50.0, 3.0)
    assert changed.value == 14
    assert digest(job.parts[:2]) == digest(base.parts[:2]) and digest(job.crib) == digest(base.crib)
    assert job.name == "job"


def test_an_inch_job_on_a_metric_one_keeps_each_file_in_its_unit(tmp_path: Path) -> None:
    job = read_job(write(tmp_path, f"based_on: {GRAFTING}\nunits: in\nparts:\n  clip:\n    sizes: {{length: 2}}\n"))
    clip = {part.name: part for part in job.parts}["clip"]
    assert clip.sizes["length_mm"] == pytest.approx(50.8)
    assert clip.sizes["thickness_mm"] == 3.0 and job.z.skin_mm == 0.25
    assert job.units == "in"


def test_a_chain_of_three(tmp_path: Path) -> None:
    write(tmp_path, f"based_on: {GRAFTING}\nz: {{skin: 0.3}}\nnest: {{seed: 5}}\n", "middle.yaml")
    job = read_job(write(tmp_path, "based_on: middle\nnest: {seed: 6}\n"))
    assert (job.z.skin_mm, job.nest.seed, job.nest.outline_cutter) == (0.3, 6, 3)


def test_a_circle_of_two_is_found_where_it_closes(tmp_path: Path) -> None:
    write(tmp_path, "based_on: job\n", "other.yaml")
    with pytest.raises(BadInput) as caught:
        read_job(write(tmp_path, "based_on: other\n"))
    assert [(f.code, Path(f.file or "").name) for f in caught.value.findings] == [("J110", "other.yaml")]


def test_a_count_of_zero_takes_a_part_out(tmp_path: Path) -> None:
    job = read_job(write(tmp_path, f"based_on: {GRAFTING}\nparts:\n  handle: {{count: 0}}\n"))
    assert [part.name for part in job.parts] == ["clip", "stud"]
    with pytest.raises(BadInput) as caught:
        read_job(write(tmp_path, f"based_on: {GRAFTING}\nparts: {{handle: {{count: 0}}, clip: {{count: 0}}, "
                                 "stud: {count: 0}}\n"))  # fmt: skip
    assert [f.code for f in caught.value.findings] == ["J134"]


def test_places_of_a_pair_go_to_their_halves(tmp_path: Path) -> None:
    job = read_job(write(tmp_path, f"based_on: {GRAFTING}\nparts:\n  handle:\n    fixed:\n"
                                   "    - {x: 30, y: 90, angle: 187, hand: right}\n"
                                   "    - {x: 30, y: 60, angle: -353, hand: left}\n"))  # fmt: skip
    left, right = job.parts[:2]
    assert left.fixed == ((30.0, 60.0, pytest.approx(math.radians(-353))),)
    assert right.fixed == ((30.0, 90.0, pytest.approx(math.radians(187))),)


def test_one_hand_alone_keeps_its_name(tmp_path: Path) -> None:
    job = read_job(write(tmp_path, f"based_on: {GRAFTING}\nparts:\n  handle: {{hands: right}}\n"
                                   "nest: {worth: {alike: 0}}\n"))
    assert job.parts[0].name == "handle" and job.parts[0].sizes["hand"] == "right"


def test_shop_files_by_path_and_from_the_folder_beside(tmp_path: Path) -> None:
    (tmp_path / "jobs").mkdir()
    (tmp_path / "billets").mkdir()
    text = (ROOT / "configs/billets/layered-160x75.yaml").read_text()
    (tmp_path / "billets" / "mine.yaml").write_text(text.replace("bow: 0.05", "bow: 0.07"))
    for name in ("mine", "../billets/mine.yaml"):
        job = read_job(write(tmp_path / "jobs", f"based_on: {GRAFTING}\nbillet: {name}\n"))
        assert (job.billet.name, job.billet.bow_mm) == ("mine", 0.07)


def test_reading_twice_gives_one_digest_and_no_path_in_it(tmp_path: Path) -> None:
    moved = tmp_path / "elsewhere" / "jobs"
    moved.mkdir(parents=True)
    (moved / "grafting-pair.yaml").write_text(GRAFTING.read_text())
    assert digest(read_job(GRAFTING)) == digest(read_job(moved / "grafting-pair.yaml"))


def test_skin_rule_of_the_outside_case(tmp_path: Path) -> None:
    """Closed form: bow .08 + Z zero .02 + tool length .02 + spare .05 = .17 passes under .25; a bow of .2 does not."""
    text = (ROOT / "configs/billets/layered-160x75.yaml").read_text()
    for bow, passes in (("0.08", True), ("0.2", False), ("0.159", True), ("0.16", False)):
        (tmp_path / "plate.yaml").write_text(text.replace("bow: 0.05", f"bow: {bow}"))
        path = write(tmp_path, f"based_on: {GRAFTING}\nbillet: ./plate.yaml\n")
        if passes:
            assert read_job(path).billet.bow_mm == float(bow)
            continue
        with pytest.raises(BadInput) as caught:
            read_job(path)
        assert [f.code for f in caught.value.findings] == ["J140"]


@pytest.mark.parametrize("job", ["grafting-pair", "budding-small"])
def test_reading_loads_nothing_slow(job: str) -> None:
    """Reading and checking a job takes about 0.2 s of CPU because none of these is loaded (measured: 0.18 s)."""
    code = (
        "import sys; from pathlib import Path; from pipeline.job import read_job, job_schema;"
        f"read_job(Path({str(JOBS / f'{job}.yaml')!r})); job_schema();"
        "slow = {'cadquery', 'OCP', 'numba', 'scipy', 'matplotlib', 'shapely', 'ezdxf', 'pydantic', 'jinja2'};"
        "print(sorted(slow & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_findings_stand_in_the_order_of_the_text(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as caught:
        read_job(write(tmp_path, f"based_on: {GRAFTING}\nnest: {{seed: x}}\nz: {{skin: y}}\ntitel: z\n"))
    assert [f.line for f in caught.value.findings] == [2, 3, 4]


def test_the_outline_is_kept_to_the_digit() -> None:
    outline = read_job(GRAFTING).billet.outline
    np.testing.assert_array_equal(outline[0], [14.49, 33.72])
    np.testing.assert_array_equal(outline[-1], [9.88, 45.01])


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    path = tmp_path / "job.yaml"
    path.write_bytes(b"title: \xff\xfe\n")
    with pytest.raises(BadInput) as caught:
        read_job(path)
    assert [f.code for f in caught.value.findings] == ["J101"]
    with pytest.raises(BadInput) as caught:
        read_job(tmp_path / "nobody.yaml")
    assert [f.code for f in caught.value.findings] == ["J101"]
    with pytest.raises(BadInput) as caught:
        read_job(tmp_path)
    assert [f.code for f in caught.value.findings] == ["J101"]
