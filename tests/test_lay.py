"""Pieces of a broken bone are laid together, on another animal's bone and then break on break; what does not meet is told."""

from __future__ import annotations

import json
from pathlib import Path

import manifold3d
import numpy as np
import pytest
from dog_individuals import read_bone, warp
from scanned_individuals import longest_axis, turn, write_batch
from six_bones import bonewright
from test_composing import put_together

from meshtools.commands_lay import _in_place_of
from meshtools.errors import UsageError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.laying import lay_pieces
from meshtools.geometry.transform import apply_matrix, move_points
from meshtools.geometry.weld import weld_scan
from meshtools.guides import guide_for, pieces_of
from meshtools.model import Find, Mesh, Pose, Severity, Side, Unit

SIZE = 0.9


def dog_tibia() -> Mesh:
    """The dog's left tibia (tests/real_bones.py names the source), along x."""
    mesh = weld_scan(*read_bone("Tibia_L"), None).mesh
    axis = longest_axis(mesh.vertices)
    rows = np.linalg.svd(np.stack([axis, *np.eye(3)]))[2]
    rows *= np.sign(np.linalg.det(rows))
    return mesh.replaced(vertices=(mesh.vertices - mesh.vertices.mean(axis=0)) @ rows.T)


def broken(whole: Mesh, lost_mm: float = 0.0, at_mm: float = 0.0) -> list[Mesh]:
    """Two closed pieces of a bone that lies along x, with one rough break seen from both sides; or with a length of bone lost between them."""

    def behind(x_mm: float) -> manifold3d.Manifold:
        block = manifold3d.Manifold.cube((400.0, 200.0, 200.0), True).translate((-200.0, 0.0, 0.0)).refine_to_length(1.5)

        def roughened(points: np.ndarray) -> np.ndarray:
            height = 2.0 * np.sin(points[:, 1] / 1.3) * np.cos(points[:, 2] / 1.7) + 0.5 * points[:, 1] + np.sin(points[:, 2] / 0.9)
            return np.stack([points[:, 0] + np.where(points[:, 0] > -1e-3, height, 0.0) + x_mm, points[:, 1], points[:, 2]], axis=1)

        return block.warp_batch(roughened)

    solid = manifold3d.Manifold(manifold3d.Mesh(whole.vertices.astype(np.float32), whole.faces.astype(np.uint32)))
    halves = [(solid ^ behind(at_mm - lost_mm / 2)).to_mesh(), (solid - behind(at_mm + lost_mm / 2)).to_mesh()]
    return [weld_scan(half.vert_properties[:, :3].astype(float), half.tri_verts.astype(np.int32), None).mesh for half in halves]


def apart_mm(piece: Mesh, found: np.ndarray, true: np.ndarray) -> float:
    """How far a piece lies from where it belongs (rms)."""
    gap = move_points(piece.vertices, found) - move_points(piece.vertices, true)
    return float(np.sqrt((gap**2).sum(axis=1).mean()))


def laid_apart_mm(lost_mm: float) -> tuple[float, float, bool]:
    """How far the second piece lies off beside the first: as laid, as the guide alone has it; and whether the breaks met."""
    whole = dog_tibia()
    pieces, poses = broken(whole, lost_mm), [turn(21), turn(22)]
    scans = [apply_matrix(piece, pose) for piece, pose in zip(pieces, poses, strict=True)]
    guide = whole.replaced(vertices=warp(whole.vertices, 0.7, 5) * SIZE)
    laid = lay_pieces(scans, apply_matrix(guide, turn(23)), is_same_size=False)
    assert laid.guide_scale == pytest.approx(1.0 / SIZE, rel=0.02)
    true = poses[0] @ np.linalg.inv(poses[1])
    first, second = laid.pieces
    ways = [(first.pose, second.pose), (first.found.fixed_from_moving, second.found.fixed_from_moving)]
    off = [apart_mm(scans[1], np.linalg.inv(a) @ b, true) for a, b in ways]
    return off[0], off[1], all(one.is_first or np.isfinite(one.break_rms_mm) for one in laid.pieces)


@pytest.mark.slow
def test_a_rough_break_brings_pieces_home_that_another_animals_bone_leaves_a_millimetre_off() -> None:
    laid_mm, on_guide_mm, has_met = laid_apart_mm(0.0)
    assert has_met
    assert laid_mm < 0.3
    assert laid_mm < on_guide_mm / 2


@pytest.mark.slow
def test_pieces_with_bone_lost_between_them_stay_where_the_guide_has_them_and_that_is_told() -> None:
    laid_mm, on_guide_mm, has_met = laid_apart_mm(25.0)
    assert not has_met
    assert laid_mm == on_guide_mm < 4.0


