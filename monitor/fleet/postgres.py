"""The hot steps of a batch on PostgreSQL: COPY for what is appended, arrays for what is changed.

Works on psycopg's own connection below SQLAlchemy's, in the same transaction.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Iterable, Sequence
from operator import attrgetter
from typing import Any, NamedTuple, cast

import psycopg
import sqlalchemy as sa
from psycopg.adapt import Dumper
from psycopg.pq import Format

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
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.publishers.messages import CycleDone, Event


class _Column(NamedTuple):
    """How PostgreSQL calls a type, its object id (pg_type), and how a value of it is packed; None: text, as UTF-8."""

    name: str
    oid: int
    item: struct.Struct | None = None


_COLUMNS: dict[type[Any], _Column] = {
    sa.Text: _Column("text", 25),
    sa.Double: _Column("float8", 701, struct.Struct(">id")),
    sa.BigInteger: _Column("int8", 20, struct.Struct(">iq")),
    sa.Integer: _Column("int4", 23, struct.Struct(">ii")),
    sa.Boolean: _Column("bool", 16, struct.Struct(">i?")),
}
_KNOWN_S, _KNOWN_MOST = 3600.0, int(FLEET.sites_known.value)
_NULL = struct.pack(">i", -1)
_ARRAY_HEAD = struct.Struct(">iiIii")  # dimensions, whether there are nulls, type, length, first index
_STANDING_FIELDS = ActiveAlerts.__struct_fields__
_standing_values = attrgetter(*_STANDING_FIELDS)
_day_values = attrgetter(*DAY_FIELDS)


class PostgresWriter(IngestWriter):
    """A Writer whose every step is one round trip, however many rows it takes."""

    refused = (*IngestWriter.refused, psycopg.DataError, psycopg.IntegrityError, struct.error)

    def __init__(self, store: Store) -> None:
        super().__init__(store)
        self._months: set[Month] = set()
        self._copy = {table: _copy_sql(table) for table in (events, cycles)}
        self._known: dict[str, SiteNow] = {}  # as this writer left them, those of the newest batch last
        self._known_since_s = time.monotonic()
        head = "SELECT s.id, s.site, s.revoked_at IS NOT NULL"
        tail = "FROM sites s JOIN state t ON t.site_id = s.id WHERE"
        self._lock = f"""{head}, t.xmin::text, pg_current_xact_id()::xid::text
            {tail} s.site = ANY(%s) ORDER BY s.id FOR UPDATE OF t"""
        self._read = f"{head}, {', '.join(f't.{name}' for name in STATE_FIELDS)} {tail} s.id = ANY(%s)"
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
        """As in IngestWriter. A row that still bears the number of the transaction in which this writer left it
        (`xmin`) is known already: only the others are read."""
        cursor, found, unknown = _cursor(connection), [], []
        rows = cursor.execute(self._lock, [list(names)]).fetchall()
        for site_id, name, revoked, left_by, _ in rows:
            site = self._known.pop(name, None)
            if site is None or site.version != left_by:
                unknown.append(site_id)
            else:
                site.revoked = revoked
                found.append(site)
        if unknown:
            found += [site_now(row) for row in cursor.execute(self._read, [unknown])]
        for site in found:
            site.version = rows[0][-1]
        return found

    def committed(self, touched: list[SiteNow]) -> None:
        """Remember these sites. All are forgotten now and then, long before numbers of transactions come again."""
        if time.monotonic() - self._known_since_s > _KNOWN_S:
            self._known, self._known_since_s = {}, time.monotonic()
        self._known.update((site.site, site) for site in touched)
        for name in list(self._known)[: max(0, len(self._known) - _KNOWN_MOST)]:
            self._known.pop(name, None)  # a sweep in another thread may have taken it

    def read_standing(self, connection: sa.Connection, site_ids: list[int]) -> list[ActiveAlerts]:
        if not site_ids:
            return []
        rows = _cursor(connection).execute(self._standing, [site_ids])
        return [ActiveAlerts(**dict(zip(_STANDING_FIELDS, row, strict=True))) for row in rows]

    def add_rows(self, connection: sa.Connection, writes: Writes) -> None:
        _copy(connection, self._copy[events], events, writes.events)
        _copy(connection, self._copy[cycles], cycles, writes.cycles)

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


def _columns(table: sa.Table, names: Sequence[str]) -> list[_Column]:
    return [_COLUMNS[next(kind for kind in _COLUMNS if isinstance(table.c[name].type, kind))] for name in names]


def _copy_sql(table: sa.Table) -> str:
    return f"COPY {table.name} ({', '.join(table.columns.keys())}) FROM STDIN (FORMAT BINARY)"


def _copy(connection: sa.Connection, sql: str, table: sa.Table, rows: Sequence[tuple[Any, ...]]) -> None:
    if not rows:
        return
    with _cursor(connection).copy(sql) as copy:
        copy.set_types([column.name for column in _columns(table, table.columns.keys())])
        for row in rows:
            copy.write_row(row)


class _Packed(NamedTuple):
    """A column of values as the binary form of an array."""

    data: bytes


class _PackedDumper(Dumper):
    """Hands an array on as it is; psycopg's own packs its items one by one in Python, seven times as slow."""

    format = Format.BINARY
    oid = 0  # the statement says which type

    def dump(self, obj: _Packed) -> bytes:
        return obj.data


