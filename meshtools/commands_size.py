"""The command that measures the size of one individual against another on scans."""

from __future__ import annotations

import argparse
import difflib
import math
from collections.abc import Iterable, Sequence
from typing import Any

from meshtools.answer import DONE, PERSON_NEEDED, Answer
from meshtools.cleaned_find import CleanedFind, try_cleaned_find
from meshtools.counted import counted
from meshtools.errors import UsageError
from meshtools.factor import GREATEST_LENGTH, LengthRatio, RatioFactor, individual_of, ratio_factor
from meshtools.files.tables import csv_row
from meshtools.model import Severity, Target, plain
from meshtools.plan_candidates import DONOR_CLASSES, PlanTables, arrange_tables, factor_for
from meshtools.register_cells import DECISIONS
from meshtools.scale_statistics import PooledFactor, allometric_factor
from meshtools.size_findings import size_findings
from meshtools.size_pairs import BonePair, pairs_between
from meshtools.sizing import MIN_BONES, BoneRatio, LengthSlope, SizeEstimate, at_size, length_slopes, measure_pair, pool_ratios
from meshtools.table_lines import aligned
from meshtools.workspace import Workspace, open_workspace

LISTED_SLOPES = 20


def size(options: argparse.Namespace) -> Answer:
    """`bonewright size`: the factor that brings a donor's bones to a target, from scans of the bones that both individuals have."""
    workspace = open_workspace(options.batch)
    target = _target(workspace, options.target)
    _check_individual(workspace, target, options.individual)
    tables = arrange_tables(workspace.register)
    pairs, left_out = pairs_between(workspace.register.finds, target.individual, options.individual)
    bones, unusable, unchecked = _measured(workspace, pairs)
    estimate = pool_ratios(bones, workspace.register.elements)
    lengths = tables.ratios(target, options.individual)
    decisions = _decision_rows(workspace, tables, target, options.individual, estimate)
    slopes = length_slopes(tables.lengths)
    findings = size_findings(estimate, _greatest_lengths(estimate, lengths, tables))
    facts = _size_facts(target, options.individual, estimate, lengths, tables) | {
        "left_out": [*left_out, *unusable], "scale_unchecked": unchecked, "decisions": decisions, "slopes": [_slope_row(slope) for slope in slopes],
        "findings": plain(findings),
    }
    lines = [*_bone_lines(facts["bones"], estimate), *(f"left out: {why}" for why in facts["left_out"]), *_factor_lines(target, estimate, lengths)]
    lines += [f"{finding.severity.value}: {finding.message}" for finding in findings]
    if unchecked:
        lines.append(f"No caliper length checks the scale of {', '.join(unchecked)}: a scan of wrong scale gives a wrong factor.")
    if decisions:
        lines += ["To use it, copy these rows into config/decisions.csv, with who decides and the date:", ",".join(DECISIONS.columns), *decisions]
    lines += _slope_lines(slopes)
    is_done = estimate.is_founded and all(finding.severity is Severity.NOTE for finding in findings)
    return Answer(tuple(lines), facts, DONE if is_done else PERSON_NEEDED)


def _target(workspace: Workspace, name: str) -> Target:
    named = {target.name: target for target in workspace.register.targets}
    if name not in named:
        raise UsageError(f"'{name}' is not a target of config/config.yaml.{_nearest(name, named)}")
    return named[name]


def _check_individual(workspace: Workspace, target: Target, individual: str) -> None:
    known = {individual_of(find) for find in workspace.register.finds}
    if individual not in known:
        raise UsageError(f"'{individual}' is no individual (organismID) with a find in config/bones.csv.{_nearest(individual, known)}")
    if individual == target.individual:
        raise UsageError(f"'{individual}' is the individual of target {target.name} itself; name the animal whose bones are to be scaled.")


