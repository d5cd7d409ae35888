"""A batch of one find that becomes two small bones: the quickest build that runs every kind of job but a comparison of finds."""

from __future__ import annotations

from pathlib import Path

import numpy as np

BONES = """find,element,side,organismID,scientificName,lifeStage,preserved_percent,scan,unit,caliper_mm,caliper_of
a-femur-left,femur,left,ind-a,Fictotherium exemplum,adult,98,a-femur-left.stl,mm,,
"""
SKELETON = """element,pairing,series,position,region,group,uberon,homologue_key,joins
femur,paired,,,hindlimb,hindlimb,UBERON:0000981,,
"""
CONFIG = "targets:\n  mount:\n    individual: ind-a\nclean:\n  part_tolerance_mm: 0.4\n"


def make_tiny_batch(folder: Path) -> Path:
    """Write the batch into `folder` and return it."""
    import trimesh

    (folder / "config").mkdir(parents=True)
    (folder / "scans").mkdir()
    sphere = trimesh.creation.icosphere(subdivisions=2)
    vertices = np.asarray(sphere.vertices) * (11.0, 14.0, 40.0)
    vertices[:, 0] += 0.004 * vertices[:, 2] ** 2
    trimesh.Trimesh(vertices, sphere.faces, process=False).export(folder / "scans" / "a-femur-left.stl")
    for name, text in (("bones", BONES), ("skeleton", SKELETON)):
        (folder / "config" / f"{name}.csv").write_text(text, encoding="utf-8")
    (folder / "config" / "config.yaml").write_text(CONFIG, encoding="utf-8")
    return folder
