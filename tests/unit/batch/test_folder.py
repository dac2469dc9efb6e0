"""A packet's folder is there whole or not at all, and never at the cost of someone's files."""

from __future__ import annotations

import pytest

from pipeline.batch.folder import check_place, write_folder
from pipeline.errors import BadInput

PACKET = {"summary.json": b"{}", "packet.html": b"<p>", "a.ngc": b"M2"}


def test_written_whole_and_nothing_beside(tmp_path):
    write_folder(tmp_path / "deep" / "packet", PACKET)
    assert {f.name: f.read_bytes() for f in (tmp_path / "deep/packet").iterdir()} == PACKET
    assert [f.name for f in (tmp_path / "deep").iterdir()] == ["packet"]


def test_an_earlier_packet_is_replaced_as_a_whole(tmp_path):
    write_folder(tmp_path / "packet", PACKET)
    write_folder(tmp_path / "packet", {"summary.json": b"{1}"})
    assert [f.name for f in (tmp_path / "packet").iterdir()] == ["summary.json"]


def test_a_write_that_fails_leaves_the_earlier_packet(tmp_path):
    write_folder(tmp_path / "packet", PACKET)
    with pytest.raises((TypeError, OSError)):
        write_folder(tmp_path / "packet", {"summary.json": b"{}", "z.ngc": None})  # type: ignore[dict-item]
    assert {f.name: f.read_bytes() for f in (tmp_path / "packet").iterdir()} == PACKET
    assert [f.name for f in tmp_path.iterdir()] == ["packet"]


def test_what_is_not_ours_is_left_alone(tmp_path):
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters/a.txt").write_text("dear")
    (tmp_path / "file").write_text("x")
    for place in ("letters", "file"):
        with pytest.raises(BadInput, match="J190"):
            write_folder(tmp_path / place, PACKET)
    assert (tmp_path / "letters/a.txt").read_text() == "dear"
    (tmp_path / "empty").mkdir()
    check_place(tmp_path / "empty")
