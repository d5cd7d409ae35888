"""The settings that all routes which make parts share: machines, materials, and how what was made is judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from meshtools.bounds import bounded

ROUTES = ("print", "cnc", "mould")
"""The routes that make parts, in the order in which pages and sheets name them."""

MATERIAL_USES = ("print", "foam", "coat", "cast", "rubber", "jacket")
"""What a material of config.yaml is used for."""

TOLERANCE_CLASSES = ("part", "fine", "medium", "coarse", "very-coarse")


@dataclass(frozen=True)
class Machine:
    """A named set of overrides of one route's settings: (setting, value) by name."""

    name: str
    route: str
    overrides: tuple[tuple[str, Any], ...] = ()


@dataclass(frozen=True)
class Material:
    """What parts are made of: density and, where somebody stated it, the price, with the source of both."""

    use: str
    name: str
    density_kg_m3: float
    price_per_kg: float | None = None
    currency: str = ""
    source: str = ""


@dataclass(frozen=True)
class ReceiveSettings:
    """How a finished part is judged against its sheet."""

    tolerance_class: str = bounded(
        "part", None, None, "Tolerance of a dimension: of the part (part_tolerance_mm), or a class of ISO 2768-1 by its length.", TOLERANCE_CLASSES,
    )  # fmt: skip
    least_measures: int = bounded(3, 1, 100, "Fewer measured dimensions than this propose no new shrink.")


@dataclass(frozen=True)
class EstimateSettings:
    """What hours and waste are reckoned with. Every value is an assumption: enter the workshop's own."""

    print_cm3_per_hour: float = bounded(20.0, 0.1, 10_000.0, "Material that a printer lays down in an hour (our default).")
    rough_cm3_per_minute: float = bounded(500.0, 1.0, 100_000.0, "Foam that roughing takes away in a minute (our default).")
    finish_mm_per_minute: float = bounded(3000.0, 10.0, 100_000.0, "Speed of a finishing pass (our default).")
    waste_percent: float = bounded(10.0, 0.0, 200.0, "Material bought beyond what the part takes: supports, offcuts, leavings (our default).")
    coat_density_kg_m3: float = bounded(1200.0, 1.0, 20_000.0, "Density of a hard coat or laminate on foam (polyester 1200, from memory).")
