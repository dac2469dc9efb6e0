"""Runs of moves that belong together in the text: under one heading, with one cutter."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.verify.reading import Reading


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """k stretches in program order: moves `first` to `last` - 1 of the program. `of_move` (n,): the stretch of each."""

    of_move: NDArray[np.int64]
    first: NDArray[np.int64]  # (k,)
    last: NDArray[np.int64]  # (k,), behind the last move
    headings: tuple[str, ...]  # (k,), the name in it; "" before the first


_NAME = re.compile(r"\w[\w.+-]*(/[\w.+-]+)+")


def named(reading: Reading) -> list[tuple[int, str]]:
    """(line, name) of the comments that name an operation: before their first comma a path, clip-1/edge/outline."""
    parts = ((line, text.partition(",")[0].strip()) for line, text in reading.headings)
    return [(line, name) for line, name in parts if _NAME.fullmatch(name)]


def split(reading: Reading) -> Stretches:
    """Stretches of all moves; a move belongs to the last heading on a line before its own. In a text without one name
    of an operation every comment is a heading."""
    moves, heads = reading.moves, named(reading) or list(reading.headings)
    n = len(moves.kind)
    lines = np.array([line for line, _ in heads], dtype=np.int64)
    under = np.searchsorted(lines, moves.line, side="right")
    new = np.ones(n, dtype=np.bool_)
    new[1:] = (np.diff(under) != 0) | (np.diff(moves.tool) != 0)
    first = np.flatnonzero(new)
    texts = ("", *(text for _, text in heads))
    return Stretches(
        of_move=np.cumsum(new) - 1,
        first=first,
        last=np.append(first[1:], n) if n else first,
        headings=tuple(texts[under[i]] for i in first),
    )
