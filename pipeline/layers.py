"""Who may import whom. A test holds the code to this table, and the cache takes from it which source a result
depends on: what a stage may not import cannot change what it makes."""

from __future__ import annotations

STAGES = frozenset({"job", "solids", "nest", "setups", "operations", "gcode", "verify", "packet"})
_MAKES = frozenset({"model", "errors", "kernels", "geometry", "shop"})

# package -> what of ours it may import besides itself
OURS: dict[str, frozenset[str]] = {
    "errors": frozenset(),
    "layers": frozenset(),
    "kernels": frozenset(),
    "model": frozenset({"errors"}),
    "families": frozenset({"model", "errors"}),
    "geometry": frozenset({"model", "errors", "kernels"}),
    "shop": frozenset({"model", "errors"}),
    "job": _MAKES | {"families"},
    "solids": _MAKES | {"families"},
    "nest": _MAKES,
    "setups": _MAKES,
    "operations": _MAKES,
    "gcode": frozenset({"model", "errors", "geometry"}),
    "packet": frozenset({"model", "errors", "geometry"}),
    "verify": frozenset({"model", "errors", "kernels", "shop"}),
    "stages": STAGES | {"model", "errors"},
    "study": STAGES | {"stages", "shop", "model", "errors"},
    "batch": frozenset({"model", "errors", "shop", "job", "families", "stages", "packet", "layers"}),
    "cli": frozenset({"model", "errors", "shop", "job", "families", "stages", "batch", "study"}),
    "__main__": frozenset({"cli"}),
    "__init__": frozenset(),
    "parts": frozenset({"model"}),
}

# third party -> the only homes it has (a package, or a package/module)
HOMES: dict[str, frozenset[str]] = {
    "cadquery": frozenset({"solids", "parts"}),
    "OCP": frozenset({"solids"}),
    "numba": frozenset({"kernels"}),
    "yaml": frozenset({"job", "shop", "batch/keep"}),
    "ezdxf": frozenset({"geometry/dxf"}),
    "shapely": frozenset({"geometry"}),
    "scipy": frozenset({"geometry", "nest"}),
    "jinja2": frozenset({"packet", "batch"}),
    "reportlab": frozenset({"packet"}),
    "distributed": frozenset({"batch"}),
    "typer": frozenset({"cli"}),
    "rich": frozenset({"cli", "batch"}),
    "pydantic": frozenset({"job", "shop"}),
}
