"""Write a file wholly or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from pathlib import Path


def write_atomic(path: Path, content: bytes) -> str:
    """Write `content` to `path` and return its SHA-256 as 64 hexadecimal digits.

    The bytes go to a file of another name in the same folder, are forced to disk and only then take the name `path`, so a reader
    sees the old file or the new one, never half of one. Missing parent folders are made. OSError when the disk refuses.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor, unfinished = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(unfinished, 0o666 & ~_permission_mask())
        os.replace(unfinished, path)
    except BaseException:
        # an interrupted write must leave no stray file either, hence every exception
        with contextlib.suppress(FileNotFoundError):
            os.unlink(unfinished)
        raise
    _force_folder_to_disk(path.parent)
    return hashlib.sha256(content).hexdigest()


def _permission_mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _force_folder_to_disk(folder: Path) -> None:
    if not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
