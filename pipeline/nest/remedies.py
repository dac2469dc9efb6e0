"""What would help parts that find no place: each way is really tried, cheaply and within a budget counted in work, so
that the same job gets the same answer on any machine.

Words. A *group* is the kinds of one part of the job: one, or the two of a mirrored pair, which share count and turns.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pipeline.model.arrays import Float
from pipeline.model.nest import Region, SmallerCutter
from pipeline.model.units import shown
from pipeline.nest.mandatory import corner_layout, round_cost, settle_mandatory
from pipeline.nest.search import repaired
from pipeline.nest.task import TOL_MM, Layout, Task

_BUDGET = 11_000.0  # units of `round_cost` for all tries together, less than ten seconds
_SHARE = 1500.0  # of one try
_ROUNDS = (6, 100)  # least and most rounds of one start
_STARTS = 2  # of one try
_STREAM = 200
_BOXY = 12  # up to so many bodies corners are tried too
_MOST_FIXED = 4  # fixed copies that are let go one by one
_HANDS = ("-left", "-right")


@dataclass(frozen=True, slots=True, kw_only=True)
class Otherwise:
    """A task and how it could be otherwise. `make(requests, region, gap_mm=...)` gives another task."""

    task: Task
    region: Region
    make: Callable[..., Task]
    smaller_cutters: tuple[SmallerCutter, ...]


@dataclass(slots=True, kw_only=True)
class Trial:
    """Tries ways within one budget. `begin` are the poses of the best attempt, of all mandatory bodies of the task."""

    other: Otherwise
    task: Task
    begin: Float | None
    can_fit: Callable[[Task], bool]  # False when plain areas say no
    left: float = _BUDGET
    is_short: bool = False  # something was not tried for want of budget

    def fits(self, task: Task, begin: Float | None = None) -> bool:
        """True when all mandatory bodies of the task were found a place, exact distances and all. False also when
        nothing of the budget is left."""
        if not task.wanted:
            return True
        cost = round_cost(task)
        rounds = min(max(round(_SHARE / (_STARTS * cost)), _ROUNDS[0]), _ROUNDS[1])
        if not self.can_fit(task):
            return False
        if self.left < rounds * _STARTS * cost:
            self.is_short = True
            return False
        self.left -= rounds * _STARTS * cost
        poses, worst = settle_mandatory(task, stream=_STREAM, tries=_STARTS, rounds=rounds, begin=begin)
        if worst <= TOL_MM:
            layout = Layout(which=task.mandatory, poses=poses, n_held=len(task.fixed_which), score=0.0)
            if repaired(task, layout) is not None:
                return True
        return len(task.wanted) <= _BOXY and corner_layout(task) is not None


def remedies(trial: Trial, guilty: int, bodies: Sequence[int] = ()) -> tuple[list[str], list[str]]:
    """What was found to help, and what was tried in vain, in words. `guilty` is the kind that fails first, `bodies` the
    bodies that are in each other's way in the best attempt."""
    helps: list[str] = []
    vain: list[str] = []
    for name, way in (
        ("a smaller outline cutter of the crib", lambda: _cutters(trial)),
        ("turning freely", lambda: _turned(trial, guilty)),
        ("letting go of zones", lambda: _unbound(trial, guilty)),
        ("letting go of what is fixed", lambda: _let_go(trial, bodies)),
        ("fewer copies", lambda: _fewer(trial, guilty)),
    ):
        trial.is_short = False
        found = way()
        if found:
            helps.append(found)
        elif found is not None and not trial.is_short:
            vain.append(name)
    return helps, vain


