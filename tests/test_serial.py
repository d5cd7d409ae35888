"""A bone between two neighbours of its series lies between them in size and shape, and says what it is: conjecture. All bones are invented."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from six_bones import CONFIG, build
from solid_shapes import ball

from meshtools.errors import GeometryError
from meshtools.geometry.audit import audit_topology
from meshtools.geometry.cleaned import Cleaned
from meshtools.geometry.conjecture import conjecture_from
from meshtools.geometry.distance import Surface
from meshtools.geometry.measure import greatest_length
from meshtools.geometry.opening_place import as_scanned
from meshtools.geometry.registration import register
from meshtools.geometry.registration_poses import rotations_from_vectors
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.geometry.serial import bend_towards, interpolate_between
from meshtools.geometry.transform import apply_matrix, scale
from meshtools.model import EvidenceClass, FloatArray, Mesh, Opening, Origin, Recipe, Severity, SourceEntry
from meshtools.settings import RebuildSettings
from meshtools.stages.rebuild import rebuild_element

AXES_MM = np.array([12.0, 9.0, 20.0])


def lump(size: float, lean: float = 0.0) -> Mesh:
    """An ellipsoid with a handed bulge, `size` times as large; `lean` draws its top aside, as a share of its height."""
    sphere = ball(1.0, n_splits=4)
    v = sphere.vertices * AXES_MM
    v = v * (1 + 0.25 * np.exp(-((v - (9.0, 5.0, 8.0)) ** 2).sum(axis=1, keepdims=True) / 60) + 0.1 * np.sin(v[:, [1]] / 5) * np.cos(v[:, [2]] / 9))
    v[:, 0] += lean * np.maximum(v[:, 2], 0.0) ** 2 / AXES_MM[2]
    return Mesh.create(size * v, sphere.faces)


def turned(mesh: Mesh) -> Mesh:
    """The mesh in another frame, as another scan has it."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotations_from_vectors(np.array([[0.4, -1.1, 0.7]]))[0]
    matrix[:3, 3] = (80.0, -20.0, 5.0)
    return apply_matrix(mesh, matrix)


def gaps_percent(made: Mesh, truth: Mesh) -> FloatArray:
    """Distances of the corners of two surfaces, both ways, in percent of the true length."""
    ways = [Surface(a).distance(b.vertices)[0] for a, b in ((made, truth), (truth, made))]
    return 100.0 * np.concatenate(ways) / greatest_length(truth.vertices)


def rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def recipe(finds: tuple[str, ...], fraction: float = 0.0, evidence: EvidenceClass = EvidenceClass.INT, factor: float = 1.0) -> Recipe:
    return Recipe("mount", "caudal-3", evidence, finds, False, factor, None, "", "a reason", (), "planned", fraction=fraction)


def cleaned(find: str, mesh: Mesh) -> Cleaned:
    return Cleaned(find, mesh, (SourceEntry(EvidenceClass.OWN, find, Origin.SCANNED), SourceEntry(EvidenceClass.FILL, find, Origin.FILLED)), 1.0)


def test_between_bones_that_grow_by_even_steps_lies_the_middle_one() -> None:
    """Closed form: the middle of 1 and 1.44 by even steps of ratio is 1.2, whatever the frames."""
    made = interpolate_between(lump(1.0), turned(lump(1.44)), 0.5)
    assert (made.is_from_before, made.is_bent) == (True, True)
    assert made.size_factor == pytest.approx(1.2, rel=1e-3)
    assert gaps_percent(made.mesh, lump(1.2)).max() < 0.1
    assert made.sizes_mm == pytest.approx([greatest_length(lump(size).vertices) for size in (1.0, 1.2, 1.44)], rel=1e-3)
    audit = audit_topology(made.mesh)
    assert (audit.is_closed, audit.is_outward) == (True, True)


