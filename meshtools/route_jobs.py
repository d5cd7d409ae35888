"""The jobs of the routes that make parts: which element takes which, with which settings, and on what each depends."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from meshtools.keys import sealed, sha256_of
from meshtools.model import Recipe, Register, plain
from meshtools.route_advice import USED
from meshtools.routing import Chosen, chosen_routes, estimate_of, settings_of
from meshtools.settings import Settings
from meshtools.settings_ready import ROUTES, Material

Job = dict[str, Any]
USES: Mapping[str, tuple[str, ...]] = {"print": ("print",), "cnc": ("foam", "coat"), "mould": ("cast", "rubber", "jacket")}
"""What materials each route uses."""


def route_jobs(
    register: Register, recipes: Sequence[Recipe], before: Mapping[str, Mapping[str, Job]], looked: Mapping[str, Job]
) -> dict[str, dict[str, Job]]:
    """Route -> `target/element` -> job, for every built recipe that config.yaml gives a route. Prices are in no job of a route: they make no
    other part.

    looked: what says how each bone stands (worklist). It bears on sheet and archive alone, so all else is bound to a key of its own, `made_key`.
    """
    jobs: dict[str, dict[str, Job]] = {route: {} for route in ROUTES}
    elements = {element.slug: element for element in register.elements}
    for recipe in recipes:
        name = f"{recipe.target}/{recipe.element}"
        for chosen in chosen_routes(register.settings, recipe.target, elements[recipe.element]):
            rebuild = before["rebuild"][name]
            job = {
                "route": chosen.route, "machine": chosen.machine, "settings": plain(settings_of(register.settings, chosen)),
                "estimate": {key: value for key, value in plain(estimate_of(register.settings)).items() if key != "waste_percent"},
                "tolerance_class": register.settings.receive.tolerance_class, "part_tolerance_mm": register.settings.clean.part_tolerance_mm,
                "part_id": rebuild["part_id"], "revision": rebuild["revision"], "target": recipe.target, "element": recipe.element,
                "evidence": recipe.evidence.value, "n_finds": len(recipe.finds), "rebuild_key": rebuild["key"],
            }  # fmt: skip
            met = {joint: row["key"] for joint, row in before["joint"].items() if _shows(joint, row, recipe)}
            if met:
                job["joint_keys"] = met
            if name in before.get("fixings", {}):
                job["armature_key"] = before["fixings"][name]["key"]
            job = {"made_key": sealed(chosen.route, name, job)["key"]} | job | looked[name] | {"asked": plain(recipe.findings)}
            jobs[chosen.route][name] = sealed(chosen.route, name, job)
    return jobs


def _shows(joint: str, job: Job, recipe: Recipe) -> bool:
    """True where a joint of the element lies in a frame, so that its record says where the joint's surface is."""
    return joint.startswith(f"{recipe.target}/") and recipe.element in (job["a"], job["b"]) and job["places"] is not None


def materials_for(register: Register, route: str) -> tuple[Material, ...]:
    """The materials of config.yaml that a route uses."""
    return tuple(material for material in register.settings.materials if material.use in USES[route])


def page_rows(register: Register, recipe: Recipe, before: Mapping[str, Mapping[str, Job]]) -> Job:
    """What the page of an element depends on beyond its replica: the holes of its armature, its routes, what was measured on finished parts, prices,
    and the few settings that the advice looks at."""
    settings, name = register.settings, f"{recipe.target}/{recipe.element}"
    element = next(element for element in register.elements if element.slug == recipe.element)
    chosen = {one.route: one for one in chosen_routes(settings, recipe.target, element)}
    received = [plain(row) for row in register.received if (row.target, row.element) == (recipe.target, recipe.element)]
    armature = {"armature_key": before["fixings"][name]["key"]} if name in before.get("fixings", {}) else {}
    return armature | {
        "route_keys": {route: before[route][name]["key"] for route in chosen},
        "received": sorted(({k: v for k, v in row.items() if k != "row"} for row in received), key=sha256_of),
        "tolerance_class": settings.receive.tolerance_class, "least_measures": settings.receive.least_measures,
        "advice_settings": {route: _looked_at(settings, route, chosen.get(route)) for route in ROUTES},
        "materials": [plain(material) for route in chosen for material in materials_for(register, route)],
        "waste_percent": settings.estimate.waste_percent if chosen else 0.0,
    }  # fmt: skip


@lru_cache(maxsize=64)  # of most bones it is the same, and is worked out from all defaults
def _looked_at(settings: Settings, route: str, chosen: Chosen | None) -> Job:
    """Machine -> the settings that the advice looks at: the chosen one's, else those of all machines for the route, else the route's own."""
    machines = [Chosen(route, machine.name) for machine in settings.machines if machine.route == route]
    options = [chosen] if chosen else machines or [Chosen(route)]
    of_machine = {one.machine: settings_of(settings, one) for one in options}
    return {machine: {key: getattr(of_route, key) for key in USED[route]} for machine, of_route in of_machine.items()}
