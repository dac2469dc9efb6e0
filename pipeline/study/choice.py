"""Which cutter earns most, why, what would change that, and what nobody knows: in words.

The figures of a full run take the place of the candidate's, because feeds may have been lowered there. Only a cutter
whose full run is released is chosen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.model.units import shown
from pipeline.study.measure import Candidate
from pipeline.study.money import FACTOR, LIFE_MIN, STOP_MIN, Prices

_CENT = 0.005  # of money: less is no difference
_WHOLE_FROM = 10  # times: from there on without a decimal
_NEAR_NOTHING = 0.05  # of a rate or of times as often: nobody goes below


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """`best` is the number of the cutter that earns most of those with a released full run, None without one.
    `sentence` says it with the reason; `turns` are what would change it."""

    best: int | None
    sentence: str
    turns: tuple[str, ...]


def ranked(candidates: Sequence[Candidate]) -> list[Candidate]:
    """What earns most first; of those that earn the same to the cent the shorter program, then the thicker cutter."""
    return sorted(
        candidates, key=lambda c: (-round(c.earnings, 2), round(c.total_s), -c.cutter.diameter_mm, c.cutter.number)
    )


def promising(candidates: Sequence[Candidate]) -> list[Candidate]:
    """In the order in which full runs are worth their time: those that a quick look has not refused go first."""
    return sorted(ranked(candidates), key=lambda c: c.verdict != "released")


def choose(
    candidates: Sequence[Candidate], full_runs: Sequence[Candidate], *, prices: Prices, currency: str, unit: str
) -> Choice:
    """`full_runs` are figures of some of the same cutters, from full runs."""
    full = {c.cutter.number: c for c in full_runs}
    final = ranked([full.get(c.cutter.number, c) for c in candidates])
    released = [c for c in final if c.cutter.number in full and c.verdict == "released"]
    if not released:
        stops = ", ".join(f"T{c.cutter.number} with {_counted(c.n_errors, 'error')}" for c in full_runs)
        sentence = (
            f"No full run is released: {stops}. By its figures alone {_called(final[0])} would earn most,"
            f" {final[0].earnings:.2f} {currency} a plate."
        )
        return Choice(best=None, sentence=sentence, turns=())
    best = released[0]
    others = [c for c in final if c is not best]
    usable = [c for c in others if c.verdict == "released"]  # what would be refused is no alternative
    sentence = _sentence(best, others, usable, currency=currency, unit=unit)
    turns = (*_turns_of_prices(best, usable, prices, currency), *_turns_of_chance(best, usable))
    return Choice(best=best.cutter.number, sentence=sentence, turns=turns)


def _sentence(
    best: Candidate, others: Sequence[Candidate], usable: Sequence[Candidate], *, currency: str, unit: str
) -> str:
    money = f"{best.earnings:.2f} {currency} a plate" + (", a loss" if best.earnings < 0 else "")
    if not others:
        return f"{_called(best)} earns {money}: no other cutter that was studied can free the parts."
    if ranked([best, others[0]])[0] is not best:
        first = others[0]
        why = f"is refused, with {_counted(first.n_errors, 'error')}" if first not in usable else "was not run in full"
        return (
            f"{_called(best)} earns most of what is released, {money}; {_called(first)} would earn"
            f" {first.earnings - best.earnings:.2f} more but {why}."
        )
    next_best = others[0]
    more = best.earnings - next_best.earnings
    pros, cons = _reasons(best, next_best, unit)
    if more < _CENT or not pros:  # cents of several kinds make no reason
        shorter = round(best.total_s) < round(next_best.total_s)
        words = "its program is shorter" if shorter else "it is the thicker cutter"
        return f"{_called(best)} earns most, {money}, no less than {_called(next_best)}, and {words}."
    against = f", which outweighs {' and '.join(cons)}" if cons else ""
    return (
        f"{_called(best)} earns most, {money}, {more:.2f} more than {_called(next_best)}, because it"
        f" {' and '.join(pros)}{against}."
    )


def _reasons(best: Candidate, other: Candidate, unit: str) -> tuple[list[str], list[str]]:
    """What speaks for the best beside the other, as what it does, and what speaks against it, as things."""
    pros, cons = [], []
    worth = best.value - other.value
    if abs(worth) >= _CENT:
        counts = ", ".join(
            f"{n} instead of {other.placed[name]} {name}" for name, n in best.placed.items() if n != other.placed[name]
        )
        gaps = f"a gap of {shown(best.gap_mm, unit=unit)} instead of {shown(other.gap_mm, unit=unit)}"
        if worth > 0:
            pros.append(f"places {counts} with {gaps} ({worth:.2f} more)")
        else:
            cons.append(f"{-worth:.2f} less for parts ({counts}, with {gaps})")
    marks = {name: best.terms.get(name, 0.0) - other.terms.get(name, 0.0) for name in {**best.terms, **other.terms}}
    better = ", ".join(f"{name} {more:.2f} more" for name, more in marks.items() if more >= _CENT)
    lower = ", ".join(f"{name} {-more:.2f} less" for name, more in marks.items() if more <= -_CENT)
    if better:
        pros.append(f"has better marks ({better})")
    if lower:
        cons.append(f"lower marks ({lower})")
    for name, mine, its in (
        ("breakage and wear", best.costs.breakage + best.costs.wear, other.costs.breakage + other.costs.wear),
        ("machine time", best.costs.time, other.costs.time),
    ):
        if its - mine >= _CENT:
            pros.append(f"costs {its - mine:.2f} less in {name}")
        elif mine - its >= _CENT:
            cons.append(f"{mine - its:.2f} more for {name}")
    return pros, cons


def _turns_of_prices(best: Candidate, others: Sequence[Candidate], prices: Prices, currency: str) -> Iterator[str]:
    def hours(c: Candidate) -> float:
        return c.total_s / 3600 + c.costs.breakages * STOP_MIN / 60

    def cutters(c: Candidate) -> float:
        return c.costs.breakages + (c.outline_s + c.web_s) / 60 / LIFE_MIN

    for slope, at, what in (
        (hours, prices.rate_per_h, "an hour of machine time"),
        (cutters, prices.cutter, "for a new cutter"),
    ):
        for side, price, other in _crossings(best, others, slope, at=at):
            words = "Above" if side > 0 else "Below"
            yield f"{words} {price:.2f} {currency} {what} {_called(other)} would earn more; this study has {at:.2f}."


def _turns_of_chance(best: Candidate, others: Sequence[Candidate]) -> Iterator[str]:
    for side, times, other in _crossings(best, others, lambda c: c.costs.breakage, at=1.0):
        words = "more" if side > 0 else "less"
        inside = 1 / FACTOR <= times <= FACTOR
        standing = "; the model may be off by as much" if inside else ""
        amount = f"{times:.1f}" if times < _WHOLE_FROM else f"{times:.0f}"
        yield (
            f"If cutters broke {words} than {amount} times as often as reckoned {_called(other)} would earn"
            f" more{standing}."
        )


def _crossings(
    best: Candidate, others: Sequence[Candidate], slope: Callable[[Candidate], float], *, at: float
) -> Iterator[tuple[int, float, Candidate]]:
    """Where another one earns as much as the best when what costs `slope` for each unit is no longer `at`: (side,
    value, other), the nearest on either side. Earnings are straight lines in it."""
    below: list[tuple[float, Candidate]] = []
    above: list[tuple[float, Candidate]] = []
    for other in others:
        lead, steeper = best.earnings - other.earnings, slope(best) - slope(other)
        if lead < 0 or steeper == 0:
            continue
        value = at + lead / steeper
        if steeper > 0:
            above.append((value, other))
        elif value >= _NEAR_NOTHING:
            below.append((value, other))
    if below:
        yield (-1, *max(below, key=lambda pair: pair[0]))
    if above:
        yield (1, *min(above, key=lambda pair: pair[0]))


def _called(candidate: Candidate) -> str:
    return f"T{candidate.cutter.number} ({candidate.cutter.name})"


def _counted(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
