"""What is said of the open end of a scan once its bone was completed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

from meshtools.geometry.completed_ends import is_end_completed
from meshtools.geometry.transform import scaling_matrix
from meshtools.jobs.report_ends import with_ends_completed
from meshtools.model import Mesh

ASKED = {"severity": "review", "code": "open-end", "message": "a: the scan ends open all round.", "value": 20.0, "limit": None, "unit": "mm"}


def rod(length_mm: float) -> Mesh:
    """A rod along z of 20 mm, from z = 0."""
    made = trimesh.creation.cylinder(radius=10.0, height=length_mm)
    return Mesh(made.vertices + [0.0, 0.0, length_mm / 2], made.faces.astype(np.int32), np.zeros(len(made.faces), np.uint16))


def clean_record(*codes: str) -> dict[str, Any]:
    """The record of a scan of the lower 60 mm of the rod."""
    rims = [{"centre_mm": [0.0, 0.0, 60.0], "span_mm": 20.0}, {"centre_mm": [10.0, 0.0, 30.0], "span_mm": 4.0}]
    return {"findings": [ASKED | {"code": code} for code in codes], "facts": {"rims_left": rims}, "status": "review"}


@pytest.mark.parametrize(("length_mm", "wanted"), [(100.0, True), (60.0, False), (61.0, False)], ids=["completed", "closed flat", "closed bulging"])
def test_an_end_is_completed_where_it_lies_inside_the_replica(length_mm: float, wanted: bool) -> None:
    assert is_end_completed(rod(length_mm), np.eye(4), clean_record("open-end")) is wanted
    larger = rod(length_mm)
    larger = larger.replaced(vertices=larger.vertices * 1.5)
    assert is_end_completed(larger, scaling_matrix(1.5), clean_record("open-end")) is wanted


def test_nothing_is_completed_where_no_open_end_was_asked_about() -> None:
    assert not is_end_completed(rod(100.0), np.eye(4), clean_record("torn"))


def test_a_completed_bone_notes_the_open_end_of_its_scan_and_asks_about_it_no_longer() -> None:
    records = {"rebuild": {"facts": {"end_completed": "a"}}, "clean/a": clean_record("open-end"), "clean/b": clean_record("open-end")}
    told = with_ends_completed(records)
    assert (told["clean/a"]["status"], told["clean/b"]["status"]) == ("ok", "review")
    assert "20.0 mm wide at most; the replica was completed beyond that end." in told["clean/a"]["findings"][0]["message"]
    both = records | {"clean/a": clean_record("open-end", "torn")}
    assert [finding["severity"] for finding in with_ends_completed(both)["clean/a"]["findings"]] == ["note", "review"]
    assert with_ends_completed(records | {"rebuild": {"facts": {}}})["clean/a"]["status"] == "review"
