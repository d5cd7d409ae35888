"""Text from files and tables as it may be shown: nothing in it can steer a terminal, break a line or run on."""

from __future__ import annotations

import unicodedata


def visible(text: str, most: int | None = None, kept: str = "") -> str:
    """The text with signs that are not seen (controls, directions, broken halves of signs) written as codes, except those in `kept`.

    A text longer than `most` signs is cut in its middle.
    """
    if most is not None and len(text) > most:
        text = f"{text[: most // 2]}…{text[len(text) - most // 2 :]}"
    if text.isprintable():
        return text
    return "".join(sign if sign in kept or not _is_unseen(sign) else sign.encode("unicode_escape").decode("ascii") for sign in text)


def _is_unseen(sign: str) -> bool:
    return unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Cn", "Co", "Zl", "Zp")
