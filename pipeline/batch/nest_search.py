"""The clock and Ctrl-C for the nest's search, which itself counts in rounds."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from pipeline.model.nest import Progress

if TYPE_CHECKING:
    from pipeline.stages import Run


class NestSearch:
    """Ends the nest's search after `seconds`, or at Ctrl-C: with the best so far, which a second Ctrl-C does not wait
    for. Shows how far it is."""

    def __init__(self, seconds: float | None, *, say: Callable[[str], None]) -> None:
        self._seconds, self._say = seconds, say
        self._begin, self._is_stopped = 0.0, False

    def around(self, run_stage: Run) -> Run:
        """The same hook; during the nest the first Ctrl-C only ends the search."""

        def run(stage: str, inputs: object, compute: Callable[[], Any]) -> Any:
            if stage != "nest":
                return run_stage(stage, inputs, compute)
            self._begin = time.monotonic()
            before = signal.getsignal(signal.SIGINT)

            def end(number: int, frame: object) -> None:
                signal.signal(signal.SIGINT, before)
                self._is_stopped = True
                print("ending the nest with the best so far; Ctrl-C again stops at once", file=sys.stderr)

            signal.signal(signal.SIGINT, end)
            try:
                return run_stage(stage, inputs, compute)
            finally:
                signal.signal(signal.SIGINT, before)

        return run

    def stop(self) -> bool:
        """Asked after each round of the search."""
        is_late = self._seconds is not None and time.monotonic() - self._begin >= self._seconds
        return self._is_stopped or is_late

    def tell(self, at: Progress) -> None:
        """Hears after each round."""
        self._say(
            f"nest: round {at.rounds} of {at.of}, {at.studs} beyond the counted parts, value {at.value:g},"
            f" {100 * at.share:.1f} % of the usable area"
        )
