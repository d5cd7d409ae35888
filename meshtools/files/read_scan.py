"""Reading of a raw scan, whatever its format: the content decides, the ending of the name helps."""

from __future__ import annotations

import dataclasses
import difflib
from contextlib import suppress
from pathlib import Path

import numpy as np

from meshtools.errors import ScanError, is_passing
from meshtools.files.read_3mf import read_3mf
from meshtools.files.read_glb import read_glb
from meshtools.files.read_obj import read_obj
from meshtools.files.read_off import read_off
from meshtools.files.read_ply import read_ply
from meshtools.files.read_stl import read_stl
from meshtools.files.reduced_scan import reduce_raw, reduce_scan
from meshtools.files.scan_blocks import NotPlainError, blocks_of
from meshtools.files.scan_format import SUFFIXES, format_of
from meshtools.files.scan_parts import ScanParts, checked_scan, file_label, shown
from meshtools.links import leads_out
from meshtools.model import RawScan

MOST_FILE_BYTES = 4 << 30


def read_scan(path: Path, most_faces: int | None = None) -> RawScan:
    """Read a scan file: STL, PLY, OBJ, OFF, GLB or 3MF, recognised by content.

    Coordinates stay in the unit of the file. A scan of more than `most_faces` faces is reduced on reading, and the RawScan says how; a binary
    STL or PLY of triangles is then never in memory as a whole, any other is read first. Raises ScanError, one sentence that names the file
    and what to do, for anything that is missing, damaged, unknown, or holds no surface; nothing is guessed.
    """
    if most_faces is None:
        return scan_from(path, _content(path))
    blocks = blocks_of(path)
    if blocks is not None and blocks.n_faces > most_faces:
        with suppress(NotPlainError):
            return _with_name_note(path, reduce_scan(path, blocks, most_faces))
    raw = scan_from(path, _content(path))
    return raw if len(raw.faces) <= most_faces else reduce_raw(path, raw, most_faces)


def read_scan_of(batch: Path, scan: str, most_faces: int | None = None) -> RawScan:
    """Read the scan at the path `scan` relative to the batch. Raises ScanError as read_scan, and for a link that leads out of the batch."""
    if leads_out(batch, batch / scan):
        raise ScanError(f"{file_label(Path(scan))} is a link that leads out of the batch: copy the scan itself there.")
    return read_scan(batch / scan, most_faces)


def scan_from(path: Path, content: bytes) -> RawScan:
    """As read_scan, of content that is read already; `path` gives the name, and the folder where an OBJ finds its materials."""
    kind = format_of(path, content, len(content))
    with np.errstate(all="ignore"):  # numbers that cannot be are looked for below, not announced on the way
        return _with_name_note(path, checked_scan(file_label(path), _read(path, content, kind)))


def _with_name_note(path: Path, raw: RawScan) -> RawScan:
    """The scan, with a note where the name of its file says another format."""
    if SUFFIXES.get(path.suffix.lower()) == raw.file_format.split()[0].lower():
        return raw
    note = f"The name ends in '{shown(path.suffix)}' but the content is {raw.file_format}, and was read as that."
    return dataclasses.replace(raw, notes=(note, *raw.notes))


def _content(path: Path) -> bytes:
    name = file_label(path)
    try:
        if path.is_dir():
            raise ScanError(f"{name} is a folder: name the scan file inside it.")
        if path.is_symlink() and not path.exists():
            raise ScanError(f"{name} is a link that leads nowhere: copy the scan itself there.")
        if not path.exists():
            raise ScanError(f"{name} does not exist{_nearest(path)}.")
        if not path.is_file():
            raise ScanError(f"{name} is not an ordinary file: copy the scan to one.")
        n_bytes = path.stat().st_size
        if n_bytes > MOST_FILE_BYTES:
            raise ScanError(f"{name} has {n_bytes} bytes, more than the {MOST_FILE_BYTES} that are read: export it with fewer triangles.")
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        if is_passing(error):
            raise
        raise ScanError(f"{name} cannot be opened: check its name and that you may read it.") from None
    if not content:
        raise ScanError(f"{name} is empty: copy or export it again.")
    return content


def _nearest(path: Path) -> str:
    """The file of the same folder whose name is most like the missing one, as the end of a sentence."""
    if not path.parent.is_dir():
        return " and neither does its folder: check the path"
    names = {entry.name.lower(): entry.name for entry in sorted(path.parent.iterdir()) if entry.is_file()}
    close = difflib.get_close_matches(path.name.lower(), names, n=1)
    return f": perhaps '{shown(names[close[0]])}' is meant" if close else ": check the name and the folder"


def _read(path: Path, content: bytes, kind: str) -> ScanParts:
    content = content if kind in ("stl", "ply", "glb", "3mf") else content.removeprefix(b"\xef\xbb\xbf")
    if kind == "obj":
        return read_obj(path, content)
    readers = {"stl": read_stl, "ply": read_ply, "off": read_off, "glb": read_glb, "3mf": read_3mf}
    return readers[kind](file_label(path), content)
