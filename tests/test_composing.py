"""Further scans and pieces of one bone are put together, by the skin they share or as a person says, each face with its own find."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
from dog_individuals import read_bone
from test_completing import POSE, without

from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.distance import compare
from meshtools.geometry.transform import apply_matrix
from meshtools.geometry.weld import weld_scan
from meshtools.model import Element, EvidenceClass, Find, Mesh, Origin, Recipe, Register, Severity, Side, SourceEntry, StageResult, Target, Unit
from meshtools.plan import make_plan
from meshtools.settings import RebuildSettings, RestoreSettings, Settings
from meshtools.stages.rebuild import rebuild_element


def put_together(parts: dict[str, Mesh], poses: dict[str, np.ndarray] | None = None) -> StageResult:
    recipe = Recipe("mount", "humerus-left", EvidenceClass.OWN, tuple(parts), False, 1.0, None, "own size", "", (), "planned")
    sources = {find: (SourceEntry(EvidenceClass.OWN, find, Origin.SCANNED),) for find in parts}
    cleaned = [Cleaned(find, mesh, sources[find], 1.0, (poses or {}).get(find)) for find, mesh in parts.items()]
    return rebuild_element(recipe, cleaned, RebuildSettings(), (), RestoreSettings())


def dog_humerus() -> Mesh:
    vertices, faces = read_bone("humerus_L")
    return weld_scan(vertices, faces, None).mesh


def along_share(mesh: Mesh, middle: np.ndarray) -> np.ndarray:
    """Where points lie along the bone's longest extent, 0 to 1."""
    axis = int(np.argmax(np.ptp(mesh.vertices, axis=0)))
    return np.asarray((middle[:, axis] - mesh.vertices[:, axis].min()) / np.ptp(mesh.vertices[:, axis]))


@pytest.mark.slow
def test_two_scans_that_overlap_are_laid_on_each_other_and_become_one_closed_bone() -> None:
    """Truth: the dog's humerus (tests/real_bones.py names the source); its two ends scanned apart, the second one turned over."""
    whole = dog_humerus()
    upper = without(whole, lambda middle: along_share(whole, middle) < 0.3)
    lower = apply_matrix(without(whole, lambda middle: along_share(whole, middle) > 0.7), POSE)
    result = put_together({"f-1": upper, "f-2": lower})
    assert result.facts["deliverable"], [finding.message for finding in result.findings]
    diagonal_mm = float(np.linalg.norm(np.ptp(whole.vertices, axis=0)))
    apart = compare(whole, result.mesh).a_to_b
    assert apart.p99_mm < 0.0005 * diagonal_mm
    assert apart.max_mm < 0.01 * diagonal_mm  # a face of this coarse bone at the seam
    assert [finding.code for finding in result.findings if finding.severity is not Severity.NOTE] == []
    far_end = along_share(whole, result.mesh.vertices[result.mesh.faces].mean(axis=1)) < 0.2
    assert {result.sources[row].find for row in result.mesh.source[far_end]} == {"f-2"}


@pytest.mark.slow
def test_two_halves_that_only_touch_are_joined_as_a_person_placed_them() -> None:
    whole = dog_humerus()
    upper = without(whole, lambda middle: along_share(whole, middle) < 0.5)
    lower = apply_matrix(without(whole, lambda middle: along_share(whole, middle) >= 0.5), POSE)
    result = put_together({"f-1": upper, "f-2": lower}, {"f-1": np.eye(4), "f-2": np.linalg.inv(POSE)})
    assert result.facts["is_closed"], [finding.message for finding in result.findings]
    assert result.facts["n_pieces_after"] == 1
    diagonal_mm = float(np.linalg.norm(np.ptp(whole.vertices, axis=0)))
    assert compare(whole, result.mesh).a_to_b.max_mm < 0.01 * diagonal_mm


