"""A solid as triangles, with its distance to the solid measured.

Steps: (1) mesh with an absolute deflection (the kernel's shorter call takes it as relative and was 67 um off at
10 um), and again with half of it while the measured distance is too large;
(2) merge vertices that faces share; (3) require a closed surface: every directed edge once, and once the other way;
(4) measure. For (4) every triangle on a curved face and every piece of a curved edge is looked at in its parameters:
the surface point at the mean of the corners' parameters belongs to the triangle's middle, those half way along the
sides to the middles of the sides. The distance between such a pair bounds the distance from the mesh to the solid and
from the solid to the mesh there. Where parameters run unevenly (the pole of a sphere, the tip of a cone) the bound is
far too wide; any that comes out above the deflection asked for is replaced by the distance to the nearest surface
point. Within a triangle the faces bend one way or nearly evenly, so the largest sagitta stands at one of these
middles; a tenth is added for what the sampling misses.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.errors import Bug
from pipeline.model.arrays import Float
from pipeline.model.part import Mesh

DEFLECTIONS_MM = (0.005, 0.0025, 0.00125)  # asked one after another: faces of revolution come out twice as far off
WANTED_MM = 0.006  # good enough; what is stated in the end is what was measured
ANGLE_RAD = 0.5  # largest turn from one facet to the next
_MERGE_MM = 1e-7  # faces compute a shared point to this or better (the kernel's own confusion distance)
_SAMPLING = 1.1
_CORNERS = np.array([[1, 1, 0], [0, 1, 1], [1, 0, 1], [2 / 3, 2 / 3, 2 / 3]]) / 2  # weights of the looked-at points


def mesh_of(solid: Any) -> Mesh:
    """Triangles of the solid, counter-clockwise seen from outside. The solid carries its mesh from here on, so its
    BREP and STEP must have been written before. Raises Bug when the mesh does not close."""
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.BRepTools import BRepTools

    for asked in DEFLECTIONS_MM:
        BRepTools.Clean_s(solid.wrapped)
        BRepMesh_IncrementalMesh(solid.wrapped, asked, False, ANGLE_RAD, False)
        meshes = [_face_mesh(face) for face in solid.Faces()]
        deviation = _SAMPLING * max(off for _, _, off in meshes) + _MERGE_MM
        if deviation <= WANTED_MM:
            break
    starts = np.cumsum([0] + [len(nodes) for nodes, _, _ in meshes])
    corners = [triangles + start for (_, triangles, _), start in zip(meshes, starts, strict=False)]
    vertices, triangles = _merged(np.vstack([nodes for nodes, _, _ in meshes]), np.vstack(corners))
    _require_closed(triangles)
    return Mesh(vertices=vertices, triangles=triangles.astype(np.float64), deviation_mm=deviation)


def _face_mesh(face: Any) -> tuple[Float, Any, float]:
    """Nodes (n, 3), triangles (m, 3) turned outward, and the measured distance of one face's mesh, mm."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_Plane
    from OCP.GeomAPI import GeomAPI_ProjectPointOnSurf
    from OCP.gp import gp_Pnt
    from OCP.TopAbs import TopAbs_REVERSED
    from OCP.TopLoc import TopLoc_Location

    location = TopLoc_Location()
    found = BRep_Tool.Triangulation_s(face.wrapped, location)
    if found is None:
        raise Bug("a face was not meshed")
    transform = location.Transformation()
    n = found.NbNodes()
    nodes = np.array([(q.X(), q.Y(), q.Z()) for q in (found.Node(i).Transformed(transform) for i in range(1, n + 1))])
    triangles = np.array([found.Triangle(i).Get() for i in range(1, found.NbTriangles() + 1)], dtype=np.int64) - 1
    if face.wrapped.Orientation() == TopAbs_REVERSED:
        triangles = triangles[:, ::-1]
    off = max(_edge_deviation(edge, found, location) for edge in face.Edges())
    surface, geometry = BRepAdaptor_Surface(face.wrapped, False), BRep_Tool.Surface_s(face.wrapped)
    if surface.GetType() == GeomAbs_Plane:
        return nodes, triangles, off
    uv = np.array([(q.X(), q.Y()) for q in (found.UVNode(i) for i in range(1, n + 1))])
    for weights in _CORNERS:
        on_mesh = np.einsum("k,mkd->md", weights, nodes[triangles])
        at = np.einsum("k,mkd->md", weights, uv[triangles])
        on_face = np.array([(q.X(), q.Y(), q.Z()) for q in (surface.Value(u, v) for u, v in at)])
        wide = np.linalg.norm(on_mesh - on_face, axis=1)
        for i in np.flatnonzero(wide > DEFLECTIONS_MM[0]):
            nearest = GeomAPI_ProjectPointOnSurf(gp_Pnt(*map(float, on_mesh[i])), geometry)
            wide[i] = min(float(wide[i]), nearest.LowerDistance()) if nearest.NbPoints() else wide[i]
        off = max(off, float(wide.max()))
    return nodes, triangles, off


def _edge_deviation(edge: Any, triangulation: Any, location: Any) -> float:
    """Largest distance between an edge and the straight pieces that stand for it in the mesh, at their middles, mm."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.GeomAbs import GeomAbs_Line

    if BRep_Tool.Degenerated_s(edge.wrapped):
        return 0.0  # the tip of a cone has no curve
    curve = BRepAdaptor_Curve(edge.wrapped)
    if curve.GetType() == GeomAbs_Line:
        return 0.0
    polygon = BRep_Tool.PolygonOnTriangulation_s(edge.wrapped, triangulation, location)
    at = np.array([polygon.Parameter(i) for i in range(1, polygon.NbNodes() + 1)])
    ends = np.array([(q.X(), q.Y(), q.Z()) for q in (curve.Value(t) for t in at)])
    middles = np.array([(q.X(), q.Y(), q.Z()) for q in (curve.Value(t) for t in (at[1:] + at[:-1]) / 2)])
    return float(np.linalg.norm((ends[1:] + ends[:-1]) / 2 - middles, axis=1).max())


def _merged(points: Float, triangles: Any) -> tuple[Float, Any]:
    """One vertex for each place, in the order of first use; triangles that lose a corner go."""
    _, first, place = np.unique(np.round(points / _MERGE_MM), axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    triangles = rank[place.reshape(-1)][triangles]
    a, b, c = triangles.T
    return points[first[order]], triangles[(a != b) & (b != c) & (c != a)]


def _require_closed(triangles: Any) -> None:
    sides = np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    there, counts = np.unique(sides, axis=0, return_counts=True)
    back = np.unique(sides[:, ::-1], axis=0)
    if counts.max() > 1 or not np.array_equal(there, back):
        raise Bug("the mesh of a solid does not close")
