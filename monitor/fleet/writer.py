"""One batch, one transaction: lock the sites' rows, fold the messages onto them, write everything, commit.

`Writer` speaks to SQLite through SQLAlchemy; `postgres.PostgresWriter` replaces the hot steps by arrays.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from operator import attrgetter
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.dialects import sqlite

from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.fleet import active_alerts, webhooks
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.messages import Aside, SiteMessage
from condenser_monitor.monitor.fleet.reducer import (
    Ask,
    EpisodeRow,
    Fold,
    SiteNow,
    UnitDay,
    Writes,
)
from condenser_monitor.monitor.fleet.sequence_tracker import SequenceTracker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    asks,
    cycles,
    episodes,
    events,
    set_aside,
    site_days,
    sites,
    snapshots,
    state,
)
from condenser_monitor.monitor.fleet.tables import standing as standing_table
from condenser_monitor.monitor.publishers.messages import Answered

STATE_FIELDS = tuple(n for n in SiteNow.__struct_fields__ if n not in ("site_id", "site", "revoked"))
assert STATE_FIELDS[-1] == "books"
_state_values = attrgetter(*STATE_FIELDS[:-1])
DAY_FIELDS = UnitDay.__struct_fields__
Batch = Sequence[SiteMessage | Aside]


class IngestWriter:
    """Writes batches to a store. Raises DatabaseError when the database fails: nothing of the batch is written then,
    or, when the connection broke at the very commit, all of it; giving the same batch again is right in both cases."""

    refused: tuple[type[Exception], ...] = (sa.exc.DataError, sa.exc.IntegrityError, ContractError)

    def __init__(self, store: Store) -> None:
        self.store = store

    def write(self, batch: Batch, now: float) -> Writes:
        """Fold and commit one batch. A message that the database refuses is set aside, the others are written."""
        try:
            return self._write(batch, now)
        except self.refused as error:
            if len(batch) == 1:
                return self._write([_refused(batch[0], error)], now)
            middle = len(batch) // 2
            halves = [self.write(part, now) for part in (batch[:middle], batch[middle:])]
            return Writes(taken=sum(h.taken for h in halves), known=sum(h.known for h in halves))

    def _write(self, batch: Batch, now: float) -> Writes:
        with self.store.write() as connection:
            fold = self._load(connection, batch)
            writes = fold.reduce(batch, now)
            self.save(connection, writes, list(fold.touched.values()), now)
        return writes

    def _load(self, connection: sa.Connection, batch: Batch) -> Fold:
        good = [message for message in batch if isinstance(message, SiteMessage)]
        now_of = {site.site: site for site in self.lock_sites(connection, {message.site for message in good})}
        folded = {m.site for m in good if m.topic in ("events", "unit")}
        rows: dict[int, active_alerts.Rows] = {}
        for row in self.read_standing(connection, [now_of[name].site_id for name in folded if name in now_of]):
            rows.setdefault(row.site_id, {})[row.finding] = row
        return Fold(now_of, rows, _asks(connection, [m.body.id for m in good if isinstance(m.body, Answered)]))

    def save(self, connection: sa.Connection, writes: Writes, touched: list[SiteNow], now: float) -> None:
        """Write what was folded, and the state of the sites that it touched."""
        self.add_rows(connection, writes)
        if writes.standing:
            webhooks.put_cases(connection, list(writes.standing.values()), now)
            self.put_standing(connection, list(writes.standing.values()))
        if writes.days:
            self.add_days(connection, writes.days)
        if touched:
            self.put_state(connection, touched)
        if writes.snapshots:
            self.put_snapshots(connection, writes.snapshots)
        if writes.episodes:
            self.put_episodes(connection, list(writes.episodes.values()))
        for ask_id, (at, done, why) in writes.answers.items():
            change = sa.update(asks).where(asks.c.id == ask_id, asks.c.answered_at.is_(None))
            connection.execute(change.values(answered_at=at, done=done, why=why))
        if writes.asides:
            columns = ("at", "topic", "reason", "payload")
            rows = [dict(zip(columns, row, strict=True)) for row in writes.asides]
            connection.execute(sa.insert(set_aside), rows)

    # ---- the hot steps, for SQLite; one writer at a time holds the whole file, so that nothing need be locked

    def lock_sites(self, connection: sa.Connection, names: Iterable[str]) -> list[SiteNow]:
        """The state of the named sites, locked until the transaction ends; names not enrolled are left out."""
        columns = [state.c[name] for name in STATE_FIELDS]
        query = sa.select(sites.c.id, sites.c.site, sites.c.revoked_at.is_not(None), *columns)
        query = query.join(state).where(sites.c.site.in_(sorted(names))).order_by(sites.c.id)
        return [site_now(row) for row in connection.execute(query)]

    def read_standing(self, connection: sa.Connection, site_ids: list[int]) -> list[ActiveAlerts]:
        """All rows of `standing` of these sites."""
        query = sa.select(standing_table).where(standing_table.c.site_id.in_(site_ids))
        return [ActiveAlerts(**row._mapping) for row in connection.execute(query)]

    def add_rows(self, connection: sa.Connection, writes: Writes) -> None:
        """Append to `events` and `cycles`."""
        for table, rows in ((events, writes.events), (cycles, writes.cycles)):
            if rows:
                names = table.columns.keys()
                connection.execute(sa.insert(table), [dict(zip(names, row, strict=True)) for row in rows])

    def put_standing(self, connection: sa.Connection, rows: list[ActiveAlerts]) -> None:
        """Insert or replace rows of `standing`."""
        _upsert(connection, standing_table, [msgspec.structs.asdict(row) for row in rows])

    def add_days(self, connection: sa.Connection, days: dict[tuple[int, str], UnitDay]) -> None:
        """Add to the daily sums."""
        insert = sqlite.insert(site_days)
        was, new = site_days.c, insert.excluded
        sums = {name: was[name] + new[name] for name in DAY_FIELDS if name != "outdoor_max_c"}
        hottest = sa.func.max(
            sa.func.coalesce(was.outdoor_max_c, new.outdoor_max_c),
            sa.func.coalesce(new.outdoor_max_c, was.outdoor_max_c),
        )
        change = insert.on_conflict_do_update(["site_id", "day"], set_={**sums, "outdoor_max_c": hottest})
        rows = [{"site_id": key[0], "day": key[1], **msgspec.structs.asdict(day)} for key, day in days.items()]
        connection.execute(change, rows)

    def put_state(self, connection: sa.Connection, touched: list[SiteNow]) -> None:
        """Write the sites' state back."""
        change = sa.update(state).where(state.c.site_id == sa.bindparam("key"))
        rows = [{"key": site.site_id, **dict(zip(STATE_FIELDS, state_row(site), strict=True))} for site in touched]
        connection.execute(change.values({name: sa.bindparam(name) for name in STATE_FIELDS}), rows)

    def put_snapshots(self, connection: sa.Connection, bodies: dict[int, str]) -> None:
        """Keep the newest `unit` messages."""
        _upsert(connection, snapshots, [{"site_id": key, "body": body} for key, body in bodies.items()])

    def put_episodes(self, connection: sa.Connection, rows: list[EpisodeRow]) -> None:
        """Insert or replace rows of `episodes`."""
        names = episodes.columns.keys()
        _upsert(connection, episodes, [dict(zip(names, row, strict=True)) for row in rows])


