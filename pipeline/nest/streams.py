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
from pipeline.nest.filling import Crowd, add_bodies, crowd_of, crowd_on, fill, press
from pipeline.nest.mandatory import ROUNDS, granted, settle_mandatory
from pipeline.nest.task import STREAMS, TOL_MM, Layout, Task, new_state
from pipeline.nest.walking import Rooms, loosened, walk

_CYCLE, _WIDE = 10, 5  # rounds until a stream begins anew, and in how many of them it widens
_STARTS = 2  # crowds of a round that widens
_STEPS = 25  # of a walk
_START_ROUNDS = 12  # of separation for one more start of a walk, when a layout is known already
_FILL = 25  # rounds of pressing: the first layout,
_GLANCE, _DEEPEN = 10, 60  # a new crowd, and the one that a stream goes on with
_TRIES = 3  # to get one more polygon in


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stream:
    """The state of a stream between rounds. `base` is a layout of the mandatory bodies alone, `best` the best with
    all that fits, `crowd` what may become a better one; `attempt` and `short_mm` are the nearest to a base while there
    is none."""

    number: int
    base: Layout | None = None
    best: Layout | None = None
    crowd: Crowd | None = None
    spent: int = 0  # rounds of separation
    attempt: Float | None = None
    short_mm: float = math.inf


def play_round(task: Task, rooms: Mapping[int, Rooms], stream: Stream, number: int) -> Stream:
    """The stream after one more round, the `number`-th from 1 on."""
    state = new_state(task.seed, 1000 + number * STREAMS + stream.number)
    if stream.base is None:
        return _with_base(task, rooms, stream, number, state)
    if stream.best is None:
        return replace(stream, best=_filled(task, rooms, stream.base, state))
    turn = number % _CYCLE
    is_wide = bool(task.wanted) and turn < _WIDE
    last = task.extra[-1] if task.extra else None
    if last is None or not task.kinds[last].is_disc:
        if is_wide or last is None:
            found = _filled(task, rooms, _walked(task, rooms, stream, number, state), state)
            return replace(stream, best=max(stream.best, found, key=lambda layout: layout.score))
        return replace(stream, best=add_bodies(task, stream.best, state=state, tries=_TRIES))
    if is_wide:
        stream = replace(stream, crowd=None) if turn == 0 else stream
        return _wider(task, rooms, stream, number, state)
    return _deeper(task, rooms[last], stream, state)


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
            return replace(stream, base=base, best=_filled(task, rooms, base, state))
    return stream


def _wider(task: Task, rooms: Mapping[int, Rooms], stream: Stream, number: int, state: Any) -> Stream:
    """New crowds, pressed a little; one stays when it hopes for more than the one there is."""
    lead, best, crowd = rooms[task.extra[-1]], stream.best, stream.crowd
    assert best is not None
    for turn in range(_STARTS):
        base = _walked(task, rooms, stream, number * _STARTS + turn, state)
        base = fill(task, rooms, base, state=state, rounds=_FILL, tries=_TRIES, kinds=task.extra[:-1])
        new, found = press(task, lead, crowd_on(task, lead, base, best), state=state, rounds=_GLANCE)
        best = _better(best, found)
        if new is not None and (crowd is None or new.hope > crowd.hope):
            crowd = new
    return replace(stream, best=best, crowd=crowd)


def _deeper(task: Task, rooms: Rooms, stream: Stream, state: Any) -> Stream:
    """Press on, the crowd or the best itself with one disc more."""
    best = stream.best
    assert best is not None
    crowd = stream.crowd
    if crowd is None or crowd.worth <= best.score:
        crowd = crowd_of(task, rooms, best)
    crowd, found = press(task, rooms, crowd, state=state, rounds=_DEEPEN)
    return replace(stream, best=_better(best, found), crowd=crowd)


def _better(best: Layout, found: Layout | None) -> Layout:
    return best if found is None or found.score <= best.score else found


def _walked(task: Task, rooms: Mapping[int, Rooms], stream: Stream, start_number: int, state: Any) -> Layout:
    """The mandatory bodies elsewhere: after a walk on from the best, or from a new start."""
    assert stream.base is not None and stream.best is not None
    start = loosened(task, stream.best)
    if start_number % 2 or start is None:
        poses, short_mm = settle_mandatory(task, stream=100_000 + start_number * STREAMS + stream.number, tries=1,
                                           rounds=_START_ROUNDS)
        if short_mm <= TOL_MM:
            start = Layout(which=task.mandatory, poses=poses, n_held=len(task.fixed_which), score=0.0)
    lead = next((rooms[k] for k in task.extra if k in rooms), None)
    return walk(task, lead, start or stream.base, state=state, steps=_STEPS)


def _filled(task: Task, rooms: Mapping[int, Rooms], base: Layout, state: Any) -> Layout:
    return fill(task, rooms, base, state=state, rounds=_FILL, tries=_TRIES, kinds=task.extra)


def of_corner(number: int, corner: Layout) -> Stream:
    """A stream that begins with the bodies laid in corners."""
    return Stream(number=number, base=corner, attempt=np.array(corner.poses), short_mm=0.0)
