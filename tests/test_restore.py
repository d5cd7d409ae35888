"""A damaged bone is completed from its other half or its counterpart, and what is left of it stays as it is."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from solid_shapes import ball

from meshtools.errors import GeometryError
from meshtools.geometry import restore_join, seam, seam_repair
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.distance import Surface
from meshtools.geometry.pieces import face_areas, take_faces
from meshtools.geometry.restore import Restoration, Rows, restore_across_plane, restore_from_counterpart
from meshtools.geometry.rims import find_rims
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.takeover import settle_cavities, winding
from meshtools.geometry.transform import move_points
from meshtools.geometry.unite import concatenate
from meshtools.model import Mesh
from meshtools.settings import RestoreSettings

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))
OWN, TAKEN, SEAM, FILL = 4, 5, 6, 7
ROWS = Rows((0, 0, 0, 0, TAKEN, TAKEN, SEAM, FILL), SEAM, (FILL,))
SETTINGS = RestoreSettings()


def bumpy(n_splits: int = 4) -> Mesh:
    """An ellipsoid of about 50 x 36 x 28 mm with bumps that the plane y = 0 mirrors exactly; its vertices come in mirrored pairs."""
    unit = ball(1.0, n_splits=n_splits).vertices
    x, y, z = unit.T
    radius = 1.0 + 0.06 * np.cos(5 * x + 2 * z) + 0.05 * np.cos(6 * y) * np.sin(4 * z + 1) + 0.04 * x
    return Mesh.create(unit * radius[:, None] * [25.0, 18.0, 14.0], ball(1.0, n_splits=n_splits).faces, OWN)


def cut_away(mesh: Mesh, normal=(0.15, 1.0, 0.1), offset_mm: float = 7.0, is_open: bool = False) -> tuple[Mesh, np.ndarray]:
    """The mesh without what lies beyond a plane, as a solid or as an open scan, and which faces are fracture."""
    import manifold3d

    length = float(np.linalg.norm(normal))
    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices), mesh.faces.astype(np.uint64)))
    half = solid.trim_by_plane(tuple(-np.array(normal) / length), -offset_mm / length).to_mesh64()
    vertices, faces = np.array(half.vert_properties)[:, :3], np.array(half.tri_verts).astype(np.int64)
    is_fracture = (np.abs(vertices[faces] @ np.array(normal) - offset_mm) < 1e-6).all(axis=1)
    whole = Mesh.create(vertices, faces, OWN)
    return (take_faces(whole, ~is_fracture), is_fracture) if is_open else (whole, is_fracture)


def restored(mesh: Mesh, normal=(0.0, 1.0, 0.0), offset_mm: float = 0.0) -> Restoration:
    return restore_across_plane(mesh, normal, offset_mm, ROWS, SETTINGS)


def farthest_percent(truth: Mesh, found: Mesh) -> float:
    """Largest distance from the truth's vertices to a surface, in percent of the truth's diagonal."""
    size = float(np.linalg.norm(np.ptp(truth.vertices, axis=0)))
    return 100.0 * float(Surface(found).distance(truth.vertices)[0].max()) / size


@pytest.mark.parametrize("is_open", [False, True], ids=["solid", "open"])
def test_a_cut_ellipsoid_gets_its_volume_back(is_open: bool) -> None:
    """The volume of the whole is known (divergence theorem); restored to 0.05 %, closed, one piece, no crossing."""
    whole = bumpy()
    found = restored(cut_away(whole, is_open=is_open)[0])
    audit = audit_topology(found.mesh)
    assert (audit.is_closed, audit.n_pieces, count_self_intersections(found.mesh).n_pairs) == (True, 1, 0)
    assert audit.volume_mm3 == pytest.approx(audit_topology(whole).volume_mm3, rel=5e-4)
    assert farthest_percent(whole, found.mesh) < 0.1


@pytest.mark.parametrize("is_open", [False, True], ids=["solid", "open"])
def test_a_bone_cut_exactly_on_its_plane_gets_its_other_half_back(is_open: bool) -> None:
    """Half of the bone is lost, and the rim meets its own image: volume to 1e-6, and no chord through the bone in the seam."""
    whole = bumpy()
    found = restored(cut_away(whole, (0.0, 1.0, 0.0), 0.0, is_open)[0])
    audit = audit_topology(found.mesh)
    assert (audit.is_closed, audit.n_pieces, found.n_tangled_faces, count_self_intersections(found.mesh).n_pairs) == (True, 1, 0, 0)
    assert audit.volume_mm3 == pytest.approx(audit_topology(whole).volume_mm3, rel=1e-6)
    assert audit.area_mm2 == pytest.approx(audit_topology(whole).area_mm2, rel=1e-6)
    assert found.flat_percent == 0.0


def test_no_vertex_of_the_original_skin_moves_and_every_face_says_where_it_is_from() -> None:
    """Bit for bit: each skin face away from the seam is in the result with its own corners and its own source."""
    scan, is_fracture = cut_away(bumpy())
    found = restored(scan)
    corners = {tuple(sorted(map(bytes, found.mesh.vertices[face]))) for face in found.mesh.faces[found.mesh.source == OWN]}
    skin = scan.vertices[scan.faces[~is_fracture]]
    is_far = (skin @ [0.15, 1.0, 0.1]).max(axis=1) < 7.0 - 0.3
    assert all(tuple(sorted(map(bytes, face))) in corners for face in skin[is_far])
    assert found.original_skin_moved_max_mm == 0.0
    taken = found.mesh.vertices[found.mesh.faces[found.mesh.source == TAKEN]].mean(axis=1)
    assert (taken @ [0.15, 1.0, 0.1]).min() > 7.0 - 0.3
    assert set(found.mesh.source.tolist()) == {OWN, TAKEN, SEAM}


def test_a_whole_bone_comes_back_untouched() -> None:
    whole = bumpy(3)
    found = restored(whole)
    assert not found.is_changed
    assert np.array_equal(found.mesh.vertices, whole.vertices)
    assert np.array_equal(found.mesh.faces, whole.faces)


def swollen(whole: Mesh, height_mm: float, width_mm: float, source: int) -> Mesh:
    """The whole with a smooth lump on its side at y > 0, whose faces have this source."""
    away = np.linalg.norm(whole.vertices - [0.0, 18.0, 0.0], axis=1)
    lift = height_mm * np.clip(1.0 - (away / width_mm) ** 2, 0.0, None)
    is_lump = (lift[whole.faces] > 0).any(axis=1)
    return whole.replaced(vertices=whole.vertices + lift[:, None] * [0.0, 1.0, 0.0], source=np.where(is_lump, source, OWN))


@pytest.mark.parametrize(("source", "is_replaced"), [(OWN, False), (FILL, True)], ids=["scanned", "filled"])
def test_what_agrees_with_the_other_side_stays_where_it_was_scanned_and_is_replaced_where_it_was_filled(source: int, is_replaced: bool) -> None:
    """A lump of 0.05 mm is less than the least difference that is told apart (0.15 % of the diagonal, 0.1 mm): shape alone keeps it."""
    whole = bumpy()
    found = restored(swollen(whole, 0.05, 6.0, source))
    assert found.is_changed == is_replaced
    assert source not in found.mesh.source or not is_replaced
    assert (farthest_percent(whole, found.mesh) < 0.02) == is_replaced


def test_a_fracture_that_runs_just_below_the_lost_skin_goes_as_well() -> None:
    """A thin slice off the side: the fracture lies at most 0.3 mm under the lost skin and nearly along it. All of it goes."""
    whole = bumpy()
    scan, is_fracture = cut_away(whole, (0.0, 1.0, 0.0), float(whole.vertices[:, 1].max()) - 0.3)
    found = restored(scan)
    area = face_areas(scan.vertices, scan.faces)[is_fracture].sum()
    assert found.false_area_removed_mm2 == pytest.approx(area, rel=0.01)
    assert farthest_percent(whole, found.mesh) < 0.03


def test_sound_skin_in_a_hollow_that_the_cap_of_the_lost_one_spans_is_no_fracture() -> None:
    """A hollow 8 mm deep on either side, one of them not scanned: the flat cap over its image does not make the other one false."""
    whole = bumpy()
    away = np.hypot(whole.vertices[:, 0], whole.vertices[:, 2])
    depth = 8.0 * np.clip(1.0 - (away / 9.0) ** 2, 0.0, None) ** 2
    whole = whole.replaced(vertices=whole.vertices - np.sign(whole.vertices[:, 1:2]) * depth[:, None] * [0.0, 1.0, 0.0])
    is_lost = ((whole.vertices[:, 1] > 0) & (away < 8.0))[whole.faces].any(axis=1)
    found = restored(take_faces(whole, ~is_lost))
    assert (found.is_closed, found.skin_removed_mm2, found.n_capped_rims) == (True, 0.0, 0)
    assert farthest_percent(whole, found.mesh) < 0.05


def test_a_small_fill_on_the_sound_side_stays() -> None:
    """A closed pinhole opposite to what is lost: none of its faces goes, and their images are fills too."""
    scan, _ = cut_away(bumpy(), (0.0, -1.0, 0.0))
    is_near = np.linalg.norm(scan.vertices[scan.faces].mean(axis=1) - scan.vertices[scan.vertices[:, 1].argmax()], axis=1) < 2.0
    found = restored(scan.replaced(source=np.where(is_near, FILL, OWN)))
    assert found.is_changed
    of_fill = found.mesh.vertices[found.mesh.faces[found.mesh.source == FILL], 1]
    assert ((of_fill > 0).sum(), (of_fill < 0).sum()) == (3 * is_near.sum(), 3 * is_near.sum())
    assert is_near.any()


def test_a_large_fill_opposite_to_what_is_lost_is_taken_over_as_a_fill() -> None:
    """Neither half shows bone at the two poles: the filled one stays, its image is a fill too, and the volume is right to 0.05 %."""
    whole = bumpy()
    scan, _ = cut_away(whole, (0.0, -1.0, 0.0))
    is_near = np.linalg.norm(scan.vertices[scan.faces].mean(axis=1) - scan.vertices[scan.vertices[:, 1].argmax()], axis=1) < 6.0
    found = restored(scan.replaced(source=np.where(is_near, FILL, OWN)))
    of_fill = found.mesh.vertices[found.mesh.faces[found.mesh.source == FILL]].mean(axis=1)[:, 1]
    assert ((of_fill > 0).sum(), (of_fill < 0).sum()) == (is_near.sum(), is_near.sum())
    assert audit_topology(found.mesh).volume_mm3 == pytest.approx(audit_topology(whole).volume_mm3, rel=5e-4)


def test_a_step_between_the_halves_is_met_on_the_taken_side() -> None:
    """One half swollen by up to 0.25 mm: the taken skin meets the rim (no seam vertex lies 0.1 mm off the true surface)."""
    whole = bumpy()
    swell = np.clip(whole.vertices[:, 1:2] / 18.0, 0.0, 1.0) * 0.3
    uneven = whole.replaced(vertices=whole.vertices + swell * whole.vertices / np.linalg.norm(whole.vertices, axis=1, keepdims=True))
    found = restored(cut_away(uneven)[0])
    seam = take_faces(found.mesh, found.mesh.source == SEAM)
    assert found.seam_step_max_mm > 0.05
    assert float(Surface(uneven).distance(seam.vertices)[0].max()) < 0.1
    assert found.is_closed


def test_the_same_input_gives_the_same_bytes() -> None:
    scan, _ = cut_away(bumpy(3))
    one, two = restored(scan), restored(scan)
    assert one.mesh.vertices.tobytes() == two.mesh.vertices.tobytes()
    assert one.mesh.faces.tobytes() == two.mesh.faces.tobytes()


def test_patches_that_come_back_one_after_the_other_are_all_there_in_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three false patches without anything to take over, let back one a round: the bone is whole again, and its faces are counted right."""
    whole = bumpy(3)
    poles = [np.linalg.norm(whole.vertices[whole.faces].mean(axis=1) - whole.vertices[k], axis=1) < 5.0 for k in (0, 1, 2)]
    waiting = [pole.copy() for pole in poles]
    monkeypatch.setattr(restore_join, "_patches_coming_back", lambda *_: waiting.pop() if waiting else np.zeros(len(whole.faces), dtype=bool))
    is_any = np.ones(len(whole.faces), dtype=bool)
    original = restore_join.Original(whole, np.any(poles, axis=0), was_closed=True, may_return=is_any)
    joined = restore_join.join_taken(original, take_faces(whole, np.zeros(len(whole.faces), dtype=bool)), 1.0, 0.1, SEAM)
    assert audit_topology(joined.mesh).is_closed
    assert (joined.n_kept_faces, joined.n_capped) == (len(whole.faces), 0)
    monkeypatch.setattr(restore_join, "_patches_coming_back", lambda *_: np.ones(len(whole.faces), dtype=bool))
    with pytest.raises(GeometryError, match="settled"):
        restore_join.join_taken(original, whole, 1.0, 0.1, SEAM)


