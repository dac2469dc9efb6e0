"""An index page over the packets below a folder, written beside its place and then renamed."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import BadInput
from pipeline.model.findings import Finding
from pipeline.packet.gallery.gallery import GENERATOR, PICTURE, Entry, gallery_html, read_entry

PAGE = "gallery.html"
_SUMMARY = "summary.json"
_DEEPEST = 3  # folders below the one that is asked for


@dataclass(frozen=True, slots=True, kw_only=True)
class GalleryResult:
    """The page and its rows, as they stand on it."""

    page: Path
    entries: tuple[Entry, ...]

    @property
    def n_packets(self) -> int:
        """Packets that could be read."""
        return sum(not entry.fault for entry in self.entries)

    @property
    def n_released(self) -> int:
        """Of them, those with a released program."""
        return sum(entry.verdict == "released" for entry in self.entries)

    @property
    def unread(self) -> tuple[Entry, ...]:
        """Rows of what could not be read; `fault` says why."""
        return tuple(entry for entry in self.entries if entry.fault)


def write_gallery(folder: Path, *, title: str = "Packets", not_made: Mapping[str, str] | None = None) -> GalleryResult:
    """Write `folder`/gallery.html over every packet up to three folders below it, sorted by their paths.

    `not_made` are places with the reason why there is no packet, or why the one that lies there is not to be used.

    A folder that cannot be read is a row that says so. Raises BadInput (J191) when there is no such folder, no packet
    in it, or a gallery.html of someone else's, or when the disk refuses; an earlier page then stays as it was.
    """
    if not folder.is_dir():
        raise _refused(folder, "a file" if folder.exists() else "no such folder", "a folder that holds packets")
    not_made = not_made or {}
    found = [entry for entry in _entries(folder, "") if entry.place not in not_made]
    found += [Entry(place=place, fault=reason) for place, reason in not_made.items()]
    entries = tuple(sorted(found, key=lambda entry: entry.place.split("/")))
    if not not_made and all(entry.fault for entry in entries):
        what = "; ".join(["no packet", *(f"{entry.place}: {entry.fault}" for entry in entries[:5])])
        is_packet = (folder / _SUMMARY).is_file()
        raise _refused(
            folder,
            what,
            f"packets in folders below it, at most {_DEEPEST} deep",
            "give the folder above: this one looks like a packet itself" if is_packet else "",
        )
    page = folder / PAGE
    _check_page(page)
    fresh = folder / f".{PAGE}.{os.getpid()}.new"
    try:
        fresh.write_bytes(gallery_html(entries, title=title).encode())
        os.replace(fresh, page)
    except OSError as error:
        raise _refused(folder, f"{error.strerror or error}", "room and permission to write there") from error
    finally:
        fresh.unlink(missing_ok=True)
    return GalleryResult(page=page, entries=entries)


def _entries(folder: Path, place: str, depth: int = 1) -> Iterator[Entry]:
    """Rows of the folders below `folder`, which lies at `place`; hidden folders are half-written or not for people."""
    try:
        below = [entry.name for entry in os.scandir(folder) if entry.is_dir() and not entry.name.startswith(".")]
    except OSError as error:
        if place:
            yield Entry(place=place, fault=f"the folder cannot be read: {error.strerror or error}")
        return
    for name in below:
        inner, at = folder / name, f"{place}/{name}" if place else name
        if (inner / _SUMMARY).is_file():
            try:
                summary = (inner / _SUMMARY).read_bytes()
                yield read_entry(at, summary, has_picture=(inner / PICTURE).is_file())
            except OSError as error:
                yield Entry(place=at, fault=f"{_SUMMARY} cannot be read: {error.strerror or error}")
        if depth < _DEEPEST:
            yield from _entries(inner, at, depth + 1)


def _check_page(page: Path) -> None:
    """An earlier page of ours may be replaced; nothing else that has its name."""
    try:
        ours = not page.exists() or f'content="{GENERATOR}"'.encode() in page.read_bytes()[:2000]
    except OSError:
        ours = False
    if not ours:
        raise _refused(page, "a file that is not a page of this command", "no such file, or an earlier page",
                       "move it away")  # fmt: skip


def _refused(folder: Path, found: str, wanted: str, hint: str = "") -> BadInput:
    return BadInput([Finding(code="J191", where=f"gallery of {folder}", found=found, wanted=wanted, hint=hint)])
