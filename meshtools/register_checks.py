"""What a person should look at when the tables of a batch are read together. Contradictions are findings, not errors.

Messages name finds, never row numbers: findings are part of what is compared before work is done again, and reordering a table is no change.
`place_of` gives the rows for showing.
"""

from __future__ import annotations

import difflib
import os
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from meshtools.model import Element, EvidenceClass, Find, Finding, Measurement, Register, Severity, Side
from meshtools.register_cells import nearest
from meshtools.register_finds import UNASSOCIATED, is_whole, primary_finds

# repeated measurements of one bone that differ by more than this share ask for review: a default proposed here, no source
LARGEST_MEASUREMENT_SPREAD = 0.02
MOST_PATHS_COMPARED = 20_000
SCAN_TWICE = "scan-twice"
SAME_TO_THE_EYE = (
    "A file of that name is there, but one of the two writes letters with marks (such as umlauts) as two signs: take the cell from the row that "
    "`bonewright intake` drafts for it, or type the name of the file anew."
)


def check_register(batch: Path, register: Register) -> tuple[Finding, ...]:
    """All findings about a register, in an order that does not depend on the order of rows."""
    return (
        *_empty_batch(register),
        *_missing_files(batch, register),
        *_scans_used_twice(register.finds),
        *_repeated_elements(register),
        *_unknown_sides(register.finds),
        *_similar_individuals(register),
        *_individuals_without_find(register),
        *_disagreeing_measurements(register.measurements),
        *_similar_measurement_types(register.measurements),
    )


def minimum_individuals(finds: Iterable[Find], elements: Iterable[Element]) -> int:
    """The minimum number of individuals (MNI) that the whole finds can come from.

    The most frequent element decides: of a median one the count, of a paired one the larger side, and half of left, right and
    unsided together, rounded up. Taxa named in scientificName are counted apart and added; a find without a name could be of any, so
    it counts only where all taxa are pooled. Never fewer than the individuals that organismID tells apart. Incomplete bones are left
    out, since two pieces may be of one bone. The count per element and side is common practice (its usual source, T. E. White 1953,
    is from memory); the rest is arithmetic.
    """
    finds = primary_finds(finds)
    whole = [find for find in finds if is_whole(find)]
    medians = {element.name for element in elements if element.side is Side.MEDIAN}
    by_taxon: dict[str, list[Find]] = defaultdict(list)
    for find in whole:
        by_taxon[" ".join(find.scientific_name.casefold().split())].append(find)
    named = sum(_largest_count(group, medians) for taxon, group in by_taxon.items() if taxon)
    told_apart = len({find.organism_id for find in finds} - {UNASSOCIATED})
    return max(named, _largest_count(whole, medians), told_apart)


def place_of(finding: Finding, register: Register) -> str:
    """Where the finds that a finding's value names stand, as `config/bones.csv rows 3 and 7`; empty where it names none."""
    rows = {find.find: find.row for find in register.finds}
    named = [rows[name] for name in re.split(r",\s*", str(finding.value or "")) if name in rows]
    if not named:
        return ""
    return f"config/bones.csv row{'s' if len(named) > 1 else ''} {' and '.join(str(row) for row in sorted(named))}"


