"""(edge) The history: SQLite on disk for what must not be lost, a second small file in memory for what is live.

One process owns the history (the service, `owner=True`) and writes it; others (the page, the terminal) open the same
path, read, and leave requests, meter readings and visits. Every method may be called from any thread.

What one engine step brought (events with their sequence numbers, answers, status, the engine's memory) is written in
one transaction, so that a kill at any point neither loses nor doubles (see writer.py). Reads give what can be read; a
failing disk is said in `health()`.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError, HistoryError, shown
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    Answer,
    Change,
    Cycle,
    Event,
    Finding,
    MeterReading,
    Request,
    Scan,
    Severity,
    StartTransient,
    StoredVisit,
    UnitStatus,
    worst,
)
from condenser_monitor.monitor.diagnosis.checks.base import Who
from condenser_monitor.monitor.diagnosis.evidence import numbers_of, seen_from
from condenser_monitor.monitor.diagnosis.unit_diagnosis import SITUATIONS
from condenser_monitor.monitor.diagnosis.visit.session import NOTHING_COOLS, SYMPTOMS, VisitSession
from condenser_monitor.monitor.storage.models import (
    KINDS,
    LANES,
    Health,
    Lane,
    OwnFault,
    PublisherHealth,
    StoredEvent,
    StoredPoint,
    StoredStart,
    Topic,
    VisitScore,
)
from condenser_monitor.monitor.storage.recovery import PLACE, STEP, size_of
from condenser_monitor.monitor.storage.schema import (
    MIGRATIONS,
    AloneConnection,
    RowTypes,
    SwapLock,
    connect,
    connect_alone,
    decoded,
    free_bytes,
)
from condenser_monitor.monitor.storage.status_cache import (
    LANE,
    SCALE,
    STEP_S,
    Bucket,
    CachedStatus,
    LaneTrack,
    Rollup,
    StatusCache,
    live_path,
    row_lane,
)
from condenser_monitor.monitor.storage.writer import (
    Background,
    StorageWriter,
    in_a_thread,
)

OUTBOX = "SELECT place, topic, seq, id, kind, run, t_s, wall_s, body FROM outbox"
_BODIES = (
    "SELECT wall_s, body FROM outbox WHERE topic = ? AND kind = ? AND wall_s >= ? AND {} ? ORDER BY wall_s DESC LIMIT ?"
)
PUBLISHER_NOTE = "outlet:"  # before a publisher's name among the notes
FAULT = "fault:"  # before a part's name among the notes, and among what is kept in `state`
_Record = TypeVar("_Record")
# What rows hold that are not damaged.
_OUTBOX, _STATE, _START, _CURSOR = RowTypes("ITITTIRrB"), RowTypes("rB"), RowTypes("IrB"), RowTypes("TI")
_DATED = RowTypes("RB")
_Sums = dict[int, list[float | None]]  # where a stretch begins -> count, sum, low, high of each reading
_ROW = msgspec.json.Decoder(list[float | None])
_JOIN: tuple[Callable[[list[float]], float], ...] = (sum, sum, min, max)
_LANE = (
    "SELECT name, from_wall_s, state, to_wall_s FROM lanes "
    "WHERE name = ? AND from_wall_s < ? AND (to_wall_s IS NULL OR to_wall_s > ?) "
    # From the last one that began before the span: the stretches of a link follow each other, and years may lie before.
    "AND from_wall_s >= coalesce((SELECT max(from_wall_s) FROM lanes WHERE name = ? AND from_wall_s <= ?), 0)"
)


_NEAR = 20  # how many rows are walked back over for each one that is asked for
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
        return stored_events(self._rows(sql, topic, after_seq, limit))

    def latest_events(self, limit: int = 50, topic: Topic = "events") -> list[StoredEvent]:
        """The newest rows of one topic, newest first."""
        # By the index of its topic every row of it is read to be put in order. Those of a topic that most rows are of
        # are walked back to from the newest row; where that does not give enough, its rows are few.
        ((last,),) = self._rows("SELECT coalesce(max(place), 0) FROM outbox") or [(0,)]
        near = f"{OUTBOX} NOT INDEXED WHERE topic = ? AND place > ? ORDER BY place DESC LIMIT ?"
        rows = self._rows(near, topic, last - _NEAR * limit, limit)
        if len(rows) < limit or limit < 0:
            rows = self._rows(f"{OUTBOX} WHERE topic = ? ORDER BY place DESC LIMIT ?", topic, limit)
        return stored_events(rows)

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
            size_bytes=sum(size_of(self.path.with_name(self.path.name + end)) for end in ("", "-wal")),
            free_bytes=free_bytes(self.path),
            disk_error=texts.pop("disk", ""),
            held=int(held) if (held := texts.pop("held", "")).isdecimal() else 0,
            set_aside=texts.pop("set-aside", ""),
            faults=decoded(texts.pop("faults", "{}").encode(), dict[str, str]) or {},
            publishers=self._publishers(notes),
            notes={name: text for name, text in texts.items() if not name.startswith((PUBLISHER_NOTE, FAULT))},
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
        others = sum(name not in _NO_FAULT and not name.startswith((PUBLISHER_NOTE, FAULT)) for name in said)
        return len(self.own_faults()) + others

    def _publishers(self, notes: dict[str, tuple[str, float | None]]) -> dict[str, PublisherHealth]:
        last = self._last_offset()
        found = {}
        for publisher, offset in {
            **dict(filter(_CURSOR.holds, self._rows("SELECT outlet, place FROM cursors"))),
            **self._cursors(),
        }.items():
            error, wall_s = notes.get(PUBLISHER_NOTE + publisher, ("", None))
            waiting = max(0, last - offset)
            found[publisher] = PublisherHealth(waiting=waiting, error=error, error_wall_s=wall_s if error else None)
        return found

    def _cursors(self) -> dict[str, int]:
        """Cursors not yet on disk; the owner knows some."""
        return {}

    def _last_offset(self) -> int:
        rows = self._rows("SELECT last FROM counters WHERE topic = 'place'")
        return rows[0][0] if rows and isinstance(rows[0][0], int) else 0

    def answer(self, request_id: str) -> Answer | None:
        """The answer to a request; None while there is none."""
        for (body,) in self._rows("SELECT answer FROM requests WHERE id = ? AND answer IS NOT NULL", request_id):
            return decoded(body, Answer)
        return None

    # ------------------------------------------------------------ inside

    @contextmanager
    def _connection(self, *, whole: bool = False) -> Iterator[sqlite3.Connection]:
        """A connection for one call. One to a file that has been replaced since, or whose disk was read-only and is not
        any more, is closed and not used. Where the index of the log cannot be had (no room for it, a read-only disk),
        the connection reads the main file alone, without what is only in its log; `whole` refuses that.

        Raises HistoryError when there is no file or it is of another version, sqlite3.Error when the disk fails or
        the file is being restored for longer than anybody waits.
        """
        with SwapLock(self.path) as swap:
            if not swap.share():
                raise sqlite3.OperationalError("the history is being restored")
            try:
                found = self.path.stat()
                read_only = bool(os.statvfs(self.path).f_flag & os.ST_RDONLY)
            except OSError:
                raise HistoryError(str(self.path), "no such file", "a history") from None
            if not found.st_size:  # SQLite would take an empty file for a new one, and remove the log beside it
                raise HistoryError(str(self.path), "an empty file", "a history")
            place = (found.st_dev, found.st_ino, read_only)
            with self._lock:
                while self._idle and self._idle[-1][0] != place:
                    self._idle.pop()[1].close()
                idle = self._idle.pop()[1] if self._idle else None
            db = idle or self._connect(whole=whole)
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

    def _connect(self, *, whole: bool) -> sqlite3.Connection:
        try:
            db = connect(self.path, durable=True)
        except sqlite3.OperationalError:
            if whole and size_of(self.path.with_name(self.path.name + "-wal")):
                raise
            db = connect_alone(self.path)
        try:
            version = db.execute("PRAGMA user_version").fetchone()[0]
            if version != len(MIGRATIONS):
                allowed = f"schema version {len(MIGRATIONS)}: the service brings an older file up to it"
                raise HistoryError(str(self.path), f"schema version {version}", allowed)
        except BaseException:
            db.close()  # at once: what failed holds it else, until what failed is forgotten
            raise
        return db

    def _close_idle(self) -> None:
        with self._lock:
            while self._idle:
                self._idle.pop()[1].close()

    def _rows(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """Rows of a query; none when the file is not there or cannot be read."""
        try:
            with self._connection() as db:
                return db.execute(sql, values).fetchall()
        except (sqlite3.Error, HistoryError):
            return []


def stored_events(rows: Iterable[tuple[Any, ...]]) -> list[StoredEvent]:
    """Rows of the outbox as records; those that a damaged file has spoilt are left out."""
    return [
        StoredEvent(
            offset=offset,
            topic=topic,
            seq=seq,
            id=name,
            run=run,
            t_s=t_s,
            wall_s=wall_s,
            body=read,
        )
        for offset, topic, seq, name, kind, run, t_s, wall_s, body in filter(_OUTBOX.holds, rows)
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


_log = logging.getLogger(__name__)
_TOO_MANY = "too many requests are waiting"
_REQUESTS_MOST = int(limits.HISTORY.requests_most.value)


class History(StorageQueries):
    """The history file at `path`; it is made when it does not exist (owner) or read as empty (others).

    `keep` gives the days each kind is kept and the directory of the live file ("" chooses one in memory). `clock` is
    monotonic and common to all processes of the machine; `wall` is seconds since 1970; `background` begins work that
    may take a while (the daily backup). Raises HistoryError when another process owns the file already, or when it is
    not a history.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        owner: bool = False,
        keep: config.HistorySettings | None = None,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
        background: Background = in_a_thread,
    ) -> None:
        keep = keep or config.HistorySettings()
        live = StatusCache(live_path(Path(path), keep.live_dir), owner=owner, wall=wall)
        super().__init__(Path(path), live, clock, wall)
        self._rollup, self._lanes = Rollup(), LaneTrack()
        self._deferred: tuple[list[Bucket], list[Lane]] = [], []
        self._texts: dict[str, str] = {}
        self._sources: dict[str, str] = {}
        self._newest: CachedStatus | None = None
        self._status_t_s = 0.0  # that of an engine that has seen nothing
        try:
            self._writer = (
                StorageWriter(
                    *(self.path, live, self._lanes),
                    keep=keep,
                    clock=clock,
                    wall=wall,
                    release=self._close_idle,
                    background=background,
                )
                if owner
                else None
            )
        except HistoryError:
            self._live.close()
            raise
        if self._writer is not None:
            self._report_health(self._writer)

    # ------------------------------------------------------------ written by the owner, once a step

    def memory(self) -> bytes | None:
        """The engine's memory as last kept; None in a new history."""
        return self._owned().memory

    def last_good_memory(self) -> bytes | None:
        """Return the memory as it was when it was last read in whole; None where none was."""
        return self._owned().last_good_memory

    def memory_read(self, *, whole: bool) -> None:
        """Say whether the memory could be read in whole. It then becomes the last good one; else it is kept beside."""
        self._owned().memory_read(whole=whole)

    def step(
        self,
        *,
        now_s: float,
        wall_s: float | None,
        status: UnitStatus,
        memory: Callable[[], bytes],
        scan: Scan | None = None,
        events: Sequence[Event] = (),
        answers: Sequence[Answer] = (),
        starts: Sequence[StartTransient] = (),
        last: bool = False,
        defer: bool = False,
    ) -> bool:
        """Keep one engine step; never raises for a disk that fails: the step is held in memory and tried again.

        Return True once when the memory of the last run could be read only now, after an engine had begun without it:
        an engine is then to be begun with it. By this step it was not written over.

        `now_s` is on the scans' clock. `memory` is asked for only when it is written. `last` writes everything pending,
        before the program ends. `defer` numbers what happened and writes it with a later step: for a past made up
        faster than a disk writes, never for a unit that is watched.
        """
        writer = self._owned()
        body = msgspec.json.encode(status)
        buckets = [] if scan is None else self._rollup.add(scan)
        if last:
            buckets = [*buckets, *self._rollup.flush()]
        buckets_due, lanes_due = self._deferred
        buckets_due += buckets
        lanes_due += self._lanes.add(status.links, now_s, wall_s)
        now = self._clock()
        if status.t_s != self._status_t_s or (scan is not None and self._newest is None):
            newest = CachedStatus(now, self._live.boot, wall_s, body)
        else:
            # A status without a new scan is as old as its scan, and in a life that has had none as old as the last
            # life's: a monitor that is blind must not look fresh.
            newest = (self._last_status() or CachedStatus(0.0, "", None, b""))._replace(body=body)
        self._newest, self._status_t_s = newest, status.t_s
        # A person who asked for something looks at once whether it is so.
        if not defer:
            self._live.write(newest, now, buckets_due, lanes_due, at_once=bool(answers))
            self._deferred = [], []
        spoken = frozenset(answer.id for answer in answers if self._sources.pop(answer.id, "") == "broker")
        writer.step(
            now_s,
            wall_s,
            status=newest,
            memory=memory,
            events=events,
            answers=answers,
            spoken=spoken,
            starts=starts,
            last=last,
            defer=defer,
        )
        if not defer:
            self._report_health(writer)
        late, writer.memory_came_late = writer.memory_came_late, False
        return late

    def requests(self) -> list[Request]:
        """Requests not yet answered, oldest first."""
        writer = self._owned()
        found: dict[str, tuple[Request, str]] = {}
        for body, source in self._rows(
            "SELECT body, source FROM requests WHERE answer IS NULL ORDER BY place LIMIT ?",
            _REQUESTS_MOST,
        ):
            request = decoded(body, Request)
            if request is not None:
                found[request.id] = (request, source)
        with writer.lock:
            found |= writer.held_requests
            waiting = {answer.id for answer in writer.held.answers}
        self._sources = {name: source for name, (_, source) in found.items()}
        return [request for request, _ in found.values() if request.id not in waiting]

    def note(self, name: str, text: str) -> None:
        """Put a note of the service for the health page, such as `faults` (JSON: reading -> why it is missing)."""
        if self._texts.get(name) != text:
            self._texts[name] = text
            self._live.note(name, text, self._wall())

    def close(self) -> None:
        """Close the files. The owner calls `step(last=True)` before."""
        if self._writer is not None:
            for one in self.own_faults():
                self._keep_fault(one)
        remove = self._writer is not None and self._writer.close()
        self._close_idle()
        self._live.close(remove=remove)

    def __enter__(self) -> History:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ the program's own faults, from any process

    def fault(self, part: str, error: Exception) -> None:
        """Log an exception that was caught though nobody foresaw it, with its traceback, and count it until a person
        has acknowledged it. Never raises. The disk hears of the first, second, fourth, ... of a part's faults."""
        _log.error("%s: a fault of the program", part, exc_info=error, extra={"part": part})
        now = self._wall()
        before = next((one for one in self.own_faults() if one.part == part), None)
        words = shown(f"{type(error).__name__}: {error}")
        one = OwnFault(part=part, error=words, times=1, first_wall_s=now, last_wall_s=now)
        if before is not None:
            one = msgspec.structs.replace(one, times=before.times + 1, first_wall_s=before.first_wall_s)
        self._live.note(FAULT + part, msgspec.json.encode(one).decode(), now)
        if one.times.bit_count() == 1:
            self._keep_fault(one)

    def _keep_fault(self, one: OwnFault) -> None:
        with suppress(sqlite3.Error, HistoryError):
            body = msgspec.json.encode(one)
            self._write("INSERT OR REPLACE INTO state VALUES (?, ?, ?)", (FAULT + one.part, one.last_wall_s, body))

    def acknowledge_faults(self) -> int:
        """Forget the program's own faults, as a person has seen them; how many parts had any. Raises HistoryError where
        that cannot be written."""
        found = self.own_faults()
        try:
            self._write("DELETE FROM state WHERE key LIKE 'fault:%'", ())
        except sqlite3.Error as error:
            raise HistoryError(str(self.path), str(error), "a history that can be written") from None
        for one in found:
            self._live.note(FAULT + one.part, "", self._wall())
        return len(found)

    # ------------------------------------------------------------ left by the page, the terminal, the broker

    def add_request(self, request: Request, source: str = "page") -> Answer | None:
        """Leave a request for the service. A repeated id changes nothing; its answer is given back when known.

        Raises HistoryError where it cannot be written (never in the owner's process: there it is held in memory).
        """
        try:
            return self._write_request(request, source)
        except (sqlite3.Error, HistoryError) as error:
            if self._writer is None:
                raise HistoryError(str(self.path), str(error), "a history that can be written") from None
        return self._hold_request(self._writer, request, source)

    def ask(self, request: Request, wait_s: float) -> Answer | None:
        """Leave a request and wait for its answer, `wait_s` at most; None when there is none by then. Raises as
        `add_request`."""
        answer = self.add_request(request)
        ends_s = time.monotonic() + wait_s
        while answer is None and time.monotonic() < ends_s:
            time.sleep(0.1)
            answer = self.answer(request.id)
        return answer

    @staticmethod
    def _hold_request(writer: StorageWriter, request: Request, source: str) -> Answer | None:
        with writer.lock:
            if request.id in writer.held_requests:
                return next((answer for answer in writer.held.answers if answer.id == request.id), None)
            if len(writer.held_requests) >= _REQUESTS_MOST:
                return Answer(id=request.id, done=False, why=_TOO_MANY)
            writer.held_requests[request.id] = (request, source)
        return None

    def _write_request(self, request: Request, source: str) -> Answer | None:
        with self._connection(whole=True) as db:
            known = db.execute("SELECT answer FROM requests WHERE id = ?", (request.id,)).fetchone()
            if known is not None:
                return None if known[0] is None else decoded(known[0], Answer)
            waiting = db.execute("SELECT count(*) FROM requests WHERE answer IS NULL").fetchone()[0]
            if waiting >= _REQUESTS_MOST:
                return Answer(id=request.id, done=False, why=_TOO_MANY)
        self._write(
            "INSERT OR IGNORE INTO requests (id, source, wall_s, body) VALUES (?, ?, ?, ?)",
            (request.id, source, self._wall(), msgspec.json.encode(request)),
        )
        return None

    def add_meter_reading(self, reading: MeterReading) -> None:
        """Keep one meter reading. Raises HistoryError."""
        self._put("meter_readings", reading)

    def add_visit(self, visit: StoredVisit) -> None:
        """Keep what a visit found. Raises HistoryError."""
        self._put("visits", visit)

    def _put(self, table: str, record: MeterReading | StoredVisit) -> None:
        wall_s = self._wall() if record.wall_s is None else record.wall_s
        body = msgspec.json.encode(msgspec.structs.replace(record, wall_s=wall_s))
        try:
            self._write(f"INSERT INTO {table} (wall_s, body) VALUES (?, ?)", (wall_s, body))  # noqa: S608 - our tables
        except sqlite3.Error as error:
            raise HistoryError(str(self.path), str(error), "a history that can be written") from None

    # ------------------------------------------------------------ for publishers, in the owner's process

    @property
    def origin(self) -> str:
        """What numbers the messages: the part of an id before the number; a new history begins a new one."""
        return self._owned().origin

    def numbered(self) -> dict[str, int]:
        """How far each topic has been numbered under this origin."""
        writer = self._owned()
        with writer.lock:
            return {topic: last for topic, last in writer.counters.items() if topic not in (PLACE, STEP)}

    def numbers_given(self, origin: str, numbered: Mapping[str, int]) -> None:
        """Somebody outside knows numbers up to these of this origin. Where the disk knew less when this run began it
        has lost what it said it had: what this run has numbered is numbered again, under a new origin. Not while the
        disk fails."""
        self._owned().numbers_given(origin, numbered)

    def register(self, publisher: str, *, begin: bool) -> int:
        """Give a publisher its cursor, so that it is on the health page from the start, and return it. A new one begins
        at the first row kept (`begin`) or at what comes next."""
        writer = self._owned()
        with writer.lock:
            return writer.cursors.setdefault(publisher, 0 if begin else writer.last_offset())

    def outbox(self, publisher: str, *, begin: bool, limit: int = 100) -> list[StoredEvent]:
        """Rows of all topics beyond a publisher's cursor, in order, unbroken; `begin` as in `register`."""
        cursor = self.register(publisher, begin=begin)
        sql = f"{OUTBOX} WHERE place > ? ORDER BY place LIMIT ?"
        kept: list[StoredEvent] | None = []
        try:
            with self._connection(whole=True) as db:
                after = cursor
                while not kept and (rows := db.execute(sql, (after, limit)).fetchall()):
                    kept, after = stored_events(rows), rows[-1][0]  # a whole page of spoilt ones must not end the row
        except (sqlite3.Error, HistoryError):
            kept = None
        return self._owned().beyond(publisher, cursor, kept)[:limit]

    def delivered(self, publisher: str, offset: int) -> None:
        """Move a publisher's cursor; only ever forward. Should a power cut undo it, rows are delivered again."""
        self._owned().delivered(publisher, offset)

    def sent(self, publisher: str) -> dict[str, int]:
        """How far each topic has been delivered by a publisher: the highest `seq` of this origin up to its cursor."""
        writer = self._owned()
        after = writer.cursors.get(publisher, 0)
        sql = "SELECT seq FROM outbox WHERE topic = ? AND place <= ? AND instr(id, ?) = 1 ORDER BY seq DESC LIMIT 1"
        found = {topic: self._rows(sql, topic, after, writer.origin) for topic in ("events", "cycles")}
        return {topic: rows[0][0] for topic, rows in found.items() if rows}

    def first_seq(self, topic: Topic) -> int | None:
        """The oldest number of a topic still kept under this origin; None where there is none."""
        sql = "SELECT min(seq) FROM outbox WHERE topic = ? AND instr(id, ?) = 1"
        rows = self._rows(sql, topic, self._owned().origin)
        return rows[0][0] if rows else None

    def note_error(self, publisher: str, error: str) -> None:
        """Say what went wrong with a publisher last; "" when it goes well again."""
        self.note(PUBLISHER_NOTE + publisher, error)

    # ------------------------------------------------------------ inside

    def _owned(self) -> StorageWriter:
        if self._writer is None:
            raise HistoryError(str(self.path), "a write by a reader", "one owner: History(path, owner=True)")
        return self._writer

    def _report_health(self, writer: StorageWriter) -> None:
        error = writer.error or self._live.error
        if writer.dropped:
            error = f"{error}; {writer.dropped} rows could not be held and are lost".lstrip("; ")
        self.note("disk", error)
        self.note("held", str(len(writer.held.rows)))
        self.note("set-aside", writer.quarantined)
        self.note("history", writer.damage)
        self.note("backup", writer.backup_error)

    def _write(self, sql: str, values: Sequence[object]) -> None:
        """Write what is not the owner's step; on the disk when this returns."""
        with self._connection(whole=True) as db:
            db.execute(sql, values)

    def _last_status(self) -> CachedStatus | None:
        return self._newest or super()._last_status()

    def _cursors(self) -> dict[str, int]:
        return {} if self._writer is None else dict(self._writer.cursors)

    def _last_offset(self) -> int:
        return super()._last_offset() if self._writer is None else self._writer.last_offset()


