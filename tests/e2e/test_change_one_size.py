"""Change one size and only what must change changes: the stud's bore 0.1 mm deeper, every part kept in its place."""

from __future__ import annotations

import re

import pytest
import yaml

from tests.e2e.conftest import JOBS

DEEPER_MM = 0.1


@pytest.fixture(scope="module")
def twins(make, tmp_path_factory):
    """The main job in its own nest with shallow bores, and the same with deeper ones."""
    first = make(JOBS / "grafting-pair.yaml")
    runs = []
    for name, depth in (("kept", BORE_MM), ("deeper", BORE_MM + DEEPER_MM)):
        job = {"based_on": str(JOBS / "grafting-pair.yaml"), "parts": {"stud": {"sizes": {"bore_depth": depth}}}}
        file = tmp_path_factory.mktemp(name) / "bore.yaml"
        file.write_text(yaml.safe_dump(job))
        runs.append(make(file, "--keep-nest", str(first.folder)))
        assert runs[-1].code == 0, runs[-1].stderr
        assert runs[-1].summary["placements"] == first.summary["placements"]
    return runs


BORE_MM = 2.0

# What must change in the program when the bore goes deeper, and nothing else
DIGEST = re.compile(r"^\(job digest: [0-9a-f]+\)$")
DRILLING = re.compile(r"^\(stud-\d+/bore/drill, T\d+, Z \S+ to \S+\)$")  # its depth stands in its comment


def operation_at(lines: list[str]) -> list[str]:
    """For each line the comment of the operation it belongs to."""
    out, current = [], ""
    for line in lines:
        if re.match(r"^\([\w-]+/[\w-]+/[\w-]+, T\d+, Z ", line):
            current = line
        out.append(current)
    return out


def test_only_depths_of_the_bores_change(twins):
    """Pecks are equal bites, so each one reaches a little deeper and the last one by the whole 0.1 mm."""
    kept, deeper = (run.program.splitlines() for run in twins)
    assert len(kept) == len(deeper)
    n_digests, steps = 0, {}
    for a, b, operation in zip(kept, deeper, operation_at(kept), strict=True):
        if a == b:
            continue
        if DIGEST.match(a) and DIGEST.match(b):
            n_digests += 1
        elif DRILLING.match(a) and DRILLING.match(b):
            steps[operation] = []
        else:
            assert DRILLING.match(operation), f"{a!r} became {b!r} in {operation}"
            differing = [(x, y) for x, y in zip(a.split(), b.split(), strict=True) if x != y]
            assert [x[0] for x, _ in differing] == ["Z"], f"{a!r} became {b!r}"
            steps[operation].append(float(differing[0][0][1:]) - float(differing[0][1][1:]))
    assert n_digests == 1
    assert len(steps) == twins[0].summary["placed"]["stud"]
    for down in steps.values():
        assert max(down) == pytest.approx(DEEPER_MM, abs=1.1e-4)  # one output digit for the two roundings
        assert min(down) > 0


def test_the_summary_changes_only_where_it_must(twins):
    kept, deeper = (dict(run.summary) for run in twins)
    must = {"job_digest", "programs", "removed_mm3", "parts", "files"}
    assert {key for key in kept if kept[key] != deeper[key]} == must
    assert {name for name in kept["parts"] if kept["parts"][name] != deeper["parts"][name]} == {"stud"}
    sizes, other = (summary["parts"]["stud"]["sizes"] for summary in (kept, deeper))
    assert {size for size in sizes if sizes[size] != other[size]} == {"bore_depth_mm"}
    changed = {name for name in kept["files"] if kept["files"][name] != deeper["files"][name]}
    assert changed == {"packet.html", "setup-sheet.pdf", "stud.step", "bore-setup-1.ngc"}
    for key in ("file", "setup", "lines", "cutters"):
        assert kept["programs"][0][key] == deeper["programs"][0][key]
    assert deeper["removed_mm3"] > kept["removed_mm3"]


def test_solids_of_the_other_parts_stay_the_same_bytes(twins):
    kept, deeper = (run.folder for run in twins)
    for name in ("handle-left.step", "handle-right.step", "clip.step", "nest.dxf", "nest.svg"):
        assert (kept / name).read_bytes() == (deeper / name).read_bytes(), name
    assert (kept / "stud.step").read_bytes() != (deeper / "stud.step").read_bytes()
