"""What a route made, but for sheet and archive, kept beside them: where only the status of the bone changes, these two are written anew from it."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meshtools.files.delivered_surface import DAMAGE
from meshtools.files.package_zip import FIXED_DATE
from meshtools.model import Finding, Severity, SourceEntry, plain
from meshtools.plain import from_plain

KEPT = ".drawn"
_FACTS = "drawn.json"


@dataclass(frozen=True, eq=False)
class Drawn:
    """The files (name -> bytes), facts, findings and pictures of a route, before its sheet says how the bone stands."""

    contents: Mapping[str, bytes]
    facts: Mapping[str, Any]
    findings: tuple[Finding, ...]
    sources: tuple[SourceEntry, ...]
    pictures: Mapping[str, Any]

    @property
    def is_made(self) -> bool:
        """Whether there is more than a sheet that says why not."""
        return not any(finding.severity is Severity.FAILED for finding in self.findings)


def encode_drawn(drawn: Drawn, made_key: str) -> bytes:
    """Facts, pictures, and the hashes of the files, which lie beside; the same bytes for the same input."""
    pictures = drawn.pictures
    row = {
        "made_key": made_key, "facts": drawn.facts, "findings": plain(drawn.findings), "sources": plain(drawn.sources),
        "drawing": pictures["drawing"], "titles": pictures["titles"],
        "sha256": {name: hashlib.sha256(content).hexdigest() for name, content in drawn.contents.items()},
    }  # fmt: skip
    held = {_FACTS: json.dumps(row, sort_keys=True, ensure_ascii=False, allow_nan=False).encode(), **pictures["files"]}
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as package:
        for name in sorted(held):
            package.writestr(zipfile.ZipInfo(name, FIXED_DATE), held[name])
    return target.getvalue()


def read_drawn(folder: Path, made_key: str) -> Drawn | None:
    """What a route made with this key, from its folder; None where it is not there whole and unaltered."""
    try:
        with zipfile.ZipFile(folder / KEPT) as package:
            held = {name: package.read(name) for name in package.namelist()}
        row = json.loads(held.pop(_FACTS))
        if row["made_key"] != made_key:
            return None
        contents = {name: (folder / name).read_bytes() for name in row["sha256"] if name == Path(name).name}
    except (*DAMAGE, FileNotFoundError, NotADirectoryError):
        return None
    if {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()} != row["sha256"]:
        return None
    findings = tuple(from_plain(Finding, one) for one in row["findings"])
    sources = tuple(from_plain(SourceEntry, one) for one in row["sources"])
    return Drawn(contents, row["facts"], findings, sources, {"drawing": row["drawing"], "titles": row["titles"], "files": held})
