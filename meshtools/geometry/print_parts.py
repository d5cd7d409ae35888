"""From one loose body of a replica to printed parts: split, keyed, engraved, laid in the build volume, hollowed and drained."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from meshtools.geometry.body import Body, rigid, sound_mesh
from meshtools.geometry.build_fit import Placing, place_in
from meshtools.geometry.distance import Surface
from meshtools.geometry.engraving import Engraving, EngravingDemand, Tablet, engrave, place_on_cut, place_on_skin
from meshtools.geometry.hollowing import LEAST_OPEN_SHARE, Cavity, Opening, drill, find_cavity, is_open, place_opening
from meshtools.geometry.joint_keys import Contact, Key, KeyDemand, KeyPair, WrongWays, fit_keys, measured_clearance, place_all_keys, try_wrong_ways
from meshtools.geometry.measure import hull_points
from meshtools.geometry.splitting import Cut, Demand, Split, corners_of, split_to_fit
from meshtools.model import FloatArray, Mesh
from meshtools.settings_print import PrintSettings

_LETTER_STEP_MM = 4.0


@dataclass(frozen=True, eq=False)
class Hollow:
    """A cavity with its openings; is_open: it is proven that they connect it to the outside."""

    cavity: Cavity
    openings: tuple[Opening, ...]
    is_open: bool
    drained_mm3: float


@dataclass(frozen=True, eq=False)
class PrintedPart:
    """One part in the replica's coordinates and how it lies on the machine.

    plain_mm3: of the part as cut, keyed_mm3: with pegs and holes; placing None where it fits nowhere; undrained_mm3: of a cavity that is left solid,
    because no vent and drain were proven to reach it.
    """

    number: int
    body: Body
    plain_mm3: float
    keyed_mm3: float
    engraving: Engraving | None
    placing: Placing | None
    hollow: Hollow | None
    cuts: tuple[int, ...]
    undrained_mm3: float = 0.0

    @property
    def name(self) -> str:
        """Two or more digits."""
        return f"{self.number:02d}"

    @property
    def made_from_replica(self) -> FloatArray:
        """Matrix (4, 4) that turns the part as it is printed, its box standing on the corner of the build volume."""
        rotation = self.placing.rotation if self.placing else np.eye(3)
        return rigid(rotation, -(corners_of(self.body.solid) @ rotation.T).min(axis=0))

    @property
    def replica_from_made(self) -> FloatArray:
        """The inverse of `made_from_replica`."""
        forth = self.made_from_replica
        return rigid(forth[:3, :3].T, -forth[:3, :3].T @ forth[:3, 3])


@dataclass(frozen=True, eq=False)
class KeyedContact:
    """A contact of two parts (by their numbers) with its keys, None where it is only glued; clearance as measured, and the wrong ways tried."""

    numbers: tuple[int, int]
    contact: Contact
    pair: KeyPair | None
    clearance_mm: tuple[float, float] | None
    wrong: WrongWays | None

    @property
    def male(self) -> int:
        """Number of the part with the pegs."""
        assert self.pair is not None
        return self.numbers[0] if self.pair.male == self.contact.upper else self.numbers[1]


@dataclass(frozen=True, eq=False)
class PrintedBody:
    """All parts of one loose body."""

    parts: tuple[PrintedPart, ...]
    contacts: tuple[KeyedContact, ...]
    cuts: tuple[Cut, ...]
    volume_mm3: float


def split_demand(settings: PrintSettings, keep_off: FloatArray) -> Demand:
    """What the settings ask of a split."""
    width = 5.0 + 2.0 * (settings.key_wall_mm + settings.key_clearance_mm)
    return Demand(settings.room_mm, up_of(settings), keep_off, settings.keep_off_mm, settings.key_depth_mm, width, settings.most_parts)


def up_of(settings: PrintSettings) -> FloatArray:
    """Unit direction that points up in the machine; z where the settings give none."""
    up = np.array([settings.up_x, settings.up_y, settings.up_z])
    length = float(np.sqrt(np.sum(up**2)))
    return up / length if length > 1e-9 else np.array([0.0, 0.0, 1.0])


def split_body(body: Body, settings: PrintSettings, keep_off: FloatArray) -> Split:
    """Cut one loose body so that every part fits the build volume. GeometryError where that cannot be done."""
    return split_to_fit(body.solid, split_demand(settings, keep_off))


def finish_body(
    body: Body, split: Split, settings: PrintSettings, keep_off: FloatArray, words: tuple[tuple[str, ...], ...], first: int
) -> PrintedBody:
    """Make the parts of a split: keys, engraving (words: one tuple of words a part), pose, cavity. first: number of the first part."""
    demand = KeyDemand(settings.key_diameter_mm, settings.key_depth_mm, settings.key_wall_mm, settings.key_clearance_mm)
    contacts = place_all_keys(split, demand)
    solids = [part.solid for part in split.parts]
    for _, pair in contacts:
        if pair is not None:
            fit_keys(solids, pair, settings.key_clearance_mm)
    parts = []
    for number, solid in enumerate(solids):
        plain = body.with_solid(split.parts[number].solid)
        pairs = [pair for _, pair in contacts if pair is not None and number in (pair.male, pair.female)]
        part = PrintedPart(first + number, body.with_solid(solid), float(plain.solid.volume()), float(solid.volume()), None, None, None,
                           tuple(cut for cut, _ in split.parts[number].cuts))
        part = _engraved(part, _tablet(part, split, number, settings, keep_off, words[number]), settings)
        part = replace(part, placing=place_in(hull_points(corners_of(part.body.solid)), settings.room_mm, up_of(settings)))
        if settings.is_hollowed:
            part = _hollowed(part, number, pairs, settings, keep_off)
        parts.append(part)
    keyed = tuple(_checked(contact, pair, body, solids, first) for contact, pair in contacts)
    return PrintedBody(tuple(parts), keyed, split.cuts, float(body.solid.volume()))


def _checked(contact: Contact, pair: KeyPair | None, body: Body, solids: list[Any], first: int) -> KeyedContact:
    """Measure the clearance on the parts with their keys, and try the wrong ways round."""
    numbers = (contact.upper + first, contact.lower + first)
    if pair is None:
        return KeyedContact(numbers, contact, None, None, None)
    female = solids[pair.female]
    return KeyedContact(numbers, contact, pair, measured_clearance(pair, body.with_solid(female).mesh(0)), try_wrong_ways(pair, female))


def _tablet(part: PrintedPart, split: Split, row: int, settings: PrintSettings, keep_off: FloatArray, words: tuple[str, ...]) -> Tablet | None:
    """Where the part's words go: the largest cut face with room, else the skin."""
    floor = max(settings.sound_wall_mm, settings.least_wall_mm)
    demand = EngravingDemand(settings.letter_height_mm, settings.stroke_mm, settings.engraving_depth_mm, floor, settings.keep_off_mm)
    for cut, side in sorted(split.parts[row].cuts, key=lambda entry: -split.cuts[entry[0]].area_mm2):
        tablet = place_on_cut(part.body.solid, split.cuts[cut].plane, side, words, demand)
        if tablet is not None:
            return tablet
    return place_on_skin(part.body.mesh(0), words, demand, keep_off)


