"""What all fits of planes and poses share: unit vectors, directions along a plane, and weights that outliers do not carry."""

from __future__ import annotations

import numpy as np

from meshtools.model import FloatArray


def unit_vectors(vectors: FloatArray) -> FloatArray:
    """Vectors (..., 3) at length one; zero stays zero."""
    lengths = np.sqrt(np.einsum("...i,...i->...", vectors, vectors))
    return np.asarray(vectors / np.maximum(lengths, 1e-300)[..., None])


def tangents(normals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors (..., 3) across each unit normal (..., 3) and across each other; the first leans on the axis that the normal has least of."""
    first = unit_vectors(np.cross(normals, np.eye(3)[np.abs(normals).argmin(axis=-1)]))
    return first, np.cross(normals, first)


def tukey_weight(squared: FloatArray, width: float | FloatArray) -> FloatArray:
    """Tukey's weight for squared distances: 1 at zero, 0 at `width` and beyond (Beaton & Tukey 1974, Technometrics 16)."""
    return np.asarray(np.maximum(1.0 - squared / width**2, 0.0) ** 2)
