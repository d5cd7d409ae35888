"""Bring plain dicts (as read from JSON) back to the value types they were made from."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from typing import Any, TypeVar

T = TypeVar("T")


def from_plain(kind: type[T], value: Mapping[str, Any]) -> T:
    """Build dataclass `kind` from the dict that `model.plain` made of it; keys it does not know are an error, missing ones
    take the default."""
    fields = _fields(kind)  # type: ignore[arg-type]
    revived = ((*fields[key], item) for key, item in value.items())
    return kind(**{name: _revive(hint, item) for name, hint, item in revived})


@cache
def _fields(kind: type[Any]) -> dict[str, tuple[str, Any]]:
    """Key in the dict -> name and type of the field."""
    hints = typing.get_type_hints(kind)
    return {f.metadata.get("json", f.name): (f.name, hints[f.name]) for f in dataclasses.fields(kind)}


def _revive(hint: Any, value: Any) -> Any:
    origin = typing.get_origin(hint)
    if origin in (typing.Union, types.UnionType):
        choices = [choice for choice in typing.get_args(hint) if choice is not type(None)]
        return value if value is None or len(choices) > 1 else _revive(choices[0], value)
    if origin is tuple:
        inner = typing.get_args(hint)
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(_revive(inner[0], item) for item in value)
        return tuple(_revive(kind, item) for kind, item in zip(inner, value, strict=True))
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(value)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return from_plain(hint, value)
    return value
