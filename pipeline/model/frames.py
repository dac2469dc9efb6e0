"""Frames and poses. Right-handed frames, four kinds: part, billet, setup, machine.

A pose is named by both ends: `billet_from_part.points(p_part)` gives points in the billet frame, and in a chain the
neighbours cancel: `setup_from_billet @ billet_from_part`. Turning a part over is a rotation by pi, never a mirror:
a mirror would turn climb milling into its opposite and a right-hand thread into a left-hand one, so it is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.model.arrays import Float, frozen, product

_RIGID = 1e-9  # largest departure of a rotation from orthonormal, dimensionless noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """A rigid motion that takes coordinates in frame `frm` to coordinates in frame `to`. Matrix (4, 4), mm.

    Raises ValueError when the matrix is not a proper rigid motion (determinant -1 is a mirror and is refused).
    """

    to: str
    frm: str
    matrix: Float

    def __post_init__(self) -> None:
        matrix = frozen(self.matrix, columns=4, name="pose", least=4)
        turn = matrix[:3, :3]
        if matrix.shape != (4, 4) or not np.array_equal(matrix[3], (0, 0, 0, 1)):
            raise ValueError("pose: wanted a (4, 4) matrix whose last row is 0 0 0 1")
        if np.abs(turn @ turn.T - np.eye(3)).max() > _RIGID:
            raise ValueError("pose: the rotation is not orthonormal")
        if np.linalg.det(turn) < 0:
            raise ValueError(f"pose {self.to} from {self.frm}: found a mirror; turn the part over instead")
        object.__setattr__(self, "matrix", matrix)

    @classmethod
    def planar(cls, *, to: str, frm: str, x_mm: float, y_mm: float, angle_rad: float, z_mm: float = 0.0) -> Pose:
        """A turn by `angle_rad` about Z (counter-clockwise seen from +Z), then a shift."""
        c, s = math.cos(angle_rad), math.sin(angle_rad)
        return cls(
            to=to, frm=frm, matrix=np.array([[c, -s, 0, x_mm], [s, c, 0, y_mm], [0, 0, 1, z_mm], [0, 0, 0, 1.0]])
        )

    def __matmul__(self, other: Pose) -> Pose:
        if self.frm != other.to:
            raise ValueError(f"cannot chain {self.to}_from_{self.frm} with {other.to}_from_{other.frm}")
        return Pose(to=self.to, frm=other.frm, matrix=product(self.matrix, other.matrix))

    def inverse(self) -> Pose:
        """The same relation read the other way."""
        matrix = np.eye(4)
        matrix[:3, :3] = self.matrix[:3, :3].T
        matrix[:3, 3] = -product(self.matrix[:3, :3].T, self.matrix[:3, 3:])[:, 0]
        return Pose(to=self.frm, frm=self.to, matrix=matrix)

    def points(self, points: Float) -> Float:
        """Positions (n, 2) or (n, 3) in `frm` to the same columns in `to`. Two columns mean z = 0, dropped again."""
        points = np.asarray(points, dtype=np.float64)
        k = points.shape[1]
        moved: Float = product(points, self.matrix[:k, :k].T) + self.matrix[:k, 3]
        return moved

    def vectors(self, vectors: Float) -> Float:
        """Directions (n, 2) or (n, 3): turned, not shifted."""
        vectors = np.asarray(vectors, dtype=np.float64)
        k = vectors.shape[1]
        turned: Float = product(vectors, self.matrix[:k, :k].T)
        return turned

    @property
    def angle_rad(self) -> float:
        """Turn about Z, in (-pi, pi]. Only for poses that keep Z up; raises ValueError otherwise."""
        if self.matrix[2, 2] < 1 - _RIGID:
            raise ValueError(f"pose {self.to} from {self.frm} does not keep Z up")
        return math.atan2(self.matrix[1, 0], self.matrix[0, 0])

    @property
    def shift_mm(self) -> tuple[float, float, float]:
        """Where the origin of `frm` lies in `to`."""
        x, y, z = self.matrix[:3, 3]
        return float(x), float(y), float(z)
