"""A packet's folder is there whole or not at all, and never at the cost of someone's files."""

from __future__ import annotations

import json
import os

import pytest

from pipeline.batch.folder import check_place, kept_nest, write_folder, write_study
from pipeline.errors import BadInput


def packet(*names, job="knife"):
    files = {name: name.encode() for name in names}
    return {**files, "summary.json": json.dumps({"job": job, "files": [*names, "summary.json"]}).encode()}


PACKET = packet("packet.html", "a.ngc")


def test_written_whole_and_nothing_beside(tmp_path):
    write_folder(tmp_path / "deep" / "packet", PACKET, "knife")
    assert {f.name: f.read_bytes() for f in (tmp_path / "deep/packet").iterdir()} == PACKET
    assert [f.name for f in (tmp_path / "deep").iterdir()] == ["packet"]


def test_an_earlier_packet_is_replaced_as_a_whole(tmp_path):
    write_folder(tmp_path / "packet", PACKET, "knife")
    write_folder(tmp_path / "packet", packet(), "knife")
    assert sorted(f.name for f in (tmp_path / "packet").iterdir()) == ["changes.txt", "summary.json"]


def test_a_write_that_fails_leaves_the_earlier_packet(tmp_path):
    write_folder(tmp_path / "packet", PACKET, "knife")
    with pytest.raises((TypeError, OSError)):
        write_folder(tmp_path / "packet", {"summary.json": b"{}", "z.ngc": None}, "knife")  # type: ignore[dict-item]
    assert {f.name: f.read_bytes() for f in (tmp_path / "packet").iterdir()} == PACKET
    assert [f.name for f in tmp_path.iterdir()] == ["packet"]


def test_what_is_not_ours_is_left_alone(tmp_path):
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters/a.txt").write_text("dear")
    (tmp_path / "file").write_text("x")
    for place in ("letters", "file"):
        with pytest.raises(BadInput, match="J190"):
            write_folder(tmp_path / place, PACKET, "knife")
    assert (tmp_path / "letters/a.txt").read_text() == "dear"
    (tmp_path / "empty").mkdir()
    check_place(tmp_path / "empty", "knife")


def test_a_note_of_the_machinist_is_never_lost(tmp_path):
    write_folder(tmp_path / "packet", PACKET, "knife")
    (tmp_path / "packet/setup-note.txt").write_text("stop C is worn")
    with pytest.raises(BadInput, match=r"setup-note\.txt"):
        write_folder(tmp_path / "packet", PACKET, "knife")
    assert (tmp_path / "packet/setup-note.txt").read_text() == "stop C is worn"


def test_another_jobs_packet_is_not_replaced(tmp_path):
    write_folder(tmp_path / "packet", PACKET, "knife")
    with pytest.raises(BadInput, match="another job, knife"):
        check_place(tmp_path / "packet", "pruner")


