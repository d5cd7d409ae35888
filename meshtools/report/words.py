"""The words and colours that every page shares: evidence classes, statuses, and the map for deviations.

Class colours: Okabe & Ito 2002, "Color Universal Design"; FILL and MADE are greys outside that palette. A colour never stands
alone: the code goes beside it, and surfaces that are nobody's bone are hatched.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any, NamedTuple

import numpy as np

from meshtools.counted import counted


class ClassWords(NamedTuple):
    """How an evidence class is named and drawn."""

    colour: str
    words: str
    evidence: str

    @property
    def ink(self) -> str:
        """Black or white, whichever reads better on the class colour (WCAG 2 relative luminance)."""
        return "#ffffff" if _luminance(self.colour) < 0.179 else "#000000"


CLASSES: Mapping[str, ClassWords] = {
    "OWN": ClassWords("#0072B2", "this animal's own bone", "direct"),
    "OWN-R": ClassWords("#56B4E9", "this animal's own bone of the other side, reflected", "same individual"),
    "OWN-C": ClassWords("#009E73", "own animal, taken over from its other side", "same individual"),
    "DON": ClassWords("#E69F00", "another individual's bone, scaled", "other individual"),
    "DON-R": ClassWords("#F0E442", "another individual's bone of the other side, reflected and scaled", "other individual"),
    "INT": ClassWords("#CC79A7", "interpolated between neighbours of its series", "own series"),
    "EXT": ClassWords("#000000", "extrapolated beyond the end of its series", "own series and a model"),
    "SCU": ClassWords("#D55E00", "modelled by hand", "literature, relatives"),
    "NONE": ClassWords("#FFFFFF", "nothing made: a gap, or left out by decision", "none"),
    "FILL": ClassWords("#999999", "a closed hole or seam, nobody's bone", "none"),
    "MADE": ClassWords("#DDDDDD", "made: a pin, a cut plane, the wall of a pit; nobody's bone", "none"),
}
OWN_SCALED: Mapping[str, str] = {
    "DON": "this animal's own bone, scaled to the stated size",
    "DON-R": "this animal's own bone of the other side, reflected and scaled to the stated size",
}
"""What two classes mean where the size of a skeleton is stated relative to the very animal that the bone is from."""
HATCHED = ("FILL", "MADE")  # faces without a source
FROM_BONE = ("OWN", "OWN-R", "OWN-C", "DON", "DON-R")  # a bone was scanned; the rest is computed, modelled or made
NO_SOURCE_COLOUR = "#8C8C8C"

STATUSES: Mapping[str, tuple[str, str]] = {
    "ready": ("✓", "nothing is open"),
    "review": ("?", "a person is needed"),
    "failed": ("✕", "no replica could be made"),
    "gap": ("○", "no source in the register"),
    "waits": ("?", "made, but the bone is not released: a person is needed"),
}


def shown_status(status: str, n: int = 1) -> str:
    """The word or words that stand for a status; of n parts, where they are counted."""
    return ("waits for a person" if n == 1 else "wait for a person") if status == "waits" else status


SEVERITIES: Mapping[str, tuple[str, str]] = {
    "failed": ("✕", "failed"),
    "review": ("?", "needs a person"),
    "note": ("·", "note"),
}

# Two hues of equal OKLab lightness either side of a near-white middle, so that neither sign looks larger.
_LOW, _MIDDLE, _HIGH = "#1F62A8", "#F6F4EF", "#A85300"


def class_words(code: str) -> ClassWords:
    """Words and colour of a class code; an unknown code is drawn in white and says so."""
    return CLASSES.get(code, ClassWords("#FFFFFF", "unknown class", "unknown"))


def element_title(slug: str) -> str:
    """`femur-left` as `Femur, left`; `caudal-07` as `Caudal 07`."""
    name, _, side = slug.rpartition("-")
    if name and side in ("left", "right"):
        return f"{_sentence_case(name)}, {side}"
    return _sentence_case(slug)


@cache
def deviation_ramp(n_steps: int, is_signed: bool) -> tuple[str, ...]:
    """Colours from the low to the high end of a deviation, `n_steps` (odd) of them, evenly spaced in OKLab (Ottosson 2020).

    Unsigned deviations take the upper half of the map only: pale to orange.
    """
    low, middle, high = (_oklab(colour) for colour in (_LOW, _MIDDLE, _HIGH))
    high = np.array([low[0], high[1], high[2]])
    places = np.linspace(-1.0 if is_signed else 0.0, 1.0, n_steps)
    points = [middle + abs(place) * ((high if place > 0 else low) - middle) for place in places]
    return tuple(_hex_from_oklab(point) for point in points)


def _sentence_case(slug: str) -> str:
    words = slug.replace("-", " ").replace("_", " ")
    return words[:1].upper() + words[1:]


def _linear(colour: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    srgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def _luminance(colour: str) -> float:
    return float(_linear(colour) @ np.array([0.2126, 0.7152, 0.0722]))


_LMS_FROM_RGB = np.array(
    [[0.4122214708, 0.5363325363, 0.0514459929], [0.2119034982, 0.6806995451, 0.1073969566], [0.0883024619, 0.2817188376, 0.6299787005]]
)
_LAB_FROM_LMS = np.array(
    [[0.2104542553, 0.7936177850, -0.0040720468], [1.9779984951, -2.4285922050, 0.4505937099], [0.0259040371, 0.7827717662, -0.8086757660]]
)


def _oklab(colour: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray(_LAB_FROM_LMS @ np.cbrt(_LMS_FROM_RGB @ _linear(colour)))


def _hex_from_oklab(lab: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    linear = np.clip(np.linalg.inv(_LMS_FROM_RGB) @ (np.linalg.inv(_LAB_FROM_LMS) @ lab) ** 3, 0.0, 1.0)
    srgb = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(float(channel) * 255):02X}" for channel in srgb)


def register_words(findings: Iterable[Mapping[str, Any]]) -> str:
    """`1 failed, 2 need a person, 1 note`: how many findings of the register and the plan there are, which stand on no element's row; nothing where
    there are none."""
    counts = Counter(finding["severity"] for finding in findings)
    needs = "needs" if counts["review"] == 1 else "need"
    words = {"failed": f"{counts['failed']} failed", "review": f"{counts['review']} {needs} a person", "note": counted(counts["note"], "note")}
    return ", ".join(words[name] for name in SEVERITIES if counts[name])
