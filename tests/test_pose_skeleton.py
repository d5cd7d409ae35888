"""A whole skeleton in its pose: what moves with a joint, and the hind limb of a dog shaken apart and posed again."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from dog_individuals import read_bone
from test_posing import shake

from meshtools.commands_pose import _Chosen, _frame
from meshtools.geometry.column import end_face
from meshtools.geometry.distance import Surface
from meshtools.geometry.joint_ends import measure_joint
from meshtools.geometry.posing import surface_middle
from meshtools.geometry.transform import apply_matrix, move_points, reflect, reflection_matrix, scale, translation_matrix
from meshtools.model import Element, Find, FloatArray, JointPose, Mesh, Side, Target, Unit
from meshtools.model_pose import Place
from meshtools.stages.pose import Frame, beyond, pose_skeleton, stack_on

L, M = Side.LEFT, Side.MEDIAN
SKELETON = (
    Element("sacrum", M, joins=("hip-left", "lumbar-01")), Element("hip", L, joins=("sacrum", "femur-left")),
    Element("femur", L, joins=("hip-left", "tibia-left", "patella-left")), Element("patella", L, joins=("femur-left",)),
    Element("tibia", L, joins=("femur-left", "fibula-left", "talus-left")), Element("fibula", L, joins=("tibia-left", "talus-left")),
    Element("talus", L, joins=("tibia-left", "fibula-left")),
    Element("lumbar-01", M, "lumbar", 1, joins=("lumbar-02", "sacrum")), Element("lumbar-02", M, "lumbar", 2, joins=("lumbar-01", "lumbar-03")),
    Element("lumbar-03", M, "lumbar", 3, joins=("lumbar-02",)),
)  # fmt: skip
BY_SLUG = {element.slug: element for element in SKELETON}


def test_with_a_bone_moves_all_that_hangs_on_it_and_nothing_else() -> None:
    assert beyond(BY_SLUG["femur-left"], BY_SLUG["hip-left"], SKELETON) == {"femur-left", "patella-left", "tibia-left", "fibula-left", "talus-left"}
    assert beyond(BY_SLUG["tibia-left"], BY_SLUG["femur-left"], SKELETON) == {"tibia-left", "fibula-left", "talus-left"}
    assert beyond(BY_SLUG["fibula-left"], BY_SLUG["tibia-left"], SKELETON) == {"fibula-left", "talus-left"}
    assert beyond(BY_SLUG["lumbar-02"], BY_SLUG["lumbar-01"], SKELETON) == {"lumbar-02", "lumbar-03"}


def frame_of(names: dict[str, str], exact: dict[str, FloatArray]) -> tuple[dict[str, Mesh], Frame]:
    """Replicas by slug, those in `exact` thrown about and lying in the frame by their matrix back, and a frame of the dog's own bones."""
    bones = {slug: Mesh.create(*read_bone(name)) for slug, name in names.items()}
    replicas = {slug: apply_matrix(bone, exact[slug]) if slug in exact else bone for slug, bone in bones.items()}
    places = {slug: Place(slug, slug, tuple(np.linalg.inv(exact.get(slug, np.eye(4))).ravel()), True, False, 1.0) for slug in names}
    return replicas, Frame(places, {}, bones, 1.0, np.array([0.0, 1.0, 0.0]), None)


def test_a_hind_limb_is_bent_at_knee_and_hip_and_the_knee_keeps_its_gap_when_the_hip_turns() -> None:
    names = {"hip-left": "Pelvis", "femur-left": "Femoris_L", "tibia-left": "Tibia_L"}
    replicas, frame = frame_of(names, {slug: shake(seed) for seed, slug in enumerate(sorted(names))})
    rows = [JointPose(0, "", "hip-left", "femur-left", 20.0), JointPose(0, "", "femur-left", "tibia-left", 10.0)]
    straight, turned, both = (pose_skeleton(SKELETON, replicas, frame, part)[0] for part in ([], rows[:1], rows))
    gaps = []
    for posed in (straight, turned, both):
        placed = {bone.slug: apply_matrix(replicas[bone.slug], bone.matrix) for bone in posed}
        hip, knee = (measure_joint(placed[a], placed[b]) for a, b in (("hip-left", "femur-left"), ("femur-left", "tibia-left")))
        gaps.append((hip.signed_gap_mm, knee.signed_gap_mm, placed["tibia-left"].vertices.mean(axis=0)[0]))
    own = {slug: Mesh.create(*read_bone(name)) for slug, name in names.items()}
    assert gaps[0][0] == pytest.approx(measure_joint(own["hip-left"], own["femur-left"]).signed_gap_mm, abs=1e-6)
    assert gaps[1][1] == pytest.approx(gaps[0][1], abs=1e-6)
    assert gaps[2][0] == pytest.approx(gaps[1][0], abs=1e-6)
    assert gaps[2][2] < gaps[1][2] < gaps[0][2]  # the dog looks along x: both turns take the shin backward


