"""What is said of the open end of a scan once its bone was completed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

from meshtools.geometry.completed_ends import is_end_completed
from meshtools.geometry.covered_ends import JoinedSkin
from meshtools.geometry.rims import find_rims
from meshtools.geometry.transform import reflection_matrix, scaling_matrix
from meshtools.geometry.unite import concatenate
from meshtools.jobs.report_ends import with_ends_answered
from meshtools.model import EvidenceClass, Mesh, Origin, SourceEntry

ASKED = {"severity": "review", "code": "open-end", "message": "a: the scan ends open all round.", "value": 20.0, "limit": None, "unit": "mm"}
END = {"code": "open-end", "centre_mm": [0.0, 0.0, 60.0], "span_mm": 20.0}
SCANS = tuple(SourceEntry(EvidenceClass.OWN, find, Origin.SCANNED) for find in ("a", "b"))
FILLED, SEAM = (SourceEntry(EvidenceClass.FILL, "a", origin) for origin in (Origin.FILLED, Origin.SEAM))


def rod(length_mm: float) -> Mesh:
    """A rod along z of 20 mm, from z = 0."""
    made = trimesh.creation.cylinder(radius=10.0, height=length_mm)
    return Mesh(made.vertices + [0.0, 0.0, length_mm / 2], made.faces.astype(np.int32), np.zeros(len(made.faces), np.uint16))


def clean_record(*codes: str) -> dict[str, Any]:
    """The record of a scan of the lower 60 mm of the rod."""
    ends = [END | {"code": code} for code in codes]
    return {"findings": [ASKED | {"code": code} for code in codes], "facts": {"open_ends": ends}, "status": "review"}


@pytest.mark.parametrize(("length_mm", "wanted"), [(100.0, True), (60.0, False), (61.0, False)], ids=["completed", "closed flat", "closed bulging"])
def test_an_end_is_completed_where_it_lies_inside_the_replica(length_mm: float, wanted: bool) -> None:
    assert is_end_completed(rod(length_mm), np.eye(4), clean_record("open-end")) is wanted
    larger = rod(length_mm)
    larger = larger.replaced(vertices=larger.vertices * 1.5)
    assert is_end_completed(larger, scaling_matrix(1.5), clean_record("open-end")) is wanted


def test_nothing_is_completed_where_no_open_end_was_asked_about() -> None:
    assert not is_end_completed(rod(100.0), np.eye(4), clean_record("torn"))


def test_a_completed_bone_notes_the_open_end_of_its_scan_and_asks_about_it_no_longer() -> None:
    records = {"rebuild": {"facts": {"ends_completed": ["a"]}}, "clean/a": clean_record("open-end"), "clean/b": clean_record("open-end")}
    told = with_ends_answered(records)
    assert (told["clean/a"]["status"], told["clean/b"]["status"]) == ("ok", "review")
    assert "20.0 mm wide at most; the replica was completed beyond that end." in told["clean/a"]["findings"][0]["message"]
    both = records | {"clean/a": clean_record("open-end", "torn")}
    assert [finding["severity"] for finding in with_ends_answered(both)["clean/a"]["findings"]] == ["note", "review"]
    assert with_ends_answered(records | {"rebuild": {"facts": {}}})["clean/a"]["status"] == "review"


def tube(low_mm: float, high_mm: float, source: int, radius_mm: float = 10.0) -> Mesh:
    """A tube along z without ends."""
    made = trimesh.creation.cylinder(radius=radius_mm, height=high_mm - low_mm)
    is_side = np.ptp(made.triangles[:, :, 2], axis=1) > 1e-6
    return Mesh.create(made.vertices + [0.0, 0.0, (low_mm + high_mm) / 2], made.faces[is_side], source)


def ends_of(mesh: Mesh) -> list[dict[str, Any]]:
    rims = sorted(find_rims(mesh), key=lambda rim: rim.centre_mm[2])
    return [END | {"centre_mm": [round(float(x), 6) for x in rim.centre_mm], "span_mm": round(rim.span_mm, 6)} for rim in rims]


@pytest.mark.parametrize(("beyond", "sources", "wanted"), [
    (tube(50.0, 100.0, 1, 10.2), SCANS, 0.2), (tube(60.0, 61.0, 1), (SCANS[0], SEAM), 0.0), (tube(60.0, 61.0, 1), (SCANS[0], FILLED), None),
    (tube(62.0, 100.0, 1), SCANS, None),
], ids=["other skin over it", "a seam", "closed flat", "other skin too far off"])  # fmt: skip
def test_an_open_end_is_covered_where_skin_of_other_scans_lies_at_its_rim(beyond: Mesh, sources: Any, wanted: float | None) -> None:
    """The lower end of the tube has nothing beyond it and is never covered; the upper one is where another scan goes on, within the tolerance."""
    part = tube(0.0, 60.0, 0)
    skin = JoinedSkin(concatenate([part, beyond]), sources, 0.5)
    lower, upper = skin.cover_of("a", part, np.eye(4), ends_of(part))
    assert lower is None
    assert upper == (None if wanted is None else pytest.approx(wanted, abs=0.1))
    assert skin.cover_of("a", part, np.eye(4), [END | {"centre_mm": [0.0, 0.0, 33.0]}]) == [None]


def test_an_open_end_that_lies_below_the_skin_of_another_scan_is_covered_however_deep() -> None:
    part, matrix = tube(20.0, 60.0, 0, 7.0), reflection_matrix() @ scaling_matrix(1.5)
    replica = rod(100.0)
    replica = replica.replaced(vertices=replica.vertices * 1.5, source=np.ones(len(replica.faces), np.uint16))
    covers = JoinedSkin(replica, SCANS, 0.5).cover_of("a", part, matrix, ends_of(part))
    assert covers == [pytest.approx(4.5, abs=0.2)] * 2


def test_a_covered_end_of_a_joined_scan_is_noted_and_the_rest_is_still_asked_about() -> None:
    """One question may be about several ends: those that nothing covers stay."""
    far = END | {"centre_mm": [0.0, 0.0, 5.0], "span_mm": 12.0}
    record = clean_record("open-end") | {"facts": {"open_ends": [END, far]}}
    told = {}
    for name, cover in (("all", [0.16, 0.1]), ("one", [0.16, None]), ("none", [None, None])):
        told[name] = with_ends_answered({"rebuild": {"facts": {"ends_covered": {"b": cover}}}, "clean/b": record})["clean/b"]
    assert [(told[name]["status"], len(told[name]["findings"])) for name in told] == [("ok", 1), ("review", 2), ("review", 1)]
    assert "covers the rim in the replica (at most 0.16 mm off)." in told["all"]["findings"][0]["message"]
    asked = told["one"]["findings"][1]
    assert "at 1 place, near (0.0, 0.0, 5.0) mm, up to 12.0 mm wide" in asked["message"]
    assert told["none"]["findings"] == record["findings"]
    torn = clean_record("torn", "torn") | {"findings": [ASKED | {"code": "torn"}]}
    for cover, severity in (([0.1, 0.1], "note"), ([0.1, None], "review")):
        answered = with_ends_answered({"rebuild": {"facts": {"ends_covered": {"b": cover}}}, "clean/b": torn})["clean/b"]
        assert [finding["severity"] for finding in answered["findings"]] == [severity]
