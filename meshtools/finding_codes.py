"""Codes of findings that one step writes and another one reads."""

from __future__ import annotations

AS_DECIDED = "completed-as-decided"
"""The plan's note that a person asked for class OWN-C, which rebuilding holds against how much was taken over."""