def resumed_visit(
    history: StorageQueries, settings: Settings, finding: Finding, status: UnitStatus, who: Who = "technician"
) -> VisitSession:
    """The finding's diagnosis: its evidence, what stood lately beside it, and the meter readings made since."""
    seen = seen_from(finding.evidence, settings.unit) | recent_findings(history, finding, status)
    features = {} if status.diagnosis is None else status.diagnosis.features
    made = VisitSession.from_finding(
        finding, unit=settings.unit, fitted=settings.fitted, seen=seen, who=who, features=features
    )
    since_s = finding.raised_wall_s or 0.0
    for reading in reversed(history.meter_readings(limit=500, since_wall_s=since_s)):
        if reading.finding == finding.name:
            try:
                made.enter(reading.check, reading.typed)
            except CommandError:
                continue  # kept by another version, whose catalogue knew it
    return made


def begun_visit(
    history: StorageQueries, settings: Settings, about: str, status: UnitStatus | None, who: Who = "technician"
) -> VisitSession:
    """A visit about a finding or a symptom: from what stands with all the monitor knows, else from the finding's last
    evidence, else from the symptom alone. A symptom that a finding explains begins with that finding.

    Raises CommandError for neither.
    """
    standing = {one.name: one for one in (() if status is None else status.findings) if one.name in SITUATIONS}
    told = SYMPTOMS.get(about, ())
    explains = [one for one in standing.values() if one.name in told]
    if about in NOTHING_COOLS:
        explains += [one for one in standing.values() if one.severity is Severity.URGENT]
    chosen = standing.get(about) or worst(explains)
    if status is not None and chosen is not None:
        return resumed_visit(history, settings, chosen, status, who)
    bodies = (kept.body for kept in history.latest_events(500))
    earlier = next((body for body in bodies if isinstance(body, Change) and body.finding == about), None)
    if earlier is not None:
        seen = seen_from(earlier.evidence, settings.unit)
        values = numbers_of(earlier.evidence)
        return VisitSession((about,), unit=settings.unit, seen=seen, fitted=settings.fitted, who=who, values=values)
    fitted = () if status is None else settings.fitted
    return VisitSession.from_symptom(about, unit=settings.unit, fitted=fitted, who=who)


def recent_findings(history: StorageQueries, finding: Finding, status: UnitStatus) -> dict[str, str]:
    """`recent:FINDING` -> "yes" for what stands beside it, or has stood since limits.RECENT_S before it was raised."""
    names = {one.name for one in status.findings}
    at_s = finding.raised_wall_s or status.wall_s
    if at_s is not None:
        rows = [row for row in history.latest_events(500) if (row.wall_s or 0.0) >= at_s - limits.RECENT_S.value]
        names |= {row.body.finding for row in rows if isinstance(row.body, Change)}
    return {f"recent:{name}": "yes" for name in names - {finding.name}}
