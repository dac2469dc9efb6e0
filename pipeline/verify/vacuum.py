"""The vacuum under the plate at every move: the sealed area, the holes cut into it, and whether the pump keeps up.

A hole through to the bed inside the gasket lets air in. What goes through it is the flow of an orifice; at the depth
of vacuum that holds anything it is choked, at the speed of sound in the narrowest place. No contraction is taken off
(a coefficient of 1), which makes the leak larger than it is. Until the pump takes as much free air as the hole lets
through, the reading of the holding file stands; beyond that the vacuum is taken as lost, from that move to the end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_ties as kernel
from pipeline.kernels.verify_removal import fill_polygon
from pipeline.model.setup import Setup
from pipeline.model.units import EPS_MM
from pipeline.shop.air import air_pressure_kpa
from pipeline.verify.reading import RAPID, Moves
from pipeline.verify.ties import NEVER, CutTimes

Array = NDArray[np.float64]
KAPPA = 1.4  # of air
SOUND_M_S = 343.2  # in air at 20 C: sqrt(1.4 x 287.05 x 293.15)
N_PER_KPA_MM2 = 1e-3
_MM3_S_PER_L_MIN = 1e6 / 60


def leak_l_min(hole_mm2: float, vacuum_kpa: float, air_kpa: float) -> float:
    """Free air through a hole into the vacuum, l/min at the air's own pressure.

    Isentropic flow of a perfect gas through an orifice: choked, A c (2 / (k + 1))^((k + 1) / (2 (k - 1))), once the
    pressure behind is under (2 / (k + 1))^(k / (k - 1)) = 0.528 of that before; over it, A c sqrt(2 / (k - 1)
    (r^(2/k) - r^((k+1)/k))) with r their ratio. Textbooks of gas dynamics (from memory); 11.9 l/min for 1 mm2.
    """
    ratio = max(0.0, 1.0 - vacuum_kpa / air_kpa)
    ratio = max(ratio, (2 / (KAPPA + 1)) ** (KAPPA / (KAPPA - 1)))  # slower than sound above, choked at and below
    speed = SOUND_M_S * math.sqrt(2 / (KAPPA - 1) * (ratio ** (2 / KAPPA) - ratio ** ((KAPPA + 1) / KAPPA)))
    return float(hole_mm2 * speed * 1000 / _MM3_S_PER_L_MIN)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sealed:
    """The sealed area and what becomes of it. `mask` are its cells before anything is cut, `holed` (n moves,) the
    area of the holes through it after each move, mm2; `lost` is the first move after which the pump cannot keep up,
    NEVER when it always can. Vacuum and pressures in kPa."""

    mask: NDArray[np.bool_]
    cell_mm: float
    holed: Array
    lost: int
    first_hole: int
    leak_l_min: float  # at the end, or at the move that loses it
    vacuum_kpa: float
    air_kpa: float

    @property
    def area_mm2(self) -> float:
        """Before anything is cut."""
        return float(self.mask.sum()) * self.cell_mm**2

    def pull(self, which: NDArray[np.int64]) -> Array:
        """Sealed area after each of these moves, mm2, 0 once the vacuum is lost: times kPa, the hold of the plate."""
        return np.where(which >= self.lost, 0.0, np.maximum(self.area_mm2 - self.holed[which], 0.0))

    def own_mm2(self, cells: NDArray[np.int64]) -> float:
        """What of a piece lies over the sealed area."""
        return float(self.mask.ravel()[cells].sum()) * self.cell_mm**2


def sealed_area(setup: Setup, moves: Moves, radius_mm: Array, times: CutTimes) -> Sealed:
    """The plate inside the gasket's inner edge, and its holes: cells cut through, and moves at feed whose tip goes
    down to the bed where the cell is not, taken as holes of the whole cutter. `radius_mm` (n,) of the cutters.

    Raises ValueError when the setup does not know its hold.
    """
    if setup.hold is None:
        raise ValueError("a setup without a hold has no sealed area")
    grid = times.x0_mm, times.y0_mm, times.cell_mm
    gasket = np.array(setup.gasket)
    mask = np.zeros(times.plate.shape, dtype=np.bool_)
    fill_polygon(mask, gasket, *grid)
    mask &= times.plate & (times.severed >= 0)
    kernel.clear_band(mask, gasket, setup.gasket_width_mm / 2, *grid)
    n = len(moves.kind)
    holed = np.zeros(n)
    cut = times.severed[mask]
    np.add.at(holed, cut[cut < n], times.cell_mm**2)
    for i in _deep_places(moves, mask, times):
        holed[i] += math.pi * float(radius_mm[i]) ** 2
    holed = np.cumsum(holed)
    hold, air = setup.hold, air_pressure_kpa(setup.hold.altitude_m)
    per_mm2 = leak_l_min(1.0, hold.vacuum_kpa, air)
    too_much = np.flatnonzero(holed * per_mm2 > hold.pump_flow_l_min)
    lost = int(too_much[0]) if len(too_much) else NEVER
    holes = np.flatnonzero(holed > 0)
    return Sealed(
        mask=mask,
        cell_mm=times.cell_mm,
        holed=holed,
        lost=lost,
        first_hole=int(holes[0]) if len(holes) else NEVER,
        leak_l_min=float(holed[min(lost, n - 1)] * per_mm2) if n else 0.0,
        vacuum_kpa=hold.vacuum_kpa,
        air_kpa=air,
    )


def _deep_places(moves: Moves, mask: NDArray[np.bool_], times: CutTimes) -> NDArray[np.int64]:
    """The first move at feed to the bed in every sealed cell that is not cut through as a whole, program order."""
    low = np.minimum(moves.start[:, 2], moves.end[:, 2])
    which = np.flatnonzero((low <= EPS_MM) & (moves.kind != RAPID))
    if len(which) == 0:
        return which
    where = np.where((moves.end[which, 2] <= EPS_MM)[:, None], moves.end[which, :2], moves.start[which, :2])
    col = np.rint((where[:, 0] - times.x0_mm) / times.cell_mm).astype(np.int64)
    row = np.rint((where[:, 1] - times.y0_mm) / times.cell_mm).astype(np.int64)
    n_rows, n_cols = mask.shape
    on = (row >= 0) & (row < n_rows) & (col >= 0) & (col < n_cols)
    on[on] = mask[row[on], col[on]] & (times.severed[row[on], col[on]] == NEVER)
    _, first = np.unique(row[on] * n_cols + col[on], return_index=True)
    return np.sort(which[on][first])
