"""Damaged scans with a known truth, made from the dog's bones: a side broken away, noise, natural asymmetry, shear, floaters, any pose.

The bones come from tests/real_bones.py (source and licence there); the mirror plane of the whole dog is y = 0, and each median bone has
it to 0.007 % RMS or better. The same name, seed and damage give the same trial.

What counts as the truth where a bone is warped: every point of the whole bone has a known partner on the other side, and the true plane
is the one whose reflection brings all points closest to their partners (least squares, weighted by area; closed form, see `fit_plane`).
"""

from __future__ import annotations

import sys
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from dog_individuals import read_bone

from meshtools.geometry.pieces import face_areas, label_pieces

MEDIAN = ("MergedSkull", "Jaw", "Pelvis", "Sacrum", "C_1", "C_2", "C_4", "C_6", "L_1", "L_3", "L_5", "L_7")
PLANELESS = (
    "Femoris_L", "humerus_L", "Radius_L", "Ulna_L", "Tibia_L", "Fibula_L", "Scapula_L", "Calcaneal_tuber_L", "Tibial_tarsal_L", "Tarsus_L_IV",
    "Metatarsi_L_1", "Metatarsi_L_4", "Os_metacarpale_II_L", "Os_metacarpale_V_L.001", "Carpal_L", "Carpal_accessory_L", "Phalanges_B_L_1",
    "Phalanxpmxinutlis_digiti_V_L",
)  # fmt: skip
FEWEST_FACES = 6_000  # coarser bones are subdivided, so that noise and warps act as on a scan
MOST_OBLIQUE_DEG = 30.0
ROUGHNESS_PERCENT = 1.0  # rms height of a fracture surface, percent of the diagonal


@dataclass(frozen=True)
class Damage:
    """What happens to a bone. Percentages of length are of the whole bone's bounding-box diagonal.

    lost_percent: share of one side's area that is gone, beyond a rough and oblique cut. is_broken: the cut is closed by a rough fracture
    surface, so that the bone is a solid; else it is left open. noise_percent: standard deviation of each vertex, in every axis.
    asymmetry_percent: RMS of a smooth warp that knows nothing of the mirror. shear_percent: slide of the bone along a random direction,
    per length along another. floaters: loose crumbs beside the bone.
    """

    lost_percent: float = 0.0
    is_broken: bool = False
    noise_percent: float = 0.0
    asymmetry_percent: float = 0.0
    shear_percent: float = 0.0
    is_posed_at_random: bool = True
    floaters: int = 0


@dataclass(frozen=True, eq=False)
class Trial:
    """A damaged scan in mm and what is true of it. A bone without a plane has NaN for the true plane.

    whole_vertices, whole_faces: the undamaged bone in the same pose, warped but without noise. is_lost_face: of the whole's faces, those
    with no corner left. is_fracture_face, is_floater_face: of the scan's faces. lost_side: +1 where the loss is on the side
    normal . x > offset. lost_area_percent: measured, of the side that lost (first) and of the other side. pose (4, 4) moves the dog's
    coordinates into the scan's; planted_normal is the normal of y = 0 in that pose. tool: the posed manifold3d block that took the loss
    away, None where nothing is lost.
    """

    name: str
    vertices: np.ndarray
    faces: np.ndarray
    true_normal: np.ndarray
    true_offset_mm: float
    whole_vertices: np.ndarray
    whole_faces: np.ndarray
    is_lost_face: np.ndarray
    is_fracture_face: np.ndarray
    is_floater_face: np.ndarray
    lost_side: int
    lost_area_percent: tuple[float, float]
    diagonal_mm: float
    pose: np.ndarray
    planted_normal: np.ndarray
    tool: Any


def median_bones() -> tuple[str, ...]:
    """Names of twelve bones with an exact mirror plane."""
    return MEDIAN


def planeless_bones() -> tuple[str, ...]:
    """Names of bones of one side of the body, which have no mirror plane."""
    return PLANELESS


