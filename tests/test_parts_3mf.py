"""Several parts in one 3MF: each an object of its own, in millimetres, without a warning from a strict reader."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pytest
from core_3mf import broken_rules, broken_rules_of_package
from solid_shapes import ball, box

from meshtools.files.deliver import encode_3mf
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
    """Rules and their source: core_3mf. Also: matrices that turn nothing over, and UUIDs that are unique (production extension 1.1)."""
    from lxml import etree

    assert broken_rules_of_package(package) == []
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        root = etree.fromstring(archive.read("3D/3dmodel.model"))
    assert root.get("unit") == "millimeter"
    items = root.find(f"{CORE}build").findall(f"{CORE}item")
    assert [item.get("objectid") for item in items] == [body.get("id") for body in root.findall(f".//{CORE}object")]
    for item in items:
        numbers = [float(word) for word in item.get("transform", "1 0 0 0 1 0 0 0 1 0 0 0").split()]
        assert np.linalg.det(np.reshape(numbers[:9], (3, 3))) == pytest.approx(1.0)
    uuids = [value for node in root.iter() for key, value in node.attrib.items() if key == f"{PRODUCTION}UUID"]
    assert len(uuids) == len(set(uuids)) == 2 * len(SOLIDS) + 1


def test_a_single_part_keeps_the_rules_of_the_core_specification():
    assert broken_rules_of_package(encode_3mf(SOLIDS[0].mesh, LABEL, SOURCES).content) == []


@pytest.mark.parametrize(
    ("was", "becomes", "told"),
    [
        ('unit="millimeter"', 'unit="mm"', "unit of model is 'mm'"),
        ("<resources>", "<resources/><resources>", "model holds 2 resources"),
        ('name="Title"', 'name="Titel"', "metadata Titel is not known"),
        ('name="bw:part"', 'name="xx:part"', "metadata xx:part is not known"),
        ('name="bw:part"', 'name="bw:target"', "metadata bw:target stands twice"),
        ('<vertex x="', '<vertex w="', "vertex has no x"),
        ('<triangle v1="0"', '<triangle v1="-1"', "v1 of triangle is '-1'"),
        ('<triangle v1="0"', '<triangle v1="900"', "a vertex that is not there"),
        ('<triangle v1="0" v2="1"', '<triangle v1="1" v2="1"', "a vertex twice"),
        ('<triangle v1="0" v2="1" v3="3"', '<triangle v1="1" v2="0" v3="3"', "exactly two triangles"),
        ('pindex="0"', 'pindex="7"', "beyond its group"),
        ('type="model"', 'type="other"', "an item refers to an object of type other"),
        ('<item objectid="', '<item objectid="9', "which is no object"),
        ('displaycolor="#', 'displaycolor="', "displaycolor of base"),
        ('transform="1 0 0', 'transform="0 0 0', "has no inverse"),
        ('transform="1 0 0', 'transform="1 0', "transform of item is"),
    ],
)
def test_what_breaks_a_rule_of_the_core_specification_is_noticed(package, was, becomes, told):
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        part = archive.read("3D/3dmodel.model").decode()
    assert was in part
    assert any(told in rule for rule in broken_rules(part.replace(was, becomes, 1).encode()))


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
