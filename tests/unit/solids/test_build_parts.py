"""Requests to parts: shared drawings, bytes that never change, meshes that close and say how far off they are."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from parts import stud
from parts._threads import THREADS, bore_mm, mouth_leg_mm
from pipeline.errors import BadInput, PlanError
from pipeline.families import scan
from pipeline.model.digests import digest
from pipeline.model.job import PartRequest
from pipeline.solids import build_parts

ROOT = Path(__file__).resolve().parents[3]


def request(name, family, **sizes):
    return PartRequest(name=name, family=family, sizes=sizes, count=1, value=1.0, rotations_rad=None, fixed=())


REQUESTS = (request("handle-left", "handle"), request("clip", "clip"), request("post", "stud"),
            request("cap", "stud", head="coned"), request("post-again", "stud", head="domed"))


@pytest.fixture(scope="module")
def parts():
    return build_parts(REQUESTS)


def test_parts_come_in_request_order_with_all_sizes(parts):
    assert [part.name for part in parts] == [r.name for r in REQUESTS]
    assert parts[3].sizes["head"] == "coned" and parts[3].sizes["head_diameter_mm"] == 7.0
    assert parts[2].family == "stud"


def test_equal_requests_share_one_drawing(parts):
    assert parts[4].brep is parts[2].brep and parts[4].mesh is parts[2].mesh
    assert parts[3].brep != parts[2].brep


def test_where_the_kernels_objects_lie_in_memory_does_not_matter():
    """The inch job's right handle: the mean of joined points came out in two ways, about half the time each."""
    from pipeline.job import read_job

    job = read_job(ROOT / "configs/jobs/budding-small.yaml")
    right = next(part for part in job.parts if part.name == "handle-right")
    rng, litter = np.random.default_rng(4), []
    found = set()
    for _ in range(10):
        litter.append(bytearray(int(rng.integers(8, 1600))))
        found.add(digest(build_parts([right])[0]))
    assert len(found) == 1


def test_a_part_known_from_before_is_taken_and_asked_for_once(parts):
    asked = []

    def recall(inputs, draw):
        asked.append(inputs)
        return parts[2] if inputs[0] == "stud" else draw()

    again = build_parts(REQUESTS[2:3] + REQUESTS[4:] + REQUESTS[1:2], recall=recall)
    assert [family for family, _ in asked] == ["stud", "clip"]
    assert again[0].brep is parts[2].brep and again[1].name == "post-again"
    assert digest(again[2]) == digest(parts[1])


def test_another_process_gives_the_same_bytes(parts):
    script = ("from tests.unit.solids.test_build_parts import REQUESTS, build_parts, digest\n"
              "build_parts(REQUESTS[2:3])\n"  # the STEP writer counts products: start from another count
              "print(*[digest(part) for part in build_parts(REQUESTS)])")
    out = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True,
                         env={"PYTHONHASHSEED": "7", "PATH": "/usr/bin:/bin"})
    assert out.stdout.split() == [digest(part) for part in parts]


def test_step_text_is_neutral_and_reads_back(parts, tmp_path):
    import cadquery as cq

    text = parts[0].step.decode("ascii")
    header = text[: text.index("ENDSEC")]
    assert "'1970-01-01T00:00:00',(''),(''),'billetwright'" in header
    assert "Open" not in text and "PRODUCT('handle','handle',''," in text
    (tmp_path / "handle.step").write_bytes(parts[0].step)
    read = cq.importers.importStep(str(tmp_path / "handle.step")).val()
    assert read.Volume() == pytest.approx(parts[0].volume_mm3, rel=1e-9)


def test_brep_reads_back_without_a_mesh(parts):
    import io

    import cadquery as cq
    from OCP.BRep import BRep_Tool
    from OCP.TopLoc import TopLoc_Location

    solid = cq.Shape.importBrep(io.BytesIO(parts[1].brep))
    assert solid.isValid() and solid.Volume() == pytest.approx(parts[1].volume_mm3, rel=1e-12)
    assert all(BRep_Tool.Triangulation_s(face.wrapped, TopLoc_Location()) is None for face in solid.Faces())


def mesh_volume(mesh):
    a, b, c = mesh.vertices[mesh.triangles.astype(int)].transpose(1, 0, 2)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def mesh_area(mesh):
    a, b, c = mesh.vertices[mesh.triangles.astype(int)].transpose(1, 0, 2)
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def test_meshes_close_look_outward_and_hold_the_volume(parts):
    for part in parts:
        sides = np.vstack([part.mesh.triangles[:, [i, (i + 1) % 3]] for i in range(3)]).astype(int)
        assert len(np.unique(sides, axis=0)) == len(sides)
        assert {tuple(side) for side in sides} == {(b, a) for a, b in sides}
        # Positive when triangles look outward; a mesh within its deviation loses at most area x deviation.
        assert abs(mesh_volume(part.mesh) - part.volume_mm3) < mesh_area(part.mesh) * part.mesh.deviation_mm
        assert part.mesh.vertices[:, 2].min() == pytest.approx(0.0, abs=part.mesh.deviation_mm)
        assert part.mesh.vertices[:, 2].max() == pytest.approx(part.thickness_mm, abs=part.mesh.deviation_mm)