def damaged(
    name: str, seed: int, lost_percent: float = 0.0, is_broken: bool = False, noise_percent: float = 0.0, asymmetry_percent: float = 0.0,
    shear_percent: float = 0.0, random_pose: bool = True, floaters: int = 0,
) -> Trial:  # fmt: skip
    """A trial scan of a bone (see `Damage` for what each figure means)."""
    return make_trial(name, seed, Damage(lost_percent, is_broken, noise_percent, asymmetry_percent, shear_percent, random_pose, floaters))


def make_trial(name: str, seed: int, damage: Damage) -> Trial:
    """Damage one bone: warp, cut, pose, noise, floaters, in this order."""
    random = np.random.default_rng([seed, zlib.crc32(name.encode())])
    plain, faces = _fine_bone(name)
    diagonal = float(np.linalg.norm(np.ptp(plain, axis=0)))
    has_plane = name in MEDIAN
    middle = (plain.max(axis=0) + plain.min(axis=0)) / 2 * ([1, 0, 1] if has_plane else [1, 1, 1])
    bend = _Bend(random, middle, diagonal, damage)
    whole = bend.at(plain)
    normal, offset = fit_plane(whole, bend.at(plain * [1, -1, 1]), _vertex_weights(whole, faces))
    side = 1 if random.random() < 0.5 else -1
    sideways = normal if has_plane else _direction(random)
    cut = _Cut(random, whole, faces, (sideways * side, float(sideways @ bend.at(middle[None])[0]) * side), damage.lost_percent)
    scan, scan_faces, is_fracture = cut.apply(damage.is_broken)
    pose = _random_pose(random) if damage.is_posed_at_random else np.eye(4)
    scan = _posed(scan, pose) + random.normal(size=scan.shape) * (damage.noise_percent / 100 * diagonal)
    n_bone = len(scan_faces)
    scan, scan_faces = _with_floaters(random, scan, scan_faces, damage.floaters)
    moved = pose[:3, :3] @ normal
    return Trial(
        name, scan, scan_faces, moved if has_plane else np.full(3, np.nan), offset + float(moved @ pose[:3, 3]) if has_plane else np.nan,
        _posed(whole, pose), faces, cut.is_beyond(whole)[faces].all(axis=1), np.append(is_fracture, np.zeros(len(scan_faces) - n_bone, bool)),
        np.arange(len(scan_faces)) >= n_bone, side, cut.lost_area_percent, diagonal, pose, pose[:3, 1],
        cut.tool().transform(pose[:3]) if cut.is_wanted else None,
    )  # fmt: skip


def fit_plane(points: np.ndarray, partners: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, float]:
    """Normal and offset of the plane whose reflection brings points (n, 3) closest to their partners, weighted least squares.

    Closed form: through the mean of both sets, along the eigenvector of the smallest eigenvalue of the symmetrised cross-covariance.
    """
    weights = weights / weights.sum()
    p, q = (x - (x * weights[:, None]).sum(axis=0) for x in (points, partners))
    cross = np.einsum("i,ij,ik->jk", weights, p, q)
    normal = np.linalg.eigh(cross + cross.T)[1][:, 0]
    normal = normal * np.sign(normal[np.abs(normal).argmax()])
    return normal, float((normal * ((points + partners) / 2 * weights[:, None]).sum(axis=0)).sum())


def _fine_bone(name: str) -> tuple[np.ndarray, np.ndarray]:
    import trimesh

    vertices, faces = read_bone(name)
    while len(faces) < FEWEST_FACES:
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    return np.asarray(vertices), np.asarray(faces)


