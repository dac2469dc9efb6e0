"""What a checked program teaches the planner: caps on passes, as a value that `stages` carries back."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Cap:
    """The feed of one pass of one operation is to be multiplied by `feed_factor`, above 0 and below 1. `reason` says
    what was too high there ("deflection", "force", "holding")."""

    operation_id: str
    pass_id: str
    feed_factor: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Feedback:
    """All caps, sorted by operation and pass; each pass at most once."""

    caps: tuple[Cap, ...] = ()

    def factor(self, operation_id: str, pass_id: str) -> float:
        """The factor for one pass, 1 when it is not capped."""
        for cap in self.caps:
            if cap.operation_id == operation_id and cap.pass_id == pass_id:
                return cap.feed_factor
        return 1.0