def _nearest(text: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(text, sorted(known), 1)
    return f" Did you mean '{near[0]}'?" if near else ""


def _measured(workspace: Workspace, pairs: Sequence[BonePair]) -> tuple[list[BoneRatio], list[str], list[str]]:
    """A ratio for each pair, a sentence for each find that cannot be used, and the finds whose scale nothing checks."""
    surfaces: dict[str, CleanedFind | str] = {}
    bones: list[BoneRatio] = []
    unusable: dict[str, None] = {}
    unchecked: set[str] = set()
    element = ""
    for pair in pairs:
        if pair.element != element:
            element = pair.element
            surfaces.clear()  # one element's scans at a time in memory
        for find in (pair.target, pair.donor):
            if find.find not in surfaces:
                surfaces[find.find] = try_cleaned_find(workspace, find)
        ours, theirs = surfaces[pair.target.find], surfaces[pair.donor.find]
        if isinstance(ours, str) or isinstance(theirs, str):
            unusable |= dict.fromkeys(why for why in (ours, theirs) if isinstance(why, str))
            continue
        bones.append(measure_pair(pair, ours.mesh, theirs.mesh, (*ours.size_doubts, *theirs.size_doubts)))
        if bones[-1].is_trusted:
            unchecked |= {find.find for find, surface in ((pair.target, ours), (pair.donor, theirs)) if not surface.is_checked}
    return bones, list(unusable), sorted(unchecked)


def _decision_rows(workspace: Workspace, tables: PlanTables, target: Target, individual: str, estimate: SizeEstimate) -> list[str]:
    """A row of decisions.csv for each find of the donor that the target waits for or uses; for all of them where it does neither."""
    groups = {element.name: element.group for element in workspace.register.elements}
    donors = [find for find in tables.finds.values() if individual_of(find) == individual and not find.part_of]
    wanted = _wanted(workspace, tables, target)
    rows = []
    for find in [find for find in donors if find.find in wanted] or donors:
        pooled, is_same_group = estimate.for_group(groups.get(find.element, ""))
        if pooled is not None:
            exponent = 1.0 if is_same_group else tables.exponents.get(groups.get(find.element, ""), 1.0)
            numbers = [allometric_factor(number, exponent) * target.size_factor for number in (pooled.factor, *pooled.interval)]
            reason = f"registration of {counted(pooled.n, 'bone')}" + (" without an offset of the surfaces" if estimate.is_offset_out else "")
            reason += f" with allometric exponent {exponent:g}" if exponent != 1.0 else ""
            reason += "" if pooled.n >= MIN_BONES else " with an assumed interval"
            value = " ".join(f"{number:.4f}" for number in numbers)
            cells = dict.fromkeys(DECISIONS.columns, "") | {
                "target": target.name, "find": find.find, "kind": "factor", "value": value, "reason": reason,
            }  # fmt: skip
            rows.append(csv_row([cells[column] for column in DECISIONS.columns]))
    return rows


def _wanted(workspace: Workspace, tables: PlanTables, target: Target) -> set[str]:
    """Finds of donors that the plan of this target scales, or would if it had a factor."""
    elements = {element.slug: element for element in workspace.register.elements}
    wanted: set[str] = set()
    for recipe in (recipe for recipe in workspace.plan.recipes if recipe.target == target.name):
        if recipe.evidence in DONOR_CLASSES:
            wanted |= set(recipe.finds[:1])
        for attempt in recipe.tried if recipe.status == "gap" else ():
            find = tables.finds.get(attempt.find)
            if find and attempt.evidence in DONOR_CLASSES and factor_for(tables, target, elements[recipe.element], find) is None:
                wanted.add(find.find)
    return wanted


def _measured_ratio(element: str, lengths: Sequence[LengthRatio], tables: PlanTables) -> float | None:
    """Target over donor length of an element in measurements.csv: the greatest length, else the geometric mean of what both have."""
    shared = [ratio for ratio in lengths if ratio.key[0] == tables.homologues.get(element, element)]
    greatest = [ratio for ratio in shared if ratio.key[1] == GREATEST_LENGTH]
    return ratio_factor([ratio.ratio for ratio in greatest or shared]).factor if shared else None


def _greatest_lengths(estimate: SizeEstimate, lengths: Sequence[LengthRatio], tables: PlanTables) -> dict[str, float]:
    """Target over donor greatest length of the measured elements that measurements.csv has it of."""
    greatest = [ratio for ratio in lengths if ratio.key[1] == GREATEST_LENGTH]
    ratios = {bone.element: _measured_ratio(bone.element, greatest, tables) for bone in estimate.bones}
    return {element: ratio for element, ratio in ratios.items() if ratio is not None}


def _size_facts(
    target: Target, individual: str, estimate: SizeEstimate, lengths: Sequence[LengthRatio], tables: PlanTables
) -> dict[str, Any]:
    measured = ratio_factor([ratio.ratio for ratio in lengths]) if lengths else None
    return {
        "target": target.name, "target_individual": target.individual, "individual": individual, "size_factor": target.size_factor,
        "bones": [_bone_row(bone, _measured_ratio(bone.element, lengths, tables)) for bone in estimate.bones],
        "groups": {group: _pooled_row(pooled, target) for group, pooled in estimate.groups.items()},
        "pooled": _pooled_row(estimate.pooled, target) if estimate.pooled else None,
        "measured": _measured_row(measured, target) if measured else None,
        "is_founded": estimate.is_founded, "is_offset_out": estimate.is_offset_out, "common_offset_mm": _finite(estimate.common_mm, 4),
    }  # fmt: skip


def _measured_row(measured: RatioFactor, target: Target) -> dict[str, Any]:
    ends = None if measured.interval is None else [round(end * target.size_factor, 6) for end in measured.interval]
    return {"factor": round(measured.factor * target.size_factor, 6), "interval": ends, "n": measured.n}


def _bone_row(bone: BoneRatio, measured: float | None) -> dict[str, Any]:
    return {
        "element": bone.element, "target_find": bone.target_find, "donor_find": bone.donor_find, "is_reflected": bone.is_reflected,
        "ratio": _finite(bone.ratio, 6), "residual_percent": _finite(bone.residual_percent, 4), "overlap_percent": round(bone.overlap_percent, 2),
        "is_trusted": bone.is_trusted, "reason": bone.reason, "measured_ratio": None if measured is None else round(measured, 6),
        "offset_ratio": _finite(bone.offset_ratio, 6), "offset_mm": _finite(bone.offset_mm, 4), "lengths_ratio": _finite(bone.lengths_ratio, 6),
        "is_offset_held": bone.is_held,
    }  # fmt: skip


def _finite(value: float, n_digits: int) -> float | None:
    return round(value, n_digits) if math.isfinite(value) else None


def _pooled_row(pooled: PooledFactor, target: Target) -> dict[str, Any]:
    sized = at_size(pooled, target.size_factor)
    return {
        "factor": round(sized.factor, 6), "interval": [round(end, 6) for end in sized.interval], "n": pooled.n,
        "ln_sd": None if pooled.ln_sd is None else round(pooled.ln_sd, 6), "departing": list(pooled.departing),
    }  # fmt: skip


def _slope_row(slope: LengthSlope) -> dict[str, Any]:
    row: dict[str, Any] = {"x": " ".join(slope.x), "y": " ".join(slope.y), "n": slope.sma.n, "r": round(slope.sma.r, 6), "isometry": slope.words}
    for name, line in (("sma", slope.sma), ("ols", slope.ols)):
        row |= {f"{name}_slope": round(line.slope, 6), f"{name}_interval": [round(end, 6) for end in line.interval]}
    return row


def _bone_lines(rows: Sequence[dict[str, Any]], estimate: SizeEstimate) -> list[str]:
    """The table of bones; with the offset and the ratio without it where it is taken out."""
    offset = ("offset mm", "without it") if estimate.is_offset_out else ()
    table: list[tuple[str, ...]] = [("element", "target's find", "donor's find", "ratio", *offset, "measured", "residual %", "trusted")]
    for row in rows:
        keys = ("ratio", "offset_ratio", "measured_ratio", "residual_percent")
        ratio, without, measured, residual = ("-" if row[key] is None else f"{row[key]:.4f}" for key in keys)
        donor = row["donor_find"] + (" (reflected)" if row["is_reflected"] else "")
        offset_mm = "-" if row["offset_mm"] is None else f"{row['offset_mm']:+.2f}"
        figures = (ratio, *((offset_mm, without) if offset else ()), measured, residual)
        table.append((row["element"], row["target_find"], donor, *figures, "yes" if row["is_trusted"] else f"no: {row['reason']}"))
    return aligned(table)


def _factor_lines(target: Target, estimate: SizeEstimate, lengths: Sequence[LengthRatio]) -> list[str]:
    lines = [_factor_line(f"factor for group {group}", pooled, target) for group, pooled in estimate.groups.items()]
    if estimate.pooled is None:
        lines.append("No bone can be trusted to tell the size: scan a bone that both individuals have, or measure one on both.")
    else:
        lines.append(_factor_line("factor, all bones pooled", estimate.pooled, target))
        if not estimate.is_founded:
            lines.append(f"That is fewer than {MIN_BONES}: how far the bones of one animal differ is then not seen, so the interval is assumed.")
    if lengths:
        found = ratio_factor([ratio.ratio for ratio in lengths])
        ends = [end * target.size_factor for end in found.interval or ()]
        interval = f"95 % {ends[0]:.4f} to {ends[1]:.4f}" if ends else "no interval"
        lines.append(f"factor from measurements.csv: {found.factor * target.size_factor:.4f}, {interval} ({counted(found.n, 'length')})")
    return lines


def _factor_line(name: str, pooled: PooledFactor, target: Target) -> str:
    sized = at_size(pooled, target.size_factor)
    line = f"{name}: {sized.factor:.4f}, 95 % {sized.interval[0]:.4f} to {sized.interval[1]:.4f} ({counted(pooled.n, 'bone')})"
    if target.size_factor != 1.0:
        line += f", {target.size_factor:g} times {target.individual} (stated size of the target)"
    return f"{line}; departing: {', '.join(pooled.departing)}: look at them before it is used" if pooled.departing else line


def _slope_lines(slopes: Sequence[LengthSlope]) -> list[str]:
    lines = []
    for slope in slopes[:LISTED_SLOPES]:
        axes = ", ".join(f"{name} {line.slope:.3f} ({line.interval[0]:.3f} to {line.interval[1]:.3f})"
                         for name, line in (("standardised major axis", slope.sma), ("least squares", slope.ols)))  # fmt: skip
        lines.append(f"slope of {' '.join(slope.y)} on {' '.join(slope.x)}: {axes}; {slope.words}")
    if len(slopes) > LISTED_SLOPES:
        lines.append(f"{len(slopes) - LISTED_SLOPES} more slopes with --json.")
    return lines

