"""What a layout is worth: the one score that orders layouts of one task."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.model.arrays import Float

if TYPE_CHECKING:
    from pipeline.nest.task import Task


def score(task: Task, which: Sequence[int], poses: Float) -> float:
    """The worth of bodies at poses (n, 3), in the billet's currency. `which` (n,) kind of each body."""
    return math.fsum(task.kinds[k].request.value for k in which)
