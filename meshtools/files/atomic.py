"""Write a file wholly or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

MOST_OPEN_FILES = 64


def write_atomic(path: Path, content: bytes) -> str:
    """Write `content` to `path` and return its SHA-256 as 64 hexadecimal digits.

    The bytes go to a file of another name in the same folder, are forced to disk and only then take the name `path`, so a reader
    sees the old file or the new one, never half of one. Missing parent folders are made. OSError when the disk refuses.
    """
    return write_all_atomic({path: content})[path]


def write_all_atomic(contents: Mapping[Path, bytes]) -> dict[Path, str]:
    """Write several files, each as `write_atomic` does; returns their SHA-256 by path. Together they wait for the disk little longer than one.

    When it returns, all of them are on disk under their names. Where the disk refuses, some may be new and the others as they were.
    """
    paths = list(contents)
    for start in range(0, len(paths), MOST_OPEN_FILES):
        some = paths[start : start + MOST_OPEN_FILES]
        _replace_together({path: contents[path] for path in some})
    for folder in dict.fromkeys(path.parent for path in paths):
        _force_folder_to_disk(folder)
    return {path: hashlib.sha256(content).hexdigest() for path, content in contents.items()}


def _replace_together(contents: Mapping[Path, bytes]) -> None:
    """Bring all bytes to disk under other names, then give all files their names."""
    unfinished: dict[Path, str] = {}
    try:
        with contextlib.ExitStack() as stack:
            streams = []
            for path, content in contents.items():
                path.parent.mkdir(parents=True, exist_ok=True)
                descriptor, unfinished[path] = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
                streams.append(stack.enter_context(os.fdopen(descriptor, "wb")))
                streams[-1].write(content)
                streams[-1].flush()
            mode = 0o666 & ~_permission_mask()
            for stream in streams:
                os.fsync(stream.fileno())
                os.fchmod(stream.fileno(), mode)
        for path, name in unfinished.items():
            os.replace(name, path)
    except BaseException:
        # an interrupted write must leave no stray file either, hence every exception
        for name in unfinished.values():
            with contextlib.suppress(FileNotFoundError):
                os.unlink(name)
        raise


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
