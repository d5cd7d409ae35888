"""Reading of a raw scan, whatever its format: the content decides, the ending of the name helps."""

from __future__ import annotations

import difflib
import re
from pathlib import Path

import numpy as np

from meshtools.errors import ScanError
from meshtools.files.read_3mf import read_3mf
from meshtools.files.read_glb import read_glb
from meshtools.files.read_obj import read_obj
from meshtools.files.read_off import read_off
from meshtools.files.read_ply import read_header, read_ply
from meshtools.files.read_stl import HEADER_BYTES, count_in_header, is_binary_stl, is_text, read_stl
from meshtools.files.scan_parts import ScanParts, checked_scan
from meshtools.model import RawScan

MOST_FILE_BYTES = 4 << 30
_SNIFFED_BYTES = 1 << 16
_FORMATS = "STL, PLY, OBJ, OFF, GLB or 3MF"
_SUFFIXES = {".stl": "stl", ".ply": "ply", ".obj": "obj", ".off": "off", ".coff": "off", ".glb": "glb", ".3mf": "3mf"}


def read_scan(path: Path) -> RawScan:
    """Read a scan file: STL, PLY, OBJ, OFF, GLB or 3MF, recognised by content.

    Coordinates stay in the unit of the file. Raises ScanError, one sentence that names the file and what to do, for anything that
    is missing, damaged, unknown, or holds no surface; nothing is guessed.
    """
    content = _content(path)
    kind = _kind(path, content)
    with np.errstate(all="ignore"):  # numbers that cannot be are looked for below, not announced on the way
        return _checked(path, kind, _read(path, content, kind))


def _checked(path: Path, kind: str, parts: ScanParts) -> RawScan:
    stated = _SUFFIXES.get(path.suffix.lower())
    if stated != kind:
        note = f"The name ends in '{path.suffix}' but the content is {parts.file_format}, and was read as that."
        parts = ScanParts(parts.vertices, parts.faces, parts.file_format, parts.colour, parts.file_unit, (note, *parts.notes))
    return checked_scan(path.name, parts)


def peek_faces(path: Path) -> int | None:
    """The number of faces that a binary STL or a PLY file states in its header, without reading the rest; None where that is not cheap."""
    try:
        with path.open("rb") as stream:
            start = stream.read(_SNIFFED_BYTES)
        n_bytes = path.stat().st_size
    except OSError:
        return None
    if is_binary_stl(start, n_bytes):
        return count_in_header(start)
    if re.match(rb"ply[ \t]*[\r\n]", start):
        try:
            return next((element.count for element in read_header(path.name, start)[1] if element.name == "face"), None)
        except ScanError:
            return None
    return None


def _content(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise ScanError(f"{path.name} is a folder: name the scan file inside it.")
        if not path.exists():
            raise ScanError(f"{path.name} does not exist{_nearest(path)}.")
        if not path.is_file():
            raise ScanError(f"{path.name} is not an ordinary file: copy the scan to one.")
        n_bytes = path.stat().st_size
        if n_bytes > MOST_FILE_BYTES:
            raise ScanError(f"{path.name} has {n_bytes} bytes, more than the {MOST_FILE_BYTES} that are read: export it with fewer triangles.")
        content = path.read_bytes()
    except (OSError, ValueError):
        raise ScanError(f"{path.name} cannot be opened: check its name and that you may read it.") from None
    if not content:
        raise ScanError(f"{path.name} is empty: copy or export it again.")
    return content


def _nearest(path: Path) -> str:
    """The file of the same folder whose name is most like the missing one, as the end of a sentence."""
    if not path.parent.is_dir():
        return " and neither does its folder: check the path"
    names = {entry.name.lower(): entry.name for entry in sorted(path.parent.iterdir()) if entry.is_file()}
    close = difflib.get_close_matches(path.name.lower(), names, n=1)
    return f": perhaps '{names[close[0]]}' is meant" if close else ": check the name and the folder"


def _kind(path: Path, content: bytes) -> str:
    """Which reader the content asks for. Raises ScanError for content that is known to be no scan, and for unknown content."""
    name, stated = path.name, _SUFFIXES.get(path.suffix.lower())
    if stated == "stl" and is_binary_stl(content[:HEADER_BYTES], len(content)):
        return "stl"
    start = content[:_SNIFFED_BYTES].removeprefix(b"\xef\xbb\xbf")
    _refuse_known(name, start)
    kind = _kind_by_magic(start)
    if kind is None and stated in ("stl", "obj") and not (stated == "stl" and _looks_like_obj(start)):
        kind = stated
    if kind is None and is_binary_stl(content[:HEADER_BYTES], len(content)):
        kind = "stl"
    if kind is None and _looks_like_obj(start):
        kind = "obj"
    if kind is None and stated == "off" and is_text(start):
        kind = "off"
    if kind is None and stated is not None:
        raise ScanError(f"{name} does not begin like a file of its ending '{path.suffix}': copy or export it again as {_FORMATS}.")
    if kind is None:
        raise ScanError(f"{name} is in no known scan format: export it as {_FORMATS}.")
    return kind


def _refuse_known(name: str, start: bytes) -> None:
    opening = start.lstrip()[:1024].lower()
    if opening.startswith(b"version https://git-lfs"):
        raise ScanError(f"{name} is a Git LFS pointer and not the scan itself: fetch the file with 'git lfs pull'.")
    if opening.startswith((b"<!doctype html", b"<html")) or (opening.startswith(b"<?xml") and b"<html" in opening):
        raise ScanError(f"{name} is a web page and not a scan: download the file itself.")
    if start.startswith((b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf", b"Rar!")):
        raise ScanError(f"{name} is compressed: unpack it and name the scan inside.")
    if opening.startswith(b"{") and b'"asset"' in start:
        raise ScanError(f"{name} is glTF as text: export it as one GLB with everything embedded.")


def _kind_by_magic(start: bytes) -> str | None:
    if re.match(rb"ply[ \t]*[\r\n]", start):
        return "ply"
    if start.startswith(b"glTF"):
        return "glb"
    if start.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return "3mf"
    if re.match(rb"(\s|#[^\n]*\n)*(ST)?C?N?4?n?OFF\b", start):
        return "off"
    if re.match(rb"\s*solid\b", start, re.IGNORECASE) and re.search(rb"\bfacet\b", start, re.IGNORECASE):
        return "stl"
    return None


def _looks_like_obj(start: bytes) -> bool:
    return is_text(start) and re.search(rb"(?m)^[ \t]*v[ \t]+[-+.\d]", start) is not None


def _read(path: Path, content: bytes, kind: str) -> ScanParts:
    content = content if kind in ("stl", "ply", "glb", "3mf") else content.removeprefix(b"\xef\xbb\xbf")
    if kind == "obj":
        return read_obj(path, content)
    readers = {"stl": read_stl, "ply": read_ply, "off": read_off, "glb": read_glb, "3mf": read_3mf}
    return readers[kind](path.name, content)
