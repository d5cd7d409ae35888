"""Decimation: the stated bound holds, and what must stay stays."""

import ast
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from real_bones import dog_bone

from meshtools.errors import GeometryError
from meshtools.geometry import collapse_blocks, threads
from meshtools.geometry.across_kernels import squared_across
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.bound import bound_deviation
from meshtools.geometry.carrying import carry_over
from meshtools.geometry.decimate import Decimation, decimate_within
from meshtools.geometry.distance import Surface
from meshtools.geometry.landing import Landing, cover_bounds
from meshtools.geometry.neighbours import face_neighbours
from meshtools.geometry.rims import find_rims
from meshtools.geometry.sample import sample_surface
from meshtools.geometry.simplify import simplify_around
from meshtools.model import Mesh

OWN, DONOR = 3, 7


def ball(radius_mm: float, level: int, offset: tuple[float, float, float] = (0, 0, 0)) -> Mesh:
    """An icosphere with 20 * 4^level faces."""
    import trimesh

    sphere = trimesh.creation.icosphere(subdivisions=level, radius=radius_mm)
    return Mesh.create(np.asarray(sphere.vertices) + offset, sphere.faces)


def read_bone(name: str) -> Mesh:
    """A real bone in mm."""
    import trimesh

    bone = trimesh.load_mesh(dog_bone(name), process=True)
    return Mesh.create(np.asarray(bone.vertices) * 1000.0, bone.faces)


def densely_measured(before: Mesh, after: Mesh, n: int = 200_000) -> float:
    """Two-sided largest distance by igl's own function over dense samples with a seed that the code never uses."""
    import igl

    worst = 0.0
    for mesh, other in ((before, after), (after, before)):
        points = sample_surface(mesh, n, seed=987)[0]
        squared, _, _ = igl.point_mesh_squared_distance(points, other.vertices, other.faces.astype(np.int64))
        worst = max(worst, float(np.sqrt(squared.max())))
    return worst


def check_bound(before: Mesh, result: Decimation, tolerance_mm: float) -> None:
    """The bound is within the tolerance and no sample exceeds it."""
    assert result.bound_mm <= tolerance_mm
    assert densely_measured(before, result.mesh) <= result.bound_mm + 1e-9
    assert result.n_faces_before == len(before.faces)


def test_a_fine_ball_loses_most_faces_and_stays_within_the_tolerance() -> None:
    """81,920 faces at R 25 mm and 0.05 mm: an even net with sagitta 0.1 mm (0.05 to each side of the skin) needs about
    1,200 faces (closed form: sagitta e^2 / 6R, faces of area 0.433 e^2), so a tenth is easily reached; the volume changes by less
    than
    area x tolerance."""
    before = ball(25.0, 6)
    result = decimate_within(before, 0.05)
    check_bound(before, result, 0.05)
    assert len(result.mesh.faces) < len(before.faces) / 10
    old, new = audit_topology(before), audit_topology(result.mesh)
    assert new.is_closed
    assert new.is_outward
    assert abs(new.volume_mm3 - old.volume_mm3) <= old.area_mm2 * 0.05


@pytest.mark.parametrize("name", ["Sacrum", pytest.param("Jaw", marks=pytest.mark.slow)])
def test_a_real_bone_keeps_its_pieces_and_its_surface(name: str) -> None:
    """Every tooth of a jaw is still there, closed as before, and dense samples agree with the bound."""
    before = read_bone(name)
    result = decimate_within(before, 0.12)
    check_bound(before, result, 0.12)
    old, new = audit_topology(before), audit_topology(result.mesh)
    assert len(result.mesh.faces) < len(before.faces)
    assert (new.n_pieces, new.is_closed, new.is_outward) == (old.n_pieces, old.is_closed, old.is_outward)
    assert new.n_nonmanifold_edges <= old.n_nonmanifold_edges


@pytest.mark.parametrize("name", ["Carpal_Sesamoid_L", "Femoris_fabellae_R_1", "Femoris_fabellae_L_2"])
def test_the_smallest_bones_keep_their_volume(name: str) -> None:
    """Volume change at most area x tolerance; a ratio of faces would have taken half the bone."""
    before = read_bone(name)
    result = decimate_within(before, 0.125)
    old, new = audit_topology(before), audit_topology(result.mesh)
    assert abs(new.volume_mm3 - old.volume_mm3) <= old.area_mm2 * 0.125
    assert result.engine == "none"
    assert result.mesh is before


