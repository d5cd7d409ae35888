"""Prove that a delivered file, read from disk, is the part that was planned. Shares no code with the writers.

Every file is read twice: by our own plain parsing and by a general library (trimesh; for 3MF lib3mf in strict mode). Both must
find a closed, outward surface of the planned size and volume.

Where the surface passes through itself is counted in the PLY alone, by another method than the maker's. The bytes of STL, 3MF and GLB are
judged when they are made (`delivered_crossings`): a sound skin gains no pairs of crossing faces in 32 bits, or two (of 172 dog bones two did,
of 108 replicas of example batches none). Skins that lie on each other gain tens, and their record asks about it. The SHA-256 says here that
the file is the one that was judged.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import ScanError, is_passing
from meshtools.files.crossing_check import count_crossings, number_places
from meshtools.files.delivered_surface import DAMAGE, DeliveredSurface, read_delivered
from meshtools.files.threemf_library import file_in_memory, filled, threemf_library
from meshtools.model import Finding, FloatArray, Severity

_EXPECTED_UNIT = {".3mf": "millimeter", ".glb": "meter"}
_SINGLE_STEP_SHARE = 2.0**-20  # of the largest extent: eight of the steps that a part is rounded to in 32-bit formats
_SINGLE_FLOOR_MM = 1e-4
_DOUBLE_SHARE = 1e-9


@dataclass(frozen=True)
class PlannedPart:
    """What a delivered file must hold: volume in mm3, extents (3,) in mm along x, y, z of the replica, and the SHA-256 of its bytes.

    Looked for in the PLY only: the pairs of faces of one piece that cross, and, where they are given, the numbers of vertices, faces and
    pieces, the area in mm2 and the number of its sources.
    """

    volume_mm3: float
    extents_mm: tuple[float, float, float]
    sha256: str
    n_self_intersections: int = 0
    n_vertices: int | None = None
    n_faces: int | None = None
    n_pieces: int | None = None
    area_mm2: float | None = None
    n_sources: int | None = None


@dataclass(frozen=True)
class _Measured:
    """What one reader found."""

    n_bad_edges: int
    volume_mm3: float
    area_mm2: float
    extents_mm: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class ReadBack:
    """What is wrong with a delivered file, and the surface in it where it can be read, for what else is to be checked of it."""

    findings: tuple[Finding, ...]
    surface: DeliveredSurface | None


def verify_delivery(path: Path, planned: PlannedPart) -> ReadBack:
    """Read a delivered PLY, STL, 3MF or GLB from disk and list everything that differs from the plan, each as a failed finding.

    Codes: delivery-unreadable, delivery-hash, delivery-unit, delivery-open, delivery-inside-out, delivery-size, delivery-volume, and, where
    all else is right, delivery-count, delivery-area, delivery-source, delivery-crossing and delivery-piece.
    Tolerance: the rounding of 32-bit floats (a millionth of the largest extent) for STL, 3MF and GLB, of 64-bit floats for PLY.
    """
    suffix = path.suffix.lower()
    try:
        content = path.read_bytes()
    except OSError as error:
        if is_passing(error):
            raise
        return ReadBack((_finding("unreadable", path, f"cannot be read ({error.strerror})"),), None)
    findings, surface = [], None
    digest = hashlib.sha256(content).hexdigest()
    if digest != planned.sha256:
        findings.append(_finding("hash", path, "is not the file that was written", digest, planned.sha256))
    try:
        surface = read_delivered(content, suffix)
        with np.errstate(over="ignore", invalid="ignore"):  # damaged coordinates may be huge
            library = _read_with_library(content, suffix)
            readings = [_measure(surface)] if _is_same(surface, library) else [_measure(surface), _measure(library)]
    except ScanError as error:
        return ReadBack((*findings, _finding("unreadable", path, f"is no use: {error}")), surface)
    if suffix in _EXPECTED_UNIT and surface.unit != _EXPECTED_UNIT[suffix]:
        findings.append(_finding("unit", path, f"states the unit '{surface.unit}'", surface.unit, _EXPECTED_UNIT[suffix]))
    codes: dict[str, Finding] = {}
    for finding in (finding for reading in readings for finding in _compare(path, reading, planned)):
        codes.setdefault(finding.code, finding)
    findings += codes.values()
    if suffix == ".ply" and not findings:
        findings += _compare_counts(path, surface, readings[0], planned) + _compare_crossings(path, surface, planned)
    if suffix != ".stl" and not findings:
        findings += _compare_pieces(path, surface)
    return ReadBack(tuple(findings), surface)


def _is_same(one: DeliveredSurface, other: DeliveredSurface) -> bool:
    """True where both readers found the very same numbers, which need not be measured twice."""
    return np.array_equal(one.faces, other.faces) and np.array_equal(one.vertices, other.vertices)


def _compare_counts(path: Path, surface: DeliveredSurface, reading: _Measured, planned: PlannedPart) -> list[Finding]:
    n_pieces = len(np.unique(surface.piece_of_face))
    found = {"vertices": len(surface.vertices), "faces": len(surface.faces), "pieces": n_pieces}
    wanted = {"vertices": planned.n_vertices, "faces": planned.n_faces, "pieces": planned.n_pieces}
    findings = [
        _finding("count", path, f"has {number} {what} instead of {wanted[what]}", number, wanted[what], what)
        for what, number in found.items()
        if wanted[what] not in (None, number)
    ]
    if planned.area_mm2 is not None and not abs(reading.area_mm2 - planned.area_mm2) <= _DOUBLE_SHARE * reading.area_mm2:
        what = f"has {reading.area_mm2:.4f} mm2 of surface instead of {planned.area_mm2:.4f} mm2"
        findings.append(_finding("area", path, what, reading.area_mm2, planned.area_mm2, "mm2"))
    if planned.n_sources is not None and surface.source is not None and surface.source.max() >= planned.n_sources:
        findings.append(_finding("source", path, "has faces of a source that the record does not list", int(surface.source.max()), planned.n_sources))
    return findings


def _compare_pieces(path: Path, surface: DeliveredSurface) -> list[Finding]:
    """Every piece must face outwards, but for one that lies within another: that one is the wall of a cavity.

    Within how many others a corner of a piece lies is the sum of the solid angles of all their faces (Van Oosterom and Strackee 1983, IEEE
    Transactions on Biomedical Engineering 30:125).
    """
    labels = surface.piece_of_face
    numbers = np.unique(labels)
    if len(numbers) == 1:
        return []
    corners = surface.vertices[surface.faces]
    n_wrong = 0
    for number in numbers:
        is_own = labels == number
        around, own = corners[~is_own], corners[is_own]
        n_around = round(_winding(own.mean(axis=1)[0], around))
        own = own - own[0, 0]
        is_outward = bool(np.einsum("ij,ij->i", np.cross(own[:, 0], own[:, 1]), own[:, 2]).sum() > 0.0)
        n_wrong += n_around not in ((0,) if is_outward else (1,))
    what = f"has {n_wrong} of {len(numbers)} pieces that face the wrong way or lie within another"
    return [_finding("piece", path, what, n_wrong, 0, "pieces")] if n_wrong else []


def _winding(point: FloatArray, corners: FloatArray) -> float:
    a, b, c = (corners[:, k] - point for k in range(3))
    la, lb, lc = (np.sqrt(np.einsum("ij,ij->i", v, v)) for v in (a, b, c))
    ab, bc, ca = (np.einsum("ij,ij->i", u, v) for u, v in ((a, b), (b, c), (c, a)))
    above = np.einsum("ij,ij->i", a, np.cross(b, c))
    return float(np.arctan2(above, la * lb * lc + ab * lc + bc * la + ca * lb).sum() / (2.0 * np.pi))


def _compare_crossings(path: Path, surface: DeliveredSurface, planned: PlannedPart) -> list[Finding]:
    n_pairs = count_crossings(surface.vertices, surface.faces)
    if n_pairs == planned.n_self_intersections:
        return []
    what = f"passes through itself at {n_pairs} pairs of faces, not {planned.n_self_intersections}"
    return [_finding("crossing", path, what, n_pairs, planned.n_self_intersections, "pairs")]


def _finding(
    code: str, path: Path, what: str, value: float | str | None = None, limit: float | str | None = None, unit: str = ""
) -> Finding:
    if isinstance(value, float) and not np.isfinite(value):
        value = str(value)  # JSON has no such number
    return Finding(Severity.FAILED, f"delivery-{code}", f"{path.name} {what}; do not use it, build again.", value, limit, unit)


def _compare(path: Path, reading: _Measured, planned: PlannedPart) -> list[Finding]:
    largest_mm = max(planned.extents_mm)
    tolerance_mm = _DOUBLE_SHARE * largest_mm if path.suffix.lower() == ".ply" else _SINGLE_STEP_SHARE * largest_mm + _SINGLE_FLOOR_MM
    findings = []
    if reading.n_bad_edges:
        findings.append(_finding("open", path, f"is not closed: {reading.n_bad_edges} edges lack a partner", reading.n_bad_edges, 0, "edges"))
    if not reading.volume_mm3 > 0.0:  # so that NaN fails too
        findings.append(_finding("inside-out", path, "faces inwards", reading.volume_mm3, 0.0, "mm3"))
    worst = int(np.argmax(np.abs(np.subtract(reading.extents_mm, planned.extents_mm))))
    if not abs(reading.extents_mm[worst] - planned.extents_mm[worst]) <= tolerance_mm:
        what = f"measures {reading.extents_mm[worst]:.4f} mm along {'xyz'[worst]} instead of {planned.extents_mm[worst]:.4f} mm"
        findings.append(_finding("size", path, what, reading.extents_mm[worst], planned.extents_mm[worst], "mm"))
    volume_tolerance_mm3 = reading.area_mm2 * tolerance_mm + _DOUBLE_SHARE * planned.volume_mm3
    if not abs(abs(reading.volume_mm3) - planned.volume_mm3) <= volume_tolerance_mm3:
        what = f"holds {reading.volume_mm3:.3f} mm3 instead of {planned.volume_mm3:.3f} mm3"
        findings.append(_finding("volume", path, what, reading.volume_mm3, planned.volume_mm3, "mm3"))
    return findings


def _measure(surface: DeliveredSurface) -> _Measured:
    """Edges, volume, area and extents of a surface, its vertices known by their coordinates only (PLY: by their numbers)."""
    faces = surface.faces
    points = surface.vertices - surface.vertices.mean(axis=0)
    a, b, c = (points[faces[:, corner]] for corner in range(3))
    across = np.cross(b - a, c - a)
    area_mm2 = float(np.sqrt(np.einsum("ij,ij->i", across, across)).sum() / 2.0)
    x, y, z = (float(np.ptp(coordinates)) for coordinates in surface.vertices.T[:, faces.ravel()])
    return _Measured(count_bad_edges(surface.vertices, faces), float(np.einsum("ij,ij->", np.cross(a, b), c) / 6.0), area_mm2, (x, y, z))


def count_bad_edges(vertices: FloatArray, faces: NDArray[np.int64]) -> int:
    """Edges that are not shared by exactly two faces of opposite direction, and the edges of faces with a repeated corner.

    Corners count as one vertex where they have the same number, or, in a file that repeats its vertices for every face, the same place.
    """
    corners = faces
    if len(vertices) == faces.size:
        corners = number_places(vertices)[faces]
    ends = np.roll(corners, -1, axis=1)
    stride = int(corners.max()) + 1
    forward = np.sort((corners * stride + ends).ravel())
    backward = np.sort((ends * stride + corners).ravel())
    n_repeated = int(np.count_nonzero(forward[1:] == forward[:-1]))
    n_alone = 0 if np.array_equal(forward, backward) else max(1, int(np.setxor1d(forward, backward).size) // 2)
    return n_repeated + n_alone + int(np.count_nonzero(corners == ends))


def _read_with_library(content: bytes, suffix: str) -> DeliveredSurface:
    """The same file through a general library, in mm and +z up. ScanError when the library finds nothing in it."""
    if suffix == ".3mf":
        return _read_with_lib3mf(content)
    try:
        vertices, faces = _read_by_trimesh(io.BytesIO(content), suffix)
    except DAMAGE as error:
        raise ScanError(f"a general library cannot read it: {error}") from error
    if not len(faces):
        raise ScanError("a general library finds no faces in it")
    if suffix == ".glb":
        vertices = np.column_stack([vertices[:, 0], -vertices[:, 2], vertices[:, 1]]) * 1000.0
    return DeliveredSurface(vertices, faces)


def _read_by_trimesh(stream: io.BytesIO, suffix: str) -> tuple[FloatArray, NDArray[np.int64]]:
    """Vertices and faces as trimesh reads them, those of a GLB laid where its nodes place them."""
    from trimesh import load_scene
    from trimesh.exchange.ply import load_ply
    from trimesh.exchange.stl import load_stl
    from trimesh.transformations import transform_points

    if suffix == ".glb":
        scene = load_scene(stream, file_type="glb", process=False)
        placed = [(matrix, scene.geometry[name]) for matrix, name in (scene.graph[node] for node in scene.graph.nodes_geometry)]
        starts = np.cumsum([0, *(len(mesh.vertices) for _, mesh in placed)])
        points = [transform_points(np.asarray(mesh.vertices, dtype=np.float64), matrix) for matrix, mesh in placed]
        corners = [np.asarray(mesh.faces, dtype=np.int64) + start for (_, mesh), start in zip(placed, starts, strict=False)]
        return np.concatenate(points), np.concatenate(corners)
    read = (load_ply if suffix == ".ply" else load_stl)(stream)
    return np.asarray(read["vertices"], dtype=np.float64), np.asarray(read["faces"], dtype=np.int64).reshape(-1, 3)


def _read_with_lib3mf(content: bytes) -> DeliveredSurface:
    bodies = strict_bodies(content)
    if len(bodies) != 1:
        raise ScanError("it does not hold exactly one body")
    return bodies[0]


def strict_bodies(content: bytes) -> tuple[DeliveredSurface, ...]:
    """The bodies of a 3MF as the strict reader of lib3mf finds them, in the unit that it states. ScanError where it refuses or warns."""
    import lib3mf

    model = threemf_library().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    with file_in_memory() as (stream, path):
        stream.write(content)
        stream.flush()
        try:
            reader.ReadFromFile(path)
        except lib3mf.ELib3MFException as error:
            raise ScanError(f"the strict reader refuses it: {error}") from error
    if reader.GetWarningCount():
        raise ScanError(f"the strict reader warns: {reader.GetWarning(0)}")
    unit = model.GetUnit().name.lower()
    bodies, found = model.GetMeshObjects(), []
    while bodies.MoveNext():
        body = bodies.GetCurrentMeshObject()
        positions = np.frombuffer(filled(body, "getvertices", lib3mf.Position, body.GetVertexCount()), "<f4")
        triangles = np.frombuffer(filled(body, "gettriangleindices", lib3mf.Triangle, body.GetTriangleCount()), "<u4")
        found.append(DeliveredSurface(positions.reshape(-1, 3).astype(np.float64), triangles.reshape(-1, 3).astype(np.int64), unit))
    return tuple(found)
