"""The part families: what can be ordered, with its sizes and their bounds, without drawing anything.

A family is one file. Its name is the file's name; a file that starts with an underscore is a shared form and is passed
over. The file holds a frozen dataclass `Params` whose fields are made with `dim` and `pick`, a generator
`check(params)` that yields a sentence for each relation that does not hold, and `build(params)` that draws the part.
The modelling kernel is imported inside `build`, so scanning takes milliseconds and the job reader can check every
size before anything slow is loaded.
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib
import importlib.util
import inspect
import math
import re
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import Any

from pipeline.errors import BadInput
from pipeline.model.findings import Finding
from pipeline.model.part import Built

_UNITS = {"mm": "mm", "deg": "deg"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """One size (`dim`, with bounds) or one choice (`pick`, with words) of a family.

    `unit` comes from the end of the name: `_mm` a length, `_deg` an angle, otherwise a plain number.
    """

    name: str
    kind: str  # "dim" or "pick"
    default: float | str
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    note: str = ""

    @property
    def unit(self) -> str:
        """`mm`, `deg` or an empty text."""
        return _UNITS.get(self.name.rsplit("_", 1)[-1], "")

    @property
    def allowed(self) -> str:
        """What may stand here, as text: `4 to 16 mm`, `left or right`."""
        if self.kind == "pick":
            return " or ".join(self.choices)
        return f"{self.low:g} to {self.high:g} {self.unit}".rstrip()

    def admits(self, value: object) -> bool:
        """Whether the value is of the right kind and inside the bounds (which belong to the range)."""
        if self.kind == "pick":
            return isinstance(value, str) and value in self.choices
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            return False
        assert self.low is not None and self.high is not None
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """A part family: its name, its docstring, its sizes in the order of the file, and the file itself."""

    name: str
    doc: str
    sizes: tuple[Size, ...]
    path: str

    def complete(self, sizes: Mapping[str, float | str]) -> dict[str, float | str]:
        """All sizes in the family's order, defaults filled in, numbers as float. Unknown names are dropped."""
        out: dict[str, float | str] = {}
        for size in self.sizes:
            value = sizes.get(size.name, size.default)
            out[size.name] = float(value) if size.kind == "dim" and isinstance(value, (int, float)) else value
        return out

    def check(self, sizes: Mapping[str, float | str]) -> list[str]:
        """The sentences of the family's own relations that do not hold; the sizes must be inside their bounds."""
        return list(_relations(self.path, tuple(self.complete(sizes).items())))

    def validate(self, sizes: Mapping[str, object]) -> Iterator[tuple[str | None, str, str]]:
        """Everything wrong with these sizes: (name of the size or None, what was found, what is wanted).

        Unknown names first, then each value out of its bounds or choices; the relations between sizes are looked at
        only when every single size is good. A relation is filed under the first size its sentence names.
        """
        known = {size.name: size for size in self.sizes}
        good = True
        for name in sizes:
            if name not in known:
                import difflib  # 10 ms that a good job never pays

                near = difflib.get_close_matches(str(name), known, n=1)
                hint = f"; perhaps {near[0]}" if near else ""
                good = False
                yield str(name), f"a size that {self.name} does not have", "one of " + ", ".join(known) + hint
        for name, size in known.items():
            if name in sizes and not size.admits(sizes[name]):
                good = False
                value = sizes[name]
                shown = f"{value:g} {size.unit}".rstrip() if isinstance(value, float) else repr(value)
                yield name, shown, size.allowed
        if not good:
            return
        whole = self.complete(sizes)  # type: ignore[arg-type]
        for sentence in self.check(whole):
            named = [word for word in re.findall(r"\w+", sentence) if word in known]
            first = next((word for word in named if word in sizes), named[0] if named else None)
            found = "sizes that do not go together"
            if first is not None:
                value = whole[first]
                found = f"{value:g} {known[first].unit}".rstrip() if isinstance(value, float) else str(value)
            yield first, found, sentence

    def build(self, sizes: Mapping[str, float | str]) -> Built:
        """Draw the part. The sizes must have passed `validate`; missing ones take their defaults."""
        module = _load(self.path)
        built: Built = module.build(module.Params(**self.complete(sizes)))
        return built


def scan(folders: Iterable[Path | str] = ()) -> Mapping[str, Family]:
    """All families by name, sorted: those of the `parts` package, then those of `folders`.

    Raises BadInput (J180) when a file does not hold a family or a name appears twice.
    """
    found: dict[str, Family] = {}
    findings: list[Finding] = []
    for folder in (_own_folder(), *(Path(folder) for folder in folders)):
        for path in sorted(folder.glob("*.py")):
            if path.name.startswith("_"):
                continue
            if path.stem in found:
                findings.append(Finding(code="J180", where=str(path), found=f"a second family {path.stem}",
                                        wanted="one file per name"))
                continue
            try:
                found[path.stem] = _read(str(path))
            except Exception as error:  # a family's own code runs here: anything may come out of it
                findings.append(Finding(code="J180", where=str(path), found=f"{type(error).__name__}: {error}",
                                        wanted="a family: Params, check, build"))
    if findings:
        raise BadInput(findings)
    return MappingProxyType(dict(sorted(found.items())))


def _own_folder() -> Path:
    parts = importlib.import_module("parts")
    return Path(parts.__path__[0]).resolve()


@cache
def _load(path: str) -> ModuleType:
    """The module of a family's file, imported once per process."""
    file = Path(path)
    if file.resolve().parent == _own_folder():
        return importlib.import_module(f"parts.{file.stem}")
    name = f"parts_{hashlib.sha256(path.encode()).hexdigest()[:12]}_{file.stem}"  # two folders may hold one file name
    spec = importlib.util.spec_from_file_location(name, file)
    if spec is None or spec.loader is None:
        raise ImportError(f"{path} cannot be imported")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their own module up by name
    spec.loader.exec_module(module)
    return module


@cache
def _relations(path: str, sizes: tuple[tuple[str, float | str], ...]) -> tuple[str, ...]:
    """What the family's check says of complete sizes; a list of orders asks for the same ones again and again."""
    module = _load(path)
    return tuple(module.check(module.Params(**dict(sizes))))


def _read(path: str) -> Family:
    """The family in this file; raises ValueError or AttributeError when it is not one."""
    module = _load(path)
    for function in ("check", "build"):
        if not callable(getattr(module, function, None)):
            raise AttributeError(f"no function {function}(params)")
    sizes = []
    for field in dataclasses.fields(module.Params):
        meta = field.metadata
        if meta.get("kind") not in ("dim", "pick"):
            raise ValueError(f"{field.name} is made with neither dim nor pick")
        default: Any = field.default
        low, high = meta.get("low"), meta.get("high")
        size = Size(name=field.name, kind=meta["kind"], default=default, low=low, high=high,
                    choices=tuple(meta.get("choices", ())), note=meta["note"])
        if not size.admits(default):
            raise ValueError(f"{field.name}: the default {default!r} is not allowed ({size.allowed})")
        sizes.append(size)
    return Family(name=Path(path).stem, doc=inspect.getdoc(module) or "", sizes=tuple(sizes), path=path)
