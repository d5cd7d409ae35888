"""The clean surface of one find, as a bone is rebuilt from it."""

from __future__ import annotations

from dataclasses import dataclass

from meshtools.model import FloatArray, Mesh, SourceEntry


@dataclass(frozen=True, eq=False)
class Cleaned:
    """A find, its clean surface in mm, and the table that the sources of its faces point into.

    mm_per_unit: of the scan it was made from. pose (4, 4): where a person says that it lies, into the frame of poses.csv; None where nobody does.
    """

    find: str
    mesh: Mesh
    sources: tuple[SourceEntry, ...]
    mm_per_unit: float
    pose: FloatArray | None = None
