"""What intake says of one scan: a verdict, sizes, a picture, and what a build will ask of it, by the rules of the build itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from meshtools.comparisons import settled_by
from meshtools.counted import counted
from meshtools.errors import GeometryError, ScanError
from meshtools.files.atomic import write_atomic
from meshtools.jobs.report_sizes import agreeing_caliper
from meshtools.keys import sha256_of
from meshtools.model import MM_PER_UNIT, EvidenceClass, Find, Mesh, Recipe, Severity, Unit
from meshtools.size_checks import SizeCheck, SizedFind, find_words, size_checks, size_findings
from meshtools.visible import visible
from meshtools.workspace import Workspace

if TYPE_CHECKING:
    from meshtools.geometry.rims import Rim

MOST_RIMS = 5
MOST_PIECES = 20
LONGEST_FLAT_NAME = 200  # bytes; a folder holds names of 255, and the unfinished file has a longer one
MOST_MISSING_PERCENT = 15.0  # proposed default: above this share of open area a scan is not simply accepted
N_WIDEST = 2  # openings of a half shell, a part or a piece of shaft; where that share is missing beside them, or half of all, a scan is taken again


@dataclass(frozen=True)
class ScanVerdict:
    """What intake says of one scan. Lengths are None without a unit.

    verdict: `accept`; `re-scan`; `open` where much of the surface is missing in one or two places, as in a half shell; `another unit` where a caliper
    length or plain size shows that the stated one is wrong; `unit?` where it may be; `no unit` where none is stated. asks: what a build will ask or
    refuse of a scan that is fine in itself; they stand in `reasons` too.
    """

    scan: str
    find: str
    verdict: str
    reasons: tuple[str, ...]
    n_faces: int = 0
    n_pieces: int = 0
    missing_percent: float | None = None
    spacing_mm: float | None = None
    spacing_limit_mm: float | None = None  # the part tolerance, as in a build
    used_by: tuple[str, ...] = ()
    picture: str = ""
    greatest_length_mm: float | None = None  # of the bone
    greatest_length_scan_units: float = 0.0  # the same in the numbers of the file
    rims: tuple[tuple[float, float, float, float], ...] = ()  # of the widest holes: x, y, z as openings.csv wants them, and width in scan units
    asks: tuple[str, ...] = ()
    why_sure: str = ""  # the caliper length that bears its size out


@dataclass
class _Reasons:
    """Why a scan is not simply accepted, by what follows from it."""

    again: list[str] = field(default_factory=list)
    other_unit: list[str] = field(default_factory=list)
    unit_asked: list[str] = field(default_factory=list)
    wide_open: list[str] = field(default_factory=list)
    no_unit: list[str] = field(default_factory=list)
    asks: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    has_table: bool = False  # one surface with the bone, and nobody said yet whether it goes: its rims say nothing of the bone

    @property
    def verdict(self) -> str:
        """A wrong unit comes first: with it, nothing else that was measured holds."""
        graver = {"another unit": self.other_unit, "re-scan": self.again, "unit?": self.unit_asked}
        by_verdict = graver | {"open": self.wide_open, "no unit": self.no_unit}
        return next((verdict for verdict, reasons in by_verdict.items() if reasons), "accept")

    def all(self) -> tuple[str, ...]:
        """All of them, the gravest first."""
        return (*self.other_unit, *self.again, *self.unit_asked, *self.wide_open, *self.no_unit, *self.asks, *self.notes)


def look_at_scan(workspace: Workspace, scan: str, find: Find | None) -> ScanVerdict:
    """Read one scan and judge it: readable, unit known, coverage, lengths of the bone's own pieces, spacing, and rims that a build does not close."""
    from meshtools.files.read_scan import read_scan_of
    from meshtools.files.scan_parts import file_label
    from meshtools.geometry.weld import weld_scan
    from meshtools.stages.clean import surface_of_scan

    name, settings = find.find if find else "", workspace.register.settings.clean
    mm_per_unit = MM_PER_UNIT.get(find.unit if find else Unit.NONE)
    try:
        if not is_nameable(scan):
            raise ScanError(f"{file_label(Path(scan))} has a name that a table cannot hold: rename the file, in letters, digits and hyphens.")
        raw = read_scan_of(workspace.folder, scan, settings.most_faces)
        if find is None or mm_per_unit is None:
            return _judge(workspace, scan, find, weld_scan(raw.vertices, raw.faces, None).mesh, None)
        return _judge(workspace, scan, find, surface_of_scan(raw, mm_per_unit, find, settings)[0], mm_per_unit)
    except (ScanError, GeometryError) as error:
        return ScanVerdict(scan, name, "re-scan", (str(error),), used_by=_used_by(workspace, name))


