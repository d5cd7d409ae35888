"""Textures: pictures that lie on a surface, sampled into one colour a vertex."""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshtools.model import ColourArray

MOST_PIXELS = 1 << 27  # 16384 x 8192 over all pictures of a scan; 0.4 GB
_STRIP_ROWS = 256  # a picture is brought to red, green, blue in strips, so that it is not held three times
MOST_BYTES = 1 << 29
UNTEXTURED = (128, 128, 128)  # mid grey, said in a note wherever it is used
_PICTURE_FORMATS = ("PNG", "JPEG", "TIFF", "BMP", "TGA", "WEBP")
_DAMAGE = (OSError, SyntaxError, ValueError, EOFError, LookupError, ArithmeticError, TypeError, RuntimeError, AttributeError, AssertionError,
           struct.error, zlib.error)  # fmt: skip
"""What damaged pictures provoke in the library, found by flipping bytes."""


class TextureError(ValueError):
    """A picture that cannot be used. The message continues a sentence that begins with the picture's name."""


def unpack_picture(encoded: bytes, others: Iterable[ColourArray | None] = ()) -> ColourArray:
    """Unpack a PNG, JPEG, TIFF, BMP, TGA or WebP picture to (rows, columns, 3) uint8, top row first.

    TextureError where that fails, or where the picture and the `others` of the same scan have too many pixels together.
    """
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # the limit below decides
            with Image.open(io.BytesIO(encoded), formats=_PICTURE_FORMATS) as picture:
                width, height = picture.size
                if width * height + sum(other.size // 3 for other in others if other is not None) > MOST_PIXELS:
                    raise TextureError(f"has {width} x {height} pixels and brings the scan's pictures over {MOST_PIXELS}")
                return _colours(picture)
    except TextureError:
        raise
    except Image.DecompressionBombError:
        raise TextureError(f"has more than {MOST_PIXELS} pixels") from None
    except _DAMAGE:
        raise TextureError("is no picture that can be read") from None


def _colours(picture: Any) -> ColourArray:
    width, height = picture.size
    colours = np.empty((height, width, 3), dtype=np.uint8)
    for top in range(0, height, _STRIP_ROWS):
        bottom = min(height, top + _STRIP_ROWS)
        colours[top:bottom] = np.asarray(picture.crop((0, top, width, bottom)).convert("RGB"), dtype=np.uint8)
    return colours


def sample_picture(picture: ColourArray, u: NDArray[Any], v_down: NDArray[Any]) -> ColourArray:
    """Colour (n, 3) of the nearest pixel. u runs from 0 at the left to 1 at the right, v_down from 0 at the top to 1 at the bottom.

    Beyond 0..1 the picture repeats; coordinates that are not finite take the top left pixel.
    """
    height, width = picture.shape[:2]
    return np.ascontiguousarray(picture[_pixel(v_down, height), _pixel(u, width)])


def _pixel(coordinate: NDArray[Any], n_pixels: int) -> NDArray[np.int64]:
    place = np.nan_to_num(coordinate.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
    is_outside = (place < 0) | (place > 1)
    place = np.where(is_outside, place - np.floor(place), place)
    return np.minimum((place * n_pixels).astype(np.int64), n_pixels - 1)