def test_cavities_are_taken_over_where_the_bone_around_them_is_lost_and_only_there() -> None:
    """A partner with two small cavities, whose walls the original has nowhere: only the one in the lost half is taken, however small."""
    whole, hole = bumpy(3), bumpy(1)
    cavities = [hole.replaced(vertices=hole.vertices * 0.02 + [0, side * 8.0, 0], faces=hole.faces[:, ::-1].copy()) for side in (-1, 1)]
    partner = concatenate([whole, *cavities])
    is_lost = np.arange(len(partner.faces)) >= len(whole.faces)
    half, _ = cut_away(whole)
    is_outside = winding(half, np.array([[0, -8.0, 0], [0, 8.0, 0]])) < 0.5
    taken = settle_cavities(partner, is_lost, np.zeros_like(is_lost), half)
    assert is_outside.sum() == 1
    assert [taken[is_lost][k * len(hole.faces) : (k + 1) * len(hole.faces)].mean() for k in (0, 1)] == is_outside.tolist()


def test_a_short_rim_that_cannot_be_joined_leaves_the_long_ones_joined(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three rims belong together and no faces are found between all of them: the long two are joined, the short one stays open."""
    whole = bumpy(3)
    half, _ = cut_away(whole, is_open=True)
    other = take_faces(whole, whole.vertices[whole.faces].mean(axis=1) @ np.array([0.0, 1.0, 0.0]) > 0.5)
    loops = [find_rims(half)[0].vertices, find_rims(other)[0].vertices + len(half.vertices), np.array([3, 4, 5], dtype=np.int32)]
    monkeypatch.setattr(seam, "_span", lambda mesh, rims, n_original, barred: None if len(rims) > 2 else np.zeros((1, 3), dtype=np.int32))
    joined, faces = seam._span_most(concatenate([half, other]), loops, len(half.vertices), np.zeros(0, dtype=np.int64))
    assert (joined, faces is None) == ([0, 1], False)


def test_tangles_far_apart_are_each_mended_in_their_place() -> None:
    """Two vertices of the seam pulled through the skin beside them: no crossing is left, every edge has its two faces, no original face went."""
    whole = bumpy(3)
    order = np.argsort(whole.vertices[whole.faces].mean(axis=1)[:, 2], kind="stable")
    mesh = whole.replaced(faces=whole.faces[order], source=whole.source[order])
    n_original = len(order) // 2
    vertices = mesh.vertices.copy()
    for side in (-1, 1):
        pulled = int(np.argmin(np.linalg.norm(vertices - [side * 12.0, 0.0, 11.0], axis=1)))
        beside = int(np.argsort(np.linalg.norm(vertices - vertices[pulled], axis=1))[6])
        vertices[pulled] += 2.5 * (vertices[beside] - vertices[pulled]) - [0.0, 0.0, 0.5]
    mesh = mesh.replaced(vertices=vertices, source=np.where(np.arange(len(order)) < n_original, OWN, SEAM))
    tangles = count_self_intersections(mesh).faces
    state = seam_repair.Untangled(mesh, np.ones(n_original, dtype=bool), len(tangles))
    found = seam_repair._mended_one_by_one(state, tangles, SEAM)
    assert len(seam_repair._clusters(state, tangles)) >= 2
    assert (found.n_tangled, count_self_intersections(found.mesh).n_pairs, bool(found.is_left.all())) == (0, 0, True)
    assert audit_topology(found.mesh).is_closed


def test_an_empty_mesh_is_refused_with_a_sentence() -> None:
    with pytest.raises(GeometryError, match="clean it first"):
        restored(Mesh.create(np.zeros((0, 3)), np.zeros((0, 3))))


def turned(degrees: float, shift=(0.0, 0.0, 0.0)) -> np.ndarray:
    angle, pose = np.radians(degrees), np.eye(4)
    pose[:2, :2] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    pose[:3, 3] = shift
    return pose


def test_a_tiny_fragment_does_not_swing_the_counterpart() -> None:
    """A fragment of under 2 % of the surface lies under a counterpart 1 degree off: it turns by less than that, and says that it was not informed."""
    whole = bumpy()
    near = np.linalg.norm(whole.vertices[whole.faces].mean(axis=1) - whole.vertices[0], axis=1) < 4.0
    found = restore_from_counterpart(take_faces(whole, near), whole, turned(1.0), ROWS, SETTINGS)
    moved = found.original_from_partner
    angle = np.degrees(np.arccos(np.clip((np.trace(moved[:3, :3]) - 1) / 2, -1, 1)))
    assert angle < 1.0
    assert found.pose_informed < 0.5


def test_a_large_part_corrects_the_pose_of_the_counterpart() -> None:
    """Half of the surface is left and the counterpart is 1 degree and 0.5 mm off: corrected to 0.02 mm everywhere."""
    whole = bumpy()
    pose = turned(1.0, (0.3, -0.4, 0.0))
    found = restore_from_counterpart(cut_away(whole)[0], whole, pose, ROWS, SETTINGS)
    there = move_points(whole.vertices, found.original_from_partner @ pose)
    assert np.linalg.norm(there - whole.vertices, axis=1).max() < 0.02
    assert farthest_percent(whole, found.mesh) < 0.1


@pytest.mark.slow
@pytest.mark.parametrize("is_broken", [True, False], ids=["cut solid", "cut open"])
def test_a_vertebra_gets_its_lost_side_back(is_broken: bool) -> None:
    """25 % of one side of a dog's vertebra gone beyond a rough cut: rms 0.02 %, farthest 0.2 % of the diagonal, volume to 0.3 %."""
    from damaged_bones import Damage
    from restore_trials import run_trial

    _, found, score, _ = run_trial("C_6", 5, Damage(25.0, is_broken=is_broken))
    assert found.is_closed
    assert score.rms <= 0.02
    assert score.farthest <= 0.2
    assert abs(score.cap_error) <= 0.3
    assert found.original_skin_moved_max_mm == 0.0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "seed", "is_broken"),
    [("L_7", 21, True), ("L_7", 105, True), ("C_4", 1, True), ("C_2", 77, False), ("MergedSkull", 21, True), ("MergedSkull", 21, False)],
)
def test_no_place_of_the_lost_side_is_far_off(name: str, seed: int, is_broken: bool) -> None:
    """A fracture just below the lost skin, a tip of 0.02 % of the surface, a cap over a hollow, a rim without anything missing in it, and sound
    skin taken for lost on both sides: farthest 0.2 % in each trial."""
    from damaged_bones import Damage
    from restore_trials import run_trial

    _, found, score, _ = run_trial(name, seed, Damage(25.0, is_broken=is_broken))
    assert (found.is_closed, found.n_tangled_faces, found.n_failed_seams) == (True, 0, 0)
    assert score.rms <= 0.02
    assert score.farthest <= 0.2
    assert abs(score.cap_error) <= 0.3


@pytest.mark.slow
def test_a_femur_with_a_broken_end_is_completed_from_its_counterpart() -> None:
    """40 % of a dog's femur gone; the counterpart, the same bone, lies half a degree off: rms 0.02 % of the diagonal."""
    from damaged_bones import damaged

    trial = damaged("Femoris_L", 2, lost_percent=40, is_broken=True, random_pose=False)
    whole = Mesh.create(trial.whole_vertices, trial.whole_faces, OWN)
    found = restore_from_counterpart(Mesh.create(trial.vertices, trial.faces, OWN), whole, turned(0.5), ROWS, SETTINGS)
    lost = take_faces(whole, trial.is_lost_face).vertices
    gaps = Surface(found.mesh).distance(lost)[0]
    assert found.is_closed
    assert 100 * np.sqrt((gaps**2).mean()) / trial.diagonal_mm <= 0.02
