"""Does the verifier refuse everything that does harm, and nothing that does none?

Mutants of four clean programs in many classes, judged by the oracle of `tests/oracle` and by the verifier; and rewrites
of the same programs that change nothing. Figures per class: tried, harmful (by the oracle), caught (harmful and
refused), alarms (a harmless rewrite refused), strict (refused though the oracle sees no harm), survivors. Every miss,
alarm, survivor and strict refusal is listed with its words.
"""

from __future__ import annotations

import time

from tests.sabotage.crowd import try_all
from tests.sabotage.programs import bases
from tests.sabotage.rewrites import rewrites
from tests.sabotage.trial import CLASSES, Outcome, Trial, by_class, decided


def run(workers: int | None = None) -> dict:
    """All figures. The list of mutants and every outcome are the same whatever `workers` is."""
    began = time.perf_counter()
    trial = Trial(bases())
    for name, judged in trial.clean.items():
        base = trial.bases[name]
        refused, codes, broke = trial.verdict("\n".join(base.lines) + "\n", base.case)
        if judged.harms or refused:
            raise SystemExit(f"{name} is not clean: {[str(h) for h in judged.harms]} {codes} {broke}")
    mutants = trial.mutants()
    outcomes = try_all(trial, [*mutants, *rewrites(trial.bases)], workers)
    tried, rewritten = outcomes[: len(mutants)], outcomes[len(mutants) :]
    classes = by_class(tried)
    harmful = [o for o in tried if o.harms]
    return {
        "tried": len(tried),
        "harmful": len(harmful),
        "caught": sum(not o.missed for o in harmful),
        "missed": sum(o.missed for o in tried),
        "classes": len(classes),
        "classes_with_harm": sum(row["harmful"] > 0 for row in classes.values()),
        "strict": sum(o.strict for o in tried),
        "harmless": len(rewritten),
        "alarms": sum(o.refused for o in rewritten),
        "rewrites_with_harm": sum(bool(o.harms) for o in rewritten),
        "broke": sum(bool(o.broke) for o in outcomes),
        "wall_s": time.perf_counter() - began,
        "by_class": classes,
        "by_rewrite": _by_rewrite(rewritten),
        "decides": {
            c.name: {"group": c.group, "may": c.criteria, "did": decided([o for o in harmful if o.kind == c.name])}
            for c in CLASSES
        },
        "missed_list": [_row(o) for o in tried if o.missed],
        "alarm_list": [_row(o) for o in rewritten if o.refused or o.harms],
        "broke_list": [_row(o) for o in outcomes if o.broke],
        "survivors": [{"mutant": o.title, "harmless_because": o.reason} for o in tried if o.survivor],
        "strict_list": [
            {"mutant": o.title, "codes": list(o.codes), "no_harm_seen": o.reason} for o in tried if o.strict
        ],
        "harmful_list": [_row(o) for o in harmful],
    }


def _by_rewrite(rewritten: list[Outcome]) -> dict[str, dict[str, int]]:
    rows: dict[str, dict[str, int]] = {}
    for o in rewritten:
        row = rows.setdefault(o.kind, {"tried": 0, "harmful": 0, "caught": 0, "alarms": 0})
        row["tried"] += 1
        row["harmful"] += bool(o.harms)
        row["alarms"] += o.refused
    return rows


def _row(o: Outcome) -> dict:
    return {"mutant": o.title, "harms": list(o.harms), "refused": o.refused, "codes": list(o.codes), "broke": o.broke}
