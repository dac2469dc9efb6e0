"""Single values as they stand in a file: lengths, numbers, words. Each field reads, and tells editors (JSON Schema).

Lengths are written in the file's `units` or carry their own; angles are degrees in files and radians afterwards.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from pipeline.model.findings import Finding
from pipeline.model.units import MM_PER_INCH, length_mm, shown
from pipeline.shop.reading import FAILED, Reader, describe, nearest, number_hint, plain_number, scalar
from pipeline.shop.strict_yaml import Node

LENGTH_REF = "#/$defs/length"
LENGTH_TEXT = {
    "type": "string",
    "description": 'a length with its own unit: "0.25 mm", "1/16 in", "#43"',
    "pattern": r"^(#[0-9]{1,2}|[+-]?([0-9]+ )?[0-9]+/[0-9]+ *(mm|in|\")?|[+-]?([0-9]+\.?[0-9]*|\.[0-9]+) *(mm|in|\"))$",
}

Schema = dict[str, Any]


class Field(Protocol):
    """How one value is written."""

    def read(self, node: Node, reader: Reader) -> Any:
        """The value, or FAILED after a finding."""
        ...

    def schema(self) -> Schema:
        """The same as JSON Schema."""
        ...


def _bounds_words(low: float | None, high: float | None, show: Callable[[float], str]) -> str:
    if low is not None and high is not None:
        return f"{show(low)} to {show(high)}"
    if low is not None:
        return f"at least {show(low)}"
    return f"at most {show(high)}" if high is not None else ""


def _outside(value: float, low: float | None, high: float | None) -> bool:
    noise = 1e-12 * max(1.0, abs(value))  # 0.2 in is 5.08 mm only to the last binary digit
    return (low is not None and value < low - noise) or (high is not None and value > high + noise)


_LABEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


@dataclass(frozen=True, slots=True)
class Length:
    """A length; `low` and `high` in mm. Feeds and accelerations too, as lengths per minute or second squared."""

    low: float | None = None
    high: float | None = None

    def read(self, node: Node, reader: Reader) -> Any:
        unit = reader.unit_of(node)
        text = scalar(node, reader, wanted=f'a length such as 3.2 (in {unit}), "0.25 mm", "1/16 in" or "#43"')
        if text is None:
            return FAILED
        has_unit = text.endswith(("mm", "in", '"')) or "/" in text or text.startswith("#")
        try:
            if not has_unit and plain_number(text) is None:
                raise ValueError
            if has_unit and number_hint(text.removesuffix('"').removesuffix("mm").removesuffix("in").strip()):
                raise ValueError
            value = length_mm(text, default_unit=unit)
        except ValueError as error:
            reader.fault(
                "J106",
                node,
                found=describe(node),
                wanted=f'a length such as 3.2 (in {unit}), "0.25 mm", "1/16 in" or "#43"',
                hint=number_hint(text) or _number_drill_hint(str(error)),
            )
            return FAILED
        if _outside(value, self.low, self.high):
            reader.fault(
                "J107",
                node,
                found=f"{describe(node)}" + ("" if has_unit else f" {unit}"),
                wanted=_bounds_words(self.low, self.high, lambda mm: shown(mm, unit=unit)),
                hint=_unit_hint(value, self.low, self.high, unit, has_unit),
            )
            return FAILED
        low, high = self.low, self.high  # noise over a bound is let through above and taken off here
        return max(low, min(high, value)) if low is not None and high is not None else value

    def schema(self) -> Schema:
        bounds = _note(_bounds_words(self.low, self.high, lambda mm: shown(mm, unit="mm")))
        return {"anyOf": [{"type": "number"}, {"$ref": LENGTH_REF}], **bounds}


def _number_drill_hint(message: str) -> str:
    return message if "number drill" in message or "divides" in message else ""


def _unit_hint(value: float, low: float | None, high: float | None, unit: str, has_unit: bool) -> str:
    """The commonest slip: a figure of the other unit."""
    other = value * MM_PER_INCH if unit == "mm" else value / MM_PER_INCH
    if has_unit or _outside(other, low, high):
        return ""
    return f"is this figure in {'inches' if unit == 'mm' else 'mm'}? a single value may carry its unit"


def _note(text: str) -> Schema:
    return {"description": text} if text else {}


@dataclass(frozen=True, slots=True)
class Number:
    """A plain number in the unit its key names. `whole` asks for an integer; `degrees` turns degrees into radians."""

    low: float | None = None
    high: float | None = None
    whole: bool = False
    degrees: bool = False

    def read(self, node: Node, reader: Reader) -> Any:
        kind = "a whole number" if self.whole else "an angle in degrees" if self.degrees else "a number"
        bounds = _bounds_words(self.low, self.high, "{:g}".format)
        wanted = f"{kind}{', ' if bounds else ''}{bounds}"
        text = scalar(node, reader, wanted=wanted)
        if text is None:
            return FAILED
        body = text.removesuffix("deg").strip() if self.degrees else text
        value = plain_number(body)
        if value is None or (self.whole and value != int(value)):
            reader.fault("J106", node, found=describe(node), wanted=wanted, hint=number_hint(body))
            return FAILED
        if _outside(value, self.low, self.high):
            reader.fault("J107", node, found=describe(node), wanted=wanted)
            return FAILED
        return int(value) if self.whole else math.radians(value) if self.degrees else value

    def schema(self) -> Schema:
        out: Schema = {"type": "integer" if self.whole else "number"}
        if self.low is not None:
            out["minimum"] = self.low
        if self.high is not None:
            out["maximum"] = self.high
        return out


_QUANTITY = re.compile(r"(?P<number>[^ a-zA-Z/]*) *(?P<unit>[a-zA-Z][a-zA-Z/]*)?")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit behind it (`75 kPa`, `22 inHg`); 0 needs none. `units` maps a unit to how many of ours it
    is, ours first; `low` and `high` are in ours."""

    units: Mapping[str, float]
    low: float
    high: float
    example: str

    def read(self, node: Node, reader: Reader) -> Any:
        ours = next(iter(self.units))
        wanted = f"a number with its unit ({' or '.join(self.units)}), such as {self.example}"
        text = scalar(node, reader, wanted=wanted)
        if text is None:
            return FAILED
        match = _QUANTITY.fullmatch(text)
        number = plain_number(match["number"]) if match else None
        unit = match["unit"] if match else None
        if number is None or (unit not in self.units and not (unit is None and number == 0)):
            no_unit = number is not None and unit is None
            hint = f"add the unit: {text} {' or '.join(self.units)}?" if no_unit else nearest(unit or "", self.units)
            reader.fault("J106", node, found=describe(node), wanted=wanted,
                         hint=number_hint(match["number"] if match else text) or hint)  # fmt: skip
            return FAILED
        value = number * self.units[unit or ours]
        if _outside(value, self.low, self.high):
            reader.fault(
                "J107", node, found=describe(node), wanted=_bounds_words(self.low, self.high, lambda v: f"{v:g} {ours}")
            )
            return FAILED
        return min(max(value, self.low), self.high)

    def schema(self) -> Schema:
        units = "|".join(re.escape(unit) for unit in self.units)
        return {
            "anyOf": [{"const": 0}, {"type": "string", "pattern": rf"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+) *({units})$"}],
            **_note(_bounds_words(self.low, self.high, lambda v: f"{v:g} {next(iter(self.units))}")),
        }


