"""The part of a bone's sheet about a completed bone: which plane, what was taken over, and the planes a person may choose from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from meshtools.report.markup import Html, figure, number, pairs, png_address, section, tag

SUPPLIERS = {
    "own other half": "its own other half, reflected", "counterpart": "a bone of the other side, reflected",
    "bone of the same side": "another bone of the same side",
}  # fmt: skip
VERDICTS = {
    "accept": "found and sure", "ask": "found, but not sure: a person decides", "refuse": "no reliable plane found",
    "decided": "given in decisions.csv",
}  # fmt: skip


def completing(sheet: Mapping[str, Any]) -> Html | str:
    """How the missing part was taken over, or what a person must decide first; nothing for a bone that was not completed."""
    facts = sheet["restoration"]
    if not facts:
        return ""
    rows = [("Missing part from", SUPPLIERS[facts["method"]])]
    rows += _plane_rows(facts.get("plane") or {}) + _registration_rows(facts.get("registration") or {}) + _figure_rows(facts)
    return section("Completing", pairs(rows), _candidates(sheet["plane_pictures"]), class_="wide completing")


def _plane_rows(plane: Mapping[str, Any]) -> list[tuple[str, str]]:
    if not plane:
        return []
    rows = [("Mirror plane", VERDICTS[plane["verdict"]] + (f". {' '.join(plane['reasons'])}" if plane.get("reasons") else ""))]
    if "normal" in plane:
        normal = ", ".join(number(x, 5) for x in plane["normal"])
        rows.append(("Its normal and offset", f"({normal}), {figure(plane['offset_mm'], 'mm', 3)} of its clean surface"))
        rows.append(("Its uncertainty", f"within {figure(plane['bound95_deg'], '°', 2)} (95 %)"))
        rms, most = (figure(plane[key], "mm", 3) for key in ("residual_rms_mm", "residual_p95_mm"))
        rows.append(("Difference of left and right", f"{rms} rms, 95 % within {most}, over skin that both sides have"))
    return rows


def _registration_rows(placed: Mapping[str, Any]) -> list[tuple[str, str]]:
    if not placed:
        return []
    rms, overlap = figure(placed["residual_rms_percent"], "%", 3), figure(placed["overlap_percent"], "%", 0)
    fit = f"{rms} of the counterpart's length (rms), over {overlap} of the part"
    return [("Fit on the counterpart", fit + ("" if placed["is_trusted"] else "; not to be believed"))]


def _figure_rows(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    if not facts.get("is_changed"):
        return [("Taken over", "nothing")]
    volume = "" if facts["volume_added_mm3"] is None else f", {figure(facts['volume_added_mm3'], 'mm³', 0)} of volume"
    added = f"{figure(facts['area_added_mm2'], 'mm²', 0)}, {figure(facts['added_percent'], '%', 1)} of the area{volume}"
    step, most = (figure(facts[key], "mm", 2) for key in ("seam_step_max_mm", "seam_step_p95_mm"))
    flat = figure(facts["flat_percent"], "%", 2)
    removed, broken = (figure(facts[key], "mm²", 1) for key in ("skin_removed_mm2", "false_area_removed_mm2"))
    return [
        ("Taken over and seam", f"{added}; the seam alone is FILL under Evidence"),
        ("Step at the seam", f"at most {step}, 95 % within {most}, the taken-over side was bent to meet it"),
        *([("Lost on both sides", f"about {flat} of the area, closed flat or left as broken")] if facts["flat_percent"] >= 0.01 else []),
        ("Original skin removed", f"{removed} ({figure(facts['skin_removed_percent'], '%', 2)} of the area), where the seam crossed it"),
        ("Broken or filled faces replaced", broken),
        ("Original skin moved", f"at most {figure(facts['original_skin_moved_max_mm'], 'mm', 4)}"),
        ("Pieces", f"{facts['n_pieces_before']} before, {facts['n_pieces_after']} after"),
    ]


def _candidates(pictures: list[dict[str, Any]]) -> Html | str:
    """The candidate planes side by side, each with the cell to write into decisions.csv."""
    if not pictures:
        return ""
    shown = [
        tag("li", tag("img", src=png_address(row["png"]), alt=f"The bone cut by candidate plane {n}, its two sides in light and dark"),
            tag("b", f"Plane {n}"), " ", tag("code", row["value"]))
        for n, row in enumerate(pictures, 1)
    ]  # fmt: skip
    words = "Candidate planes, the likeliest first; one side light, one dark. To choose one, add a row of kind plane with its value to decisions.csv."
    return tag("div", tag("p", words), tag("ul", *shown, class_="planes"))
