"""How two bones stand to each other in the mount: a row of pose.csv, and their places in a frame of poses.csv."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class JointPose:
    """One row of pose.csv: how `child` stands to `parent` (slugs) in the mount. Angles are turns from the standing pose, that of the common frame.

    gap_mm: the median gap to be left in the joint, None for that of the frame. target: empty for all targets.
    """

    row: int
    target: str
    parent: str
    child: str
    flexion_deg: float = 0.0
    abduction_deg: float = 0.0
    rotation_deg: float = 0.0
    gap_mm: float | None = None
    by: str = ""

    @property
    def is_turned(self) -> bool:
        """True where the joint is bent, not only opened or closed."""
        return any((self.flexion_deg, self.abduction_deg, self.rotation_deg))


@dataclass(frozen=True)
class Place:
    """Where the replica of an element goes in a frame.

    find, matrix (16,): the placed find of that element, frame from scan in mm. is_exact: the replica is made from this very find, so its place is
    known; otherwise it is seated on the find. reflect, factor: how the replica was made from its own find.
    """

    slug: str
    find: str
    matrix: tuple[float, ...]
    is_exact: bool
    reflect: bool
    factor: float

    def lies_at(self, frame_factor: float | None) -> bool:
        """True where the replica lies in the frame itself, once that is brought to the target's size by frame_factor."""
        return self.is_exact and self.factor == frame_factor


@dataclass(frozen=True)
class JointPlaces:
    """Two neighbours in one frame. factor: how much larger the target is than the frame; None: as the replicas turn out to be."""

    frame: str
    a: Place
    b: Place
    factor: float | None

    @property
    def is_common(self) -> bool:
        """True where both replicas lie in the frame themselves."""
        return self.a.is_exact and self.b.is_exact
