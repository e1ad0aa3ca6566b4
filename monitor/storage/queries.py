"""(edge) What anyone may read of the history: the page, the terminal, the outlets.

Reads give what can be read: none where the file is not there or cannot be read, which `health()` says.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from condenser_monitor.monitor.core.errors import CommandError, HistoryError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    Answer,
    Change,
    Cycle,
    MeterReading,
    StartTransient,
    StoredVisit,
    UnitStatus,
)
from condenser_monitor.monitor.storage.models import (
    KINDS,
    LANES,
    Columns,
    Health,
    Lane,
    OutletHealth,
    OwnFault,
    StoredEvent,
    StoredPoint,
    StoredStart,
    Topic,
    VisitScore,
    decoded,
)
from condenser_monitor.monitor.storage.rollup import SCALE, STEP_S
from condenser_monitor.monitor.storage.schema import (
    MIGRATIONS,
    AloneConnection,
    connect,
    connect_alone,
    free_bytes,
)
from condenser_monitor.monitor.storage.status_cache import (
    LANE,
    CachedStatus,
    StatusCache,
    row_lane,
)

OUTBOX = "SELECT place, topic, seq, id, kind, run, t_s, wall_s, body FROM outbox"
_BODIES = (
    "SELECT wall_s, body FROM outbox WHERE topic = ? AND kind = ? AND wall_s >= ? AND {} ? ORDER BY wall_s DESC LIMIT ?"
)
OUTLET_NOTE = "outlet:"  # before an outlet's name among the notes
FAULT = "fault:"  # before a part's name among the notes, and among what is kept in `state`
_Record = TypeVar("_Record")
# What rows hold that are not damaged.
_OUTBOX, _STATE, _START, _CURSOR = Columns("ITITTIRrB"), Columns("rB"), Columns("IrB"), Columns("TI")
_DATED = Columns("RB")
_Sums = dict[int, list[float | None]]  # where a stretch begins -> count, sum, low, high of each reading
_ROW = msgspec.json.Decoder(list[float | None])
_JOIN: tuple[Callable[[list[float]], float], ...] = (sum, sum, min, max)
_LANE = (
    "SELECT name, from_wall_s, state, to_wall_s FROM lanes "
    "WHERE name = ? AND from_wall_s < ? AND (to_wall_s IS NULL OR to_wall_s > ?) "
    # From the last one that began before the span: the stretches of a link follow each other, and years may lie before.
    "AND from_wall_s >= coalesce((SELECT max(from_wall_s) FROM lanes WHERE name = ? AND from_wall_s <= ?), 0)"
)


# What the service says of itself that is no fault: an unset clock, counts, sensors (which have a finding of their own).
_NO_FAULT = frozenset({"clock", "faults", "held", "set-aside"})


class StorageQueries:
    """Reads the history at `path` and the live file beside it; each call borrows a connection, so any thread may."""

    def __init__(self, path: Path, live: StatusCache, clock: Callable[[], float], wall: Callable[[], float]) -> None:
        self.path = path
        self._live, self._clock, self._wall = live, clock, wall
        self._lock = threading.Lock()
        self._idle: list[tuple[tuple[int, int, bool], sqlite3.Connection]] = []

    # ------------------------------------------------------------ read by anyone

    def status(self) -> UnitStatus | None:
        """The last status; alerts and findings as they stand are in it."""
        found = self._last_status()
        if found is None:
            return None
        return decoded(found.body, UnitStatus)

    def status_age_s(self) -> float | None:
        """Seconds since the status was taken, by a clock that does not jump; None when that is not known: of a status
        from before a boot, dated ahead of a clock that is not set yet, nobody knows how old it is."""
        found = self._last_status()
        if found is None:
            return None
        if found.boot and found.boot == self._live.boot:
            return max(0.0, self._clock() - found.at_s)
        age_s = None if found.wall_s is None else self._wall() - found.wall_s
        return None if age_s is None or age_s < 0 else age_s

    def _last_status(self) -> CachedStatus | None:
        found = self._live.status()
        if found is not None:
            return found
        for row in self._rows("SELECT wall_s, body FROM state WHERE key = 'status'"):
            return CachedStatus(0.0, "", *row) if _STATE.holds(row) else None
        return None

    def lanes(self, from_wall_s: float, to_wall_s: float, names: Sequence[str] = LANES) -> list[Lane]:
        """Stretches of links (some of LANES) that touch the span, in order of lane and time."""
        found = {}
        for name in names:
            values = (name, to_wall_s, from_wall_s, name, from_wall_s)
            for row in (*self._rows(_LANE, *values), *self._live.select(_LANE, values)):
                if LANE.holds(row):
                    found[name, row[1]] = row_lane(row)
        return sorted(found.values(), key=lambda lane: (LANES.index(lane.name), lane.from_wall_s))

    def readings(self, name: str, from_wall_s: float, to_wall_s: float, points: int = 500) -> list[StoredPoint]:
        """One reading over a span, in at most `points` stretches of equal length; stretches with none are left out.

        Raises CommandError for a name that is no reading.
        """
        return self.curves((name,), from_wall_s, to_wall_s, points)[name]

    def curves(
        self, names: Sequence[str], from_wall_s: float, to_wall_s: float, points: int = 500
    ) -> dict[str, list[StoredPoint]]:
        """Several readings over one span, each as `readings` gives it, by name; the rows are gone through once for all.

        Raises CommandError for a name that is no reading.
        """
        for name in names:
            if name not in READINGS:
                raise CommandError("reading", name, "one of " + ", ".join(READINGS))
        span_s = max(to_wall_s - from_wall_s, STEP_S)
        step_s = max(STEP_S, -int(-span_s // (max(points, 1) * STEP_S)) * STEP_S)
        values = stretch_values(int(from_wall_s), step_s, to_wall_s)
        fine = stretch_sums("fine", names)
        sums = _summed(self._rows(stretch_sums("coarse", names), *values), {})
        sums = _summed(self._rows(fine, *values), sums)
        sums = _summed(self._live.select(fine, values), sums)
        rows = sorted(sums.items())
        return {name: _points(rows, 4 * place) for place, name in enumerate(names)}

    def cycles(self, from_wall_s: float, to_wall_s: float, limit: int = 200) -> list[tuple[float, Cycle]]:
        """Finished cycles that stopped in the span, as (wall time of the stop, cycle), newest first."""
        rows = self._rows(_BODIES.format("wall_s <"), "cycles", "cycle", from_wall_s, to_wall_s, limit)
        return _dated(rows, Cycle)

    def changes(self, from_wall_s: float, to_wall_s: float, limit: int = 200) -> list[tuple[float, Change]]:
        """Changes of findings in the span, both ends with it, as (wall time, change), newest first."""
        rows = self._rows(_BODIES.format("wall_s <="), "events", "change", from_wall_s, to_wall_s, limit)
        return _dated(rows, Change)

    def events(self, after_seq: int = 0, limit: int = 200, topic: Topic = "events") -> list[StoredEvent]:
        """Rows of one topic with `seq` above `after_seq`, oldest first."""
        sql = f"{OUTBOX} WHERE topic = ? AND seq > ? ORDER BY seq LIMIT ?"
        return kept_rows(self._rows(sql, topic, after_seq, limit))

    def latest_events(self, limit: int = 50, topic: Topic = "events") -> list[StoredEvent]:
        """The newest rows of one topic, newest first."""
        return kept_rows(self._rows(f"{OUTBOX} WHERE topic = ? ORDER BY place DESC LIMIT ?", topic, limit))

    def starts(self, limit: int = 200) -> list[StoredStart]:
        """Captured starts, newest first."""
        rows = self._rows("SELECT run, wall_s, body FROM starts ORDER BY place DESC LIMIT ?", limit)
        return [
            StoredStart(run=run, wall_s=wall_s, start=start)
            for run, wall_s, body in filter(_START.holds, rows)
            if (start := decoded(body, StartTransient)) is not None
        ]

    def visits(self, limit: int = 200) -> list[StoredVisit]:
        """What visits found, newest first."""
        rows = self._rows("SELECT body FROM visits ORDER BY place DESC LIMIT ?", limit)
        return _each(rows, StoredVisit)

    def score(self) -> VisitScore:
        """How often the first suspect was right."""
        right = [visit.first_right for visit in self.visits(limit=-1)]
        return VisitScore(right.count(True), right.count(False), right.count(None))

    def meter_readings(self, limit: int = 200, since_wall_s: float = 0.0) -> list[MeterReading]:
        """Meter readings, newest first."""
        sql = "SELECT body FROM meter_readings WHERE wall_s >= ? ORDER BY place DESC LIMIT ?"
        return _each(self._rows(sql, since_wall_s, limit), MeterReading)

    def health(self) -> Health:
        """How the monitor itself does."""
        notes = self._live.notes()
        texts = {name: text for name, (text, _) in notes.items() if text}
        return Health(
            status_age_s=self.status_age_s(),
            size_bytes=sum(_size(self.path.with_name(self.path.name + end)) for end in ("", "-wal")),
            free_bytes=free_bytes(self.path),
            disk_error=texts.pop("disk", ""),
            held=int(held) if (held := texts.pop("held", "")).isdecimal() else 0,
            set_aside=texts.pop("set-aside", ""),
            faults=decoded(texts.pop("faults", "{}").encode(), dict[str, str]) or {},
            outlets=self._outlets(notes),
            notes={name: text for name, text in texts.items() if not name.startswith((OUTLET_NOTE, FAULT))},
            own_faults=self.own_faults(),
        )

    def own_faults(self) -> tuple[OwnFault, ...]:
        """Return the program's own faults that nobody has acknowledged, by part; the live file counts all of them, the
        disk what a power cut leaves."""
        bodies = dict(self._rows("SELECT key, body FROM state WHERE key LIKE 'fault:%'"))
        bodies |= {name: text.encode() for name, (text, _) in self._live.notes().items() if name.startswith(FAULT)}
        found = (decoded(body, OwnFault) for _, body in sorted(bodies.items()) if isinstance(body, bytes))
        return tuple(one for one in found if one is not None)

    def fault_count(self) -> int:
        """Count what is wrong with the monitor itself: its own faults, and what else it says of itself."""
        said = {name for name, (text, _) in self._live.notes().items() if text}
        others = sum(name not in _NO_FAULT and not name.startswith((OUTLET_NOTE, FAULT)) for name in said)
        return len(self.own_faults()) + others

    def _outlets(self, notes: dict[str, tuple[str, float | None]]) -> dict[str, OutletHealth]:
        last = self._last_place()
        found = {}
        for outlet, place in {
            **dict(filter(_CURSOR.holds, self._rows("SELECT outlet, place FROM cursors"))),
            **self._cursors(),
        }.items():
            error, wall_s = notes.get(OUTLET_NOTE + outlet, ("", None))
            waiting = max(0, last - place)
            found[outlet] = OutletHealth(waiting=waiting, error=error, error_wall_s=wall_s if error else None)
        return found

    def _cursors(self) -> dict[str, int]:
        """Cursors not yet on disk; the owner knows some."""
        return {}

    def _last_place(self) -> int:
        rows = self._rows("SELECT last FROM counters WHERE topic = 'place'")
        return rows[0][0] if rows and isinstance(rows[0][0], int) else 0

    def answer(self, request_id: str) -> Answer | None:
        """The answer to a request; None while there is none."""
        for (body,) in self._rows("SELECT answer FROM requests WHERE id = ? AND answer IS NOT NULL", request_id):
            return decoded(body, Answer)
        return None

    # ------------------------------------------------------------ inside

    @contextmanager
    def _borrow(self, *, whole: bool = False) -> Iterator[sqlite3.Connection]:
        """A connection for one call. One to a file that has been replaced since, or whose disk was read-only and is not
        any more, is closed and not used. Where the index of the log cannot be had (no room for it, a read-only disk),
        the connection reads the main file alone, without what is only in its log; `whole` refuses that.

        Raises HistoryError when there is no file or it is of another version, sqlite3.Error when the disk fails.
        """
        try:
            found = self.path.stat()
            read_only = bool(os.statvfs(self.path).f_flag & os.ST_RDONLY)
        except OSError:
            raise HistoryError(str(self.path), "no such file", "a history") from None
        if not found.st_size:  # SQLite would take an empty file for a new one, and remove the log beside it
            raise HistoryError(str(self.path), "an empty file", "a history")
        place = (found.st_dev, found.st_ino, read_only)
        db = self._take_idle(place) or self._connect(whole=whole)
        try:
            yield db
        except BaseException:
            db.close()
            raise
        # One that was opened on a read-only disk has the index of the log read-only, for the whole process.
        if read_only or isinstance(db, AloneConnection):
            db.close()
            return
        with self._lock:
            self._idle.append((place, db))

    def _take_idle(self, place: tuple[int, int, bool]) -> sqlite3.Connection | None:
        with self._lock:
            while self._idle:
                was, db = self._idle.pop()
                if was == place:
                    return db
                db.close()
        return None

    def _connect(self, *, whole: bool) -> sqlite3.Connection:
        try:
            db = connect(self.path, durable=True)
        except sqlite3.OperationalError:
            if whole and _size(self.path.with_name(self.path.name + "-wal")):
                raise
            db = connect_alone(self.path)
        version = db.execute("PRAGMA user_version").fetchone()[0]
        if version != len(MIGRATIONS):
            db.close()
            allowed = f"schema version {len(MIGRATIONS)}: the service brings an older file up to it"
            raise HistoryError(str(self.path), f"schema version {version}", allowed)
        return db

    def _close_idle(self) -> None:
        with self._lock:
            while self._idle:
                self._idle.pop()[1].close()

    def _read(self, sql: str, values: Sequence[object], *, whole: bool = False) -> list[tuple[Any, ...]]:
        with self._borrow(whole=whole) as db:
            return db.execute(sql, values).fetchall()

    def _rows(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """Rows of a query; none when the file is not there or cannot be read."""
        try:
            return self._read(sql, values)
        except (sqlite3.Error, HistoryError):
            return []


def kept_rows(rows: Iterable[tuple[Any, ...]]) -> list[StoredEvent]:
    """Rows of the outbox as records; those that a damaged file has spoilt are left out."""
    return [
        StoredEvent(
            place=place,
            topic=topic,
            seq=seq,
            id=name,
            run=run,
            t_s=t_s,
            wall_s=wall_s,
            body=read,
        )
        for place, topic, seq, name, kind, run, t_s, wall_s, body in filter(_OUTBOX.holds, rows)
        if kind in KINDS and (read := decoded(body, KINDS[kind][1])) is not None
    ]


def _dated(rows: Iterable[tuple[Any, ...]], kind: type[_Record]) -> list[tuple[float, _Record]]:
    """Records of one kind with their wall time, out of rows of these two; the row itself is not wanted."""
    held = filter(_DATED.holds, rows)
    return [(wall_s, record) for wall_s, body in held if (record := decoded(body, kind)) is not None]


def _each(rows: Iterable[tuple[Any, ...]], kind: type[_Record]) -> list[_Record]:
    return [record for (body,) in rows if (record := decoded(body, kind)) is not None]


def stretch_sums(table: str, names: Sequence[str]) -> str:
    """SQL for the stretches of a span that a table has rows of: where each begins, and for each reading count, sum of
    means, lowest and highest, as one JSON array; what it is asked with is `stretch_values`."""
    sums = ", ".join(f"count({name}_mean), sum({name}_mean), min({name}_low), max({name}_high)" for name in names)
    # One look by the key for each stretch: grouped rows would all be sorted first, which takes as long as reading them.
    return (
        "WITH RECURSIVE stretch (from_s) AS ("  # noqa: S608 - our own tables, and names of our own table of readings
        f"SELECT ? + (wall_s - ?) / ? * ? FROM (SELECT wall_s FROM {table} WHERE wall_s >= ? AND wall_s < ? "
        "ORDER BY wall_s LIMIT 1) UNION ALL SELECT from_s + ? FROM stretch WHERE from_s + ? <= "
        f"(SELECT wall_s FROM {table} WHERE wall_s < ? ORDER BY wall_s DESC LIMIT 1)) "
        f"SELECT from_s, (SELECT json_array({sums}) FROM {table} "
        "WHERE wall_s >= from_s AND wall_s < min(from_s + ?, ?)) FROM stretch"
    )


def stretch_values(from_s: int, step_s: int, to_s: float) -> tuple[float, ...]:
    """The values of `stretch_sums` for a span, in stretches of `step_s`."""
    return (from_s, from_s, step_s, step_s, from_s, to_s, step_s, step_s, to_s, step_s, to_s)


def _summed(rows: Iterable[tuple[int, str]], sums: _Sums) -> _Sums:
    """Rows of `stretch_sums` put to those of another table, by where the stretch begins."""
    for from_s, body in rows:
        with suppress(msgspec.DecodeError):  # a damaged file may hold words where numbers belong
            row = _ROW.decode(body)
            sums[from_s] = _both(sums[from_s], row) if from_s in sums else row
    return sums


def _both(one: list[float | None], other: list[float | None]) -> list[float | None]:
    """Counts and sums of the two together, the lower low and the higher high; None where neither has any."""
    joined: list[float | None] = []
    for at, (a, b) in enumerate(zip(one, other, strict=True)):
        known = [value for value in (a, b) if value is not None]
        joined.append(_JOIN[at % 4](known) if known else None)
    return joined


def _points(rows: Sequence[tuple[int, list[float | None]]], at: int) -> list[StoredPoint]:
    """The stretches in which a reading is known; its numbers begin at place `at` of each row."""
    found = []
    for from_s, row in rows:
        count, total, low, high = row[at : at + 4]
        if count and total is not None and low is not None and high is not None:
            found.append(StoredPoint(from_s, total / count / SCALE, low / SCALE, high / SCALE))
    return found


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
