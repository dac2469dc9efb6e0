"""Small pictures of few colours as PNG (ISO/IEC 15948), with nothing but the standard library."""

from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

MOST_COLOURS = 16


def png(cells: NDArray[np.uint8], colours: Sequence[tuple[int, int, int]], *, clear: int) -> bytes:
    """A picture of `cells` (rows, columns), the first row on top; each cell is an index into `colours` (red, green,
    blue), at most 16. The colour `clear` is not painted. Two cells share a byte: clause 7.2, colour type 3, depth 4."""
    rows, columns = cells.shape
    padded = np.zeros((rows, columns + columns % 2), dtype=np.uint8)
    padded[:, :columns] = cells
    packed = padded[:, ::2] << 4 | padded[:, 1::2]
    plain = np.hstack([np.zeros((rows, 1), dtype=np.uint8), packed])  # filter 0 before each row
    palette = b"".join(bytes(colour) for colour in colours)
    seen = bytes(0 if k == clear else 255 for k in range(len(colours)))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        _chunk(name, data)
        for name, data in (
            (b"IHDR", struct.pack(">IIBBBBB", columns, rows, 4, 3, 0, 0, 0)),
            (b"PLTE", palette),
            (b"tRNS", seen),
            (b"IDAT", zlib.compress(plain.tobytes(), 9)),
            (b"IEND", b""),
        )
    )


def data_uri(picture: bytes) -> str:
    """A PNG as an address that needs nothing from elsewhere."""
    return "data:image/png;base64," + base64.b64encode(picture).decode("ascii")


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
