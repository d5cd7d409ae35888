"""Materials of an OBJ file: which picture lies on which faces. Only files beside the scan are opened."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from meshtools.errors import is_passing
from meshtools.files.scan_parts import file_label, shown
from meshtools.files.texture import MOST_BYTES, UNTEXTURED, TextureError, sample_picture, unpack_picture
from meshtools.model import ColourArray, FloatArray

_LONGEST_LIBRARY = 1 << 22


@dataclass(frozen=True, eq=False)
class Materials:
    """Names in the order of the library, a picture or None for each, and what could not be used."""

    names: tuple[str, ...] = ()
    pictures: tuple[ColourArray | None, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def has_picture(self) -> bool:
        """True where at least one material has a picture."""
        return any(picture is not None for picture in self.pictures)

    def numbers_of(self, uses: Sequence[bytes]) -> NDArray[np.int64]:
        """Material number of the faces before the first `usemtl` line and after each; len(names) stands for none."""
        known = {name: number for number, name in enumerate(self.names)}
        return np.array([len(self.names)] + [known.get(_text(use), len(self.names)) for use in uses], dtype=np.int64)


def read_materials(folder: Path, libraries: Sequence[bytes], has_texture_points: bool) -> Materials:
    """Read the material libraries and the pictures they name. What is missing, elsewhere or unreadable becomes a note, never an error."""
    notes: list[str] = []
    pictures: dict[str, str | None] = {}
    for library in dict.fromkeys(_text(line) for line in libraries):
        for name in [library] if _beside(folder, library) else library.split():
            path = _beside(folder, name)
            if path is None:
                notes.append(f"Material library '{shown(name)}' is not a file beside the scan and was not read.")
            elif path.stat().st_size > _LONGEST_LIBRARY:
                notes.append(f"Material library '{shown(name)}' is too large to be one and was not read.")
            else:
                pictures |= _pictures_of(path.read_bytes(), notes)
    if not has_texture_points:
        return Materials(notes=tuple(notes))
    unpacked: dict[str, ColourArray | None] = {}
    for picture in dict.fromkeys(picture for picture in pictures.values() if picture):
        unpacked[picture] = _unpacked(folder, picture, unpacked, notes)
    return Materials(tuple(pictures), tuple(unpacked.get(picture) if picture else None for picture in pictures.values()), tuple(notes))


def paint_corners(
    materials: Materials, uvs: FloatArray, texture_points: NDArray[np.int64], material: NDArray[np.int64]
) -> tuple[ColourArray, tuple[str, ...]]:
    """Colour (n, 3) of corners with the given texture points (-1 for none) and materials; grey, with a note, where there is no picture."""
    colour = np.full((len(material), 3), UNTEXTURED, dtype=np.uint8)
    is_painted = np.zeros(len(material), dtype=bool)
    for number, picture in enumerate(materials.pictures):
        chosen = np.flatnonzero((material == number) & (texture_points >= 0))
        if picture is not None and len(chosen):
            place = uvs[texture_points[chosen]]
            colour[chosen] = sample_picture(picture, place[:, 0], 1.0 - place[:, 1])
            is_painted[chosen] = True
    n_bare = int((~is_painted).sum())
    return colour, (f"{n_bare} of {len(material)} vertices have no texture and are grey.",) if n_bare else ()


def _pictures_of(library: bytes, notes: list[str]) -> dict[str, str | None]:
    """The picture of each material's diffuse colour."""
    pictures: dict[str, str | None] = {}
    current = ""
    for line in library.replace(b"\r", b"\n").split(b"\n"):
        keyword, _, rest = line.strip().replace(b"\t", b" ").partition(b" ")
        if keyword == b"newmtl":
            current = _text(rest)
            pictures[current] = None
        elif keyword.lower() == b"map_kd" and current in pictures:
            if rest.lstrip().startswith(b"-"):
                notes.append(f"Texture of material '{shown(current)}' is used with options that are not supported; its colour was left out.")
            else:
                pictures[current] = _text(rest)
    return pictures


def _unpacked(folder: Path, picture: str, others: dict[str, ColourArray | None], notes: list[str]) -> ColourArray | None:
    path = _beside(folder, picture)
    if path is None:
        notes.append(f"Texture '{shown(picture)}' is not a file beside the scan; its colour was left out.")
        return None
    if path.stat().st_size > MOST_BYTES:
        notes.append(f"Texture '{file_label(path)}' is larger than {MOST_BYTES} bytes; its colour was left out.")
        return None
    try:
        unpacked = unpack_picture(path.read_bytes(), others.values())
    except (TextureError, OSError) as error:
        if is_passing(error):
            raise
        notes.append(f"Texture '{file_label(path)}' {error if isinstance(error, TextureError) else 'cannot be opened'}; its colour was left out.")
        return None
    notes.append(f"Colour sampled from texture {file_label(path)}.")
    return unpacked


def _beside(folder: Path, name: str) -> Path | None:
    """The file of that name in the scan's folder; None for a name with a folder in it, an absolute path, a missing file or a link elsewhere."""
    plain = re.sub(r"^(\.[/\\])+", "", name)
    if not plain or re.search(r"[/\\:\0]", plain) or plain in {".", ".."}:
        return None
    path = folder / plain
    try:
        is_beside = path.is_file() and os.path.dirname(os.path.realpath(path)) == os.path.realpath(folder)
    except (OSError, ValueError) as error:  # a name longer than a folder can hold
        if is_passing(error):
            raise
        return None
    return path if is_beside else None


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", "replace").strip()
