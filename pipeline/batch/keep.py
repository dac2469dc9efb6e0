"""Every value between the stages, written out to be read: YAML, with arrays, texts and files beside it.

The first tool when a result surprises, and the source of small cases for tests.
"""

from __future__ import annotations

import dataclasses
import enum
import shutil
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


class StageFolder:
    """A folder that takes the stages' values in their order: `01-solids.yaml`, `02-solids.yaml`, `03-nest.yaml`, ...

    Raises BadInput (J193) when the folder holds anything but values kept before.
    """

    def __init__(self, folder: Path):
        if folder.exists() and not (folder.is_dir() and ((folder / _MARK).is_file() or not any(folder.iterdir()))):
            raise BadInput([Finding(code="J193", where=f"folder {folder}", found="something that is not kept stages",
                                    wanted="a new or empty folder, or stages kept before",
                                    hint="give another --keep-stages")])  # fmt: skip
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        (folder / _MARK).write_text("Values between the stages of one run, in their order; arrays beside them.\n")
        self._folder, self._n = folder, 0

    def write(self, stage: str, value: object) -> None:
        """Write one value; what does not read well in YAML goes into files named after it and the way to it."""
        self._n += 1
        name = f"{self._n:02d}-{stage}"
        beside: dict[str, Callable[[Path], Any]] = {}
        tree = _tree(value, name, beside)
        for file, put in beside.items():
            put(self._folder / file)
        text = yaml.safe_dump(tree, sort_keys=False, allow_unicode=True, width=110)
        (self._folder / f"{name}.yaml").write_text(text)


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
        return _aside(f"{at}.txt", beside, lambda path: path.write_text(value))
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
