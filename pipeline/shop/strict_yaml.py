"""YAML text as nodes that know where they stand, with everything refused that YAML would quietly change.

Plain YAML reads `010` as 8, `1:30` as 90 and `no` as False, keeps the last of two equal keys and takes `#43` for a
comment. Here a scalar stays text until the schema says what it should be, equal keys are findings, and a value that a
`#` cut off is named as such. Anchors, aliases, tags and merge keys are not part of our files.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import yaml

from pipeline.model.findings import Finding

_CUT_OFF = re.compile(r"^[ \t]*(#[0-9][^\s,\]}]*)")  # a comment that starts like a number drill or a screw size
_GUESSED = ("null", "bool", "int", "float", "str", "timestamp", "merge", "value")  # what plain text may be taken for
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """One value of a file. Lines and columns count from 1. `path` is the keys from the top: ("z", "skin").

    `text` and `plain` (written without quotes) belong to scalars, `items` to lists, `entries` to maps.
    """

    kind: Literal["map", "list", "scalar"]
    file: str
    line: int
    column: int
    path: tuple[str, ...]
    text: str = ""
    plain: bool = False
    cut_off: str = ""  # what a `#` turned into a comment right after this value
    items: tuple[Node, ...] = ()
    entries: Mapping[str, Entry] = field(default_factory=dict)

    @property
    def is_empty(self) -> bool:
        """Nothing was written where a value belongs."""
        return self.kind == "scalar" and self.plain and self.text == ""

    @property
    def key(self) -> str:
        """The dotted path, as findings name it."""
        return ".".join(self.path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One key of a map, where the key stands, and its value."""

    line: int
    column: int
    node: Node


def load(text: str, *, file: str, findings: list[Finding]) -> Node | None:
    """Read one file's text. Adds a finding for each fault; None when there is nothing to go on with."""
    if "\t" in text:
        for number, words in enumerate(text.splitlines(), 1):
            indent = words[: len(words) - len(words.lstrip())]
            if "\t" in indent and words.strip() and not words.lstrip().startswith("#"):
                findings.append(
                    _fault("J102", file, number, indent.index("\t") + 1, "a tab in the indent", "spaces", "")
                )
                return None
    try:
        root = yaml.compose(text, Loader=_LOADER)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        if "flow" in (error.context or ""):
            mark = error.context_mark  # where the bracket was opened, not where the reader gave up
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        problem = " ".join(part for part in (error.context, error.problem) if part)
        findings.append(_fault("J102", file, line, column, f"text that is not YAML ({problem})", "", _hint_for(error)))
        return None
    except yaml.YAMLError as error:
        findings.append(_fault("J102", file, 1, 1, f"text that is not YAML ({error})", ""))
        return None
    if root is None:
        findings.append(_fault("J102", file, 1, 1, "an empty file", "keys with values"))
        return None
    return _Walk(file, text.splitlines(), findings).node(root, ())


def merged(base: Node, over: Node) -> Node:
    """`over` laid on `base`: maps key by key, everything else replaced. Nodes keep the file they were written in."""
    if base.kind != "map" or over.kind != "map":
        return over
    entries = dict(base.entries)
    for name, entry in over.entries.items():
        under = entries.get(name)
        if under is not None:
            entry = Entry(line=entry.line, column=entry.column, node=merged(under.node, entry.node))
        entries[name] = entry
    return Node(kind="map", file=over.file, line=over.line, column=over.column, path=over.path, entries=entries)


class _Walk:
    """Turns the library's nodes into ours. A node met twice is an alias, which could also be endless."""

    def __init__(self, file: str, lines: list[str], findings: list[Finding]):
        self.file, self.lines, self.findings = file, lines, findings
        self.seen: set[int] = set()

    def node(self, raw: yaml.Node, path: tuple[str, ...]) -> Node:
        line, column = raw.start_mark.line + 1, raw.start_mark.column + 1
        if id(raw) in self.seen:
            self._fault("J111", line, column, path, "a value used again by an alias (*)", "every value written out")
            return Node(kind="scalar", file=self.file, line=line, column=column, path=path, plain=True)
        self.seen.add(id(raw))
        if isinstance(raw, yaml.MappingNode):
            return self._map(raw, line, column, path)
        if isinstance(raw, yaml.SequenceNode):
            self._refuse_tag(raw, "tag:yaml.org,2002:seq", path)
            items = tuple(self.node(item, (*path, str(index + 1))) for index, item in enumerate(raw.value))
            return Node(kind="list", file=self.file, line=line, column=column, path=path, items=items)
        assert isinstance(raw, yaml.ScalarNode)
        plain = not raw.style  # the C loader says "" where the other says None
        if not plain:
            self._refuse_tag(raw, "tag:yaml.org,2002:str", path)
        elif raw.tag.removeprefix("tag:yaml.org,2002:") not in _GUESSED:
            self._refuse_tag(raw, "", path)
        end = raw.end_mark
        cut = self._cut_off(end.line, end.column) if plain else ""
        return Node(
            kind="scalar", file=self.file, line=line, column=column, path=path, text=raw.value, plain=plain, cut_off=cut
        )

    def _map(self, raw: yaml.MappingNode, line: int, column: int, path: tuple[str, ...]) -> Node:
        self._refuse_tag(raw, "tag:yaml.org,2002:map", path)
        entries: dict[str, Entry] = {}
        for raw_key, raw_value in raw.value:
            at_line, at_column = raw_key.start_mark.line + 1, raw_key.start_mark.column + 1
            if not isinstance(raw_key, yaml.ScalarNode) or raw_key.value in ("", "<<"):
                self._fault("J111", at_line, at_column, path, "a key that is not a word", "a plain word as key")
                continue
            name = raw_key.value
            node = self.node(raw_value, (*path, name))
            if name in entries:
                self._fault(
                    "J103",
                    at_line,
                    at_column,
                    (*path, name),
                    f"the key {name} a second time",
                    f"each key once (first on line {entries[name].line})",
                    "remove one; the last does not win here",
                )
                continue
            entries[name] = Entry(line=at_line, column=at_column, node=node)
        return Node(kind="map", file=self.file, line=line, column=column, path=path, entries=entries)

    def _cut_off(self, line: int, column: int) -> str:
        rest = self.lines[line][column:] if line < len(self.lines) else ""
        match = _CUT_OFF.match(rest)
        return match[1] if match else ""

    def _refuse_tag(self, raw: yaml.Node, usual: str, path: tuple[str, ...]) -> None:
        if raw.tag != usual:
            self._fault(
                "J111",
                raw.start_mark.line + 1,
                raw.start_mark.column + 1,
                path,
                f"the tag {raw.tag}",
                "no tags (!)",
                "quote the text if it should start with !",
            )

    def _fault(
        self, code: str, line: int, column: int, path: tuple[str, ...], found: str, wanted: str, hint: str = ""
    ) -> None:
        self.findings.append(_fault(code, self.file, line, column, found, wanted, hint, ".".join(path)))


def _fault(
    code: str, file: str, line: int, column: int, found: str, wanted: str, hint: str = "", key: str | None = None
) -> Finding:
    return Finding(
        code=code,
        where=key or "the text",
        found=found,
        wanted=wanted,
        hint=hint,
        file=file,
        line=line,
        column=column,
        key=key or None,
    )


def _hint_for(error: yaml.MarkedYAMLError) -> str:
    problem = error.problem or ""
    if "mapping values are not allowed" in problem:
        return "a colon inside a text needs quotes round the text; or the indent of this line does not fit"
    if "could not find expected" in problem or "did not find expected" in problem:
        return "check the indent, the brackets and the quotes of this line and the one before"
    return ""
