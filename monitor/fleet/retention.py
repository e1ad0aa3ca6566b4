"""Months: on PostgreSQL one partition of `events` and `cycles` each, made before they are needed, dropped when old.

On SQLite the same rows lie in one table and old ones are deleted. What is kept how long is in monitor.limits.FLEET.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import NamedTuple

import sqlalchemy as sa

from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    MONTHLY,
    asks,
    audit,
    episodes,
    login_failures,
    metadata,
    outbox,
    set_aside,
    site_days,
    tenancies,
)
from condenser_monitor.monitor.fleet.tenants import forget_unused
from condenser_monitor.monitor.limits import FLEET

DAY_S = 86400.0
MONTHS_AHEAD = 2
_KEEP = {"events": FLEET.events_days, "cycles": FLEET.cycles_days}


class Month(NamedTuple):
    """A month in UTC; sorts by time."""

    year: int
    month: int

    @classmethod
    def of(cls, at: float) -> Month:
        """The month that holds the instant `at`."""
        day = datetime.fromtimestamp(at, UTC)
        return cls(day.year, day.month)

    @classmethod
    def parse(cls, partition: str) -> Month:
        """The month of a partition's name, `events_2026_07`."""
        _, year, month = partition.rsplit("_", 2)
        return cls(int(year), int(month))

    @property
    def next(self) -> Month:
        """The month after."""
        return Month(self.year + self.month // 12, self.month % 12 + 1)

    @property
    def begins_at(self) -> float:
        """Its first instant, seconds since 1970."""
        return datetime(self.year, self.month, 1, tzinfo=UTC).timestamp()

    def partition(self, table: str) -> str:
        """Name of its partition."""
        return f"{table}_{self.year:04d}_{self.month:02d}"


def ensure_months(store: Store, months: Iterable[Month]) -> None:
    """Make the partitions that are not there; several processes may do so at once. SQLite has none."""
    if not store.postgres:
        return
    with store.write() as connection:
        connection.exec_driver_sql("SELECT pg_advisory_xact_lock(hashtext('condenser-fleet-months'))")
        have = _partitions(connection)
        for table in MONTHLY:
            for month in set(months):
                if month.partition(table) not in have:
                    _make(connection, table, month)


def _partitions(connection: sa.Connection) -> set[str]:
    rows = connection.exec_driver_sql(
        "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
        " WHERE i.inhparent IN (to_regclass('events'), to_regclass('cycles'))"
    )
    return {name for (name,) in rows}


def _make(connection: sa.Connection, table: str, month: Month) -> None:
    # Made apart and attached: unlike CREATE ... PARTITION OF, that does not shut out those who read and write.
    name = month.partition(table)
    bounds = f"FROM ({month.begins_at!r}) TO ({month.next.begins_at!r})"
    connection.exec_driver_sql(f"CREATE TABLE {name} (LIKE {table} INCLUDING ALL)")
    connection.exec_driver_sql(f"ALTER TABLE {table} ATTACH PARTITION {name} FOR VALUES {bounds}")


def coming_months(now: float) -> list[Month]:
    """This month and the next MONTHS_AHEAD."""
    months = [Month.of(now)]
    for _ in range(MONTHS_AHEAD):
        months.append(months[-1].next)
    return months


def tidy(store: Store, now: float) -> dict[str, int]:
    """Make the months to come and drop what is past its time; how many partitions or rows went, by table."""
    ensure_months(store, coming_months(now))
    gone = {table: _drop_old(store, table, now - days.value * DAY_S) for table, days in _KEEP.items()}
    with store.write() as connection:
        for table, days in ((set_aside, FLEET.set_aside_days), (audit, FLEET.audit_days)):
            before = now - days.value * DAY_S
            gone[table.name] = connection.execute(sa.delete(table).where(table.c.at < before)).rowcount
        before = now - FLEET.audit_days.value * DAY_S
        gone["asks"] = connection.execute(sa.delete(asks).where(asks.c.made_at < before)).rowcount
        before = now - FLEET.set_aside_days.value * DAY_S
        gone["outbox"] = connection.execute(sa.delete(outbox).where(outbox.c.made_at < before)).rowcount
        connection.execute(sa.delete(login_failures).where(login_failures.c.at < now - DAY_S))
        before = now - FLEET.events_days.value * DAY_S
        first_day = office_day(before)
        gone["episodes"] = connection.execute(sa.delete(episodes).where(episodes.c.seen_at < before)).rowcount
        left = sa.delete(tenancies).where(tenancies.c.to_at < before)
        gone["tenancies"] = connection.execute(left).rowcount
        forget_unused(connection)
        gone["site_days"] = connection.execute(sa.delete(site_days).where(site_days.c.day < first_day)).rowcount
    return gone


def _drop_old(store: Store, table: str, before: float) -> int:
    with store.write() as connection:
        if not store.postgres:
            rows = metadata.tables[table]
            return connection.execute(sa.delete(rows).where(rows.c.at < before)).rowcount
        old = [
            name
            for name in _partitions(connection)
            if name.startswith(f"{table}_") and Month.parse(name).next.begins_at <= before
        ]
        for name in old:
            connection.exec_driver_sql(f"DROP TABLE {name}")
        return len(old)
