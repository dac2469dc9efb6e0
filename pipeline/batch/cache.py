"""What stages made before, kept on disk and shared by every run and worker of this machine.

An entry's name is the digest of everything its value depends on: the stage, its inputs, the source that the import
table lets the stage see, the libraries' versions. Nothing has to be declared stale. An entry is one file, written
beside its place and renamed, with its own digest at the head: a killed or a second writer leaves no half entry, and a
damaged one counts as missing. Entries used least recently go when the folder grows over its limit.

Values are pickled, so the folder must be the user's own: it is made for the user alone, and one that belongs to
somebody else, or that others may write to, is not used.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
import pickle
import platform
import re
import zlib
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.layers import OURS
from pipeline.model.digests import digest

LIMIT_BYTES = 2_000_000_000
# stages that take longer than reading their value; the others are quicker than their entry
_KEPT = frozenset({"solids", "nest", "toolpaths", "verify", "remnant"})
_STAGE_PACKAGE = {"toolpaths": "operations", "program": "gcode", "remnant": "nest"}  # others have their package's name
_LIBRARIES = ("cadquery", "cadquery-ocp", "ezdxf", "jinja2", "llvmlite", "matplotlib", "numba", "numpy", "reportlab",
              "scipy", "shapely")  # fmt: skip
_HEAD = 32  # bytes of SHA-256 before the value
_ROOT = Path(__file__).resolve().parents[1]
_ENTRY = re.compile(r"[0-9a-f]{64}|\.[0-9a-f]{64}\.\d+")  # a result, or one that is being written
_EVERY = 16  # entries written between two looks at the folder's size


def default_folder() -> Path | None:
    """The user's cache folder, as the XDG base directory specification has it; None for a user without a home."""
    try:
        home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    except RuntimeError:
        return None
    return Path(home) / "billetwright"


class Cache:
    """A folder of stage results. Any fault of the disk means working without it, never a failed run."""

    def __init__(self, folder: Path | None, *, limit_bytes: int = LIMIT_BYTES):
        self._folder, self._limit_bytes = folder or Path(), limit_bytes
        self._written = 0
        self._usable = folder is not None
        if folder is None:
            return
        for stage in sorted(_KEPT):
            source(_STAGE_PACKAGE.get(stage, stage))  # now, before a stage is loaded: what runs is what is named
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            seen = folder.stat()
            self._usable = seen.st_uid == os.getuid() and not seen.st_mode & 0o022
        except OSError:
            self._usable = False

    def recall(self, stage: str, inputs: object, compute: Callable[[], Any]) -> Any:
        """The stage's value for these inputs: from an earlier run when there is one, else computed and kept.

        A value that was ended early depends on more than its inputs and is not kept.
        """
        if stage not in _KEPT or not self._usable:
            return compute()
        file = self._folder / key(stage, inputs)
        value = _read(file)
        if value is None:
            value = compute()
            if not getattr(value, "is_ended_early", False):
                self._write(file, value)
        return value

    def _write(self, file: Path, value: Any) -> None:
        body = zlib.compress(pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL), level=1)
        beside = file.with_name(f".{file.name}.{os.getpid()}")
        try:
            beside.touch(mode=0o600)
            beside.write_bytes(hashlib.sha256(body).digest() + body)
            os.replace(beside, file)
        except OSError:
            beside.unlink(missing_ok=True)
            return
        if self._written % _EVERY == 0:
            self._shrink()
        self._written += 1

    def _shrink(self) -> None:
        """Take the entries used least recently until the rest is well under the limit. Others may do the same."""
        entries = []
        for entry in os.scandir(self._folder):
            try:
                seen = entry.stat()
            except OSError:
                continue
            if not _ENTRY.fullmatch(entry.name):
                continue  # not ours
            entries.append((seen.st_mtime_ns, seen.st_size, entry.path))
        total = sum(size for _, size, _ in entries)
        if total <= self._limit_bytes:
            return
        for _, size, path in sorted(entries):
            with suppress(OSError):
                Path(path).unlink()
            total -= size
            if total <= 0.8 * self._limit_bytes:
                return


def key(stage: str, inputs: object) -> str:
    """The name of a result: everything it depends on, as one digest."""
    return digest((stage, inputs, source(_STAGE_PACKAGE.get(stage, stage)), made_with()))


@cache
def source(package: str) -> str:
    """Digest of all source a package may import, from the import table, and of the wiring. Part families count where
    solids are drawn."""
    seen, left = set(), [package]
    while left:
        name = left.pop()
        if name not in seen:
            seen.add(name)
            left += sorted(OURS[name])
    files = [_ROOT / "stages.py", *(f for name in seen for f in (_ROOT / f"{name}.py", *(_ROOT / name).rglob("*")))]
    if "families" in seen:
        files += (_ROOT.parent / "parts").glob("*.py")
    sink = hashlib.sha256()
    for file in sorted(f for f in files if f.is_file() and "__pycache__" not in f.parts):
        sink.update(f"{file.relative_to(_ROOT.parent)}\0".encode() + file.read_bytes() + b"\0")
    return sink.hexdigest()


@cache
def made_with() -> Mapping[str, str]:
    """Python, processor family and the libraries that results come from, with their versions."""
    versions = {name: metadata.version(name) for name in _LIBRARIES}
    return {"python": platform.python_version(), "machine": platform.machine(), **versions}


@cache
def edition() -> str:
    """Digest of all source and all versions: what a whole packet depends on beside its job."""
    return digest((source("batch"), made_with()))


def _read(file: Path) -> Any:
    """The entry's value with its arrays frozen again, or None when it is missing or damaged."""
    try:
        data = file.read_bytes()
        head, body = data[:_HEAD], data[_HEAD:]
        if hashlib.sha256(body).digest() != head:
            return None
        value = _frozen_again(pickle.loads(zlib.decompress(body)))
        os.utime(file)  # used just now
    except Exception:  # whatever is wrong with an entry, the stage can make it again
        return None
    return value


def _frozen_again(value: Any) -> Any:
    """The same value with its arrays read-only: pickling forgets that they were."""
    if isinstance(value, np.ndarray):
        value.setflags(write=False)
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            _frozen_again(getattr(value, field.name))
    elif isinstance(value, Mapping):
        for item in value.values():
            _frozen_again(item)
    elif isinstance(value, (tuple, list)):
        for item in value:
            _frozen_again(item)
    return value
