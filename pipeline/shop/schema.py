"""What may stand in a file, as tables. One table reads a file, checks it and tells editors about it (JSON Schema).

Words: a *field* says how one value is written; a *table* is fields by key; `Values` is what a table read, with the
places it was read from, so that a later check across keys can still point at a line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.shop.fields import Field, Length, Schema
from pipeline.shop.reading import FAILED, Reader, Values, describe, nearest
from pipeline.shop.strict_yaml import Node


@dataclass(frozen=True, slots=True)
class ListOf:
    """A list of alike values; a tuple afterwards."""

    item: Field
    least: int = 0
    most: int | None = None

    def read(self, node: Node, reader: Reader) -> Any:
        size = f"{self.least}" if self.least == self.most else f"{self.least} or more"
        if node.kind != "list":
            reader.fault("J106", node, found=describe(node), wanted=f"a list of {size} values: [...]")
            return FAILED
        if len(node.items) < self.least or (self.most is not None and len(node.items) > self.most):
            reader.fault("J107", node, found=f"{len(node.items)} values", wanted=f"{size} values")
            return FAILED
        values = tuple(self.item.read(item, reader) for item in node.items)
        return FAILED if any(value is FAILED for value in values) else values

    def schema(self) -> Schema:
        out: Schema = {"type": "array", "items": self.item.schema(), "minItems": self.least}
        if self.most is not None:
            out["maxItems"] = self.most
        return out


@dataclass(frozen=True, slots=True)
class OneOrMore:
    """A value, or a list of alike values; a tuple afterwards."""

    item: Field

    def read(self, node: Node, reader: Reader) -> Any:
        if node.kind == "list":
            return ListOf(self.item, 1).read(node, reader)
        value = self.item.read(node, reader)
        return FAILED if value is FAILED else (value,)

    def schema(self) -> Schema:
        return {"anyOf": [self.item.schema(), ListOf(self.item, 1).schema()]}


@dataclass(frozen=True, slots=True)
class Row:
    """A list with a field of its own for every place; a tuple afterwards."""

    fields: tuple[Field, ...]

    def read(self, node: Node, reader: Reader) -> Any:
        n = len(self.fields)
        if node.kind != "list":
            reader.fault("J106", node, found=describe(node), wanted=f"a list of {n} values: [...]")
            return FAILED
        if len(node.items) != n:
            reader.fault("J107", node, found=f"{len(node.items)} values", wanted=f"{n} values")
            return FAILED
        values = tuple(field.read(item, reader) for field, item in zip(self.fields, node.items, strict=True))
        return FAILED if any(value is FAILED for value in values) else values

    def schema(self) -> Schema:
        n = len(self.fields)
        return {"type": "array", "prefixItems": [f.schema() for f in self.fields], "minItems": n, "maxItems": n}


POINT = ListOf(Length(low=-5000, high=5000), 2, 2)


@dataclass(frozen=True, slots=True)
class MapOf:
    """Alike values under names of the user's own; a dict in the file's order afterwards, less what failed."""

    item: Field
    least: int = 0
    names: str = r"[A-Za-z0-9][A-Za-z0-9_-]*"
    names_words: str = "letters, digits and dashes"
    most: int | None = None

    def read(self, node: Node, reader: Reader) -> Any:
        if node.kind != "map":
            reader.fault("J106", node, found=describe(node), wanted="names with their values")
            return FAILED
        out = Values(node)
        for name, entry in node.entries.items():
            if not re.fullmatch(self.names, name):
                reader.fault(
                    "J108",
                    entry.node,
                    found=f"the name {name!r}",
                    wanted=self.names_words,
                    line=entry.line,
                    column=entry.column,
                )
                out.is_whole = False
                continue
            value = self.item.read(entry.node, reader)
            if value is FAILED:
                out.is_whole = False
                continue
            if isinstance(value, Values) and not value.is_whole:
                out.is_whole = False
            out[name] = value
            out.nodes[name] = entry.node
        n = len(node.entries)
        if n < self.least or (self.most is not None and n > self.most):
            few = f"{self.least}" if self.least == self.most else f"at least {self.least}"
            reader.fault("J107", node, found=f"{n} entries", wanted=few)
            out.is_whole = False
        return out

    def schema(self) -> Schema:
        return {
            "type": "object",
            "propertyNames": {"pattern": f"^{self.names}$"},
            "additionalProperties": self.item.schema(),
            "minProperties": self.least,
        }


_REQUIRED: Any = object()


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table. Without a default it must be written."""

    field: Field
    note: str
    default: Any = _REQUIRED

    @property
    def is_required(self) -> bool:
        """The file must hold this key."""
        return self.default is _REQUIRED


@dataclass(frozen=True, slots=True)
class Table:
    """Keys with their fields. `Values` afterwards, defaults filled in, what failed left out."""

    name: str
    keys: Mapping[str, Key]

    def read(self, node: Node, reader: Reader) -> Any:
        if node.kind != "map":
            reader.fault("J106", node, found=describe(node), wanted=f"a table of {self.name}: {', '.join(self.keys)}")
            return FAILED
        out = Values(node)
        for name, entry in node.entries.items():
            if name not in self.keys:
                reader.fault(
                    "J104",
                    entry.node,
                    found=f"the key {name}",
                    wanted=f"keys of {self.name}: " + ", ".join(self.keys),
                    hint=nearest(name, self.keys),
                    line=entry.line,
                    column=entry.column,
                )
                out.is_whole = False
        for name, key in self.keys.items():
            written = node.entries.get(name)
            if written is None:
                if key.is_required and not reader.lacks_base:
                    self._missing(name, node, reader)
                if key.is_required:
                    out.is_whole = False
                else:
                    out[name] = key.default
                continue
            value = key.field.read(written.node, reader)
            out.nodes[name] = written.node
            if value is FAILED or (isinstance(value, Values) and not value.is_whole):
                out.is_whole = False
            if value is not FAILED:
                out[name] = value
        return out

    def _missing(self, name: str, node: Node, reader: Reader) -> None:
        key = ".".join((*node.path, name))
        reader.fault("J105", node, found=f"no key {name}", wanted=f"{name}: {self.keys[name].note}", key=key)

    def schema(self) -> Schema:
        properties: Schema = {}
        for name, key in self.keys.items():
            inner = key.field.schema()
            bounds = inner.get("description", "")
            properties[name] = {**inner, "description": f"{key.note}; {bounds}" if bounds else key.note}
        required = [name for name, key in self.keys.items() if key.is_required]
        return {"type": "object", "properties": properties, "required": required, "additionalProperties": False}