def _cutters(trial: Trial) -> str | None:
    """The largest of the smaller cutters that fits. When the smallest does not, none does. Like every way here: what
    helps in words, "" when nothing was found to, None when there is nothing to try."""
    made = trial.other.make
    requests = [kind.request for kind in trial.task.kinds]

    def fits(cutter: SmallerCutter) -> bool:
        task = _as_wanted(trial.task, made(requests, cutter.region, gap_mm=cutter.gap_mm))
        return trial.fits(task, trial.begin)

    cutters = trial.other.smaller_cutters
    if not cutters:
        return None
    if not fits(cutters[-1]):
        return ""
    best = next((cutter for cutter in cutters[:-1] if fits(cutter)), cutters[-1])
    return f"it fits with cutter {best.number} ({shown(best.diameter_mm, unit='mm', places=2)})"


def _turned(trial: Trial, guilty: int) -> str | None:
    """Any angle for the group that fails first, else for all whose turns are limited."""
    task = trial.task
    limited = [g for g in _groups(task) if any(task.kinds[k].angles_rad and not task.kinds[k].is_disc for k in g)]
    return _eased(trial, guilty, limited, rotations_rad=None,
                  say=lambda way: f"it fits if {_list([_name(task, g) for g in way])} may be turned freely")


def _unbound(trial: Trial, guilty: int) -> str | None:
    """Off their zones and into what they are to keep clear of; where that helps, one of the two may be enough."""
    task = trial.task
    keys = [key for key in ("zones", "clear_of") if any(getattr(kind.request, key) for kind in task.kinds)]

    def without(*keys: str) -> str | None:
        bound = [g for g in _groups(task) if any(getattr(task.kinds[g[0]].request, key) for key in keys)]
        return _eased(trial, guilty, bound, **dict.fromkeys(keys, ()),
                      say=lambda way: f"it fits without {_list([_keys(task, g, keys) for g in way])}")

    found = without(*keys)
    return found if not found or len(keys) == 1 else without("zones") or without("clear_of") or found


def _eased(trial: Trial, guilty: int, bound: Sequence[tuple[int, ...]], *,
           say: Callable[[list[tuple[int, ...]]], str], **change: Any) -> str | None:
    """With `change` in the requests of the group that fails first, if it is one of the bound, else of all of these."""
    task = trial.task
    bound = [g for g in bound if any(k in task.wanted for k in g)]
    if not bound:
        return None
    ways = [[g] for g in bound if guilty in g]
    if bound not in ways:
        ways.append(bound)
    for way in ways:
        free = {k for group in way for k in group}
        requests = [replace(kind.request, **change) if k in free else kind.request for k, kind in enumerate(task.kinds)]
        made = _as_wanted(task, trial.other.make(requests, trial.other.region, gap_mm=task.gap_mm))
        if trial.fits(made, trial.begin):
            return say(way)
    return ""


def _let_go(trial: Trial, bodies: Sequence[int]) -> str | None:
    """Fixed copies set free: each one alone, those in the way first, or all."""
    task, n = trial.task, len(trial.task.fixed_which)
    if n == 0:
        return None
    if not trial.fits(*_freed(task, range(n), trial.begin)):
        return ""
    single = sorted(range(n), key=lambda i: (i not in bodies, i))[:_MOST_FIXED] if n > 1 else [0]
    for i in single:
        if n == 1 or trial.fits(*_freed(task, [i], trial.begin)):
            return f"it fits if the fixed {copy_name(task, i)} may lie elsewhere"
    return "it fits if nothing is fixed"


def _fewer(trial: Trial, guilty: int) -> str | None:
    """The largest count that was found to fit of the group that fails first; where none of it may stay, that of another
    of which there are more, too; where that does not help, of another."""
    task = trial.task
    if len(task.wanted) < 2:
        return None
    spare = {g: max(task.wanted.count(k) for k in g) for g in _groups(task) if any(k in task.wanted for k in g)}
    first = next(g for g in spare if guilty in g)
    area = {g: spare[g] * sum(task.kinds[k].area_mm2 for k in g) for g in spare}
    others = sorted((g for g in spare if g != first), key=lambda g: (spare[g] == 1, -area[g], g))
    found: list[str] = []
    for group in [first, *others[:2]]:
        if found and spare[group] == 1:
            break
        low = _largest(trial, group, spare[group])
        if low is None:
            continue
        count = task.kinds[group[0]].request.count or 0
        left, name = count - (spare[group] - low), _name(task, group)
        found.insert(0, f"{left} x {name} instead of {count} fits" if left > 0 else f"it fits without {name}")
        if left > 0:
            break
    return "; ".join(found)