def _largest_count(finds: Sequence[Find], medians: set[str]) -> int:
    counts = Counter((find.element, find.side) for find in finds)
    largest = 0
    for name in {find.element for find in finds}:
        left, right = counts[name, Side.LEFT], counts[name, Side.RIGHT]
        all_sides = sum(count for (element, _), count in counts.items() if element == name)
        largest = max(largest, all_sides if name in medians else max(left, right, -(-all_sides // 2)))
    return largest


def _finding(code: str, message: str, finds: Sequence[str] = (), severity: Severity = Severity.REVIEW) -> Finding:
    return Finding(severity, code, message, ", ".join(finds) or None)


def _empty_batch(register: Register) -> list[Finding]:
    findings = []
    if not register.targets:
        findings.append(_finding("no-target", "config/config.yaml names no target, so nothing is planned; name one under 'targets'."))
    if not register.finds:
        findings.append(_finding("no-finds", "config/bones.csv has no finds yet; add a row for each scan."))
    return findings


def _missing_files(batch: Path, register: Register) -> list[Finding]:
    wanted = [("scan-missing", f"config/bones.csv, find {f.find}: the scan", f.scan, f.find) for f in register.finds]
    prefix = f"{EvidenceClass.SCU}: "
    for decision in register.decisions:
        if decision.kind == "class" and decision.value.startswith(prefix):
            place = f"config/decisions.csv, class of {decision.element}: the file made by hand"
            wanted.append(("model-missing", place, decision.value.removeprefix(prefix), ""))
    missing = [item for item in wanted if not (batch / item[2]).is_file()]
    taken = {f.scan for f in register.finds}
    present = [path for path in _files_below(batch, "scans") if path not in taken] if missing else []  # a scan of another row is not meant
    by_name = {_alike(path.rsplit("/", 1)[-1]): path for path in reversed(present)}
    findings = []
    for number, (code, place, path, find) in enumerate(missing):
        # the same name in another folder or other case, else the most similar path, which is slow and so not for many
        near = by_name.get(_alike(path.rsplit("/", 1)[-1]), "") or (nearest(path, present) if number * len(present) < MOST_PATHS_COMPARED else "")
        hint = f" Did you mean '{near}'?" if near else ""
        if near not in ("", path) and unicodedata.normalize("NFC", near) == unicodedata.normalize("NFC", path):  # nobody can see the difference
            hint = " " + SAME_TO_THE_EYE
        findings.append(_finding(code, f"{place} {path} is not there; put the file there or correct the name.{hint}", [find] if find else []))
    return findings


def _alike(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _files_below(batch: Path, folder: str) -> list[str]:
    found = []
    for place, _, names in os.walk(batch / folder):
        found += [(Path(place) / name).relative_to(batch).as_posix() for name in names if not name.startswith(".")]
    return sorted(found)


def have_own_pieces(finds: Sequence[Find]) -> bool:
    """True where each find names pieces of a scan that no other of them names: bones that one file holds."""
    pieces = [piece for find in finds for piece in find.pieces]
    return len(finds) < 2 or (len(set(pieces)) == len(pieces) and all(find.pieces for find in finds))


def _scans_used_twice(finds: Sequence[Find]) -> list[Finding]:
    by_scan: dict[str, list[Find]] = defaultdict(list)
    for find in finds:
        by_scan[find.scan].append(find)
    findings = []
    for scan, users in sorted(by_scan.items()):
        if not have_own_pieces(users):
            names = [find.find for find in users]
            findings.append(_finding(
                SCAN_TWICE, f"config/bones.csv, finds {', '.join(names)}: they use one scan, {scan}; if it holds several bones, give each "
                "find its own piece numbers in the column pieces. If not, name the scan of each, or delete the row that is wrong. If one cast is "
                "meant to stand for all, sign their pages: this belongs to what is signed.", names))
    return findings


def _repeated_elements(register: Register) -> list[Finding]:
    """Whole finds of one individual that cannot both be what they are said to be. An unassociated find is nobody's."""
    serial = {element.name: element for element in register.elements if element.series and element.position is not None}
    groups: dict[tuple[str, str, Side], list[str]] = defaultdict(list)
    for find in primary_finds(register.finds):
        if find.organism_id != UNASSOCIATED and find.side is not Side.UNKNOWN and is_whole(find):
            groups[find.organism_id, find.element, find.side].append(find.find)
    findings = []
    for (organism, name, side), finds in sorted(groups.items()):
        if len(finds) < 2:
            continue
        bone = name if side is Side.MEDIAN else f"{side.value} {name}"
        place = f"config/bones.csv, finds {', '.join(finds)}: "
        if name in serial:
            element = serial[name]
            position = f"position {element.position} of its {element.series} series ({bone})"
            message = f"{place}{organism} cannot have {position} {len(finds)} times; check which it is."
            findings.append(_finding("duplicate-position", message, finds))
        else:
            message = f"{place}{organism} cannot have {len(finds)} whole finds of the {bone}; check side and organismID, or state the portions."
            findings.append(_finding("duplicate-element", message, finds, Severity.FAILED))
    return findings


def _unknown_sides(finds: Sequence[Find]) -> list[Finding]:
    return [
        _finding("side-unknown", f"config/bones.csv, find {find.find}: the side of this {find.element} is unknown, so it fills no place "
                 "before a person decides.", [find.find])
        for find in finds if find.side is Side.UNKNOWN
    ]


def _individuals(register: Register) -> set[str]:
    return {find.organism_id for find in register.finds} - {UNASSOCIATED}


def _similar_individuals(register: Register) -> list[Finding]:
    spellings: dict[str, set[str]] = defaultdict(set)
    for organism in _individuals(register) | {m.organism_id for m in register.measurements}:
        spellings[re.sub(r"[\s_-]+", "-", organism.casefold())].add(organism)
    return [
        _finding("similar-individuals", f"The individuals {' and '.join(repr(name) for name in sorted(names))} differ only in case, blanks or "
                 "hyphens; if they are one animal, write them alike.")
        for _, names in sorted(spellings.items()) if len(names) > 1
    ]


def _individuals_without_find(register: Register) -> list[Finding]:
    known = _individuals(register)
    strangers = {m.organism_id for m in register.measurements} - known - {UNASSOCIATED} - {target.individual for target in register.targets}
    findings = []
    for organism in sorted(strangers):
        near = nearest(organism, known)
        hint = f" Did you mean '{near}'?" if near else ""
        message = f"config/measurements.csv measures {organism}, which no row of config/bones.csv names.{hint}"
        findings.append(_finding("individual-without-find", message))
    return findings


def _disagreeing_measurements(measurements: Sequence[Measurement]) -> list[Finding]:
    groups: dict[tuple[str, str, str, str], list[Measurement]] = defaultdict(list)
    for m in measurements:
        whose = m.find if m.organism_id == UNASSOCIATED else m.organism_id
        groups[whose, m.element, m.side.value, m.measurement_type.casefold()].append(m)
    findings = []
    for (whose, element, side, kind), rows in sorted(groups.items()):
        low, high = min(row.value_mm for row in rows), max(row.value_mm for row in rows)
        if high > low * (1 + LARGEST_MEASUREMENT_SPREAD):
            bone = f"{whose}'s {element} ({side})"
            message = f"config/measurements.csv: {kind} of {bone} is given as {low:g} mm and as {high:g} mm; check value and unit."
            spread = round(high / low - 1, 6)
            findings.append(Finding(Severity.REVIEW, "measurements-disagree", message, spread, LARGEST_MEASUREMENT_SPREAD, "share"))
    return findings


def _similar_measurement_types(measurements: Sequence[Measurement]) -> list[Finding]:
    """A type that stands once and is nearly another is perhaps a slip: lengths are compared only between equal types."""
    counts: Mapping[str, int] = Counter(m.measurement_type for m in measurements)
    findings = []
    for kind in sorted(kind for kind, count in counts.items() if count == 1):
        near = difflib.get_close_matches(kind, sorted(set(counts) - {kind}), n=1, cutoff=0.9)
        if near:
            message = f"config/measurements.csv: measurementType '{kind}' stands once and is nearly '{near[0]}'; only equal types are compared."
            findings.append(_finding("similar-measurement-type", message, severity=Severity.NOTE))
    return findings