def is_nameable(scan: str) -> bool:
    """True where a cell of bones.csv can hold the path: signs that can be seen, no blanks at its ends, no backslash."""
    return scan == visible(scan).strip() and "\\" not in scan


def picture_name(scan: str) -> str:
    """Name of a scan's picture in intake/: its path with hyphens, cut where that is too long for a file's name, with a hash that keeps it apart."""
    flat = Path(scan).as_posix().replace("/", "-")
    return f"{flat}.png" if len(flat.encode()) <= LONGEST_FLAT_NAME else f"{flat[: LONGEST_FLAT_NAME // 4]}-{sha256_of(scan)[:16]}.png"


def _judge(workspace: Workspace, scan: str, find: Find | None, mesh: Mesh, mm_per_unit: float | None) -> ScanVerdict:
    import numpy as np

    from meshtools.geometry.measure import measure, median_spacing
    from meshtools.geometry.pieces import piece_labels
    from meshtools.geometry.rims import find_rims

    name, rims, reasons = find.find if find else "", find_rims(mesh), _Reasons()
    missing_percent: float | None
    picture = f"intake/{picture_name(scan)}"
    write_atomic(workspace.folder / picture, _picture(mesh, rims, mm_per_unit is not None))
    about = ScanVerdict(scan, name, "", (), len(mesh.faces), len(np.unique(piece_labels(mesh))), used_by=_used_by(workspace, name),
                        picture=picture, rims=_widest_rims(rims, mm_per_unit))  # fmt: skip
    if find is None or mm_per_unit is None:
        length = measure(mesh.vertices, "greatest-length")
        missing_percent = _say_missing(reasons, mesh, rims, False)
        _say_without_unit(reasons, find, length)
        about = replace(about, greatest_length_scan_units=float(f"{length:.6g}"))
    else:
        bone, rows = _look_at_bone(workspace, find, mesh, mm_per_unit, reasons)
        has_further = bool(find.part_of) or any(other.part_of == name for other in workspace.register.finds)
        missing_percent = None if reasons.has_table else _say_missing(reasons, bone, find_rims(bone), has_further)
        length, spacing_mm = measure(bone.vertices, "greatest-length"), median_spacing(bone)
        _say_spacing(reasons, workspace, find, spacing_mm)
        about = replace(
            about, spacing_mm=round(spacing_mm, 4), spacing_limit_mm=workspace.register.settings.clean.part_tolerance_mm,
            greatest_length_mm=round(length, 3), greatest_length_scan_units=float(f"{length / mm_per_unit:.6g}"), why_sure=agreeing_caliper(rows),
        )  # fmt: skip
    return replace(about, missing_percent=missing_percent, verdict=reasons.verdict, reasons=reasons.all(), asks=tuple(reasons.asks))


def _say_missing(reasons: _Reasons, bone: Mesh, rims: tuple[Rim, ...], has_further: bool) -> float:
    """The share of the surface that the rims of a scan leave open, in percent; where it is much, one of the further scans of the bone has it, or may
    have it where most is missing at the widest openings and little beside them. What is missing here and there is scanned again."""
    from meshtools.geometry.pieces import mesh_areas
    from meshtools.geometry.rims import close_rims_listed

    closing = close_rims_listed(bone, rims, 1)
    areas = mesh_areas(closing.mesh)
    shares = sorted((100 * float(areas[start:end].sum() / max(areas.sum(), 1e-300)) for start, end in closing.face_ranges), reverse=True)
    missing_percent, beside_percent = round(sum(shares), 2), sum(shares[N_WIDEST:])
    if missing_percent <= MOST_MISSING_PERCENT:
        return missing_percent
    if has_further:
        reasons.notes.append(f"about {missing_percent:.0f} % of the surface is missing in this one of the bone's scans, which are put together")
    elif beside_percent > min(MOST_MISSING_PERCENT, 0.5 * missing_percent):
        reasons.again.append(f"about {missing_percent:.0f} % of the surface is missing in {len(shares)} places; the picture shows the rims in red")
    else:
        reasons.wide_open.append(
            f"about {missing_percent:.0f} % of the surface is missing, most of it in one or two places (the picture shows the rims in red), as of a "
            "half shell, a part of a bone, or a bone with the table it lay on; a further scan that has the rest is a row of its own with part_of. "
            "Scan again only if the bone should be whole in this one"
        )
    return missing_percent


