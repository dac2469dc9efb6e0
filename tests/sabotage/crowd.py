"""Many texts before both judges, on all cores."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Sequence

from tests.sabotage.mutants import Mutant
from tests.sabotage.trial import Outcome, Trial

_given: tuple[Trial, Sequence[Mutant]] | None = None


def _try(index: int) -> Outcome:
    assert _given is not None
    trial, texts = _given
    return trial.try_one(texts[index])


def try_all(trial: Trial, texts: Sequence[Mutant], workers: int | None = None) -> list[Outcome]:
    """Outcomes in the order of the texts, the same ones whatever `workers` is.

    Workers are forked, so that they have the programs and the stocks from their parent; they get numbers only.
    """
    global _given
    _given = (trial, texts)
    with multiprocessing.get_context("fork").Pool(workers or os.cpu_count() or 1) as pool:
        return pool.map(_try, range(len(texts)), chunksize=4)
