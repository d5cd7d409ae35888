"""HTML from values: everything that is not already markup is escaped, so a table's cell can never become a tag."""

from __future__ import annotations

import base64
import html
import math
import re
from collections.abc import Iterable, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

THIN_SPACE = "\u202f"
NOT_STATED = "not stated"
_SPECIAL = re.compile("[&<>\"']")


class Html(str):
    """Text that is markup already. Only this module and literal templates make it."""

    __slots__ = ()


def escaped(value: Any) -> Html:
    """A value as text that is safe inside an element or a quoted attribute."""
    if type(value) is Html:
        return value
    text = "" if value is None else str(value)
    return Html(html.escape(text, quote=True) if _SPECIAL.search(text) else text)


def join(parts: Iterable[Any]) -> Html:
    """Several values one after the other, each escaped unless it is markup."""
    return Html("".join(map(escaped, parts)))


def tag(name: str, /, *children: Any, **attributes: Any) -> Html:
    """An element. Attribute `class_` is written `class`, `_` becomes `-`; None or False leaves an attribute out, True writes it bare."""
    written = []
    for key, value in attributes.items():
        if value is True:
            written.append(f" {_written_name(key)}")
        elif value is not None and value is not False:
            written.append(f' {_written_name(key)}="{escaped(value)}"')
    opening = f"<{name}{''.join(written)}>"
    if name in ("img", "input", "br", "meta"):
        return Html(opening)
    inside = escaped(children[0]) if len(children) == 1 else "".join(map(escaped, children))
    return Html(f"{opening}{inside}</{name}>")


@cache
def _written_name(key: str) -> str:
    return key.rstrip("_").replace("_", "-")


def section(title: str, *body: Any, **attributes: Any) -> Html:
    """A titled part of a sheet."""
    return tag("section", tag("h2", title), *body, **attributes)


def table(head: Sequence[str], rows: Iterable[Sequence[Any]], caption: str = "", numeric: Sequence[int] = ()) -> Html:
    """A table with a header row; columns in `numeric` are set flush right. Wide tables scroll inside their own box."""
    def cells(row: Sequence[Any], kind: str) -> Html:
        scope = "col" if kind == "th" else None
        return tag("tr", *(tag(kind, cell, scope=scope, class_="num" if i in numeric else None) for i, cell in enumerate(row)))

    body = [cells(row, "td") for row in rows]
    title = tag("caption", caption) if caption else ""
    return tag("div", tag("table", title, tag("thead", cells(head, "th")), tag("tbody", *body)), class_="scroll")


def pairs(rows: Iterable[tuple[str, Any]]) -> Html:
    """A list of named values."""
    return tag("dl", *(tag("div", tag("dt", name), tag("dd", value)) for name, value in rows))


def number(value: Any, decimals: int = 1) -> str:
    """A number with thin spaces between thousands; a missing or non-finite one is said to be not stated."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return NOT_STATED
    return f"{value:,.{decimals}f}".replace(",", THIN_SPACE).replace("-", "−")


def figure(value: Any, unit: str, decimals: int = 1) -> str:
    """A number with its unit after a thin space."""
    text = number(value, decimals)
    return text if text == NOT_STATED or not unit else f"{text}{THIN_SPACE}{unit}"


def percent(ratio: Any, decimals: int = 1) -> str:
    """A ratio as a percentage."""
    return figure(ratio * 100, "%", decimals) if isinstance(ratio, (int, float)) else NOT_STATED


SINGULAR = {"bodies": "body", "cavities": "cavity"}


def plain_value(value: Any, unit: str = "") -> str:
    """The figure behind a finding: numbers with up to four significant digits, words as they are, nothing for None."""
    if value is None or value == "":
        return ""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return f"{value} {unit}".rstrip()
    if not math.isfinite(value):
        return NOT_STATED
    decimals = 0 if isinstance(value, int) or value == 0 else max(0, min(6, 3 - math.floor(math.log10(abs(value)))))
    text = number(value, decimals)
    text = text.rstrip("0").rstrip(".") if "." in text else text
    noun = SINGULAR.get(unit, unit.removesuffix("s") if unit.isalpha() and len(unit) > 3 else unit) if value == 1 else unit
    return f"{text}{THIN_SPACE}{noun}" if unit else text


def png_address(png: bytes) -> Html:
    """A PNG as a data address, so that the page needs no second file. Its letters, digits, + / and = need no escaping."""
    return Html("data:image/png;base64," + base64.b64encode(png).decode("ascii"))


@cache
def asset(name: str) -> str:
    """A file that ships with the package, by name in report/assets."""
    return (files("meshtools.report") / "assets" / name).read_text(encoding="utf-8")
