"""Which routes an element takes, on which machine and with which settings: what a person wrote into config.yaml."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from meshtools.model import Element
from meshtools.settings import Settings
from meshtools.settings_ready import ROUTES, EstimateSettings

TOLERANCE = "part_tolerance_mm"
DENSITIES = {
    "print": "density_kg_m3", "foam": "foam_kg_m3", "cast": "casting_density_kg_m3", "jacket": "mould_density_kg_m3",
    "rubber": "rubber_density_kg_m3",
}  # fmt: skip
"""Use of a material -> the setting of the route that states its density."""


@dataclass(frozen=True)
class Chosen:
    """One route of one element, and the machine whose overrides hold for it (empty: none)."""

    route: str
    machine: str = ""


def chosen_routes(settings: Settings, target: str, element: Element) -> tuple[Chosen, ...]:
    """The routes of an element: those of `target/element`, else of the element with its side, of its name, of its group, or `default`."""
    routes = dict(settings.routes)
    keys = (f"{target}/{element.slug}", element.slug, element.name, element.group, "default")
    words = next((routes[key] for key in keys if key in routes), ())
    machines = {machine.name: machine.route for machine in settings.machines}
    chosen = [Chosen(machines[word], word) if word in machines else Chosen(word) for word in words]
    return tuple(sorted(chosen, key=lambda one: ROUTES.index(one.route)))


def settings_of(settings: Settings, chosen: Chosen) -> Any:
    """The settings dataclass of a route, with the overrides of its machine.

    What is left at its default comes from where the batch says it once: the tolerance of the part from `clean`, densities from `materials`.
    """
    machine = next((machine for machine in settings.machines if machine.name == chosen.machine), None)
    of_route = getattr(settings, chosen.route)
    shared = {TOLERANCE: settings.clean.part_tolerance_mm}
    shared |= {DENSITIES[material.use]: material.density_kg_m3 for material in settings.materials if material.use in DENSITIES}
    at_default = type(of_route)()
    overrides = {name: value for name, value in shared.items() if hasattr(of_route, name) and getattr(of_route, name) == getattr(at_default, name)}
    return dataclasses.replace(of_route, **(overrides | dict(machine.overrides if machine else ())))


def estimate_of(settings: Settings) -> EstimateSettings:
    """What hours and masses are reckoned with; the density of a coat left at its default is that of `materials`."""
    coat = next((material for material in settings.materials if material.use == "coat"), None)
    if coat is None or settings.estimate.coat_density_kg_m3 != EstimateSettings().coat_density_kg_m3:
        return settings.estimate
    return dataclasses.replace(settings.estimate, coat_density_kg_m3=coat.density_kg_m3)
