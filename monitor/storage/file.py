"""(edge) The history: SQLite on disk for what must not be lost, a second small file in memory for what is live.

One process owns the history (the service, `owner=True`) and writes it; others (the page, the terminal) open the same
path, read, and leave requests, meter readings and visits. Every method may be called from any thread.

What one engine step brought (events with their sequence numbers, answers, status, the engine's memory) is written in
one transaction, so that a kill at any point neither loses nor doubles (see keeper.py). Reads give what can be read; a
failing disk is said in `health()`.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import HistoryError, shown
from condenser_monitor.monitor.core.records import (
    Answer,
    Event,
    MeterReading,
    Request,
    Scan,
    StartTransient,
    StoredVisit,
    UnitStatus,
)
from condenser_monitor.monitor.storage.models import (
    OwnFault,
    StoredEvent,
    Topic,
    decoded,
)
from condenser_monitor.monitor.storage.queries import (
    FAULT,
    OUTBOX,
    OUTLET_NOTE,
    StorageQueries,
    kept_rows,
)
from condenser_monitor.monitor.storage.rollup import LaneTrack, Rollup
from condenser_monitor.monitor.storage.status_cache import CachedStatus, StatusCache, live_path
from condenser_monitor.monitor.storage.writer import (
    MEMORY_GOOD,
    MEMORY_REFUSED,
    Background,
    StorageWriter,
    in_a_thread,
)

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
        self._said: dict[str, str] = {}
        self._sources: dict[str, str] = {}
        self._newest: CachedStatus | None = None
        self._status_t_s = 0.0  # that of an engine that has seen nothing
        try:
            self._keeper = (
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
        if self._keeper is not None:
            self._say(self._keeper)

    # ------------------------------------------------------------ written by the owner, once a step

    def memory(self) -> bytes | None:
        """The engine's memory as last kept; None in a new history."""
        return self._owned().memory

    def last_good_memory(self) -> bytes | None:
        """Return the memory as it was when it was last read in whole; None where none was."""
        return self._owned().last_good_memory

    def memory_read(self, *, whole: bool) -> None:
        """Say whether the memory could be read in whole. It then becomes the last good one; else it is kept beside."""
        writer = self._owned()
        if writer.memory is not None:
            writer.keep_beside(MEMORY_GOOD if whole else MEMORY_REFUSED, writer.memory)

    def memory_came_late(self) -> bool:
        """Return True once when the memory of the last run could be read only after an engine had begun without it: an
        engine is then to be begun with it, and until then it is not written over."""
        writer = self._owned()
        late, writer.memory_came_late = writer.memory_came_late, False
        return late

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
    ) -> None:
        """Keep one engine step; never raises for a disk that fails: the step is held in memory and tried again.

        `now_s` is on the scans' clock. `memory` is asked for only when it is written. `last` writes everything pending,
        before the program ends.
        """
        keeper = self._owned()
        body = msgspec.json.encode(status)
        buckets = [] if scan is None else self._rollup.add(scan)
        if last:
            buckets = [*buckets, *self._rollup.flush()]
        lanes = self._lanes.add(status.links, now_s, wall_s)
        now = self._clock()
        self._newest, self._status_t_s = self._dated(status, body, now, wall_s, seen=scan is not None), status.t_s
        # A person who asked for something looks at once whether it is so.
        self._live.write(self._newest, now, buckets, lanes, at_once=bool(answers))
        spoken = frozenset(answer.id for answer in answers if self._sources.pop(answer.id, "") == "broker")
        keeper.step(
            now_s,
            wall_s,
            status=body,
            memory=memory,
            events=events,
            answers=answers,
            spoken=spoken,
            starts=starts,
            last=last,
        )
        self._say(keeper)

    def _dated(self, status: UnitStatus, body: bytes, now: float, wall_s: float | None, *, seen: bool) -> CachedStatus:
        """A status without a new scan is as old as its scan, and in a life that has had none as old as the last life's:
        a monitor that is blind must not look fresh."""
        if status.t_s != self._status_t_s or (seen and self._newest is None):
            return CachedStatus(now, self._live.boot, wall_s, body)
        before = self._newest or self._last_status() or CachedStatus(0.0, "", None, b"")
        return CachedStatus(before.at_s, before.boot, before.wall_s, body)

    def requests(self) -> list[Request]:
        """Requests not yet answered, oldest first."""
        keeper = self._owned()
        found: dict[str, tuple[Request, str]] = {}
        for body, source in self._rows(
            "SELECT body, source FROM requests WHERE answer IS NULL ORDER BY place LIMIT ?",
            _REQUESTS_MOST,
        ):
            request = decoded(body, Request)
            if request is not None:
                found[request.id] = (request, source)
        with keeper.lock:
            found |= keeper.held_requests
            waiting = {answer.id for answer in keeper.held.answers}
        self._sources = {name: source for name, (_, source) in found.items()}
        return [request for request, _ in found.values() if request.id not in waiting]

    def note(self, name: str, text: str) -> None:
        """Put a saying of the service for the health page, such as `faults` (JSON: reading -> why it is missing)."""
        if self._said.get(name) != text:
            self._said[name] = text
            self._live.note(name, text, self._wall())

    def close(self) -> None:
        """Close the files. The owner calls `step(last=True)` before."""
        if self._keeper is not None:
            for one in self.own_faults():
                self._keep_fault(one)
        remove = self._keeper is not None and self._keeper.close()
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
            return self._put_request(request, source)
        except (sqlite3.Error, HistoryError) as error:
            if self._keeper is None:
                raise HistoryError(str(self.path), str(error), "a history that can be written") from None
        return self._hold_request(self._keeper, request, source)

    @staticmethod
    def _hold_request(keeper: StorageWriter, request: Request, source: str) -> Answer | None:
        with keeper.lock:
            if request.id in keeper.held_requests:
                return next((answer for answer in keeper.held.answers if answer.id == request.id), None)
            if len(keeper.held_requests) >= _REQUESTS_MOST:
                return Answer(id=request.id, done=False, why=_TOO_MANY)
            keeper.held_requests[request.id] = (request, source)
        return None

    def _put_request(self, request: Request, source: str) -> Answer | None:
        with self._borrow(whole=True) as db:
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

    # ------------------------------------------------------------ for outlets, in the owner's process

    @property
    def origin(self) -> str:
        """What numbers the messages: the part of an id before the number; a new history begins a new one."""
        return self._owned().origin

    def join(self, outlet: str, *, begin: bool) -> None:
        """Give an outlet its cursor, so that it is on the health page from the start. A new one begins at the first
        row kept (`begin`) or at what comes next."""
        self._cursor(self._owned(), outlet, begin=begin)

    def outbox(self, outlet: str, *, begin: bool, limit: int = 100) -> list[StoredEvent]:
        """Rows of all topics beyond an outlet's cursor, in order, unbroken; `begin` as in `join`."""
        keeper = self._owned()
        after = self._cursor(keeper, outlet, begin=begin)
        try:
            kept = self._beyond(after, limit)
        except (sqlite3.Error, HistoryError):
            with keeper.lock:
                after = keeper.degraded.setdefault(outlet, max(after, keeper.on_disk))
            return keeper.visible(after)[:limit]
        with keeper.lock:
            keeper.degraded.pop(outlet, None)
        return [*kept, *keeper.visible(after)][:limit]

    def _beyond(self, after: int, limit: int) -> list[StoredEvent]:
        """The next rows on disk; a whole page of spoilt ones must not end the row."""
        sql = f"{OUTBOX} WHERE place > ? ORDER BY place LIMIT ?"
        while rows := self._read(sql, (after, limit), whole=True):
            if kept := kept_rows(rows):
                return kept
            after = rows[-1][0]
        return []

    def delivered(self, outlet: str, place: int) -> None:
        """Move an outlet's cursor; only ever forward. Should a power cut undo it, rows are delivered again."""
        self._owned().delivered(outlet, place)

    def sent(self, outlet: str) -> dict[str, int]:
        """How far each topic has been delivered by an outlet: the highest `seq` of this origin up to its cursor."""
        writer = self._owned()
        after = writer.cursors.get(outlet, 0)
        sql = "SELECT seq FROM outbox WHERE topic = ? AND place <= ? AND instr(id, ?) = 1 ORDER BY seq DESC LIMIT 1"
        found = {topic: self._rows(sql, topic, after, writer.origin) for topic in ("events", "cycles")}
        return {topic: rows[0][0] for topic, rows in found.items() if rows}

    def first_seq(self, topic: Topic) -> int | None:
        """The oldest number of a topic still kept under this origin; None where there is none."""
        sql = "SELECT min(seq) FROM outbox WHERE topic = ? AND instr(id, ?) = 1"
        rows = self._rows(sql, topic, self._owned().origin)
        return rows[0][0] if rows else None

    def note_error(self, outlet: str, error: str) -> None:
        """Say what went wrong with an outlet last; "" when it goes well again."""
        self.note(OUTLET_NOTE + outlet, error)

    @staticmethod
    def _cursor(keeper: StorageWriter, outlet: str, *, begin: bool) -> int:
        with keeper.lock:
            return keeper.cursors.setdefault(outlet, 0 if begin else keeper.last_place())

    # ------------------------------------------------------------ inside

    def _owned(self) -> StorageWriter:
        if self._keeper is None:
            raise HistoryError(str(self.path), "a write by a reader", "one owner: History(path, owner=True)")
        return self._keeper

    def _say(self, keeper: StorageWriter) -> None:
        error = keeper.error or self._live.error
        if keeper.dropped:
            error = f"{error}; {keeper.dropped} rows could not be held and are lost".lstrip("; ")
        self.note("disk", error)
        self.note("held", str(len(keeper.held.rows)))
        self.note("set-aside", keeper.aside)
        self.note("history", keeper.damage)
        self.note("backup", keeper.backup_error)

    def _write(self, sql: str, values: Sequence[object]) -> None:
        """Write what is not the owner's step; on the disk when this returns."""
        with self._borrow(whole=True) as db:
            db.execute(sql, values)

    def _last_status(self) -> CachedStatus | None:
        return self._newest or super()._last_status()

    def _cursors(self) -> dict[str, int]:
        return {} if self._keeper is None else dict(self._keeper.cursors)

    def _last_place(self) -> int:
        return super()._last_place() if self._keeper is None else self._keeper.last_place()
