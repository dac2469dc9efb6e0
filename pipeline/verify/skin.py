"""The skin: the plate's last quarter of a millimetre, which carries the vacuum, at every moment of the program.

What may take a tip deeper than the text says is the job's budget, carried by the setup. It is stacked up straight, not
by squares: one pierced skin costs the plate (common practice of a small shop, no source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.model.job import Tolerances
from pipeline.model.setup import Setup
from pipeline.model.units import EPS_MM
from pipeline.verify.excused import near_polygon
from pipeline.verify.faults import Fault
from pipeline.verify.reading import Moves
from pipeline.verify.removal import Removal
from pipeline.verify.target import Target
from pipeline.verify.tools import ToolTable


def thinnest_so_far(setup: Setup, removal: Removal) -> NDArray[np.float64]:
    """(n moves,) the thinnest skin anywhere after each move: the running minimum of every height cut, points of drills
    included."""
    low = np.minimum.accumulate(removal.low_mm)
    return np.minimum(low, setup.z.top_high_mm, out=low)


def check_skin(
    setup: Setup, *, moves: Moves, removal: Removal, tools: ToolTable, tolerances: Tolerances,
    target: Target,
) -> tuple[list[Fault], float]:  # fmt: skip
    """A fault for every move below the skin plane, one where errors that add up may pierce what is left, and the
    thinnest skin. Moves below the skin plane beside the billet are faults too: the bed is there."""
    limit = setup.z.skin_mm - tolerances.floor_mm - EPS_MM
    low = np.minimum(moves.start[:, 2], moves.end[:, 2])
    rows = tools.rows(moves.tool)
    bad = np.flatnonzero((low < limit) & (rows >= 0))
    over, _ = near_polygon(moves.end[bad, :2], np.array(setup.billet), 0.0)
    faults = []
    for i, is_over in zip(bad.tolist(), over.tolist(), strict=True):
        x, y, z = (float(v) for v in moves.end[i])
        amount = setup.z.skin_mm - float(low[i])
        faults.append(
            Fault(
                code="V640" if removal.low_mm[i] < limit or is_over else "V663",
                part_id=target.part_at(x, y, setup.parts), cutter=int(moves.tool[i]), line=int(moves.line[i]),
                at_mm=(x, y, z), amount_mm=amount,
                found=f"the tip {amount:.3f} mm below the skin plane"
                + (f", {setup.z.skin_mm - amount:.3f} mm over the bed" if amount < setup.z.skin_mm else ", in the bed"),
                wanted=f"a skin of {setup.z.skin_mm:.3f} mm everywhere",
                hint="check the Z of this line and the length offset in force",
            )
        )  # fmt: skip
    so_far = thinnest_so_far(setup, removal)
    thinnest = float(so_far[-1]) if len(so_far) else setup.z.top_high_mm
    return faults + _stacked(setup, moves, removal, thinnest), thinnest


def _stacked(setup: Setup, moves: Moves, removal: Removal, thinnest: float) -> list[Fault]:
    errors = sum(mm for _, mm in setup.z.errors_mm)
    if thinnest > errors or not len(moves.kind) or thinnest >= setup.z.top_high_mm:
        return []
    i = int(np.argmin(removal.low_mm))
    x, y, _ = (float(v) for v in moves.end[i])
    return [
        Fault(
            code="V669", part_id="", cutter=int(moves.tool[i]), line=int(moves.line[i]), at_mm=(x, y, thinnest),
            amount_mm=errors - thinnest,
            found=f"a skin of {thinnest:.3f} mm, and errors of {errors:.3f} mm when all add up",
            wanted=f"a skin of more than {errors:.3f} mm: "
            + ", ".join(f"{name} {mm:.3f}" for name, mm in setup.z.errors_mm),
            hint="a thicker skin in the job, or a flatter plate and a finer Z check",
        )
    ]  # fmt: skip
