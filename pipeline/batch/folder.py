"""A packet's folder: written beside its place, then renamed, so that it is there whole or not at all.

The old folder is moved away before the new one takes its name: a refused rerun must never leave a released program of
the run before under the same name. Nothing that someone else put into the folder is ever lost.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import BadInput
from pipeline.model.findings import Finding

_SUMMARY = "summary.json"  # names the job and every file of its packet


def check_place(folder: Path, job: str) -> None:
    """Raises BadInput (J190) when `folder` holds anything but an earlier packet of this job, or cannot be written."""
    if folder.exists():
        found = _stranger(folder, job)
        if found:
            raise _refused(folder, found, "a new or empty folder, or an earlier packet of this job")
    parent = next(above for above in folder.absolute().parents if above.exists())
    if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
        raise _refused(folder, f"{parent} cannot be written to", "a folder you may write to")


def write_folder(folder: Path, files: Mapping[str, bytes], job: str) -> None:
    """Write every file (a name, no folders) of a packet. An earlier packet of this job is replaced as a whole.

    Raises BadInput (J190) as `check_place` does, or when the disk refuses; the earlier packet is then still there.
    """
    check_place(folder, job)
    fresh = folder.parent / f".{folder.name}.{os.getpid()}.new"
    old = folder.parent / f".{folder.name}.{os.getpid()}.old"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(fresh, ignore_errors=True)
        fresh.mkdir()
        for name in sorted(files):
            (fresh / name).write_bytes(files[name])
        if folder.exists():
            os.replace(folder, old)
        os.replace(fresh, folder)
    except OSError as error:
        raise _refused(folder, f"{error.strerror or error}", "room and permission to write the packet") from error
    finally:
        if old.exists() and not folder.exists():  # stopped between the two renames
            os.replace(old, folder)
        shutil.rmtree(fresh, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


def holds_packet(folder: Path) -> bool:
    """True when a packet of some earlier run lies there."""
    return (folder / _SUMMARY).is_file()


def _stranger(folder: Path, job: str) -> str:
    """What in an existing folder is not an earlier packet of this job, in words; empty when nothing is."""
    if not folder.is_dir():
        return "a file"
    names = {entry.name for entry in folder.iterdir()}
    if not names:
        return ""
    try:
        summary = json.loads((folder / _SUMMARY).read_text())
        ours, of_job = set(summary["files"]), summary["job"]
    except (OSError, ValueError, KeyError, TypeError):
        return "files that are not a packet"
    if of_job != job:
        return f"the packet of another job, {of_job}"
    others = sorted(names - ours)
    return f"files that the packet did not bring: {', '.join(others[:5])}" if others else ""


def _refused(folder: Path, found: str, wanted: str) -> BadInput:
    finding = Finding(code="J190", where=f"output folder {folder}", found=found, wanted=wanted,
                      hint="give another --out, or move what is there")  # fmt: skip
    return BadInput([finding])