def sawn(whole: Mesh, tilt: float) -> list[Mesh]:
    """Two closed halves of a bone, cut across the middle by a plane that leans by this much."""
    axis = int(np.argmax(np.ptp(whole.vertices, axis=0)))
    normal = np.roll([1.0, tilt, tilt / 2], axis)
    normal /= np.linalg.norm(normal)
    middle = (whole.vertices.min(axis=0) + whole.vertices.max(axis=0)) / 2
    solid = manifold3d.Manifold(manifold3d.Mesh(whole.vertices.astype(np.float32), whole.faces.astype(np.uint32)))
    halves = [half.to_mesh() for half in solid.split_by_plane(normal, float(normal @ middle))]
    return [Mesh.create(half.vert_properties[:, :3].astype(float), half.tri_verts) for half in halves]


@pytest.mark.slow
@pytest.mark.parametrize(("tilt", "aside_mm"), [(0.0, 0.0), (0.8, 0.0), (0.3, 2.0), (0.0, 2.0), (0.0, 60.0)])
def test_no_half_of_a_bone_that_a_person_placed_is_lost_and_a_wrong_pose_is_asked_about(tilt: float, aside_mm: float) -> None:
    """Truth: the replica reaches as far as both halves do where they were put."""
    halves, moved = sawn(dog_humerus(), tilt), np.eye(4)
    moved[:3, 3] = aside_mm * np.roll([0.0, 1.0, 0.0], int(np.argmax(np.ptp(halves[0].vertices, axis=0))))
    result = put_together(dict(zip(("f-1", "f-2"), halves, strict=True)), {"f-1": np.eye(4), "f-2": moved})
    whole = np.concatenate([halves[0].vertices, apply_matrix(halves[1], moved).vertices])
    assert np.ptp(result.mesh.vertices, axis=0) == pytest.approx(np.ptp(whole, axis=0), abs=0.3)
    asks = {finding.code for finding in result.findings if finding.severity is Severity.REVIEW}
    assert aside_mm == 0.0 or asks & {"part-step", "parts-not-joined"}


@pytest.mark.slow
def test_a_scan_that_shows_nothing_new_of_a_bone_is_asked_about_by_name_and_has_no_seam() -> None:
    """The lower half once more, whole bone first: it was told to be put together with it, with a step at the seam of 0.00 mm."""
    whole = dog_humerus()
    half = without(whole, lambda middle: along_share(whole, middle) < 0.5)
    result = put_together({"f-1": whole, "f-2": half}, dict.fromkeys(("f-1", "f-2"), np.eye(4)))
    assert [(f.code, f.value) for f in result.findings if f.severity is Severity.REVIEW] == [("part-adds-nothing", "f-2")]
    (joined,) = [finding for finding in result.findings if finding.code == "parts-joined"]
    assert joined.message.endswith("f-1, f-2 were put together as poses.csv says; there is no seam.")
    assert np.array_equal(np.ptp(result.mesh.vertices, axis=0), np.ptp(whole.vertices, axis=0))


def planned_finds(*finds: Find) -> tuple[str, ...]:
    register = Register((Target("mount", "ind-a"),), (Element("femur", Side.LEFT),), finds, (), (), (), Settings())
    return make_plan(register).recipes[0].finds


def find(name: str, **more: str) -> Find:
    return Find(2, name, "femur", Side.LEFT, "ind-a", f"scans/{name}.stl", Unit.MM, **more)  # type: ignore[arg-type]


def test_the_plan_uses_a_find_together_with_its_parts_and_never_a_replaced_one() -> None:
    finds = (find("a"), find("a-2", part_of="a"), find("old"), find("a-3", part_of="a", replaces="a-2"), find("a-2b", part_of="a"))
    assert planned_finds(finds[0], finds[1]) == ("a", "a-2")
    assert planned_finds(find("old"), find("new", replaces="old")) == ("new",)
    assert planned_finds(finds[0], finds[1], finds[3], finds[4]) == ("a", "a-2b", "a-3")
