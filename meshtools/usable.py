"""How the plan says of a find that was not taken that it could have been, as far as the tables tell."""

from __future__ import annotations

USABLE = "usable, "


def is_usable(find: str, why: str) -> bool:
    """True for a find of which the reason why it was not taken says that it could be used unasked."""
    return bool(find) and why.startswith(USABLE)
