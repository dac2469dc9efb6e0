"""Where text becomes millimetres and back. Inside, a length is always a float in mm.

Words: a *length text* is a number with an optional unit of its own: `0.25 mm`, `1/16 in`, `#43` (number drill),
`F drill` is not accepted: letters are too easily misread.
"""

from __future__ import annotations

import re

from pipeline.model.drill_sizes import NUMBER_DRILLS_IN

MM_PER_INCH = 25.4  # exact by definition
EPS_MM = 1e-6  # numerical noise, never an acceptance limit

_LENGTH = re.compile(
    r"^\s*(?:(?P<whole>[+-]?\d+)\s+)?(?:(?P<num>\d+)\s*/\s*(?P<den>\d+)|(?P<dec>[+-]?(?:\d+\.?\d*|\.\d+)))\s*(?P<unit>mm|in|\")?\s*$"
)


def length_mm(text: str | float | int, *, default_unit: str) -> float:
    """Read a length: a number in `default_unit` (`mm` or `in`), or text with its own unit. Returns mm.

    Raises ValueError with a sentence a machinist can act on.
    """
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise ValueError(f"{text!r} is not a length")
    if isinstance(text, (int, float)):
        return float(text) * (MM_PER_INCH if default_unit == "in" else 1.0)
    stripped = text.strip()
    if stripped.startswith("#"):
        if stripped not in NUMBER_DRILLS_IN:
            raise ValueError(f"{stripped!r} is not a number drill (#1 to #80)")
        return NUMBER_DRILLS_IN[stripped] * MM_PER_INCH
    match = _LENGTH.match(stripped)
    if match is None:
        raise ValueError(f'{text!r} is not a length; write 3.2, "0.25 mm", "1/16 in" or "#43"')
    if match["num"]:
        denominator = int(match["den"])
        if denominator == 0:
            raise ValueError(f"{text!r} divides by zero")
        value = int(match["num"]) / denominator
        whole = int(match["whole"] or 0)
        value = whole + value if whole >= 0 else whole - value
    elif match["whole"]:
        raise ValueError(f"{text!r} is not a length; two numbers stand side by side")
    else:
        value = float(match["dec"])
    unit = {'"': "in", None: default_unit}.get(match["unit"], match["unit"])
    return value * (MM_PER_INCH if unit == "in" else 1.0)


def shown(length: float, *, unit: str, places: int | None = None) -> str:
    """A length in mm as text in `unit`, with the unit: 3 places in mm, 4 in inch unless told otherwise."""
    if unit == "in":
        return f"{length / MM_PER_INCH:.{4 if places is None else places}f} in"
    return f"{length:.{3 if places is None else places}f} mm"
