"""The mould job: one replica to what the route makes of it, with its files and its job sheet."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meshtools.jobs.ready import run_route
from meshtools.jobs.ready_files import ROUTE_FILES as FILES
from meshtools.settings_mould import MouldSettings
from meshtools.stages.mould import make_mould

__all__ = ["FILES", "run"]


def run(batch: Path, job: Mapping[str, Any]) -> None:
    """Make the route mould of one element."""
    run_route(batch, job, make_mould, MouldSettings)
