"""What is done in threads is the same for any number of them, and no more of them are used than a build was told to."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from dog_individuals import read_bone

from meshtools.geometry import threads
from meshtools.geometry.neighbours import face_neighbours, half_edge_counts
from meshtools.geometry.pieces import label_pieces, patches_by_edges, take_faces, vertex_normals
from meshtools.geometry.spikes import find_spikes
from meshtools.geometry.tree import tree_over
from meshtools.geometry.weld import weld_scan
from meshtools.model import Mesh


@pytest.fixture
def bone(monkeypatch: pytest.MonkeyPatch) -> Mesh:
    """A bone with a fin and a hole, in three threads whatever the machine has."""
    monkeypatch.setattr(threads, "n_threads", lambda: 3)
    monkeypatch.setattr(threads, "LEAST_ROWS", 50)
    monkeypatch.setattr(threads, "LEAST_LIGHT_ROWS", 50)
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


def test_a_scan_is_welded_numbered_and_taken_apart_in_blocks_as_in_one(bone: Mesh, monkeypatch: pytest.MonkeyPatch) -> None:
    """Corners are each face's own, as in an STL; some faces are there twice, have no area or no place, and vertices stand far off the skin."""
    points = bone.vertices.copy()
    points[::60] += 0.1 * np.ptp(points, axis=0).max() * vertex_normals(points, bone.faces)[::60]
    vertices = points[bone.faces].reshape(-1, 3)
    vertices[900] = np.nan
    faces = np.arange(len(vertices)).reshape(-1, 3)
    faces = np.concatenate([faces, faces[200:230, [1, 2, 0]], faces[5:9, [0, 0, 1]]])

    def all_of_it() -> list[bytes]:
        welded = weld_scan(vertices, faces, None)
        mesh = welded.mesh
        part = take_faces(mesh, np.arange(len(mesh.faces)) % 7 > 2)
        patches = patches_by_edges(part.faces, len(part.vertices))
        arrays = mesh.vertices, mesh.faces, part.vertices, part.faces, label_pieces(part.faces, len(part.vertices)), patches, find_spikes(mesh)
        return [str(welded.counts).encode(), *(array.tobytes() for array in arrays)]

    in_blocks = all_of_it()
    monkeypatch.setattr(threads, "n_threads", lambda: 1)
    assert in_blocks == all_of_it()
    assert all(in_blocks)


def test_a_build_that_was_told_to_use_one_core_works_in_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(threads.CORES, "1")
    assert threads.n_threads() == 1
