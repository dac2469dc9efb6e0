"""What is different between two packets of one job, for whoever ran the first one. From their summaries alone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.model.units import MM_PER_INCH
from pipeline.packet.copies import copies

_MOVED_MM = 0.0005  # half the last digit that people see
_MOVED_RAD = 1e-5
_MOST = 30  # lines of one kind before the rest is only counted
_SPENT_S = 20.0  # a time that changes by less is not worth a line

Summary = Mapping[str, Any]


def changes(before: Summary, after: Summary) -> str:
    """The differences in words, by heading; one line when there are none.

    Lengths in the machine's unit, angles in degrees, times in minutes. A summary of an older version, without what is
    compared, says that it cannot be compared.
    """
    try:
        unit = after["units"]
        sections = {
            "verdict": list(_verdict(before, after)),
            "parts": list(_parts(before, after, unit)),
            "placements": list(_placements(before, after, unit)),
            "operations": list(_operations(before, after, unit)),
            "cutters": list(_cutters(before, after)),
            "times": list(_times(before, after)),
            "on the bed": list(_bed(before, after, unit)),
        }
    except (KeyError, TypeError, IndexError, AttributeError, ValueError):
        return "The packet that was here comes from another version and cannot be compared.\n"
    if after.get("kept_placements") is not None and any(sections.values()):
        n = len(after["placements"])
        sections["placements"].append(f"nest kept: {after['kept_placements']} of {n} placements where they were")
    out = []
    for heading, lines in sections.items():
        if lines:
            out.append(heading.upper())
            out += [f"  {line}" for line in lines[:_MOST]]
            if len(lines) > _MOST:
                out.append(f"  and {len(lines) - _MOST} more")
    if not out:
        same = "in anything that is compared" if before["job_digest"] != after["job_digest"] else "at all"
        return f"Nothing changed {same} since the packet that was here.\n"
    digests = f"job digest {before['job_digest'][:12]} -> {after['job_digest'][:12]}"
    return "\n".join(["CHANGED since the packet that was here:", *out, digests]) + "\n"


def _verdict(before: Summary, after: Summary) -> Iterator[str]:
    if before["verdict"] != after["verdict"]:
        yield f"{before['verdict']} -> {after['verdict']}"
    for key, name in (("serial", "serial"), ("billet", "billet"), ("machine", "machine"), ("title", "title")):
        if before[key] != after[key]:
            yield f"{name}: {before[key] or 'none'} -> {after[key] or 'none'}"


def _parts(before: Summary, after: Summary, unit: str) -> Iterator[str]:
    old, new = before["parts"], after["parts"]
    for name in _both(old, new):
        if name not in new:
            yield f"{name}: gone"
        elif name not in old:
            yield f"{name}: new"
        else:
            sizes = [
                f"{size.removesuffix('_mm')} {_size(size, old[name], unit)} -> {_size(size, new[name], unit)}"
                for size in _both(old[name]["sizes"], new[name]["sizes"])
                if old[name]["sizes"].get(size) != new[name]["sizes"].get(size)
            ]
            if sizes:
                yield f"{name}: " + ", ".join(sizes)
            elif old[name]["solid"] != new[name]["solid"]:
                yield f"{name}: drawn otherwise with the same sizes, by another version"
        if before["placed"].get(name, 0) != after["placed"].get(name, 0):
            yield f"{name}: {before['placed'].get(name, 0)} placed -> {after['placed'].get(name, 0)} placed"


def _placements(before: Summary, after: Summary, unit: str) -> Iterator[str]:
    old, new = ({spot["part"]: spot for spot in summary["placements"]} for summary in (before, after))
    gone, come = [name for name in old if name not in new], [name for name in new if name not in old]
    if gone:
        yield f"{copies(gone)}: no longer placed"
    if come:
        yield f"{copies(come)}: placed, was not there"
    for name in new:
        if name in old:
            a, b = old[name], new[name]
            far = math.hypot(b["x_mm"] - a["x_mm"], b["y_mm"] - a["y_mm"])
            turn = (b["angle_rad"] - a["angle_rad"] + math.pi) % (2 * math.pi) - math.pi
            if far > _MOVED_MM or abs(turn) > _MOVED_RAD:
                turned = f", turned {math.degrees(turn):.2f} deg" if abs(turn) > _MOVED_RAD else ""
                yield f"{name}: moved {_length(far, unit)}{turned}"


def _operations(before: Summary, after: Summary, unit: str) -> Iterator[str]:
    """Operations of parts that came or went are not named one by one; the same change on many copies is one line."""
    old, new = ({op["id"]: op for op in _all_operations(summary)} for summary in (before, after))
    stayed = {spot["part"] for spot in before["placements"]} & {spot["part"] for spot in after["placements"]}
    grouped: dict[tuple[str, str], list[str]] = {}
    for name in _both(old, new):
        part, _, work = name.partition("/")
        if name in new and name in old:
            text = _operation(old[name], new[name], unit)
        elif part in stayed:
            text = f"new, T{new[name]['cutter']}" if name in new else "gone"
        else:
            continue
        if text:
            grouped.setdefault((work, text), []).append(part)
    for (work, text), parts in grouped.items():
        yield f"{copies(parts)}, {work}: {text}"
    first, second = ([op["id"] for op in _all_operations(summary)] for summary in (before, after))
    if sorted(first) == sorted(second) and first != second:
        yield "the order of operations"


def _operation(a: Mapping[str, Any], b: Mapping[str, Any], unit: str) -> str:
    found = [
        words(a[key]) + " -> " + words(b[key])
        for key, words in (
            ("cutter", lambda v: f"T{v}"),
            ("rpm", lambda v: f"{v:.0f} rpm"),
            ("feed_mm_min", lambda v: f"feed {_length(v, unit)}/min"),
            ("top_z_mm", lambda v: f"from Z {_length(v, unit)}"),
            ("bottom_z_mm", lambda v: f"to Z {_length(v, unit)}"),
        )
        if a[key] != b[key]
    ]
    if abs(a["seconds"] - b["seconds"]) >= _SPENT_S:
        found.append(f"{a['seconds'] / 60:.1f} min -> {b['seconds'] / 60:.1f} min")
    return ", ".join(found)


def _all_operations(summary: Summary) -> list[Mapping[str, Any]]:
    return [op for program in summary["programs"] for op in program["operations"]]


def _cutters(before: Summary, after: Summary) -> Iterator[str]:
    old, new = before["cutters"], after["cutters"]
    for number in sorted({*old, *new}, key=int):
        if number not in new:
            yield f"T{number} {old[number]}: no longer used"
        elif number not in old:
            yield f"T{number} {new[number]}: new, measure and load it"
        elif old[number] != new[number]:
            yield f"T{number}: {old[number]} -> {new[number]}"
    first, second = ([n for p in summary["programs"] for n in p["cutters"]] for summary in (before, after))
    if sorted(first) == sorted(second) and first != second:
        yield "their order: " + ", ".join(f"T{number}" for number in second)


def _times(before: Summary, after: Summary) -> Iterator[str]:
    a, b = (sum(p["cutting_s"] + p["air_s"] for p in summary["programs"]) / 60 for summary in (before, after))
    if abs(a - b) * 60 >= _SPENT_S:
        yield f"program {a:.1f} min -> {b:.1f} min"
    for one, other in zip(before["programs"], after["programs"], strict=False):
        if one["lines"] != other["lines"]:
            yield f"{other['setup']}: {one['lines']} lines -> {other['lines']} lines"


def _bed(before: Summary, after: Summary, unit: str) -> Iterator[str]:
    old, new = before["holding"], after["holding"]
    if old["name"] != new["name"]:
        yield f"holding {old['name']} -> {new['name']}"
    for name in _both(old["on_the_bed"], new["on_the_bed"]):
        a, b = old["on_the_bed"].get(name), new["on_the_bed"].get(name)
        if a != b:
            yield f"{name}: " + ("gone" if b is None else "new" if a is None else "moved or changed; set it again")
    if old["billet_lies"] != new["billet_lies"]:
        yield "the billet or its place on the bed: check the three pointer points again"
    heights = {"skin_mm": "skin", "stock_below_mm": "stock below the parts", "top_mm": "top of the billet"}
    for key, words in heights.items():
        if old[key] != new[key]:
            yield f"{words}: {_length(old[key], unit)} -> {_length(new[key], unit)}"


def _both(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """Names of both: the new ones in their order, then those that are gone."""
    return [*new, *(name for name in old if name not in new)]


def _size(size: str, part: Mapping[str, Any], unit: str) -> str:
    value = part["sizes"].get(size)
    if isinstance(value, float) and size.endswith("_mm"):
        return _length(value, unit)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _length(value_mm: float, unit: str) -> str:
    shown = f"{value_mm / MM_PER_INCH:.4f}" if unit == "in" else f"{value_mm:.3f}"
    return f"{shown.rstrip('0').rstrip('.')} {unit}"