def _largest(trial: Trial, group: Sequence[int], spare: int) -> int | None:
    """How many of `spare` copies may stay: one fewer is tried first, then by halves."""
    def fits(keep: int) -> bool:
        return trial.fits(*_without(trial.task, group, spare - keep, trial.begin))

    if fits(spare - 1):
        return spare - 1
    if spare == 1 or not fits(0):
        return None
    low, high = 0, spare - 1  # low fits, high does not
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _without(task: Task, group: Sequence[int], n: int, begin: Float | None) -> tuple[Task, Float | None]:
    """The task with `n` copies fewer of every kind of the group, the last ones."""
    wanted = list(enumerate(task.wanted))
    for kind in group:
        gone = [at for at, k in wanted if k == kind][-n:]
        wanted = [(at, k) for at, k in wanted if at not in gone]
    n_fixed = len(task.fixed_which)
    keep = [*range(n_fixed), *(n_fixed + at for at, _ in wanted)]
    return replace(task, wanted=tuple(k for _, k in wanted)), None if begin is None else begin[keep]


def _freed(task: Task, bodies: Sequence[int], begin: Float | None) -> tuple[Task, Float | None]:
    """The task with these fixed bodies free to lie anywhere."""
    stay = [i for i in range(len(task.fixed_which)) if i not in bodies]
    order = [*stay, *bodies, *range(len(task.fixed_which), len(task.mandatory))]
    freed = replace(
        task, fixed_which=tuple(task.fixed_which[i] for i in stay), fixed=task.fixed[stay].reshape(-1, 3),
        wanted=tuple(task.fixed_which[i] for i in bodies) + task.wanted,
    )
    return freed, None if begin is None else begin[order]


def _as_wanted(task: Task, made: Task) -> Task:
    """A task made anew, with the bodies that this one wants (one kind alone, or all), and nothing to fill in."""
    return replace(made, fixed_which=task.fixed_which, fixed=task.fixed, wanted=task.wanted, extra=())


def _groups(task: Task) -> list[tuple[int, ...]]:
    """Kind indices of each part of the job."""
    names = [kind.name for kind in task.kinds]
    groups: dict[str, list[int]] = {}
    for k, name in enumerate(names):
        stem = next((name.removesuffix(hand) for hand in _HANDS if name.endswith(hand)), name)
        is_pair = all(stem + hand in names for hand in _HANDS) and stem != name
        groups.setdefault(stem if is_pair else name, []).append(k)
    return [tuple(group) for group in groups.values()]


def _keys(task: Task, group: Sequence[int], keys: Sequence[str]) -> str:
    """What binds a group, as the job writes it: the key of `zones` is zone."""
    asked = {key.removesuffix("s"): getattr(task.kinds[group[0]].request, key) for key in keys}
    said = [f"`{key}: {zones[0] if len(zones) == 1 else '[' + ', '.join(zones) + ']'}`" for key, zones in asked.items()
            if zones]
    return f"{_list(said)} of {_name(task, group)}"


def _name(task: Task, group: Sequence[int]) -> str:
    name = task.kinds[group[0]].name
    return name if len(group) == 1 else next(name.removesuffix(h) for h in _HANDS if name.endswith(h))


def copy_name(task: Task, body: int) -> str:
    """A fixed body by its name, counted within its kind as the job or the kept nest has it: `stud-8`."""
    which = task.fixed_which[body]
    name, n = task.kinds[which].name, task.fixed_which.count(which)
    return name if n == 1 else f"{name}-{task.fixed_which[: body + 1].count(which)}"


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
