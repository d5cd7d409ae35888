"""Keys at the cuts of a part: two round pegs of different diameter that go into two holes, so that there is one way to put parts together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from meshtools.geometry.body import ROUND_SIDES, frame_about, rod
from meshtools.geometry.distance import Surface
from meshtools.geometry.outlines import polygons_of
from meshtools.geometry.sections import Plane, section, sections
from meshtools.geometry.splitting import Split
from meshtools.model import FloatArray, Mesh

_FACE_MM = 0.01  # a cut face is found this far inside either part
_SIZES = (1.0, 0.8, 0.65, 0.5, 0.4)  # of the wished diameter
_LEAST_DIAMETER_MM = 5.0
_WALLS = (3.0, 2.0, 1.0)  # of the wished material around a key: more where the keys still stand ..
_WELL_APART = 3.0  # .. this many diameters apart
_SMALLER = 0.7  # the second key's diameter
_DEPTH_DIAMETERS = 1.25
_MOST_SPOTS = 60
_LEAST_COLLISION_SHARE = 1e-3
_N_TURNS = 36


@dataclass(frozen=True)
class KeyDemand:
    """Wished diameter and depth, material to leave around a key, gap on every side, all mm."""

    diameter_mm: float
    depth_mm: float
    wall_mm: float
    clearance_mm: float


@dataclass(frozen=True, eq=False)
class Contact:
    """Two parts that share a face of a cut: their numbers (the upper lies along the plane's normal) and the face (shapely, in the plane)."""

    upper: int
    lower: int
    plane: Plane
    cut: int
    face: Any


@dataclass(frozen=True, eq=False)
class Key:
    """One peg: where its axis meets the plane (2,), its diameter and how far it stands out."""

    at: FloatArray
    diameter_mm: float
    depth_mm: float


@dataclass(frozen=True, eq=False)
class KeyPair:
    """The two keys of a contact. male: number of the part with the pegs; direction +1 where they point along the plane's normal."""

    contact: Contact
    male: int
    female: int
    direction: int
    keys: tuple[Key, Key]

    def pegs(self, extra_mm: float = 0.0) -> list[Any]:
        """The pegs as solids, or with `extra_mm` on every side but the root their holes. They begin a little inside the male part."""
        return [self._peg(key, extra_mm) for key in self.keys]

    def _peg(self, key: Key, extra_mm: float) -> Any:
        root = 0.5 if extra_mm == 0.0 else 1e-3  # a peg overlaps its own part, a hole only breaks the surface
        start, end = (self.contact.plane.to_space(key.at, self.direction * height)[0] for height in (-root, key.depth_mm + extra_mm))
        return rod(start, end, key.diameter_mm / 2.0 + extra_mm)


def find_contacts(split: Split) -> tuple[Contact, ...]:
    """Every pair of parts that share a face of a cut, by part numbers."""
    contacts = []
    for number, part in enumerate(split.parts):
        for other in range(number + 1, len(split.parts)):
            cut = _common_cut(part.cuts, split.parts[other].cuts)
            if cut is None:
                continue
            lower, upper = (number, other) if (cut, -1) in part.cuts else (other, number)
            plane = split.cuts[cut].plane
            faces = [section(split.parts[n].solid, plane, height) for n, height in ((upper, _FACE_MM), (lower, -_FACE_MM))]
            face = faces[0].intersection(faces[1])
            if face.area > 1.0:
                contacts.append(Contact(upper, lower, plane, cut, face))
    return tuple(contacts)


def _common_cut(one: tuple[tuple[int, int], ...], other: tuple[tuple[int, int], ...]) -> int | None:
    """The cut that has the two parts on opposite sides."""
    return next((cut for cut, side in one if (cut, -side) in other), None)


def place_all_keys(split: Split, demand: KeyDemand) -> tuple[tuple[Contact, KeyPair | None], ...]:
    """Keys for every contact of a split, the largest face first, clear of the keys of other contacts."""
    solids = [part.solid for part in split.parts]
    taken: list[list[Any]] = [[] for _ in solids]
    found: dict[tuple[int, int], KeyPair | None] = {}
    contacts = find_contacts(split)
    for contact in sorted(contacts, key=lambda contact: -round(contact.face.area, 3)):
        pair = place_keys(contact, solids, taken, demand)
        found[contact.upper, contact.lower] = pair
        if pair is not None:
            zones = [_zone(pair, key, demand.wall_mm) for key in pair.keys]
            taken[pair.male] += zones
            taken[pair.female] += zones
    return tuple((contact, found[contact.upper, contact.lower]) for contact in contacts)


def _zone(pair: KeyPair, key: Key, wall_mm: float) -> Any:
    """A key with the material around it and at either end."""
    ends = [pair.contact.plane.to_space(key.at, pair.direction * height)[0] for height in (-wall_mm, key.depth_mm + wall_mm)]
    return rod(ends[0], ends[1], key.diameter_mm / 2.0 + wall_mm)


def place_keys(contact: Contact, solids: list[Any], taken: list[list[Any]], demand: KeyDemand) -> KeyPair | None:
    """Two keys as large and as far apart as the face and the part behind it allow; None where there is no room for two.

    solids: the parts without keys; taken: solids of each part that other keys need. Room is what all sections of the part with the holes have
    in common, down to below their ends, and of the part with the pegs down to below their roots.
    """
    for share in _SIZES:
        diameter = max(demand.diameter_mm * share, _LEAST_DIAMETER_MM)
        depth = min(demand.depth_mm, _DEPTH_DIAMETERS * diameter)
        for male, female, direction in ((contact.lower, contact.upper, 1), (contact.upper, contact.lower, -1)):
            room = _room(contact, (solids[female], taken[female]), direction, depth + demand.wall_mm)
            room = room.intersection(_room(contact, (solids[male], taken[male]), -direction, demand.wall_mm))
            for walls in _WALLS:
                keys = _pair_within(room, diameter, depth, walls * demand.wall_mm + demand.clearance_mm)
                if keys is not None and (walls == _WALLS[-1] or _apart(keys) > _WELL_APART * diameter):
                    return KeyPair(contact, male, female, direction, keys)
        if diameter == _LEAST_DIAMETER_MM:
            break
    return None


def _room(contact: Contact, part: tuple[Any, list[Any]], direction: int, depth_mm: float) -> Any:
    """What the face and the sections of the part below it have in common, without what other keys need."""
    room = contact.face
    heights = direction * np.linspace(_FACE_MM, depth_mm, 6)
    for area in sections(part[0], contact.plane, heights):
        room = room.intersection(area)
    for zone in part[1]:
        for area in sections(zone, contact.plane, heights):
            room = room.difference(area)
    return room


def _apart(keys: tuple[Key, Key]) -> float:
    return float(np.sqrt(np.sum((keys[0].at - keys[1].at) ** 2)))


def _pair_within(room: Any, diameter: float, depth: float, margin: float) -> tuple[Key, Key] | None:
    """The two keys as far apart as an area allows with this much material around each; None where they come too near to each other."""
    small = _SMALLER * diameter
    spots = [_spots(room.buffer(-(width / 2.0 + margin))) for width in (diameter, small)]
    if not all(len(found) for found in spots):
        return None
    apart = np.sqrt(((spots[0][:, None, :] - spots[1][None, :, :]) ** 2).sum(axis=2))
    one, other = np.unravel_index(int(np.argmax(np.round(apart, 6))), apart.shape)
    if apart[one, other] < (diameter + small) / 2.0 + 2.0 * margin:
        return None
    return Key(spots[0][one], diameter, depth), Key(spots[1][other], small, depth)


def _spots(area: Any) -> FloatArray:
    """Corners of an area, at most so many, spread along its outline."""
    import shapely

    points = [np.asarray(part.exterior.coords)[:-1] for part in polygons_of(shapely.simplify(area, 0.05))]
    points += [np.asarray(part.representative_point().coords) for part in polygons_of(area)]
    if not points:
        return np.empty((0, 2))
    found = np.concatenate(points)
    return np.asarray(found[np.unique(np.linspace(0, len(found) - 1, _MOST_SPOTS).astype(np.int64))])


def fit_keys(solids: list[Any], pair: KeyPair, clearance_mm: float) -> None:
    """Add the pegs to the one part and cut the holes out of the other; `solids` is changed in place."""
    import manifold3d

    add, subtract = manifold3d.OpType.Add, manifold3d.OpType.Subtract
    solids[pair.male] = manifold3d.Manifold.batch_boolean([solids[pair.male], *pair.pegs()], add)
    solids[pair.female] = manifold3d.Manifold.batch_boolean([solids[pair.female], *pair.pegs(clearance_mm)], subtract)


def measured_clearance(pair: KeyPair, female: Mesh) -> tuple[float, float]:
    """Least and largest distance in mm from the pegs' sides and ends to the part with the holes, as it was made.

    Measured with exact point-to-triangle distances from points on the pegs, not from the figures they were made by.
    """
    surface = Surface(female)
    found = []
    for key in pair.keys:
        distances, _ = surface.distance(_peg_points(pair, key))
        found += [float(distances.min()), float(distances.max())]
    return min(found), max(found)


def _peg_points(pair: KeyPair, key: Key) -> FloatArray:
    """Points on a peg: the middles of its flats at five heights, and its end."""
    angles = 2.0 * np.pi * (np.arange(ROUND_SIDES) + 0.5) / ROUND_SIDES
    axes = frame_about(pair.direction * pair.contact.plane.normal)
    ring = np.cos(angles)[:, None] * axes[0] + np.sin(angles)[:, None] * axes[1]
    radius = key.diameter_mm / 2.0
    heights = np.linspace(0.15, 0.85, 5) * key.depth_mm
    points = [pair.contact.plane.to_space(key.at, pair.direction * height) + radius * ring for height in heights]
    end = pair.contact.plane.to_space(key.at, pair.direction * key.depth_mm)
    return np.concatenate([*points, end, end + 0.5 * radius * ring])


@dataclass(frozen=True)
class WrongWays:
    """Other ways of putting a part on: how many were tried, in how many pegs and part collide, and in how many a peg stands beside the face.

    is_safe: each wrong way fails by one of the two. swap_mm3: what collides when the two keys change places.
    """

    n_tried: int
    n_colliding: int
    n_beside: int
    swap_mm3: float

    @property
    def is_safe(self) -> bool:
        """No wrong way goes together."""
        return self.n_colliding + self.n_beside == self.n_tried and self.swap_mm3 > 0.0


def try_wrong_ways(pair: KeyPair, female: Any) -> WrongWays:
    """Turn the pegs about the cut's normal, by steps about the middle of the face and by half a turn about the middle between the keys, and see
    whether they collide with the part that has the holes."""
    import shapely

    pegs, female = pair.pegs(), _near_face(pair, female)
    volume = sum(peg.volume() for peg in pegs)
    between = (pair.keys[0].at + pair.keys[1].at) / 2.0
    middle = np.asarray(pair.contact.face.centroid.coords)[0]
    swap = _collision(pegs, female, pair.contact.plane, between, 180.0)
    n_colliding, n_beside, n_tried = int(swap > 0.0), 0, 1
    face = pair.contact.face.buffer(0.5)
    for angle, centre in _turns(middle, pair.keys):
        n_tried += 1
        if _collision(pegs, female, pair.contact.plane, centre, angle) > _LEAST_COLLISION_SHARE * volume:
            n_colliding += 1
        elif not all(face.contains(shapely.Point(_turned(key.at, centre, angle))) for key in pair.keys):
            n_beside += 1
    return WrongWays(n_tried, n_colliding, n_beside, swap)


def _near_face(pair: KeyPair, female: Any) -> Any:
    """The part with the holes as far as pegs reach into it."""
    way = pair.direction * pair.contact.plane.normal
    face = pair.direction * pair.contact.plane.offset_mm
    deepest = face + max(key.depth_mm for key in pair.keys) + 1.0
    return female.trim_by_plane(tuple(way), face).trim_by_plane(tuple(-way), -deepest)


def _turns(middle: FloatArray, keys: tuple[Key, Key]) -> Iterator[tuple[float, FloatArray]]:
    for step in range(1, _N_TURNS):
        yield 360.0 * step / _N_TURNS, middle
    for key in keys:
        yield 180.0, key.at


def _turned(at: FloatArray, centre: FloatArray, angle_deg: float) -> FloatArray:
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.asarray(np.array([[cos, -sin], [sin, cos]]) @ (at - centre) + centre)


def _collision(pegs: list[Any], female: Any, plane: Plane, centre: FloatArray, angle_deg: float) -> float:
    """Volume in mm3 that turned pegs and the part have in common."""
    import manifold3d

    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    turn = plane.frame.T @ np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]]) @ plane.frame
    fixed = plane.to_space(centre)[0]
    matrix = np.column_stack([turn, fixed - turn @ fixed]).tolist()
    moved = manifold3d.Manifold.batch_boolean([peg.transform(matrix) for peg in pegs], manifold3d.OpType.Add)
    return float(max((moved ^ female).volume(), 0.0))
