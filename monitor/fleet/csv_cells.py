"""Lines of CSV that a spreadsheet opens without taking a customer's text for a formula. Pure."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def csv_line(values: Iterable[object]) -> str:
    """Return one line with its end."""
    out = io.StringIO()
    csv.writer(out).writerow([_marked(str(value)) for value in values])
    return out.getvalue()


def unmarked(cell: str) -> str:
    """Return a cell as it was before `csv_line` marked it."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in _FORMULA else cell


def _marked(text: str) -> str:
    """A cell that a spreadsheet would take for a formula is marked as text."""
    return f"'{text}" if text[:1] in _FORMULA and not _is_number(text) else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
