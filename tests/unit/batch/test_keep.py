"""Values between the stages, written to be read: everything is there, in YAML that loads, arrays to the last bit."""

from __future__ import annotations

import enum
from dataclasses import dataclass, replace

import numpy as np
import pytest
import yaml

from pipeline.batch.keep import StageFolder
from pipeline.errors import BadInput
from pipeline.model.verdict import LineCap
from tests.unit.batch.verdicts import HOLDING, MAP, full


class Side(enum.StrEnum):
    INSIDE = "inside"


@dataclass(frozen=True)
class Value:
    name: str
    side: Side
    few: np.ndarray
    many: np.ndarray
    text: str
    data: bytes
    more: dict
    nothing: None = None


MANY = np.random.default_rng(3).random((40, 7))
MORE = {"a/b": (1, True, np.float64(2))}
VALUE = Value("clip", Side.INSIDE, np.array([[1.5, 2.0]]), MANY, "G0\n" * 100, b"\0\1", MORE)


def test_all_of_it_is_there(tmp_path):
    kept = StageFolder(tmp_path / "stages")
    kept.write("solids", VALUE)
    kept.write("packet", {"packet.html": b"<html>", "summary.json": b"{}"})
    tree = yaml.safe_load((tmp_path / "stages/01-solids.yaml").read_text())
    assert tree == {
        "is": "Value", "name": "clip", "side": "inside", "few": [[1.5, 2.0]],
        "many": "see 01-solids.many.npy (40 x 7, float64)", "text": "see 01-solids.text.txt",
        "data": "see 01-solids.data.bin", "more": {"a/b": [1, True, 2.0]}, "nothing": None}  # fmt: skip
    assert np.array_equal(np.load(tmp_path / "stages/01-solids.many.npy"), MANY)
    assert (tmp_path / "stages/01-solids.text.txt").read_text() == VALUE.text
    assert (tmp_path / "stages/02-packet.packet.html").read_bytes() == b"<html>"


def test_kept_before_is_replaced_and_nothing_else(tmp_path):
    StageFolder(tmp_path / "stages").write("nest", 1)
    StageFolder(tmp_path / "stages").write("solids", 2)
    assert sorted(f.name for f in (tmp_path / "stages").iterdir()) == ["01-solids.yaml", "stages.txt"]
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters/to-mother.txt").write_text("dear")
    for place in ("letters", "letters/to-mother.txt"):
        with pytest.raises(BadInput, match="J193"):
            StageFolder(tmp_path / place)
    assert (tmp_path / "letters/to-mother.txt").read_text() == "dear"


def test_what_cannot_be_written_is_not_passed_over(tmp_path):
    with pytest.raises(TypeError, match="object"):
        StageFolder(tmp_path / "stages").write("nest", [object()])


@pytest.mark.parametrize("mark", ["x\n", None])
def test_a_folder_that_only_looks_like_ours_loses_nothing(tmp_path, mark):
    """A file of that name with other words in it, or a genuine folder into which somebody put a note."""
    folder = tmp_path / "stages"
    if mark is None:
        StageFolder(folder).write("nest", 1)
    else:
        folder.mkdir()
        (folder / "stages.txt").write_text(mark)
    (folder / "thesis.txt").write_text("years of work")
    with pytest.raises(BadInput, match="J193"):
        StageFolder(folder)
    assert (folder / "thesis.txt").read_text() == "years of work"


def test_a_whole_verdict_is_written_with_what_is_no_number(tmp_path):
    cap = LineCap(first_line=3, last_line=9, feed_factor=0.8, reason="force")
    StageFolder(tmp_path / "stages").write("verify", full(cap))
    StageFolder(tmp_path / "few").write("verify", replace(full().maps[0], deviation=MAP[:2]))
    tree = yaml.safe_load((tmp_path / "stages/01-verify.yaml").read_text())
    assert tree["loads"]["stretches"][0]["holding"] == float("inf") == tree["holding"]["gauge_least_kpa"]
    assert tree["features"][0]["measured"] is None and tree["features"][0]["why"]
    assert tree["caps"] == [{"is": "LineCap", "first_line": 3, "last_line": 9, "feed_factor": 0.8, "reason": "force"}]
    assert tree["maps"][0]["deviation"] == "see 01-verify.maps.1.deviation.npy (12 x 3, float32)"
    back = np.load(tmp_path / "stages/01-verify.maps.1.deviation.npy")
    assert back.dtype == np.float32 and np.array_equal(back, MAP, equal_nan=True)
    assert np.array_equal(np.load(tmp_path / "stages/01-verify.loads.timeline.holding.npy"), HOLDING)
    few = yaml.safe_load((tmp_path / "few/01-verify.yaml").read_text())["deviation"]
    assert np.array_equal(np.array(few, dtype=np.float32), MAP[:2], equal_nan=True)
