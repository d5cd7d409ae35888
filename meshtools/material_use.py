"""What a part takes in material, hours and money: estimates from stated assumptions, never a quote."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

KG_PER_MM3 = 1e-9  # times kg/m3
CM3_PER_MM3 = 1e-3
PART_ROLES = ("part",)


def material_rows(facts: Mapping[str, Any], settings: Mapping[str, Any], estimate: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What each material of a route weighs: use, what of, volume in mm3, density, mass in kg, and whether it is in the finished part.

    facts: of the route's record (`route`, `volume_mm3` of the finished part, `solids` with role and volume, `made` of a mould with its
    `pattern_scale`); settings: of the route.
    """
    by_role: dict[str, float] = {}
    for solid in facts["solids"]:
        by_role[solid["role"]] = by_role.get(solid["role"], 0.0) + (solid["volume_mm3"] if solid["is_closed"] else 0.0)
    made = sum(by_role.get(role, 0.0) for role in PART_ROLES)
    if facts["route"] == "print":
        return [_row("print", "printed solids", made, settings["density_kg_m3"], True)]
    if facts["route"] == "cnc":
        rows = [_row("foam", "carved core", made, settings["foam_kg_m3"], True)]
        if by_role.get("stock"):
            rows.append(_row("foam", "stock to carve it from", by_role["stock"], settings["foam_kg_m3"], False))
        coat = facts["volume_mm3"] - made
        return [*rows, _row("coat", "coat, finished part less core", coat, estimate["coat_density_kg_m3"], True)] if settings["coat_mm"] > 0 else rows
    hollow_mm3 = by_role.get("core", 0.0) / facts.get("made", {}).get("pattern_scale", 1.0) ** 3  # the core is larger, as the pattern is
    rows = [_row("cast", "casting", facts["volume_mm3"] - hollow_mm3, settings["casting_density_kg_m3"], True)]
    is_rubber = settings["kind"] == "flexible"
    if by_role.get("mould piece"):
        use, what = ("rubber", "rubber of the mould") if is_rubber else ("jacket", "mould pieces")
        rows.append(_row(use, what, by_role["mould piece"], settings["rubber_density_kg_m3" if is_rubber else "mould_density_kg_m3"], False))
    if by_role.get("jacket"):
        rows.append(_row("jacket", "jacket", by_role["jacket"], settings["mould_density_kg_m3"], False))
    return rows


def _row(use: str, what: str, volume_mm3: float, density_kg_m3: float, is_in_part: bool) -> dict[str, Any]:
    mass_kg = volume_mm3 * density_kg_m3 * KG_PER_MM3
    return {"use": use, "what": what, "volume_mm3": volume_mm3, "density_kg_m3": density_kg_m3, "mass_kg": mass_kg, "is_in_part": is_in_part}


def mass_of(rows: Sequence[Mapping[str, Any]]) -> float:
    """Mass of the finished part in kg."""
    return float(sum(row["mass_kg"] for row in rows if row["is_in_part"]))


def hours(facts: Mapping[str, Any], settings: Mapping[str, Any], estimate: Mapping[str, Any]) -> tuple[float | None, str]:
    """Machine hours and the assumption that they rest on; None for a route whose time no machine sets."""
    volumes = {role: sum(s["volume_mm3"] for s in facts["solids"] if s["role"] == role and s["is_closed"]) for role in ("part", "stock")}
    if facts["route"] == "print":
        rate = estimate["print_cm3_per_hour"]
        return volumes["part"] * CM3_PER_MM3 / rate, f"at {rate:g} cm³ an hour, infill not reckoned; set-up and finishing not counted"
    if facts["route"] == "cnc" and volumes["stock"]:
        rough = (volumes["stock"] - volumes["part"]) * CM3_PER_MM3 / estimate["rough_cm3_per_minute"]
        finish = facts["area_mm2"] / (settings["step_over_mm"] * estimate["finish_mm_per_minute"])
        words = f"roughing at {estimate['rough_cm3_per_minute']:g} cm³ a minute, finishing passes {settings['step_over_mm']:g} mm apart at "
        return (rough + finish) / 60.0, f"{words}{estimate['finish_mm_per_minute']:g} mm a minute; set-ups, tool changes and glue not counted"
    return None, ""


def prices(rows: Sequence[Mapping[str, Any]], materials: Sequence[Mapping[str, Any]], waste_percent: float) -> list[dict[str, Any]]:
    """What the material of each row costs with waste, where config.yaml states a price. The stock counts instead of the core it holds."""
    has_stock = any(row["what"].startswith("stock") for row in rows)
    priced = {material["use"]: material for material in materials}
    out = []
    for row in rows:
        material = priced.get(row["use"])
        if has_stock and row["what"] == "carved core":
            continue
        if material is None or material["price_per_kg"] is None:
            name = material["name"] if material else ""
            out.append({"what": row["what"], "material": name, "price": None, "currency": "", "basis": "no price stated"})
            continue
        share = 1.0 if row["what"].startswith("stock") else 1 + waste_percent / 100
        basis = f"{row['mass_kg']:.3f} kg at {material['price_per_kg']:g} {material['currency']} a kg"
        basis += f" and {waste_percent:g} % waste" if share > 1 else ""
        out.append({
            "what": row["what"], "material": material["name"], "price": row["mass_kg"] * share * material["price_per_kg"],
            "currency": material["currency"], "basis": f"{basis} ({material['source']})",
        })  # fmt: skip
    return out


def material_table(rows: Sequence[Mapping[str, Any]], facts: Mapping[str, Any]) -> dict[str, Any]:
    """The rows as a table of the job sheet. Volumes in cm3, masses in kg.

    facts: `volume_mm3`, `area_mm2`, `centre_from_middle_mm` (along length, breadth and depth), `machine_hours` with their basis.
    """
    cells = [[row["what"], row["volume_mm3"] * CM3_PER_MM3, row["density_kg_m3"], row["mass_kg"]] for row in rows]
    x, y, z = facts["centre_from_middle_mm"]
    note = (
        f"Estimates from volumes and assumed densities, no quote. Finished part: {facts['volume_mm3'] * CM3_PER_MM3:.1f} cm³, skin of "
        f"{facts['area_mm2'] / 100:.1f} cm²; its centre of mass, solid and even, lies {x:.1f}, {y:.1f}, {z:.1f} from the middle of the box along "
        "length, breadth and depth, in mm."
    )
    if facts["machine_hours"] is not None:
        note += f" Machine time about {facts['machine_hours']:.1f} h ({facts['machine_hours_basis']})."
    header = ["What", "Volume cm³", "Density kg/m³", "Mass kg"]
    return {"name": "material", "title": "Material", "header": header, "rows": cells, "note": note}
