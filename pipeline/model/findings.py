"""Findings: what a check has to say. Codes are never reused for another meaning.

Ranges: J1xx job and shop text, N2xx nest, S3xx seating, Z plan and holding, O4xx operations, V6xx verification.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

from pipeline.errors import PlanError

GUESS = "did you mean"  # how a hint begins that names the word most like the one found
Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found: where, what was found, what is allowed, what to do.

    `where` is a name a machinist can say aloud (`clip-2/hole-1`, `T6, line 412`). For text files `file`, `line`
    (1-based), `column` (1-based) and `key` point at the place. `at_mm` is (x, y, z) in the setup frame.
    `amount_mm` is the size of the fault, for sorting and for pictures.
    """

    code: str
    severity: Severity = "error"
    where: str
    found: str
    wanted: str = ""
    hint: str = ""
    file: str | None = None
    line: int | None = None
    column: int | None = None
    key: str | None = None
    at_mm: tuple[float, float, float] | None = None
    amount_mm: float | None = None

    @classmethod
    def of(cls, cannot: PlanError) -> Finding:
        """What could not be planned, as a finding."""
        return cls(code=cannot.code, where=cannot.where, found=cannot.found, wanted=cannot.wanted, hint=cannot.hint)

    def data(self) -> dict[str, Any]:
        """As plain data, without what it does not have."""
        return {name: value for name, value in asdict(self).items() if value is not None and value != ""}

    def __str__(self) -> str:
        place = ""
        if self.file:
            place = (
                self.file + (f":{self.line}" if self.line else "") + (f":{self.column}" if self.column else "") + ": "
            )
        text = f"{place}{self.code} {self.severity}: {self.where}: found {self.found}"
        wanted = f"allowed: {self.wanted}" if self.wanted else ""
        rest = [self.hint, wanted] if self.hint.startswith(GUESS) else [wanted, self.hint]  # a good guess goes first
        whole = "; ".join([text, *filter(None, rest)])
        return "".join(c if c.isprintable() or c in "\n\t" else repr(c)[1:-1] for c in whole)  # no terminal is steered


def has_errors(findings: Iterable[Finding]) -> bool:
    """True when any finding is an error (a warning or a note never stops a job)."""
    return any(finding.severity == "error" for finding in findings)
