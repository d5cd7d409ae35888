"""From the true surface of an invented bone to what a scanner delivers: pose, noise, holes, floaters, a support block, colour."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import partial

import numpy as np
from bones import Body, bodies, element_surface
from fields import Array, Field, Surface, area, ball, carve, join, normals, plate, surface, waves

INDIVIDUALS = {"ind-a": 1.0, "ind-b": 1.12, "ind-c": 0.86, "ind-d": 0.82, "unassociated": 0.97}  # size against ind-a
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
Point = tuple[float, float, float]


@dataclass(frozen=True)
class Cut:
    """A rough break: what lies beyond the plane through `at` in direction `out` is lost. Bone frame, adult size, left bone."""

    at: Point
    out: Point


@dataclass(frozen=True)
class Lump:
    """A swelling, such as the callus of a healed fracture. Bone frame, adult size, left bone."""

    at: Point
    radius_mm: float


@dataclass(frozen=True)
class Hole:
    """A patch of about this radius that the scanner did not see, around the surface point nearest to `at` (bone frame, adult size)."""

    at: Point
    radius_mm: float


def seed_of(*words: str) -> int:
    """A seed that depends on the words alone."""
    return zlib.crc32("/".join(words).encode())


def turn_of(rng: np.random.Generator) -> Array:
    """A random rotation (3, 3)."""
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    return q * np.sign(np.linalg.det(q))


def true_surface(individual: str, element: str, side: str, n_faces: int, changes: tuple[Cut | Lump, ...] = (), turn: Array | None = None) -> Surface:
    """The bone as it is preserved, in its own frame in mm: every piece closed. A right bone is the reflected left one."""
    solids = [Body(_changed(body.field, changes), body.low, body.high) for body in bodies(element)]
    vertices, faces = element_surface(solids, n_faces, turn)
    grain = 0.22 * waves(vertices, seed_of(individual, element), 11.0) + 0.10 * waves(vertices, seed_of(element, individual), 4.5)
    vertices = shaped(vertices + grain[:, None] * normals(vertices, faces), individual, element)
    if side == "right":
        return vertices * [-1, 1, 1], faces[:, ::-1]
    return vertices, faces


def shaped(points: Array, individual: str, element: str) -> Array:
    """Adult model points brought to an individual: its size, its own proportions (about 1 % an axis), a gentle bend."""
    rng = np.random.default_rng(seed_of("form", individual, element))
    size, stretch = INDIVIDUALS[individual], np.exp(np.clip(rng.normal(0.0, 0.009, 3), -0.018, 0.018))
    along = points[:, 2] / 100.0
    bend = 0.35 * np.sin(1.3 * along + rng.uniform(0, 6))
    return (points + bend[:, None] * [0.25, 1.0, 0.0]) * (size * stretch)


def _changed(field: Field, changes: tuple[Cut | Lump, ...]) -> Field:
    def changed(p: Array) -> Array:
        body = field(p)
        for change in changes:
            if isinstance(change, Lump):
                body = join(9, body, ball(p, change.at, change.radius_mm) + 1.2 * waves(p, 7, 12.0))
                continue
            out = np.asarray(change.out) / np.linalg.norm(change.out)
            rough = 1.6 * waves(p, 5, 16.0) + 0.7 * waves(p, 6, 6.0)
            body = -join(1.0, -body, (np.asarray(change.at) - p) @ out + rough)
        return body

    return changed if changes else field


def to_bone(point: Point, individual: str, element: str, side: str) -> Array:
    """A point of the adult left model in the frame of an individual's bone."""
    moved = shaped(np.asarray([point], dtype=float), individual, element)[0]
    return moved * [-1, 1, 1] if side == "right" else moved


def without_patch(mesh: Surface, centre: Array, radius_mm: float, seed: int) -> Surface:
    """Drop the faces in an irregular patch of the surface, following the surface so that the far side stays."""
    vertices, faces = mesh
    middles = vertices[faces].mean(axis=1)
    start = int(np.linalg.norm(middles - centre, axis=1).argmin())
    flat = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    faces_same_way = flat @ flat[start] > -0.1 * np.linalg.norm(flat, axis=1) * np.linalg.norm(flat[start])
    reach = np.linalg.norm(middles - middles[start], axis=1) + 0.16 * radius_mm * waves(middles, seed, max(radius_mm, 4.0))
    return vertices, faces[_connected(faces, ~((reach < radius_mm) & faces_same_way), start)]