def test_a_place_below_a_file_is_bad_input(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(BadInput, match="J190"):
        check_place(tmp_path / "file" / "packet", "knife")


def test_stopped_between_the_renames_the_earlier_packet_comes_back(tmp_path, monkeypatch):
    write_folder(tmp_path / "packet", PACKET, "knife")
    real, calls = os.replace, []

    def stop_at_the_second(a, b):
        calls.append(a)
        if len(calls) == 2:
            raise KeyboardInterrupt
        real(a, b)

    monkeypatch.setattr(os, "replace", stop_at_the_second)
    with pytest.raises(KeyboardInterrupt):
        write_folder(tmp_path / "packet", packet("b.ngc"), "knife")
    assert {f.name: f.read_bytes() for f in (tmp_path / "packet").iterdir()} == PACKET
    assert [f.name for f in tmp_path.iterdir()] == ["packet"]


def test_a_link_stays_a_link_and_what_it_leads_to_is_replaced(tmp_path):
    """The mill may read from a share behind it: it must not go on seeing the program of the run before."""
    (tmp_path / "share").mkdir()
    (tmp_path / "packet").symlink_to(tmp_path / "share")
    for names in (("a.ngc",), ("b.ngc",)):
        write_folder(tmp_path / "packet", packet(*names), "knife")
    assert (tmp_path / "packet").is_symlink()
    assert {f.name for f in (tmp_path / "share").iterdir()} == {"b.ngc", "changes.txt", "summary.json"}
    assert {f.name for f in tmp_path.iterdir()} == {"packet", "share"}


SPOT = {"part": "clip", "kind": "clip", "x_mm": 1.0, "y_mm": 2.0, "angle_rad": 0.5}


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[]", '{"placements": []}', '{"placements": 5}', '{"placements": [{}]}', "[" * 100_000,
     *(json.dumps({"placements": [SPOT | change]}) for change in (
         {"x_mm": float("nan")}, {"y_mm": float("inf")}, {"angle_rad": -1e308}, {"x_mm": "far"}, {"kind": "wheel"},
         {"x_mm": 10**400}))],
)  # fmt: skip
def test_a_nest_that_cannot_be_kept_is_bad_input(tmp_path, text):
    (tmp_path / "summary.json").write_text(text)
    with pytest.raises(BadInput, match="J194"):
        kept_nest(tmp_path, ["clip", "stud"])


def test_a_nest_is_kept_to_the_last_bit(tmp_path):
    spots = [SPOT | {"x_mm": 0.1 + 0.2}, SPOT | {"part": "stud-1", "kind": "stud"}]
    (tmp_path / "summary.json").write_text(json.dumps({"placements": spots}))
    assert kept_nest(tmp_path, ["clip", "stud"]) == {"clip": ((0.1 + 0.2, 2.0, 0.5),), "stud": ((1.0, 2.0, 0.5),)}


def study(*names, job="knife"):
    files = {name: name.encode() for name in names}
    return {**files, "study.json": json.dumps({"job": job, "files": list(names)}).encode()}


def tree(folder):
    return {f.relative_to(folder).as_posix(): f.read_bytes() for f in folder.rglob("*") if f.is_file()}


def test_a_study_is_replaced_as_a_whole_with_the_packets_in_it(tmp_path):
    first, second = study("study.html", "T3/a.ngc", "T4/a.ngc"), study("study.html", "T3/a.ngc")
    for files in (first, second):
        write_study(tmp_path / "study", files, "knife")
        assert tree(tmp_path / "study") == files
    assert [f.name for f in tmp_path.iterdir()] == ["study"]


def test_nothing_of_others_is_lost_in_a_study(tmp_path):
    write_study(tmp_path / "study", study("study.html", "T3/a.ngc"), "knife")
    (tmp_path / "study/T3/note.txt").write_text("stop C is worn")
    with pytest.raises(BadInput, match=r"T3/note\.txt"):
        write_study(tmp_path / "study", study("study.html"), "knife")
    (tmp_path / "study/T3/note.txt").unlink()
    (tmp_path / "study/mine").mkdir()
    with pytest.raises(BadInput, match="mine"):
        write_study(tmp_path / "study", study("study.html"), "knife")
    (tmp_path / "study/mine").rmdir()
    with pytest.raises(BadInput, match="the study of another job, knife"):
        write_study(tmp_path / "study", study("study.html", job="saw"), "saw")
    write_folder(tmp_path / "packet", PACKET, "knife")
    with pytest.raises(BadInput, match="files that are not a study"):
        write_study(tmp_path / "packet", study("study.html"), "knife")
    with pytest.raises(BadInput, match="files that are not a packet"):
        write_folder(tmp_path / "study", PACKET, "knife")


def test_a_study_that_cannot_be_written_leaves_the_earlier_one(tmp_path):
    files = study("study.html", "T3/a.ngc")
    write_study(tmp_path / "study", files, "knife")
    with pytest.raises((TypeError, OSError)):
        write_study(tmp_path / "study", {**files, "T4/z.ngc": None}, "knife")  # type: ignore[dict-item]
    assert tree(tmp_path / "study") == files and [f.name for f in tmp_path.iterdir()] == ["study"]