@pytest.mark.parametrize("which", range(4))
def test_the_deviation_bounds_the_distance_to_the_solid(parts, which):
    """Random points of the mesh, their distance to the solid's boundary by the kernel's own search."""
    import io

    import cadquery as cq

    mesh = parts[which].mesh
    assert 0 < mesh.deviation_mm < 0.0065
    shell = cq.Shape.importBrep(io.BytesIO(parts[which].brep)).Shells()[0]
    rng = np.random.default_rng(20 + which)
    triangles = mesh.triangles.astype(int)[rng.integers(len(mesh.triangles), size=150)]
    weights = rng.dirichlet((1, 1, 1), size=150)
    points = np.einsum("nk,nkd->nd", weights, mesh.vertices[triangles])
    far = max(shell.distance(cq.Vertex.makeVertex(*point)) for point in points)
    assert 0 < far <= mesh.deviation_mm


def test_the_measure_sees_a_coarse_mesh(monkeypatch):
    from pipeline.solids import meshing

    solid = stud.build(stud.Params()).solid
    monkeypatch.setattr(meshing, "DEFLECTIONS_MM", (0.2,))
    coarse = meshing.mesh_of(solid)
    vertices = coarse.vertices[np.isclose(coarse.vertices[:, 2], 1.2)]
    radii = np.hypot(*vertices[:, :2].T)
    rim = vertices[np.isclose(radii, 3.5)]
    turns = np.sort(np.arctan2(rim[:, 1], rim[:, 0]))
    sagitta = 3.5 * (1 - math.cos(np.max(np.diff(turns)) / 2))  # of the longest chord of the head's rim
    assert coarse.deviation_mm >= sagitta > 0.02


@pytest.mark.parametrize("sizes", [{}, {"head": "coned", "crown_mm": 0.3},
                                   {"thread": "M3-6H", "head_diameter_mm": 12.0},
                                   {"thread": "2-56 UNC-2B", "bore_depth_mm": 2.0, "thickness_mm": 5.0}])
def test_stud_volume_is_the_sum_of_its_pieces(sizes):
    p = stud.Params(**sizes)
    head, shoulder, bore = p.head_diameter_mm / 2, p.shoulder_diameter_mm / 2, bore_mm(THREADS[p.thread]) / 2
    leg, c = mouth_leg_mm(THREADS[p.thread]), p.crown_mm

    def frustum(height, a, b):
        return math.pi * height / 3 * (a * a + a * b + b * b)

    crown = math.pi * c / 6 * (3 * head**2 + c * c) if p.head == "domed" else frustum(c, head - c, head)
    solid = crown + math.pi * head**2 * (p.head_height_mm - c)
    solid += math.pi * shoulder**2 * (p.thickness_mm - p.head_height_mm)
    solid -= math.pi * bore**2 * p.bore_depth_mm + math.pi * bore**3 / (3 * math.tan(math.radians(59)))  # 118 deg point
    solid -= frustum(leg, bore, bore + leg) - math.pi * bore**2 * leg
    [part] = build_parts([request("post", "stud", **sizes)])
    assert part.volume_mm3 == pytest.approx(solid, rel=1e-9)


def test_bad_requests_are_findings_all_at_once():
    with pytest.raises(BadInput) as caught:
        build_parts([request("a", "studd"), request("b", "stud", head_diameter_mm=99.0, crown_mm=-1.0)])
    found = [(finding.code, finding.where) for finding in caught.value.findings]
    assert found == [("J181", "a"), ("J181", "b"), ("J181", "b")]


BROKEN = '''"""Two boxes that do not touch, or half a face."""
from dataclasses import dataclass
import numpy as np
from pipeline.model.loop import Loop
from pipeline.model.part import Built, pick

@dataclass(frozen=True, slots=True, kw_only=True)
class Params:
    fault: str = pick("two solids", "an error", note="what goes wrong")

def check(p):
    return ()

def build(p):
    import cadquery as cq
    if p.fault == "an error":
        raise ValueError("no such arc")
    pair = cq.Solid.makeBox(1, 1, 1).fuse(cq.Solid.makeBox(1, 1, 1, cq.Vector(5, 0, 0)))
    outline = Loop.polygon(np.array([(0, 0), (6, 0), (6, 1), (0, 1)]))
    return Built(solid=pair, outline=outline, thickness_mm=1.0, features=())
'''


@pytest.mark.parametrize(("fault", "words"), [("two solids", "compound"), ("an error", "no such arc")])
def test_a_family_that_draws_no_valid_solid_is_refused(tmp_path, fault, words):
    (tmp_path / "broken.py").write_text(BROKEN)
    with pytest.raises(PlanError, match=words) as caught:
        build_parts([request("x", "broken", fault=fault)], families=scan([tmp_path]))
    assert caught.value.code == "J182"


def test_the_relative_tessellation_is_never_called():
    for path in (*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "parts").glob("*.py")):
        assert ".tessellate(" not in path.read_text(), path
