"""The mirror plane of one bone: found where it is known, the same in any pose, and doubted where there is none."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from meshtools.errors import GeometryError
from meshtools.geometry.distance import Surface
from meshtools.geometry.midsagittal import PlaneFit, PlaneHint, find_midsagittal_plane
from meshtools.geometry.mirror_candidates import apart, read_measured_skin, read_skin
from meshtools.geometry.mirror_confidence import Evidence, judge_plane, measure_facing
from meshtools.geometry.mirror_fit import fit_fine
from meshtools.geometry.sample import sample_measured
from meshtools.geometry.transform import apply_matrix, chain, translation_matrix
from meshtools.model import Mesh

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

from damaged_bones import damaged, fit_plane
from plane_trials import plane_errors


def bumpy_ellipsoid(n_bumps: int = 7) -> Mesh:
    """An ellipsoid with bumps in pairs across the plane x = 3, on which nothing else mirrors: closed form."""
    import trimesh

    sphere = trimesh.creation.icosphere(subdivisions=4)
    random = np.random.default_rng(4)
    places = random.normal(size=(n_bumps, 3))
    places /= np.linalg.norm(places, axis=1)[:, None]
    heights = random.uniform(0.1, 0.4, n_bumps)
    radius = np.ones(len(sphere.vertices))
    for place, height in zip(places, heights, strict=True):
        for sign in (1, -1):
            radius += height * np.exp(-((sphere.vertices - place * [sign, 1, 1]) ** 2).sum(axis=1) / 0.1)
    return Mesh.create(sphere.vertices * radius[:, None] * [20, 35, 50] + [3, 0, 0], sphere.faces)


def rotation(axis: tuple[float, float, float], angle_deg: float) -> np.ndarray:
    """Rotation matrix (4, 4) about an axis through the origin (Rodrigues' formula)."""
    x, y, z = np.array(axis) / np.linalg.norm(axis)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    turn = np.radians(angle_deg)
    matrix = np.eye(4)
    matrix[:3, :3] += np.sin(turn) * cross + (1 - np.cos(turn)) * cross @ cross
    return matrix


@pytest.fixture(scope="module")
def ellipsoid() -> tuple[Mesh, PlaneFit]:
    mesh = bumpy_ellipsoid()
    return mesh, find_midsagittal_plane(mesh, is_midline=True)


def test_the_plane_of_a_bumpy_ellipsoid_is_found_where_it_was_made(ellipsoid: tuple[Mesh, PlaneFit]) -> None:
    fit = ellipsoid[1]
    assert np.degrees(np.arccos(min(1.0, fit.normal[0]))) < 0.1
    assert fit.offset_mm == pytest.approx(3.0, abs=0.05)
    assert fit.verdict == "accept"
    assert fit.residual_rms_mm < 0.1


def test_the_same_mesh_gives_the_same_bits(ellipsoid: tuple[Mesh, PlaneFit]) -> None:
    mesh, fit = ellipsoid
    again = find_midsagittal_plane(mesh, is_midline=True)
    assert again.normal.tobytes() == fit.normal.tobytes()
    assert repr(again) == repr(fit)


def test_the_plane_moves_with_the_bone(ellipsoid: tuple[Mesh, PlaneFit]) -> None:
    mesh, fit = ellipsoid
    move = chain(rotation((1.0, 2.0, -0.5), 77.0), translation_matrix((120.0, -35.0, 8.0)))
    moved = find_midsagittal_plane(apply_matrix(mesh, move))
    normal = move[:3, :3] @ fit.normal
    offset = fit.offset_mm + float(normal @ move[:3, 3])
    sign = np.sign(normal @ moved.normal)
    assert np.degrees(np.linalg.norm(np.cross(normal, moved.normal))) < 0.05
    assert moved.offset_mm * sign == pytest.approx(offset, abs=0.05)


def test_half_a_vertebra_broken_away_still_shows_its_plane() -> None:
    trial = damaged("L_3", 2, lost_percent=50, is_broken=True, noise_percent=0.2, floaters=3)
    fit = find_midsagittal_plane(Mesh.create(trial.vertices, trial.faces))
    angle, offset = plane_errors(trial, fit)
    assert angle is not None
    assert offset is not None
    assert angle < 0.35
    assert offset < 1.0
    assert fit.verdict == "accept"


def test_the_plane_of_a_noisy_jaw_that_lost_half_of_a_side_lies_within_a_quarter_degree() -> None:
    """Noise 0.5 % of the diagonal; before it was levelled along the mesh, the plane lay 0.33 degrees off."""
    trial = damaged("Jaw", 2, 50.0, noise_percent=0.5, floaters=3)
    angle_deg, _ = plane_errors(trial, find_midsagittal_plane(Mesh.create(trial.vertices, trial.faces), PlaneHint(left_right=trial.true_normal)))
    assert angle_deg is not None
    assert angle_deg < 0.25


def test_a_femur_has_no_plane_that_is_accepted() -> None:
    trial = damaged("Femoris_L", 1, noise_percent=0.1)
    assert find_midsagittal_plane(Mesh.create(trial.vertices, trial.faces)).verdict != "accept"


def test_a_rod_that_mirrors_itself_is_asked_for_unless_it_is_known_to_lie_in_the_midline() -> None:
    trial = damaged("Phalanx_media_digiti_III_L", 1)
    mesh = Mesh.create(trial.vertices, trial.faces)
    fit = find_midsagittal_plane(mesh)
    assert fit.verdict != "accept"
    assert fit.reasons[-1].startswith("It is a rod")
    assert not any(reason.startswith("It is a rod") for reason in find_midsagittal_plane(mesh, is_midline=True).reasons)


def test_skin_faces_skin_inside_a_ring_and_nowhere_on_a_ball_whichever_way_the_faces_turn() -> None:
    import trimesh

    ring = trimesh.creation.torus(3.5, 2.0, major_sections=64, minor_sections=32)
    ball = trimesh.creation.icosphere(3, 10.0)
    found = []
    for solid, order in ((ring, 1), (ring, -1), (ball, 1), (ball, -1)):
        skin = read_skin(Mesh.create(solid.vertices, solid.faces[:, ::order]), 1)
        found.append(measure_facing(skin, Surface(skin.mesh)))
    # Closed form: a look at angle t from the plane of the ring passes 2 R sin(t) beside the middle of the tube opposite (tube radius a = 2,
    # mid-circle R = 3.5), so it meets it where sin(t) <= a / (2 R); all such are within reach. Share of the area: (R t - a sin(t)) / (pi R).
    assert found[0] == pytest.approx(100 * (3.5 * np.arcsin(2 / 7) - 2 * 2 / 7) / (np.pi * 3.5), abs=1.0)
    assert found[1] == pytest.approx(found[0], abs=1.0)
    assert found[2:] == [0.0, 0.0]


def test_half_of_the_measured_samples_are_drawn_by_face_and_half_by_area() -> None:
    vertices = np.array([[0, 0, 0], [3, 0, 0], [0, 1, 0], [0, -1, 0], [1, 0, 0]], float)
    mesh = Mesh.create(vertices, np.array([[0, 1, 2], [0, 3, 4]]))  # areas 1.5 and 0.5
    points, faces = sample_measured(mesh, 1000, 1)
    assert np.bincount(faces).tolist() == [625, 375]  # (3/4 + 1/2) / 2
    assert (np.sign(points[:, 1]) == np.where(faces == 0, 1, -1)).all()
    assert np.bincount(faces[:200])[0] == pytest.approx(125, abs=25)


def test_samples_where_a_scan_was_measured_fix_the_plane_of_a_noisy_jaw_better_than_even_ones() -> None:
    errors: dict[str, list[float]] = {"even": [], "measured": []}
    for seed in range(4):
        trial = damaged("Jaw", seed, noise_percent=0.5)
        even = read_skin(Mesh.create(trial.vertices, trial.faces), 1)
        offset = (trial.true_offset_mm - trial.true_normal @ even.centre_mm) / even.diagonal_mm
        for name, skin in (("even", even), ("measured", read_measured_skin(even, 1))):
            plane = fit_fine(skin, np.append(trial.true_normal, offset), len(skin.points), 10)
            errors[name].append(float(apart(plane[None], np.append(trial.true_normal, offset))[0][0]))
    assert np.sum(np.square(errors["measured"])) < 0.5 * np.sum(np.square(errors["even"]))


def test_a_sphere_mirrors_everywhere_so_no_plane_is_accepted() -> None:
    import trimesh

    sphere = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    fit = find_midsagittal_plane(Mesh.create(sphere.vertices, sphere.faces))
    assert fit.verdict == "refuse"
    assert fit.ratio > 0.97


def test_a_hint_keeps_the_search_near_what_a_person_knows(ellipsoid: tuple[Mesh, PlaneFit]) -> None:
    points = np.array([[2.0, -30, 5], [4.0, 30, -10], [3.0, 0, 45]])
    assert find_midsagittal_plane(ellipsoid[0], PlaneHint(midline_points=points)).normal[0] > 0.999
    wrong = find_midsagittal_plane(ellipsoid[0], PlaneHint(left_right=np.array([0.0, 0.0, 1.0])))
    assert wrong.normal[2] > np.cos(np.radians(35.0))


def test_midline_points_on_one_line_are_refused(ellipsoid: tuple[Mesh, PlaneFit]) -> None:
    points = np.array([[3.0, -30, 0], [3.0, 0, 0.1], [3.0, 30, 0]])
    with pytest.raises(GeometryError, match="almost on one line"):
        find_midsagittal_plane(ellipsoid[0], PlaneHint(midline_points=points))


@pytest.mark.parametrize(
    ("evidence", "verdict"),
    [
        (Evidence(0.05, 0.5, 0.6), "accept"),
        (Evidence(0.5, 0.5, 0.6), "ask"),
        (Evidence(0.05, 0.95, 0.6), "ask"),
        (Evidence(0.05, 0.5, 0.1), "ask"),
        (Evidence(0.05, 0.5, 5.0), "ask"),
        (Evidence(0.05, 0.5, 0.6, 9.0), "accept"),
        (Evidence(0.05, 0.5, 0.6, 5.0), "ask"),
        (Evidence(3.0, 0.5, 0.6), "refuse"),
        (Evidence(0.05, 0.99, 0.6), "refuse"),
    ],
)
def test_every_doubt_lowers_the_verdict_and_says_why(evidence: Evidence, verdict: str) -> None:
    found, reasons = judge_plane(evidence)
    assert found == verdict
    assert len(reasons) == (0 if verdict == "accept" else 1)


def test_the_true_plane_of_exact_partners_is_their_mirror() -> None:
    points = np.random.default_rng(1).normal(size=(50, 3))
    normal, offset = fit_plane(points, points * [1, -1, 1] + [0, 4, 0], np.ones(50))
    assert normal == pytest.approx([0, 1, 0], abs=1e-12)
    assert offset == pytest.approx(2.0)
