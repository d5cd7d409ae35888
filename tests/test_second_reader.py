"""A delivered 3MF read by a second general library, besides the strict reader that every delivery passes."""

from __future__ import annotations

import io

import numpy as np
import pytest
from solid_shapes import ball

from meshtools.files.deliver import PartLabel, encode_3mf
from meshtools.geometry.audit import audit_topology
from meshtools.model import EvidenceClass, Mesh, Origin, SourceEntry

LABEL = PartLabel("rex/femur-left", "1", "rex", "femur-left", EvidenceClass.OWN)
SOURCES = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED), SourceEntry(EvidenceClass.FILL, "f-1", Origin.FILLED))


def test_trimesh_reads_a_3mf_as_one_closed_outward_body_of_its_size_in_millimetres():
    """It needs networkx and lxml for this format, which the package itself does not use."""
    import trimesh

    part = ball(10.0, centre=(300.0, -20.0, 5.0), n_splits=3).replaced(source=np.arange(512) % 2)
    scene = trimesh.load_scene(io.BytesIO(encode_3mf(part, LABEL, SOURCES).content), file_type="3mf", process=False)
    (body,) = scene.dump()
    read = Mesh.create(np.asarray(body.vertices), np.asarray(body.faces))
    audit = audit_topology(read)
    assert scene.units == "millimeter"
    assert (audit.is_closed, audit.is_outward, audit.n_faces, audit.n_pieces) == (True, True, 512, 1)
    assert audit.volume_mm3 == pytest.approx(audit_topology(part).volume_mm3, rel=1e-6)  # coordinates are 32-bit numbers
    assert np.ptp(read.vertices, axis=0) == pytest.approx(np.ptp(part.vertices, axis=0), abs=1e-5)