@dataclass(frozen=True, slots=True)
class Text:
    """Words for people."""

    longest: int = 400

    def read(self, node: Node, reader: Reader) -> Any:
        text = scalar(node, reader, wanted="a text")
        if text is None:
            return FAILED
        if len(text) > self.longest or not text.strip() or not text.replace("\n", " ").isprintable():
            reader.fault(
                "J107", node, found=f"a text of {len(text)} characters", wanted=f"1 to {self.longest} printable"
            )
            return FAILED
        return text

    def schema(self) -> Schema:
        return {"type": "string", "minLength": 1, "maxLength": self.longest}


@dataclass(frozen=True, slots=True)
class Label:
    """A short text that may be a file's name, be engraved and stand in a program: letters, digits, `-`, `_` and `.`."""

    longest: int

    def read(self, node: Node, reader: Reader) -> Any:
        wanted = f"1 to {self.longest} letters, digits, - _ or ., the first a letter or a digit"
        text = scalar(node, reader, wanted=wanted)
        if text is None:
            return FAILED
        if len(text) > self.longest or not _LABEL.fullmatch(text):
            reader.fault("J107", node, found=describe(node), wanted=wanted)
            return FAILED
        return text

    def schema(self) -> Schema:
        return {"type": "string", "maxLength": self.longest, "pattern": f"^{_LABEL.pattern}$"}


@dataclass(frozen=True, slots=True)
class Choice:
    """One of some words."""

    words: tuple[str, ...]

    def read(self, node: Node, reader: Reader) -> Any:
        text = scalar(node, reader, wanted=" or ".join(self.words))
        if text is None:
            return FAILED
        if text not in self.words:
            reader.fault(
                "J108", node, found=describe(node), wanted=", ".join(self.words), hint=nearest(text, self.words)
            )
            return FAILED
        return text

    def schema(self) -> Schema:
        return {"type": "string", "enum": list(self.words)}


@dataclass(frozen=True, slots=True)
class Flag:
    """Yes or no."""

    def read(self, node: Node, reader: Reader) -> Any:
        text = scalar(node, reader, wanted="yes or no")
        if text is None:
            return FAILED
        known = {"yes": True, "true": True, "no": False, "false": False}
        if text not in known:
            reader.fault("J106", node, found=describe(node), wanted="yes or no")
            return FAILED
        return known[text]

    def schema(self) -> Schema:
        return {"anyOf": [{"type": "boolean"}, {"enum": ["yes", "no"]}]}


@dataclass(frozen=True, slots=True)
class Special:
    """A word with a meaning of its own (`none`, `any`), or else what another field reads."""

    word: str
    meaning: Any
    otherwise: Field

    def read(self, node: Node, reader: Reader) -> Any:
        if node.kind == "scalar" and node.text == self.word:
            return self.meaning
        before = len(reader.findings)
        value = self.otherwise.read(node, reader)
        for index in range(before, len(reader.findings)):
            reader.findings[index] = _also_allowed(reader.findings[index], node, self.word)
        return value

    def schema(self) -> Schema:
        return {"anyOf": [{"const": self.word}, self.otherwise.schema()]}


def _also_allowed(finding: Finding, node: Node, word: str) -> Finding:
    if finding.key != node.key:
        return finding
    close = nearest(node.text, [word]) if node.kind == "scalar" else ""
    return dataclasses.replace(finding, wanted=f"{finding.wanted}, or: {word}", hint=finding.hint or close)


@dataclass(frozen=True, slots=True)
class Later:
    """Read later by somebody who knows more: the node itself."""

    def read(self, node: Node, reader: Reader) -> Any:
        return node

    def schema(self) -> Schema:
        return {"type": "object"}