def writer(store: Store) -> IngestWriter:
    """The writer for this store's kind of database."""
    if not store.postgres:
        return IngestWriter(store)
    from condenser_monitor.monitor.fleet.postgres import PostgresWriter  # noqa: PLC0415 - psycopg is only there with the fleet extra

    return PostgresWriter(store)


def site_now(row: Sequence[Any]) -> SiteNow:
    """A row of `lock_sites`: id, name, revoked, then STATE_FIELDS."""
    fields = dict(zip(STATE_FIELDS, row[3:], strict=True))
    fields["books"] = SequenceTracker(fields["books"])
    return SiteNow(site_id=row[0], site=row[1], revoked=row[2], **fields)


def state_row(site: SiteNow) -> tuple[Any, ...]:
    """The values of STATE_FIELDS as they go to the database."""
    return (*_state_values(site), str(site.books))


def _asks(connection: sa.Connection, ids: list[str]) -> dict[str, Ask]:
    if not ids:
        return {}
    query = sa.select(asks.c.id, asks.c.site_id, asks.c.body).where(asks.c.id.in_(ids))
    rows = connection.execute(query)
    return {key: msgspec.convert({**msgspec.json.decode(body), "site_id": site}, Ask) for key, site, body in rows}


def _upsert(connection: sa.Connection, table: sa.Table, rows: list[dict[str, Any]]) -> None:
    insert = sqlite.insert(table)
    keys = [column.name for column in table.primary_key]
    change = {column.name: insert.excluded[column.name] for column in table.columns if column.name not in keys}
    connection.execute(insert.on_conflict_do_update(keys, set_=change), rows)


def _refused(message: SiteMessage | Aside, error: Exception) -> Aside:
    reason = f"the database refused it: {str(error).splitlines()[0]}"
    if isinstance(message, Aside):
        return Aside(message.topic, message.received_at, reason, b"")
    return Aside(f"{message.site}/{message.topic}", message.received_at, reason, message.payload)
