"""Digests: equal values agree in another process with another hash seed; different values differ."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from pipeline.model.digests import digest


@dataclass(frozen=True)
class Thing:
    name: str
    values: np.ndarray
    words: frozenset[str] = frozenset({"G81", "G83", "G82"})


def test_equal_values_and_changed_values():
    one, two = Thing("a", np.arange(3.0)), Thing("a", np.arange(3.0))
    assert digest(one) == digest(two)
    assert digest(one) != digest(Thing("a", np.array([0, 1, 2.0000001])))
    assert digest({"a": 1, "b": 2}) == digest({"b": 2, "a": 1})
    assert digest((1, 2)) != digest((12,))
    assert digest(1) != digest(1.0) != digest("1.0")


def test_the_same_in_another_process():
    code = (
        "from pipeline.model.digests import digest; print(digest({'a': frozenset('xyzuvw'), 'b': (1.5, None, b'z')}))"
    )
    seen = {
        subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            check=True,
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": "."},
            cwd=Path(__file__).parents[3],
        ).stdout
        for seed in ("1", "2")
    }
    assert seen == {digest({"a": frozenset("xyzuvw"), "b": (1.5, None, b"z")}) + "\n"}


def test_paths_and_strangers_are_refused():
    for stranger in (Path("x"), object()):
        with pytest.raises(TypeError):
            digest(stranger)
