"""Stages as a command runs them: timed, shown on a terminal, taken from the cache, kept to be read."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from pipeline.batch.cache import Cache
from pipeline.batch.keep import StageFolder
from pipeline.stages import Run


def stage_runner(watch: StageWatch, cache: Cache | None, keep: StageFolder | None = None) -> Run:
    """The hook that every stage is called through: timed, taken from the cache when it is there, kept to be read."""

    def run_stage(stage: str, inputs: object, compute: Callable[[], Any]) -> Any:
        with watch(stage):
            value = cache.recall(stage, inputs, compute) if cache else compute()
        if keep:
            keep.write(stage, value)
        return value

    return run_stage


class StageWatch:
    """Times each stage and, on a terminal, shows which one is running and how far it is."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.say: Callable[[str], None] = _say_nothing

    @contextmanager
    def __call__(self, name: str) -> Iterator[None]:
        begin = time.perf_counter()
        try:
            if sys.stderr.isatty():
                from rich.console import Console

                with Console(stderr=True).status(name) as shown:
                    self.say = shown.update
                    yield
            else:
                yield
        finally:
            self.say = _say_nothing
            self.seconds[name] = round(self.seconds.get(name, 0.0) + time.perf_counter() - begin, 3)


def _say_nothing(words: str) -> None:
    """Where there is no terminal."""
