"""A posed skeleton as one file, read back by a second reader."""

from __future__ import annotations

import io

import numpy as np
import pytest
import trimesh
from glb_structure import broken_rules_of_glb
from solid_shapes import ball, box

from meshtools.files.skeleton_glb import PlacedPart, encode_skeleton_glb
from meshtools.geometry.transform import apply_matrix
from meshtools.model import EvidenceClass, Origin, SourceEntry

SOURCES = (SourceEntry(EvidenceClass.OWN, "a", Origin.SCANNED),)


def test_every_bone_stands_in_its_place_in_metres_with_up_as_y_and_the_same_parts_give_the_same_bytes() -> None:
    matrix = np.array([[0.0, -1, 0, 1000], [1, 0, 0, 20], [0, 0, 1, -7], [0, 0, 0, 1]])
    parts = [PlacedPart("skull", ball(10.0, (5, 6, 7)), SOURCES, np.eye(4)), PlacedPart("femur-left", box((2, 3, 5), (400, 0, 0)), SOURCES, matrix)]
    content = encode_skeleton_glb("mount", parts)
    assert content == encode_skeleton_glb("mount", parts)
    assert broken_rules_of_glb(content) == []
    scene = trimesh.load_scene(io.BytesIO(content), file_type="glb")
    assert broken_rules_of_glb(encode_skeleton_glb("mount", [PlacedPart("patella", box((2, 3, 5)), SOURCES, np.eye(4))])) == []
    for part in parts:
        transform, geometry = scene.graph[part.name]
        found = trimesh.transform_points(scene.geometry[geometry].vertices, transform)[:, [0, 2, 1]] * [1000, -1000, 1000]
        placed = apply_matrix(part.mesh, part.skeleton_from_replica).vertices
        assert np.array([found.min(axis=0), found.max(axis=0)]) == pytest.approx(np.array([placed.min(axis=0), placed.max(axis=0)]), abs=1e-3)
        assert scene.geometry[geometry].is_watertight
