"""Again with something changed: what is kept, what is said, and what is written for people who look inside."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import yaml

from tests.e2e.conftest import JOBS, command

JOB = JOBS / "budding-small.yaml"


def content(folder):
    return {f.name: f.read_bytes() for f in sorted(folder.iterdir()) if f.name not in ("run.json", "changes.txt")}


def variant(folder, **parts):
    """A job file that builds on the inch job and changes sizes."""
    file = folder / "budding-small.yaml"
    file.write_text(yaml.safe_dump({"based_on": str(JOB), "parts": {k: {"sizes": v} for k, v in parts.items()}}))
    return file


@pytest.fixture(scope="module")
def first(make):
    return make(JOB)


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


def test_kept_results_make_the_same_packet(first, tmp_path, cache):
    """Twice with a cache that begins empty: filled by the first run, used by the second; both equal a run without."""
    for turn in ("filling", "using"):
        done = command("make", str(JOB), "--out", str(tmp_path / turn), cache=cache)
        assert done.returncode == 0, done.stderr
        assert content(tmp_path / turn) == content(first.folder)
    seconds = json.loads((tmp_path / "using/run.json").read_text())["stage_s"]
    assert max(seconds[stage] for stage in ("solids", "nest", "toolpaths", "verify", "remnant")) < 1.0
    n_rounds, odd = divmod(len(list((cache / "billetwright").iterdir())) - 4 - 2, 2)  # four parts, a nest, a remnant
    assert 1 <= n_rounds <= 3 and not odd  # of toolpaths and a verdict on them: one, and what feedback asked for
    none = command("make", str(JOB), "--out", str(tmp_path / "none"), "--no-cache", cache=tmp_path / "untouched")
    assert none.returncode == 0 and not (tmp_path / "untouched/billetwright").exists()


def test_a_kept_nest_leaves_every_placement_where_it_is(first, tmp_path, cache):
    job = variant(tmp_path, stud={"bore_depth": 0.083})
    done = command("make", str(job), "--keep-nest", str(first.folder), "--out", str(tmp_path / "out"), cache=cache)
    assert done.returncode == 0, done.stderr
    summary = json.loads((tmp_path / "out/summary.json").read_text())
    assert summary["placements"] == first.summary["placements"]  # to the last bit
    assert summary["kept_placements"] == len(summary["placements"]) == 7
    kept, old = ((tmp_path / "out" / next(iter(first.folder.glob("*.ngc"))).name).read_text(), first.program)
    different = [(a, b) for a, b in zip(old.splitlines(), kept.splitlines(), strict=True) if a != b]
    words = [(x, y) for a, b in different for x, y in zip(a.split(), b.split(), strict=True) if x != y]
    others = [pair for pair in words if not re.fullmatch(r"Z?-?[\d.]+\)?", pair[1])]
    assert len(different) > 4 and len(others) == 1, "depths of the studs' bores, and the digest"


def test_a_nest_that_cannot_be_kept_says_what_is_in_the_way(first, tmp_path, cache):
    job = variant(tmp_path, handle={"length": 3.6})
    done = command("make", str(job), "--keep-nest", str(first.folder), "--out", str(tmp_path / "out"), cache=cache)
    assert done.returncode == 2
    assert "N204" in done.stderr and "too near to" in done.stderr
    assert "cannot be kept; without --keep-nest the parts are placed anew" in done.stderr
    assert not (tmp_path / "out").exists()
    nothing = command("make", str(JOB), "--keep-nest", str(tmp_path), "--out", str(tmp_path / "out"), cache=cache)
    assert nothing.returncode == 2 and "J194" in nothing.stderr


def test_a_rerun_says_and_writes_what_is_different(first, tmp_path, cache):
    out = tmp_path / "out"
    for turn, depth in enumerate((0.08, 0.08, 0.083)):
        job = variant(tmp_path, stud={"bore_depth": depth})
        done = command("make", str(job), "--keep-nest", str(first.folder), "--out", str(out), cache=cache)
        assert done.returncode == 0, done.stderr
        if turn == 0:
            assert not (out / "changes.txt").exists()
            continue
        different = (out / "changes.txt").read_text()
        assert different in done.stdout
        if turn == 1:
            assert different == "Nothing changed at all since the packet that was here.\n"
        else:
            assert "stud: bore_depth 0.08 in -> 0.083 in" in different
            assert "stud-1 to 4, bore/drill: to Z" in different
            assert "nest kept: 7 of 7 placements where they were" in different


def test_values_between_stages_can_be_read(first, tmp_path, cache):
    words = ["make", str(JOB), "--out", str(tmp_path / "out"), "--keep-stages", str(tmp_path / "kept")]
    done = command(*words, cache=cache)
    assert done.returncode == 0, done.stderr
    names = sorted(f.name for f in (tmp_path / "kept").glob("*.yaml"))
    stages = [name.partition("-")[2].removesuffix(".yaml") for name in names]
    rounds = stages.count("verify")  # feeds are lowered at most twice
    assert 1 <= rounds <= 3
    assert stages == [*["solids"] * 4, "nest", *["toolpaths", "program", "verify"] * rounds, "remnant", "packet"]
    nest = yaml.safe_load((tmp_path / "kept/05-nest.yaml").read_text())
    at = [spot["billet_from_part"]["matrix"][0][3] for spot in nest["placements"]]
    assert at == [spot["x_mm"] for spot in first.summary["placements"]]
    moves = np.load(next((tmp_path / "kept").glob("06-toolpaths.toolpaths.1.passes.1.moves.npy")))
    assert moves.shape[1] == 7 and np.isfinite(moves).all()


@pytest.mark.parametrize("units", ["mm", "in"])
def test_a_new_folder_runs_at_once(tmp_path, units):
    """Its job is the example it was copied from under another name; the mm one is only read here, to save time."""
    done = command("new", "rose-knife", "--units", units, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    job = "rose-knife/jobs/rose-knife.yaml"
    assert job in done.stdout
    assert command("check", job, cwd=tmp_path).returncode == 0
    if units == "in":
        made = command("make", job, cwd=tmp_path)
        assert made.returncode == 0, made.stderr
        assert "rose-knife: RELEASED" in made.stdout and (tmp_path / "out/rose-knife/packet.html").is_file()
    again = command("new", "rose-knife", "--units", units, cwd=tmp_path)
    assert again.returncode == 2 and "J192" in again.stderr


def test_families_are_listed_with_bounds_and_a_drawing(tmp_path):
    from xml.etree import ElementTree

    from pipeline.families import scan

    listed = command("families", cwd=tmp_path)
    assert listed.returncode == 0 and not (tmp_path / "out").exists()
    for name, family in scan().items():
        assert name in listed.stdout
        done = command("families", name, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        drawing = (tmp_path / f"out/families/{name}.svg").read_text()
        ElementTree.fromstring(drawing)
        shown = {line.split()[0]: line for line in done.stdout.splitlines() if line.strip()}
        for size in family.sizes:
            if size.name == "hand":
                continue
            key = size.name.removesuffix("_mm")
            assert size.note in shown[key]
            assert key in drawing
            if size.kind == "dim":
                assert f"{size.low:g} to {size.high:g}" in shown[key]
    wrong = command("families", "handel", cwd=tmp_path)
    assert wrong.returncode == 2 and "did you mean handle?" in wrong.stderr
