"""The one place that speaks DXF: outlines in, drawings out. Lengths in mm on our side.

An outline in a DXF file is one closed LWPOLYLINE or POLYLINE, or LINE and ARC entities that join end to end, or one
CIRCLE, alone on its layer. The file's $INSUNITS says millimetres (4) or inches (1); without it (0) nothing is assumed.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import BadInput
from pipeline.model.arrays import Float
from pipeline.model.findings import Finding
from pipeline.model.loop import Loop
from pipeline.model.units import MM_PER_INCH

JOIN_MM = 0.01  # end points of neighbouring entities may be this far apart: drawing programs round to about this
_SCALES = {1: MM_PER_INCH, 4: 1.0}

Vertex = tuple[float, float, float]


def read_outline(path: Path, layer: str | None = None) -> Loop:
    """The one closed outline on `layer` (None: on any layer) as a counter-clockwise loop, mm, in the drawing's frame.

    Raises BadInput (J124) when the file cannot be read, has no unit, or does not hold exactly one closed outline.
    """
    import ezdxf

    try:
        document = ezdxf.readfile(path)
    except OSError:
        raise _bad(path, "a DXF file that cannot be opened", "an existing DXF file") from None
    except ezdxf.DXFError as error:
        raise _bad(path, f"a file that is not sound DXF ({error})", "a DXF file") from None
    scale = _SCALES.get(document.header.get("$INSUNITS", 0))
    if scale is None:
        raise _bad(
            path,
            f"$INSUNITS {document.header.get('$INSUNITS', 0)} in the drawing",
            "4 (mm) or 1 (in)",
            "set the drawing's unit and save it again",
        )
    space = document.modelspace()
    entities: list[Any] = [entity for entity in space if layer is None or entity.dxf.layer == layer]
    if not entities:
        layers = sorted({entity.dxf.layer for entity in space})
        raise _bad(
            path,
            f"nothing on layer {layer}" if layer else "an empty drawing",
            "one closed outline" + (f" on one of the layers {', '.join(layers)}" if layers else ""),
        )
    closed: list[list[Vertex]] = []
    pieces: list[list[Vertex]] = []
    for entity in entities:
        kind = entity.dxftype()
        if kind == "LWPOLYLINE":
            vertices = [(x * scale, y * scale, bulge) for x, y, bulge in entity.get_points("xyb")]
            (closed if entity.closed else pieces).append(vertices)
        elif kind == "POLYLINE" and entity.is_2d_polyline:
            vertices = [
                (v.dxf.location.x * scale, v.dxf.location.y * scale, v.dxf.get("bulge", 0.0)) for v in entity.vertices
            ]
            (closed if entity.is_closed else pieces).append(vertices)
        elif kind == "CIRCLE":
            x, y, radius = entity.dxf.center.x * scale, entity.dxf.center.y * scale, entity.dxf.radius * scale
            closed.append([(x - radius, y, 1.0), (x + radius, y, 1.0)])
        elif kind == "LINE":
            start, end = entity.dxf.start, entity.dxf.end
            pieces.append([(start.x * scale, start.y * scale, 0.0), (end.x * scale, end.y * scale, 0.0)])
        elif kind == "ARC":
            sweep = math.radians((entity.dxf.end_angle - entity.dxf.start_angle) % 360.0)
            start, end = entity.start_point, entity.end_point
            pieces.append(
                [(start.x * scale, start.y * scale, math.tan(sweep / 4)), (end.x * scale, end.y * scale, 0.0)]
            )
        else:
            raise _bad(
                path,
                f"a {kind} among the outline's entities",
                "LWPOLYLINE, POLYLINE, LINE, ARC or CIRCLE only",
                "put text, dimensions and splines on another layer, or save splines as polylines",
            )
    closed += _chains(path, pieces)
    if len(closed) != 1:
        raise _bad(
            path, f"{len(closed)} closed outlines", "exactly one", "put the billet's outline on a layer of its own"
        )
    return _loop(path, closed[0])


def outline_points(path: Path, layer: str | None = None, *, chord_mm: float = 0.01) -> tuple[tuple[float, float], ...]:
    """The outline of `read_outline` as points on it, arcs as chords at most `chord_mm` off."""
    flat = read_outline(path, layer).flattened(chord_mm=chord_mm)
    return tuple((float(x), float(y)) for x, y in flat)


def _bad(path: Path, found: str, wanted: str, hint: str = "") -> BadInput:
    return BadInput(
        [Finding(code="J124", where="outline", found=f"{path.name}: {found}", wanted=wanted, hint=hint, file=str(path))]
    )


def _chains(path: Path, pieces: list[list[Vertex]]) -> list[list[Vertex]]:
    """Join open pieces end to end into closed chains; an end that finds no neighbour is an open outline."""
    left = list(pieces)
    out: list[list[Vertex]] = []
    while left:
        chain = left.pop(0)
        while math.dist(chain[0][:2], chain[-1][:2]) > JOIN_MM or len(chain) < 3:
            end = chain[-1]
            for index, piece in enumerate(left):
                if math.dist(piece[0][:2], end[:2]) <= JOIN_MM:
                    break
                if math.dist(piece[-1][:2], end[:2]) <= JOIN_MM:
                    left[index] = _reversed(piece)
                    break
            else:
                raise _bad(
                    path,
                    f"an outline with an open end at ({end[0]:.3f}, {end[1]:.3f}) mm",
                    f"end points that meet within {JOIN_MM} mm",
                )
            chain = chain[:-1] + left.pop(index)
        out.append(chain[:-1])
    return out


def _reversed(piece: list[Vertex]) -> list[Vertex]:
    """The same piece run the other way: bulges belong to the edge after a vertex, so they shift by one."""
    bulges = [-piece[i - 1][2] for i in range(len(piece) - 1, 0, -1)] + [0.0]
    return [(x, y, bulge) for (x, y, _), bulge in zip(reversed(piece), bulges, strict=True)]


def _loop(path: Path, vertices: list[Vertex]) -> Loop:
    if len(vertices) > 2 and math.dist(vertices[0][:2], vertices[-1][:2]) <= JOIN_MM and vertices[-1][2] == 0:
        vertices = vertices[:-1]
    array = np.array(vertices)
    for candidate in (array, np.array(_closed_reversed(vertices))):
        try:
            return Loop(candidate)
        except ValueError:
            continue
    raise _bad(path, "an outline without an area", "a closed outline")


def _closed_reversed(vertices: list[Vertex]) -> list[Vertex]:
    n = len(vertices)
    return [(vertices[n - 1 - i][0], vertices[n - 1 - i][1], -vertices[(n - 2 - i) % n][2]) for i in range(n)]


def drawing_bytes(layers: Mapping[str, Sequence[Float]], *, units: str, note: str = "") -> bytes:
    """Drawing of closed polygons (n, 2) by layer name, mm on our side, `units` in the file. Same input, same bytes.

    `note` becomes a line of text at the origin on a layer of its own.
    """
    import ezdxf

    scale = MM_PER_INCH if units == "in" else 1.0
    fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # else the file holds the time of day and a random id
    try:
        document = ezdxf.new("R2010", units=1 if units == "in" else 4)
        space = document.modelspace()
        for name, polygons in layers.items():
            document.layers.add(name)
            for points in polygons:
                corners = [(float(x) / scale, float(y) / scale) for x, y in points]
                space.add_lwpolyline(corners, close=True, dxfattribs={"layer": name})
        if note:
            document.layers.add("NOTE")
            space.add_text(note, height=5.0 / scale, dxfattribs={"layer": "NOTE"})
        for kind in sorted(document.entitydb.dxf_types_in_use()):  # else written in the order of a set of texts
            document.classes.add_class(kind)
        sink = io.StringIO()
        document.write(sink)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed
    return sink.getvalue().encode()
