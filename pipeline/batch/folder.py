"""A packet's folder: written beside its place, then renamed, so that it is there whole or not at all.

The old folder is moved away before the new one takes its name: a refused rerun must never leave a released program of
the run before under the same name.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import BadInput
from pipeline.model.findings import Finding

_OURS = "summary.json"  # a folder that holds this is a packet and may be replaced


def check_place(folder: Path) -> None:
    """Raises BadInput (J190) when `folder` exists and is not an earlier packet: nothing of anyone else is lost."""
    if folder.exists() and not (folder.is_dir() and ((folder / _OURS).is_file() or not any(folder.iterdir()))):
        raise BadInput(
            [
                Finding(
                    code="J190",
                    where="--out",
                    found=f"{folder} exists and is not a packet",
                    wanted="an empty or new folder, or an earlier packet",
                    hint="give another --out",
                )
            ]
        )


def write_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write every file (a name, no folders) of a packet. An earlier packet of this name is replaced as a whole."""
    check_place(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    fresh = folder.parent / f".{folder.name}.{os.getpid()}.new"
    old = folder.parent / f".{folder.name}.{os.getpid()}.old"
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir()
    try:
        for name in sorted(files):
            (fresh / name).write_bytes(files[name])
        if folder.exists():
            os.replace(folder, old)
        os.replace(fresh, folder)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)
