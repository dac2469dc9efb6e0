"""Does the verifier refuse everything that does harm, and nothing that does none?

Mutants of four clean programs in many classes, judged by the oracle of `tests/oracle` and by the verifier; and rewrites
of the same programs that change nothing. Figures per class: tried, harmful (by the oracle), caught (harmful and
refused), alarms (a harmless rewrite refused), strict (refused though the oracle sees no harm), survivors. Every miss,
alarm, survivor and strict refusal is listed with its words.
"""

from __future__ import annotations

import multiprocessing
import os
import time

from tests.sabotage.mutants import Mutant
from tests.sabotage.programs import bases
from tests.sabotage.rewrites import rewrites
from tests.sabotage.trial import CLASSES, Outcome, Trial, by_class

_trial: Trial | None = None
_texts: list[Mutant] = []


def _try(index: int) -> Outcome:
    """By number: a worker has the texts and the programs from its parent, and they stay the same objects."""
    assert _trial is not None
    return _trial.try_one(_texts[index])


def run(workers: int | None = None, *, real: bool = True) -> dict:
    """All figures. The list of mutants and every outcome are the same whatever `workers` is."""
    global _trial, _texts
    began = time.perf_counter()
    _trial = Trial(bases(real=real))
    for name, judged in _trial.clean.items():
        refused, codes, broke = _trial.verdict("\n".join(_trial.bases[name].lines) + "\n", _trial.bases[name].case)
        if judged.harms or refused:
            raise SystemExit(f"{name}: not clean: {[str(h) for h in judged.harms]} {codes} {broke}")
    mutants, harmless = _trial.mutants(), rewrites(_trial.bases)
    _texts = [*mutants, *harmless]
    with multiprocessing.get_context("fork").Pool(workers or os.cpu_count() or 1) as pool:
        outcomes = pool.map(_try, range(len(_texts)), chunksize=4)
    tried, rewritten = outcomes[: len(mutants)], outcomes[len(mutants) :]
    classes = by_class(tried)
    harmful = [o for o in tried if o.harms]
    alarms = [o for o in rewritten if o.refused]
    wrong = [o for o in rewritten if o.harms]
    rewrite_classes: dict[str, dict[str, int]] = {}
    for o in rewritten:
        row = rewrite_classes.setdefault(o.kind, {"tried": 0, "harmful": 0, "caught": 0, "alarms": 0})
        row["tried"] += 1
        row["harmful"] += bool(o.harms)
        row["alarms"] += o.refused
    return {
        "tried": len(tried),
        "harmful": len(harmful),
        "caught": sum(not o.missed for o in harmful),
        "missed": sum(o.missed for o in tried),
        "classes": len(classes),
        "classes_with_harm": sum(row["harmful"] > 0 for row in classes.values()),
        "harmless": len(rewritten),
        "alarms": len(alarms),
        "rewrites_with_harm": len(wrong),
        "wall_s": time.perf_counter() - began,
        "by_class": classes,
        "decides": {c.name: c.criteria for c in CLASSES},
        "by_rewrite": rewrite_classes,
        "missed_list": [_row(o) for o in tried if o.missed],
        "alarm_list": [_row(o) for o in [*alarms, *wrong]],
        "broke_list": [_row(o) for o in outcomes if o.broke],
        "survivors": [{"mutant": o.title, "harmless_because": o.reason} for o in tried if o.survivor],
        "strict": [{"mutant": o.title, "codes": list(o.codes), "no_harm_seen": o.reason} for o in tried if o.strict],
        "harmful_list": [_row(o) for o in harmful],
    }


def _row(o: Outcome) -> dict:
    return {"mutant": o.title, "harms": list(o.harms), "refused": o.refused, "codes": list(o.codes), "broke": o.broke}
