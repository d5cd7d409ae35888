"""Small batches of dog bones scanned in poses of their own, for the commands that measure on scans. Individuals and names are invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from dog_individuals import damage, read_bone, warp, write_scan

BONES_HEADER = "find,element,side,organismID,scientificName,preserved_percent,scan,unit\n"
SKELETON_HEADER = "element,pairing,group\n"


def turn(seed: int) -> np.ndarray:
    """A random turn and shift (4, 4) in mm."""
    random = np.random.default_rng(seed)
    axes, _ = np.linalg.qr(random.normal(size=(3, 3)))
    matrix = np.eye(4)
    matrix[:3, :3] = axes * np.sign(np.linalg.det(axes))
    matrix[:3, 3] = random.uniform(-200, 200, 3)
    return matrix


def moved(points: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Points (n, 3) under a matrix (4, 4)."""
    return points @ matrix[:3, :3].T + matrix[:3, 3]


def scanned(name: str, seed: int, size: float = 1.0, rms_percent: float = 0.5, lost: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A dog bone as an individual of its own has it, in a pose of its own: warped, sized, the share `lost` broken off at one end, with floaters."""
    vertices, faces = read_bone(name)
    vertices = warp(vertices, rms_percent, seed) * size
    if lost:
        along = vertices[faces].mean(axis=1) @ longest_axis(vertices)
        faces = faces[along < np.quantile(along, 1 - lost)]
    return damage(moved(vertices, turn(seed + 1)), faces, seed)


def fattened(scan: tuple[np.ndarray, np.ndarray], offset_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """A scan whose skin lies outside the true one everywhere, as a volume that was segmented with too low a threshold gives it."""
    vertices, faces = scan
    sides = vertices[faces[:, 1:]] - vertices[faces[:, :1]]
    normals = np.zeros_like(vertices)
    np.add.at(normals, faces.ravel(), np.repeat(np.cross(sides[:, 0], sides[:, 1]), 3, axis=0))
    return vertices + offset_mm * normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-300)[:, None], faces


def longest_axis(vertices: np.ndarray) -> np.ndarray:
    """Direction (3,) in which a bone is longest."""
    return np.linalg.svd(vertices - vertices.mean(axis=0), full_matrices=False)[2][0]


def write_batch(folder: Path, bones: Sequence[str], skeleton: Sequence[str], scans: Mapping[str, tuple[np.ndarray, np.ndarray]]) -> Path:
    """Write a batch with the given rows of bones.csv (without scan and unit) and skeleton.csv, for one target `mount` of ind-a."""
    (folder / "config").mkdir(parents=True)
    rows = [f"{row},{row.split(',')[0]}.stl,mm\n" for row in bones]
    (folder / "config/bones.csv").write_text(BONES_HEADER + "".join(rows), encoding="utf-8")
    (folder / "config/skeleton.csv").write_text(SKELETON_HEADER + "".join(f"{row}\n" for row in skeleton), encoding="utf-8")
    (folder / "config/config.yaml").write_text("targets:\n  mount:\n    individual: ind-a\n", encoding="utf-8")
    for name, (vertices, faces) in scans.items():
        write_scan(folder / "scans" / f"{name}.stl", vertices, faces)
    return folder
