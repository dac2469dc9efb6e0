"""STAGE verify: a program's text, cut by simulation and judged. `check_program(text, ...) -> Verdict`.

Shares nothing with the code that makes programs but the text; see judge.py for what is checked and what is not. Beside
it `check_nest(nest, ...) -> NestCheck` measures a nest, and shares nothing with the code that makes nests.
"""

from __future__ import annotations

from typing import Any

__all__ = ["check_nest", "check_program"]


def __getattr__(name: str) -> Any:
    # Loaded on first use: compiled kernels must not slow down the reading of a job.
    if name == "check_program":
        from pipeline.verify.judge import check_program

        return check_program
    if name == "check_nest":
        from pipeline.verify.nest_check import check_nest

        return check_nest
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
