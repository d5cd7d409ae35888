"""Pictures of a mesh without a display: a parallel camera, two lights, a white page and a scale bar."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from zlib_ng import zlib_ng

from meshtools.errors import GeometryError
from meshtools.geometry.pieces import area_vectors
from meshtools.model import ColourArray, FloatArray, Mesh

# For each view the direction the camera looks along and the direction that is up on the page. Front looks along +y with z up.
VIEWS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "front": ((0, 1, 0), (0, 0, 1)),
    "back": ((0, -1, 0), (0, 0, 1)),
    "left": ((1, 0, 0), (0, 0, 1)),
    "right": ((-1, 0, 0), (0, 0, 1)),
    "top": ((0, 0, -1), (0, 1, 0)),
    "bottom": ((0, 0, 1), (0, 1, 0)),
    "oblique": ((-0.6, 0.7, -0.4), (0, 0, 1)),
}
MARGIN = 0.06  # of the picture's width and height, on each side
FOOT_PX = 26  # strip below the object that holds the scale bar
STRIPE_PX = 3  # width of a stripe of a hatched face
SUPERSAMPLING = 2
PNG_EFFORT = 2  # of 9: 1 takes three quarters of the time for a third more bytes
KEY_LIGHT, FILL_LIGHT = (-0.5, 0.6, 0.8), (0.7, -0.1, 0.5)  # towards the light, in right, up and towards the camera
AMBIENT, KEY, FILL = 0.34, 0.56, 0.22
CREASE_DEG = 60.0  # a corner's smoothed normal farther than this from its face's is not used


Seen = tuple[Sequence[float] | FloatArray, Sequence[float] | FloatArray]


@dataclass(frozen=True, eq=False)
class Camera:
    """Axes as rows (right, up, towards the camera), centre of the object in those axes, and mm a pixel."""

    axes: FloatArray
    centre: FloatArray
    depth_mm: float
    mm_per_px: float


def render_picture(mesh: Mesh, face_colours: ColourArray, view: str, size_px: tuple[int, int], scale_bar: bool = True) -> ColourArray:
    """Draw a mesh with one colour a face (m, 3) uint8. Returns (h, w, 3) uint8 for `size_px` (w, h), white where nothing is.

    `view` is one of VIEWS; the object fills the picture in true proportions, parallel projection. The same input gives the same
    picture. Raises GeometryError for an unknown view, or colours that do not fit the faces. An empty mesh gives a white page.
    """
    if view not in VIEWS:
        raise GeometryError(f"view '{view}' is not one of {', '.join(VIEWS)}")
    return render_seen(mesh, face_colours, VIEWS[view], size_px, scale_bar)


def render_seen(
    mesh: Mesh, face_colours: ColourArray, seen: Seen, size_px: tuple[int, int], scale_bar: bool = True, *, hatched: NDArray[np.bool_] | None = None
) -> ColourArray:
    """As `render_picture`, seen along any direction: `seen` is the direction the camera looks along and the one that is up on the page.

    hatched: faces (m,) that are drawn in black and white stripes across the page, whatever their colour.
    """
    from meshtools.geometry.raster_kernels import shrink

    if face_colours.shape != (len(mesh.faces), 3):
        raise GeometryError(f"face colours have shape {face_colours.shape}, but the mesh has {len(mesh.faces)} faces; give one colour a face")
    width, height = size_px
    if not len(mesh.faces):
        return np.full((height, width, 3), 255, np.uint8)
    foot = FOOT_PX if scale_bar else 0
    camera = fitted_camera(mesh, seen, (width, height - foot))
    shot = take_shot(mesh, face_colours, camera, (width * SUPERSAMPLING, (height - foot) * SUPERSAMPLING))
    page = np.full((height, width, 3), 255, np.uint8)
    shrink(_hatch(shot, hatched), page[: height - foot])
    return _draw_scale_bar(page, camera.mm_per_px) if scale_bar else page


def _hatch(shot: Shot, hatched: NDArray[np.bool_] | None) -> FloatArray:
    """The colours of a shot with stripes where hatched faces are seen."""
    if hatched is None or not hatched.any():
        return shot.colours
    is_seen = np.isfinite(shot.depth_mm)
    is_striped = np.zeros(is_seen.shape, bool)
    is_striped[is_seen] = hatched[shot.face[is_seen]]
    rows, columns = np.nonzero(is_striped)
    colours = shot.colours.copy()
    colours[rows, columns] = np.where((rows + columns) // (STRIPE_PX * SUPERSAMPLING) % 2, 255.0, 0.0)[:, None]
    return colours


def fitted_camera(mesh: Mesh, seen: Seen, size_px: tuple[int, int], mm_per_px: float | None = None) -> Camera:
    """The camera that sees a mesh along `seen` (looking along, up), filling the picture, or at a given scale."""
    forward, up = (np.array(direction, dtype=np.float64) for direction in seen)
    right, towards = _unit(np.stack([np.cross(forward, up), -forward]))
    axes = np.stack([right, np.cross(towards, right), towards])
    placed = np.einsum("ij,kj->ki", axes, mesh.vertices[np.unique(mesh.faces)])
    low, high = placed.min(axis=0), placed.max(axis=0)
    span = np.maximum(high - low, 1e-9)
    room = np.array(size_px) * (1 - 2 * MARGIN)
    return Camera(axes, (low + high) / 2, float(span[2]), mm_per_px or float((span[:2] / room).max()))


@dataclass(frozen=True, eq=False)
class Shot:
    """What a camera sees: colours (h, w, 3), 0 to 255 and white where nothing is; depth (h, w) in mm from the camera, infinite there; the
    face (h, w) that is seen."""

    colours: FloatArray
    depth_mm: FloatArray
    face: NDArray[np.uint32]


def take_shot(mesh: Mesh, face_colours: ColourArray, camera: Camera, size_px: tuple[int, int]) -> Shot:
    """Colour, depth and face of each fine pixel, seen from where its middle is."""
    from meshtools.geometry.raster_kernels import faces_seen, shade

    local = np.einsum("ij,kj->ki", camera.axes, mesh.vertices) - camera.centre
    width, height = size_px
    face, z, uv = np.empty((height, width), np.uint32), np.empty((height, width)), np.zeros((height, width, 2))
    faces = np.ascontiguousarray(mesh.faces, np.int32)
    faces_seen(local, faces, camera.mm_per_px / SUPERSAMPLING, face, z, uv)
    picture = np.empty((height, width, 3))
    vectors = area_vectors(local, mesh.faces)
    sums = [np.bincount(mesh.faces.ravel(), np.repeat(vectors[:, axis], 3), len(local)) for axis in range(3)]
    at_vertex, flat = _unit(np.stack(sums, axis=1).astype(np.float64)), _unit(vectors)
    shade(faces, face, uv, at_vertex, flat, float(np.cos(np.radians(CREASE_DEG))), LIGHTS, np.ascontiguousarray(face_colours), picture)
    return Shot(picture, camera.depth_mm - z, face)


def _unit(vectors: FloatArray) -> FloatArray:
    length = np.sqrt(np.einsum("ij,ij->i", vectors, vectors))
    return np.asarray(vectors / np.maximum(length, 1e-300)[:, None])


LIGHTS = AMBIENT, np.array([(strength, *_unit(np.array([towards]))[0]) for strength, towards in ((KEY, KEY_LIGHT), (FILL, FILL_LIGHT))])


def _draw_scale_bar(page: ColourArray, mm_per_px: float) -> ColourArray:
    """Draw a bar of a round length, at most a quarter of the page wide, with its length in mm beside it."""
    from PIL import Image, ImageDraw, ImageFont

    height, width = page.shape[:2]
    length_mm = round_length(0.25 * width * mm_per_px)
    length_px = round(length_mm / mm_per_px)
    left, base = round(MARGIN * width / 2), height - FOOT_PX // 2
    image = Image.fromarray(page)
    pen = ImageDraw.Draw(image)
    pen.rectangle((left, base - 2, left + length_px - 1, base + 1), fill=(0, 0, 0))
    pen.text((left + length_px + 6, base), f"{length_mm:g} mm", fill=(0, 0, 0), font=ImageFont.load_default(13), anchor="lm")
    return np.array(image)


def round_length(longest_mm: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is at most `longest_mm` (above 0)."""
    power = 10.0 ** np.floor(np.log10(longest_mm))
    return float(max(step for step in (1.0, 2.0, 5.0) if step * power <= longest_mm * (1 + 1e-9)) * power)


