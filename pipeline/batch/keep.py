"""Every value between the stages, written out to be read: YAML, with arrays, texts and files beside it.

The first tool when a result surprises, and the source of small cases for tests.
"""

from __future__ import annotations

import dataclasses
import enum
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from pipeline.errors import BadInput
from pipeline.model.findings import Finding

_INLINE = 24  # numbers of an array that still stand in the YAML
_LINES = 12  # lines of a text that still do
_MARK = "stages.txt"  # says that the folder is ours
_SAYS = "Values between the stages of one run, in their order; arrays beside them.\n"
_KEPT_NAME = re.compile(r"\d\d-[a-z]+\.")


class StageFolder:
    """A folder that takes the stages' values in their order: `01-solids.yaml`, `02-solids.yaml`, `03-nest.yaml`, ...

    Raises BadInput (J193) when the folder holds anything but values kept before.
    """

    def __init__(self, folder: Path):
        self._folder, self._n = folder, 0
        try:
            folder.mkdir(parents=True, exist_ok=True)
            there = [entry.name for entry in folder.iterdir()]
            others = [name for name in there if name != _MARK and not _KEPT_NAME.match(name)]
            if there and (others or (folder / _MARK).read_text(encoding="utf-8") != _SAYS):
                raise _refused(folder, f"files that are not kept stages: {', '.join(sorted(others)[:5]) or _MARK}")
            for name in there:
                (folder / name).unlink()
            (folder / _MARK).write_text(_SAYS, encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise _refused(folder, str(error)) from error

    def write(self, stage: str, value: object) -> None:
        """Write one value; what does not read well in YAML goes into files named after it and the way to it."""
        self._n += 1
        name = f"{self._n:02d}-{stage}"
        beside: dict[str, Callable[[Path], Any]] = {}
        tree = _tree(value, name, beside)
        for file, put in beside.items():
            put(self._folder / file)
        text = yaml.safe_dump(tree, sort_keys=False, allow_unicode=True, width=110)
        (self._folder / f"{name}.yaml").write_text(text, encoding="utf-8")


def _refused(folder: Path, found: str) -> BadInput:
    return BadInput([Finding(code="J193", where=f"folder {folder}", found=found,
                             wanted="a new or empty folder, or stages kept before",
                             hint="give another --keep-stages, or move what is there")])  # fmt: skip


def _tree(value: Any, at: str, beside: dict[str, Callable[[Path], Any]]) -> Any:
    """Plain data for YAML; `beside` collects files to write, by name."""
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, np.generic):
        return value.item()
    if value is None or isinstance(value, (bool, int, float)):
        return value
    if isinstance(value, str):
        if value.count("\n") <= _LINES:
            return value
        return _aside(f"{at}.txt", beside, lambda path: path.write_text(value, encoding="utf-8"))
    if isinstance(value, bytes):
        ending = "" if Path(at).suffix in _KNOWN else ".bin"
        return _aside(f"{at}{ending}", beside, lambda path: path.write_bytes(value))
    if isinstance(value, np.ndarray):
        if value.size <= _INLINE:
            return value.tolist()
        shape = " x ".join(str(n) for n in value.shape)
        return _aside(f"{at}.npy", beside, lambda path: np.save(path, value)) + f" ({shape}, {value.dtype})"
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: _tree(getattr(value, f.name), f"{at}.{f.name}", beside) for f in dataclasses.fields(value)}
        return {"is": type(value).__name__, **fields}
    if isinstance(value, Mapping):
        return {str(k): _tree(v, f"{at}.{k}", beside) for k, v in value.items()}
    if isinstance(value, (tuple, list)):
        return [_tree(item, f"{at}.{number}", beside) for number, item in enumerate(value, 1)]
    raise TypeError(f"cannot keep a {type(value).__name__}")


_KNOWN = {".html", ".svg", ".dxf", ".step", ".ngc", ".json", ".pdf", ".brep"}


def _aside(name: str, beside: dict[str, Callable[[Path], Any]], put: Callable[[Path], Any]) -> str:
    name = name.replace("/", "-")
    beside[name] = put
    return f"see {name}"
