"""The sections of config.yaml for the routes that make parts: machines, routes and materials."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from meshtools.config_nodes import Entries, NodeReader, text_of, texts_of
from meshtools.register_cells import SLUG, nearest, number_of
from meshtools.settings_ready import MATERIAL_USES, ROUTES, Machine, Material

MATERIAL_KEYS = ("use", "density_kg_m3", "price_per_kg", "currency", "source")
LARGEST_DENSITY_KG_M3 = 25000.0
LARGEST_PRICE = 1e6


def read_machines(reader: NodeReader, sections: Entries, of_route: Mapping[str, Any]) -> tuple[Machine, ...]:
    """The machines by name. of_route: route -> its settings, against whose fields and bounds the overrides are held, and with which they go."""
    machines = []
    for name, (row, node) in reader.entries(sections.get("machines", (0, None))[1], "machines", None).items():
        column = f"machines.{name}"
        if not SLUG.fullmatch(name) or name in ROUTES:
            reader.problem(row, "machines", name, "names a machine, so it is small letters a-z, digits and hyphens, and not the name of a route.")
        keys = dict(reader.entries(node, column, None))
        route_row, route_node = keys.pop("route", (row, None))
        route = text_of(route_node) if route_node is not None else ""
        if route not in ROUTES:
            rule = f"is not one of {', '.join(ROUTES)}." if route else f"is missing; say which route the machine is for: {', '.join(ROUTES)}."
            reader.problem(route_row, f"{column}.route", route, rule, nearest(route, ROUTES))
            continue
        allowed = tuple(field.name for field in dataclasses.fields(of_route[route]))
        for key in [key for key in keys if key not in allowed]:
            reader.problem(keys.pop(key)[0], column, key, f"is not a setting of {route}.", nearest(key, allowed))
        values = reader.fields(keys, column, type(of_route[route]))
        told = tuple(of_route[route].contradictions()) if hasattr(of_route[route], "contradictions") else ()
        reader.contradictions(dataclasses.replace(of_route[route], **values), keys, (column, row), told)
        machines.append(Machine(name, route, tuple(sorted(values.items()))))
    return tuple(sorted(machines, key=lambda machine: machine.name))


def read_routes(reader: NodeReader, sections: Entries, machines: tuple[Machine, ...]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What takes which routes: (key, words), a word being a route or the name of a machine, which stands for its route."""
    route_of = {route: route for route in ROUTES} | {machine.name: machine.route for machine in machines}
    named = reader.entries(sections.get("machines", (0, None))[1], "", None)
    routes = {}
    for key, (row, node) in reader.entries(sections.get("routes", (0, None))[1], "routes", None).items():
        column, words = f"routes.{key}", texts_of(node)
        reader.rows[column] = row
        if words is None:
            reader.problem(row, column, text_of(node), "is not a list of routes and machines such as [print, big-mill]; write [] for none.")
            continue
        unknown = [word for word in words if word not in route_of]
        for word in unknown:
            if word not in named:  # what is wrong with a machine has been told
                rule = f"is neither a route ({', '.join(ROUTES)}) nor a machine of this file."
                reader.problem(row, column, word, rule, nearest(word, sorted(route_of)))
        taken = [route_of[word] for word in words if word in route_of]
        for route in sorted({route for route in taken if taken.count(route) > 1}):
            reader.problem(row, column, route, "is taken twice; an element takes each route once, by itself or on one machine.")
        if not unknown:
            routes[key] = tuple(sorted(words, key=lambda word: ROUTES.index(route_of[word])))
    return tuple(sorted(routes.items(), key=lambda item: (item[0] != "default", item[0])))


def read_materials(reader: NodeReader, sections: Entries) -> tuple[Material, ...]:
    """The materials by name, one for each use."""
    materials: dict[str, Material] = {}
    for name, (row, node) in reader.entries(sections.get("materials", (0, None))[1], "materials", None).items():
        column = f"materials.{name}"
        keys = reader.entries(node, column, MATERIAL_KEYS)
        texts = {key: text_of(value).strip() for key, (_, value) in keys.items()}
        missing = [key for key in ("use", "density_kg_m3", "source") if not texts.get(key)]
        if missing:
            reader.problem(row, column, "", f"lacks {' and '.join(missing)}; a material says what it is for, its density and where that stands.")
        use = texts.get("use", "")
        if use and use not in MATERIAL_USES:
            reader.problem(keys["use"][0], f"{column}.use", use, f"is not one of {', '.join(MATERIAL_USES)}.", nearest(use, MATERIAL_USES))
        density = _number(reader, keys, column, "density_kg_m3", LARGEST_DENSITY_KG_M3)
        price = _number(reader, keys, column, "price_per_kg", LARGEST_PRICE)
        if price is not None and not texts.get("currency"):
            rule = "has no currency beside it; add 'currency: EUR'."
            reader.problem(keys["price_per_kg"][0], f"{column}.price_per_kg", texts["price_per_kg"], rule)
        if use in materials:
            reader.problem(row, column, use, f"is the use of {materials[use].name} already; keep one material for each use.")
        elif use in MATERIAL_USES and density is not None and not missing:
            materials[use] = Material(use, name, density, price, texts.get("currency", ""), texts["source"])
    return tuple(materials[use] for use in MATERIAL_USES if use in materials)


def _number(reader: NodeReader, keys: Entries, column: str, key: str, most: float) -> float | None:
    if key not in keys:
        return None
    row, node = keys[key]
    text = text_of(node)
    if not text:
        return None
    number, rule = number_of(text)
    if number is None or not 0 < number <= most:
        reader.problem(row, f"{column}.{key}", text, rule or f"is not above 0 and at most {most:g}.")
        return None
    return number
