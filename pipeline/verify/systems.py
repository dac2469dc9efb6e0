"""Where zero is: length offsets, work systems, G10 and the G92 family, with the parameters that hold them.

Rules: NISTIR 6556 (2000), sections 3.5.5, 3.5.11, 3.5.13, 3.5.18 and table 2. An origin that the program puts into the
parameters counts from the next time its system is selected on.
"""

from __future__ import annotations

from collections.abc import Callable

from pipeline.verify.expressions import Parameters, TextFault, whole
from pipeline.verify.lexer import g_name
from pipeline.verify.state import SYSTEMS, State

_FIRST_OF_G92, _SYSTEM_IN_FORCE, _FIRST_ORIGIN, _PER_SYSTEM = 5211, 5220, 5221, 20


class Systems:
    """Changes what a programmed number means. `find` takes a finding."""

    def __init__(self, state: State, parameters: Parameters, find: Callable[..., None]) -> None:
        self._state, self._parameters, self._find = state, parameters, find

    def length_offset(self, code: int, words: dict[str, float]) -> None:
        """G43 and G49. Raises TextFault."""
        state = self._state
        if code == 490:
            state.offset_mm, state.offset_tool = 0.0, 0
        else:
            if "H" not in words:
                raise TextFault("V610", "G43 without H", "G43 H...")
            number = whole(words["H"], "H")
            entry = state.offset_by_number(number)
            if entry is None:
                self._find("V624", f"G43 H{number}, an empty length offset", "the H of the cutter in the spindle")
                entry = (0, 0.0)
            elif entry[0] != state.tool or not state.tool:
                length = f"the length of T{entry[0]}" if entry[0] else "no length"
                cutter = f"T{state.tool}" if state.tool else "no known cutter"
                self._find("V624", f"G43 H{number}, {length}, with {cutter} in the spindle",
                           "the H of the cutter in the spindle")
            state.offset_tool, state.offset_mm = entry
        state.refresh()

    def select(self, code: int) -> None:
        """G54 to G59.3."""
        state = self._state
        if code not in state.origins:
            self._find("V625", f"{g_name(code)}, whose origin is not known", "G54")
        state.system, state.origin = code, list(state.origins.get(code, [0.0, 0.0, 0.0]))
        self._parameters.set(_SYSTEM_IN_FORCE, float(SYSTEMS.index(code) + 1))
        state.refresh()

    def set_origin(self, words: dict[str, float]) -> None:
        """G10. Raises TextFault."""
        state = self._state
        number = whole(words.get("P", 0.0), "P")
        if whole(words.get("L", 0.0), "L") != 2 or not 1 <= number <= len(SYSTEMS):
            raise TextFault("V617", "G10 other than L2 P1 to P9", "origins set by the shop, not by the program")
        code = SYSTEMS[number - 1]
        for axis, letter in enumerate("XYZ"):
            if letter in words:
                self._parameters.set(_FIRST_ORIGIN + _PER_SYSTEM * (number - 1) + axis, words[letter])
                self._place(code, axis, words[letter])
        if code == state.system:
            state.origin = list(state.origins.get(code, [0.0, 0.0, 0.0]))
        state.refresh()
        self._find("V625", f"G10, which sets the origin of system {number}", "origins set by the shop",
                   "what is checked here would depend on machine positions")

    def shift(self, code: int, words: dict[str, float]) -> None:
        """G92, G92.1, G92.2, G92.3. Raises TextFault."""
        state = self._state
        if code == 920:
            if words.keys().isdisjoint("XYZ"):
                raise TextFault("V610", "G92 without an axis word", "G92 and axis words")
            for axis, letter in enumerate("XYZ"):
                if letter in words:
                    state.g92[axis] += state.tip[axis] - words[letter] * state.unit_mm - state.shift[axis]
            self._keep_g92()
            self._find("V625", "G92, which shifts all work systems", "positions in G54",
                       "it counts from wherever the machine stands, and outlives the program")
        elif code == 923:
            if state.g92_kept is None:
                self._find("V625", "G92.3 before any G92", "offsets set by this program")
            state.g92 = list(state.g92_kept or [0.0, 0.0, 0.0])
        else:
            state.g92 = [0.0, 0.0, 0.0]
            if code == 921:
                self._keep_g92()
        state.refresh()

    def own_data(self, index: int, value: float) -> None:
        """A setting of the machine's own data: offsets for the next G92.3, an origin for the next G54 or so. Homes and
        probe results are read where they are used."""
        state = self._state
        axis = index - _FIRST_OF_G92
        if 0 <= axis < 3:
            state.g92_kept = list(state.g92_kept or [0.0, 0.0, 0.0])
            state.g92_kept[axis] = value * state.unit_mm
        system, axis = divmod(index - _FIRST_ORIGIN, _PER_SYSTEM)
        if 0 <= system < len(SYSTEMS) and axis < 3:
            self._place(SYSTEMS[system], axis, value)

    def _place(self, code: int, axis: int, machine: float) -> None:
        """Put one axis of a system's origin at `machine`, in units of the text in the machine frame."""
        state = self._state
        origin = state.origins.setdefault(code, [0.0, 0.0, 0.0])
        origin[axis] = machine * state.unit_mm - state.machine.bed_origin_mm[axis]

    def _keep_g92(self) -> None:
        state = self._state
        state.g92_kept = list(state.g92)
        for axis in range(3):
            self._parameters.set(_FIRST_OF_G92 + axis, state.g92[axis] / state.unit_mm)
