"""The table to read first: what is done to each feature on the first side, in order, and what is left for later.

A row says for which feature it stands, when it applies, the operations of this program (`now`, in cutting order) and
what stays for another program or setup (`later`: operation, where). The first row that applies is taken; `later` of
what a feature also carries (a thread, an open end) is in LATER.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.model.part import Chamfer, Feature, Hole, Mark, Pocket, Side, Surface

NEXT_PROGRAM = "setup-1, a later program"
SECOND_SIDE = "setup-2"

# Order of cutting over all parts; what shares a number goes by cutters, but never before what it lies in.
STAGES = {"face": 0, "bore after facing": 1, "spot": 2, "drill": 3, "bore": 4, "pocket": 4, "outline": 5}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What the choice of a row depends on. `is_open`: nothing of the finished part lies above the feature's top.
    `is_drillable`: a drill in the crib makes it within its limits. `is_narrow`: the end mill that bores it is barely
    smaller, and a drill in the crib goes before it."""

    feature: Feature
    is_open: bool
    is_drillable: bool
    is_narrow: bool = False

    @property
    def from_inside(self) -> bool:
        """True when the first side can cut it: it belongs to the inside face, or goes through and is open above."""
        through = isinstance(self.feature, Hole) and self.feature.through
        return self.is_open and (self.feature.side is Side.INSIDE or through)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """One row of the table."""

    feature: type[Feature]
    when: str
    applies: Callable[[Case], bool]
    now: tuple[str, ...]
    later: tuple[str, str] | None = None  # (operation, setup)
    reason: str = ""


def _always(_: Case) -> bool:
    return True


def _drilled(case: Case) -> bool:
    return case.from_inside and case.is_drillable


def _predrilled(case: Case) -> bool:
    return case.from_inside and case.is_narrow


def _from_inside(case: Case) -> bool:
    return case.from_inside


def _inside(case: Case) -> bool:
    return case.feature.side is Side.INSIDE


EVERY_PART = ("face", "outline")  # first and last, round all that its features ask for

RECIPES: tuple[Recipe, ...] = (
    Recipe(feature=Hole, when="a drill within its limits, no flat floor", applies=_drilled, now=("spot", "drill")),
    Recipe(feature=Hole, when="a bore barely wider than its cutter, a drill inside it", applies=_predrilled,
           now=("spot", "drill", "bore")),
    Recipe(feature=Hole, when="open from the inside face", applies=_from_inside, now=("bore",)),
    Recipe(feature=Hole, when="not open from the inside face", applies=_always, now=(),
           later=("hole", SECOND_SIDE), reason="it is reached from the outer face only"),
    Recipe(feature=Pocket, when="on the inside face", applies=_from_inside, now=("pocket",)),
    Recipe(feature=Pocket, when="on the outer face", applies=_always, now=(),
           later=("pocket", SECOND_SIDE), reason="it is reached from the outer face only"),
    Recipe(feature=Chamfer, when="on the inside face", applies=_inside, now=(),
           later=("chamfer", NEXT_PROGRAM), reason="this program has no chamfer milling"),
    Recipe(feature=Chamfer, when="on the outer face", applies=_always, now=(),
           later=("chamfer", SECOND_SIDE), reason="it is reached from the outer face only"),
    Recipe(feature=Surface, when="on the inside face", applies=_inside, now=(),
           later=("3D surface", NEXT_PROGRAM), reason="this program has no ball milling"),
    Recipe(feature=Surface, when="on the outer face", applies=_always, now=(),
           later=("3D surface", SECOND_SIDE), reason="it is reached from the outer face only"),
    Recipe(feature=Mark, when="on the inside face", applies=_inside, now=(),
           later=("engraving", NEXT_PROGRAM), reason="this program has no engraving"),
    Recipe(feature=Mark, when="on the outer face", applies=_always, now=(),
           later=("engraving", SECOND_SIDE), reason="it is reached from the outer face only"),
)  # fmt: skip

LATER = {
    "thread": ("thread milling", NEXT_PROGRAM, "this program makes the hole, not the thread"),
    "hole point": ("drill point", NEXT_PROGRAM, "no drill of that size in the crib: bored flat at the full depth"),
    "hole bottom": ("hole bottom", SECOND_SIDE, "it opens when the stock and the skin under the part are cut away"),
    "drilled bottom": ("hole bottom", SECOND_SIDE, "the drill's cone is left: drill or ream it from the other side"),
    "pocket bottom": ("pocket bottom", SECOND_SIDE, "it opens when the stock and the skin under the part are cut away"),
    "outer face": ("face off skin and stock below", SECOND_SIDE, "the part hangs in the plate by them"),
    "break-out": ("break out", SECOND_SIDE, "parts are tied by the skin"),
}


def recipe_for(case: Case) -> Recipe:
    """The first row of the table that applies."""
    return next(row for row in RECIPES if isinstance(case.feature, row.feature) and row.applies(case))
