"""A history of a newer version: what this version does not know is shown under its name, and ends nothing."""

from __future__ import annotations

import io
import sqlite3
from pathlib import Path

import pytest

from condenser_monitor.monitor.report.write import write_report
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.status_cache import live_path
from condenser_monitor.monitor.terminal import say
from condenser_monitor.web.app import create_app
from tests.web.filled import Site

PATHS = (
    *("/", "/alerts", "/checks", "/history", "/history?zoom=week", "/cycles", "/trends", "/health", "/settings"),
    *("/live.json", "/checks?finding=of-next-year-comes", "/api/v1/status", "/api/v1/events", "/api/v1/alerts"),
)
OLD, NEW = "call-without-pull-in", "of-next-year-comes"


@pytest.fixture
def newer(site: Site) -> Site:
    """Every row that names the finding names one that nobody here knows."""
    site.history.close()
    for path in (Path(site.keep.file), live_path(Path(site.keep.file), site.keep.live_dir)):
        with sqlite3.connect(path) as db:
            for table in ("outbox", "state", "status"):
                if db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchone():
                    db.execute(f"UPDATE {table} SET body = CAST(replace(body, '{OLD}', '{NEW}') AS BLOB)")
        db.close()
    site.history = History(site.keep.file, keep=site.keep, clock=site.hands.mono, wall=site.hands.wall)
    assert NEW in {change.finding for _, change in site.history.changes(0.0, 3e9)}
    return site


@pytest.mark.parametrize("path", PATHS)
def test_every_page_opens(newer: Site, path: str) -> None:
    """None answers with a fault of the program."""
    client = create_app(newer.history, newer.settings, wall=newer.hands.wall, monotonic=newer.hands.mono).test_client()
    assert client.get(path).status_code in (200, 302, 404)


def test_it_is_shown_by_name(newer: Site) -> None:
    """On the first page and in the terminal."""
    client = create_app(newer.history, newer.settings, wall=newer.hands.wall, monotonic=newer.hands.mono).test_client()
    assert NEW in client.get("/").get_data(as_text=True)
    shown = io.StringIO()
    say.status(newer.history, newer.settings, shown)
    assert NEW in shown.getvalue()


@pytest.mark.parametrize("name", ["report.html", "report.pdf"])
def test_the_report_is_written(newer: Site, tmp_path: Path, name: str) -> None:
    """With the finding under its name."""
    write_report(newer.history, newer.settings, str(tmp_path / name), say=lambda text: None, wall_s=newer.hands.wall())
    data = (tmp_path / name).read_bytes()
    assert NEW.encode() in data or data.startswith(b"%PDF")