def test_an_open_surface_keeps_its_rims_in_place() -> None:
    """A ball without its cap has one rim before and one after, both within the tolerance of each other."""
    whole = ball(20.0, 5)
    before = whole.replaced(faces=(kept := whole.faces[whole.vertices[whole.faces][:, :, 2].max(axis=1) < 14.0]), source=np.zeros(len(kept)))
    result = decimate_within(before, 0.1)
    check_bound(before, result, 0.1)
    assert len(result.mesh.faces) < len(before.faces) / 3
    (old,), (new,) = find_rims(before), find_rims(result.mesh)
    old_points, new_points = before.vertices[old.vertices], result.mesh.vertices[new.vertices]
    gaps = np.linalg.norm(old_points[:, None] - new_points[None], axis=2)
    assert max(gaps.min(axis=0).max(), gaps.min(axis=1).max()) <= 0.1


def test_a_small_piece_beside_a_large_one_survives() -> None:
    """A ball of 20 faces beside one of 20,480: two pieces before and after, the small one untouched."""
    large, small = ball(20.0, 5), ball(1.0, 0, offset=(0, 0, 30))
    faces = np.concatenate([small.faces, large.faces + len(small.vertices)])
    result = decimate_within(Mesh.create(np.concatenate([small.vertices, large.vertices]), faces), 0.1)
    assert audit_topology(result.mesh).n_pieces == 2
    assert np.array_equal(result.mesh.vertices[-len(small.vertices) :], small.vertices)


def border_edges(mesh: Mesh) -> set[tuple[tuple[float, ...], ...]]:
    """Edges between faces of different sources, by the places of their ends."""
    sides: dict[tuple[int, int], set[int]] = {}
    for face, source in zip(mesh.faces.tolist(), mesh.source.tolist(), strict=True):
        for k in range(3):
            sides.setdefault((min(face[k], face[k - 1]), max(face[k], face[k - 1])), set()).add(source)
    places = [tuple(place) for place in mesh.vertices.tolist()]
    return {tuple(sorted((places[i], places[j]))) for (i, j), sources in sides.items() if len(sources) > 1}


def test_the_border_between_two_sources_stays_to_the_last_bit() -> None:
    """No face reaches from one source into the other, so scanned skin is measured against the scan alone: a bite out of a ball, filled."""
    mesh = ball(20.0, 5)
    is_filled = np.linalg.norm(mesh.vertices[mesh.faces].mean(axis=1) - [12.0, 9.0, 13.0], axis=1) < 7.0
    before = mesh.replaced(source=np.where(is_filled, DONOR, OWN))
    after = decimate_within(before, 0.1).mesh
    assert len(after.faces) < len(before.faces) / 3
    assert border_edges(after) == border_edges(before)


def test_source_and_colour_come_from_the_nearest_original_place() -> None:
    """A ball half own and half donor, coloured along x: each new face has its half's source, each vertex its place's colour."""
    mesh = ball(20.0, 5)
    is_donor = mesh.vertices[mesh.faces].mean(axis=1)[:, 2] > 0
    ramp = np.rint((mesh.vertices[:, 0] + 20) * 6).astype(np.uint8)
    before = mesh.replaced(source=np.where(is_donor, DONOR, OWN), colour=np.stack([ramp, 255 - ramp, ramp], axis=1))
    after = decimate_within(before, 0.1).mesh
    middle = after.vertices[after.faces].mean(axis=1)[:, 2]
    edge = 20.0 * 1.2 / 2**5
    assert set(after.source[middle > edge]) == {DONOR}
    assert set(after.source[middle < -edge]) == {OWN}
    assert after.colour is not None
    assert np.abs(after.colour[:, 0] - (after.vertices[:, 0] + 20) * 6).max() < 2.0


@pytest.mark.parametrize("is_known", [True, False], ids=["known-landing", "no-vertex-lands-around"])
def test_colours_are_those_that_a_search_of_the_whole_surface_finds(is_known: bool) -> None:
    """Colours at random on a ball: found where the fine vertices land, or where none lands, they are those of the nearest point of all."""
    fine, coarse = ball(10.0, 4), ball(10.01, 2)
    fine = fine.replaced(colour=np.random.default_rng(3).integers(0, 256, (len(fine.vertices), 3), dtype=np.uint8))
    assert fine.colour is not None
    landing = Landing.at_nearest(fine, Surface(coarse), face_neighbours(fine.faces, len(fine.vertices)))
    if not is_known:
        landing = Landing(fine, coarse, None, np.zeros(len(fine.vertices), np.int32))
    nearest = Surface(fine).nearest(coarse.vertices)
    expected = np.einsum("ij,ijk->ik", nearest.weights, fine.colour[fine.faces[nearest.face]].astype(np.float64))
    found = carry_over(landing).colour
    assert found is not None
    has_vertex = np.isin(np.arange(len(coarse.vertices)), coarse.faces[0]) & (not is_known)
    assert np.abs(found - expected)[~has_vertex].max() <= 0.5 + 1e-6


