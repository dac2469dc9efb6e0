"""Shop files with a word behind every key, taken from the tables that read them: so no word ever goes stale."""

from __future__ import annotations

import re
from typing import Any

from pipeline.shop.schema import ListOf, MapOf, Table
from pipeline.shop.tables import BILLET, CRIB, HOLDING, MACHINE, MATERIAL

TABLES = {"billets": BILLET, "cribs": CRIB, "holdings": HOLDING, "machines": MACHINE, "materials": MATERIAL}
_KEY = re.compile(r"^(?P<indent> *)(?P<dash>- )?(?P<key>[\w-]+):(?P<rest>.*)$")
_AT = 34  # the column where the words begin


def explained(text: str, table: Table) -> str:
    """The file's text with each key's note behind it, at its first place; lines with a comment keep theirs."""
    out: list[str] = []
    inside: list[tuple[int, Any]] = [(-1, table)]  # indent of a key, and the field of what stands below it
    said: set[tuple[int, str]] = set()
    for line in text.splitlines():
        found = _KEY.match(line)
        if found is None:
            out.append(line)
            continue
        indent = len(found["indent"]) + len(found["dash"] or "")
        while inside[-1][0] >= indent:
            inside.pop()
        field = _item(inside[-1][1])
        key = field.keys.get(found["key"]) if isinstance(field, Table) else None
        inside.append((indent, key.field if key else field.item if isinstance(field, MapOf) else None))
        if key is not None and (id(field), found["key"]) not in said and "#" not in line:
            said.add((id(field), found["key"]))
            line = f"{line:<{_AT}}  # {key.note}"
        out.append(line)
    return "\n".join(out) + "\n"


def _item(field: Any) -> Any:
    """What one entry of a list is read by; other fields as they are."""
    return field.item if isinstance(field, ListOf) else field
