"""A packet's folder: written beside its place, then renamed, so that it is there whole or not at all.

The old folder is moved away before the new one takes its name: a refused rerun must never leave a released program of
the run before under the same name. Nothing that someone else put into the folder is ever lost.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pipeline.errors import BadInput
from pipeline.model.findings import Finding
from pipeline.packet.changes import changes
from pipeline.stages import Kept

_SUMMARY = "summary.json"  # names the job and every file of its packet
STUDY = "study.json"  # the same of a study
_CHANGES = "changes.txt"
_FARTHEST_MM = 1e5
_BROUGHT = {_SUMMARY: "packet", STUDY: "study"}
# what these cannot name: themselves; beside a packet also times and the packet before
_BESIDE = {_SUMMARY: {_SUMMARY, "run.json", _CHANGES}, STUDY: {STUDY}}


def check_place(folder: Path, job: str, *, index: str = _SUMMARY) -> None:
    """Raises BadInput (J190) when `folder` holds anything but what an earlier run for this job brought, as its file
    `index` says, or cannot be written."""
    folder = folder.resolve()
    if folder.exists():
        found = _stranger(folder, job, index)
        if found:
            raise _refused(folder, found, f"a new or empty folder, or an earlier {_BROUGHT[index]} of this job")
    parent = next(above for above in folder.absolute().parents if above.exists())
    if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
        raise _refused(folder, f"{parent} cannot be written to", "a folder you may write to")


def write_folder(folder: Path, files: Mapping[str, bytes], job: str) -> str:
    """Write every file (a name, no folders) of a packet. An earlier packet of this job is replaced as a whole; what
    is different is returned, in words, and written beside the rest (`changes.txt`). Empty when none was there.

    Raises BadInput (J190) as `check_place` does, or when the disk refuses; the earlier packet is then still there.
    """
    check_place(folder, job)
    before = summary_of(folder)
    different = changes(before, json.loads(files[_SUMMARY])) if before is not None else ""
    if different:
        files = {**files, _CHANGES: different.encode()}
    _replace(folder, files)
    return different


def write_study(folder: Path, files: Mapping[str, bytes], job: str) -> None:
    """Write every file of a study, packets in folders of their own. An earlier study of this job is replaced as a
    whole. Raises BadInput (J190) as `check_place` does, or when the disk refuses; the earlier one is then still
    there."""
    check_place(folder, job, index=STUDY)
    _replace(folder, files)


def _replace(folder: Path, files: Mapping[str, bytes]) -> None:
    """The folder with these files and no others, whole or not at all. Raises BadInput (J190) when the disk refuses."""
    folder = folder.resolve()  # a link stays a link: what it leads to is replaced
    fresh = folder.parent / f".{folder.name}.{os.getpid()}.new"
    old = folder.parent / f".{folder.name}.{os.getpid()}.old"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(fresh, ignore_errors=True)
        fresh.mkdir()
        for name in sorted(files):
            (fresh / name).parent.mkdir(exist_ok=True)
            (fresh / name).write_bytes(files[name])
        if folder.exists():
            os.replace(folder, old)
        os.replace(fresh, folder)
    except OSError as error:
        raise _refused(folder, f"{error.strerror or error}", "room and permission to write there") from error
    finally:
        if old.exists() and not folder.exists():  # stopped between the two renames
            os.replace(old, folder)
        shutil.rmtree(fresh, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


def put_file(file: Path, content: bytes) -> None:
    """Write one file beside its place, then rename it: whole or not at all."""
    beside = file.with_name(f".{file.name}.{os.getpid()}.new")
    beside.write_bytes(content)
    os.replace(beside, file)


def holds_packet(folder: Path) -> bool:
    """True when a packet of some earlier run lies there."""
    return (folder / _SUMMARY).is_file()


def summary_of(folder: Path) -> dict[str, Any] | None:
    """The summary of the packet there; None when there is none that can be read."""
    try:
        summary = json.loads((folder / _SUMMARY).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return summary if isinstance(summary, dict) else None


def kept_nest(folder: Path, parts: Iterable[str]) -> Kept:
    """The placements of the packet there, to be kept. Raises BadInput (J194) when it has none that can be read, or
    places parts that are not among `parts`, the names of the job's."""
    kept: dict[str, list[tuple[float, float, float]]] = {}
    found = "no packet whose nest can be kept"
    try:
        for spot in (summary_of(folder) or {})["placements"]:
            place = (float(spot["x_mm"]), float(spot["y_mm"]), float(spot["angle_rad"]))
            if not all(math.isfinite(v) and abs(v) < _FARTHEST_MM for v in place):
                raise ValueError(f"a part at {place}")
            kept.setdefault(spot["kind"], []).append(place)
        strange = sorted(set(kept) - set(parts))
        if strange:
            found = f"a nest with parts that the job does not have: {', '.join(strange)}"
        if strange or not kept:
            raise ValueError(found)
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
        finding = Finding(code="J194", where=f"folder {folder}", found=found,
                          wanted="the folder of a packet of such a job, made by this version",
                          hint="give the folder of an earlier run")  # fmt: skip
        raise BadInput([finding]) from error
    return {kind: tuple(places) for kind, places in kept.items()}


def packet_of(program: Path) -> Path | None:
    """The packet that a program's file lies in, when its folder is one that brought a file of that name."""
    summary = summary_of(program.parent)
    try:
        return program.parent if summary is not None and program.name in summary["files"] else None
    except (KeyError, TypeError):
        return None


def is_whole(folder: Path, summary_digest: str) -> bool:
    """Whether the packet is the one with this summary (SHA-256 of the file) and every file of it is as it was made."""
    try:
        text = (folder / _SUMMARY).read_bytes()
        if hashlib.sha256(text).hexdigest() != summary_digest:
            return False
        files = json.loads(text)["files"].items()
        return all(hashlib.sha256((folder / name).read_bytes()).hexdigest() == wanted for name, wanted in files)
    except (OSError, ValueError, KeyError, AttributeError):
        return False


def _stranger(folder: Path, job: str, index: str) -> str:
    """What in an existing folder an earlier run for this job did not bring, in words; empty when there is nothing."""
    if not folder.is_dir():
        return "a file"
    names = set(_names(folder))
    if not names:
        return ""
    what = _BROUGHT[index]
    try:
        summary = json.loads((folder / index).read_text(encoding="utf-8"))
        ours, of_job = {*summary["files"], *_BESIDE[index]}, summary["job"]
    except (OSError, ValueError, KeyError, TypeError):
        return f"files that are not a {what}"
    if of_job != job:
        return f"the {what} of another job, {of_job}"
    others = sorted(names - ours)
    return f"files that the {what} did not bring: {', '.join(others[:5])}" if others else ""


def _names(folder: Path, above: str = "") -> Iterator[str]:
    """Everything in a folder by its place there, with slashes; a folder below it only when it is empty or a link."""
    for entry in folder.iterdir():
        below = entry.is_dir() and not entry.is_symlink() and any(entry.iterdir())
        if below:
            yield from _names(entry, f"{above}{entry.name}/")
        else:
            yield above + entry.name


def _refused(folder: Path, found: str, wanted: str) -> BadInput:
    finding = Finding(code="J190", where=f"output folder {folder}", found=found, wanted=wanted,
                      hint="give another --out, or move what is there")  # fmt: skip
    return BadInput([finding])
