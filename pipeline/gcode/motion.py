"""From toolpath rows to motion lines. Knows where the control believes the tool is, to the last digit.

Every motion line carries its G word. Unchanged X, Y, Z and F are left out, except on arc lines, which always carry
X Y I J. A rapid that changes height and place is written as two lines: up before across, across before down.

Rapids and holes are under exact path (G61): at rapid speed a blended corner can be millimetres off where a control's
G64 has no tolerance. The machine's own path word stands from a pass's first feed to its lift. Either word is written on
the motion line where it changes.
"""

from __future__ import annotations

import math

from pipeline.errors import Bug, PlanError
from pipeline.gcode.arcs import SAME_MM, Piece, Point, check_written, chord_angle_rad, is_straight, split
from pipeline.gcode.comments import Lines
from pipeline.gcode.words import Format
from pipeline.model.shop import Dialect
from pipeline.model.toolpath import ARC_CCW, ARC_CW, LINE, RAPID, HolePass, PathPass

EXACT = "G61"
CANNED = {"drill": "G81", "peck": "G83", "chip break": "G73"}


class Cursor:
    """Writes passes to `lines`. Positions in the setup frame; unknown until the first move of a section says them."""

    def __init__(self, lines: Lines, *, form: Format, dialect: Dialect, clearance_mm: float):
        self._lines = lines
        self._form = form
        self._dialect = dialect
        self._clearance = clearance_mm
        self._at: list[int | None] = [None, None, None]  # counts
        self._meant = [math.nan] * 3  # the same place before rounding, mm; nan where only counts are known
        self._feed = ""
        self._path_word = EXACT

    def forget(self) -> None:
        """The operator or a tool change may have moved the machine: say everything again. The caller states the modes,
        with EXACT among them."""
        self._path_word = EXACT
        self._at = [None, None, None]
        self._meant = [math.nan] * 3
        self._feed = ""

    def restate_feed(self) -> None:
        """Write F again on the next cutting move, changed or not."""
        self._feed = ""

    def over(self, x_mm: float, y_mm: float) -> None:
        """Rapid in X and Y alone, at the height of the machine's own safe retract."""
        if self._at[2] is not None:
            raise Bug("the first move of a section comes after the safe retract, with Z unknown")
        self._at[0], self._at[1] = self._form.counts(x_mm), self._form.counts(y_mm)
        self._lines.add(f"G0 X{self._form.length(x_mm)} Y{self._form.length(y_mm)}")

    def down_to_safe(self, z_mm: float, *, offset: int) -> None:
        """The length offset together with the first Z of a section."""
        if z_mm < self._clearance:
            raise Bug("the safe height lies under the clearance height")
        self._at[2] = self._form.counts(z_mm)
        self._lines.add(f"G0 G43 H{offset} Z{self._form.length(z_mm)}")

    def up_to_safe(self, z_mm: float) -> None:
        """Lift to the height between sections."""
        self._at[2] = self._form.counts(z_mm)
        self._move(f"G0 Z{self._form.length(z_mm)}", EXACT)

    def path(self, path: PathPass) -> None:
        """Write one pass. Raises Bug when it does not start and end with a rapid at the clearance height."""
        rows = path.moves
        floor = self._form.counts(self._clearance)
        for row in (rows[0], rows[-1]):
            if row[0] != RAPID or self._form.counts(row[3]) < floor:
                raise Bug(f"{path.id}: a pass starts and ends with a rapid at the clearance height")
        before: Point | None = None
        for kind, x, y, z, cx, cy, feed in rows.tolist():
            end: Point = (x, y, z)
            if kind == RAPID:
                self._rapid(end, path.id)
            elif not feed > 0:
                raise Bug(f"{path.id}: a cutting move without a feed")
            elif kind == LINE:
                self._line(end, feed)
            elif kind in (ARC_CW, ARC_CCW) and before is not None:
                self._arc(before, end, (cx, cy), ccw=kind == ARC_CCW, feed=feed)
            else:
                raise Bug(f"{path.id}: move kind {kind}")
            before = end

    def hole(self, hole: HolePass) -> None:
        """Write one hole, by a canned cycle where the machine has it, else move by move with the same bottoms."""
        form = self._form
        retract, bottom = form.counts(hole.retract_z_mm), form.counts(hole.bottom_z_mm)
        peck = form.counts(hole.peck_mm) if hole.cycle != "drill" else 0
        if not bottom < retract <= form.counts(self._clearance):
            raise Bug(f"{hole.id}: wanted bottom under retract plane under clearance height")
        if hole.peck_mm < 0 or (hole.cycle != "drill" and hole.peck_mm > 0 and peck == 0):
            raise Bug(f"{hole.id}: a peck of {hole.peck_mm} mm rounds to nothing")
        if not hole.feed_mm_min > 0:
            raise Bug(f"{hole.id}: a cutting move without a feed")
        over: Point = (hole.x_mm, hole.y_mm, self._clearance)
        self._rapid(over, hole.id)
        code = CANNED[hole.cycle] if peck else "G81"
        if code in self._dialect.canned_cycles:
            self._canned(code, hole, retract=retract, bottom=bottom, peck=peck)
        else:
            self._expanded(code, hole, retract=retract, bottom=bottom, peck=peck)
        self._rapid(over, hole.id)

    def _canned(self, code: str, hole: HolePass, *, retract: int, bottom: int, peck: int) -> None:
        text = self._form.text
        if code == "G83":
            # Under G98 a peck clears to the height it started from: start at the R plane, or every peck climbs to the
            # clearance height. Old level and R plane are then one height and no control can read it differently.
            self._height(retract)
        words = [f"X{self._form.length(hole.x_mm)}", f"Y{self._form.length(hole.y_mm)}", f"Z{text(bottom)}"]
        words.append(f"R{text(retract)}")
        if peck:
            words.append(f"Q{text(peck)}")
        self._move(f"G98 {code} {' '.join(words)} F{self._form.feed(hole.feed_mm_min)}", EXACT)
        self._lines.add("G80")
        self.restate_feed()

    def _expanded(self, code: str, hole: HolePass, *, retract: int, bottom: int, peck: int) -> None:
        """Bottoms count from the R plane by the peck, as in the cycle (NISTIR 6556, 3.5.16)."""
        backoff = self._form.counts(self._dialect.peck_backoff_mm)
        if peck and backoff <= 0:
            raise PlanError(
                where="machine dialect, peck_backoff_mm",
                found=f"{self._dialect.peck_backoff_mm} mm",
                wanted="a height above the last bottom",
                hint="a rapid would run onto the bottom of the hole",
            )
        self._height(retract)
        reached = retract
        while reached > bottom:
            target = max(bottom, reached - peck) if peck else bottom
            self._plunge(target, hole.feed_mm_min)
            reached = target
            if reached > bottom:
                if code == "G83":
                    self._height(retract)
                self._height(min(retract, reached + backoff))

    def _rapid(self, end: Point, where: str) -> None:
        counts = self._targets(end)
        z = self._at[2]
        if z is None:
            raise Bug(f"{where}: a pass before the section's first Z")
        if counts[2] > z:
            self._height(counts[2])
        across = [f"{axis}{self._form.text(counts[k])}" for k, axis in enumerate("XY") if counts[k] != self._at[k]]
        if across:
            if max(z, counts[2]) < self._form.counts(self._clearance):
                raise Bug(f"{where}: a sideways rapid below the clearance height")
            self._at[0], self._at[1] = counts[0], counts[1]
            self._move("G0 " + " ".join(across), EXACT)
        self._height(counts[2])
        self._meant = list(end)

    def _targets(self, end: Point) -> list[int]:
        """Where a straight move ends, in counts. An axis that was not meant to move keeps its count: after an arc line
        the coarser rounding would otherwise shift it, and a lift would become a sideways rapid."""
        targets = []
        for at, meant, value in zip(self._at, self._meant, end, strict=True):
            stays = at is not None and abs(value - meant) <= SAME_MM
            targets.append(at if stays and at is not None else self._form.counts(value))
        return targets

    def _height(self, z: int) -> None:
        if z != self._at[2]:
            self._at[2], self._meant[2] = z, math.nan
            self._move(f"G0 Z{self._form.text(z)}", EXACT)

    def _plunge(self, z: int, feed: float) -> None:
        self._at[2], self._meant[2] = z, math.nan
        self._move(f"G1 Z{self._form.text(z)}{self._feed_word(feed)}", EXACT)

    def _line(self, end: Point, feed: float) -> None:
        counts = self._targets(end)
        self._meant = list(end)
        words = [f"{axis}{self._form.text(counts[k])}" for k, axis in enumerate("XYZ") if counts[k] != self._at[k]]
        if words:
            self._at = list(counts)
            self._move(f"G1 {' '.join(words)}{self._feed_word(feed)}", self._dialect.path_word)

    def _arc(self, start: Point, end: Point, centre: tuple[float, float], *, ccw: bool, feed: float) -> None:
        is_helix = self._form.counts(start[2], arc=True) != self._form.counts(end[2], arc=True)
        if not self._dialect.arcs or (is_helix and not self._dialect.helices):
            radius = math.hypot(start[0] - centre[0], start[1] - centre[1])
            longest = chord_angle_rad(radius, self._dialect.chord_mm)
            for piece in split(start, end, centre, ccw=ccw, longest_rad=longest):
                self._line(piece.end, feed)
            return
        longest = min(self._dialect.longest_arc_rad, math.pi)
        if not longest > 0:
            raise Bug("the dialect's longest arc has no length")
        for piece in split(start, end, centre, ccw=ccw, longest_rad=longest):
            if is_straight(piece, centre, resolution_mm=self._form.resolution_mm):
                self._line(piece.end, feed)
            else:
                self._arc_line(piece, centre, ccw=ccw, is_helix=is_helix, feed=feed)

    def _arc_line(self, piece: Piece, centre: tuple[float, float], *, ccw: bool, is_helix: bool, feed: float) -> None:
        x0, y0, z0 = self._at
        if x0 is None or y0 is None or z0 is None:
            raise Bug("an arc from an unknown place")
        text = self._form.text
        x, y, z = (self._form.counts(v, arc=True) for v in piece.end)
        # From the rounded start, so that the control's centre is the rounded centre whatever the start lost.
        i, j = self._form.counts(centre[0], arc=True) - x0, self._form.counts(centre[1], arc=True) - y0
        check_written((i, j), (x - x0, y - y0), ccw=ccw, sweep_rad=piece.sweep_rad, form=self._form)
        words = f"X{text(x, arc=True)} Y{text(y, arc=True)}"
        if is_helix:
            words += f" Z{text(z, arc=True)}"
        else:
            z = z0  # a flat arc stays at the height the straight move before it was rounded to
        self._at, self._meant = [x, y, z], list(piece.end)
        words += f" I{text(i, arc=True)} J{text(j, arc=True)}"
        self._move(f"{'G3' if ccw else 'G2'} {words}{self._feed_word(feed)}", self._dialect.path_word)

    def _move(self, words: str, path_word: str) -> None:
        """A motion line, with the path word where it changes."""
        changes = path_word != self._path_word
        self._path_word = path_word
        self._lines.add(f"{path_word} {words}" if changes else words)

    def _feed_word(self, feed: float) -> str:
        text = self._form.feed(feed)
        if text == self._feed:
            return ""
        self._feed = text
        return f" F{text}"