def test_plain_ellipsoids_without_one_sure_pose_are_scaled_and_the_reason_is_given() -> None:
    """Closed form: two missing between 40 and 54 mm -> 44.2084, 48.8595; the nearer neighbour is the template."""
    unit = ball(0.5, n_splits=4)
    before, after = (unit.replaced(vertices=unit.vertices * (0.4 * size, 0.6 * size, size)) for size in (40.0, 54.0))
    for fraction, size, is_first in ((1 / 3, 44.2084, True), (2 / 3, 48.8595, False)):
        made = interpolate_between(before, after, fraction)
        assert (made.is_bent, made.is_from_before) == (False, is_first)
        assert "another pose" in made.reason
        assert made.sizes_mm[1] == pytest.approx(size, abs=1e-4)
        assert made.deviation_max_mm == pytest.approx(0.0, abs=1e-9)


def test_the_shape_goes_half_of_the_way_towards_the_other_and_nearer_to_the_truth_than_scaling() -> None:
    truth = lump(1.1, 0.1)
    made = interpolate_between(lump(1.0, 0.0), turned(lump(1.21, 0.2)), 0.5)
    gaps = []
    for mesh in (made.mesh, scale(lump(1.0, 0.0), made.size_factor)):
        placed = apply_matrix(mesh, register(mesh, truth).fixed_from_moving)
        gaps.append(rms(gaps_percent(placed, truth)))
    assert gaps[0] < 0.4 * gaps[1]
    assert made.deviation_rms_mm > 0.1
    assert count_self_intersections(made.mesh).n_pairs == 0


def test_a_bend_all_the_way_takes_most_of_the_difference_of_two_bones_away() -> None:
    one, other = lump(1.0, 0.0), lump(1.0, 0.15)
    length = greatest_length(one.vertices)
    bent = one.replaced(vertices=one.vertices + bend_towards(one, other, length))
    assert rms(gaps_percent(bent, other)) < 0.5 * rms(gaps_percent(one, other))


@pytest.mark.parametrize("fraction", [0.0, 1.0, float("nan")])
def test_a_share_that_is_not_between_the_two_is_refused(fraction: float) -> None:
    with pytest.raises(GeometryError, match="fraction"):
        interpolate_between(lump(1.0), lump(1.2), fraction)


def test_an_interpolated_replica_is_nobody_s_bone_and_says_what_it_is() -> None:
    parts = [cleaned("c2", lump(1.0)), cleaned("c4", turned(lump(1.44)))]
    result = rebuild_element(recipe(("c2", "c4"), 0.5), parts, RebuildSettings(), ())
    assert result.sources[0] == SourceEntry(EvidenceClass.INT, "c2", Origin.MADE)
    assert result.facts["evidence_share"] == pytest.approx({"INT": 1.0})
    assert (result.facts["volume_from_bone_percent"], result.facts["deliverable"]) == (0.0, True)
    assert result.facts["finds"] == ["c2", "c4"]
    facts = result.facts["conjecture"]
    assert (facts["template"], facts["other"], facts["is_bent"], facts["size_factor"]) == ("c2", "c4", True, pytest.approx(1.2, rel=1e-3))
    assert [(finding.code, finding.severity) for finding in result.findings] == [("interpolated", Severity.NOTE)]
    assert json.dumps(facts)


def test_a_scaled_neighbour_is_of_the_element_s_class_too() -> None:
    for evidence in (EvidenceClass.INT, EvidenceClass.EXT):
        result = rebuild_element(recipe(("c2",), 0.0, evidence, 0.5), [cleaned("c2", lump(1.0))], RebuildSettings(), ())
        assert result.facts["evidence_share"] == pytest.approx({evidence.value: 1.0})
        assert result.facts["volume_mm3"] == pytest.approx(audit_topology(lump(0.5)).volume_mm3, rel=1e-9)
    with pytest.raises(GeometryError, match="two to interpolate"):
        conjecture_from(recipe(("c2",), 0.5), [cleaned("c2", lump(1.0))], ())


def test_an_opening_of_the_template_moves_with_its_surface() -> None:
    mesh = lump(1.0)
    point: FloatArray = mesh.vertices[100]
    row = Opening(1, "c2", "foramen", *(float(x) for x in point), 2.0, "keep", depth_mm=3.0)
    rows = [as_scanned(row), as_scanned(replace(row, find="c4"))]
    made = conjecture_from(recipe(("c2", "c4"), 0.5), [cleaned("c2", mesh), cleaned("c4", lump(1.44))], rows)
    (moved,) = made.openings
    assert moved.point_mm == pytest.approx(tuple(made.cleaned[0].mesh.vertices[100]), abs=1e-9)
    assert moved.row is row


