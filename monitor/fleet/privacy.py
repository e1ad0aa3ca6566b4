"""(edge) What the office holds of one site's people, handed out whole, or erased for good.

Erasing removes every row of the site and every line of the log about it; what is left is one line that some site was
erased, by whom and when. SQLite's file is then written afresh, PostgreSQL's dead rows are swept, so that no page of
the disk's files holds them. Backups are older, and yours to renew.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet.people import note
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit, metadata, set_aside, sites
from condenser_monitor.monitor.publishers.messages import ROOT

_OF_SITE = [table for table in reversed(metadata.sorted_tables) if "site_id" in table.c]
_SECRET = ("credential",)


def export(store: Store, site: str) -> dict[str, Any]:
    """Return everything that is held of a site, by table; the password's hash aside. Raises CommandError."""
    with store.read() as connection:
        key = _key(connection, site)
        found: dict[str, Any] = {
            table.name: _rows(connection, table, table.c.site_id == key) for table in reversed(_OF_SITE)
        }
        found["sites"] = _rows(connection, sites, sites.c.id == key)
        found["audit"] = _rows(connection, audit, audit.c.what == site)
        found["set_aside"] = _rows(
            connection, set_aside, set_aside.c.topic.startswith(f"{ROOT}/{site}/", autoescape=True)
        )
    return found


def _rows(connection: sa.Connection, table: sa.Table, where: sa.ColumnElement[bool]) -> list[dict[str, Any]]:
    columns = [column for column in table.c if column.name not in _SECRET]
    rows = connection.execute(sa.select(*columns).where(where)).mappings()
    return [
        {name: value.decode("utf-8", "replace") if isinstance(value, bytes) else value for name, value in row.items()}
        for row in rows
    ]


def erase(store: Store, site: str, *, by: str, now: float) -> int:
    """Remove a site and all that is held of it; how many rows went. Write the broker's files afterwards, or what it
    still sends is set aside under its name. Raises CommandError."""
    with store.write() as connection:
        key = _key(connection, site)
        gone = sum(connection.execute(sa.delete(table).where(table.c.site_id == key)).rowcount for table in _OF_SITE)
        gone += connection.execute(sa.delete(sites).where(sites.c.id == key)).rowcount
        gone += connection.execute(sa.delete(audit).where(audit.c.what == site)).rowcount
        topics = set_aside.c.topic.startswith(f"{ROOT}/{site}/", autoescape=True)
        gone += connection.execute(sa.delete(set_aside).where(topics)).rowcount
        note(connection, now, by, "erased", "a site")
    _sweep(store)
    return gone


def _sweep(store: Store) -> None:
    """Write the files afresh; outside of any transaction, where alone both databases do it."""
    with store.explained():
        raw = store.engine.raw_connection()
        try:
            if store.postgres:
                raw.dbapi_connection.autocommit = True  # type: ignore[union-attr]
            cursor = raw.cursor()
            for command in ("VACUUM",) if store.postgres else ("VACUUM", "PRAGMA wal_checkpoint(TRUNCATE)"):
                cursor.execute(command)
        finally:
            raw.invalidate()


def _key(connection: sa.Connection, site: str) -> int:
    key = connection.scalar(sa.select(sites.c.id).where(sites.c.site == site))
    if key is None:
        raise CommandError("site", site, "an enrolled or revoked site")
    return int(key)
