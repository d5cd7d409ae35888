"""Tables of a route as CSV (RFC 4180): header and rows, UTF-8, decimal points, no cell that a spreadsheet runs as a formula."""

from __future__ import annotations

import csv
import io

from meshtools.files.tables import spreadsheet_text
from meshtools.model_ready import RouteTable

PLAIN_DIGITS = str.maketrans("²³", "23")
"""Headers stay plain signs: a spreadsheet that takes a file for another encoding still shows them."""


def encode_csv(table: RouteTable) -> bytes:
    """The bytes of a table. Numbers are written whole to twelve significant digits, so that equal tables give equal bytes."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    header = tuple(name.translate(PLAIN_DIGITS) for name in table.header)
    for row in (header, *table.rows):
        writer.writerow([spreadsheet_text(_cell(value)) for value in row])
    return text.getvalue().encode()


def _cell(value: str | int | float) -> str:
    return f"{value + 0.0:.12g}" if isinstance(value, float) else str(value)