def _pack(column: _Column, values: Sequence[Any]) -> _Packed:
    """The binary form of an array (`array_send` of PostgreSQL): a head, then each item's length and bytes, -1 for
    NULL. Raises struct.error for a value that the type cannot hold."""
    count, item = len(values), column.item
    nulls = None in values
    head = _ARRAY_HEAD.pack(1, nulls, column.oid, count, 1)
    if item is None:
        texts = [None if value is None else value.encode() for value in values]
        return _Packed(head + b"".join([_NULL if t is None else len(t).to_bytes(4, "big") + t for t in texts]))
    width = item.size - 4
    if nulls:
        return _Packed(head + b"".join([_NULL if value is None else item.pack(width, value) for value in values]))
    flat = [width] * (2 * count)
    flat[1::2] = values
    return _Packed(head + struct.pack(">" + item.format[1:] * count, *flat))


class _Arrays:
    """One statement for many rows of a table: each column goes as one array."""

    def __init__(
        self, table: sa.Table, names: Sequence[str], sql: Callable[[sa.Table, Sequence[str], str], str]
    ) -> None:
        self._columns = _columns(table, names)
        rows = "unnest(" + ", ".join(f"%b::{column.name}[]" for column in self._columns) + ")"
        self._sql = sql(table, names, rows)

    def execute(self, connection: sa.Connection, rows: Sequence[tuple[Any, ...]]) -> None:
        """Run it in the transaction of `connection`."""
        cursor = _cursor(connection)
        cursor.adapters.register_dumper(_Packed, _PackedDumper)
        cursor.execute(self._sql, [_pack(*both) for both in zip(self._columns, zip(*rows, strict=True), strict=True)])


def _upsert_sql(table: sa.Table, names: Sequence[str], rows: str) -> str:
    keys = [column.name for column in table.primary_key]
    change = ", ".join(f"{name} = excluded.{name}" for name in names if name not in keys)
    return (
        f"INSERT INTO {table.name} ({', '.join(names)}) SELECT * FROM {rows}"  # noqa: S608
        f" ON CONFLICT ({', '.join(keys)}) DO UPDATE SET {change}"
    )


def _update_sql(table: sa.Table, names: Sequence[str], rows: str) -> str:
    change = ", ".join(f"{name} = n.{name}" for name in names[1:])
    source = f"{rows} AS n ({', '.join(names)})"
    return f"UPDATE {table.name} t SET {change} FROM {source} WHERE t.{names[0]} = n.{names[0]}"  # noqa: S608


def _days_sql(table: sa.Table, names: Sequence[str], rows: str) -> str:
    sums = [f"{name} = {table.name}.{name} + excluded.{name}" for name in DAY_FIELDS if name != "outdoor_max_c"]
    hottest = f"outdoor_max_c = greatest({table.name}.outdoor_max_c, excluded.outdoor_max_c)"  # NULL is passed over
    return (
        f"INSERT INTO {table.name} ({', '.join(names)}) SELECT * FROM {rows}"  # noqa: S608
        f" ON CONFLICT (site_id, day) DO UPDATE SET {', '.join([*sums, hottest])}"
    )
