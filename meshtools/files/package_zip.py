"""All files of a route in one archive for the workshop that makes the part: with a list of checksums and a text to read first."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping

FIXED_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest date that a zip can state
CHECKSUMS = "checksums.sha256"
READ_ME = "read-me.txt"


def encode_package(contents: Mapping[str, bytes], read_me: str) -> bytes:
    """A zip of the files, their SHA-256 list (one `hash  name` a line, as checking tools read it) and the text. Entries by name, all of one
    date: equal files give equal bytes."""
    checksums = "".join(f"{hashlib.sha256(contents[name]).hexdigest()}  {name}\n" for name in sorted(contents))
    every = dict(contents) | {CHECKSUMS: checksums.encode(), READ_ME: read_me.encode()}
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as package:
        for name in sorted(every):
            entry = zipfile.ZipInfo(name, FIXED_DATE)
            entry.compress_type, entry.create_system, entry.external_attr = zipfile.ZIP_DEFLATED, 3, 0o644 << 16
            package.writestr(entry, every[name], compresslevel=6)
    return target.getvalue()