def _look_at_bone(workspace: Workspace, find: Find, mesh: Mesh, mm_per_unit: float, reasons: _Reasons) -> tuple[Mesh, list[dict[str, Any]]]:
    """The pieces of a scan that are the bone, and its caliper lengths; what they say goes into the reasons."""
    from meshtools.geometry.measure import measure
    from meshtools.geometry.orient import turn_outward
    from meshtools.geometry.scale_check import check_lengths, likely_factor, likely_unit, size_problem, unit_question
    from meshtools.stages.clean import bone_pieces

    settings = workspace.register.settings.clean
    openings = tuple(opening for opening in workspace.register.openings if opening.find == find.find)
    bone, facts, pieces = bone_pieces(mesh, find, settings, openings, mm_per_unit)
    rows, findings = check_lengths(bone.vertices, find, "unit", settings)
    wrong = [row for row in rows if abs(row["difference_mm"]) > row["limit_mm"]]
    told = [finding.message for finding in findings if finding.severity is Severity.REVIEW]
    is_unit = any(likely_unit(row, find.unit) for row in wrong)
    may_be_unit = all(likely_factor(row) for row in wrong)
    (reasons.other_unit if is_unit else reasons.unit_asked if may_be_unit else reasons.again).extend(told)
    problem = size_problem(bone.vertices, settings.part_tolerance_mm)
    if problem and not is_unit:
        reasons.other_unit, reasons.again, reasons.unit_asked = [problem], [text for text in reasons.again if text not in told], []
    elif not told and (question := unit_question(measure(bone.vertices, "greatest-length"), rows)):
        reasons.unit_asked.append(question)
    reasons.asks += [finding.message for finding in pieces if finding.severity is Severity.REVIEW]
    reasons.has_table = any(finding.code == "support-fused" for finding in pieces)
    _say_pieces(reasons, find, [row for row in facts["pieces"] if row["outcome"] == "kept"], facts["n_pieces_kept"])
    if not problem and not is_unit and not reasons.has_table:
        _say_open_places(reasons, workspace, find, turn_outward(bone).mesh, mm_per_unit)
    return bone, rows


def _say_pieces(reasons: _Reasons, find: Find, kept: Sequence[Mapping[str, Any]], n_kept: int) -> None:
    """The numbers that bones.csv wants, where several pieces count as the bone and nobody named them: a build may find that they hang loose.

    kept: the largest of them; n_kept: how many there are.
    """
    if n_kept < 2 or find.pieces:
        return
    listed = ", ".join(f"{row['number']} ({row['share_percent']:.3g} %)" for row in kept[:MOST_PIECES])
    more = f" and {n_kept - shown} more" if (shown := min(len(kept), MOST_PIECES)) < n_kept else ""
    reasons.notes.append(f"pieces {listed}{more} count as the bone (area beside piece 1); where one is not of it, name its own (pieces in bones.csv)")


def _say_open_places(reasons: _Reasons, workspace: Workspace, find: Find, bone: Mesh, mm_per_unit: float) -> None:
    """What cleaning will ask about open ends, and rebuilding about rims too wide to close."""
    from meshtools.geometry.closing import choose_rims
    from meshtools.geometry.open_ends import find_open_ends, open_end_findings
    from meshtools.geometry.opening_place import ScanPlace, as_scanned
    from meshtools.geometry.rims import find_rims
    from meshtools.geometry.solid import rims_left_open

    settings, recipes = workspace.register.settings, [recipe for recipe in workspace.plan.recipes if find.find in recipe.finds]
    named = [row for row in workspace.register.openings if row.find == find.find and row.kind != "support"]
    choice = choose_rims(find_rims(bone), named, mm_per_unit, settings.clean.close_holes_up_to_mm)
    ends = find_open_ends(bone, choice.unnamed, 2.0 * settings.clean.part_tolerance_mm)
    # completed, or put together with other scans: whether these go on beyond the end is measured once it is rebuilt
    is_completed = bool(recipes) and all(recipe.evidence is EvidenceClass.OWN_C or len(recipe.finds) > 1 for recipe in recipes)
    (reasons.notes if is_completed else reasons.asks).extend(finding.message for finding in open_end_findings(find, ends))
    factor = _factor_alone(recipes)
    if factor is None:
        return
    limit_mm = settings.rebuild.close_rims_up_to_mm
    in_mm = [as_scanned(replace(row, x=row.x * mm_per_unit, y=row.y * mm_per_unit, z=row.z * mm_per_unit)) for row in named]
    wide = [rim for rim in rims_left_open(bone, choice.leave, limit_mm / factor, in_mm) if rim.kept_by is None]
    for rim in wide[:MOST_RIMS]:
        place = ScanPlace(find.find, rim.centre_mm, mm_per_unit)
        size = f"spans {rim.span_mm * factor:.1f} mm, more than {limit_mm:g} mm"
        reasons.asks.append(f"the open rim {place.near} {size}, and nobody named it. A build delivers nothing until {place.closing_row(rim.span_mm)}")
    if len(wide) > MOST_RIMS:
        reasons.asks.append(f"{counted(len(wide) - MOST_RIMS, 'more rim')} too wide to be closed unnamed")