def _vertex_weights(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    return np.bincount(faces.ravel(), np.repeat(face_areas(vertices, faces), 3), len(vertices))


def _direction(random: np.random.Generator) -> np.ndarray:
    arrow = random.normal(size=3)
    return arrow / np.linalg.norm(arrow)


class _Bend:
    """A smooth warp of twelve long sine waves and a shear, as a function of place."""

    def __init__(self, random: np.random.Generator, middle: np.ndarray, diagonal: float, damage: Damage) -> None:
        self.middle = middle
        self.waves = random.normal(size=(12, 3)) / diagonal * 4
        self.phases = random.uniform(0, 2 * np.pi, 12)
        moves = random.normal(size=(12, 3))
        # a sine has a mean square of 1/2, so this gives the stated RMS on average over space
        self.moves = moves * (damage.asymmetry_percent / 100 * diagonal / np.sqrt((moves**2).sum() / 2))
        along = _direction(random)
        across = np.cross(along, _direction(random))
        self.shear = damage.shear_percent / 100 * np.outer(along, across / np.linalg.norm(across))

    def at(self, points: np.ndarray) -> np.ndarray:
        local = points - self.middle
        waved = np.sin(np.einsum("ij,kj->ik", local, self.waves) + self.phases)
        return points + np.einsum("ik,kj->ij", waved, self.moves) + np.einsum("ij,kj->ik", local, self.shear)


class _Cut:
    """A rough, oblique cut beyond which the stated share of one side's area lies."""

    def __init__(
        self, random: np.random.Generator, vertices: np.ndarray, faces: np.ndarray, side: tuple[np.ndarray, float], lost_percent: float
    ) -> None:
        self.vertices, self.faces, self.is_wanted = vertices, faces, lost_percent > 0
        sideways, limit = side
        self.diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
        tilt = np.cross(sideways, _direction(random))
        angle = np.radians(random.uniform(5.0, MOST_OBLIQUE_DEG))
        self.axis = np.cos(angle) * sideways + np.sin(angle) * tilt / np.linalg.norm(tilt)
        first = np.cross(self.axis, np.eye(3)[np.abs(self.axis).argmin()])
        self.across = np.stack([first / np.linalg.norm(first), np.cross(self.axis, first / np.linalg.norm(first))])
        lengths = np.geomspace(0.5, 0.05, 16) * self.diagonal
        turns = random.uniform(0, 2 * np.pi, 16)
        self.waves = np.stack([np.cos(turns), np.sin(turns)], axis=1) * (2 * np.pi / lengths)[:, None]
        self.phases = random.uniform(0, 2 * np.pi, 16)
        self.heights = np.sqrt(lengths) / np.sqrt((lengths / 2).sum()) * ROUGHNESS_PERCENT / 100 * self.diagonal
        centres, areas = vertices[faces].mean(axis=1), face_areas(vertices, faces)
        is_own = centres @ sideways > limit
        height = self.height(centres)
        order = np.argsort(-height[is_own], kind="stable")
        gone = np.cumsum(areas[is_own][order]) / areas[is_own].sum() * 100
        self.level = float(height[is_own][order][min(np.searchsorted(gone, lost_percent), len(order) - 1)]) if self.is_wanted else np.inf
        shares = [100 * float(areas[part & (height > self.level)].sum() / areas[part].sum()) for part in (is_own, ~is_own)]
        self.lost_area_percent = (shares[0], shares[1])

    def _relief(self, flat: np.ndarray) -> np.ndarray:
        return np.einsum("ik,k->i", np.sin(np.einsum("ij,kj->ik", flat, self.waves) + self.phases), self.heights)

    def height(self, points: np.ndarray) -> np.ndarray:
        """Height above the rough surface through the origin, along the cut's axis."""
        return points @ self.axis - self._relief(points @ self.across.T)

    def is_beyond(self, points: np.ndarray) -> np.ndarray:
        return self.height(points) > self.level

    def apply(self, is_broken: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Vertices and faces of what is left, and which faces are fracture surface."""
        if not self.is_wanted:
            return self.vertices, self.faces, np.zeros(len(self.faces), bool)
        tool = self.tool()
        left = (self._solid() - tool).to_mesh64()
        vertices = np.asarray(left.vert_properties)[:, :3]
        faces = np.asarray(left.tri_verts).astype(np.int64)
        runs, origins = np.asarray(left.run_index) // 3, np.asarray(left.run_original_id)
        is_fracture = np.repeat(origins == tool.original_id(), np.diff(runs))
        if is_broken:
            return vertices, faces, is_fracture
        used, faces = np.unique(faces[~is_fracture], return_inverse=True)
        return vertices[used], faces.reshape(-1, 3), np.zeros(len(faces.reshape(-1, 3)), bool)

    def _solid(self) -> Any:
        import manifold3d

        labels = label_pieces(self.faces.astype(np.int32), len(self.vertices))
        pieces = []
        for piece in range(int(labels.max()) + 1):
            used, faces = np.unique(self.faces[labels == piece], return_inverse=True)
            mesh = manifold3d.Mesh64(self.vertices[used].astype(np.float64), faces.reshape(-1, 3).astype(np.uint64))
            pieces.append(manifold3d.Manifold(mesh))
        return manifold3d.Manifold.batch_boolean(pieces, manifold3d.OpType.Add)

    def tool(self) -> Any:
        """A block whose lower side is the rough surface and which reaches past the bone."""
        import manifold3d

        flat = self.vertices @ self.across.T
        low, high = flat.min(axis=0) - 0.05 * self.diagonal, flat.max(axis=0) + 0.05 * self.diagonal
        n = 90
        u, v = np.meshgrid(np.linspace(low[0], high[0], n), np.linspace(low[1], high[1], n), indexing="ij")
        grid = np.stack([u.ravel(), v.ravel()], axis=1)
        bottom = self.level + self._relief(grid)
        top = np.full(len(grid), float((self.vertices @ self.axis).max()) + self.diagonal)
        points = np.concatenate([grid @ self.across + h[:, None] * self.axis for h in (bottom, top)])
        number = np.arange(n * n).reshape(n, n)
        a, b, c, d = (x.ravel() for x in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]))
        lower = np.concatenate([np.stack([a, c, b], axis=1), np.stack([a, d, c], axis=1)])
        rim = np.concatenate([number[:, 0], number[-1, 1:], number[-2::-1, -1], number[0, -2:0:-1]])
        after = np.roll(rim, -1)
        walls = np.concatenate([np.stack([rim, after, after + n * n], axis=1), np.stack([rim, after + n * n, rim + n * n], axis=1)])
        faces = np.concatenate([lower, lower[:, [0, 2, 1]] + n * n, walls])
        return manifold3d.Manifold(manifold3d.Mesh64(points, faces.astype(np.uint64))).as_original()


def _random_pose(random: np.random.Generator) -> np.ndarray:
    w, x, y, z = (lambda q: q / np.linalg.norm(q))(random.normal(size=4))
    pose = np.eye(4)
    pose[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    pose[:3, 3] = random.uniform(-200, 200, 3)
    return pose


def _posed(points: np.ndarray, pose: np.ndarray) -> np.ndarray:
    return np.asarray(np.einsum("ij,kj->ik", points, pose[:3, :3]) + pose[:3, 3])


def _with_floaters(random: np.random.Generator, vertices: np.ndarray, faces: np.ndarray, n: int) -> tuple[np.ndarray, np.ndarray]:
    import trimesh

    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    places = [(vertices, faces)]
    for _ in range(n):
        crumb = trimesh.creation.icosphere(subdivisions=1, radius=0.004 * diagonal)
        centre = (vertices.max(axis=0) + vertices.min(axis=0)) / 2 + _direction(random) * diagonal * random.uniform(0.55, 0.7)
        places.append((np.asarray(crumb.vertices) + centre, np.asarray(crumb.faces)))
    starts = np.cumsum([0] + [len(v) for v, _ in places])
    return np.concatenate([v for v, _ in places]), np.concatenate([f + s for (_, f), s in zip(places, starts, strict=False)])
