"""Installs a planned fault in every Python process that is started with this folder on PYTHONPATH; see fault.py."""

import os
from pathlib import Path

if "FAULT_PLAN" in os.environ:
    from fault import Fault, install

    install(Fault(Path(os.environ["FAULT_PLAN"])))
