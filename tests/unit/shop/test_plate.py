"""The top of a plate out of probes: planes known beforehand, and figures that cover what was not known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import BadInput
from pipeline.job import read_job
from pipeline.shop.fields import Length
from pipeline.shop.plate import fit_plane, top_of
from pipeline.shop.reading import FAILED, Reader
from pipeline.shop.schema import Row
from pipeline.shop.strict_yaml import load

ROOT = Path(__file__).parents[3]
GRAFTING = ROOT / "configs" / "jobs" / "grafting-pair.yaml"
PLATE = [(0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0)]
TILTED = [(0.0, 0.0, 0.0), (100.0, 0.0, 0.04), (100.0, 60.0, 0.06), (0.0, 60.0, 0.02)]  # corners 00, 10, 11, 01
ELL = [(0.0, 0.0), (90.0, 0.0), (90.0, 20.0), (30.0, 20.0), (30.0, 70.0), (0.0, 70.0)]


def test_the_plane_of_a_probed_plate() -> None:
    """Closed form: 100 x 60 plate, corners at 0, .04, .06, .02: .04 over 100 in X, .02 over 60 in Y, nothing left."""
    plane = fit_plane(TILTED)
    assert plane.slope_x * 100 == pytest.approx(0.04, abs=1e-9)
    assert plane.slope_y * 60 == pytest.approx(0.02, abs=1e-9)
    assert plane.z_at_origin == pytest.approx(0.0, abs=1e-9)
    assert plane.residual == pytest.approx(0.0, abs=1e-9)


def test_a_plane_far_from_the_frames_origin_keeps_its_digits() -> None:
    far = [(x + 4000, y - 3000, z) for x, y, z in TILTED]
    plane = fit_plane(far)
    assert plane.slope_x * 100 == pytest.approx(0.04, abs=1e-9)
    assert plane.at(4100, -2940) == pytest.approx(0.06, abs=1e-9)


def test_one_corner_high() -> None:
    """Closed form: on a rectangle's corners the part that no plane holds alternates in sign, a quarter of the fault."""
    z = [0.0, 0.0, 0.0, 0.1]
    plane = fit_plane([(x, y, h) for (x, y), h in zip(PLATE, z, strict=True)])
    assert plane.residual == pytest.approx(0.025, abs=1e-12)
    assert plane.at(50, 30) == pytest.approx(0.025, abs=1e-12)


@pytest.mark.parametrize(
    "points",
    [
        [(0, 0, 1), (1, 0, 1)],
        [(0, 0, 1), (1, 1, 2), (2, 2, 2)],
        [(5, 5, 1)] * 4,
        [(0.1, 0.3, 1), (0.2, 0.6, 1), (0.7, 2.1, 4), (0.3, 0.9, 0)],
    ],
)
def test_no_plane_through_a_line(points: list[tuple[float, float, float]]) -> None:
    with pytest.raises(ValueError, match="wanted"):
        fit_plane(points)


def test_the_rule_on_a_rectangle() -> None:
    """Closed form: mean height 4.83; half the range .03; a corner of the plane is 3/4 + 1/4 + 1/4 + 1/4 of a probe."""
    top = top_of([(x, y, 4.8 + z) for x, y, z in TILTED], PLATE, probe_uncertainty_mm=0.004)
    assert top.thickness_mm == pytest.approx(4.83, abs=1e-9)
    assert top.thickness_uncertainty_mm == pytest.approx(0.03 + 1.5 * 0.004, abs=1e-9)
    assert top.bow_mm == pytest.approx(0.0, abs=1e-9)


def test_a_dome_is_bow_and_its_rim_lies_low() -> None:
    """Closed form: four corners at 4.8 and the middle at 4.9: the plane lies at 4.82, the middle .08 over it."""
    top = top_of([*((x, y, 4.8) for x, y in PLATE), (50, 30, 4.9)], PLATE, probe_uncertainty_mm=0.0)
    assert top.thickness_mm == pytest.approx(4.82, abs=1e-9)
    assert top.bow_mm == pytest.approx(0.08, abs=1e-9)
    assert top.thickness_uncertainty_mm == pytest.approx(0.02, abs=1e-9)


def test_the_mean_is_that_of_the_area_not_of_the_corners() -> None:
    """On an L the corners' mean lies elsewhere; shapely says where the area's is."""
    probes = [(x, y, 5 + 0.001 * x - 0.002 * y) for x, y in ELL]
    middle = shapely.Polygon(ELL).centroid
    top = top_of(probes, ELL, probe_uncertainty_mm=0.0)
    assert top.thickness_mm == pytest.approx(5 + 0.001 * middle.x - 0.002 * middle.y, abs=1e-9)
    far = max(abs(z - top.thickness_mm) for _, _, z in probes)  # one side of an L is longer: more than half the range
    assert top.thickness_uncertainty_mm == pytest.approx(far, abs=1e-9)
    assert top_of(probes, ELL[::-1], probe_uncertainty_mm=0.0).thickness_mm == pytest.approx(top.thickness_mm, abs=1e-9)


@settings(max_examples=200, derandomize=True, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(4, 12), st.floats(0.0, 0.05))
def test_what_was_not_known_is_covered(seed: int, n: int, uncertainty: float) -> None:
    """A wedge, probed anywhere with readings wrong by up to the uncertainty: its true top lies in the band everywhere,
    and every reading lies under the highest top."""
    rng = np.random.default_rng(seed)
    slope = rng.uniform(-0.002, 0.002, 2)
    outline = np.array(ELL) + rng.uniform(-200, 200, 2)
    at = outline[0] + rng.uniform(0, 1, (n, 2)) * [30, 70]
    read = 5 + at @ slope + rng.uniform(-uncertainty, uncertainty, n)
    top = top_of(np.column_stack([at, read]), outline, probe_uncertainty_mm=uncertainty)
    off = 5 + outline @ slope - top.thickness_mm
    assert np.abs(off).max() <= top.thickness_uncertainty_mm + 1e-9
    low, high = -top.thickness_uncertainty_mm, top.thickness_uncertainty_mm + top.bow_mm
    assert low - 1e-9 <= (read - top.thickness_mm).min() and (read - top.thickness_mm).max() <= high + 1e-9


