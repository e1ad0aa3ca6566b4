"""An address as a QR code (ISO/IEC 18004), for a page and for the report, by segno (extra `web`). Pure."""

from __future__ import annotations

from html import escape
from itertools import groupby
from typing import TYPE_CHECKING

from condenser_monitor.monitor.drawing.shapes import Drawing, Rect, Text

if TYPE_CHECKING:
    from segno import QRCode

_QUIET = 4  # modules of empty ground on each side, as the standard asks
_SIDE, _WIDTH = 96.0, 500.0  # points; the width is that of a report's other pictures


def as_qr(address: str, words: str) -> str:
    """Return an address as an SVG element that scales with the page, `words` its name for who cannot see it.

    "" where segno is not installed: the address stands beside it in letters anyway.
    """
    code = _code(address)
    if code is None:
        return ""
    drawn = code.svg_inline(border=_QUIET, dark="#000", light="#fff", omitsize=True, svgclass="qr", lineclass=None)
    return drawn.replace("<svg ", f'<svg role="img" aria-label="{escape(words)}" ', 1)


def drawing(address: str, words: str) -> Drawing | None:
    """Return an address as a picture of the report: the code, and beside it what it is; None without segno."""
    code = _code(address)
    if code is None:
        return None
    shapes: list[Rect | Text] = [Rect(0.0, 0.0, _SIDE, _SIDE, fill="#ffffff")]
    size = _SIDE / code.symbol_size(border=_QUIET)[0]
    for row, modules in enumerate(code.matrix_iter(border=_QUIET)):
        column = 0
        for dark, run in groupby(modules):
            count = len(list(run))
            if dark:
                shapes.append(Rect(column * size, row * size, count * size, size, fill="#000000"))
            column += count
    beside = [Text(_SIDE + 8, 40, words, 9.0), Text(_SIDE + 8, 56, address, 9.0, bold=True)]
    return Drawing(words, address, _WIDTH, _SIDE, (*shapes, *beside))


def _code(address: str) -> QRCode | None:
    try:
        import segno  # noqa: PLC0415 - of an extra
    except ImportError:
        return None
    return segno.make_qr(address, error="m")
