"""Which places of findings are marked in the turning view."""

from __future__ import annotations

from typing import Any

from meshtools.report.marks import marked_places

FACTS = {"finds": ["a", "b"], "replica_from_scan": [[-2.0, 0, 0, 0], [0, 2.0, 0, 0], [0, 0, 2.0, 1.0], [0, 0, 0, 1]]}


def finding(stage: str, message: str) -> dict[str, Any]:
    return {"stage": stage, "message": message}


def places(*findings: dict[str, Any], **facts: Any) -> list[list[float]]:
    return [mark["place_mm"] for mark in marked_places(findings, FACTS | facts)]


def test_a_place_of_the_clean_surface_is_marked_where_the_replica_has_it() -> None:
    assert places(finding("clean/a", "a: open near (1.0, 2.0, -3.5) mm; (0.5, 0.0, 0.0) mm")) == [[-2.0, 4.0, -6.0], [-1.0, 0.0, 1.0]]
    assert places(finding("rebuild", "the open rim of find a near (1.0, 2.0, 3.0) mm of its clean surface spans")) == [[-2.0, 4.0, 7.0]]


def test_a_place_of_the_replica_is_marked_as_it_stands_and_once() -> None:
    crossing = finding("rebuild", "at 2 places, near (1.0, 2.0, 3.0), (4.0, 5.0, 6.0) mm of replica.ply and 3 more.")
    assert places(crossing, crossing) == [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]


def test_a_place_whose_frame_is_not_that_of_the_replica_is_not_marked() -> None:
    named = "near (1.0, 2.0, 3.0) mm"
    assert places(finding("clean/b", f"b: {named}"), finding("rebuild", f"find b {named}"), finding("plan", named)) == []
    assert places(finding("clean/a", "a: near (1.0, 2.0, 3.0) mm"), conjecture={"neighbours": 2}) == []
