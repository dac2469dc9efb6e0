"""One text before both judges: the oracle says whether it does harm, and the verifier must refuse it then."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.verify import check_program
from tests.oracle.harm import Case, Judgement, judge, signature, stock_of
from tests.oracle.probes import Stock
from tests.sabotage.geometry import geometry
from tests.sabotage.modes import modes
from tests.sabotage.mutants import Class, Mutant, mutants_of
from tests.sabotage.process import process
from tests.sabotage.programs import Base
from tests.sabotage.shop import shop
from tests.sabotage.words import words

CLASSES: tuple[Class, ...] = tuple(c for group in (words, modes, geometry, process, shop) for c in group.classes)
CELL_MM = 0.05
SAME_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Outcome:
    """`harms` are the oracle's words, `codes` the verifier's errors. `reason` says why a text without harm has none."""

    kind: str
    title: str
    harms: tuple[str, ...]
    criteria: tuple[str, ...]
    refused: bool
    codes: tuple[str, ...]
    reason: str = ""
    broke: str = ""  # the verifier raised this

    @property
    def missed(self) -> bool:
        """Harm, and released: the one thing that must never be."""
        return bool(self.harms) and (not self.refused or bool(self.broke))

    @property
    def strict(self) -> bool:
        """Refused, and the oracle sees no harm."""
        return self.refused and not self.harms

    @property
    def survivor(self) -> bool:
        return not self.refused and not self.harms


class Trial:
    """Both judges for the programs that a suite begins with. `clean` holds each base's own judgement."""

    def __init__(self, bases: dict[str, Base], cell_mm: float = CELL_MM) -> None:
        self.bases, self.cell_mm = bases, cell_mm
        self.stocks: dict[str, Stock] = {
            name: stock_of(b.case.setup, b.case.tolerances, b.case.not_cut) for name, b in bases.items()
        }
        self.clean: dict[str, Judgement] = {
            name: judge("\n".join(b.lines) + "\n", b.case, self.stocks[name]) for name, b in bases.items()
        }

    def mutants(self) -> list[Mutant]:
        """All of them, class by class, the same ones each time."""
        return [m for one in CLASSES for base in self.bases.values() for m in mutants_of(one, base)]

    def verdict(self, text: str, case: Case) -> tuple[bool, tuple[str, ...], str]:
        """(refused, codes of the errors, what the verifier raised)."""
        try:
            found = check_program(
                text, setup=case.setup, crib=case.crib, machine=case.machine, material=case.material,
                tolerances=case.tolerances, not_cut=case.not_cut, cell_mm=self.cell_mm,
            )  # fmt: skip
        except Exception as wrong:
            return True, (), f"{type(wrong).__name__}: {wrong}"
        codes = sorted({f.code for f in found.findings if f.severity == "error"})
        return found.verdict != "released", tuple(codes), ""

    def try_one(self, mutant: Mutant) -> Outcome:
        base = self.bases[mutant.base]
        same = mutant.case.setup is base.case.setup and mutant.case.tolerances is base.case.tolerances
        judged = judge(mutant.text, mutant.case, self.stocks[mutant.base] if same else None)
        refused, codes, broke = self.verdict(mutant.text, mutant.case)
        reason = "" if judged.harms else self.why_harmless(mutant, judged)
        return Outcome(mutant.kind, mutant.title, tuple(map(str, judged.harms)), tuple(judged.criteria()), refused,
                       codes, reason, broke)  # fmt: skip

    def why_harmless(self, mutant: Mutant, judged: Judgement) -> str:
        """In words and figures, against the clean twin."""
        clean = self.clean[mutant.base]
        ours, theirs = ([signature(e) for e in j.reading.events] for j in (judged, clean))
        setup = "" if mutant.case is self.bases[mutant.base].case else "in the other set-up, "
        if ours == theirs:
            return setup + "every move, feed, speed and state is that of the clean program, and no criterion is touched"
        if judged.stock is not clean.stock:
            return setup + "all stock ends inside its limits and no move breaks a criterion"
        off = np.abs(np.where(judged.stock.inside, judged.z, 0.0) - np.where(clean.stock.inside, clean.z, 0.0))
        worst = float(off.max())
        if worst < SAME_MM:
            return setup + "the stock ends as that of the clean program, and no move on the way breaks a criterion"
        k = int(np.argmax(off))
        p = judged.stock.points
        return (f"{setup}the stock differs by {worst:.3f} mm at most (X {p.x[k]:.2f} Y {p.y[k]:.2f}), "
                "inside its limits everywhere, and no move breaks a criterion")  # fmt: skip


def decided(outcomes: Sequence[Outcome]) -> dict[str, int]:
    """By which of the oracle's criteria, and how often; one mutant may break several."""
    return dict(sorted(Counter(c for o in outcomes for c in o.criteria).items()))


def by_class(outcomes: Sequence[Outcome]) -> dict[str, dict[str, int]]:
    """Per class: tried, harmful, caught, missed, strict (refused, no harm seen), survivors."""
    out = {}
    for name in (c.name for c in CLASSES):
        own = [o for o in outcomes if o.kind == name]
        harmful = [o for o in own if o.harms]
        out[name] = {
            "tried": len(own), "harmful": len(harmful), "caught": sum(not o.missed for o in harmful),
            "alarms": 0, "strict": sum(o.strict for o in own), "survivors": sum(o.survivor for o in own),
        }  # fmt: skip
    return out
