"""Write a file wholly or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
from collections.abc import Iterable, Mapping
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
    written = replace_all(contents)
    for folder in _folders_of(contents):
        _force_folder_to_disk(folder)
    return written


def replace_all(contents: Mapping[Path, bytes]) -> dict[Path, str]:
    """The same, but that the files have their new names is sure to outlast a power cut only after a later write to their folders: for what a record
    in the same folder vouches for, which is written next."""
    for folder in _folders_of(contents):
        folder.mkdir(parents=True, exist_ok=True)
    paths = list(contents)
    for start in range(0, len(paths), MOST_OPEN_FILES):
        _replace_together({path: contents[path] for path in paths[start : start + MOST_OPEN_FILES]})
    return {path: hashlib.sha256(content).hexdigest() for path, content in contents.items()}


def _folders_of(paths: Iterable[Path]) -> list[Path]:
    return list(dict.fromkeys(path.parent for path in paths))


def _replace_together(contents: Mapping[Path, bytes]) -> None:
    """Bring all bytes to disk under other names, then give all files their names."""
    unfinished: dict[Path, str] = {}
    try:
        with contextlib.ExitStack() as stack:
            streams = []
            for path, content in contents.items():
                name = f"{path.parent}/.{path.name}.{secrets.token_hex(8)}.part"
                streams.append(stack.enter_context(open(name, "xb")))
                unfinished[path] = name
                streams[-1].write(content)
                streams[-1].flush()
            for stream in streams:
                os.fsync(stream.fileno())
        for path, name in unfinished.items():
            os.replace(name, path)
    except BaseException:
        # an interrupted write must leave no stray file either, hence every exception
        for name in unfinished.values():
            with contextlib.suppress(FileNotFoundError):
                os.unlink(name)
        raise


def _force_folder_to_disk(folder: Path) -> None:
    if not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
