"""Canned cycles taken apart into rapids, feeds, dwells and what they do with the spindle.

Rules: NISTIR 6556 (2000), sections 3.5.16 and 3.5.20. G73 is not in the report; it is read as shops use it (from
memory): feed one peck, back off a little, go on, leave the hole only at the end. All lengths mm, cutter tip, in *plane
order*: two axes of the plane, then the drilling axis (X Y Z under G17, Z X Y under G18, Y Z X under G19).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from pipeline.model.units import EPS_MM
from pipeline.verify.expressions import TextFault, whole

Point = tuple[float, float, float]
MOST_PECKS = 2000  # ours: more is a slip of the pen, not a hole
MOST_REPEATS = 1000
DWELLING = frozenset({820, 860, 880, 890})
PECKING = frozenset({730, 830})
MOST_STEPS = 20_000  # ours: of one line
NEEDS_SPINDLE = frozenset({840, 860, 870, 880})
NOT_CHECKED = {840: "tapping", 870: "back boring", 880: "boring with a manual retract"}


@dataclass(frozen=True, slots=True)
class Step:
    """One thing a cycle does: go `to` at rapid or feed, `dwell` for seconds, `stop` or `reverse` the spindle or
    `start` it as it was, `pause` for the operator."""

    what: Literal["rapid", "feed", "dwell", "stop", "reverse", "start", "pause"]
    to: Point = (0.0, 0.0, 0.0)
    seconds: float = 0.0


@dataclass(slots=True)
class Sticky:
    """What a cycle line leaves for the next line of the same cycle. Numbers as written: units of the text."""

    code: int = 0
    z: float | None = None
    r: float | None = None
    p: float | None = None
    q: float | None = None
    offset: dict[str, float] = field(default_factory=dict)  # I, J, K of G87
    to_start: bool = True  # G98
    absolute: bool = True  # G90


@dataclass(frozen=True, slots=True, kw_only=True)
class Holes:
    """One line of a cycle, with absolute heights: `first` hole, `step` to the next of `repeats` holes."""

    code: int
    start: Point
    first: tuple[float, float]
    step: tuple[float, float]
    repeats: int
    r_mm: float
    bottom_mm: float
    back_to_start: bool  # G98
    dwell_s: float
    peck_mm: float
    backoff_mm: float
    aside_mm: tuple[float, float] = (0.0, 0.0)  # G87: how far the stopped cutter is moved aside to pass the hole
    top_mm: float = 0.0  # G87: top of the counterbore


def remember(sticky: Sticky, code: int, words: dict[str, float], axes: str) -> int:
    """Bring `sticky` up to date with a line of cycle `code`; `axes` names the plane order. Returns the repeats L.

    Raises TextFault for what is missing or impossible.
    """
    if sticky.code != code:  # R alone is kept from one cycle to the next
        sticky.r = sticky.r if sticky.code else None
        sticky.code, sticky.z, sticky.p, sticky.q, sticky.offset = code, None, None, None, {}
    sticky.offset.update({letter: words[letter] for letter in "IJK" if letter in words})
    sticky.z, sticky.r = words.get(axes[2], sticky.z), words.get("R", sticky.r)
    sticky.p, sticky.q = words.get("P", sticky.p), words.get("Q", sticky.q)
    if sticky.z is None:
        raise TextFault("V610", f"a cycle without {axes[2]}", f"{axes[2]} on the first line of a cycle")
    if sticky.r is None:
        raise TextFault("V610", "a cycle without R", "R on the first line of a cycle")
    if code in DWELLING and sticky.p is None:
        raise TextFault("V610", "a dwelling cycle without P", "P in seconds")
    if code in PECKING and sticky.q is None:
        raise TextFault("V610", "a pecking cycle without Q", "Q, the depth of a peck")
    if code == 870 and len(sticky.offset) < 3:
        raise TextFault("V610", "G87 without I, J or K", "I and J aside, K the top of the counterbore")
    if sticky.p is not None and sticky.p < 0:
        raise TextFault("V619", f"P{sticky.p:g}", "P of 0 or more")
    if sticky.q is not None and sticky.q <= 0:
        raise TextFault("V619", f"Q{sticky.q:g}", "Q above 0")
    repeats = whole(words.get("L", 1.0), "L")
    if not 1 <= repeats <= MOST_REPEATS:
        raise TextFault("V619", f"L{repeats}", f"L from 1 to {MOST_REPEATS}")
    return repeats


def steps(holes: Holes) -> Iterator[Step]:
    """The steps of one cycle line in order; moves of no length are left out. Raises TextFault when R is below Z."""
    if holes.r_mm < holes.bottom_mm - EPS_MM:
        raise TextFault("V619", f"R {holes.bottom_mm - holes.r_mm:.4f} mm below the bottom", "R at or above the bottom")
    if holes.code in PECKING and (holes.r_mm - holes.bottom_mm) / holes.peck_mm > MOST_PECKS:
        raise TextFault("V619", f"a peck of {holes.peck_mm:g} mm", f"at most {MOST_PECKS} pecks in a hole")
    pecks = (holes.r_mm - holes.bottom_mm) / holes.peck_mm if holes.code in PECKING else 0.0
    if holes.repeats * (3 * pecks + 12) > MOST_STEPS:
        raise TextFault("V619", f"{holes.repeats} holes of {pecks:.0f} pecks on a line", f"at most {MOST_STEPS} steps")
    if holes.code == 870 and holes.top_mm < holes.bottom_mm - EPS_MM:
        raise TextFault("V619", f"a counterbore's top {holes.bottom_mm - holes.top_mm:.4f} mm below its bottom",
                        "the top at or above Z")
    at = holes.start
    for step in _all_steps(holes):
        if step.what in ("rapid", "feed"):
            if step.to == at:
                continue
            at = step.to
        yield step


def _all_steps(holes: Holes) -> Iterator[Step]:
    a, b, height = holes.start
    clear = max(holes.r_mm, height) if holes.back_to_start else holes.r_mm
    if height < holes.r_mm:
        height = holes.r_mm
        yield Step("rapid", (a, b, height))
    for i in range(holes.repeats):
        a, b = holes.first[0] + i * holes.step[0], holes.first[1] + i * holes.step[1]
        yield Step("rapid", (a, b, height))
        yield Step("rapid", (a, b, holes.r_mm))
        yield from _body(holes, a, b, clear)
        height = clear


def _body(holes: Holes, a: float, b: float, clear: float) -> Iterator[Step]:
    bottom, code = (a, b, holes.bottom_mm), holes.code
    if code == 870:
        yield from _back_bore(holes, a, b, clear)
        return
    if code in PECKING:
        yield from _pecks(holes, a, b, clear)
    yield Step("feed", bottom)
    if code in DWELLING:
        yield Step("dwell", seconds=holes.dwell_s)
    if code in (840, 860, 880):
        yield Step("stop")
    if code == 840:
        yield Step("reverse")
    if code == 880:
        yield Step("pause")  # the operator lifts the cutter out; where to is taken to be the clear height
    yield Step("feed" if code in (840, 850, 890) else "rapid", (a, b, clear))
    if code == 840:
        yield Step("stop")
    if code in (840, 860, 880):
        yield Step("start")


def _back_bore(holes: Holes, a: float, b: float, clear: float) -> Iterator[Step]:
    """G87: past the hole with the spindle stopped and the cutter aside, then up into the work from below."""
    beside = (a + holes.aside_mm[0], b + holes.aside_mm[1])
    yield Step("rapid", (*beside, holes.r_mm))
    yield Step("stop")
    yield Step("rapid", (*beside, holes.bottom_mm))
    yield Step("rapid", (a, b, holes.bottom_mm))
    yield Step("start")
    yield Step("feed", (a, b, holes.top_mm))
    yield Step("feed", (a, b, holes.bottom_mm))
    yield Step("stop")
    yield Step("rapid", (*beside, holes.bottom_mm))
    yield Step("rapid", (*beside, clear))
    yield Step("rapid", (a, b, clear))
    yield Step("start")


def _pecks(holes: Holes, a: float, b: float, clear: float) -> Iterator[Step]:
    """All pecks but the last, each with its way back to just above its bottom."""
    depth = holes.r_mm - holes.peck_mm
    while depth > holes.bottom_mm + EPS_MM:
        yield Step("feed", (a, b, depth))
        above = min(depth + holes.backoff_mm, clear)
        if holes.code == 830:
            yield Step("rapid", (a, b, clear))
        yield Step("rapid", (a, b, above))
        depth -= holes.peck_mm
