"""Caliper measures and the spacing of a scan."""

from __future__ import annotations

import math

import numpy as np
import pytest
from solid_shapes import ball, box, capsule

from meshtools.errors import GeometryError
from meshtools.geometry.measure import CALIPER_MEASURES, diagonal_mm, greatest_pair, measure, median_spacing


@pytest.mark.parametrize(("name", "expected"), [
    ("greatest-length", math.sqrt(38)), ("extent-x", 2.0), ("extent-y", 3.0), ("extent-z", 5.0),
])
def test_a_box_measures_its_diagonal_and_sides(name, expected):
    assert measure(box((2, 3, 5)).vertices, name) == pytest.approx(expected, rel=1e-12)
    assert diagonal_mm(box((2, 3, 5)).vertices) == pytest.approx(math.sqrt(38), rel=1e-12)


def test_a_turned_capsule_is_as_long_and_broad_as_its_closed_form():
    """Length l + 2 r; breadth 2 r, reached because 64 points around lie opposite each other."""
    turn = np.linalg.qr(np.array([[2.0, 1, 0], [1, 3, 1], [0, 1, 4]]))[0]
    vertices = capsule(10.0, 40.0).vertices @ turn
    assert measure(vertices, "greatest-length") == pytest.approx(60.0, rel=1e-12)
    assert measure(vertices, "greatest-breadth") == pytest.approx(20.0, rel=1e-9)


def test_the_greatest_length_equals_the_search_of_all_pairs():
    points = np.random.default_rng(5).normal(size=(700, 3)) * (9, 4, 2)
    brute = np.linalg.norm(points[:, None] - points[None], axis=2).max()
    assert greatest_pair(points)[0] == pytest.approx(brute, rel=1e-12)


def test_a_flat_sheet_is_measured_although_it_has_no_hull():
    sheet = np.stack([*(g.ravel() for g in np.meshgrid(np.arange(30.0), np.arange(41.0))), np.zeros(1230)], axis=1)
    assert measure(sheet, "greatest-length") == pytest.approx(math.hypot(29, 40))


def test_a_measure_outside_the_list_is_refused_with_the_list():
    with pytest.raises(GeometryError, match="greatest-length"):
        measure(ball().vertices, "girth")


def test_every_measure_says_what_it_measures():
    assert all(function.__doc__ for function in CALIPER_MEASURES.values())


def test_the_spacing_is_the_median_edge():
    assert median_spacing(box((1, 1, 1))) == pytest.approx(1.0)
