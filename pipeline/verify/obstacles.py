"""What stands on the bed: clamps, stops and spacers against every stage of the tool on every move."""

from __future__ import annotations

import numpy as np

from pipeline.kernels import verify_walls
from pipeline.model.setup import Setup
from pipeline.model.units import EPS_MM
from pipeline.verify.faults import Fault
from pipeline.verify.reading import RAPID, Moves
from pipeline.verify.removal import Removal
from pipeline.verify.tools import STAGES, ToolTable

# Common practice, no source: two millimetres between anything that turns and anything clamped.
MARGIN_MM = 2.0
_CODES = {"clamp": "V655", "stop": "V656", "rigid spacer": "V656", "sacrificial spacer": "V657"}


def check_obstacles(setup: Setup, *, moves: Moves, removal: Removal, tools: ToolTable) -> list[Fault]:
    """A fault for each move that hits a block; a warning where a clamp or a stop is passed by less than the margin.

    Below a block's top counts as hitting, rapids and feeds alike; only a sacrificial spacer may be cut, at feed, down
    to its cut depth.
    """
    faults: list[Fault] = []
    owner = removal.owner
    rapid = moves.kind[owner] == RAPID
    p = removal.pieces
    lift = rapid & (p[:, 0] == p[:, 3]) & (p[:, 1] == p[:, 4]) & (p[:, 5] >= p[:, 2])
    for block in setup.blocks:
        code = _CODES.get(block.kind, "V656")
        soft = block.kind == "sacrificial spacer"
        n = len(removal.pieces)
        floor = block.height_mm - (block.cut_depth_mm if soft else 0.0)
        # At feed a sacrificial spacer ends at its cut depth; for rapids it is as high as it stands.
        for height, mask in ((block.height_mm, rapid), (floor, ~rapid)):
            # A rapid straight up out of a cut in a spacer touches nothing that the cut did not.
            row = np.where(mask & ~(lift & soft), removal.row, -1)
            gap, stage, z = np.full(n, MARGIN_MM), np.zeros(n, dtype=np.int64), np.zeros(n)
            verify_walls.obstacle_gaps(
                removal.pieces, row, tools.stage_z, tools.stage_r, np.array(block.outline), height - EPS_MM, MARGIN_MM,
                gap, stage, z,
            )  # fmt: skip
            for k in np.flatnonzero(gap < MARGIN_MM - EPS_MM):
                hit = gap[k] < 0
                if not hit and (soft or (STAGES[stage[k]] == "cutting edges" and block.kind != "clamp")):
                    continue
                i = int(owner[k])
                x, y, _ = (float(v) for v in removal.pieces[k, 3:6])
                part = f"{block.kind} {block.name}"
                name = STAGES[stage[k]]
                under = height - float(z[k])
                faults.append(
                    Fault(
                        code=code if hit else "V658",
                        severity="error" if hit else "warning",
                        part_id=part,
                        cutter=int(moves.tool[i]),
                        line=int(moves.line[i]),
                        at_mm=(x, y, float(z[k])),
                        amount_mm=under if hit else MARGIN_MM - float(gap[k]),
                        found=f"the {name} {under:.3f} mm below the top of the {block.kind}"
                        + (" at rapid" + (", axis by axis" if removal.bent[k] else "") if rapid[k] else "")
                        if hit
                        else f"the {name} passing {gap[k]:.3f} mm beside it",
                        wanted="nothing of the tool in it" if hit else f"{MARGIN_MM:.1f} mm",
                        hint="move the block, or keep the part farther from it",
                    )
                )
    return faults
