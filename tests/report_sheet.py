"""An invented bone and the plain dicts that a batch would hold about it, for the tests of the report."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshtools.model import EvidenceClass, Mesh, Origin, SourceEntry
from meshtools.report.sheet import make_sheet
from meshtools.report.viewer_mesh import viewer_mesh

SOURCES = (
    SourceEntry(EvidenceClass.OWN_R, "kest-07", Origin.SCANNED),
    SourceEntry(EvidenceClass.FILL, "kest-07", Origin.FILLED),
    SourceEntry(EvidenceClass.MADE, "", Origin.MADE),
)
KEY = "9f2c" * 16


def invented_bone(n_rings: int = 72, n_around: int = 48) -> Mesh:
    """A closed shaft with two unequal ends, 412 mm long, about the shape of a limb bone; a patch is filled and one end is a cut plane."""
    along = np.linspace(0.0, 1.0, n_rings)
    around = np.linspace(0.0, 2 * np.pi, n_around, endpoint=False)
    radius = 21 + 26 * np.exp(-(((along - 0.04) / 0.11) ** 2)) + 33 * np.exp(-(((along - 0.95) / 0.13) ** 2))
    radius = radius * np.sqrt(np.clip(1 - np.abs(2 * along - 1) ** 14, 0.0004, 1))
    t, a = np.meshgrid(along, around, indexing="ij")
    lobes = 1 + 0.22 * np.cos(2 * a) * np.exp(-(((t - 0.93) / 0.12) ** 2)) + 0.3 * np.cos(a - 1) * np.exp(-(((t - 0.08) / 0.08) ** 2))
    r = radius[:, None] * lobes
    x = r * np.cos(a) + 14 * np.sin(np.pi * t)
    points = np.stack([x, r * np.sin(a) * 0.85, 412 * t], axis=-1).reshape(-1, 3)
    ring, step = np.meshgrid(np.arange(n_rings - 1), np.arange(n_around), indexing="ij")
    i, j = ring * n_around + step, ring * n_around + (step + 1) % n_around
    sides = np.concatenate([np.stack([i, j, j + n_around], -1), np.stack([i, j + n_around, i + n_around], -1)]).reshape(-1, 3)
    ends = [(0, 1 + k, k) for k in range(1, n_around - 1)]
    top = (n_rings - 1) * n_around
    ends += [(top, top + k, top + k + 1) for k in range(1, n_around - 1)]
    faces = np.concatenate([sides, np.array([(a_, c, b) for a_, b, c in ends[: n_around - 2]]), np.array(ends[n_around - 2 :])])
    faces[-2 * (n_around - 2) : -(n_around - 2)] = [(0, k + 1, k) for k in range(1, n_around - 1)]
    centres = points[faces].mean(axis=1)
    source = np.where((np.abs(centres[:, 2] - 150) < 26) & (centres[:, 0] > 20), 1, 0)
    source = np.where(centres[:, 2] > 409, 2, source)
    return Mesh.create(points + np.array([120, -40, 35]), faces, source)


def invented_deviation(mesh: Mesh) -> np.ndarray[Any, Any]:
    """A smooth signed deviation, mm; NaN on the vertices that only filled or made faces use."""
    z = mesh.vertices[:, 2]
    value = 0.32 * np.sin(z / 43) * np.cos(mesh.vertices[:, 1] / 19) + 0.06
    scanned = np.zeros(len(z), dtype=bool)
    scanned[mesh.faces[mesh.source == 0].ravel()] = True
    return np.where(scanned, value, np.nan)


def invented_job(**changes: Any) -> dict[str, Any]:
    """The job dict of a reflected femur. `changes` replace its keys."""
    mesh = invented_bone()
    recipe = {
        "target": "kest", "element": "femur-left", "class": "OWN-R", "finds": ["kest-07"],
        "reflect": True, "factor": 1.0, "factor_interval": None,
        "factor_basis": "same individual: no scaling",
        "reason": "The left femur is not preserved; the right one of the same individual is whole (92 %).",
        "tried": [
            {"class": "OWN", "find": "", "why": "no left femur of this individual in the register"},
            {"class": "DON", "find": "moor-12", "why": "a left femur of another individual, factor 1.1497, needs scaling"},
        ],
        "status": "planned", "findings": [], "model_file": "",
    }
    find = {
        "row": 9, "find": "kest-07", "element": "femur", "side": "right", "organism_id": "kest", "scan": "scans/kest-07.ply",
        "unit": "mm", "unit_source": "row",
        "catalog_number": "IV.2031/7", "scientific_name": "Fabulosaurus exempli", "identification_qualifier": "cf.", "life_stage": "adult",
        "portion": "whole", "preserved_percent": 92.0, "condition": "weathered", "pathology": "", "deformation": "", "identified_by": "N. Example",
        "remarks": "old plaster fill near the middle of the shaft",
    }
    job = {
        "recipe": recipe, "finds": [find], "part_id": "KEST-FEM-L", "revision": "a41c", "evidence_key": KEY, "sign_off": None, "tolerance_mm": 0.5,
        "density_kg_m3": 1240.0, "density_basis": "PLA, ASTM D792 tables",
        "deviation": {
            "a_to_b": {"max_mm": 0.381, "max_bound_mm": 0.402, "p99_mm": 0.312, "p95_mm": 0.21, "mean_mm": 0.071, "rms_mm": 0.1, "n": 203412},
            "b_to_a": {"max_mm": 0.377, "max_bound_mm": 0.402, "p99_mm": 0.309, "p95_mm": 0.208, "mean_mm": 0.07, "rms_mm": 0.1, "n": 198220},
        },
        "viewer": viewer_mesh(mesh, SOURCES, 0.08, invented_deviation(mesh), 0.5), "picture_png": None,
    }
    return job | changes


def invented_records() -> dict[str, dict[str, Any]]:
    """The records of that femur: one cleaned find and the rebuild."""
    clean = {
        "stage": "clean", "key": "a" * 64, "status": "ok", "sources": [], "files": [{"path": "results/finds/kest-07/clean.ply", "sha256": "1d" * 32}],
        "findings": [{"severity": "note", "code": "floaters", "message": "kest-07: 3 loose pieces were removed, 0.1 % of the area.",
                      "value": 0.1, "limit": 2.0, "unit": "%"}],
        "facts": {
            "lengths": [
                {"measure": "greatest-length", "caliper_mm": 412.0, "mesh_mm": 412.38, "difference_mm": 0.38, "limit_mm": 2.06, "role": "check"},
                {"measure": "extent-x", "caliper_mm": 96.5, "mesh_mm": 96.21, "difference_mm": -0.29, "limit_mm": 0.48, "role": "check"},
            ],
            "fills": [{"rim_span_mm": 3.1, "area_mm2": 7.4, "n_faces": 9, "centre_mm": [-130.2, -41.0, 88.4]}],
            "scale_basis": "unit", "unit": "mm", "mm_per_unit": 1.0,
        },
    }
    rebuild = {
        "stage": "rebuild", "key": "b" * 64, "status": "review", "sources": [],
        "files": [{"path": f"results/kest/femur-left/replica.{kind}", "sha256": kind.encode()[:1].hex() * 32}
                  for kind in ("3mf", "glb", "ply", "stl")],
        "findings": [
            {"severity": "note", "code": "side", "message": "Reflected across x = 0: the right femur now stands for the left.",
             "value": None, "limit": None, "unit": ""},
            {"severity": "review", "code": "fill-span", "message": "One fill on the shaft spans 52.4 mm, more than a tenth of the bone's length; "
             "look at it and decide whether that hole is anatomy.", "value": 12.7, "limit": 10.0, "unit": "%"},
        ],
        "facts": {
            "volume_mm3": 1182345.25, "area_mm2": 74021.5, "extents_mm": [110.2, 76.4, 412.0], "centre_of_mass_mm": [129.4, -40.1, 251.9],
            "n_vertices": 182000, "n_faces": 363996, "n_pieces_after": 1, "n_pieces_before": 1, "n_rims_closed": 1, "n_rims_closed_by_name": 1,
            "widest_closed_rim_mm": 52.4, "n_open_rims": 0, "n_pins": 0,
        },
    }
    return {"clean/kest-07": clean, "rebuild": rebuild}


def invented_sheet(**changes: Any) -> dict[str, Any]:
    """The sheet of the invented femur."""
    return make_sheet(invented_job(**changes), invented_records())


def invented_batch() -> dict[str, Any]:
    """An index over one small skeleton with every status."""
    finding = {"severity": "review", "code": "fill-span", "message": "One fill spans 52.4 mm.", "value": 12.7, "limit": 10.0, "unit": "%"}
    failed = {"severity": "failed", "code": "source-unusable", "message": "kest/scapula-right was not built: find kest-11: the file ends early.",
              "value": None, "limit": None, "unit": ""}
    left_out = finding | {"severity": "note", "code": "left-out", "message": "Left out by N. Example: nothing is known of it."}
    places = [
        ("skull", "OWN", "ready", [], 4120000.0, 5.109),
        ("caudal-01", "OWN", "ready", [finding | {"severity": "note"}], 210400.5, 0.261),
        ("caudal-02", "NONE", "gap", [left_out], None, None),
        ("scapula-left", "DON", "review", [finding, finding | {"code": "factor"}], 905100.0, 1.122),
        ("scapula-right", "OWN", "failed", [failed], None, None), ("femur-left", "OWN-R", "review", [finding], 1182345.25, 1.466108),
        ("femur-right", "OWN", "ready", [], 1179001.0, 1.462),
    ]
    rows = [
        {"target": "kest", "element": slug, "class": code, "status": status, "findings": found, "volume_mm3": volume, "mass_kg": mass,
         "report": "" if status == "gap" else f"kest/{slug}/report.html"}
        for slug, code, status, found, volume, mass in places
    ]
    share = {
        "n_elements": 7, "n_own_bone": 4, "own_bone_percent": 57.1, "n_own_animal": 5, "own_animal_percent": 71.4,
        "n_filled": 6, "filled_percent": 85.7,
    }
    completeness = {
        "by_count": {"basis": "by count of elements, left and right counted apart"} | share,
        "sides_pooled": share | {
            "basis": "by count of elements, left and right counted once",
            "n_elements": 5, "n_own_bone": 4, "own_bone_percent": 80.0,
            "n_own_animal": 4, "own_animal_percent": 80.0, "n_filled": 4, "filled_percent": 80.0,
        },
        "series": {"caudal": {"basis": "", "n_positions": 2, "n_present": 1, "missing": "2"}},
    }
    return {
        "title": "Quarry at Kest",
        "targets": [{"name": "kest", "words": "The individual kest at its own size.", "rows": rows, "completeness": completeness}],
        "findings": [{"severity": "review", "code": "two-scientific-names", "value": None, "limit": None, "unit": "",
                      "message": "bones.csv rows 4 and 9: individual kest has two scientific names."}],
        "next_steps": [
            {"action": "decide", "message": "decide whether the hole in the shaft is anatomy: 1 element is ready", "elements": ["femur-left"]},
            {"action": "rescan", "message": "scan kest-11 again: 1 element can be built", "elements": ["scapula-right"]},
        ],
        "min_individuals": 2,
    }
