"""Turn rows of fixings.csv into value types, and find the elements that a row of bones goes through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from meshtools.model import Element, Side
from meshtools.model_fixings import ADHESIVE, BORE, DOWELS, FLAT, PLAIN, PRINT, ROW, SOCKET, Fixing
from meshtools.register_cells import Cells, number_of
from meshtools.register_rows import Known

KINDS, FITS, TURN_STOPS = (BORE, SOCKET, ROW), (PRINT, ADHESIVE), (PLAIN, FLAT, DOWELS)
ENDS: Mapping[str, tuple[float, float, float]] = {
    f"{sign}{axis}": tuple((1.0 if sign == "+" else -1.0) * (axis == other) for other in "xyz")  # type: ignore[misc]
    for axis in "xyz" for sign in "+-"
}  # fmt: skip
ONLY_FOR = {"last_element": (ROW,), "bend_radius_mm": (ROW,), "depth_mm": (BORE, SOCKET), "from": (BORE, SOCKET), "turn_stop": (SOCKET,)}


def fixing_from(cells: Cells, known: Known) -> Fixing | None:
    """One row of fixings.csv: a hole for a rod in one element, or for a tube through a row of them."""
    elements = {element.slug: element for element in known.skeleton.elements}
    target = cells.text("target")
    if target and known.targets is not None and target not in known.targets:
        cells.problem("target", "is not a target of config/config.yaml.", cells.nearest(target, known.targets))
    for column in ("element", "kind", "diameter_mm"):
        cells.filled(column)
    kind, fit = cells.choice("kind", KINDS), cells.choice("fit", FITS) or PRINT
    element = _element(cells, "element", elements, known)
    last = _element(cells, "last_element", elements, known) if kind == ROW else ""
    for column, kinds in ONLY_FOR.items():
        if kind and kind not in kinds and cells.text(column):
            cells.problem(column, f"is only for a {' or '.join(kinds)}; leave it empty.")
    if kind == ROW:
        _check_chain(cells, element, last, elements)
    diameter, wall = cells.positive("diameter_mm", 500.0), cells.positive("wall_mm")
    depth, bend = cells.positive("depth_mm"), cells.positive("bend_radius_mm")
    if bend is not None and diameter is not None and bend < diameter:
        cells.problem("bend_radius_mm", f"is below the tube's diameter of {diameter:g} mm; no tube is bent so tightly.")
    turn_stop = cells.choice("turn_stop", TURN_STOPS) or PLAIN
    point, towards = _begins(cells)
    if not cells.is_sound or diameter is None or element not in elements:
        return None
    return Fixing(cells.row, target, element, kind, diameter, fit, last, depth, point, towards, wall, bend, turn_stop)


def _element(cells: Cells, column: str, elements: Mapping[str, Element], known: Known) -> str:
    slug = cells.filled(column).casefold() if column in ("element",) else cells.text(column).casefold()
    if not slug and column == "last_element":
        cells.problem(column, "is empty; a row of bones needs its last element.")
    elif slug and slug not in elements and known.skeleton.judges(slug):
        cells.problem(column, "is not an element of config/skeleton.csv, with its side.", cells.nearest(slug, elements))
    return slug


def _check_chain(cells: Cells, first: str, last: str, elements: Mapping[str, Element]) -> None:
    if first in elements and last in elements and (first == last or not elements_between(first, last, tuple(elements.values()))):
        cells.problem("last_element", f"is not reached from {first} by bones of its side that join each other in config/skeleton.csv.")


def _begins(cells: Cells) -> tuple[tuple[float, float, float] | None, tuple[float, float, float] | None]:
    """The point, or the direction of the end, that a hole begins at; neither where the cell is empty."""
    text = cells.text("from")
    if not text or text in ENDS:
        return None, ENDS.get(text)
    if len(text.split()) != 3 or any(number_of(part)[0] is None for part in text.split()):
        cells.problem("from", f"is neither an end ({', '.join(ENDS)}) nor three numbers x y z separated by blanks.")
        return None, None
    x, y, z = (float(part) for part in text.split())
    return (x, y, z), None


def elements_between(first: str, last: str, elements: Sequence[Element]) -> tuple[str, ...]:
    """The fewest elements from first to last that join each other in turn, all of their side; empty where there is no such row."""
    known = {element.slug: element for element in elements}
    side: Side = known[first].side
    before: dict[str, str] = {first: ""}
    edge = [first]
    while edge and last not in before:
        reached = []
        for slug in edge:
            for other in sorted(known[slug].joins):
                if other in known and other not in before and known[other].side is side:
                    before[other] = slug
                    reached.append(other)
        edge = reached
    if last not in before:
        return ()
    path = [last]
    while path[-1] != first:
        path.append(before[path[-1]])
    return tuple(reversed(path))