@pytest.mark.parametrize("shift_mm", [0.02, 2.0], ids=["most-faces-wide-beside-it", "far"])
def test_bound_holds_and_is_close_whether_cover_or_balls_come_first(shift_mm: float) -> None:
    """A coarse ball in a fine one of another radius: the largest distance is known from its middles, and the bound within 2 % of it."""
    fine, coarse = ball(10.0 + shift_mm, 6), ball(10.0, 3)
    surface, flat = Surface(fine), Surface(coarse)
    bound = bound_deviation(coarse, surface, cover=lambda wanted, limit_mm: cover_bounds(flat, fine, wanted, limit_mm))
    farthest = surface.distance(coarse.vertices[coarse.faces].mean(axis=1))[0].max()
    assert farthest <= bound.bound_mm <= max(1.02 * farthest, farthest + 2e-4)


def test_decimation_repeats_to_the_last_bit() -> None:
    """Two runs give the same arrays."""
    first, second = (decimate_within(ball(10.0, 4), 0.05).mesh for _ in range(2))
    assert first.vertices.tobytes() == second.vertices.tobytes()
    assert first.faces.tobytes() == second.faces.tobytes()


def test_kept_faces_stay_to_the_last_bit_and_the_seam_stays_closed() -> None:
    """Half of a ball is kept: its faces are all there unmoved, and the whole is still closed."""
    mesh = ball(10.0, 4)
    is_kept = mesh.vertices[mesh.faces].mean(axis=1)[:, 0] > 0
    after = simplify_around(mesh, is_kept, 800)
    assert after is not None
    assert audit_topology(after).is_closed
    kept = {triangle.tobytes() for triangle in mesh.vertices[mesh.faces[is_kept]]}
    assert kept <= {triangle.tobytes() for triangle in after.vertices[after.faces]}


@pytest.mark.parametrize(("seed", "limit_mm"), [(0, 0.0), (1, 0.0), (2, 0.0), (0, 0.1), (1, 0.15)])
def test_no_point_of_a_coarse_face_is_farther_than_its_cover_says(seed: int, limit_mm: float) -> None:
    """Of a ball against a rough finer one most faces are shown to be covered, and samples on a face never exceed its bound."""
    coarse, fine = ball(10.0, 3), ball(10.0, 5)
    fine = fine.replaced(vertices=fine.vertices + np.random.default_rng(seed).normal(0, 0.02, fine.vertices.shape))
    upper = cover_bounds(Surface(coarse), fine, np.ones(len(coarse.faces), bool), limit_mm)
    points, faces = sample_surface(coarse, 100_000, seed=seed + 50)
    assert (Surface(fine).distance(points)[0] <= upper[faces] + 1e-9).all()
    assert np.isfinite(upper).mean() > 0.9


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_no_point_of_a_fine_face_is_farther_than_is_shown_of_it(seed: int) -> None:
    """Loose triangles of many sizes near a knobbly ball, over edges, corners and thin faces; igl's distances of 253 points of each."""
    import igl

    random = np.random.default_rng(seed)
    rough = ball(10.0, 2)
    coarse = Surface(Mesh.create(rough.vertices * random.uniform(0.8, 1.2, (len(rough.vertices), 1)), rough.faces))
    middles = sample_surface(coarse.mesh, 3000, seed)[0]
    size = random.uniform(0.05, 1.5, (len(middles), 1, 1))
    corners = coarse.project((middles[:, None, :] + size * random.normal(size=(len(middles), 3, 3))).reshape(-1, 3))[2]
    fine = Mesh.create(corners + random.normal(scale=0.03, size=corners.shape), np.arange(len(corners)).reshape(-1, 3))
    landing = Landing.at_nearest(fine, coarse, np.full((len(fine.faces), 3), -1, np.int32))
    upper_mm = np.full(len(fine.faces), np.inf)
    landing.prove_fine(np.ones(len(fine.faces), bool), 0.2, upper_mm)
    shown = np.flatnonzero(np.isfinite(upper_mm))
    beside = [row for row in shown if len(set(landing.face[fine.faces[row]])) > 1]
    args = (fine.vertices, fine.faces), landing.face, (coarse.mesh.vertices, coarse.mesh.faces), landing.neighbours, 0.2**2
    at_once = [row for row in beside if np.isfinite(squared_across(args[0], row, *args[1:]))]
    assert len(beside) > len(at_once) > 300
    weights = np.array([(i, j, 21 - i - j) for i in range(22) for j in range(22 - i)]) / 21.0
    points = np.einsum("pc,fcx->fpx", weights, fine.vertices[fine.faces[shown]])
    squared = igl.point_mesh_squared_distance(points.reshape(-1, 3), coarse.mesh.vertices, coarse.mesh.faces.astype(np.int64))[0]
    assert (np.sqrt(squared).reshape(len(shown), -1).max(axis=1) <= upper_mm[shown] + 1e-9).all()


