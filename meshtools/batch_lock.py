"""One build at a time in a batch: a lock on the folder `config/`, which the kernel releases when its holder ends, however it ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from meshtools.errors import BatchBusyError, UsageError


def lock_batch(batch: Path) -> int:
    """Take the lock and return the open descriptor that holds it. Writes nothing.

    BatchBusyError where another build holds it, UsageError where there is no batch.
    """
    if not (batch / "config").is_dir():
        raise UsageError(f"{batch}: this is no batch (there is no config/ folder). `bonewright new DIR` makes one.")
    descriptor = os.open(batch / "config", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise BatchBusyError(f"{batch}: another build is at work in this batch. Wait until it ends.") from None
    return descriptor
