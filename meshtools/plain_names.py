"""Names of files made of a text in any European spelling: small letters a-z, digits and hyphens."""

from __future__ import annotations

import re
import unicodedata

SPELT_OUT = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "æ": "ae", "ø": "oe", "å": "aa", "œ": "oe", "ð": "d", "þ": "th", "ł": "l"})


def plain_name(text: str) -> str:
    """`Geprüft 2` as `geprueft-2`, `Fémur` as `femur`: letters are spelt out or lose their accents, all else becomes hyphens. Empty where no letter
    or digit of a-z is left."""
    spelt = unicodedata.normalize("NFC", text).lower().translate(SPELT_OUT)
    bare = "".join(sign for sign in unicodedata.normalize("NFD", spelt) if not unicodedata.combining(sign))
    return re.sub(r"[^a-z0-9]+", "-", bare).strip("-")
