"""One digest for every value: same value, same text, in any process on any day."""

from __future__ import annotations

import dataclasses
import enum
import hashlib
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

import numpy as np


def digest(value: Any) -> str:
    """SHA-256 (hex) of a value built of dataclasses, enums, mappings, sequences, arrays, text, numbers and bytes.

    Mappings and sets are taken in sorted order. Raises TypeError for anything else, so that nothing slips in by name.
    """
    sink = hashlib.sha256()
    _feed(sink, value)
    return sink.hexdigest()


def _feed(sink: Any, value: Any) -> None:
    if isinstance(value, PurePath):
        raise TypeError("a path must not reach a digest: it differs between machines")
    if value is None or (isinstance(value, (bool, int, float, str)) and not isinstance(value, enum.Enum)):
        sink.update(f"{type(value).__name__}:{value!r};".encode())
    elif isinstance(value, enum.Enum):
        sink.update(f"enum:{type(value).__name__}.{value.name};".encode())
    elif isinstance(value, bytes):
        sink.update(b"bytes:%d:" % len(value) + value)
    elif isinstance(value, np.ndarray):
        sink.update(f"array:{value.dtype.str}{value.shape}:".encode() + np.ascontiguousarray(value).tobytes())
    elif isinstance(value, np.generic):
        _feed(sink, value.item())
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        sink.update(f"data:{type(value).__name__}(".encode())
        for field in dataclasses.fields(value):
            sink.update(field.name.encode() + b"=")
            _feed(sink, getattr(value, field.name))
        sink.update(b")")
    elif isinstance(value, Mapping):
        sink.update(b"map(")
        for key in sorted(value, key=str):
            _feed(sink, key)
            _feed(sink, value[key])
        sink.update(b")")
    elif isinstance(value, (set, frozenset)):
        _feed(sink, sorted(value, key=str))
    elif isinstance(value, (tuple, list)):
        sink.update(b"seq(")
        for item in value:
            _feed(sink, item)
        sink.update(b")")
    else:
        raise TypeError(f"cannot digest a {type(value).__name__}")
