"""Stage results on disk: found again, never half, never stale, never too many."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from pipeline.batch import cache as module
from pipeline.batch.cache import Cache, key, source
from pipeline.layers import OURS
from pipeline.model.arrays import Float
from pipeline.model.digests import digest
from tests.unit.batch.verdicts import full


@dataclass(frozen=True)
class Value:
    name: str
    points: Float
    more: tuple


def value(n=3, name="a"):
    points = np.arange(2.0 * n).reshape(n, 2)
    points.setflags(write=False)
    return Value(name, points, ({"inner": points},))


def never():
    raise AssertionError("computed although it was kept")


def test_a_kept_value_comes_back_equal_and_frozen(tmp_path):
    first = Cache(tmp_path).recall("nest", ("in", 1.5), value)
    again = Cache(tmp_path).recall("nest", ("in", 1.5), never)
    assert again.name == first.name
    assert np.array_equal(again.points, first.points)
    assert not again.points.flags.writeable
    assert not again.more[0]["inner"].flags.writeable


def test_a_whole_verdict_comes_back_equal(tmp_path):
    """With what is no number, is none or without end in it; equal by digest, which takes every bit."""
    first = Cache(tmp_path).recall("verify", ("G0", {"cell_mm": 0.02}), full)
    again = Cache(tmp_path).recall("verify", ("G0", {"cell_mm": 0.02}), never)
    assert digest(again) == digest(first) == digest(full())
    assert not again.maps[0].deviation.flags.writeable
    assert not again.loads.timeline.holding.flags.writeable


def test_every_kernel_counts_for_the_verifier(monkeypatch):
    read, before = Path.read_bytes, source("verify")
    kernels = sorted((module._ROOT / "kernels").glob("*.py"))
    for kernel in kernels:
        monkeypatch.setattr(Path, "read_bytes", lambda f, k=kernel: read(f) + (b"#" if f == k else b""))
        source.cache_clear()
        assert source("verify") != before, kernel
    monkeypatch.undo()
    source.cache_clear()
    assert source("verify") == before and len(kernels) > 5


def test_other_inputs_another_stage_other_source_or_libraries_are_other_results(tmp_path, monkeypatch):
    keys = {key("nest", (1,)), key("nest", (2,)), key("verify", (1,))}
    monkeypatch.setattr(module, "made_with", lambda: {"python": "9"})
    keys.add(key("nest", (1,)))
    monkeypatch.setattr(module, "source", lambda package: "changed")
    keys.add(key("nest", (1,)))
    assert len(keys) == 5


def test_the_source_that_counts_is_what_the_stage_may_import(tmp_path, monkeypatch):
    """A tree like ours; an edit changes the stages that may see the file, and no other."""
    root = tmp_path / "pipeline"
    for name in OURS:
        (root / name).mkdir(parents=True)
        (root / name / "code.py").write_text(f"# {name}\n")
    (root / "stages.py").write_text("# wiring\n")
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "peg.py").write_text("# peg\n")
    monkeypatch.setattr(module, "_ROOT", root)
    stages = ("solids", "nest", "operations", "verify", "packet")

    def sources():
        source.cache_clear()
        return {stage: source(stage) for stage in stages}

    before = sources()
    touched = {}
    for file in ("geometry/code.py", "operations/code.py", "shop/code.py", "../parts/peg.py", "stages.py"):
        kept = (root / file).read_text()
        (root / file).write_text(kept + "x = 1\n")
        touched[file] = {stage for stage, text in sources().items() if text != before[stage]}
        (root / file).write_text(kept)
    source.cache_clear()
    assert touched == {
        "geometry/code.py": {"solids", "nest", "operations", "packet"},
        "operations/code.py": {"operations"},
        "shop/code.py": {"solids", "nest", "operations", "verify"},
        "../parts/peg.py": {"solids"},
        "stages.py": set(stages),
    }


@pytest.mark.parametrize("spoil", [lambda b: b[: len(b) // 2], lambda b: b"", lambda b: b[:-1] + bytes([b[-1] ^ 1]),
                                   lambda b: bytes([b[0] ^ 1]) + b[1:], lambda b: b"nothing of ours"])
def test_a_damaged_entry_counts_as_missing_and_is_mended(tmp_path, spoil):
    cache = Cache(tmp_path)
    cache.recall("nest", "in", value)
    [file] = tmp_path.iterdir()
    file.write_bytes(spoil(file.read_bytes()))
    assert cache.recall("nest", "in", lambda: value(name="made anew")).name == "made anew"
    assert cache.recall("nest", "in", never).name == "made anew"


def test_quick_stages_are_not_kept(tmp_path):
    Cache(tmp_path).recall("packet", "in", value)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_used_is_no_failure(tmp_path):
    (tmp_path / "file").write_text("")
    assert Cache(tmp_path / "file" / "below").recall("nest", "in", value).name == "a"


def test_a_folder_that_others_may_write_to_is_not_read(tmp_path):
    """What lies there is unpickled, so it must be our own."""
    Cache(tmp_path).recall("nest", "in", value)
    tmp_path.chmod(0o777)
    assert Cache(tmp_path).recall("nest", "in", lambda: value(name="made anew")).name == "made anew"


def test_the_folder_stays_under_its_limit_and_keeps_what_was_used_last(tmp_path):
    rng = np.random.default_rng(5)
    cache = Cache(tmp_path, limit_bytes=100_000)
    cache._written = 0
    for n in range(40):
        cache.recall("nest", n, lambda: Value("x", rng.random((500, 2)), ()))  # 8 kB that do not compress
        if n >= 1:
            Cache(tmp_path).recall("nest", 1, lambda: Value("x", rng.random((500, 2)), ()))
            time.sleep(0.002)
    total = sum(file.stat().st_size for file in tmp_path.iterdir())
    assert total < 100_000 + module._EVERY * 9_000
    assert Cache(tmp_path).recall("nest", 1, never).name == "x"
    assert Cache(tmp_path).recall("nest", 39, never).name == "x"


def _write_for_ever(folder):
    cache = Cache(folder, limit_bytes=400_000)
    n = 0
    while True:
        n += 1
        cache.recall("nest", n % 50, lambda: value(n=2000, name="whole"))


def _written_since(folder, moment_ns):
    for entry in os.scandir(folder):
        with suppress(FileNotFoundError):
            if entry.stat().st_mtime_ns > moment_ns:
                return True
    return False


def test_writers_killed_at_any_moment_leave_whole_entries(tmp_path):
    """Two at a time in one folder that is too small, killed 12 times; whatever is found afterwards is whole."""
    context = multiprocessing.get_context("spawn")
    rng = np.random.default_rng(11)
    for _ in range(6):
        pair = [context.Process(target=_write_for_ever, args=(tmp_path,)) for _ in range(2)]
        begin = time.time_ns()
        for one in pair:
            one.start()
        while not _written_since(tmp_path, begin):  # a busy machine takes its time to start them
            assert time.time_ns() - begin < 120e9
            time.sleep(0.05)
        time.sleep(0.2 + float(rng.random()) * 0.5)
        for one in pair:
            os.kill(one.pid, signal.SIGKILL)
            one.join()
    cache, found = Cache(tmp_path), 0
    for n in range(50):
        made = []
        assert cache.recall("nest", n, lambda made=made: made.append(1) or value(n=2000, name="whole")).name == "whole"
        found += not made
    assert found > 5
