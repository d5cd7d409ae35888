"""Side and identity of a find by its shape. Real dog bones; individuals by smooth warps of known size."""

from __future__ import annotations

import pytest
from dog_individuals import read_bone, warp
from solid_shapes import ball

from meshtools.errors import GeometryError
from meshtools.geometry.registration_evidence import identity_evidence, side_evidence
from meshtools.geometry.transform import reflect, scale
from meshtools.model import Mesh


def individual(name: str, seed: int, rms_percent: float = 0.7, factor: float = 1.0) -> Mesh:
    """A dog bone as another individual has it: warped, and of another size."""
    vertices, faces = read_bone(name)
    return scale(Mesh.create(warp(vertices - vertices.mean(axis=0), rms_percent, seed), faces), factor)


def test_a_patella_called_left_that_only_fits_left_ones_after_reflection_contradicts() -> None:
    evidence = side_evidence(individual("Patella_R", 1, factor=1.2), [individual("Patella_L", 2)])
    assert evidence.verdict == "contradicts"
    assert "after reflection" in evidence.reason


def test_a_left_patella_agrees_with_the_reflected_right_ones() -> None:
    assert side_evidence(individual("Patella_L", 1, factor=1.2), [], [individual("Patella_R", 3)]).verdict == "agrees"


def test_a_middle_tail_vertebra_cannot_say_which_side_it_is_from() -> None:
    assert side_evidence(individual("Ca_12", 1), [individual("Ca_12", 2)]).verdict == "cannot say"


def test_a_metacarpal_with_a_crossed_name_contradicts_its_name() -> None:
    """The dog's `Os_metacarpale_V_R` is the mirror image of `Os_metacarpale_V_L.001`, not of `Os_metacarpale_V_L`."""
    candidates = {name: Mesh.create(*read_bone(name)) for name in ("Os_metacarpale_V_L", "Os_metacarpale_V_L.001")}
    find = reflect(individual("Os_metacarpale_V_R", 4, factor=0.9))
    evidence = identity_evidence(find, "Os_metacarpale_V_L", candidates)
    assert evidence.verdict == "contradicts"
    assert evidence.ranking[0][0] == "Os_metacarpale_V_L.001"


def test_a_candidate_that_is_not_there_is_refused() -> None:
    with pytest.raises(GeometryError, match="at least one other"):
        identity_evidence(ball(3.0), "femur", {"tibia": ball(3.0)})
    with pytest.raises(GeometryError, match="one of either side"):
        side_evidence(ball(3.0), [])
