"""What is done in threads is the same for any number of them, and no more of them are used than a build was told to."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from dog_individuals import read_bone

from meshtools.geometry import threads
from meshtools.geometry.neighbours import face_neighbours, half_edge_counts
from meshtools.geometry.tree import tree_over
from meshtools.geometry.weld import weld_scan
from meshtools.model import Mesh


@pytest.fixture
def bone(monkeypatch: pytest.MonkeyPatch) -> Mesh:
    """A bone with a fin and a hole, in three threads whatever the machine has."""
    monkeypatch.setattr(threads, "n_threads", lambda: 3)
    monkeypatch.setattr(threads, "LEAST_ROWS", 50)
    vertices, faces = read_bone("Femoris_L")
    mesh = weld_scan(vertices, faces, None).mesh
    fin = np.array([[*mesh.faces[50][:2], mesh.faces[90][0]]], mesh.faces.dtype)
    return Mesh.create(mesh.vertices, np.concatenate([mesh.faces[40:], fin]))


def test_faces_at_edges_are_those_that_a_table_of_all_edges_has(bone: Mesh) -> None:
    faces, n = bone.faces.tolist(), len(bone.vertices)
    ways = [(face[k], face[(k + 1) % 3]) for face in faces for k in range(3)]
    count = Counter(ways)
    at_edge: dict[frozenset[int], list[int]] = {}
    for number, way in enumerate(ways):
        at_edge.setdefault(frozenset(way), []).append(number // 3)
    across = []
    for number, way in enumerate(ways):
        others = [face for face in at_edge[frozenset(way)] if face != number // 3]
        across.append({0: -1, 1: others[0] if others else -1}.get(len(others), -2))
    assert {-1, -2} < set(across)
    assert face_neighbours(bone.faces, n).ravel().tolist() == across
    along, against = half_edge_counts(bone.faces, n)
    assert list(zip(along.tolist(), against.tolist(), strict=True)) == [(count[a, b], count[b, a]) for a, b in ways]


def test_a_tree_made_in_parts_is_the_tree_made_at_once(bone: Mesh, monkeypatch: pytest.MonkeyPatch) -> None:
    in_parts = tree_over(bone.vertices, bone.faces)
    monkeypatch.setattr(threads, "LEAST_ROWS", len(bone.faces))
    at_once = tree_over(bone.vertices, bone.faces)
    assert [array.tobytes() for array in in_parts] == [array.tobytes() for array in at_once]


def test_a_build_that_was_told_to_use_one_core_works_in_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(threads.CORES, "1")
    assert threads.n_threads() == 1
