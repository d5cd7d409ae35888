"""The tables of the demo batch, and the truth about each find that a test may hold results against."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
from bones import bodies
from fields import Array
from finds import MEASURED_ONLY, SCANS, STAGES, TAXON
from scanned_find import TRUTH_FACES, ScannedFind, greatest_breadth, greatest_length, solid_volume
from scanning import INDIVIDUALS, seed_of, to_bone, true_surface

BONES_COLUMNS = (
    "find",
    "catalogNumber",
    "organismID",
    "scientificName",
    "identificationQualifier",
    "lifeStage",
    "element",
    "side",
    "portion",
    "preserved_percent",
    "condition",
    "pathology",
    "deformation",
    "scan",
    "unit",
    "capture",
    "caliper_mm",
    "caliper_of",
    "second_caliper_mm",
    "second_caliper_of",
    "scale_point_a",
    "scale_point_b",
    "scale_distance_mm",
    "pieces",
    "identifiedBy",
    "remarks",
)
MEASUREMENT_COLUMNS = (
    "organismID",
    "find",
    "element",
    "side",
    "measurementID",
    "measurementType",
    "measurementValue",
    "measurementUnit",
    "measurementMethod",
    "measurementDeterminedBy",
    "measurementDeterminedDate",
)
OPENING_COLUMNS = ("find", "kind", "x", "y", "z", "diameter_mm", "action", "depth_mm", "passage")
FOLDER_UNITS = {"arm": "mm", "ct": "m"}  # declared once in config.yaml, so the rows leave them empty


def rows_of(one: ScannedFind) -> tuple[dict[str, object], dict[str, object]]:
    """The find's row of bones.csv and its entry of truth.json."""
    scan, rng = one.scan, np.random.default_rng(seed_of("caliper", one.scan.find))
    length, (kind, across) = greatest_length(one.truth[0]), second_length(one)
    first, second = (value + float(np.clip(rng.normal(0, 0.1), -0.2, 0.2)) for value in (length, across))
    row: dict[str, object] = {
        "find": scan.find,
        "catalogNumber": f"NP-{seed_of(scan.individual) % 7 + 1}{SCANS.index(scan) + 101}",
        "organismID": scan.individual,
        "scientificName": TAXON,
        "identificationQualifier": scan.qualifier,
        "lifeStage": STAGES[scan.individual],
        "element": scan.element,
        "side": scan.side,
        "portion": scan.portion,
        "preserved_percent": scan.preserved,
        "condition": scan.condition,
        "pathology": scan.pathology,
        "scan": f"scans/{scan.file}",
        "unit": "" if scan.file.split("/")[0] in FOLDER_UNITS else scan.unit,
        "capture": {"photo": "photogrammetry", "loan": "laser line"}.get(scan.file.split("/")[0], ""),
        "caliper_mm": f"{first:.1f}",
        "caliper_of": "greatest-length",
        "identifiedBy": "collections desk",
        "remarks": scan.remarks,
    }
    if scan.unit in ("none", "m") or scan.find in ("a-femur-l", "a-skull"):
        row |= {"second_caliper_mm": f"{second:.1f}", "second_caliper_of": kind}
    if scan.find == "a-tibia-r":
        bar = [one.posed(np.array([end])) for end in ((45.0, 10.0, 40.0), (45.0, 10.0, 140.05))]
        row |= {"scale_point_a": _point(bar[0][0]), "scale_point_b": _point(bar[1][0]), "scale_distance_mm": "100"}
    if "tray" in scan.file:
        row["pieces"] = 1 if scan.element == "rib-04" else 2
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = one.turn / one.mm_per_unit, one.shift / one.mm_per_unit
    truth = {
        "find": scan.find,
        "individual": scan.individual,
        "element": scan.element,
        "side": one.side,
        "individual_scale": INDIVIDUALS[scan.individual],
        "greatest_length_mm": round(length, 3),
        "second_length_of": kind,
        "second_length_mm": round(across, 3),
        "volume_mm3": round(solid_volume(one.truth), 1),
        "mm_per_unit": one.mm_per_unit,
        "n_bodies": len(bodies(scan.element)),
        "is_readable": scan.kind != "stl-cut",
        "scan_from_bone": [[round(value, 9) for value in line] for line in pose.tolist()],
        "truth_mesh": f"truth/{scan.find}.ply" if scan.truth else None,
    }
    return row, truth


