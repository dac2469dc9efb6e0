"""How cutters go in, and how they travel: entries that break cutters though the shape they leave is right.

Words: an *entry* is a feed move that goes down; a *stroke* is what a drill feeds down before it comes up again. The
stock field shows the shape at the end; these checks look at the way there.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from pipeline.model.setup import Setup
from pipeline.model.shop import CutterKind, Machine
from pipeline.model.units import EPS_MM
from pipeline.verify.faults import Fault
from pipeline.verify.motion_time import path_lengths_in_plan
from pipeline.verify.reading import RAPID, Moves, Reading, spindle_starts
from pipeline.verify.removal import CONTACT_MM, Removal
from pipeline.verify.target import Target
from pipeline.verify.tools import ToolTable

RAMP_LIMIT = 1.2  # times the crib's ramp angle; the rounding of short ramps stays under it
STROKE_LIMIT = 1.5  # times the crib's peck
# Stock under the whole end of a mill that is taken for noise of the field: going down beside a wall just cut touches
# single cells of it.
_END_NOISE_MM = 0.01
_TEXT_MM = 0.002  # a fall that may be the rounding of the text
_LIFT_MM = 0.02  # a drill that comes up by less has not been lifted
_RUN_MM = 0.05  # mills' falls are looked at over at least this, so that small steps hide none
_MILLS = (CutterKind.FLAT, CutterKind.BALL)
_DRILLS = (CutterKind.DRILL, CutterKind.SPOT)


def check_entries(
    reading: Reading, *, setup: Setup, removal: Removal, target: Target, tools: ToolTable, machine: Machine,
    seconds: NDArray[np.float64],
) -> list[Fault]:  # fmt: skip
    """Steep entries of mills, drills moved sideways, long strokes, rapids that may dog-leg, a spindle not yet up to
    speed. `seconds` (n moves,) is the time of each move."""
    judge = _Entries(reading.moves, setup, removal, target, tools)
    return [
        *judge.steep(), *judge.sideways(), *judge.strokes(), *judge.low_rapids(),
        *judge.spin_up(reading, machine.dialect.spin_up_s, seconds),
    ]  # fmt: skip


class _Entries:
    def __init__(
        self, moves: Moves, setup: Setup, removal: Removal, target: Target, tools: ToolTable
    ) -> None:
        self.moves, self.setup, self.removal, self.target, self.tools = moves, setup, removal, target, tools
        self.row = tools.rows(moves.tool)
        self.volume, self.deep = removal.felt.removed_mm3, removal.felt.deep_mm

    def _cutting(self, kinds: tuple[CutterKind, ...]) -> NDArray[np.intp]:
        """Feed moves of these cutters that cut."""
        return np.flatnonzero(
            (self.deep > CONTACT_MM) & (self.moves.kind != RAPID) & self.tools.of_kinds(kinds, self.row)
        )

    def _fall(self, rows: NDArray[np.intp]) -> NDArray[np.float64]:
        return np.asarray(self.moves.start[rows, 2] - self.moves.end[rows, 2], dtype=np.float64)

    def _fault(self, i: int, code: str, amount: float, found: str, wanted: str, hint: str = "") -> Fault:
        x, y, z = (float(v) for v in self.moves.end[i])
        return Fault(
            code=code, part_id=self.target.part_at(x, y, self.setup.parts),
            cutter=int(self.moves.tool[i]), line=int(self.moves.line[i]), at_mm=(x, y, z), amount_mm=amount,
            found=found, wanted=wanted, hint=hint,
        )  # fmt: skip

    def steep(self) -> list[Fault]:
        """Mills that go down into stock at more than the crib's ramp angle. A crib that names none is not asked."""
        out = []
        down = self.moves.start[:, 2] > self.moves.end[:, 2]
        where = self._cutting(_MILLS)
        where = where[down[where]]
        steepest = RAMP_LIMIT * self.tools.of_rows(lambda c: math.tan(c.ramp_angle_rad), self.row[where])
        where, steepest = where[steepest > 0], steepest[steepest > 0]
        end_mm2 = self.tools.of_rows(lambda c: math.pi / 4 * c.diameter_mm**2, self.row[where])
        falls, plans, volumes = self._fall(where), path_lengths_in_plan(self.moves, where), self.volume[where]
        # Each move by itself too: one steep step must not hide in the gentle ramp before it.
        steep = falls > steepest * plans + _TEXT_MM
        alone = [slice(k, k + 1) for k in np.flatnonzero(steep).tolist()]
        for run in [*self._runs(where, falls), *alone]:
            k = run.stop - 1
            fall, plan, volume = (float(v[run].sum()) for v in (falls, plans, volumes))
            if volume <= _END_NOISE_MM * end_mm2[k] or fall <= steepest[k] * plan + _TEXT_MM:
                continue
            angle = math.degrees(math.atan2(fall, plan))
            out.append(self._fault(int(where[k]), "V665", fall, f"a way down into stock of {angle:.1f} degrees",
                                   f"at most {math.degrees(math.atan(steepest[k])):.1f} degrees for this mill",
                                   "ramp or helix down, or start in a hole"))  # fmt: skip
        return out

    def _runs(self, where: NDArray[np.intp], fall: NDArray[np.float64]) -> list[slice]:
        """Runs of moves that follow one another with one cutter, each of about _RUN_MM of fall or of one move."""
        tool = self.moves.tool[where]
        new = np.ones(len(where), dtype=np.bool_)
        new[1:] = (np.diff(where) != 1) | (np.diff(tool) != 0)
        deep = np.concatenate([[0.0], np.cumsum(fall)])
        edges, starts = [], np.append(np.flatnonzero(new), len(where))
        for a, b in itertools.pairwise(starts.tolist()):
            while a < b:
                end = min(b, max(a + 1, int(np.searchsorted(deep, deep[a] + _RUN_MM, side="left"))))
                edges.append(slice(a, end))
                a = end
        return edges

    def sideways(self) -> list[Fault]:
        """Drills and spot drills that feed sideways in stock."""
        where = self._cutting(_DRILLS)
        plan = path_lengths_in_plan(self.moves, where)
        return [
            self._fault(i, "V665", float(self.deep[i]), f"a drill fed sideways {mm:.3f} mm in stock",
                        "drills fed along their axis only")
            for i, mm in zip(where.tolist(), plan.tolist(), strict=True)
            if mm > _TEXT_MM
        ]  # fmt: skip

    def strokes(self) -> list[Fault]:
        """Drills that cut more in one stroke than the crib's peck allows: chips pack and the drill breaks."""
        moves, out = self.moves, []
        depth = 0.0
        drills = np.flatnonzero(self.tools.of_kinds((CutterKind.DRILL,), self.row))
        for i, fall in zip(drills.tolist(), self._fall(drills).tolist(), strict=True):
            cutter = self.tools.cutters[self.row[i]]
            if -fall > _LIFT_MM:
                depth = 0.0
            if moves.kind[i] == RAPID or fall <= 0:  # one that goes nowhere clears no chips
                continue
            before, depth = depth, depth + float(self.deep[i])
            limit = STROKE_LIMIT * cutter.peck_mm
            if 0 < limit < depth and before <= limit:
                out.append(self._fault(i, "V664", depth, f"a drill fed {depth:.3f} mm deep in one stroke",
                                       f"at most {limit:.3f} mm before it comes up"))  # fmt: skip
        return out

    def low_rapids(self) -> list[Fault]:
        """Rapids with sideways motion below the billet's top and over it: a control that moves the axes one by one
        leaves the straight line, and stock or part may be beside it."""
        moves, top = self.moves, self.setup.z.top_high_mm - EPS_MM
        where = np.flatnonzero((moves.kind == RAPID) & (np.minimum(moves.start[:, 2], moves.end[:, 2]) < top))
        where = where[path_lengths_in_plan(moves, where) > EPS_MM]
        low = np.minimum(moves.start[where], moves.end[where])
        high = np.maximum(moves.start[where], moves.end[where])
        edge_low, edge_high = self.setup.billet.min(axis=0), self.setup.billet.max(axis=0)
        radius = np.append(self.tools.radius, 0.0)[self.row[where]][:, None]
        bad = ((low[:, :2] - radius < edge_high) & (high[:, :2] + radius > edge_low)).all(axis=1)
        return [
            self._fault(i, "V668", top - z, f"a rapid sideways {top - z:.3f} mm below the top of the billet",
                        "rapids sideways above the billet only", "straight up first, then across")
            for i, z in zip(where[bad].tolist(), low[bad, 2].tolist(), strict=True)
        ]  # fmt: skip

    def spin_up(self, reading: Reading, wanted_s: float, seconds: NDArray[np.float64]) -> list[Fault]:
        """First cuts sooner after the spindle's start than it needs to come up to speed."""
        moves, out = self.moves, []
        cuts = np.flatnonzero((self.deep > CONTACT_MM) & (moves.spindle != 0) & (moves.kind != RAPID))
        for i, end in itertools.pairwise([*spindle_starts(reading), len(moves.kind)]):
            k = int(cuts[np.searchsorted(cuts, i)]) if len(cuts) and cuts[-1] >= i else -1
            if not 0 <= k < end:
                continue
            after = int(moves.line[i - 1]) if i else 0
            waited = float(seconds[i:k].sum())
            waited += sum(s for line, s in reading.dwell_s.items() if after < line <= moves.line[k])
            if waited < wanted_s - EPS_MM:
                out.append(self._fault(k, "V667", wanted_s - waited,
                                       f"a cut {waited:.2f} s after the start of the spindle",
                                       f"{wanted_s:g} s to come up to speed", "a dwell G4 after M3"))  # fmt: skip
        return out
