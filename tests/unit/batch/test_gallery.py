"""The page is there whole or not at all, lists every packet, never crashes on what is not one, spares other files."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest

from pipeline.batch.gallery import write_gallery
from pipeline.errors import BadInput

SUMMARY = {
    "job": "pruner",
    "verdict": "released",
    "findings": [],
    "placed": {"clip": 2},
    "programs": [{"cutting_s": 60.0, "air_s": 0.0}],
    "yield": 0.4,
}


def packet(folder: Path, **changes) -> None:
    folder.mkdir(parents=True)
    (folder / "summary.json").write_text(json.dumps({**SUMMARY, **changes}))
    (folder / "packet.html").write_text("page")
    (folder / "nest.svg").write_text("<svg/>")


def links(page: Path) -> list[str]:
    return list(dict.fromkeys(re.findall(r'href="([^"]+)"', page.read_text())))


def test_packets_are_listed_by_path_down_to_three_folders(tmp_path):
    for place in ("b", "a/z", "a/b/c", "a-b", "a/b/c/too-deep", ".half-written/x"):
        packet(tmp_path / place)
    packet(tmp_path / "a/y", verdict="refused")
    made = write_gallery(tmp_path)
    assert [entry.place for entry in made.entries] == ["a/b/c", "a/y", "a/z", "a-b", "b"]
    assert (made.n_packets, made.n_released, made.unread) == (5, 4, ())
    assert made.page == tmp_path / "gallery.html"
    assert links(made.page) == [f"{entry.place}/packet.html" for entry in made.entries]
    assert all((tmp_path / link).is_file() for link in links(made.page))


def test_nothing_else_is_written_and_the_bytes_are_the_same_twice(tmp_path):
    packet(tmp_path / "a")
    first = write_gallery(tmp_path).page.read_bytes()
    os.utime(tmp_path / "a/summary.json", (0, 0))
    assert write_gallery(tmp_path).page.read_bytes() == first
    assert sorted(f.name for f in tmp_path.iterdir()) == ["a", "gallery.html"]
    assert str(tmp_path).encode() not in first


def test_what_cannot_be_read_is_a_row(tmp_path, monkeypatch):
    packet(tmp_path / "good")
    for name, text in (("broken", "{"), ("foreign", '{"lines": 812}')):
        (tmp_path / name).mkdir()
        (tmp_path / name / "summary.json").write_text(text)
    packet(tmp_path / "locked")
    (tmp_path / "not-a-file/summary.json").mkdir(parents=True)
    real = Path.read_bytes

    def locked(self):
        if "locked" in self.parts:
            raise PermissionError(13, "Permission denied")
        return real(self)

    monkeypatch.setattr(Path, "read_bytes", locked)
    made = write_gallery(tmp_path)
    assert [(entry.place, bool(entry.fault)) for entry in made.entries] == [
        ("broken", True), ("foreign", True), ("good", False), ("locked", True)]  # fmt: skip
    assert "Permission denied" in made.unread[2].fault
    monkeypatch.undo()
    assert made.page.read_text().count("no packet</strong>") == 3


def test_a_packet_without_a_picture(tmp_path):
    packet(tmp_path / "a")
    (tmp_path / "a/nest.svg").unlink()
    assert "<img" not in write_gallery(tmp_path).page.read_text()


def test_no_folder_or_no_packet_is_bad_input(tmp_path):
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("x")
    packet(tmp_path / "lot/a")
    for place, words in (("nowhere", "no such folder"), ("file", "a file"), ("empty", "no packet")):
        with pytest.raises(BadInput, match=rf"J191.*{words}"):
            write_gallery(tmp_path / place)
    with pytest.raises(BadInput, match=r"J191.*give the folder above"):
        write_gallery(tmp_path / "lot/a")
    (tmp_path / "odd/x").mkdir(parents=True)
    (tmp_path / "odd/x/summary.json").write_text("{")
    with pytest.raises(BadInput, match=r"J191.*x: summary.json is not JSON"):
        write_gallery(tmp_path / "odd")
    assert not list(tmp_path.rglob("*gallery.html*"))


def test_a_page_of_someone_else_is_left_alone(tmp_path):
    packet(tmp_path / "a")
    (tmp_path / "gallery.html").write_text("<h1>our photographs</h1>")
    with pytest.raises(BadInput, match="J191"):
        write_gallery(tmp_path)
    assert (tmp_path / "gallery.html").read_text() == "<h1>our photographs</h1>"


def test_a_write_that_fails_leaves_the_earlier_page(tmp_path, monkeypatch):
    packet(tmp_path / "a")
    before = write_gallery(tmp_path).page.read_bytes()
    packet(tmp_path / "b")

    def full(a, b):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(BadInput, match=r"J191.*No space left"):
        write_gallery(tmp_path)
    assert (tmp_path / "gallery.html").read_bytes() == before
    assert sorted(f.name for f in tmp_path.iterdir()) == ["a", "b", "gallery.html"]


def test_folders_that_lead_round_in_a_circle_come_to_an_end(tmp_path):
    packet(tmp_path / "a")
    (tmp_path / "a/loop").symlink_to(tmp_path)
    assert len(write_gallery(tmp_path).entries) == 2  # a, and a once more through the loop
