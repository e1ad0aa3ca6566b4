"""(edge) What the office holds of one site's people, handed out whole, or erased for good.

Erasing removes every row of the site and every line of the log about it; what is left is one line that some site was
erased, by whom and when. SQLite's file is then written afresh, PostgreSQL's dead rows are swept, so that no page of
the disk's files holds them. Backups are older, and yours to renew.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import tenants
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.people import note
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit, former_tenants, metadata, set_aside, sites, standing
from condenser_monitor.monitor.fleet.tenants import Tenancy
from condenser_monitor.monitor.publishers.messages import ROOT

# What grows with time: the column that says of whose time a row is. The other tables say how a site stands now.
_WHEN = {
    **{
        "events": "at",
        "cycles": "at",
        "site_days": "day",
        "notices": "since_at",
        "episodes": "since_at",
        "standing": "changed_at",
    },
    **dict.fromkeys(("asks", "visits", "outbox"), "made_at"),
}
_OF_SITE = [table for table in reversed(metadata.sorted_tables) if "site_id" in table.c]
_SECRET = ("credential",)


def export(store: Store, site: str, tenant: int | None = None) -> dict[str, Any]:
    """Return everything that is held of a site and its present customer, or of a former one by number, by table; the
    password's hash aside, and nothing of another tenant's time. Raises CommandError."""
    with store.read() as connection:
        key = _key(connection, site)
        whose = tenants.tenancy(tenants.tenancies(connection, key), tenant)
        found: dict[str, Any] = {
            table.name: _rows(connection, table, where) for table, where in _of_tenant(key, site, whose)
        }
    return found


def _of_tenant(key: int, site: str, whose: Tenancy) -> list[tuple[sa.Table, sa.ColumnElement[bool]]]:
    """Each table with its rows that are of a site in a tenant's time. How it stands now is the present one's."""
    now_only = whose.to_at is None
    found = []
    for table in reversed(_OF_SITE):
        when = _WHEN.get(table.name)
        if when is not None:
            in_time = sa.and_(*_within(table.c[when], whose))
            if table is standing:  # what stands is the present tenant's, whenever it began
                in_time = sa.or_(standing.c.active, in_time) if now_only else sa.and_(~standing.c.active, in_time)
            found.append((table, sa.and_(table.c.site_id == key, in_time)))
        elif table is former_tenants:
            found.append((table, sa.and_(table.c.site_id == key, table.c.id == whose.number)))
        elif now_only:
            found.append((table, table.c.site_id == key))
    topics = set_aside.c.topic.startswith(f"{ROOT}/{site}/", autoescape=True)
    found += [(sites, sites.c.id == key)] if now_only else []
    found.append((audit, sa.and_(audit.c.what == site, *_within(audit.c.at, whose))))
    found.append((set_aside, sa.and_(topics, *_within(set_aside.c.at, whose))))
    return found


def _within(column: sa.Column[Any], whose: Tenancy) -> list[sa.ColumnElement[bool]]:
    """Conditions that a row is of a tenant's time; the day of a change is the former's."""
    days = isinstance(column.type, sa.Text)
    from_, to = (None if at is None else office_day(at) if days else at for at in (whose.from_at, whose.to_at))
    found: list[sa.ColumnElement[bool]] = [sa.true()] if whose.first else [column > from_]
    return found if to is None else [*found, column <= to]


def _rows(connection: sa.Connection, table: sa.Table, where: sa.ColumnElement[bool]) -> list[dict[str, Any]]:
    columns = [column for column in table.c if column.name not in _SECRET]
    rows = connection.execute(sa.select(*columns).where(where).order_by(*table.primary_key)).mappings()
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


def erase_tenant(store: Store, site: str, tenant: int, *, by: str, now: float) -> int:
    """Remove what is held of a former tenant, by number, and of their time; how many rows went. Raises CommandError."""
    with store.write() as connection:
        key = _key(connection, site)
        whose = tenants.tenancy(tenants.tenancies(connection, key), tenant)
        rows = _of_tenant(key, site, whose)
        gone = sum(connection.execute(sa.delete(table).where(where)).rowcount for table, where in rows)
        note(connection, now, by, "erased", "a former tenant")
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
