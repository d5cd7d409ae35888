"""Several printed parts in one 3MF (core specification 1.4.0): an object and a build item each, side by side in millimetres."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from meshtools.files.deliver_3mf import describe_model, mesh_object, paint, parts_of, uuid_of, written, zipped
from meshtools.files.deliver_frame import PartLabel, Recentred, finds_of, recentre
from meshtools.files.threemf_library import threemf_library
from meshtools.model import SourceEntry
from meshtools.model_ready import MadeSolid

_GAP_MM = 10.0  # between neighbours, so that no two items touch


def encode_parts_3mf(solids: Sequence[MadeSolid], sources: Sequence[SourceEntry], label: PartLabel) -> bytes:
    """3MF in mm, +z up: each solid is an object of its own, named and numbered `part_id-name`, standing on z = 0 in a row along x.

    Each evidence class that occurs is a base material, as in the 3MF of one part. UUIDs follow from label and names. The build items only
    move their objects; a solid is never turned or scaled. At least one solid is needed.
    """
    import lib3mf

    wrapper = threemf_library()
    model = wrapper.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.MilliMeter)
    left_mm = 0.0
    for solid in solids:
        part = recentre(solid.mesh)
        body = mesh_object(lib3mf, model, part)
        paint(lib3mf, wrapper, model, body, (solid.mesh, sources), part.face_rows)
        number = f"{label.part_id}-{solid.name}"
        body.SetName(number)
        body.SetPartNumber(number)
        body.SetUUID(uuid_of(label, f"object/{solid.name}"))
        item = model.AddBuildItem(body, _beside(wrapper, part, left_mm))
        item.SetPartNumber(number)
        item.SetUUID(uuid_of(label, f"item/{solid.name}"))
        left_mm += float(np.ptp(part.vertices[:, 0])) + _GAP_MM
    used = np.concatenate([solid.mesh.source for solid in solids])
    describe_model(model, label, ",".join(finds_of(used, sources)))
    return zipped(parts_of(written(model)))


def _beside(wrapper: Any, part: Recentred, left_mm: float) -> Any:
    """The move that sets a part down on z = 0 with its left side at `left_mm` and its front at y = 0."""
    x, y, z = (float(value) for value in -part.vertices.min(axis=0))
    return wrapper.GetTranslationTransform(left_mm + x, y, z)
