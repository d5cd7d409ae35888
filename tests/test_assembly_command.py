"""The mirror plane of a placed skeleton by command: the dog's own plane is y = 0, its bones scanned each in a pose of its own."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dog_individuals import damage, read_bone
from made_once import made_once, own_copy
from scanned_individuals import moved, turn, write_batch
from six_bones import bonewright
from solid_shapes import ball

from meshtools.assembling import departing, other_sides
from meshtools.geometry.assembly import AssemblyPlane
from meshtools.geometry.distance import Surface
from meshtools.geometry.transform import move_points, reflect, reflection_matrix
from meshtools.model import Find, Mesh, Pose, Side, Unit

MEDIAN = {"lumbar-one": "L_1", "lumbar-three": "L_3", "cervical-four": "C_4", "sacrum": "Sacrum"}
SKELETON = (*(f"{name},median,spine" for name in (*MEDIAN, "hyoid")), "humerus,paired,limb")
HEADER = "find,frame,matrix,by\n"


def pose_row(find: str, scan_from_frame: np.ndarray, extra: np.ndarray | None = None) -> str:
    """A row of poses.csv that undoes the turn of a scan, and then turns by `extra`."""
    frame_from_scan = (np.eye(4) if extra is None else extra) @ np.linalg.inv(scan_from_frame)
    return f"{find},bench,{' '.join(f'{x:.12f}' for x in frame_from_scan.ravel())},A. Keeper\n"


def turn_about(point: np.ndarray, angle_deg: float) -> np.ndarray:
    """A turn (4, 4) by an angle about the vertical through a point."""
    angle, matrix = np.radians(angle_deg), np.eye(4)
    matrix[:2, :2] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    matrix[:3, 3] = point - matrix[:3, :3] @ point
    return matrix


def make_batch(folder: Path) -> Path:
    """Four vertebrae and a left humerus of one animal, and a round stone that somebody took for a hyoid."""
    scans, poses = {}, []
    for seed, (name, bone) in enumerate(({**MEDIAN, "humerus": "humerus_L"}).items()):
        vertices, faces = read_bone(bone)
        scans[name] = damage(moved(vertices, turn(seed)), faces, seed)
        poses.append(pose_row(name, turn(seed)))
    stone = ball(12.0)
    scans["hyoid"] = (stone.vertices, stone.faces)
    poses.append(pose_row("hyoid", np.eye(4)))
    rows = [f"{name},{name},{'left' if name == 'humerus' else 'median'},ind-a,Fictotherium exemplum,98" for name in scans]
    batch = write_batch(folder, rows, SKELETON, scans)
    (batch / "config/poses.csv").write_text(HEADER + "".join(poses), encoding="utf-8")
    return batch


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    return made_once(tmp_path_factory, "assembly", ask)


@pytest.fixture(scope="module")
def batch(tmp_path_factory: pytest.TempPathFactory, answered: tuple[Path, dict[str, Any]]) -> Path:
    return own_copy(tmp_path_factory, answered[0])


@pytest.fixture(scope="module")
def answer(answered: tuple[Path, dict[str, Any]]) -> dict[str, Any]:
    return answered[1]


def ask(folder: Path) -> tuple[Path, dict[str, Any]]:
    batch = make_batch(folder)
    done = bonewright("assembly", "Bench", "--batch", batch, "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    facts: dict[str, Any] = json.loads(done.stdout)
    written = json.loads((batch / "results/assemblies/bench.json").read_text(encoding="utf-8"))
    assert written == {key: value for key, value in facts.items() if key != "file"}
    return batch, facts


@pytest.mark.slow
def test_the_plane_of_four_vertebrae_is_the_animals_own(answer: dict[str, Any]) -> None:
    plane = answer["plane"]
    assert np.degrees(np.arccos(min(1.0, abs(plane["normal"][1])))) < 0.05
    assert [bone["departs"] for bone in answer["bones"]] == [False] * 4


@pytest.mark.slow
def test_a_find_without_a_plane_of_its_own_is_left_out_and_named(answer: dict[str, Any]) -> None:
    assert [why.split(":")[0] for why in answer["left_out"]] == ["hyoid"]


@pytest.mark.slow
def test_the_left_humerus_lands_on_the_right_one(batch: Path, answer: dict[str, Any]) -> None:
    """The dog's left and right humerus are mirror images, so what is left is the error of the plane at the arm: below 0.1 %."""
    (other,) = answer["other_sides"]
    assert (other["element"], other["from_find"]) == ("humerus-right", "humerus")
    scan = moved(read_bone("humerus_L")[0], turn(len(MEDIAN)))
    landed = move_points(scan, np.array(other["frame_from_scan"]))
    right = Mesh.create(*read_bone("humerus_R"))
    distances, _ = Surface(right).distance(landed)
    assert np.sqrt((distances**2).mean()) < 0.001 * np.ptp(right.vertices, axis=0).max()
    replica = reflect(Mesh.create(scan, read_bone("humerus_L")[1]))
    assert np.allclose(move_points(replica.vertices, np.array(other["frame_from_reflected"])), landed, atol=1e-6)


