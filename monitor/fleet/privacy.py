"""(edge) What the office holds of a customer, or of one site, handed out whole, or erased for good.

Erasing a site removes every row of it and every line of the log about it. Erasing a customer does so where nobody else
has lived; where somebody has, it removes what is of the customer's time and leaves the unit with the visits made to it
(what it was, and the parts), without a note. What is left in the log is one line that somebody was erased, by whom and
when. SQLite's file is then written afresh, PostgreSQL's dead rows are swept, so that no page of the disk's files holds
them. Backups are older, and yours to renew.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import tenants
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.people import note
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    audit,
    customers,
    metadata,
    premises,
    set_aside,
    sites,
    standing,
    state,
    tenancies,
    visits,
)
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
_Rows = dict[str, list[dict[str, Any]]]


def export(store: Store, site: str, tenant: int | None = None) -> _Rows:
    """Return everything that is held of a site and its present customer, or of a former one by number, by table; the
    password's hash aside, and nothing of another tenant's time. Raises CommandError."""
    with store.read() as connection:
        key = _key(connection, site)
        return _exported(connection, site, key, tenants.tenancy(tenants.of_site(connection, key), tenant))


def export_customer(store: Store, customer: int) -> dict[str, Any]:
    """Return everything that is held of a customer: what the log says of them, and of each of their tenancies, former
    ones too, what `export` has. Raises CommandError."""
    with store.read() as connection:
        _customer(connection, customer)
        found = [
            {"site": site, **_exported(connection, site, key, whose)}
            for site, key, whose, _ in _tenancies(connection, customer)
        ]
        about = audit.c.what == tenants.log_name(customer)
        who = _rows(connection, customers, customers.c.id == customer)
        return {"customers": who, "audit": _rows(connection, audit, about), "tenancies": found}


def _exported(connection: sa.Connection, site: str, key: int, whose: Tenancy) -> _Rows:
    found = {table.name: _rows(connection, table, where) for table, where in _of_tenant(key, site, whose)}
    found["customers"] = _rows(connection, customers, customers.c.id == whose.customer_id)
    home = sa.select(sites.c.premises_id).where(sites.c.id == key)
    return found | {"premises": _rows(connection, premises, premises.c.id.in_(home))}


def _customer(connection: sa.Connection, customer: int) -> None:
    if connection.scalar(sa.select(customers.c.id).where(customers.c.id == customer)) is None:
        raise CommandError("customer", customer, "the number of a customer, as the page and `/api/v1/customers` say it")


def _tenancies(connection: sa.Connection, customer: int) -> list[tuple[str, int, Tenancy, bool]]:
    """A customer's tenancies: site, its key, the tenancy, and whether somebody else, with a name, has one there too."""
    c = tenancies.c
    theirs = sa.select(c.site_id).where(c.customer_id == customer)
    query = sa.select(sites.c.site, sites.c.id).where(sites.c.id.in_(theirs))
    found = []
    for site, key in connection.execute(query.order_by(sites.c.id)).all():
        lived = tenants.of_site(connection, key)
        others = any(one.customer_id != customer and one.customer for one in lived)
        found += [(site, key, one, others) for one in lived if one.customer_id == customer]
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
        elif table is tenancies:
            found.append((table, tenancies.c.id == whose.key))
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
        gone = _erase_site(connection, site, _key(connection, site)) + tenants.forget_unused(connection)
        note(connection, now, by, "erased", "a site")
    _sweep(store)
    return gone


def _erase_site(connection: sa.Connection, site: str, key: int) -> int:
    gone = sum(connection.execute(sa.delete(table).where(table.c.site_id == key)).rowcount for table in _OF_SITE)
    gone += connection.execute(sa.delete(sites).where(sites.c.id == key)).rowcount
    gone += connection.execute(sa.delete(audit).where(audit.c.what == site)).rowcount
    topics = set_aside.c.topic.startswith(f"{ROOT}/{site}/", autoescape=True)
    return gone + connection.execute(sa.delete(set_aside).where(topics)).rowcount


def erase_tenant(store: Store, site: str, tenant: int, *, by: str, now: float) -> int:
    """Remove what is held of a former tenant, by number, and of their time at a site; how many rows went. Raises
    CommandError."""
    with store.write() as connection:
        key = _key(connection, site)
        whose = tenants.tenancy(tenants.of_site(connection, key), tenant)
        gone = _erase_time(connection, site, key, whose) + tenants.forget_unused(connection)
        note(connection, now, by, "erased", "a former tenant")
    _sweep(store)
    return gone


def _erase_time(connection: sa.Connection, site: str, key: int, whose: Tenancy) -> int:
    """Remove a tenancy and what is of its time; the visits that were made stay with the unit, without their note."""
    gone = 0
    for table, where in _of_tenant(key, site, whose):
        if table is visits:
            made = sa.update(visits).where(where, visits.c.status == "done", visits.c.note != "")
            gone += connection.execute(made.values(note="")).rowcount
            gone += connection.execute(sa.delete(visits).where(where, visits.c.status != "done")).rowcount
        elif table not in (sites, state):  # of the unit itself; its numbers are wanted as long as its monitor speaks
            gone += connection.execute(sa.delete(table).where(where)).rowcount
    return gone


def erase_customer(store: Store, customer: int, *, by: str, now: float) -> list[str]:
    """Remove a customer and all that is held of them, at all their sites, former ones too; the sites where they lived
    last. Of these, those where nobody else has lived are gone, the others stay without a customer and are revoked:
    write the broker's files afterwards. Raises CommandError."""
    with store.write() as connection:
        _customer(connection, customer)
        lived_in = []
        for site, key, whose, others in _tenancies(connection, customer):
            if whose.to_at is None:
                lived_in.append(site)
            if not others:
                if connection.scalar(sa.select(sites.c.id).where(sites.c.id == key)) is not None:
                    _erase_site(connection, site, key)
                continue
            _erase_time(connection, site, key, whose)
            if whose.to_at is None:
                tenants.leave_empty(connection, key, now)
        connection.execute(sa.delete(audit).where(audit.c.what == tenants.log_name(customer)))
        tenants.forget_unused(connection)
        note(connection, now, by, "erased", "a customer")
    _sweep(store)
    return lived_in


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
