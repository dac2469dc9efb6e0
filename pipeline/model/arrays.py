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


def product(a: Float, b: Float) -> Float:
    """Matrix product of (n, k) and (k, m) for small k, by plain products and sums in a fixed order.

    The `@` of a fast library may round the last bit otherwise on another processor; where two choices tie, that bit
    would decide, and one job would give two programs.
    """
    total: Float = a[:, 0, None] * b[None, 0, :]
    for i in range(1, a.shape[1]):
        total = total + a[:, i, None] * b[None, i, :]
    return total
