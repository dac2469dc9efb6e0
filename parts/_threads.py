"""Internal threads that the families offer: basic size, pitch and the limits of the minor diameter.

Source: ASME B1.1-2003, Unified Inch Screw Threads, limits of size table, class 2B; ISO 965-2, limits 6H (the minor
maxima of M2.5 and M3 from memory). The tests recompute the minima from the basic profile.
"""

from __future__ import annotations

from pipeline.model.part import Thread
from pipeline.model.units import MM_PER_INCH

_INCH = {  # name: (major, threads per inch, minor low, minor high), inch
    "4-40 UNC-2B": (0.112, 40, 0.0849, 0.0939),
    "2-56 UNC-2B": (0.086, 56, 0.0667, 0.0737),
}
_METRIC = {  # name: (major, pitch, minor low, minor high), mm
    "M2-6H": (2.0, 0.4, 1.567, 1.679),
    "M2.5-6H": (2.5, 0.45, 2.013, 2.138),
    "M3-6H": (3.0, 0.5, 2.459, 2.599),
}

THREADS: dict[str, Thread] = {
    name: Thread(name=name, major_mm=major * MM_PER_INCH, pitch_mm=MM_PER_INCH / per_inch,
                 drill_limits_mm=(low * MM_PER_INCH, high * MM_PER_INCH))
    for name, (major, per_inch, low, high) in _INCH.items()
} | {
    name: Thread(name=name, major_mm=major, pitch_mm=pitch, drill_limits_mm=(low, high))
    for name, (major, pitch, low, high) in _METRIC.items()
}


def bore_mm(thread: Thread) -> float:
    """The diameter at which a threaded hole is drawn: the middle of the allowed minor diameters, mm."""
    low, high = thread.drill_limits_mm
    return (low + high) / 2


def mouth_leg_mm(thread: Thread) -> float:
    """Leg of the 45 degree chamfer at a thread's mouth: 0.05 mm past the major diameter (common practice), mm."""
    return (thread.major_mm - bore_mm(thread)) / 2 + 0.05
