"""The sabotage suite in small: two mutants of every class, one rewrite of every kind. In full: `./run bench sabotage`.

Whether a mutant does harm is the oracle's word (`tests/oracle`), never that of the mutant's author.
"""

from __future__ import annotations

import pytest

from tests.sabotage.mutants import Mutant, mutants_of
from tests.sabotage.programs import plate, stud
from tests.sabotage.rewrites import rewrites
from tests.sabotage.trial import CLASSES, Trial

LEAST_CLASSES = 25


@pytest.fixture(scope="module")
def trial() -> Trial:
    return Trial({base.name: base for base in (stud(), plate())})


def two_of_each(trial: Trial) -> list[Mutant]:
    """From the stud where it has them: it is the smaller program."""
    out = []
    for one in CLASSES:
        out += [m for base in trial.bases.values() for m in mutants_of(one, base)][:2]
    return out


def test_every_class_makes_mutants(trial):
    kinds = [m.kind for m in two_of_each(trial)]
    assert len({c.name for c in CLASSES}) == len(CLASSES) >= LEAST_CLASSES
    assert {c.name for c in CLASSES if kinds.count(c.name) < 2} == set()
    assert all(c.criteria for c in CLASSES)


def test_the_same_mutants_each_time(trial):
    one, other = ([m.text for m in two_of_each(trial)] for _ in range(2))
    assert one == other


def test_whatever_does_harm_is_refused(trial):
    tried = [trial.try_one(mutant) for mutant in two_of_each(trial)]
    assert [(o.title, o.harms, o.broke) for o in tried if o.missed or o.broke] == []
    harmful = {o.kind for o in tried if o.harms}
    assert len(harmful) > 0.7 * len(CLASSES), "an oracle that sees no harm finds no misses"
    assert all(o.reason for o in tried if not o.harms)


def test_whatever_changes_nothing_is_released(trial):
    first: dict[str, Mutant] = {}
    for mutant in rewrites(trial.bases):
        first.setdefault(mutant.kind, mutant)
    tried = [trial.try_one(mutant) for mutant in first.values()]
    assert [(o.title, o.codes, o.broke) for o in tried if o.refused] == []
    assert [(o.title, o.harms) for o in tried if o.harms] == []