def contact_sheet(images: Sequence[ColourArray], labels: Sequence[str], n_columns: int = 3) -> ColourArray:
    """Lay pictures of one size out in rows, each with its label below. Raises GeometryError where the counts differ or none is given."""
    from PIL import Image, ImageDraw, ImageFont

    if not images or len(images) != len(labels):
        raise GeometryError(f"{len(images)} pictures and {len(labels)} labels; give one label a picture")
    height, width = (max(image.shape[axis] for image in images) for axis in (0, 1))
    n_rows = -(-len(images) // n_columns)
    sheet = Image.new("RGB", (min(n_columns, len(images)) * width, n_rows * (height + FOOT_PX)), (255, 255, 255))
    pen = ImageDraw.Draw(sheet)
    for place, (image, label) in enumerate(zip(images, labels, strict=True)):
        left, top = place % n_columns * width, place // n_columns * (height + FOOT_PX)
        sheet.paste(Image.fromarray(image), (left, top))
        pen.text((left + width // 2, top + height + FOOT_PX // 2), label, fill=(0, 0, 0), font=ImageFont.load_default(13), anchor="mm")
    return np.array(sheet)


def encode_png(image: ColourArray) -> bytes:
    """PNG bytes of a picture (h, w, 3) uint8, without dates or texts, so the same picture gives the same bytes.

    Rows are left unfiltered (PNG specification, filter method 0, type 0): choosing a filter for each row takes longer than all the rest, and
    pictures of few colours on white pack as well without.
    """
    height, width = image.shape[:2]
    rows = np.zeros((height, 1 + 3 * width), np.uint8)
    rows[:, 1:] = image.reshape(height, 3 * width)
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)  # 8 bits for each of red, green and blue
    chunks = ((b"IHDR", head), (b"IDAT", zlib_ng.compress(rows.data, PNG_EFFORT)), (b"IEND", b""))
    written = (struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content)) for name, content in chunks)
    return b"\x89PNG\r\n\x1a\n" + b"".join(written)
