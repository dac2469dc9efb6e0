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
    must = {"job_digest", "programs", "removed_mm3", "parts", "files", "loads", "features", "hold"}
    assert {key for key in kept if kept[key] != deeper[key]} == must
    assert {name for name in kept["parts"] if kept["parts"][name] != deeper["parts"][name]} == {"stud"}
    sizes, other = (summary["parts"]["stud"]["sizes"] for summary in (kept, deeper))
    assert {size for size in sizes if sizes[size] != other[size]} == {"bore_depth_mm"}
    changed = {name for name in kept["files"] if kept["files"][name] != deeper["files"][name]}
    assert changed == {"packet.html", "setup-sheet.pdf", "stud.step", "bore-setup-1.ngc"}
    for key in ("file", "setup", "lines", "cutters"):
        assert kept["programs"][0][key] == deeper["programs"][0][key]
    assert deeper["removed_mm3"] > kept["removed_mm3"]


def test_only_the_bores_are_measured_deeper(twins):
    kept, deeper = ({(f["part"], f["feature"], f["quantity"]): f for f in run.summary["features"]} for run in twins)
    assert kept.keys() == deeper.keys()
    changed = {key for key in kept if kept[key] != deeper[key]}
    assert {(part.split("-")[0], feature) for part, feature, _ in changed} == {("stud", "bore")}
    depths = [key for key in changed if kept[key]["measured"] is not None]
    assert len(depths) == twins[0].summary["placed"]["stud"]
    for key in depths:
        for figure in ("nominal", "low", "high", "measured"):
            assert deeper[key][figure] - kept[key][figure] == pytest.approx(DEEPER_MM, abs=2e-4), (key, figure)


def test_the_hold_is_the_same_but_for_the_time_of_the_drilling(twins):
    kept, deeper = (dict(run.summary["hold"]) for run in twins)
    before, after = kept.pop("freed"), deeper.pop("freed")
    assert kept == deeper
    assert len(before) == len(after) > 0
    times = {"tied_s", "severed_s"}
    for a, b in zip(before, after, strict=True):
        assert {k: v for k, v in a.items() if k not in times} == {k: v for k, v in b.items() if k not in times}
        assert b["tied_s"] >= a["tied_s"]


def test_the_worst_that_every_other_operation_feels_stays(twins):
    """Peaks, and all that is taken off. Means go over a program's pieces; skin is the thinnest of all so far."""
    kept, deeper = (run.summary["loads"] for run in twins)
    assert (kept["uncertainty"], kept["assumed"]) == (deeper["uncertainty"], deeper["assumed"])
    same = ("heading", "cutter", "first_line", "last_line", "removed_mm3", "engaged_peak_rad", "depth_peak_mm")
    same += ("chip_peak_mm", "rate_peak_mm3_min", "force_peak_n", "torque_peak_n_m", "power_peak_w", "holding")
    same += ("deflection_peak_mm",)
    drilled = 0
    for a, b in zip(kept["stretches"], deeper["stretches"], strict=True):
        is_bore = re.match(r"\(?stud-\d+/bore/drill", a["heading"])
        drilled += bool(is_bore)
        thinner = a["skin_mm"] - b["skin_mm"]
        assert thinner == pytest.approx(0, abs=1e-9) or thinner == pytest.approx(DEEPER_MM, abs=2e-4), a["heading"]
        if is_bore:
            assert b["removed_mm3"] > a["removed_mm3"]
        else:
            assert [a[name] for name in same] == [b[name] for name in same], a["heading"]
            both = [one["cutting_s"] + one["air_s"] for one in (a, b)]
            assert both[0] == pytest.approx(both[1], abs=0.21), "but for four roundings"
    assert drilled == twins[0].summary["placed"]["stud"]
    assert [(w["quantity"], w["value"], w["line"]) for w in kept["worst"]] == [
        (w["quantity"], w["value"], w["line"]) for w in deeper["worst"]
    ]


def test_solids_of_the_other_parts_stay_the_same_bytes(twins):
    kept, deeper = (run.folder for run in twins)
    for name in ("handle-left.step", "handle-right.step", "clip.step", "nest.dxf", "nest.svg"):
        assert (kept / name).read_bytes() == (deeper / name).read_bytes(), name
    assert (kept / "stud.step").read_bytes() != (deeper / "stud.step").read_bytes()
