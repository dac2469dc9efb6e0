"""Numbers as a control reads them. The one place that rounds.

Words: a *count* is one step of the finest decimal place the program uses (the arc lines' place), in the output unit.
Positions are kept in counts once they are written, so that what the control believes and what the writer believes are
the same whole numbers. Straight moves round to `linear_decimals`, arc lines to `arc_decimals`.

Why arcs need one place more: with end points, start and centre all rounded to k places the two radii of an arc differ
by up to 4 sqrt(2) half-units, 0.00028 in at four places and 0.0028 mm at three; a control refuses more than 0.0002 in
or 0.002 mm (NISTIR 6556, 3.5.3).
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import Bug, PlanError
from pipeline.model.shop import Dialect
from pipeline.model.units import MM_PER_INCH

LEAST_DECIMALS = {"mm": (3, 4), "in": (4, 5)}  # straight moves, arc lines
ARC_LIMIT = {"mm": 0.002, "in": 0.0002}  # |r1 - r2| in the output unit, NISTIR 6556, 3.5.3


def fixed(value: float, decimals: int) -> str:
    """A number with a fixed count of decimals: no exponent, never a negative zero."""
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """How lengths and feeds become text. mm and mm/min in, the output unit out.

    Raises ValueError for an unknown unit or arc lines coarser than straight moves. `of` also asks for enough places.
    """

    units: str
    linear_decimals: int
    arc_decimals: int
    feed_decimals: int

    def __post_init__(self) -> None:
        if self.units not in LEAST_DECIMALS:
            raise ValueError(f"found output unit {self.units!r}, wanted mm or in")
        if not 0 <= self.linear_decimals <= self.arc_decimals or self.feed_decimals < 0:
            raise ValueError("arc lines need at least as many decimals as straight moves")

    @classmethod
    def of(cls, dialect: Dialect, *, machine: str) -> Format:
        """The format a machine asks for. Raises PlanError when its arcs could be refused for rounding alone."""
        linear, arc = LEAST_DECIMALS.get(dialect.units, (0, 0))
        if not linear or dialect.linear_decimals < linear or dialect.arc_decimals < max(arc, dialect.linear_decimals):
            raise PlanError(
                where=f"machine {machine}, dialect",
                found=f"{dialect.linear_decimals} and {dialect.arc_decimals} (arc lines) decimals in {dialect.units!r}",
                wanted="at least 3 and 4 in mm, or 4 and 5 in inch, and no fewer on arc lines",
                hint="with fewer places a control may refuse an arc",
            )
        return cls(
            units=dialect.units,
            linear_decimals=dialect.linear_decimals,
            arc_decimals=dialect.arc_decimals,
            feed_decimals=dialect.feed_decimals,
        )

    @property
    def mm_per_unit(self) -> float:
        """Length of one output unit."""
        return MM_PER_INCH if self.units == "in" else 1.0

    @property
    def resolution_mm(self) -> float:
        """One step of a straight move. An arc whose chord or sagitta is under it is written as a line."""
        return self.mm_per_unit / 10**self.linear_decimals

    def counts(self, length_mm: float, *, arc: bool = False) -> int:
        """A length rounded to the places of its line, in counts."""
        decimals = self.arc_decimals if arc else self.linear_decimals
        steps: int = round(length_mm / self.mm_per_unit * 10**decimals)
        return steps * 10 ** (self.arc_decimals - decimals)

    def text(self, counts: int, *, arc: bool = False) -> str:
        """Counts as a number with the places of its line."""
        decimals = self.arc_decimals if arc else self.linear_decimals
        steps, rest = divmod(abs(counts), 10 ** (self.arc_decimals - decimals))
        if rest:
            raise Bug(f"{counts} counts do not fit {decimals} decimals")
        digits = str(steps).rjust(decimals + 1, "0")
        whole, part = digits[: len(digits) - decimals], digits[len(digits) - decimals :]
        return ("-" if counts < 0 else "") + whole + "." + part

    def mm(self, counts: int) -> float:
        """What the control will read, in mm."""
        return counts / 10**self.arc_decimals * self.mm_per_unit

    def length(self, length_mm: float) -> str:
        """A length for a comment, in the output unit, without the unit."""
        return self.text(self.counts(length_mm))

    def feed(self, feed_mm_min: float) -> str:
        """A feed word's number. Raises Bug when it rounds to nothing: the control would stop in the cut."""
        text = fixed(feed_mm_min / self.mm_per_unit, self.feed_decimals)
        if not text.strip("0."):
            raise Bug(f"a feed of {feed_mm_min} mm/min rounds to {text}")
        return text