def test_places_of_an_interpolated_bone_are_told_as_its_template_s_scan_has_them_or_not_at_all() -> None:
    """Its surface is bent, and no place of that stands in any table. The tips of the bulge and of the lower end are cut off here."""
    whole, other = lump(1.0), turned(lump(1.44))
    middles = whole.vertices[whole.faces].mean(axis=1)
    top, low = middles[:, 2] > 0.8 * whole.vertices[:, 2].max(), middles[:, 2] < 0.8 * whole.vertices[:, 2].min()
    open_mesh = whole.replaced(faces=whole.faces[~(top | low)], source=whole.source[~(top | low)])
    x, y, z = (float(value) for value in np.unique(whole.vertices[whole.faces[top]].reshape(-1, 3), axis=0).mean(axis=0))
    row = Opening(1, "c2", "foramen", x, y, z, 40.0, "keep")
    parts = [cleaned("c2", open_mesh), cleaned("c4", other)]
    findings = rebuild_element(recipe(("c2", "c4"), 0.5), parts, RebuildSettings(close_rims_up_to_mm=1.0), (row,)).findings
    told = {finding.code: finding.message for finding in findings}
    assert f"(find,kind,x,y,z = c2,foramen,{x:.10g},{y:.10g},{z:.10g})" in told["open-rim-kept"]
    assert "made from find c2" in told["open-rim"]
    assert "near (" not in told["open-rim"]
    assert "`bonewright intake` lists" in told["open-rim"]


@pytest.mark.slow
def test_a_tail_is_built_with_its_missing_bones_as_conjecture(tmp_path: Path) -> None:
    import trimesh

    (tmp_path / "config").mkdir()
    (tmp_path / "scans").mkdir()
    sizes = {1: 1.44, 2: 1.2, 4: 1.2**-1}
    for place, size in sizes.items():
        mesh = lump(size)
        trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).export(tmp_path / "scans" / f"c{place}.ply")
    rows = [f"c{place},caudal-{place},median,ind-a,c{place}.ply,mm" for place in sizes]
    tables = {
        "bones": ["find,element,side,organismID,scan,unit", *rows],
        "skeleton": ["element,pairing,series,position,region,group", *(f"caudal-{i},median,caudal,{i},tail,vertebra" for i in range(1, 6))],
        "measurements": ["find,measurementType,measurementValue,measurementUnit",
                         *(f"c{i},greatest length,{greatest_length(lump(size).vertices):.4f},mm" for i, size in sizes.items())],
        "decisions": ["target,element,find,kind,value,by,date,reason,evidence_key"],
        "openings": ["find,kind,x,y,z,diameter_mm,action"],
    }  # fmt: skip
    for name, lines in tables.items():
        (tmp_path / "config" / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "config" / "config.yaml").write_text(CONFIG, encoding="utf-8")
    build(tmp_path)
    with (tmp_path / "results" / "summary.csv").open(encoding="utf-8", newline="") as table:
        found = {row["element"]: (row["class"], row["status"]) for row in csv.DictReader(table)}
    assert [found[f"caudal-{i}"] for i in range(1, 6)] == [
        ("OWN", "ready"), ("OWN", "ready"), ("INT", "review"), ("OWN", "ready"), ("EXT", "review")]  # fmt: skip
    truth = {"caudal-3": lump(1.0), "caudal-5": lump(1.2**-2)}
    for element, mesh in truth.items():
        record = json.loads((tmp_path / "results" / "mount" / element / "record.json").read_text(encoding="utf-8"))
        assert record["facts"]["volume_mm3"] == pytest.approx(audit_topology(mesh).volume_mm3, rel=0.005)
        assert record["facts"]["volume_from_bone_percent"] == 0.0
    page = (tmp_path / "results" / "mount" / "caudal-3" / "report.html").read_text(encoding="utf-8")
    assert "this one is conjecture, and so is the neighbour that is only scaled" in page
    assert "From the neighbour that is only scaled" in page
