"""Prove that the files of a route, read from disk, are what its record says. Shares no code with the writers.

Solids go through the check of every delivery (two readers: closed, outward, size, volume) and must together lie where the part lies; the
3MF through the strict reader of lib3mf, which must find as many bodies as there are solids, each closed; the archive must hold every file
as it is, and the checksums of all.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np

from meshtools.errors import ScanError
from meshtools.files.delivered_surface import DAMAGE, DeliveredSurface, read_delivered
from meshtools.files.verify_delivery import PlannedPart, count_bad_edges, strict_bodies, verify_delivery
from meshtools.model import Finding, FloatArray, Severity

MADE_BY_US = ("checksums.sha256", "read-me.txt")


@dataclass(frozen=True)
class ReplicaBox:
    """The box of the part in the coordinates of replica.ply, mm, how far the parts together may miss it, and whether they must fill it."""

    low_mm: tuple[float, float, float]
    high_mm: tuple[float, float, float]
    slack_mm: float
    is_filled: bool


def verify_parts(
    folder: Path, solids: Sequence[Mapping[str, Any]], sha256: Mapping[str, str], box: ReplicaBox | None = None
) -> tuple[Finding, ...]:  # fmt: skip
    """Read every file of a route again and list what differs from its record, each as a failed finding.

    solids: rows with `file`, `role`, `volume_mm3`, `extents_mm`, `is_closed` and `delivered_from_replica`; sha256: name -> hash of every file of
    the record; box: where the parts must lie once they are brought back by their matrices.
    """
    findings: list[Finding] = []
    for name, digest in sorted(sha256.items()):
        path = folder / name
        if not path.is_file():
            findings.append(_finding("missing", name, "is not there"))
        elif hashlib.sha256(path.read_bytes()).hexdigest() != digest:
            findings.append(_finding("hash", name, "is not the file that was written"))
    if findings:
        return tuple(findings)
    for row in solids:
        findings += _solid_findings(folder, row, sha256)
    if box is not None and not findings:
        findings += [_finding("place", name, what) for name, what in _out_of_place(folder, solids, box)]
    for name in sorted(sha256):
        findings += [_finding("unreadable", name, f"is no use: {what}") for what in _wrong_with(folder / name, solids, sha256)]
    return tuple(findings)


def _solid_findings(folder: Path, row: Mapping[str, Any], sha256: Mapping[str, str]) -> Iterator[Finding]:
    if row["file"] not in sha256:
        yield _finding("missing", row["file"], "is no file of the record")
    elif row["is_closed"]:
        yield from verify_delivery(folder / row["file"], PlannedPart(row["volume_mm3"], tuple(row["extents_mm"]), sha256[row["file"]])).findings
    else:
        try:
            read_delivered((folder / row["file"]).read_bytes(), ".stl")
        except ScanError as error:
            yield _finding("unreadable", row["file"], f"is no use: {error}")


def _out_of_place(folder: Path, solids: Sequence[Mapping[str, Any]], box: ReplicaBox) -> Iterator[tuple[str, str]]:
    """Parts that lie outside the replica once they are brought back, or that leave some of its box empty; mould pieces that do not hold it."""
    for roles, is_around in ((("part",), False), (("mould piece", "jacket"), True)):
        rows = [row for row in solids if row["role"] in roles]
        if not rows:
            continue
        corners = [_brought_back(folder / row["file"], row["delivered_from_replica"]) for row in rows]
        low, high = np.min([low for low, _ in corners], axis=0), np.max([high for _, high in corners], axis=0)
        inside = np.concatenate([low - np.array(box.low_mm), np.array(box.high_mm) - high])  # above 0 where the parts end within the box
        name = rows[0]["file"]
        if is_around and inside.max() > box.slack_mm:
            yield name, f"and its like do not hold the part: by {inside.max():.3f} mm they end within its box"
        elif not is_around and -inside.min() > box.slack_mm:
            yield name, f"and its like, brought back, stick out of the part's box by {-inside.min():.3f} mm"
        elif not is_around and box.is_filled and inside.max() > box.slack_mm:
            yield name, f"and its like, brought back, leave {inside.max():.3f} mm of the part's box empty"


def _brought_back(path: Path, delivered_from_replica: Sequence[Sequence[float]]) -> tuple[FloatArray, FloatArray]:
    """The box (low, high) of a delivered solid in the coordinates of replica.ply."""
    back = np.linalg.inv(np.array(delivered_from_replica, dtype=np.float64))
    points = read_delivered(path.read_bytes(), ".stl").vertices @ back[:3, :3].T + back[:3, 3]
    return points.min(axis=0), points.max(axis=0)


def _wrong_with(path: Path, solids: Sequence[Mapping[str, Any]], sha256: Mapping[str, str]) -> Iterator[str]:
    content = path.read_bytes()
    if path.suffix == ".3mf":
        yield from _wrong_with_3mf(content, solids)
    elif path.suffix == ".zip":
        yield from _wrong_with_package(path.name, content, sha256)
    elif path.suffix == ".pdf" and not (content.startswith(b"%PDF-") and content.rstrip().endswith(b"%%EOF")):
        yield "it is no whole PDF"
    elif path.suffix == ".dxf" and not (content.lstrip().startswith(b"0") and content.rstrip().endswith(b"EOF")):
        yield "it is no whole DXF"
    elif path.suffix == ".svg":
        try:
            expat.ParserCreate().Parse(content, True)
        except expat.ExpatError as error:
            yield f"it is no sound SVG ({error})"


def _wrong_with_3mf(content: bytes, solids: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    try:
        bodies = strict_bodies(content)
    except ScanError as error:
        yield str(error)
        return
    if any(body.unit != "millimeter" for body in bodies):
        yield "its unit is not the millimetre"
        return
    closed = [row for row in solids if row["is_closed"]]
    if len(bodies) != len(closed):
        yield f"it holds {len(bodies)} bodies instead of {len(closed)}"
        return
    n_open = sum(count_bad_edges(body.vertices, body.faces) > 0 for body in bodies)
    if n_open:
        yield f"{n_open} of its {len(bodies)} bodies are not closed"
    volumes = sorted(_volume_mm3(body) for body in bodies)
    for found, planned in zip(volumes, sorted(row["volume_mm3"] for row in closed), strict=True):
        if not abs(found - planned) <= 1e-4 * planned + 1e-3:
            yield f"it holds a body of {found:.3f} mm³ where {planned:.3f} mm³ were planned"


def _volume_mm3(body: DeliveredSurface) -> float:
    a, b, c = ((body.vertices - body.vertices.mean(axis=0))[body.faces[:, corner]] for corner in range(3))
    return float(np.sum(np.cross(a, b) * c) / 6.0)


def _wrong_with_package(own_name: str, content: bytes, sha256: Mapping[str, str]) -> Iterator[str]:
    """The archive holds every other file of the record with its hash, and says the same in its list."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            held = {name: package.read(name) for name in package.namelist()}
    except DAMAGE as error:
        yield f"it cannot be unpacked ({error})"
        return
    hashes = {name: hashlib.sha256(inside).hexdigest() for name, inside in held.items() if name not in MADE_BY_US}
    wanted = {name: digest for name, digest in sha256.items() if name != own_name}
    different = sorted(name for name in hashes.keys() | wanted.keys() if hashes.get(name) != wanted.get(name))
    if different:
        yield f"{different[0]} in it is not the file beside it"
    listed = "".join(f"{wanted[name]}  {name}\n" for name in sorted(wanted))
    if held.get("checksums.sha256", b"").decode("utf-8", errors="replace") != listed:
        yield "its list of checksums is not that of its files"


def _finding(code: str, name: str, what: str) -> Finding:
    return Finding(Severity.FAILED, f"parts-{code}", f"{name} {what}; do not use it, build again.")
