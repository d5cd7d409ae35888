"""Every error that Bonewright raises on purpose. The message is one sentence for the person at the bench.

BonewrightError
├── MeshShapeError       arrays that do not form a mesh (a programming error)
├── ScanError            a scan file that cannot be read, or holds no surface
├── TablesError          all problems of a batch's tables, found at once
├── UsageError           a command line that cannot be carried out
├── GeometryError        no mesh can be made from the input
└── BatchBusyError       another build is at work in the same batch
"""

from __future__ import annotations

import errno
from dataclasses import dataclass

from meshtools.visible import visible

_LONGEST_VALUE = 80  # signs of a cell that a message repeats
PASSING = frozenset(
    {errno.EAGAIN, errno.EDQUOT, errno.EINTR, errno.EIO, errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.ENOSPC, errno.EROFS, errno.ESTALE}
)


def is_passing(error: BaseException) -> bool:
    """True where an error tells of the machine at this moment (a full disk, too many open files, a failing drive) and nothing of the file:
    the same work can succeed another time, so it may never be recorded as what is wrong with a scan or a result."""
    return isinstance(error, OSError) and error.errno in PASSING


class BonewrightError(Exception):
    """Base of all errors with a message for the user."""


class MeshShapeError(BonewrightError):
    """Arrays that do not form a mesh."""


class ScanError(BonewrightError):
    """A scan file that cannot be read. The message names the file and what to do."""


class UsageError(BonewrightError):
    """A command line that cannot be carried out. The message names the option or file."""


class GeometryError(BonewrightError):
    """No mesh can be made from the input. The message says what was missing."""


class BatchBusyError(BonewrightError):
    """Another build holds the batch."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a table: where it stands, what it says, which rule it breaks and what was perhaps meant."""

    file: str
    row: int | None
    column: str
    value: str
    rule: str
    nearest: str = ""

    def __str__(self) -> str:
        place = self.file + (f" row {self.row}" if self.row is not None else "")
        column = f", {visible(self.column, _LONGEST_VALUE)}" if self.column else ""
        value = f" '{visible(self.value, _LONGEST_VALUE)}'" if self.value else ""
        hint = f" Did you mean '{self.nearest}'?" if self.nearest else ""
        return visible(f"{place}{column}:{value} {self.rule}{hint}")


class TablesError(BonewrightError):
    """Problems of a batch's tables, all at once."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in problems))
