"""The modal state of a machine while it runs a program, and how programmed numbers become tip positions.

Positions here are of the true cutter tip in the work frame (G54 = bed frame = setup frame), mm. A programmed absolute
number means `number * unit + shift`; `shift` holds the work system's origin, the G92 offset and, in Z, the length
offset in force minus the true length of the cutter in the spindle. A wrong length offset therefore moves the tip.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.model.shop import Crib, Machine
from pipeline.verify.compensation import Compensation
from pipeline.verify.cycles import Sticky

SYSTEMS = (540, 550, 560, 570, 580, 590, 591, 592, 593)


@dataclass(slots=True)
class State:
    """Everything that one line leaves for the next. `retracted`: Z was last set in machine coordinates."""

    machine: Machine
    crib: Crib
    tip: list[float]
    shift: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    known: list[bool] = field(default_factory=lambda: [False, False, False])
    retracted: bool = False
    tool: int = 0
    selected: int | None = None
    length_mm: float = 0.0  # of the cutter in the spindle
    offset_mm: float = 0.0  # length offset in force
    offset_tool: int = 0  # the cutter that offset belongs to, 0 for none
    system: int = 540
    origin: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])  # of the system in force
    origins: dict[int, list[float]] = field(default_factory=lambda: {540: [0.0, 0.0, 0.0]})
    g92: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    g92_kept: list[float] | None = None
    unit_mm: float = 1.0
    units: str = ""
    absolute: bool = True
    inverse_time: bool = False
    plane: int = 170
    path: int = 0
    to_start: bool = True  # G98
    motion: int | None = None
    cycle: Sticky = field(default_factory=Sticky)
    compensation: Compensation = field(default_factory=Compensation)
    feed: float = 0.0  # mm/min, or 1/min under G93
    rpm: float = 0.0
    spindle: int = 0
    mist: bool = False
    flood: bool = False
    ended: bool = False

    @property
    def known_z(self) -> bool:
        """True while the length offset of the cutter in the spindle is in force."""
        return self.tool > 0 and self.offset_tool == self.tool

    def refresh(self) -> None:
        """Work `shift` out anew after a change of system, G92, length offset or cutter."""
        self.shift = [self.origin[i] + self.g92[i] for i in range(3)]
        self.shift[2] += self.offset_mm - self.length_mm

    def programmed(self) -> tuple[float, float, float]:
        """Where the text is, mm: the tip, or the point on the contour that a compensated cutter runs beside."""
        x, y = self.compensation.at or (self.tip[0], self.tip[1])
        return x, y, self.tip[2]

    def machine_tip(self, axis: int, machine_mm: float) -> float:
        """Tip coordinate when the axis stands at `machine_mm` in the machine frame."""
        return machine_mm - self.machine.bed_origin_mm[axis] - (self.length_mm if axis == 2 else 0.0)

    def swap(self, tool: int) -> None:
        """Put cutter `tool` in the spindle. The axes stay; the tip moves by the difference in length."""
        lengths = {cutter.number: cutter.stickout_mm for cutter in self.crib.cutters}
        new = lengths.get(tool, 0.0)
        self.tip[2] += self.length_mm - new
        self.tool, self.length_mm, self.selected, self.spindle = tool, new, None, 0
        self.refresh()

    def offset_by_number(self, number: int) -> tuple[int, float] | None:
        """(cutter, its length) whose offset stands under H `number`; (0, 0) for H0; None for an empty entry."""
        if number == 0:
            return 0, 0.0
        numbers = self.machine.dialect.length_offsets
        for cutter in self.crib.cutters:
            if numbers.get(cutter.number, cutter.number) == number:
                return cutter.number, cutter.stickout_mm
        return None


def start_state(machine: Machine, crib: Crib) -> State:
    """The machine before the first line. Where it stands is not known; it is taken to stand at the top of Z and in
    the middle of X and Y, without a cutter, everything off, in the dialect's units until the text says otherwise."""
    low, high, bed = machine.travel_low_mm, machine.travel_high_mm, machine.bed_origin_mm
    tip = [(low[0] + high[0]) / 2 - bed[0], (low[1] + high[1]) / 2 - bed[1], high[2] - bed[2]]
    return State(machine, crib, tip, unit_mm=25.4 if machine.dialect.units == "in" else 1.0)
