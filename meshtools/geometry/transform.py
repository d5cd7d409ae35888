"""Move, reflect and scale a surface, always with the outside kept outside.

A matrix is 4 x 4, acts on column vectors, and is named by what it does: `replica_from_scan` turns scan coordinates into replica
coordinates. A matrix with a negative determinant turns a surface inside out unless the winding of every face is reversed too;
`apply_matrix` is the only function that moves a mesh, so that is done in one place.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.threads import LEAST_LIGHT_ROWS, in_blocks
from meshtools.model import FloatArray, Mesh
from meshtools.model_mesh import read_only


def reflection_matrix(normal: Sequence[float] = (1.0, 0.0, 0.0), offset_mm: float = 0.0) -> FloatArray:
    """Matrix (4, 4) of the reflection across the plane normal . x = offset_mm: x' = x - 2 (n . x - d) n (closed form).

    The normal need not have length one; the plane is then normal . x / |normal| = offset_mm. GeometryError for a zero or
    non-finite normal.
    """
    direction = np.asarray(normal, dtype=np.float64)
    length = float(np.sqrt(np.sum(direction**2)))
    if direction.shape != (3,) or not np.isfinite(direction).all() or length == 0.0 or not np.isfinite(offset_mm):
        raise GeometryError(f"the plane normal {tuple(normal)} is not a direction; give three numbers that are not all zero")
    direction = direction / length
    matrix = np.eye(4)
    matrix[:3, :3] -= 2.0 * direction[:, None] * direction[None, :]
    matrix[:3, 3] = 2.0 * offset_mm * direction
    return matrix


def scaling_matrix(factor: float) -> FloatArray:
    """Matrix (4, 4) that scales by `factor` about the origin. GeometryError unless the factor is finite and above zero."""
    if not np.isfinite(factor) or factor <= 0.0:
        raise GeometryError(f"the factor {factor} cannot scale a bone; give a number above zero")
    return np.diag([factor, factor, factor, 1.0])


def translation_matrix(shift_mm: Sequence[float]) -> FloatArray:
    """Matrix (4, 4) that moves by `shift_mm` (3,)."""
    matrix = np.eye(4)
    matrix[:3, 3] = shift_mm
    return matrix


def chain(*matrices: FloatArray) -> FloatArray:
    """The matrix that applies the given ones from left to right, the first one first. `chain()` is the identity."""
    total = np.eye(4)
    for matrix in matrices:
        total = matrix @ total
    return total


def move_points(points: FloatArray, matrix: FloatArray) -> FloatArray:
    """Points (n, 3) under an affine matrix (4, 4). Summed term by term, so that the last bits do not depend on threads."""
    linear, shift = matrix[:3, :3], matrix[:3, 3]
    moved: FloatArray = np.empty((len(points), 3))

    def move(rows: slice) -> None:
        own, to = points[rows], moved[rows]
        np.multiply(own[:, 0:1], linear[:, 0], out=to)
        to += own[:, 1:2] * linear[:, 1]
        to += own[:, 2:3] * linear[:, 2]
        to += shift

    in_blocks(len(points), move, LEAST_LIGHT_ROWS)
    return moved


def apply_matrix(mesh: Mesh, matrix: FloatArray) -> Mesh:
    """Move a mesh by an affine matrix (4, 4); source and colour stay with their faces and vertices.

    A matrix with a negative determinant reverses the winding of every face, so that the surface stays outward. GeometryError for
    a matrix that flattens the surface or is not finite.
    """
    if matrix.shape != (4, 4) or not np.isfinite(matrix).all():
        raise GeometryError("a mesh can only be moved by a finite 4 x 4 matrix")
    determinant = float(np.linalg.det(matrix[:3, :3]))
    if determinant == 0.0:
        raise GeometryError("the matrix flattens the surface; its determinant is zero")
    faces = mesh.faces[:, [0, 2, 1]] if determinant < 0.0 else mesh.faces
    return mesh.replaced(vertices=read_only(move_points(mesh.vertices, matrix)), faces=faces)


def reflect(mesh: Mesh, normal: Sequence[float] = (1.0, 0.0, 0.0), offset_mm: float = 0.0) -> Mesh:
    """The mesh on the other side of the plane normal . x = offset_mm, outward as before. Default: across x = 0."""
    return apply_matrix(mesh, reflection_matrix(normal, offset_mm))


def scale(mesh: Mesh, factor: float) -> Mesh:
    """The mesh with every length times `factor`, about the origin: areas grow by factor^2, volumes by factor^3."""
    return apply_matrix(mesh, scaling_matrix(factor))
