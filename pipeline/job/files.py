"""Which files a job is made of: the job it is based on, and the shop files it names.

A bare name (`layered-160x75`) is a file of its folder beside the job's own (`../billets/layered-160x75.yaml`), or one
that comes with this program. A name with a slash or an ending is a path, taken from the file it is written in.
"""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.shop.files import note_units, read_text
from pipeline.shop.reading import Reader, nearest
from pipeline.shop.strict_yaml import Node, load, merged

_HERE = Path(__file__).resolve().parent.parent
OWN_CONFIGS = next((folder for folder in (_HERE / "_configs", _HERE.parent / "configs") if folder.is_dir()), None)


def load_job(path: Path, reader: Reader) -> Node | None:
    """The job's tree with everything it is based on laid under it; None when there is nothing to go on with."""
    return _load(path, reader, asked_by=None, above=())


def _load(path: Path, reader: Reader, *, asked_by: Node | None, above: tuple[str, ...]) -> Node | None:
    shown_as = str(path)
    text = read_text(path, reader, shown_as=shown_as, asked_by=asked_by)
    if text is None:
        return None
    node = load(text, file=shown_as, findings=reader.findings)
    if node is None:
        return None
    note_units(node, reader)
    entry = node.entries.get("based_on")
    if entry is None or entry.node.kind != "scalar" or entry.node.is_empty:
        return node
    under = _path_of(entry.node, path.parent)
    chain = (*above, os.path.realpath(path))
    if os.path.realpath(under) in chain:
        reader.fault(
            "J110",
            entry.node,
            found=f"{entry.node.text}, which is based on this file itself",
            wanted="jobs that do not go round in a circle",
        )
        reader.lacks_base = True
        return node
    base = _load(under, reader, asked_by=entry.node, above=chain)
    if base is None:
        reader.lacks_base = True
        return node
    if shown_as not in reader.units:
        reader.units[shown_as] = reader.units.get(base.file, "mm")
    return merged(base, node)


def shop_file(node: Node, folder: str, reader: Reader) -> Path | None:
    """The file a job's `billet:` (or crib, ...) means; None after a finding that lists what there is."""
    home = Path(node.file).parent
    if _is_path(node.text):
        path = _path_of(node, home)
        if path.is_file():
            return path
        reader.fault("J101", node, found=f"{path}, which does not exist", wanted="an existing file")
        return None
    folders = [_tidy(home / ".." / folder), home / folder]
    if OWN_CONFIGS is not None:
        folders.append(OWN_CONFIGS / folder)
    for candidate in folders:
        path = candidate / f"{node.text}.yaml"
        if path.is_file():
            return path
    known = sorted({path.stem for candidate in folders if candidate.is_dir() for path in candidate.glob("*.yaml")})
    reader.fault(
        "J108",
        node,
        found=f"no file {node.text}.yaml in {folder}/",
        wanted=", ".join(known) or f"a file in {folder}/",
        hint=nearest(node.text, known),
    )
    return None


def _is_path(text: str) -> bool:
    return "/" in text or text.endswith((".yaml", ".yml"))


def _path_of(node: Node, home: Path) -> Path:
    name = node.text if _is_path(node.text) else f"{node.text}.yaml"
    return _tidy(home / name)


def _tidy(path: Path) -> Path:
    return Path(os.path.normpath(path))
