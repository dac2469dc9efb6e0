"""What freeing the parts with a cutter costs beside its time: breakages that are to be expected, and wear.

All parameters of the model stand here and are printed with every study. None has a source: they are common practice at
best, and a shop that counts its broken cutters knows better. The chance of a breakage grows with the metres cut, with
the stress in the cutter and with its slenderness; several breakages on one plate are possible, a broken cutter being
replaced each time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.shop.forces import ALLOWED_N_MM2
from pipeline.study.slot import Slot

# Breakages per metre of feed path at the stress allowed for long runs and the slenderness below: one in 100 m. Ours
CHANCE_PER_M = 0.01
STRESS_POWER = 3.0  # steeper for the carbide alone, flatter for packed chips and hard spots, which break it, too. Ours
SLENDER = 5.0  # of the cutters a shop takes for outlines
SLENDER_POWER = 2.0  # a limber cutter chatters and grabs. Ours
SPOILED_SHARE = 0.5  # of the value of the part it breaks at: every other one is lost. Ours
STOP_MIN = 20.0  # of machine time, to find out, change and measure the cutter and start again. Ours
LIFE_MIN = 45.0  # in feed, before a carbide mill is worn out in titanium. Common practice, no source
FACTOR = 3.0  # by which the expected breakages may be off either way. Ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What the shop files do not say. Money in the billet's currency; 0 means not priced."""

    rate_per_h: float = 0.0  # of machine time
    cutter: float = 0.0  # of a new outline cutter, whatever its size


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """Money for one plate. `breakages` is the number to be expected, `breakage` what they cost."""

    breakages: float
    breakage: float
    wear: float
    time: float

    @property
    def total(self) -> float:
        """All of it."""
        return self.breakage + self.wear + self.time


def breakages_per_m(slot: Slot) -> float:
    """Breakages to be expected per metre of feed path."""
    stress, slender = slot.stress_n_mm2 / ALLOWED_N_MM2, slot.slenderness / SLENDER
    chance: float = CHANCE_PER_M * stress**STRESS_POWER * slender**SLENDER_POWER
    return chance


def costs(
    slot: Slot, path_m: Mapping[str, float], values: Mapping[str, float], *, feed_s: float, total_s: float,
    prices: Prices,
) -> Costs:  # fmt: skip
    """What one plate costs. `path_m` is the metres the cutter feeds to free each part, by part id; `values` what the
    part is worth, waste nothing. `feed_s` is the time of those metres, `total_s` that of the whole program."""
    per_m, hour = breakages_per_m(slot), prices.rate_per_h / 60
    each = prices.cutter + STOP_MIN * hour
    return Costs(
        breakages=per_m * math.fsum(path_m.values()),
        breakage=per_m * math.fsum(m * (each + SPOILED_SHARE * values.get(at, 0.0)) for at, m in path_m.items()),
        wear=prices.cutter * feed_s / 60 / LIFE_MIN,
        time=hour * total_s / 60,
    )


def model_words(terms: Sequence[str] = ()) -> tuple[str, ...]:
    """The model, its parameters and their standing, a sentence each. `terms` are what the job weighs beside values."""
    score = (
        "Earnings count the whole score of a nest: beside the values what the job gives for its marks"
        f" ({', '.join(terms)}). That is what they are worth to you, not what a buyer pays. A breakage is reckoned to"
        " spoil the value of a part alone.",
    )
    return (
        *(score if terms else ()),
        f"Expected breakages per metre of feed path: {CHANCE_PER_M:g} x (stress / {ALLOWED_N_MM2:g} N/mm2)^"
        f"{STRESS_POWER:g} x (slenderness / {SLENDER:g})^{SLENDER_POWER:g}. Stress is the cutter's, in a full slot at"
        " its stepdown and slot feed with a worn edge; slenderness is the length over diameter of a plain rod that"
        " bends as much as the cutter in its holder.",
        f"A breakage costs a new cutter, {STOP_MIN:g} minutes of the machine, and {SPOILED_SHARE:.0%} of the value of"
        " the part it happens at; at thin waste, which belongs to no part, it spoils nothing.",
        f"Wear: a cutter's price for every {LIFE_MIN:g} minutes it feeds along outlines and webs.",
        "Time: the moves of the whole program, since more parts ask for more of all work. Dwells, stops, checks and"
        " changes of cutter are not counted.",
        f"None of these parameters has a source (common practice at best): expected breakages may be {FACTOR:g} times"
        " more or fewer. Count your own broken cutters.",
    )
