"""The parts of a job: families, sizes with their bounds and relations, hands, counts, places.

In a job file a size is written without the unit at the end of its name: `length: 100` in an mm file and `length: 4`
in an inch file are both `length_mm` of the family.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from pipeline.families import Family, Size
from pipeline.job.tables import AS_MANY_AS_FIT
from pipeline.model.job import PartRequest
from pipeline.model.units import shown
from pipeline.shop.fields import Choice, Field, Length, Number
from pipeline.shop.reading import FAILED, Reader, Values, describe, nearest
from pipeline.shop.strict_yaml import Node

HAND = "hand"  # the size by which a family says that it comes in mirrored halves
THICKNESS = "thickness_mm"  # the size by which a family says how tall it stands in the billet
_ANGLE_NOISE_RAD = 1e-6


def written_name(size: Size) -> str:
    """The size's key in a job file."""
    return size.name.removesuffix(f"_{size.unit}") if size.unit else size.name


def size_field(size: Size) -> Field:
    """How this size is written in a job file. Sizes in degrees stay degrees: the family's name says so."""
    if size.kind == "pick":
        return Choice(size.choices)
    if size.unit == "mm":
        return Length(low=size.low, high=size.high)
    return Number(low=size.low, high=size.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadPart:
    """One part as read: the requests it stands for, and its thickness with the place that says it."""

    name: str
    node: Node
    requests: tuple[PartRequest, ...]
    thickness_mm: float | None
    thickness_node: Node


def read_parts(parts: Values, families: Mapping[str, Family], reader: Reader) -> tuple[ReadPart, ...]:
    """All parts, in the file's order. A part with an error gives no request but still its thickness."""
    out = []
    for name, part in parts.items():
        family = families.get(part.get("family", ""))
        if family is None:
            if part.has("family"):
                reader.fault(
                    "J130",
                    part.at("family"),
                    found=f"the family {part['family']}",
                    wanted=", ".join(families),
                    hint=nearest(part["family"], families),
                )
            else:
                _guess_name(name, [other for other, whole in parts.items() if whole.has("family")], reader)
            continue
        out.append(_read_part(name, part, family, reader))
    names = [request.name for read in out for request in read.requests]
    for read in out:
        for request in read.requests:
            if names.count(request.name) > 1 and request.name != read.name:
                reader.fault(
                    "J133",
                    read.node,
                    found=f"a half called {request.name}, which is a part's name already",
                    wanted="names that stay apart when a pair becomes -left and -right",
                )
    return tuple(out)


def _guess_name(name: str, known: list[str], reader: Reader) -> None:
    """A part without a family is most often a misspelt part of the job it is based on: say so where that is missed."""
    hint = nearest(name, known)
    for index, finding in enumerate(reader.findings):
        if hint and finding.code == "J105" and finding.key == f"parts.{name}.family":
            reader.findings[index] = replace(finding, hint=hint)


def _read_part(name: str, part: Values, family: Family, reader: Reader) -> ReadPart:
    before = len(reader.findings)
    sizes, nodes = _read_sizes(part.get("sizes"), family, reader)
    hands = _hands(part, family, reader)
    if len(reader.findings) == before:
        for hand in hands:
            trial = {**sizes, HAND: hand} if hand else sizes
            if _check_relations(trial, nodes, part, family, reader):
                break  # the other half has the same fault
    whole = family.complete(sizes)
    thickness = whole.get(THICKNESS)
    requests: tuple[PartRequest, ...] = ()
    _check_count(part, hands, reader)
    fixed = _fixed_by_hand(part, hands, reader)
    if len(reader.findings) == before and part.is_whole and part["count"] != 0:
        requests = tuple(
            PartRequest(
                name=f"{name}-{hand}" if len(hands) > 1 else name,
                family=family.name,
                sizes=family.complete({**sizes, HAND: hand} if hand else sizes),
                count=part["count"],
                value=part["value"],
                zones=part["zone"],
                clear_of=part["clear_of"],
                rotations_rad=part["rotations"],
                fixed=fixed.get(hand, ()),
                along_layers_rad=_along_layers(part, hand, hands),
            )
            for hand in hands
        )
    return ReadPart(
        name=name,
        node=part.node,
        requests=requests,
        thickness_mm=thickness if isinstance(thickness, float) and part.get("count") != 0 else None,
        thickness_node=nodes.get(THICKNESS, part.at("family")),
    )


def _along_layers(part: Values, hand: str, hands: tuple[str, ...]) -> float | None:
    """The direction in this half's own frame: the right half of a pair is the left one's mirror image across X."""
    along: float | None = part["along_layers"]
    return -along if along is not None and len(hands) > 1 and hand == "right" else along


def _read_sizes(node: Node | None, family: Family, reader: Reader) -> tuple[dict[str, Any], dict[str, Node]]:
    """The written sizes by the family's names, in mm, and where each is written."""
    sizes: dict[str, Any] = {}
    nodes: dict[str, Node] = {}
    if node is None:
        return sizes, nodes
    if node.kind != "map":
        if not node.is_empty:
            reader.fault("J106", node, found=describe(node), wanted="size: value, one per line")
        return sizes, nodes
    by_key = {written_name(size): size for size in family.sizes if size.name != HAND}
    for key, entry in node.entries.items():
        size = by_key.get(key)
        if size is None:
            full = next((written for written, known in by_key.items() if known.name == key), None)
            hint = nearest(key, by_key)
            if key == HAND:
                hint = "write hands: left, right or pair beside the family"
            elif full is not None:
                hint = f"write {full}: the file's units say the rest"
            reader.fault(
                "J104",
                entry.node,
                found=f"the size {key}",
                wanted=f"sizes of {family.name}: {', '.join(by_key)}",
                hint=hint,
                line=entry.line,
                column=entry.column,
            )
            continue
        value = size_field(size).read(entry.node, reader)
        if value is not FAILED:
            sizes[size.name] = value
            nodes[size.name] = entry.node
    return sizes, nodes


def _hands(part: Values, family: Family, reader: Reader) -> tuple[str, ...]:
    """The halves this part stands for; an empty text for a family without hands."""
    has_hands = any(size.name == HAND for size in family.sizes)
    hands = part.get("hands")
    if has_hands and hands is None:
        if "hands" not in part.nodes:
            reader.fault(
                "J133",
                part.at("family"),
                found=f"no hands for the family {family.name}",
                wanted="hands: left, right or pair",
                key=f"{part.node.key}.hands",
            )
        return ("left", "right")
    if not has_hands:
        if hands is not None:
            reader.fault("J133", part.at("hands"), found=f"hands for {family.name}, which has none", wanted="no hands")
        return ("",)
    return ("left", "right") if hands == "pair" else (str(hands),)


def _check_relations(
    sizes: dict[str, Any], nodes: dict[str, Node], part: Values, family: Family, reader: Reader
) -> bool:
    """Findings for relations between sizes that do not hold; True when there were some."""
    keys = {size.name: written_name(size) for size in family.sizes}
    unit = reader.unit_of(part.node)
    has_fault = False
    whole = family.complete(sizes)
    for sentence in family.check(whole):
        has_fault = True
        named = [word for word in re.findall(r"\w+", sentence) if word in keys]
        place = next((nodes[name] for name in named if name in nodes), part.at("sizes"))
        if place is part.node:
            place = part.at("family")
        figures = []
        for name in dict.fromkeys(named):
            value = whole[name]
            if isinstance(value, float):
                words = shown(value, unit=unit) if name.endswith("_mm") else f"{value:g}"
            else:
                words = value
            figures.append(f"{keys[name]} {words}")
        wanted = re.sub(r"\w+", lambda match: keys.get(match[0], match[0]), sentence)
        reader.fault("J132", place, found=", ".join(figures) or "sizes that do not go together", wanted=wanted)
    return has_fault


def _check_count(part: Values, hands: tuple[str, ...], reader: Reader) -> None:
    if len(hands) > 1 and part.has("count") and part["count"] is None:
        reader.fault(
            "J134",
            part.at("count"),
            found=f"a pair, {AS_MANY_AS_FIT}",
            wanted="a number of pairs",
            hint="as many as fit could leave a left half without its right one",
        )


def _fixed_by_hand(
    part: Values, hands: tuple[str, ...], reader: Reader
) -> dict[str, tuple[tuple[float, float, float], ...]]:
    """Fixed places by hand, checked against the count and the allowed rotations."""
    out: dict[str, list[tuple[float, float, float]]] = {hand: [] for hand in hands}
    rotations = part.get("rotations")
    for place in part.get("fixed", ()):
        if not place.is_whole:
            continue
        hand = place["hand"] or (hands[0] if len(hands) == 1 else None)
        if hand not in out:
            reader.fault(
                "J135",
                place.node,
                found="no hand" if hand is None else f"hand {hand}",
                wanted=" or ".join(f"hand: {one}" for one in hands if one) or "no hand",
            )
            continue
        if rotations is not None and not any(_same_angle(place["angle"], allowed) for allowed in rotations):
            allowed_words = ", ".join(f"{math.degrees(angle):g}" for angle in rotations)
            reader.fault(
                "J135",
                place.at("angle"),
                found=f"{math.degrees(place['angle']):g} degrees",
                wanted=f"one of the rotations {allowed_words}",
            )
        out[hand].append((place["x"], place["y"], place["angle"]))
    count = part.get("count")
    for hand, places in out.items():
        if count is not None and len(places) > count:
            whose = f"{hand} " if hand else ""
            reader.fault(
                "J134",
                part.at("fixed"),
                found=f"{len(places)} fixed {whose}places for a count of {count}",
                wanted="at most as many places as copies",
            )
    return {hand: tuple(places) for hand, places in out.items()}


def _same_angle(a: float, b: float) -> bool:
    return abs(math.remainder(a - b, 2 * math.pi)) < _ANGLE_NOISE_RAD