@pytest.mark.parametrize("is_listed", [False, True], ids=["no bone of it lies in the frame", "the scan of its bone in the frame cannot be used"])
def test_a_vertebra_that_the_frame_lacks_is_stacked_on_its_neighbour_where_it_belongs(is_listed: bool) -> None:
    """L_3 of the dog, thrown about and in no frame, behind L_1 and L_2. It lies as far behind L_2 as that behind L_1 (bar: 1 mm, 5 degrees)."""
    names = {f"lumbar-0{k}": f"L_{k}" for k in (1, 2, 3)}
    replicas, frame = frame_of(names, {"lumbar-03": shake(4)})
    places = frame.places if is_listed else {slug: place for slug, place in frame.places.items() if slug != "lumbar-03"}
    lacking = Frame({slug: replace(place, is_exact=slug != "lumbar-03") for slug, place in places.items()}, {}, {}, 1.0, None, None)
    bones, left_out = pose_skeleton(SKELETON, replicas, lacking, [])
    (stacked,) = (bone for bone in bones if bone.slug == "lumbar-03")
    assert (stacked.basis, left_out) == ("stacked", {})
    true = np.linalg.inv(shake(4))
    points = replicas["lumbar-03"].vertices
    assert np.linalg.norm(move_points(points, stacked.matrix).mean(axis=0) - move_points(points, true).mean(axis=0)) < 1.0
    turn = stacked.matrix[:3, :3] @ true[:3, :3].T
    assert np.degrees(np.arccos((np.trace(turn) - 1) / 2)) < 5.0


def test_a_replica_reflected_from_a_placed_bone_goes_where_that_lands_across_the_mid_plane() -> None:
    """The dog's right humerus is the exact mirror of its left one across y = 0; the target is 1.1 times as large, so the frame is too."""
    factor, pose = 1.1, np.linalg.inv(shake(2))
    scanned = apply_matrix(Mesh.create(*read_bone("humerus_L")), shake(2))
    replica = scale(reflect(scanned), factor)
    mirrored = {"humerus-right": Place("humerus-right", "a", tuple(pose.ravel()), False, True, factor)}
    frame = Frame({}, mirrored, {}, factor, None, reflection_matrix((0.0, 1.0, 0.0)))
    (bone,), _ = pose_skeleton((), {"humerus-right": replica}, frame, [])
    true = scale(Mesh.create(*read_bone("humerus_R")), factor)
    assert np.linalg.det(bone.matrix[:3, :3]) == pytest.approx(1.0)
    assert Surface(true).distance(move_points(replica.vertices, bone.matrix))[0].max() < 0.05


def test_where_two_vertebrae_overlap_the_next_is_stacked_with_the_same_overlap_not_with_a_gap() -> None:
    """L_1 to L_3 of the dog, L_2 pushed into L_1 until their end faces overlap by 1.5 mm."""
    farther, neighbour, bone = (Mesh.create(*read_bone(f"L_{k}")) for k in (1, 2, 3))
    onward = surface_middle(neighbour) - surface_middle(farther)
    onward = onward / np.linalg.norm(onward)
    last = end_face(farther, onward)
    gap_mm = (end_face(neighbour, -onward).centre - last.centre) @ last.normal
    pushed = apply_matrix(neighbour, translation_matrix(tuple(-(gap_mm + 1.5) * last.normal)))
    placed = apply_matrix(bone, stack_on(bone, pushed, farther, None))
    meeting = end_face(pushed, onward)
    assert (end_face(placed, -meeting.normal).centre - meeting.centre) @ meeting.normal == pytest.approx(-1.5, abs=0.1)


def test_a_mirrored_replica_that_cannot_be_placed_is_left_out_for_the_right_reason() -> None:
    mirrored = {"humerus-right": Place("humerus-right", "a", tuple(np.eye(4).ravel()), False, True, 1.1)}
    replicas, plane = {"humerus-right": Mesh.create(*read_bone("humerus_R"))}, reflection_matrix((0.0, 1.0, 0.0))
    bones, reasons = zip(*(pose_skeleton((), replicas, Frame({}, mirrored, {}, *rest), []) for rest in (
        (1.1, None, None), (1.2, None, plane), (1.1 * (1 + 1e-12), None, plane))), strict=True)  # fmt: skip
    assert [len(placed) for placed in bones] == [0, 0, 1]
    assert "mid-plane of the frame is not known" in reasons[0]["humerus-right"]
    assert "1.1 times as large as that, the frame 1.2 times" in reasons[1]["humerus-right"]


def test_a_mirrored_bone_of_the_targets_own_animal_tells_how_much_larger_the_target_is_than_the_frame() -> None:
    find = Find(2, "a", "humerus", Side.LEFT, "ind-a", "a.stl", Unit.MM)
    register = SimpleNamespace(finds=(find,), poses=(), targets=())
    chosen = _Chosen("bench", {}, {"humerus-right": Place("humerus-right", "a", tuple(np.eye(4).ravel()), False, True, 1.1)})
    assert _frame(SimpleNamespace(register=register), Target("mount", "ind-a", size_factor=1.1), chosen).factor == 1.1


def test_a_bone_that_no_frame_shows_is_left_out_with_a_sentence() -> None:
    replicas, frame = frame_of({"hip-left": "Pelvis"}, {})
    _, left_out = pose_skeleton(SKELETON, replicas | {"femur-left": replicas["hip-left"]}, frame, [])
    assert left_out == {"femur-left": "the frame has no bone of this element and side"}
