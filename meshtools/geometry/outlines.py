"""Plane outlines of a solid: what of it lies between two heights, seen from above, and its section at a height. Areas of shapely, in mm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from meshtools.errors import GeometryError
from meshtools.geometry.unite import kernel_solid
from meshtools.model import FloatArray, Mesh

if TYPE_CHECKING:
    import manifold3d
    from shapely.geometry.base import BaseGeometry


def solid_of(mesh: Mesh) -> manifold3d.Manifold:
    """The mesh as a solid of the exact kernel. GeometryError where it bounds none."""
    solid = kernel_solid(mesh.replaced(colour=None), np.arange(len(mesh.faces)))
    if solid is None:
        raise GeometryError("the replica does not bound a solid, so it cannot be carved; repair it first")
    return solid


def silhouette_between(solid: manifold3d.Manifold, low_mm: float, high_mm: float) -> BaseGeometry:
    """Everything of the solid between two heights projected on the plane: the union of all its sections there."""
    between = solid.trim_by_plane((0.0, 0.0, 1.0), low_mm).trim_by_plane((0.0, 0.0, -1.0), -high_mm)
    return area_of(between.project().to_polygons()) if not between.is_empty() else area_of([])


def silhouette(solid: manifold3d.Manifold) -> BaseGeometry:
    """The whole solid projected on the plane z = 0."""
    return area_of(solid.project().to_polygons())


def section_at(solid: manifold3d.Manifold, height_mm: float) -> BaseGeometry:
    """The solid's section at a height."""
    return area_of(solid.slice(height_mm).to_polygons())


def area_of(contours: list[Any]) -> BaseGeometry:
    """The area within contours that run counter-clockwise around matter and clockwise around holes (positive winding)."""
    import manifold3d
    import shapely

    if not contours:
        return shapely.Polygon()
    clean = manifold3d.CrossSection(contours, manifold3d.FillRule.Positive).to_polygons()
    rings = [np.asarray(ring, dtype=np.float64) for ring in clean if len(ring) >= 3]
    rings.sort(key=lambda ring: -abs(signed_area(ring)))
    area: BaseGeometry = shapely.Polygon()
    for ring in rings:  # larger ones first, so that a hole is cut before an island is set into it
        piece = shapely.make_valid(shapely.Polygon(ring))
        area = area.union(piece) if signed_area(ring) > 0 else area.difference(piece)
    return polygonal(area)


def polygonal(area: BaseGeometry) -> BaseGeometry:
    """The polygons of a geometry without its lines and points."""
    import shapely

    return shapely.MultiPolygon(polygons_of(area)) if area.geom_type not in ("Polygon", "MultiPolygon") else area


def polygons_of(area: BaseGeometry) -> list[Any]:
    """The polygons of a geometry, largest first, then by their place."""
    import shapely

    parts = [part for part in shapely.get_parts(area) if part.geom_type == "Polygon" and part.area > 0.0]
    nested = [inner for part in shapely.get_parts(area) if part.geom_type == "MultiPolygon" for inner in part.geoms]
    return sorted([*parts, *nested], key=lambda part: (-round(part.area, 6), part.bounds))


def rings_of(area: BaseGeometry) -> tuple[FloatArray, ...]:
    """Every outer and inner ring of an area as a closed polyline (n, 2) without the repeated end."""
    rings = [ring for part in polygons_of(area) for ring in (part.exterior, *part.interiors)]
    return tuple(np.asarray(ring.coords, dtype=np.float64)[:-1, :2] for ring in rings)


def without_narrow_holes(area: BaseGeometry, width_mm: float) -> BaseGeometry:
    """The area with those holes filled that are narrower than this."""
    import shapely

    kept = [
        shapely.Polygon(part.exterior, [ring for ring in part.interiors if not shapely.Polygon(ring).buffer(-width_mm / 2.0).is_empty])
        for part in polygons_of(area)
    ]
    return shapely.union_all(kept) if kept else area


def signed_area(ring: FloatArray) -> float:
    """Area of a closed line (n, 2), above 0 where it runs counter-clockwise (shoelace formula)."""
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2.0)
