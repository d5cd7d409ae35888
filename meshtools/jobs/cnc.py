"""The cnc job: one replica to what the route makes of it, with its files and its job sheet."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.jobs.ready import run_route
from meshtools.jobs.ready_files import ROUTE_FILES as FILES
from meshtools.settings_cnc import CncSettings
from meshtools.stages.cnc import make_cnc

__all__ = ["FILES", "run"]


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Make the route cnc of one element."""
    run_route(batch, job, make_cnc, CncSettings)