def test_a_hole_in_the_fine_surface_is_never_covered() -> None:
    """Where the finer ball lacks a cap, the faces of the coarse one over it are not shown near, and the bound tells the gap."""
    coarse, fine = ball(10.0, 2), ball(10.0, 5)
    holed = fine.replaced(faces=(kept := fine.faces[fine.vertices[fine.faces][:, :, 2].max(axis=1) < 9.0]), source=np.zeros(len(kept)))
    upper = cover_bounds(Surface(coarse), holed, np.ones(len(coarse.faces), bool), 0.0)
    points, faces = sample_surface(coarse, 100_000, seed=9)
    distances, _ = Surface(holed).distance(points)
    assert (distances <= upper[faces] + 1e-9).all()
    found = bound_deviation(coarse, Surface(holed), upper_mm=upper)
    assert distances.max() <= found.bound_mm <= 1.01 * found.max_mm + 1e-9
    assert found.max_mm > 3.0


def test_a_tolerance_of_nothing_is_refused() -> None:
    """The tolerance must be above 0, and the message says so."""
    with pytest.raises(GeometryError, match="above 0"):
        decimate_within(ball(1.0, 1), 0.0)


@pytest.mark.parametrize("n_cores", [1, 3])
def test_a_mesh_in_blocks_ends_with_the_same_bits_on_any_number_of_cores(monkeypatch: pytest.MonkeyPatch, n_cores: int) -> None:
    """Blocks are worked on at once where there are cores, and the strips between them show in no more faces than one block has."""
    bone = read_bone("Femoris_L")
    whole = decimate_within(bone, 0.2).mesh
    monkeypatch.setattr(collapse_blocks, "LEAST_FACES", 500)
    monkeypatch.setattr(threads, "LEAST_ROWS", 100)
    monkeypatch.setattr(threads, "n_threads", lambda: 2)
    expected = decimate_within(bone, 0.2).mesh
    monkeypatch.setattr(threads, "n_threads", lambda: n_cores)
    found = decimate_within(bone, 0.2).mesh
    assert (found.vertices.tobytes(), found.faces.tobytes()) == (expected.vertices.tobytes(), expected.faces.tobytes())
    assert expected.vertices.tobytes() != whole.vertices.tobytes()
    assert len(expected.faces) < 1.05 * len(whole.faces)


PACKAGE = Path(__file__).resolve().parent.parent / "meshtools"
WITHOUT_CODE = """
import sys
from importlib import import_module
from meshtools.geometry.compiled import compile_all
compile_all()
loops = {name: getattr(import_module(name.rpartition(".")[0]), name.rpartition(".")[2]) for name in sys.argv[1:]}
print(*(name for name, loop in loops.items() if not loop.signatures))
"""


def loops_called_from_python() -> set[str]:
    """Full names of the compiled loops that modules of plain Python import or hold themselves."""
    found = set()
    for path in (path for path in PACKAGE.rglob("*.py") if not path.stem.endswith("_kernels")):
        own = ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").endswith("_kernels"):
                found |= {f"{node.module}.{alias.name}" for alias in node.names if not alias.name.isupper()}
            elif isinstance(node, ast.FunctionDef) and "compiled" in [ast.unparse(decorator) for decorator in node.decorator_list]:
                found.add(f"{own}.{node.name}")
    return found


def test_installation_compiles_every_loop_that_python_calls() -> None:
    """After `compile_all`, in a process that has called nothing else, each has machine code, so no job waits for the compiler."""
    called = loops_called_from_python()
    assert len(called) > 50
    done = subprocess.run([sys.executable, "-P", "-c", WITHOUT_CODE, *sorted(called)], check=True, capture_output=True, text=True)
    assert done.stdout.split() == []
