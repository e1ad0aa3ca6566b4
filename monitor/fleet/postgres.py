"""The hot steps of a batch on PostgreSQL: one statement for many rows, each column as one array.

Works on psycopg's own connection below SQLAlchemy's, in the same transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from operator import attrgetter
from typing import Any, cast

import psycopg
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import DatabaseError
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.messages import NUMBERED, SiteMessage, placed_at
from condenser_monitor.monitor.fleet.reducer import EpisodeRow, SiteNow, UnitDay, Writes
from condenser_monitor.monitor.fleet.retention import DAY_S, Month, ensure_months
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    cycles,
    episodes,
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

_TYPES: dict[type[Any], str] = {  # how PostgreSQL calls them
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
        self._add_events, self._add_cycles = (_Arrays(t, t.columns.keys(), _insert_sql) for t in (events, cycles))
        columns = ", ".join(f"t.{name}" for name in STATE_FIELDS)
        self._lock = f"""SELECT s.id, s.site, s.revoked_at IS NOT NULL, {columns}
            FROM sites s JOIN state t ON t.site_id = s.id WHERE s.site = ANY(%s) ORDER BY s.id FOR UPDATE OF t"""  # noqa: S608
        self._standing = f"SELECT {', '.join(_STANDING_FIELDS)} FROM standing WHERE site_id = ANY(%s)"  # noqa: S608
        self._put_standing = _Arrays(standing_table, _STANDING_FIELDS, _upsert_sql)
        self._put_snapshots = _Arrays(snapshots, ("site_id", "body"), _upsert_sql)
        self._put_episodes = _Arrays(episodes, episodes.columns.keys(), _upsert_sql)
        self._put_state = _Arrays(state, ("site_id", *STATE_FIELDS), _update_sql)
        self._add_days = _Arrays(site_days, ("site_id", "day", *DAY_FIELDS), _days_sql)

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
        days = {
            _filed_at(message) // DAY_S
            for message in batch
            if isinstance(message, SiteMessage) and message.topic in NUMBERED
        }
        months = {Month.of(day * DAY_S) for day in days}
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
        if writes.events:
            self._add_events.execute(connection, writes.events)
        if writes.cycles:
            self._add_cycles.execute(connection, writes.cycles)

    def put_standing(self, connection: sa.Connection, rows: list[ActiveAlerts]) -> None:
        self._put_standing.execute(connection, [_standing_values(row) for row in rows])

    def add_days(self, connection: sa.Connection, days: dict[tuple[int, str], UnitDay]) -> None:
        self._add_days.execute(connection, [(*key, *_day_values(day)) for key, day in days.items()])

    def put_state(self, connection: sa.Connection, touched: list[SiteNow]) -> None:
        self._put_state.execute(connection, [(site.site_id, *state_row(site)) for site in touched])

    def put_snapshots(self, connection: sa.Connection, bodies: dict[int, str]) -> None:
        self._put_snapshots.execute(connection, list(bodies.items()))

    def put_episodes(self, connection: sa.Connection, rows: list[EpisodeRow]) -> None:
        self._put_episodes.execute(connection, rows)


def _filed_at(message: SiteMessage) -> float:
    body = message.body
    assert isinstance(body, Event | CycleDone)
    return placed_at(body.wall_s if isinstance(body, Event) else body.started_wall_s, message.received_at)


def _cursor(connection: sa.Connection) -> psycopg.Cursor[tuple[Any, ...]]:
    return cast("psycopg.Cursor[tuple[Any, ...]]", connection.connection.cursor(binary=True))


class _Arrays:
    """One statement for many rows of a table: each column goes as one array."""

    def __init__(
        self, table: sa.Table, names: Sequence[str], sql: Callable[[sa.Table, Sequence[str], str], str]
    ) -> None:
        kinds = [next(word for kind, word in _TYPES.items() if isinstance(table.c[name].type, kind)) for name in names]
        self._sql = sql(table, names, f"unnest({', '.join(f'%b::{kind}[]' for kind in kinds)})")

    def execute(self, connection: sa.Connection, rows: Sequence[tuple[Any, ...]]) -> None:
        """Run it in the transaction of `connection`."""
        _cursor(connection).execute(self._sql, [list(column) for column in zip(*rows, strict=True)])


def _insert_sql(table: sa.Table, names: Sequence[str], rows: str) -> str:
    return f"INSERT INTO {table.name} ({', '.join(names)}) SELECT * FROM {rows}"  # noqa: S608


def _upsert_sql(table: sa.Table, names: Sequence[str], rows: str) -> str:
    keys = [column.name for column in table.primary_key]
    change = ", ".join(f"{name} = excluded.{name}" for name in names if name not in keys)
    return f"{_insert_sql(table, names, rows)} ON CONFLICT ({', '.join(keys)}) DO UPDATE SET {change}"


def _update_sql(table: sa.Table, names: Sequence[str], rows: str) -> str:
    change = ", ".join(f"{name} = n.{name}" for name in names[1:])
    source = f"{rows} AS n ({', '.join(names)})"
    return f"UPDATE {table.name} t SET {change} FROM {source} WHERE t.{names[0]} = n.{names[0]}"  # noqa: S608


def _days_sql(table: sa.Table, names: Sequence[str], rows: str) -> str:
    sums = [f"{name} = {table.name}.{name} + excluded.{name}" for name in DAY_FIELDS if name != "outdoor_max_c"]
    hottest = f"outdoor_max_c = greatest({table.name}.outdoor_max_c, excluded.outdoor_max_c)"  # NULL is passed over
    return f"{_insert_sql(table, names, rows)} ON CONFLICT (site_id, day) DO UPDATE SET {', '.join([*sums, hottest])}"
