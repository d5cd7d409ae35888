"""Links are followed only inside a batch: a batch that came from elsewhere can make nobody read or write beside it."""

from __future__ import annotations

import os
from pathlib import Path

WRITTEN_FOLDERS = ("results", "logs", "intake", "hand-over", ".snakemake")


def leads_out(batch: Path, path: Path) -> bool:
    """True where a file or folder of the batch is, or lies behind, a link to somewhere else.

    scans/ as a whole may be a link, which is how a workshop keeps its scans on another disk: what lies in it counts as inside.
    """
    place = os.path.realpath(path)
    return not any(_holds(os.path.realpath(folder), place) for folder in (batch, batch / "scans"))


def _holds(folder: str, place: str) -> bool:
    return place == folder or place.startswith(folder.rstrip("/") + "/")
