"""Cautions that a page shows beside its figures. They name sources and replace neither a local code nor a licensed person."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

BY_HAND_KG = 5.0  # proposed default: from here on a page speaks about lifting
LOAD_CONSTANT_KG = 23.0  # NIOSH lifting equation, ideal conditions only
RESTORATION_WORDS = ("restor", "plaster", "filler", "infill", "overpaint", "repaint", "consolid", "repair")


@dataclass(frozen=True)
class Caution:
    """One caution: a short name, the sentence, and what it leans on (empty where it is common practice)."""

    code: str
    text: str
    source: str = ""


STRUCTURE = Caution(
    "structure",
    "Masses, centres of mass and tipping figures are geometric estimates from assumed densities. They are not a structural design. "
    "Frame, fixings, suspension, floor load, seismic and wind action are for a licensed structural engineer under the local building code.",
)
LIFTING = Caution(
    "lifting", "Lift with equipment that is rated and examined, planned by a competent person, with nobody beneath the load. Local law decides.",
    "UK: LOLER 1998, HSE L113",
)
BY_HAND = Caution(
    "lifting-by-hand", "Assess the lift before carrying this part by hand. The load constant of 23 kg (51 lb) holds for ideal conditions only; "
    "local guidance decides.", "NIOSH lifting equation",
)
CUTTING = Caution(
    "cutting", "Machines need guards and a lock-out; foam blocks are brittle and can lift off the table. Follow the machine's own manual.",
)
DUST = Caution(
    "dust", "Sanding and trimming make fine dust: use extraction, and respirators under a fitting programme.", "US: 29 CFR 1910.134",
)
RESINS = Caution(
    "resins", "Isocyanates and uncured resins sensitise skin and lungs: work from the safety data sheet, with ventilation and gloves.",
    "HSE RR1199; UK: COSHH",
)
PRINTING = Caution(
    "printing", "Printers give off particles and vapours: enclose them or ventilate the room, and keep uncured resin off the skin.",
    "NIOSH 2023, Approaches to Safe 3D Printing",
)
RESTORATION = Caution(
    "old-restoration", "The record speaks of restoration or consolidant. Old fills and paints can hold asbestos, lead or arsenic: do not sand or "
    "drill the specimen; ask a conservator.", "Geological Curator; NatSCA",
)
SPECIMEN = Caution(
    "specimen", "Whether a specimen may be touched, moved or scanned again is for its conservator to say. "
    "Check permissions and rights before a replica is shown, lent or sold.",
)
FIRE = Caution("fire", "Foam and print polymers burn. Ask the building's fire officer before hanging or storing them.")
HOT_WIRE = Caution("hot-wire", "Hot wire gives off fumes: never on polyurethane foam, and ventilate with any other.")
POURS = Caution("pours", "Thick resin pours overheat: stay within the maker's depth, or pour in layers.")
HEIGHT = Caution("height", "Work at height needs a plan, a platform and somebody on the ground.")
LOAD_SHARES = Caution(
    "load-shares", "With more than three supports, or supports in one line, the shares of the load are statically indeterminate: read them as a "
    "range. A tipping angle means nothing until armature and base are entered.",
)
ROUTE_CAUTIONS: Mapping[str, tuple[Caution, ...]] = {
    "print": (PRINTING, DUST, FIRE),
    "cnc": (CUTTING, DUST, RESINS, FIRE, HOT_WIRE),
    "mould": (RESINS, POURS, DUST),
    "mount": (LOAD_SHARES, HEIGHT),
}


def cautions_for(facts: Mapping[str, Any]) -> list[Caution]:
    """The cautions that apply to a part, in reading order, each once.

    facts: `mass_kg` (None or absent: no mass shown), `routes` (of print, cnc, mould, mount), `n_finds`, `texts` (condition and remarks
    of the finds, searched for words of restoration).
    """
    chosen: list[Caution] = []
    mass = facts.get("mass_kg")
    if mass is not None:
        chosen.append(STRUCTURE)
        if mass > LOAD_CONSTANT_KG:
            chosen.append(LIFTING)
        if mass > BY_HAND_KG:
            chosen.append(BY_HAND)
    for route in facts.get("routes", ()):
        chosen += ROUTE_CAUTIONS.get(route, ())
    texts = " ".join(str(text) for text in facts.get("texts", ())).lower()
    if any(word in texts for word in RESTORATION_WORDS):
        chosen.append(RESTORATION)
    if facts.get("n_finds", 0):
        chosen.append(SPECIMEN)
    return list(dict.fromkeys(chosen))