@pytest.mark.slow
def test_three_placed_pieces_become_one_bone_whatever_they_are_called() -> None:
    """By their names the two ends, which touch nowhere, would come first."""
    whole = dog_tibia()
    end, rest = broken(whole, at_mm=-30.0)
    shaft, other_end = broken(rest, at_mm=30.0)
    pieces = {"a": end, "b": other_end, "c": shaft}
    result = put_together(pieces, dict.fromkeys(pieces, np.eye(4)))
    asked = {finding.code for finding in result.findings if finding.severity is Severity.REVIEW}
    assert not {"parts-not-joined", "part-step", "pose-doubtful", "part-adds-nothing"} & asked
    assert result.facts["n_bodies"] == 1
    assert result.facts["volume_mm3"] == pytest.approx(audit_topology(whole).volume_mm3, rel=0.01)


def find(name: str, side: Side = Side.LEFT, animal: str = "ind-a", element: str = "tibia", **more: str | float) -> Find:
    return Find(2, name, element, side, animal, f"scans/{name}.stl", Unit.MM, **more)  # type: ignore[arg-type]


def test_the_guide_is_of_the_same_animal_before_others_and_of_the_same_side_before_the_other() -> None:
    pieces = [find("a"), find("a-2", part_of="a")]
    half = find("half", Side.RIGHT, preserved_percent=40.0)
    others = [find("b-r", Side.RIGHT, "ind-b"), find("c", animal="ind-c"), half, find("f", element="femur")]
    assert guide_for([*pieces, *others], pieces[0], None).find.find == "c"
    guide = guide_for([*pieces, *others, find("a-r", Side.RIGHT)], pieces[0], None)
    assert (guide.find.find, guide.reflect, guide.is_same_animal) == ("a-r", True, True)
    assert guide_for([*pieces, *others], pieces[0], "half").find.find == "half"


def test_a_find_without_pieces_a_guide_of_another_kind_and_no_guide_are_refused_by_name() -> None:
    finds = [find("a"), find("a-2", part_of="a"), find("f", element="femur")]
    with pytest.raises(UsageError, match=r"'a-2' in part_of, so it has no further piece\. It is a piece of 'a'"):
        pieces_of(finds, "a-2")
    with pytest.raises(UsageError, match="'f' is no other tibia in one piece; choose of: there is none"):
        guide_for(finds, finds[0], "f")
    with pytest.raises(UsageError, match=r"No whole tibia is in config/bones\.csv to lay the pieces of a on"):
        guide_for(finds, finds[0], None)


def test_pieces_of_a_bone_of_unknown_side_are_not_laid_on_one_that_may_be_its_mirror_image() -> None:
    pieces = [find("a", Side.UNKNOWN), find("a-2", Side.UNKNOWN, part_of="a")]
    for others, chosen in (([find("b")], None), ([find("b", Side.UNKNOWN, "ind-b")], None), ([find("b")], "b")):
        with pytest.raises(UsageError, match=r"The side of a is unknown, .* Write left or right for it and its pieces into config/bones\.csv"):
            guide_for([*pieces, *others], pieces[0], chosen)


def test_rows_that_the_drafted_ones_replace_are_named() -> None:
    """A find has one pose: with both rows the batch would stop."""
    poses = [Pose(row, name, "frame", (1.0,) * 16) for row, name in ((4, "a"), (2, "a-2"), (3, "b"))]
    pieces = [find("a"), find("a-2", part_of="a")]
    assert _in_place_of(poses, pieces) == " in place of row 2 (a-2), row 4 (a)"
    assert _in_place_of(poses[2:], pieces) == ""


@pytest.mark.slow
def test_the_drafted_rows_join_the_pieces_in_a_build(tmp_path: Path) -> None:
    whole = dog_tibia()
    guide = whole.vertices * [-1, 1, 1]
    guide, faces = warp(guide, 0.7, 5) * SIZE, whole.faces[:, ::-1]
    rows = ("a,tibia,left,ind-a,Fictotherium exemplum,", "a-2,tibia,left,ind-a,Fictotherium exemplum,", "b,tibia,right,ind-b,Fictotherium exemplum,")
    scans = {name: (move_points(piece.vertices, turn(k)), piece.faces) for name, k, piece in zip(("a", "a-2"), (31, 32), broken(whole), strict=True)}
    batch = write_batch(tmp_path / "batch", rows, ("tibia,paired,limb",), scans | {"b": (guide, faces)})
    bones = batch / "config/bones.csv"
    lines = bones.read_text(encoding="utf-8").splitlines()
    bones.write_text("\n".join(f"{line},{more}" for line, more in zip(lines, ("part_of", "", "a", ""), strict=True)) + "\n", encoding="utf-8")
    done = bonewright("lay", "a", "--batch", batch, "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    facts = json.loads(done.stdout)
    assert facts["guide"] == "b"
    assert facts["is_reflected"]
    poses = "find,frame,matrix,by,remarks\n" + "\n".join(facts["poses"]) + "\n"
    (batch / "config/poses.csv").write_text(poses, encoding="utf-8")
    assert bonewright("build", "--batch", batch).returncode in (0, 1)
    record = json.loads((batch / "results/mount/tibia-left/record.json").read_text(encoding="utf-8"))
    codes = {finding["code"] for finding in record["findings"]}
    assert "parts-joined" in codes
    assert not {"parts-not-joined", "part-step", "pose-doubtful"} & codes
