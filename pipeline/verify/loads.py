"""The figures of every move gathered: by stretch, over time, the worst places, and what they stand on in words."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.model.shop import Material
from pipeline.model.verdict import Loads, StretchLoad, Timeline, WorstPlace
from pipeline.shop import forces as formulas
from pipeline.verify.felt import Felt
from pipeline.verify.forces import Forces, cut_seconds
from pipeline.verify.reading import Moves
from pipeline.verify.stretches import Stretches

Array = NDArray[np.float64]
STEPS = 600  # of a timeline, at most
_SHORTEST_S = 0.5  # ours: a step of a timeline is no shorter


def build_loads(
    moves: Moves, felt: Felt, forces: Forces, *, stretches: Stretches, material: Material, seconds: Array,
    holding: Array, skin_mm: Array, part_of_move: Callable[[int], str],
) -> Loads:  # fmt: skip
    """Loads of the whole program; stretches that cut nothing are left out.

    All arrays (n moves,): `seconds` of motion, `holding` the safety factor (inf where none is asked), `skin_mm` the
    thinnest skin so far, after each move (inf while there is none). `part_of_move` gives the part at a move's end.
    """
    cut = forces.cut
    cut_s = cut_seconds(felt, forces, seconds)
    thin_s = float(cut_s[forces.chip_mean_mm < formulas.CHIP_FITTED_MM].sum())
    thin_share = thin_s / float(cut_s.sum()) if thin_s > 0 else 0.0
    thinnest = float(np.min(forces.chip_mean_mm, where=cut, initial=np.inf))
    cuts = np.logical_or.reduceat(cut, stretches.first)
    return Loads(
        stretches=_by_stretch(moves, felt, forces, stretches, cuts, cut, cut_s, seconds, holding, skin_mm),
        worst=_worst(moves, felt, forces, stretches, cut, holding, skin_mm, part_of_move),
        timeline=timeline(seconds, forces.force_peak_n, np.where(cut, felt.engaged_peak_rad, 0.0),
                          np.where(cut, holding, np.inf), skin_mm,
                          np.where(cuts, np.cumsum(cuts) - 1, -1)[stretches.of_move]),
        uncertainty=formulas.spread(thinnest),
        assumed=_assumed(material, thin_share),
    )  # fmt: skip


def timeline(
    seconds: Array, force_n: Array, engaged_rad: Array, holding: Array, skin_mm: Array, stretch: NDArray[np.int64]
) -> Timeline:
    """Figures per move over time, in at most `STEPS` equal steps, the worst in each. A move counts in every step that
    it touches; `stretch` is that of the move in the middle of a step. Time is that of motion: without dwells, stops and
    tool changes."""
    ends = np.cumsum(seconds)
    whole = float(ends[-1]) if len(ends) else 0.0
    steps = min(STEPS, math.ceil(whole / _SHORTEST_S)) if whole > 0 else 0
    if steps == 0:
        none = np.zeros(0)
        return Timeline(step_s=_SHORTEST_S, force_n=none, engaged_rad=none, holding=none, skin_mm=none,
                        stretch=np.zeros(0, dtype=np.int32))  # fmt: skip
    step = whole / steps
    begins = np.append(0.0, ends[:-1])
    first = np.minimum((begins / step).astype(np.int64), steps - 1)
    last = np.minimum(np.maximum(np.ceil(ends / step).astype(np.int64) - 1, first), steps - 1)
    # both rise, so each step is touched by a run of moves, one at least; runs overlap
    runs = np.column_stack([
        np.searchsorted(last, np.arange(steps), side="left"), np.searchsorted(first, np.arange(steps), side="right")
    ]).ravel()  # fmt: skip

    def most(value: Array, start: float, ufunc: np.ufunc) -> Array:
        return np.asarray(ufunc.reduceat(np.append(value, start), runs)[::2])

    middle = np.minimum(np.searchsorted(ends, step * (np.arange(steps) + 0.5)), len(seconds) - 1)
    return Timeline(
        step_s=step,
        force_n=most(force_n, 0.0, np.maximum),
        engaged_rad=most(engaged_rad, 0.0, np.maximum),
        holding=most(holding, np.inf, np.minimum),
        skin_mm=np.minimum.accumulate(most(skin_mm, np.inf, np.minimum)),
        stretch=stretch[middle].astype(np.int32),
    )


def _by_stretch(
    moves: Moves, felt: Felt, forces: Forces, stretches: Stretches, cuts: NDArray[np.bool_], cut: NDArray[np.bool_],
    cut_s: Array, seconds: Array, holding: Array, skin_mm: Array,
) -> tuple[StretchLoad, ...]:  # fmt: skip
    """Those of the stretches that `cuts` (k,) names."""
    out = []
    for k in np.flatnonzero(cuts).tolist():
        a, b = int(stretches.first[k]), int(stretches.last[k])
        own = slice(a, b)
        time, mine = cut_s[own], cut[own]

        def peak(value: Array, own: slice = own, mine: NDArray[np.bool_] = mine) -> float:
            return float(np.max(value[own], where=mine, initial=0.0))

        def mean(value: Array, own: slice = own, time: Array = time) -> float:
            total = float(time.sum())
            return float(np.sum(value[own] * time) / total) if total > 0 else 0.0

        out.append(
            StretchLoad(
                heading=stretches.headings[k],
                cutter=int(moves.tool[a]),
                first_line=int(moves.line[own].min()),
                last_line=int(moves.line[own].max()),
                cutting_s=float(time.sum()),
                air_s=float(seconds[own].sum() - time.sum()),
                cutting_mm=float(np.sum(felt.cut_mm[own] * mine)),
                removed_mm3=float(np.sum(felt.removed_mm3[own] * mine)),
                engaged_mean_rad=mean(felt.engaged_mean_rad),
                engaged_peak_rad=peak(felt.engaged_peak_rad),
                depth_peak_mm=peak(forces.depth_mm),
                chip_mean_mm=mean(forces.chip_mean_mm),
                chip_peak_mm=peak(forces.chip_peak_mm),
                rate_peak_mm3_min=peak(forces.rate_mm3_min),
                force_peak_n=peak(forces.force_peak_n),
                torque_peak_n_m=peak(forces.torque_n_m),
                power_peak_w=peak(forces.power_w),
                deflection_peak_mm=peak(forces.deflection_mm),
                holding=float(np.min(holding[own], where=mine, initial=np.inf)),
                skin_mm=float(skin_mm[b - 1]),
            )
        )
    return tuple(out)


def _worst(
    moves: Moves, felt: Felt, forces: Forces, stretches: Stretches, cut: NDArray[np.bool_], holding: Array,
    skin_mm: Array, part_of_move: Callable[[int], str],
) -> tuple[WorstPlace, ...]:  # fmt: skip
    """The worst move of each quantity; none for a quantity that is nowhere."""
    out = []

    def add(quantity: str, unit: str, value: Array, sign: float, shown: float = 1.0) -> None:
        rows = np.flatnonzero(cut & np.isfinite(value))
        if not len(rows):
            return
        i = int(rows[np.argmax(sign * value[rows])])
        if sign > 0 and value[i] <= 0:
            return
        x, y, z = (float(v) for v in moves.end[i])
        out.append(
            WorstPlace(quantity=quantity, value=float(value[i]) * shown, unit=unit, line=int(moves.line[i]),
                       cutter=int(moves.tool[i]), heading=stretches.headings[stretches.of_move[i]], at_mm=(x, y, z),
                       part_id=part_of_move(i))
        )  # fmt: skip

    add("force", "N", forces.force_peak_n, 1)
    add("engagement", "deg", felt.engaged_peak_rad, 1, 180 / math.pi)
    add("chip", "mm", forces.chip_peak_mm, 1)
    add("deflection", "mm", forces.deflection_mm, 1)
    add("power", "W", forces.power_w, 1)
    add("torque", "N m", forces.torque_n_m, 1)
    add("holding", "", holding, -1)
    add("skin", "mm", skin_mm, -1)
    return tuple(out)


def _assumed(material: Material, thin_share: float) -> tuple[str, ...]:
    kc = f"kc1.1 {material.kc11_n_mm2:g} N/mm2, mc {material.mc:g}, good to about {formulas.SPREAD:.0%}"
    words = [
        f"forces by the specific cutting force (kc1.1, mc) of {material.name}, judged by its worst layer: {kc}",
        f"factor {formulas.MILLING:g} for milling and {formulas.WORN:g} for a worn edge, which may reach 1.5",
        "peaks at the worst position of the cutter, with the helix of its flutes, and with the tooth that run-out puts "
        "forward; no chatter, no packed chips",
        f"force across the cut {formulas.RADIAL_SHARE:g} of the force along it, pull along the axis "
        f"{float(formulas.axial_share(math.radians(30))):.2f} of it at 30 degrees of helix; drills push down with "
        f"{formulas.THRUST_SHARE:g} of it",
        f"a chip thinner than the least chip pushes like the least chip; flutes bend like a rod of {formulas.CORE:g} "
        f"of their diameter, with the force at the tip, in a rigid holder",
    ]
    if thin_share > 0:
        words.append(
            f"in {thin_share:.0%} of the time in cut chips are thinner than the {formulas.CHIP_FITTED_MM:g} mm that "
            f"the formula was fitted on: forces good to about {formulas.SPREAD_THIN:.0%}"
        )
    return tuple(words)