def _connected(faces: Array, kept: Array, start: int) -> Array:
    """Keep also those dropped faces that do not hang together with the patch's first face."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    lost = np.flatnonzero(~kept)
    if not len(lost):
        return kept
    corner = faces[lost].ravel()
    face = np.repeat(np.arange(len(lost)), 3)
    links = coo_matrix((np.ones(len(face)), (face, corner)), shape=(len(lost), int(faces.max()) + 1)).tocsr()
    _, labels = connected_components(links @ links.T, directed=False)
    middle = np.flatnonzero(lost == start)
    kept = kept.copy()
    if len(middle):
        kept[lost[labels != labels[middle[0]]]] = True
    return kept


def without_side(mesh: Surface, way: Point, depth_mm: float) -> Surface:
    """Drop the faces that lay on the table: those that look along `way` within `depth_mm` of the outermost point."""
    vertices, faces = mesh
    out = np.asarray(way) / np.linalg.norm(way)
    height = vertices[faces].mean(axis=1) @ out
    flat = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    is_resting = (height > height.max() - depth_mm) & (flat @ out > 0.5 * np.linalg.norm(flat, axis=1))
    return vertices, faces[~is_resting]


def without_band(mesh: Surface, half_mm: float, radius_mm: float, y_mm: float) -> Surface:
    """Drop the middle of a canal that runs along z: no scanner looks that deep."""
    vertices, faces = mesh
    x, y, z = vertices[faces].mean(axis=1).T
    return vertices, faces[~((np.abs(z) < half_mm) & (np.hypot(x, y - y_mm) < radius_mm))]


def with_floaters(mesh: Surface, count: int, rng: np.random.Generator) -> Surface:
    """Add small blobs near the surface, each about 0.06 % of its area."""
    vertices, faces = mesh
    radius = float(np.sqrt(0.0006 * area(vertices, faces) / (4 * np.pi)))
    out = normals(vertices, faces)
    for _ in range(count):
        k = int(rng.integers(len(vertices)))
        centre = vertices[k] + out[k] * (2 * radius + rng.uniform(1.5, 6.0))
        mesh = merged(
            mesh, surface(partial(ball, centre=centre, radii=radius * rng.uniform(0.7, 1.0, 3)), centre - radius, centre + radius, radius / 2)
        )
    return mesh


def with_block(mesh: Surface, way: Point, size_mm: float) -> tuple[Surface, Array, float]:
    """Add the clay block on which the bone stood, half a millimetre off its outermost point along `way`; also its centre and diagonal."""
    vertices, _ = mesh
    out = np.asarray(way) / np.linalg.norm(way)
    lowest = vertices[int((vertices @ out).argmax())]
    half = size_mm / 2
    frame = np.column_stack([np.cross(out, [0.3, 0.9, 0.2]), np.zeros(3), out])
    frame[:, 0] /= np.linalg.norm(frame[:, 0])
    frame[:, 1] = np.cross(out, frame[:, 0])
    square = [(-half, -half), (half, -half), (half, half), (-half, half)]
    slab = surface(
        lambda p: carve(1.0, plate(p, square, size_mm / 4, 2), ball(p, (0, 0, -size_mm), 0.5)), (-size_mm,) * 3, (size_mm,) * 3, size_mm / 16
    )
    top = slab[0][:, 2].min()
    centre = lowest + out * (0.5 - top)
    return merged(mesh, (slab[0] @ frame.T + centre, slab[1])), centre, float(np.linalg.norm(np.ptp(slab[0], axis=0)))


def merged(a: Surface, b: Surface) -> Surface:
    """Two surfaces in one mesh, untouched."""
    return np.concatenate([a[0], b[0]]), np.concatenate([a[1], b[1] + len(a[0])])


def compact(mesh: Surface) -> tuple[Surface, Array]:
    """Drop vertices that no face names; also the numbers of those that stay."""
    used, faces = np.unique(mesh[1], return_inverse=True)
    return (mesh[0][used], faces.reshape(-1, 3)), used


def bone_colours(vertices: Array, faces: Array, seed: int) -> Array:
    """Ochre with darker stains and lighter worn ridges, (n, 3) uint8."""
    stain = np.clip(0.5 + 0.5 * waves(vertices, seed, 35.0), 0, 1)[:, None]
    fine = 0.04 * waves(vertices, seed + 1, 3.5)[:, None]
    light, dark = np.array([208, 186, 148.0]), np.array([150, 116, 78.0])
    return np.clip((dark + (light - dark) * (0.35 + 0.65 * stain)) * (1 + fine), 0, 255).astype(np.uint8)
