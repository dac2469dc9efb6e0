"""The few exceptions: bad input, cannot plan, our bug. Everything else is a finding, collected, never raised."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any


class BilletwrightError(Exception):
    """Base of everything this project raises on purpose."""


class BadInput(BilletwrightError):
    """The job or the shop data cannot be used. Carries every finding at once; the command exits with 2."""

    def __init__(self, findings: Iterable[Any]):
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))


class PlanError(BilletwrightError):
    """One thing cannot be planned: says where, what was found, what was wanted and what to do."""

    def __init__(self, *, where: str, found: str, wanted: str = "", hint: str = "", code: str = "O401"):
        self.where, self.found, self.wanted, self.hint, self.code = where, found, wanted, hint, code
        super().__init__(f"{where}: found {found}; wanted {wanted}; {hint}")


class Bug(BilletwrightError):
    """A promise inside the program was broken. Not the user's fault; the command exits with 3."""
