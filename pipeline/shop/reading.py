"""Reading values out of nodes: the findings, the place of each value, and words for what was found.

Reading never stops at the first fault: what cannot be read is left out and the rest goes on.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Any

from pipeline.model.findings import Finding, Severity
from pipeline.shop.strict_yaml import Node

_NUMBER = re.compile(r"[+-]?(?:0|[1-9][0-9]*)?(?:\.[0-9]*)?")
_DIGIT = re.compile(r"[0-9]")


class _Failed:
    """What a field gives back when it could not read; the finding is already written."""

    def __repr__(self) -> str:
        return "FAILED"


FAILED = _Failed()


class Values(dict[str, Any]):
    """What a table read, by key. `node` is the map itself, `nodes` the values' places, `is_whole` that none failed."""

    def __init__(self, node: Node):
        super().__init__()
        self.node = node
        self.nodes: dict[str, Node] = {}
        self.is_whole = True

    def has(self, *keys: str) -> bool:
        """All of these were read."""
        return all(key in self for key in keys)

    def at(self, key: str) -> Node:
        """The place to point at for this key: its value, or the map when the key was not written."""
        return self.nodes.get(key, self.node)


class Reader:
    """The findings so far, and the unit of each file. `default_units` serves files that do not say."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self.units: dict[str, str] = {}
        self.lacks_base = False  # what a job is based on could not be read, so what is missing is not known

    def unit_of(self, node: Node) -> str:
        """`mm` or `in`: the unit of bare numbers in the file this node was written in."""
        return self.units.get(node.file, "mm")

    def fault(
        self,
        code: str,
        node: Node,
        *,
        found: str,
        wanted: str = "",
        hint: str = "",
        severity: Severity = "error",
        line: int | None = None,
        column: int | None = None,
        key: str | None = None,
    ) -> None:
        """Write one finding at a node's place (or at `line` and `column` of its file)."""
        key = node.key if key is None else key
        self.findings.append(
            Finding(
                code=code,
                severity=severity,
                where=key.replace(".", "/") or "the file",
                found=found,
                wanted=wanted,
                hint=hint,
                file=node.file,
                line=node.line if line is None else line,
                column=node.column if column is None else column,
                key=key or None,
            )
        )

    def has_errors(self) -> bool:
        """Some finding so far is an error."""
        return any(finding.severity == "error" for finding in self.findings)


def nearest(word: str, known: Iterable[str]) -> str:
    """A hint that names the known word most like this one; empty when none is like it."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.55)
    return f"did you mean {close[0]}?" if close else ""


def describe(node: Node) -> str:
    """What stands there, in words."""
    if node.kind == "map":
        return "a table of keys"
    if node.kind == "list":
        return "a list"
    return "nothing" if node.is_empty else repr(node.text)


def scalar(node: Node, reader: Reader, *, wanted: str) -> str | None:
    """The text of a scalar; None after a finding when it is not one, is empty, or was cut off by a `#`."""
    if node.kind == "scalar" and node.cut_off:
        reader.fault(
            "J109",
            node,
            found=f"{describe(node)}, because {node.cut_off} starts a comment",
            wanted=wanted,
            hint=f'put it in quotes: "{(node.text + " " + node.cut_off).strip()}"',
        )
        return None
    if node.kind != "scalar" or node.is_empty:
        reader.fault("J106", node, found=describe(node), wanted=wanted)
        return None
    return node.text


def plain_number(text: str) -> float | None:
    """A number as people write it (3, -0.25, .5); None for 010, 1e3, 1:30, inf, 1_000 and for anything else."""
    if not _NUMBER.fullmatch(text) or not _DIGIT.search(text):
        return None
    return float(text)


def number_hint(text: str) -> str:
    """Why a text that looks like a number is not taken as one."""
    if re.fullmatch(r"[+-]?0[0-9][0-9.]*", text):
        return "a leading zero could mean octal; write it without"
    if re.fullmatch(r"[+-]?[0-9.]+[eE][+-]?[0-9]+", text):
        return "write the number out, without an exponent"
    if re.fullmatch(r"[0-9]+(:[0-9]+)+", text):
        return "a colon is not part of a number"
    if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", text):
        return "the decimal mark is a point"
    if re.fullmatch(r"[A-Z]( drill)?", text):
        return "letter drills are too easily misread; write the diameter"
    return ""
