"""Individuals made from the dog bones: smooth warps, independent left and right, with the truth kept.

Source of the bones: tests/real_bones.py. The size of natural differences (RMS 0.2-0.4 % of length for long bones) was measured
between real left and right bones elsewhere.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from real_bones import dog_bone


def read_bone(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Vertices in mm and faces of one dog bone, coincident vertices merged. The dog's mirror plane is y = 0."""
    import trimesh

    mesh = trimesh.load_mesh(dog_bone(name))
    return np.asarray(mesh.vertices) * 1000.0, np.asarray(mesh.faces)


def warp(vertices: np.ndarray, rms_percent: float, seed: int) -> np.ndarray:
    """A smooth displacement of given RMS (percent of the largest extent): twelve long sine waves in random directions."""
    random = np.random.default_rng(seed)
    size = float(np.ptp(vertices, axis=0).max())
    moved = np.zeros_like(vertices)
    for _ in range(12):
        wave = random.normal(size=3) / size * 4
        moved += np.sin(vertices @ wave + random.uniform(0, 6.28))[:, None] * random.normal(size=3)
    return vertices + moved * (rms_percent / 100 * size / np.sqrt((moved**2).sum(axis=1).mean()))


def damage(vertices: np.ndarray, faces: np.ndarray, seed: int, hole_mm: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """Three small holes and four floaters beside the bone, as a scan has them: 0.3 mm or 0.4 % of the bone, whichever is less."""
    import trimesh

    random = np.random.default_rng(seed)
    centres = vertices[faces].mean(axis=1)
    keep = np.ones(len(faces), dtype=bool)
    for place in random.choice(len(faces), 3, replace=False):
        keep &= np.linalg.norm(centres - centres[place], axis=1) > hole_mm / 2
    parts = [trimesh.Trimesh(vertices, faces[keep], process=False)]
    for _ in range(4):
        floater = trimesh.creation.icosphere(subdivisions=1, radius=min(0.3, 0.004 * float(np.ptp(vertices, axis=0).max())))
        floater.apply_translation(vertices.max(axis=0) + random.uniform(2, 6, 3))
        parts.append(floater)
    whole = trimesh.util.concatenate(parts)
    return np.asarray(whole.vertices), np.asarray(whole.faces)


def write_scan(path: Path, vertices: np.ndarray, faces: np.ndarray) -> None:
    """Write a binary STL."""
    import trimesh

    path.parent.mkdir(parents=True, exist_ok=True)
    trimesh.Trimesh(vertices, faces, process=False).export(path)


def replica_in_second_reader(path: Path) -> Any:
    """A delivered file as trimesh reads it."""
    import trimesh

    return trimesh.load_mesh(path)
