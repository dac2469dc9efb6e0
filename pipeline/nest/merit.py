"""What a layout is worth: the one score that orders layouts of one task, and the terms it is made of.

The score is one sum in the billet's currency: the value of the parts that lie on the plate, and for each thing the
maker weighs its worth times the layout's mark (`marks`). So a stud more or a better figure can be traded for each
other, and the maker says for how much.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.geometry.regions import grown_area_mm2
from pipeline.model.arrays import Float
from pipeline.model.nest import Term
from pipeline.nest import marks
from pipeline.nest.marks import Bodies, Judged

if TYPE_CHECKING:
    from pipeline.nest.aims import Aims
    from pipeline.nest.shapes import Kind
    from pipeline.nest.task import Layout, Task

_FULL = 0.9995  # a mark that is shown as 1.000 needs no word on what lowered it


def score(task: Task, which: Sequence[int], poses: Float) -> float:
    """The worth of bodies at poses (n, 3), in the billet's currency. `which` (n,) kind of each body."""
    money = [task.kinds[k].request.value for k in which]
    worth, aims = task.aims.worth, task.aims
    weights = (worth.figure, worth.alike, worth.layers, worth.held)
    if any(weights):
        bodies = Bodies.of(aims, which, poses)
        for weight, judge in zip(weights, (marks.figure, marks.alike, marks.layers, marks.held), strict=True):
            judged = judge(aims, bodies) if weight else None
            if judged is not None:
                money.append(weight * judged.mark)
    if worth.remnant:
        judged = marks.remnant(aims, which, poses)
        if judged is not None:
            money.append(worth.remnant * judged.mark)
    return math.fsum(money)


def merits(task: Task, layout: Layout, names: Sequence[str]) -> tuple[Term, ...]:
    """The score term by term: all that can be judged of this task, weighed or not. `names` (n,) of the bodies."""
    value = math.fsum(task.kinds[k].request.value for k in layout.which)
    most, words = _most_value(task, layout)
    rows = [("value", value, max(most, value), value / most if most > value else 1.0, words)]
    worth, aims = task.aims.worth, task.aims
    bodies = Bodies.of(aims, layout.which, layout.poses)
    judges: tuple[tuple[str, Judged | None, float, Callable[..., str]], ...] = (
        ("figure", marks.figure(aims, bodies), worth.figure, _say_figure),
        ("alike", marks.alike(aims, bodies), worth.alike, _say_alike),
        ("layers", marks.layers(aims, bodies), worth.layers, _say_layers),
        ("remnant", marks.remnant(aims, layout.which, layout.poses), worth.remnant, _say_remnant),
        ("held", _with_clamps(aims, layout, marks.held(aims, bodies)), worth.held, _say_held),
    )
    for name, judged, weight, say in judges:
        if judged is not None:
            rows.append((name, weight * judged.mark, weight, judged.mark, say(judged, names)))
    total = math.fsum(money for _, money, *_ in rows)
    return tuple(
        Term(name=name, mark=mark, worth=weight, money=money, share=money / total if total > 0 else 0.0,
             why="" if mark >= _FULL else words)
        for name, money, weight, mark, words in rows
    )


def _most_value(task: Task, layout: Layout) -> tuple[float, str]:
    """An upper bound of the value by area, as parts grown by half the gap do not overlap; and how far it is away."""
    taken = [task.kinds[k] for k in task.mandatory]
    sure = math.fsum(k.request.value for k in taken)
    if not task.extra:
        return sure, ""
    half = task.gap_mm / 2
    free = max(0.0, task.grown_usable_mm2 - math.fsum(_grown_mm2(k, half) for k in taken))
    best = max((task.kinds[k] for k in task.extra), key=lambda k: k.request.value / _grown_mm2(k, half))
    if len(task.extra) > 1:
        return sure + best.request.value * free / _grown_mm2(best, half), "by area more parts could lie there"
    count, most = len(layout.which) - len(taken), math.floor(free / _grown_mm2(best, half))
    return sure + best.request.value * most, f"{count} x {best.name} found room; by area no more than {most} could"


def _grown_mm2(kind: Kind, by_mm: float) -> float:
    return grown_area_mm2(kind.figure(np.zeros(3)), by_mm=by_mm)


def _with_clamps(aims: Aims, layout: Layout, judged: Judged | None) -> Judged | None:
    """The clamps by their names."""
    if judged is None:
        return None
    words = (f"lies near {marks.clamp_by(aims, layout.poses[i])}" if said == marks.A_CLAMP else said
             for i, said in zip(judged.at, judged.words, strict=True))
    return judged._replace(words=tuple(words))


def _least(judged: Judged) -> int:
    """Which of the bodies has the least mark; the first of equals."""
    return min(range(len(judged.each)), key=lambda i: judged.each[i])


def _say_figure(judged: Judged, names: Sequence[str]) -> str:
    i = _least(judged)
    return f"{names[judged.at[i]]} lies on a figure of {judged.each[i]:.2f}"


def _say_alike(judged: Judged, names: Sequence[str]) -> str:
    i = _least(judged)
    return f"{names[judged.at[i]]} and {names[judged.at[i + 1]]} {judged.words[i]}"


def _say_layers(judged: Judged, names: Sequence[str]) -> str:
    i = max(range(len(judged.each)), key=lambda i: judged.each[i])
    return f"{names[judged.at[i]]} lies {math.degrees(judged.each[i]):.0f} degrees off the layers"


def _say_remnant(judged: Judged, names: Sequence[str]) -> str:
    if judged.each[0] == 0:
        return "no piece is left that is wide enough to be of use"
    return f"the largest useful piece is {100 * judged.mark:.0f} % of what could be left"


def _say_held(judged: Judged, names: Sequence[str]) -> str:
    i = _least(judged)
    return f"{names[judged.at[i]]} {judged.words[i]}"
