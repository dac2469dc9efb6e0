"""Which cutter sits in which pocket of the changer, when there are more cutters than pockets.

Goal: as few stops for swapping as can be. The first cutters fill the pockets in order of use; a later one takes the
place of the cutter whose next use is furthest away (Belady's rule for page replacement, from memory, which is optimal
for a known sequence), though never of the one in the spindle when another can give way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """Where a section's cutter sits. `replaces` is the cutter the operator takes out at a stop before it, or None."""

    pocket: int
    replaces: int | None


def plan_pockets(order: Sequence[int], pockets: int) -> tuple[Load, ...]:
    """One load per section. `order` are the cutters of the sections, `pockets` at least 1; pockets count from 1."""
    if pockets < 1:
        raise ValueError(f"found {pockets} pockets, wanted at least 1")
    held = list(dict.fromkeys(order))[:pockets]
    loads = []
    for k, cutter in enumerate(order):
        if cutter in held:
            loads.append(Load(pocket=held.index(cutter) + 1, replaces=None))
            continue
        rest = order[k + 1 :]
        free = [p for p in range(len(held)) if len(held) == 1 or held[p] != order[k - 1]]
        place = max(free, key=lambda p: (rest.index(held[p]) if held[p] in rest else len(rest), -p))
        loads.append(Load(pocket=place + 1, replaces=held[place]))
        held[place] = cutter
    return tuple(loads)
