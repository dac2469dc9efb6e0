"""Measured sizes as they are listed: what is the same on all copies of a part is one row, from the least to the most
measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.model.units import EPS_MM
from pipeline.model.verdict import Measured
from pipeline.packet.copies import copies, kind_of


@dataclass(frozen=True, slots=True)
class SizeRow:
    """One size of one feature on all copies of a part. `is_within` is None where nothing was measured, and then `why`
    says why not; `bad` are the parts out of limits. A `unit` of "" is a number without one."""

    kind: str
    parts: str
    count: int
    feature: str
    quantity: str
    unit: str
    nominal: float
    low: float | None
    high: float | None
    least: float | None
    most: float | None
    is_within: bool | None
    bad: str
    why: str


def size_rows(features: Sequence[Measured], families: Mapping[str, str]) -> list[SizeRow]:
    """Rows in the order in which families and features come. `families` by part: both hands share their rows."""

    def kind(one: Measured) -> str:
        return families.get(one.part_id, kind_of(one.part_id))

    order = list(dict.fromkeys(kind(one) for one in features))
    groups: dict[tuple[object, ...], list[Measured]] = {}
    for one in sorted(features, key=lambda one: order.index(kind(one))):
        reason = one.why if one.measured is None else ""
        key = (kind(one), one.feature_id, one.quantity, _near(one.nominal), _near(one.low), _near(one.high))
        groups.setdefault((*key, one.measured is None, reason), []).append(one)
    rows = []
    for mine in groups.values():
        first = mine[0]
        values = [one.measured for one in mine if one.measured is not None]
        bad = [one.part_id for one in mine if one.measured is not None and not one.is_within]
        rows.append(
            SizeRow(
                kind(first),
                copies([one.part_id for one in mine]),
                len({one.part_id for one in mine}),
                first.feature_id,
                first.quantity,
                first.unit,
                first.nominal,
                first.low,
                first.high,
                min(values) if values else None,
                max(values) if values else None,
                not bad if values else None,
                copies(bad),
                first.why if not values else "",
            )
        )
    return rows


def _near(value: float | None) -> int | None:
    """Values that differ by noise alone are one."""
    return None if value is None else round(value / EPS_MM)


def unmeasured(rows: Sequence[SizeRow]) -> list[tuple[str, str]]:
    """Why sizes were not measured, each reason with its sizes in few words."""
    reasons: dict[str, list[str]] = {}
    for row in rows:
        if row.is_within is None:
            parts = row.parts.replace("; ", ", ")
            reasons.setdefault(row.why or "no reason is known", []).append(f"{row.feature} {row.quantity} ({parts})")
    return [(why, ", ".join(which)) for why, which in reasons.items()]


def tally(features: Sequence[Measured]) -> dict[str, int]:
    """How many sizes, of all copies, are within their limits, out of them and not measured."""
    return {
        "within": sum(one.is_within for one in features),
        "out": sum(one.measured is not None and not one.is_within for one in features),
        "unmeasured": sum(one.measured is None for one in features),
    }
