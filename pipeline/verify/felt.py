"""What each move met in the simulated stock: the figures that forces, depths and chips are worked out from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Felt:
    """Arrays (n moves,), program order.

    *Engaged* is the arc of the cutter's circle that stands in stock, rad, 0 to 2 pi, seen from above at the height
    of the tip. Its peak comes from points on the circle, its mean from the area taken. `arc_x`, `arc_y` is the mean
    direction from the cutter's axis to the engaged points, plan, not normalised: its length is near 1 for a narrow arc,
    0 for a whole circle.
    """

    length_mm: Array  # along the path
    cut_mm: Array  # of it in stock
    removed_mm3: Array
    deep_mm: Array  # greatest fall of the stock at any point
    axial_mm: Array  # greatest height of stock over the tip along the cutter's edge: the axial depth of cut
    engaged_mean_rad: Array
    engaged_peak_rad: Array
    width_mean_mm: Array  # mean radial width of cut: volume over length and axial depth
    arc_x: Array
    arc_y: Array
    over_flutes_mm: Array
