"""Feeds lowered pass by pass where a checked program said that the cutter or the hold has too much to bear."""

from __future__ import annotations

from dataclasses import replace

from pipeline.model.feedback import Feedback
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import RAPID, HolePass, PathPass, Toolpath
from pipeline.shop.cutting import least_chip_mm

_FEED = 6  # column of a move row


def capped(toolpath: Toolpath, feedback: Feedback, cutter: Cutter) -> Toolpath:
    """The toolpath with the feeds of its capped passes multiplied; the same object when none of its passes is.

    No feed falls under that of the thinnest chip that still cuts, unless it was there before: a cutter that rubs wears
    and pushes harder. The operation's main feed follows its least slowed pass, its note tells of the most slowed one.
    """
    operation = toolpath.operation
    ids = {one.id for one in toolpath.passes}
    caps = [c for c in feedback.caps if c.operation_id == operation.id and c.pass_id in ids and c.feed_factor < 1.0]
    if not caps:
        return toolpath
    factor = {cap.pass_id: cap.feed_factor for cap in caps}
    least = least_chip_mm(cutter) * operation.spindle_rpm * cutter.flutes

    def slowed(feed: float, by: float) -> float:
        return max(feed * by, min(feed, least))

    def slowed_pass(one: PathPass | HolePass) -> PathPass | HolePass:
        by = factor.get(one.id, 1.0)
        if by >= 1.0:
            return one
        if isinstance(one, HolePass):
            return replace(one, feed_mm_min=slowed(one.feed_mm_min, by))
        moves = one.moves.copy()
        for row in moves:
            if row[0] != RAPID:
                row[_FEED] = slowed(float(row[_FEED]), by)
        return replace(one, moves=moves)

    passes = tuple(slowed_pass(one) for one in toolpath.passes)
    main = slowed(operation.feed_mm_min, max(factor.get(one.id, 1.0) for one in toolpath.passes))
    share = min(slowed(operation.feed_mm_min, by) for by in factor.values()) / operation.feed_mm_min
    words = f"feed lowered to {100 * share:.0f} % for {', '.join(sorted({cap.reason for cap in caps}))}"
    note = f"{operation.note}; {words}" if operation.note else words
    return Toolpath(operation=replace(operation, feed_mm_min=main, note=note), passes=passes)
