"""Refuse a Python that nobody has tested, in one sentence."""

import sys

if sys.version_info[:2] != (3, 11):
    found = ".".join(map(str, sys.version_info[:2]))
    sys.exit(f"Bonewright is tested with Python 3.11 and this is {found}; run `make setup PYTHON=python3.11`.")