def _factor_alone(recipes: Sequence[Recipe]) -> float | None:
    """The largest factor of the replicas made from a find alone (1 where none is made of it); None where each is completed or put together, which
    may close its rims."""
    alone = [r for r in recipes if len(r.finds) == 1 and not r.partner and not r.fraction and r.evidence is not EvidenceClass.OWN_C]
    return max((recipe.factor for recipe in alone), default=None if recipes else 1.0)


def _say_without_unit(reasons: _Reasons, find: Find | None, length: float) -> None:
    from meshtools.geometry.scale_check import units_that_fit

    if find is not None and (find.scale_points is not None or find.caliper is not None):
        reasons.notes.append("a build takes its size from the length in bones.csv; here neither size nor spacing was checked")
        return
    question = f"in which unit was it exported? {units_that_fit(length)}" if length > 0 else "in which unit was it exported?"
    reasons.no_unit.append(f"the unit is not stated, so neither size nor spacing was checked: {question}")


def _say_spacing(reasons: _Reasons, workspace: Workspace, find: Find, spacing_mm: float) -> None:
    from meshtools.stages.clean import spacing_findings

    reasons.notes += [finding.message for finding in spacing_findings(find, spacing_mm, workspace.register.settings.clean)]


def hold_sizes_together(workspace: Workspace, verdicts: Sequence[ScanVerdict]) -> list[ScanVerdict]:
    """The verdicts with what the lengths of finds that a build cleans say of each other's units. Whose own unit is wrong for sure stays out."""
    finds = {find.find: find for find in workspace.register.finds}
    known = [verdict for verdict in verdicts if verdict.find in finds and verdict.verdict != "another unit"]
    sized = {v.find: _sized(finds[v.find], v, v.greatest_length_mm) for v in known if v.greatest_length_mm}
    checks = size_checks(workspace.register, sized, workspace.worklist.jobs["clean"], in_one_unit=True)
    settled = {name for name, find in finds.items() if settled_by(find, workspace.register.decisions)}
    return [_held(verdict, checks, sized, verdict.find in settled) for verdict in verdicts]


def _sized(find: Find, verdict: ScanVerdict, length_mm: float) -> SizedFind:
    return SizedFind(find.find, find_words(find), find.element, find.unit, length_mm, verdict.why_sure)


def _held(verdict: ScanVerdict, checks: Mapping[str, SizeCheck], sized: Mapping[str, SizedFind], is_settled: bool) -> ScanVerdict:
    found = size_findings(checks[verdict.find], sized) if verdict.find in checks else ()
    told = tuple(finding.message for finding in found if finding.severity is Severity.REVIEW)
    if not told or is_settled:
        return verdict
    return replace(verdict, verdict="unit?" if verdict.verdict == "accept" else verdict.verdict, reasons=(*told, *verdict.reasons))


def _widest_rims(rims: Sequence[Rim], mm_per_unit: float | None) -> tuple[tuple[float, float, float, float], ...]:
    """Place and width of the widest holes in scan units."""
    scale = mm_per_unit or 1.0
    widest = sorted(rims, key=lambda rim: -rim.span_mm)[:MOST_RIMS]
    return tuple((*(round(float(x) / scale, 4) for x in rim.centre_mm), round(rim.span_mm / scale, 4)) for rim in widest)  # type: ignore[misc]


def _picture(mesh: Mesh, rims: Sequence[Rim], has_unit: bool) -> bytes:
    import numpy as np

    from meshtools.geometry.picture import encode_png, render_picture

    on_rim = np.zeros(len(mesh.vertices), dtype=bool)
    for rim in rims:
        on_rim[rim.vertices] = True
    is_red = np.any(on_rim[mesh.faces], axis=1)
    colours = np.array([[205, 200, 190], [213, 94, 0]], dtype=np.uint8)[is_red.astype(np.intp)]
    return encode_png(render_picture(mesh, colours, "oblique", (700, 500), scale_bar=has_unit))


def _used_by(workspace: Workspace, find: str) -> tuple[str, ...]:
    return tuple(f"{recipe.target}/{recipe.element}" for recipe in workspace.plan.recipes if find and find in recipe.finds)