@pytest.mark.slow
def test_a_bone_that_is_placed_askew_departs_and_needs_a_person(batch: Path, answer: dict[str, Any]) -> None:
    path = batch / "config/poses.csv"
    before = path.read_text(encoding="utf-8")
    askew = pose_row("sacrum", turn(3), turn_about(read_bone("Sacrum")[0].mean(axis=0), 12.0))
    path.write_text("".join(askew if row.startswith("sacrum,") else row for row in before.splitlines(keepends=True)), encoding="utf-8")
    done = bonewright("assembly", "bench", "--batch", batch, "--json")
    path.write_text(before, encoding="utf-8")
    facts = json.loads(done.stdout)
    assert (done.returncode, [bone["find"] for bone in facts["bones"] if bone["departs"]]) == (1, ["sacrum"])
    assert np.degrees(np.arccos(abs(facts["plane"]["normal"][1]))) < 1.0


def test_an_unknown_frame_is_refused_and_the_frames_are_named(tmp_path: Path) -> None:
    rows = ["sacrum,sacrum,median,ind-a,Fictotherium exemplum,98"]
    batch = write_batch(tmp_path / "batch", rows, SKELETON, {})
    (batch / "config/poses.csv").write_text(HEADER + pose_row("sacrum", np.eye(4)), encoding="utf-8")
    done = bonewright("assembly", "table", "--batch", batch)
    assert (done.returncode, "its frames are: bench" in done.stderr) == (2, True)


def test_without_two_planes_there_is_no_plane_of_the_skeleton(tmp_path: Path) -> None:
    rows = ["sacrum,sacrum,median,ind-a,Fictotherium exemplum,98"]
    batch = write_batch(tmp_path / "batch", rows, SKELETON, {})
    (batch / "config/poses.csv").write_text(HEADER + pose_row("sacrum", np.eye(4)), encoding="utf-8")
    done = bonewright("assembly", "bench", "--batch", batch, "--json")
    facts = json.loads(done.stdout)
    assert (done.returncode, facts["plane"], len(facts["left_out"])) == (1, None, 1)


def find(name: str, element: str, side: Side) -> Find:
    return Find(1, name, element, side, "a", "", Unit.MM)


def plane_of(weights: list[float], angles_deg: list[float]) -> AssemblyPlane:
    return AssemblyPlane(np.array([0.0, 1.0, 0.0]), 2.0, 1.0, np.array(angles_deg), np.zeros(len(angles_deg)), np.array(weights))


def test_only_elements_of_one_side_get_a_place_on_the_other() -> None:
    pose = Pose(1, "", "bench", tuple(np.eye(4).ravel()))
    finds = [find("f-l", "femur", Side.LEFT), find("f-r", "femur", Side.RIGHT), find("t-r", "tibia", Side.RIGHT), find("s", "sacrum", Side.MEDIAN)]
    (other,) = other_sides([(one, pose) for one in finds], plane_of([1.0, 1.0], [0.0, 0.0]))
    assert (other.element, other.find.find) == ("tibia-left", "t-r")
    assert np.allclose(other.frame_from_scan, reflection_matrix((0, 1, 0), 2.0))
    assert np.linalg.det(other.frame_from_reflected) == pytest.approx(1.0)


def test_a_bone_departs_when_it_is_set_aside_or_turned_too_far() -> None:
    assert departing(plane_of([1.0, 0.0, 0.3], [0.5, 2.5, 3.5])) == (False, True, True)
    assert departing(plane_of([1.0, 1.0], [1.6, 1.4])) == (True, False)
