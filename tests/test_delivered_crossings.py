"""A replica that passes through itself only in the 32-bit numbers of its files is asked about before it is delivered."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
from solid_shapes import capsule

from meshtools.files.deliver import PartLabel, encode_3mf, encode_glb, encode_stl
from meshtools.files.delivered_crossings import MOST_BY_ROUNDING, crossing_findings, delivered_crossings
from meshtools.files.delivered_surface import read_delivered
from meshtools.geometry.self_intersection import count_self_intersections
from meshtools.model import EvidenceClass, Mesh, Origin, Severity, SourceEntry

LABEL = PartLabel("rex/femur-left", "7f3a", "rex", "femur-left", EvidenceClass.OWN)
SOURCES = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED), SourceEntry(EvidenceClass.FILL, "f-1", Origin.FILLED))
ENCODERS = {"replica.stl": encode_stl, "replica.3mf": encode_3mf, "replica.glb": encode_glb}


def slotted(width_mm: float) -> Mesh:
    """A block of 20 x 30 x 50 mm with six slots of this width from its top, each turned a little more; it ends at 105, -1, 57 mm."""
    block = manifold3d.Manifold.cube((20, 30, 50))
    for k in range(6):
        block -= manifold3d.Manifold.cube((40, width_mm, 12), True).rotate((7 + k, 0, 5)).translate((0, 3 + 4.3 * k, 50))
    body = block.translate((85, -31, 7)).to_mesh64()
    faces = np.asarray(body.tri_verts).astype(np.int32)
    return Mesh.create(np.asarray(body.vert_properties)[:, :3], faces, np.ones(len(faces), np.uint16))


def findings_of(mesh: Mesh):
    found = delivered_crossings({name: encode(mesh, LABEL, SOURCES) for name, encode in ENCODERS.items()})
    assert set(found) == {"replica.stl", "replica.glb"}
    return crossing_findings("femur-left", mesh, SOURCES, count_self_intersections(mesh).n_pairs, found), found


def test_slots_thinner_than_a_32_bit_number_tells_apart_are_asked_about_with_their_place_and_the_fill():
    """The walls of the slots lie a millionth of a millimetre apart: exact numbers tell them apart, 32-bit numbers do not."""
    mesh = slotted(1e-6)
    assert count_self_intersections(mesh).n_pairs == 0
    (finding,), found = findings_of(mesh)
    assert (finding.severity, finding.code, finding.limit) == (Severity.REVIEW, "delivered-self-intersection", MOST_BY_ROUNDING)
    assert finding.value == max(crossings.n_pairs for crossings, _ in found.values()) > MOST_BY_ROUNDING
    x, y, z = np.array(first_place(finding.message))
    assert (85.0 <= x <= 105.0, -31.0 <= y <= -1.0, 7.0 <= z <= 57.0) == (True, True, True)
    assert "f-1 (filled)" in finding.message


def test_the_3mf_holds_the_numbers_of_the_stl_so_that_one_look_judges_both():
    mesh = slotted(1e-6)
    read = [read_delivered(encode(mesh, LABEL, SOURCES).content, suffix) for encode, suffix in ((encode_stl, ".stl"), (encode_3mf, ".3mf"))]
    corners = [surface.vertices[surface.faces] for surface in read]
    assert np.abs(corners[0] - corners[1]).max() < 5.01e-7


def first_place(message: str) -> list[float]:
    """The first place that a message names."""
    return [float(word) for word in message.split("near (")[1].split(")")[0].split(",")]


@pytest.mark.parametrize("shift_mm", [0.0, 5e5])
def test_a_sound_skin_is_not_asked_about_wherever_it_stands(shift_mm):
    mesh = capsule(10.0, 80.0)
    assert findings_of(mesh.replaced(vertices=mesh.vertices + shift_mm))[0] == []
