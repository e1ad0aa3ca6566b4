"""(edge) The hand-over: a self-contained file of the last days for a technician, as HTML or PDF.

Facts are read once (report/facts.py), told as blocks (report/story.py) and written by report/html.py or report/pdf.py.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import tzinfo
from pathlib import Path

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.report.blocks import Document
from condenser_monitor.monitor.report.facts import check_days, gather
from condenser_monitor.monitor.report.html import html
from condenser_monitor.monitor.report.story import document
from condenser_monitor.monitor.storage.history import StorageQueries
from condenser_monitor.monitor.strings import texts

DAYS = int(limits.REPORT.days.value)
_KINDS = (".html", ".pdf")


def report(
    history: StorageQueries,
    settings: Settings,
    days: int = DAYS,
    *,
    wall_s: float | None = None,
    zone: tzinfo | None = None,
) -> Document:
    """The report of the last `days`; `wall_s` is now, `zone` None the machine's. Raises CommandError."""
    now = time.time() if wall_s is None else wall_s
    return document(gather(history, settings, days, wall_s=now, zone=zone))


def report_html(
    history: StorageQueries,
    settings: Settings,
    days: int = DAYS,
    *,
    wall_s: float | None = None,
    zone: tzinfo | None = None,
) -> str:
    """The report as one HTML file that needs nothing else. Raises CommandError for too many days."""
    return html(report(history, settings, days, wall_s=wall_s, zone=zone))


def report_pdf(
    history: StorageQueries,
    settings: Settings,
    days: int = DAYS,
    *,
    wall_s: float | None = None,
    zone: tzinfo | None = None,
) -> bytes:
    """The report as PDF, on A4 where the line has 50 Hz and letter else.

    Raises CommandError for too many days, and where the extra `report` is not installed.
    """
    try:
        from condenser_monitor.monitor.report.pdf import pdf  # noqa: PLC0415 - reportlab is an extra, and large
    except ImportError:
        allowed = "HTML, or PDF after: pip install 'condenser-monitor[report]'"
        raise CommandError("report", "PDF without the package reportlab", allowed) from None
    page = "a4" if settings.unit.line_hz == 50 else "letter"
    return pdf(report(history, settings, days, wall_s=wall_s, zone=zone), page=page)


def write_report(
    history: StorageQueries,
    settings: Settings,
    file: str,
    *,
    days: int = DAYS,
    say: Callable[[str], object] = print,
    wall_s: float | None = None,
) -> int:
    """Write the report to `file`, HTML or PDF by its ending; it is written whole or not at all. Exit status 0.

    `file` "-" writes HTML to `say`. Raises CommandError for another ending and for a file that cannot be written.
    """
    if file == "-":
        say(report_html(history, settings, days, wall_s=wall_s))
        return 0
    place = Path(file)
    if place.suffix.lower() not in _KINDS:
        raise CommandError("report", file, "a file that ends in " + " or ".join(_KINDS))
    check_days(days)
    say(f"gathering the last {texts.span(days * 86400.0)} ...")
    make = report_pdf if place.suffix.lower() == ".pdf" else report_html
    made = make(history, settings, days, wall_s=wall_s)
    data = made.encode() if isinstance(made, str) else made
    _put(place, data)
    say(f"{place}: {len(data) / 1000:.0f} kB")
    return 0


def _put(place: Path, data: bytes) -> None:
    new = place.with_name(place.name + ".new")
    try:
        new.write_bytes(data)
        os.replace(new, place)
    except OSError as error:
        with suppress(OSError):
            new.unlink(missing_ok=True)
        raise CommandError(str(place), error.strerror or str(error), "a file that can be written") from None