BY_HAND = (
    "thickness: 4.8                # invented; about 0.19 in\nthickness_uncertainty: 0.03   # invented\nbow: 0.05  "
)
GRID = [(20, 40), (90, 50), (160, 60), (160, 115), (90, 110), (20, 100), (90, 80)]


def probed(folder: Path, probes: str, *, uncertainty: str = "probe_uncertainty: 0.005\n", extra: str = "") -> Path:
    """The metric job on its own plate, probed instead of measured by hand."""
    text = (ROOT / "configs/billets/layered-160x75.yaml").read_text()
    assert BY_HAND in text
    (folder / "plate.yaml").write_text(text.replace(BY_HAND, f"probes: {probes}\n{uncertainty}{extra}#"))
    job = folder / "job.yaml"
    job.write_text(f"based_on: {GRAFTING}\nbillet: ./plate.yaml\n")
    return job


def grid(middle: float = 0.0) -> str:
    """Probes on a wedge that rises .02 over 100 in X, the last one `middle` higher."""
    rows = [f"[{x}, {y}, {4.8 + 0.0002 * (x - 90) + (middle if k == 6 else 0):.4f}]" for k, (x, y) in enumerate(GRID)]
    return f"[{', '.join(rows)}]"


def test_a_billet_by_probes(tmp_path: Path) -> None:
    billet = read_job(probed(tmp_path, grid())).billet
    middle = shapely.Polygon(billet.outline).centroid.x
    ends = billet.outline[:, 0]
    tilt = 0.0002 * max(ends.max() - middle, middle - ends.min())
    assert billet.thickness_mm == pytest.approx(4.8 + 0.0002 * (middle - 90), abs=1e-6)
    assert tilt + 0.005 < billet.thickness_uncertainty_mm < tilt + 3 * 0.005
    assert billet.bow_mm == pytest.approx(0.0, abs=1e-9)


def test_a_bow_found_by_probes_meets_the_skin_rule(tmp_path: Path) -> None:
    """.25 of skin less .09 of other errors: a dome of .1 passes, one of .24 leaves a residual of over .16."""
    assert 0.07 < read_job(probed(tmp_path, grid(0.1))).billet.bow_mm < 0.1
    with pytest.raises(BadInput) as caught:
        read_job(probed(tmp_path, grid(0.24)))
    assert {f.code for f in caught.value.findings} == {"J140"}


@pytest.mark.parametrize(
    ("probes", "options", "findings"),
    [
        ("[[20, 60, 4.8], [90, 60, 4.8], [90, 90, 4.8]]", {}, ["J125 probes"]),
        (grid(), {"uncertainty": ""}, ["J105 probe_uncertainty"]),
        (grid(), {"extra": "bow: 0.1\n"}, ["J123 probes"]),
        ("[[20, 60, 4.8], [90, 60, 0.19], [90, 90]]", {}, ["J107 probes.2.3", "J107 probes.3"]),
        ("[[0, 0, 4.8], [90, 60, 4.8], [90, 90, 4.8], [0, 90, 4.8]]", {}, ["J125 probes.1", "J125 probes.4"]),
        # a heap of probes says nothing of the far end: its uncertainty there is out of bounds
        ("[[90, 80, 4.8], [90.5, 80, 4.8], [90.5, 80.5, 4.8], [90, 80.5, 4.8]]", {}, ["J122 probes", "J142 *"]),
    ],
)
def test_what_probes_may_not_be(tmp_path: Path, probes: str, options: dict[str, str], findings: list[str]) -> None:
    with pytest.raises(BadInput) as caught:
        read_job(probed(tmp_path, probes, **options))
    found = {f"{f.code} {'*' if f.code == 'J142' else f.key}" for f in caught.value.findings}
    assert found == set(findings), caught.value


def test_a_plate_measured_by_hand_in_part(tmp_path: Path) -> None:
    text = (ROOT / "configs/billets/layered-160x75.yaml").read_text()
    (tmp_path / "plate.yaml").write_text(text.replace("bow: 0.05", "# bow: 0.05"))
    job = tmp_path / "job.yaml"
    job.write_text(f"based_on: {GRAFTING}\nbillet: ./plate.yaml\n")
    with pytest.raises(BadInput) as caught:
        read_job(job)
    assert [(f.code, f.key) for f in caught.value.findings] == [("J105", "bow")]
    assert "left under full vacuum" in caught.value.findings[0].wanted


@pytest.mark.parametrize(
    ("text", "codes"),
    [("[1, 2]", []), ("[1]", ["J107"]), ("3", ["J106"]), ("[1, 99]", ["J107"]), ("[x, y]", 2 * ["J106"])],
)
def test_rows(text: str, codes: list[str]) -> None:
    reader = Reader()
    node = load(f"v: {text}\n", file="f", findings=reader.findings)
    assert node is not None
    row = Row((Length(), Length(low=0.0, high=9.0)))
    value = row.read(node.entries["v"].node, reader)
    assert [f.code for f in reader.findings] == codes
    assert value is FAILED if codes else value == (1.0, 2.0)
    assert row.schema()["minItems"] == row.schema()["maxItems"] == len(row.schema()["prefixItems"]) == 2