def second_length(one: ScannedFind) -> tuple[str, float]:
    """A second length and its name: the greatest breadth, or where that hangs on a hair (two lengths nearly equal), the extent along the scan's z."""
    breadth = greatest_breadth(one.truth[0])
    if abs(greatest_breadth(one.mesh[0][one.is_bone]) - breadth) < 0.25:
        return "greatest-breadth", breadth
    return "extent-z", float(np.ptp(one.posed(one.truth[0])[:, 2]) * one.mm_per_unit)


def _point(values: Array) -> str:
    return " ".join(f"{value:.5f}" for value in values)


def opening_rows(made: dict[str, ScannedFind]) -> list[dict[str, object]]:
    """Holes that a person named, and the clay block, in scan units."""
    named = [
        ("a-femur-l", "foramen", made["a-femur-l"].model_point((2, -7, 96)), 8.0, "keep", "6", ""),
        ("a-thoracic-01", "canal", to_bone((0, 17.5, -4), "ind-a", "thoracic-01", "median"), 11.0, "keep", "", "neural"),
        ("a-thoracic-01", "canal", to_bone((0, 17.5, 4), "ind-a", "thoracic-01", "median"), 11.0, "keep", "", "neural"),
        ("a-scapula-l", "break", made["a-scapula-l"].model_point((0, -28, 128)), 40.0, "close", "", ""),
    ]
    named += [(find, *opening, "", "") for find, one in made.items() for opening in one.openings]
    rows = []
    for find, kind, point, diameter, action, depth, passage in named:
        x, y, z = made[find].posed(point[None])[0]
        rows.append(
            {
                "find": find, "kind": kind, "x": f"{x:.5f}", "y": f"{y:.5f}", "z": f"{z:.5f}", "diameter_mm": f"{diameter:.0f}",
                "action": action, "depth_mm": depth, "passage": passage,
            }
        )
    return rows


def measurement_rows(made: list[ScannedFind]) -> list[dict[str, object]]:
    """Homologous lengths in the frame of each whole bone, with 0.1 mm of caliper scatter; broken and unsure bones are left out."""
    measured = [
        (one.scan.find, one.scan.individual, one.scan.element, one.scan.side, one.truth[0])
        for one in made
        if one.scan.individual != "unassociated" and not one.scan.cuts and one.scan.kind != "stl-cut"
    ]
    measured += [("", *bone, true_surface(*bone, TRUTH_FACES)[0]) for bone in MEASURED_ONLY]
    rows: list[dict[str, object]] = []
    for find, individual, element, side, vertices in measured:
        rng = np.random.default_rng(seed_of("lengths", individual, element, side))
        for kind, value in lengths_of(vertices, element).items():
            rows.append(
                {
                    "organismID": individual,
                    "find": find,
                    "element": element,
                    "side": side,
                    "measurementID": f"m-{len(rows) + 1:03d}",
                    "measurementType": kind,
                    "measurementValue": f"{value + rng.normal(0, 0.1):.1f}",
                    "measurementUnit": "mm",
                    "measurementMethod": "sliding caliper, read to 0.1 mm",
                    "measurementDeterminedBy": "bench two",
                    "measurementDeterminedDate": "2031-02-17",
                }
            )
    return rows


def lengths_of(vertices: Array, element: str) -> dict[str, float]:
    """Lengths that can be taken on every whole bone of this name."""
    x, y, z = vertices.T
    lengths = {"greatest-length": greatest_length(vertices)}
    if element in ("femur", "humerus", "tibia", "radius", "ulna"):
        low, span = z.min(), np.ptp(z)
        lengths |= {"proximal-breadth": float(np.ptp(x[z > low + 0.85 * span])), "distal-breadth": float(np.ptp(x[z < low + 0.15 * span]))}
    elif element.split("-")[0] in ("cervical", "thoracic", "lumbar", "caudal"):
        lengths |= {"greatest-breadth": float(np.ptp(x)), "greatest-height": float(np.ptp(y))}
    return lengths


def write_table(path: Path, columns: tuple[str, ...], rows: list[dict[str, object]]) -> None:
    """A table with commas, in the order of its columns."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_bytes(stream.getvalue().encode())