def _engraved(part: PrintedPart, tablet: Tablet | None, settings: PrintSettings) -> PrintedPart:
    if tablet is None:
        return part
    engraving = engrave(part.body.solid, tablet, settings.engraving_depth_mm)
    return replace(part, body=part.body.with_solid(engraving.solid), engraving=engraving)


def _hollowed(part: PrintedPart, row: int, pairs: list[KeyPair], settings: PrintSettings, keep_off: FloatArray) -> PrintedPart:
    """The part with its cavity and openings, or as it is where a cavity would save too little or keep what should run out of it. Pegs stay solid.
    row: the part's in the split."""
    solid, mesh = part.body.solid, part.body.mesh(0)
    pegs = [(_along(pair, key), key.diameter_mm / 2.0 + 1.0) for pair in pairs for key in pair.keys if pair.male == row]
    cavity = find_cavity(solid, mesh, settings.wall_mm, ((keep_off, settings.boss_radius_mm), *pegs))
    if cavity is None or cavity.volume_mm3 < settings.least_saving_percent / 100.0 * float(solid.volume()):
        return part
    up = part.placing.rotation[2] if part.placing else up_of(settings)
    avoided, skin = _avoided(part, pairs, settings, keep_off), Surface(mesh)
    openings = tuple(place_opening(cavity.solid, skin, way, settings.drain_diameter_mm, avoided) for way in (up, -up))
    closed = solid - cavity.solid
    drained = drill(closed, openings)
    is_proven = is_open(drained, int(solid.genus()), len(openings), int(cavity.solid.genus()))
    if not is_proven or min(opening.open_share for opening in openings) < LEAST_OPEN_SHARE:
        return replace(part, undrained_mm3=cavity.volume_mm3)
    hollow = Hollow(cavity, openings, is_proven, float(closed.volume() - drained.volume()))
    return replace(part, body=part.body.with_solid(drained), hollow=hollow)


def _avoided(part: PrintedPart, pairs: list[KeyPair], settings: PrintSettings, keep_off: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points that openings stay away from and how far: joint ends, keys, letters."""
    points, reach = [keep_off], [np.full(len(keep_off), settings.keep_off_mm)]
    for pair in pairs:
        for key in pair.keys:
            for height in (0.0, key.depth_mm):
                points.append(pair.contact.plane.to_space(key.at, pair.direction * height))
                reach.append(np.array([key.diameter_mm / 2.0 + settings.key_wall_mm]))
    if part.engraving is not None:
        letters = part.engraving.tablet.spots(_LETTER_STEP_MM)
        points.append(letters)
        reach.append(np.full(len(letters), _LETTER_STEP_MM))
    return np.concatenate(points), np.concatenate(reach)


def _along(pair: KeyPair, key: Key) -> FloatArray:
    """Points on a peg's axis, a millimetre apart."""
    heights = np.linspace(0.0, key.depth_mm, max(int(np.ceil(key.depth_mm)), 1) + 1)
    return np.concatenate([pair.contact.plane.to_space(key.at, pair.direction * float(height)) for height in heights])


def mesh_of_part(part: PrintedPart, made_source: int) -> Mesh:
    """The part as a mesh in the replica's coordinates."""
    return sound_mesh(part.body.mesh(made_source))
