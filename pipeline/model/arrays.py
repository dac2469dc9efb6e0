"""Frozen arrays: checked once in a constructor, then trusted."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]


def frozen(values: Any, *, columns: int, name: str, least: int = 0) -> Float:
    """A read-only, C-ordered, finite float64 array of shape (n >= least, columns). Raises ValueError otherwise."""
    array = np.array(values, dtype=np.float64, order="C")
    if array.size == 0:
        array = array.reshape(0, columns)
    if array.ndim != 2 or array.shape[1] != columns or array.shape[0] < least:
        raise ValueError(f"{name}: found shape {array.shape}, wanted (n >= {least}, {columns})")
    if not np.isfinite(array).all():
        raise ValueError(f"{name}: holds a value that is not finite")
    array.setflags(write=False)
    return array
