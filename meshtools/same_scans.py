"""Scans that are one file, be it under one name or, byte for byte, under two: one of the bones that they are said to be was not scanned."""

from __future__ import annotations

import dataclasses
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

from meshtools.keys import UNREADABLE, ContentHashes
from meshtools.model import Find, Finding, Recipe, Register, Severity, Side
from meshtools.register_checks import SCAN_TWICE, have_own_pieces

SCAN_COPIED = "scan-copied"


def copied_scans(batch: Path, hashes: ContentHashes, scans: Iterable[str]) -> dict[str, str]:
    """Scan -> hash of its bytes, for the scans (paths below `batch`) of which another one has the same bytes. Only files of one size are read, and
    those that `hashes` knows are not read again; empty ones and those that nobody can read are left out."""
    by_size: dict[int, list[str]] = defaultdict(list)
    for scan in sorted(set(scans)):
        with suppress(OSError):
            by_size[(batch / scan).stat().st_size].append(scan)
    found = {scan: hashes.of(scan) for size, alike in by_size.items() if size and len(alike) > 1 for scan in alike}
    digests = {scan: digest for scan, digest in found.items() if digest not in (None, UNREADABLE)}
    n_files = Counter(digests.values())
    return {scan: digest for scan, digest in digests.items() if digest is not None and n_files[digest] > 1}


def with_copied_scans(register: Register, batch: Path, hashes: ContentHashes) -> Register:
    """The register with a finding for each scan that several finds have under several names."""
    digests = copied_scans(batch, hashes, (find.scan for find in register.finds))
    groups: dict[str, list[Find]] = defaultdict(list)
    for find in register.finds:
        if find.scan in digests:
            groups[digests[find.scan]].append(find)
    found = sorted((_finding(group) for group in groups.values() if not have_own_pieces(group)), key=lambda finding: finding.message)
    return dataclasses.replace(register, findings=(*register.findings, *found))


def with_shared_scans(recipe: Recipe, findings: Iterable[Finding]) -> Recipe:
    """The recipe with the findings of the register about one file for two of the finds, where it is made from either."""
    mine = [finding for finding in findings if concerns(finding, recipe.finds)]
    return dataclasses.replace(recipe, findings=(*recipe.findings, *mine)) if mine else recipe


def concerns(finding: Finding, finds: Iterable[str]) -> bool:
    """True of a finding about one file for several finds, where one of these is among them."""
    return finding.code in (SCAN_TWICE, SCAN_COPIED) and not set(str(finding.value).split(", ")).isdisjoint(finds)


def named_bone(find: Find) -> str:
    """`right humerus`, `skull`."""
    return f"{find.side.value} {find.element}" if find.side in (Side.LEFT, Side.RIGHT) else find.element


def _finding(finds: Sequence[Find]) -> Finding:
    listed = " and ".join(f"{find.find} ({named_bone(find)}, {find.scan})" for find in finds)
    is_of_one_bone = len({find.part_of or find.find for find in finds}) == 1
    means = "one scan adds nothing to the other" if is_of_one_bone else "they show one bone"
    message = (
        f"config/bones.csv, finds {listed}: their files are the same, byte for byte, so {means}. Look which it is, and put the right file in "
        "the place of the other, or delete its row. A file that holds several bones has a row for each, with its own numbers in the column "
        "pieces. If one cast is meant to stand for both, sign their pages: this belongs to what is signed."
    )
    return Finding(Severity.REVIEW, SCAN_COPIED, message, ", ".join(find.find for find in finds))
