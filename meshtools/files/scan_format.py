"""Which format a scan is in: the content decides, the ending of the name helps."""

from __future__ import annotations

import re
from pathlib import Path

from meshtools.errors import ScanError
from meshtools.files.read_stl import HEADER_BYTES, is_binary_stl, is_text
from meshtools.files.scan_parts import file_label, shown

SNIFFED_BYTES = 1 << 16
SUFFIXES = {".stl": "stl", ".ply": "ply", ".obj": "obj", ".off": "off", ".coff": "off", ".glb": "glb", ".3mf": "3mf"}
_FORMATS = "STL, PLY, OBJ, OFF, GLB or 3MF"


def format_of(path: Path, beginning: bytes, n_bytes: int) -> str:
    """The format, one of the values of SUFFIXES, of a file that begins like this and has `n_bytes` bytes.

    `beginning` is the content or at least its first SNIFFED_BYTES. Raises ScanError for what is known to be no scan, and for the unknown.
    """
    name, stated = file_label(path), SUFFIXES.get(path.suffix.lower())
    is_stl = is_binary_stl(beginning[:HEADER_BYTES], n_bytes)
    if stated == "stl" and is_stl:
        return "stl"
    start = beginning[:SNIFFED_BYTES].removeprefix(b"\xef\xbb\xbf")
    _refuse_known(name, start)
    kind = _kind_by_magic(start)
    if kind is None and stated in ("stl", "obj") and not (stated == "stl" and _looks_like_obj(start)):
        kind = stated
    if kind is None and is_stl:
        kind = "stl"
    if kind is None and _looks_like_obj(start):
        kind = "obj"
    if kind is None and stated == "off" and is_text(start):
        kind = "off"
    if kind is None and stated is not None:
        raise ScanError(f"{name} does not begin like a file of its ending '{shown(path.suffix)}': copy or export it again as {_FORMATS}.")
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
