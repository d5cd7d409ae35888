"""What a command answers: an exit code, lines for a person and the same as plain facts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

DONE = 0
PERSON_NEEDED = 1
RUN_FAILED = 3


@dataclass(frozen=True)
class Answer:
    """Exit code (0 done, 1 a person is needed, 3 the build itself was cut short), lines to print, and facts for --json."""

    lines: tuple[str, ...]
    facts: Mapping[str, Any] = field(default_factory=dict)
    exit_code: int = DONE
