"""Several parts in one 3MF: each an object of its own, in millimetres, without a warning from a strict reader."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pytest
from solid_shapes import ball, box

from meshtools.files.deliver_frame import PartLabel
from meshtools.files.parts_3mf import encode_parts_3mf
from meshtools.geometry.audit import signed_volume
from meshtools.model import EvidenceClass, Origin, SourceEntry
from meshtools.model_ready import MadeSolid

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
PRODUCTION = "{http://schemas.microsoft.com/3dmanufacturing/production/2015/06}"
LABEL = PartLabel("rex/femur-left", "7f3a", "rex", "femur-left", EvidenceClass.OWN)
SOURCES = (SourceEntry(EvidenceClass.OWN, "f-1", Origin.SCANNED), SourceEntry(EvidenceClass.MADE, "", Origin.MADE))
SOLIDS = (
    MadeSolid("01", "part", box((20.0, 30.0, 50.0), (1e4, 0.0, 7.0)).replaced(source=[0] * 10 + [1, 1]), np.eye(4)),
    MadeSolid("02", "part", ball(10.0), np.eye(4)),
)


@pytest.fixture(scope="module")
def package() -> bytes:
    return encode_parts_3mf(SOLIDS, SOURCES, LABEL)


def test_a_strict_reader_finds_every_part_with_its_number_and_volume(package):
    import lib3mf

    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromBuffer(package)
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    objects = model.GetMeshObjects()
    for solid in SOLIDS:
        assert objects.MoveNext()
        body = objects.GetCurrentMeshObject()
        assert body.GetPartNumber() == f"rex/femur-left-{solid.name}"
        assert body.IsManifoldAndOriented()
        corners = np.array([list(vertex.Coordinates) for vertex in body.GetVertices()])
        faces = np.array([list(triangle.Indices) for triangle in body.GetTriangleIndices()])
        read = box().replaced(vertices=corners, faces=faces, source=np.zeros(len(faces), np.uint16))
        assert signed_volume(read) == pytest.approx(signed_volume(solid.mesh), rel=1e-5)
    assert not objects.MoveNext()


def test_the_same_parts_give_the_same_bytes(package):
    assert encode_parts_3mf(SOLIDS, SOURCES, LABEL) == package


def test_the_package_keeps_the_rules_of_the_core_specification(package):
    """3MF core 1.4.0: content types and a start part (2.1), ids unique and declared before use (3.4), each item an object, indices in range
    and different in each triangle (4.1.4), matrices with a positive determinant and 12 numbers (3.3), only known metadata names without a
    namespace (3.4.1), UUIDs unique (production extension 1.1)."""
    from lxml import etree

    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        assert {"[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"} <= set(archive.namelist())
        root = etree.fromstring(archive.read("3D/3dmodel.model"))
    assert root.tag == f"{CORE}model"
    assert root.get("unit") == "millimeter"
    ids = [node.get("id") for node in root.find(f"{CORE}resources")]
    assert len(ids) == len(set(ids))
    items = root.find(f"{CORE}build").findall(f"{CORE}item")
    bodies = root.findall(f".//{CORE}object")
    assert [item.get("objectid") for item in items] == [body.get("id") for body in bodies]
    for body in bodies:
        n_vertices = len(body.findall(f".//{CORE}vertex"))
        for triangle in body.findall(f".//{CORE}triangle"):
            corners = {int(triangle.get(key)) for key in ("v1", "v2", "v3")}
            assert len(corners) == 3
            assert min(corners) >= 0
            assert max(corners) < n_vertices
    for item in items:
        numbers = [float(word) for word in item.get("transform", "1 0 0 0 1 0 0 0 1 0 0 0").split()]
        assert len(numbers) == 12
        assert np.linalg.det(np.reshape(numbers[:9], (3, 3))) == pytest.approx(1.0)
    names = {node.get("name") for node in root.findall(f"{CORE}metadata")}
    assert {name for name in names if ":" not in name} == {"Title", "Application"}
    uuids = [value for node in root.iter() for key, value in node.attrib.items() if key == f"{PRODUCTION}UUID"]
    assert len(uuids) == len(set(uuids)) == 2 * len(SOLIDS) + 1


def test_parts_lie_side_by_side_on_the_plate(package):
    """No two boxes of the build overlap, and all stand on z = 0 in the positive octant."""
    from lxml import etree

    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        root = etree.fromstring(archive.read("3D/3dmodel.model"))
    shifts = [np.array(item.get("transform").split()[9:], dtype=float) for item in root.iter(f"{CORE}item")]
    ends = 0.0
    for shift, body in zip(shifts, root.iter(f"{CORE}object"), strict=True):
        points = np.array([[float(node.get(axis)) for axis in "xyz"] for node in body.iter(f"{CORE}vertex")]) + shift
        assert points[:, 0].min() >= ends - 1e-4
        assert points[:, 1:].min() == pytest.approx(0.0, abs=1e-4)
        ends = points[:, 0].max()
