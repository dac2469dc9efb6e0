"""One stream of the search: what it holds, and what it does in a round.

A stream *widens* (other places for the mandatory bodies, filled) or *deepens* (more discs into the best that it has).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.model.arrays import Float
from pipeline.nest.filling import Filled, fill, go_on
from pipeline.nest.mandatory import ROUNDS, granted, settle_mandatory
from pipeline.nest.task import STREAMS, TOL_MM, Layout, Task, new_state
from pipeline.nest.walking import Rooms, loosened, walk

_WIDE = 4  # rounds in which every stream widens; later every other one does
_TURNS = 2
_STEPS = 60  # of a walk
_START_ROUNDS = 12  # of separation for one more start of a walk, when a layout is known already
_FILL, _DEEPEN = 25, 45  # rounds of squeezing
_TRIES = 3  # to get one more polygon in


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stream:
    """The state of a stream between rounds. `base` is a layout of the mandatory bodies alone, `filled` the best with
    all that fits; `attempt` and `short_mm` are the nearest to a base while there is none."""

    number: int
    base: Layout | None = None
    filled: Filled | None = None
    spent: int = 0  # rounds of separation
    attempt: Float | None = None
    short_mm: float = math.inf


def play_round(task: Task, rooms: Mapping[int, Rooms], stream: Stream, number: int) -> Stream:
    """The stream after one more round, the `number`-th from 1 on."""
    state = new_state(task.seed, 1000 + number * STREAMS + stream.number)
    if stream.base is None:
        return _with_base(task, rooms, stream, number, state)
    if stream.filled is None:
        return replace(stream, filled=_filled(task, rooms, stream.base, state))
    is_wide = number <= _WIDE or (number + stream.number) % _TURNS == 0
    if task.wanted and (is_wide or not task.extra):
        return _wider(task, rooms, stream, number, state)
    return replace(stream, filled=go_on(task, rooms, stream.filled, state=state, rounds=_DEEPEN, tries=_TRIES))


def _with_base(task: Task, rooms: Mapping[int, Rooms], stream: Stream, number: int, state: Any) -> Stream:
    """Look for places for the mandatory bodies, as long as this many rounds allow, and fill at once."""
    allowed = granted(task, number)
    while allowed - stream.spent >= min(ROUNDS, granted(task, 1)):
        rounds = min(ROUNDS, allowed - stream.spent)
        poses, short_mm = settle_mandatory(task, stream=2000 + STREAMS * stream.spent + stream.number, tries=1,
                                           rounds=rounds)
        stream = replace(stream, spent=stream.spent + rounds)
        if short_mm < stream.short_mm:
            stream = replace(stream, attempt=poses, short_mm=short_mm)
        if short_mm <= TOL_MM:
            base = Layout(which=task.mandatory, poses=poses, n_held=len(task.fixed_which), score=0.0)
            return replace(stream, base=base, filled=_filled(task, rooms, base, state))
    return stream


def _wider(task: Task, rooms: Mapping[int, Rooms], stream: Stream, number: int, state: Any) -> Stream:
    """Walk from a new start, or on from the best; keep what is better when filled."""
    assert stream.base is not None and stream.filled is not None
    start = loosened(task, stream.filled.layout)
    if (number + stream.number // 2) % 2 or start is None:
        poses, short_mm = settle_mandatory(task, stream=100_000 + number * STREAMS + stream.number, tries=1,
                                           rounds=_START_ROUNDS)
        if short_mm <= TOL_MM:
            start = Layout(which=task.mandatory, poses=poses, n_held=len(task.fixed_which), score=0.0)
    if start is None:
        return replace(stream, filled=go_on(task, rooms, stream.filled, state=state, rounds=_DEEPEN, tries=_TRIES)
                       if task.extra else stream.filled)
    lead = next((rooms[k] for k in task.extra if k in rooms), None)
    found = _filled(task, rooms, walk(task, lead, start, state=state, steps=_STEPS), state)
    return replace(stream, filled=found) if found.layout.score > stream.filled.layout.score else stream


def _filled(task: Task, rooms: Mapping[int, Rooms], base: Layout, state: Any) -> Filled:
    return fill(task, rooms, base, state=state, rounds=_FILL, tries=_TRIES)


def of_corner(number: int, corner: Layout) -> Stream:
    """A stream that begins with the bodies laid in corners."""
    return Stream(number=number, base=corner, attempt=np.array(corner.poses), short_mm=0.0)
