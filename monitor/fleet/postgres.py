"""The hot steps of a batch on PostgreSQL: COPY for what is appended, arrays for what is changed.

Works on psycopg's own connection below SQLAlchemy's, in the same transaction.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from operator import attrgetter
from typing import Any, cast

import psycopg
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import DatabaseError
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.messages import SiteMessage, placed_at
from condenser_monitor.monitor.fleet.reducer import SiteNow, UnitDay, Writes
from condenser_monitor.monitor.fleet.retention import Month, ensure_months
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    cycles,
    events,
    site_days,
    snapshots,
    state,
)
from condenser_monitor.monitor.fleet.tables import standing as standing_table
from condenser_monitor.monitor.fleet.writer import (
    DAY_FIELDS,
    STATE_FIELDS,
    Batch,
    IngestWriter,
    site_now,
    state_row,
)
from condenser_monitor.monitor.publishers.messages import CycleDone, Event

_TYPES: dict[type[Any], str] = {
    sa.Text: "text",
    sa.Double: "float8",
    sa.BigInteger: "int8",
    sa.Integer: "int4",
    sa.Boolean: "bool",
}
_STANDING_FIELDS = ActiveAlerts.__struct_fields__
_standing_values = attrgetter(*_STANDING_FIELDS)
_day_values = attrgetter(*DAY_FIELDS)


class PostgresWriter(IngestWriter):
    """A Writer whose every step is one round trip, however many rows it takes."""

    refused = (*IngestWriter.refused, psycopg.DataError, psycopg.IntegrityError)

    def __init__(self, store: Store) -> None:
        super().__init__(store)
        self._months: set[Month] = set()
        self._copy = {table: _copy_sql(table) for table in (events, cycles)}
        self._lock = f"""
            SELECT s.id, s.site, s.revoked_at IS NOT NULL, {", ".join(f"t.{name}" for name in STATE_FIELDS)}
            FROM sites s JOIN state t ON t.site_id = s.id WHERE s.site = ANY(%s) ORDER BY s.id FOR UPDATE OF t"""  # noqa: S608
        self._standing = f"SELECT {', '.join(_STANDING_FIELDS)} FROM standing WHERE site_id = ANY(%s)"  # noqa: S608
        self._put_standing = _upsert_sql(standing_table, _STANDING_FIELDS)
        self._put_snapshots = _upsert_sql(snapshots, ("site_id", "body"))
        self._put_state = _update_sql(state, STATE_FIELDS)
        self._add_days = _days_sql()

    def _write(self, batch: Batch, now: float) -> Writes:
        self._ready(batch)
        try:
            return super()._write(batch, now)
        except self.refused:
            self._months.clear()  # a month made long ago may have been dropped as old since
            raise
        except (psycopg.OperationalError, psycopg.InterfaceError, psycopg.InternalError) as error:
            self.store.engine.dispose()  # the pool has not seen this failure: its connections may all be dead
            reason = str(error).strip().splitlines() or [type(error).__name__]
            raise DatabaseError(self.store.place, reason[0], "a reachable database that this user may write") from error

    def _ready(self, batch: Batch) -> None:
        """Every month that these messages fall in has its partition."""
        months = {Month.of(at) for message in batch if isinstance(message, SiteMessage) and (at := _filed_at(message))}
        if not months <= self._months:
            ensure_months(self.store, months)
            self._months |= months

    def lock_sites(self, connection: sa.Connection, names: Iterable[str]) -> list[SiteNow]:
        return [site_now(row) for row in _cursor(connection).execute(self._lock, [list(names)])]

    def read_standing(self, connection: sa.Connection, site_ids: list[int]) -> list[ActiveAlerts]:
        if not site_ids:
            return []
        rows = _cursor(connection).execute(self._standing, [site_ids])
        return [ActiveAlerts(**dict(zip(_STANDING_FIELDS, row, strict=True))) for row in rows]

    def add_rows(self, connection: sa.Connection, writes: Writes) -> None:
        _copy(connection, self._copy[events], events, writes.events)
        _copy(connection, self._copy[cycles], cycles, writes.cycles)

    def put_standing(self, connection: sa.Connection, rows: list[ActiveAlerts]) -> None:
        _arrays(connection, self._put_standing, [_standing_values(row) for row in rows])

    def add_days(self, connection: sa.Connection, days: dict[tuple[int, str], UnitDay]) -> None:
        _arrays(connection, self._add_days, [(*key, *_day_values(day)) for key, day in days.items()])

    def put_state(self, connection: sa.Connection, touched: list[SiteNow]) -> None:
        _arrays(connection, self._put_state, [(site.site_id, *state_row(site)) for site in touched])

    def put_snapshots(self, connection: sa.Connection, bodies: dict[int, str]) -> None:
        _arrays(connection, self._put_snapshots, list(bodies.items()))


def _filed_at(message: SiteMessage) -> float | None:
    body = message.body
    if isinstance(body, Event):
        return placed_at(body.wall_s, message.received_at)
    return placed_at(body.started_wall_s, message.received_at) if isinstance(body, CycleDone) else None


def _cursor(connection: sa.Connection) -> psycopg.Cursor[tuple[Any, ...]]:
    return cast("psycopg.Cursor[tuple[Any, ...]]", connection.connection.cursor(binary=True))


def _types(table: sa.Table, names: Sequence[str]) -> list[str]:
    return [_TYPES[next(kind for kind in _TYPES if isinstance(table.c[name].type, kind))] for name in names]


def _copy_sql(table: sa.Table) -> str:
    return f"COPY {table.name} ({', '.join(table.columns.keys())}) FROM STDIN (FORMAT BINARY)"


def _copy(connection: sa.Connection, sql: str, table: sa.Table, rows: Sequence[tuple[Any, ...]]) -> None:
    if not rows:
        return
    with _cursor(connection).copy(sql) as copy:
        copy.set_types(_types(table, table.columns.keys()))
        for row in rows:
            copy.write_row(row)


def _arrays(connection: sa.Connection, sql: str, rows: Sequence[tuple[Any, ...]]) -> None:
    columns = [list(column) for column in zip(*rows, strict=True)]
    _cursor(connection).execute(sql, columns)


def _unnest(table: sa.Table, names: Sequence[str]) -> str:
    return "unnest(" + ", ".join(f"%b::{kind}[]" for kind in _types(table, names)) + ")"


def _upsert_sql(table: sa.Table, names: Sequence[str]) -> str:
    keys = [column.name for column in table.primary_key]
    change = ", ".join(f"{name} = excluded.{name}" for name in names if name not in keys)
    return (
        f"INSERT INTO {table.name} ({', '.join(names)}) SELECT * FROM {_unnest(table, names)}"  # noqa: S608
        f" ON CONFLICT ({', '.join(keys)}) DO UPDATE SET {change}"
    )


def _update_sql(table: sa.Table, names: Sequence[str]) -> str:
    change = ", ".join(f"{name} = n.{name}" for name in names)
    columns = ("site_id", *names)
    source = f"{_unnest(table, columns)} AS n ({', '.join(columns)})"
    return f"UPDATE {table.name} t SET {change} FROM {source} WHERE t.site_id = n.site_id"  # noqa: S608


def _days_sql() -> str:
    columns = ("site_id", "day", *DAY_FIELDS)
    sums = [f"{name} = site_days.{name} + excluded.{name}" for name in DAY_FIELDS if name != "outdoor_max_c"]
    hottest = "outdoor_max_c = greatest(site_days.outdoor_max_c, excluded.outdoor_max_c)"  # NULL is passed over
    return (
        f"INSERT INTO site_days ({', '.join(columns)}) SELECT * FROM {_unnest(site_days, columns)}"  # noqa: S608
        f" ON CONFLICT (site_id, day) DO UPDATE SET {', '.join([*sums, hottest])}"
    )
