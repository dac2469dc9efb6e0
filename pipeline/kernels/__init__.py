"""Compiled loops on plain arrays. See DEVELOPERS.md for who may use which."""

import contextlib
import ctypes

# Dropped arrays of a quarter megabyte and more go back to the system at once. The C library would keep ever larger
# ones in its heap, and a verification of a large plate would need more memory than it uses.
_MMAP_THRESHOLD = -3  # M_MMAP_THRESHOLD of glibc's mallopt(3)
with contextlib.suppress(OSError, AttributeError):
    ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, 1 << 18)
