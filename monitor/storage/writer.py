"""(edge) The owner's side of the history: engine steps into the file, each in one transaction.

What one step brought gets its numbers here, and numbers, rows, answers, status and the engine's memory are committed
together: a kill before the commit leaves an engine that has not yet seen the change, a kill after it one that has.

A disk that fails (full, read-only, gone) does not stop the monitor: steps are held in memory, bounded, and written
when the disk takes them again. Held rows are shown to the outlets once the disk has failed for a while; their ids then
carry a mark of this process, because a number given out without the disk may be given out again after a restart.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from secrets import token_hex

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import HistoryError
from condenser_monitor.monitor.core.records import (
    Answer,
    Event,
    Request,
    StartTransient,
)
from condenser_monitor.monitor.storage.damage import GUEST, last_place, unreadable
from condenser_monitor.monitor.storage.message_ids import id_origin, message_id
from condenser_monitor.monitor.storage.models import KINDS, Body, StoredEvent
from condenser_monitor.monitor.storage.opening import damage_of, open_owned
from condenser_monitor.monitor.storage.rollup import LaneTrack
from condenser_monitor.monitor.storage.schema import DAY_S, OwnerLock, corrupt, tidy
from condenser_monitor.monitor.storage.status_cache import (
    PUT_FINE,
    PUT_LANE,
    Row,
    StatusCache,
    lane_row,
)

_KIND_OF: dict[type, str] = {kind: name for name, (_, kind) in KINDS.items()}
_REFUSALS_MOST = 2  # a file that looks sound and still refuses writes is damaged where SQLite's quick check looks not
_log = logging.getLogger(__name__)
# Rows of `state`: the memory as written last, as it was when last read in whole (at a start, then once a day), and one
# that could not be read, for whoever wants to know why.
MEMORY, MEMORY_GOOD, MEMORY_REFUSED = "memory", "memory-good", "memory-refused"
_OUTBOX = "INSERT INTO outbox VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"


class Held(msgspec.Struct):
    """What waits to be written: rows of the outbox, answers and captured starts, oldest first."""

    rows: deque[StoredEvent]
    answers: list[Answer]
    starts: list[tuple[float, float | None, StartTransient]]

    def __bool__(self) -> bool:
        return bool(self.rows or self.answers or self.starts)


class StorageWriter:
    """Writes one history. `clock` is monotonic seconds, `wall` seconds since 1970 for the name of a corrupt file.

    Raises HistoryError when the file is another program's or another process owns it.
    """

    def __init__(
        self,
        path: Path,
        live: StatusCache,
        lanes: LaneTrack,
        *,
        keep: config.HistorySettings,
        clock: Callable[[], float],
        wall: Callable[[], float],
    ) -> None:
        self.path, self.live, self.lanes, self.keep = path, live, lanes, keep
        self.clock, self.wall = clock, wall
        self.lock = threading.RLock()
        self.error, self.aside, self.damage = "", "", ""
        self.failed_s: float | None = None  # since when the disk has failed
        self.dropped = 0  # rows that the bound on memory cost
        self.memory: bytes | None = None
        self.last_good_memory: bytes | None = None
        self._memory_rows: dict[str, bytes] = {}  # memories to be kept beside the newest, by key
        self._good_s = clock()  # when the last good memory was kept
        self.held = Held(deque(), [], [])
        self.held_requests: dict[str, tuple[Request, str]] = {}
        self.cursors: dict[str, int] = {}
        self.blind: dict[str, int] = {}  # outlets given held rows while the rows on disk could not be read
        self.run, self.origin = 0, "x" + token_hex(4)
        self._mark = token_hex(3)
        self._counters: dict[str, int] = {}
        self.on_disk = 0  # the last place that is on disk
        self._db: sqlite3.Connection | None = None
        self._refusals, self._spoilt = 0, ""  # writes in a row that a damaged file refused, and what the last one said
        self._inode: int | None = None
        self._tried_s = self._flushed_s = clock()
        self._tidied_s = clock() - limits.HISTORY.tidy_s.value
        self._undated = False
        self._lock_file = OwnerLock(path)
        try:
            self._open(first=True)
        except BaseException:
            self._lock_file.release()
            raise
        with suppress(sqlite3.Error):
            self.live.end_open_lanes()

    # ------------------------------------------------------------ opening

    def _open(self, *, first: bool = False) -> None:
        try:
            again = self._spoilt if self._refusals >= _REFUSALS_MOST else ""
            self._db = open_owned(self.path, self.wall, spoilt=again)
            self._inode = _inode(self.path)
            self._tell(self._db)
            self._begin_run(self._db)
        except (sqlite3.Error, OSError) as error:
            if first and isinstance(error, HistoryError):
                raise  # a wrong file at the start is for the owner to mend; later on, nothing ends the watch
            self._fail(error)
            self._refused(error)
            self._drop()
        if first and self._db is None:  # what is held comes after rows of the file, which may be read all the same
            self.on_disk = self._counters["place"] = last_place(self.path)

    def _tell(self, db: sqlite3.Connection) -> None:
        """Say what damage the file came out of: once in the log, and to whoever asks while the damaged one is there."""
        found = damage_of(db, self.path)
        if found is not None and found.words != self.damage:
            _log.warning("%s: %s", self.path, found.words)
        self.damage = "" if found is None else found.words
        self.aside = found.file if found is not None and found.new else ""

    def _begin_run(self, db: sqlite3.Connection) -> None:
        """Read where the last run ended and number this one; what this run counted without the file comes after it."""
        meta = dict(db.execute("SELECT key, value FROM meta"))
        last = dict(db.execute("SELECT topic, last FROM counters"))
        run = self.run or int(meta.get("run", 0)) + 1
        origin = self.origin if self.run else str(meta.get("origin", self.origin))
        joins = self.run == 0 and "origin" in meta
        guest = [(GUEST, self.origin)] if joins and self.held.rows else []
        with db:
            db.execute("BEGIN IMMEDIATE")
            db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", [("run", run), ("origin", origin), *guest])
            if "origin" not in meta:  # with the name of the numbers goes how far they have been given out
                db.executemany("INSERT OR REPLACE INTO counters VALUES (?, ?)", self._before_held().items())
        self.on_disk = last.get("place", 0)
        if joins:
            self._adopt(db, run, last, origin)
        elif self.run == 0:  # outlets may have counted in a file that could only be read, and is gone
            self.cursors = dict.fromkeys(self.cursors, 0)
        self.run, self.origin = run, origin

    def _before_held(self) -> dict[str, int]:
        """The counters without the rows that are not on disk."""
        found = dict(self._counters)
        for row in reversed(self.held.rows):
            if id_origin(row.id, row.seq).partition(".")[0] == self.origin:
                found |= {row.topic: row.seq - 1, "place": row.place - 1}
        return found

    def _adopt(self, db: sqlite3.Connection, run: int, last: dict[str, int], origin: str) -> None:
        """Go on from where the file ends. Rows numbered before it could be opened keep their ids and are placed after
        it; outlets begin again at the file's cursors, so that nothing in it is passed over."""
        place = last.get("place", 0)
        for index, row in enumerate(self.held.rows):
            self.held.rows[index] = msgspec.structs.replace(row, place=place + index + 1, run=run)
        self._counters = {**self._not_below_told(last, origin), "place": place + len(self.held.rows)}
        self.cursors = dict(db.execute("SELECT outlet, min(place, ?) FROM cursors", (place,)))
        kept = dict(db.execute("SELECT key, body FROM state WHERE key IN (?, ?)", (MEMORY, MEMORY_GOOD)))
        known = {key: body for key, body in kept.items() if isinstance(body, bytes)}
        if self.memory is None:
            self.memory = known.get(MEMORY)
        if self.last_good_memory is None:
            self.last_good_memory = known.get(MEMORY_GOOD)

    def _not_below_told(self, last: dict[str, int], origin: str) -> dict[str, int]:
        """The counters, brought up to what the live file remembers of a run that was killed: a log that was cut short
        looks like one whose last commit a power cut has torn, and its numbers have been given out."""
        told = self.live.numbers(origin)
        lost = sum(max(0, number - last.get(topic, 0)) for topic, number in told.items())
        if lost:
            words = f"what was written last is lost ({lost} messages), and numbers go on after them"
            _log.warning("%s: %s", self.path, words)
            self.damage = "; ".join(filter(None, (self.damage, words)))
        return last | {str(topic): max(number, last.get(topic, 0)) for topic, number in told.items()}

    def _drop(self) -> None:
        if self._db is not None:
            with suppress(sqlite3.Error):
                self._db.close()
            self._db = None

    # ------------------------------------------------------------ one step

    def step(
        self,
        now_s: float,
        wall_s: float | None,
        *,
        status: bytes,
        memory: Callable[[], bytes],
        events: Sequence[Event],
        answers: Sequence[Answer],
        spoken: frozenset[str],
        starts: Sequence[StartTransient],
        now: bool,
    ) -> None:
        """Number and keep what a step brought. `spoken` are the answers that go out on the broker, by id; `now` writes
        even where nothing is urgent."""
        with self.lock:
            for event in events:
                self._number(event, now_s, wall_s)
            for answer in answers:
                if answer.id in spoken:
                    self._number(answer, now_s, wall_s)
            self.held.answers += answers
            for start in starts:
                at_s = None if wall_s is None else wall_s - (now_s - start.t_s)
                self.held.starts.append((start.t_s, at_s, start))
            self._undated |= wall_s is None and bool(self.held)
            self._bound()
            due = now or self._due()
            if due or events or answers:
                self.memory = memory()  # never older than the rows held with it
            if due:
                self._write(now_s, wall_s, status)

    def _due(self) -> bool:
        now_s = self.clock()
        if self.failed_s is not None:
            return now_s - self._tried_s >= limits.HISTORY.retry_s.value
        spoilt = bool(self.blind) and now_s - self._tried_s >= limits.HISTORY.retry_s.value
        return bool(self.held) or spoilt or now_s - self._flushed_s >= limits.HISTORY.flush_s.value

    def _number(self, body: Body, now_s: float, wall_s: float | None) -> None:
        kind = _KIND_OF[type(body)]
        topic = KINDS[kind][0]
        place, seq = self._counters.get("place", 0) + 1, self._counters.get(topic, 0) + 1
        self._counters |= {"place": place, topic: seq}
        name = message_id(self.origin, topic, seq)
        row = StoredEvent(place=place, topic=topic, seq=seq, id=name, run=self.run, t_s=now_s, wall_s=wall_s, body=body)
        self.held.rows.append(row)

    def _bound(self) -> None:
        while len(self.held.rows) > limits.HISTORY.held_most.value:
            self.held.rows.popleft()
            self.dropped += 1
        del self.held.answers[: -int(limits.HISTORY.held_most.value)]
        del self.held.starts[: -int(limits.HISTORY.held_most.value)]

    # ------------------------------------------------------------ writing

    def _write(self, now_s: float, wall_s: float | None, status: bytes) -> None:
        self._tried_s = self.clock()
        if _inode(self.path) != self._inode:
            self._drop()  # removed or replaced under us: what would be written to the old one nobody could read
        behind = {self.cursors.get(outlet, 0) for outlet in self.blind}
        if self._db is not None and (said := unreadable(self.path, behind)):
            self._drop()  # it takes what is written, and what is waited for in it would never come
            self._refusals, self._spoilt = _REFUSALS_MOST, said
        if self._db is None:
            self._open()
        if self._db is None:
            return
        urgent = bool(self.held)
        try:
            fine, lanes = self.live.pending()
            with self._db as db:
                db.execute("BEGIN IMMEDIATE")
                self._put_held(db)
                self._put_state(db, wall_s, status)
                self._put_live(db, wall_s, fine, lanes)
                self._date(db, now_s, wall_s)
        except (sqlite3.Error, OSError) as error:
            self._failed_write(error)
            return
        self._undated &= wall_s is None
        self._written(fine, lanes)
        if not urgent:
            self._tidy(self._db, wall_s)

    def _put_held(self, db: sqlite3.Connection) -> None:
        if self.held.rows:  # a commit that failed may have been carried out all the same
            db.execute("DELETE FROM outbox WHERE place >= ?", (self.held.rows[0].place,))
        db.executemany(_OUTBOX, [_outbox_row(row) for row in self.held.rows])
        db.executemany("INSERT OR REPLACE INTO counters VALUES (?, ?)", self._counters.items())
        db.executemany(
            "INSERT OR IGNORE INTO requests (id, source, wall_s, body) VALUES (?, ?, ?, ?)",
            [(name, source, None, msgspec.json.encode(body)) for name, (body, source) in self.held_requests.items()],
        )
        db.executemany(
            "UPDATE requests SET answer = ? WHERE id = ?",
            [(msgspec.json.encode(answer), answer.id) for answer in self.held.answers],
        )
        db.executemany(
            "INSERT OR IGNORE INTO starts (run, t_s, wall_s, body) VALUES (?, ?, ?, ?)",
            [(self.run, t_s, wall, msgspec.json.encode(start)) for t_s, wall, start in self.held.starts],
        )

    def _put_state(self, db: sqlite3.Connection, wall_s: float | None, status: bytes) -> None:
        last_place = self._counters.get("place", 0)
        seen = self.live.status()  # a status is as old as its scan, here too: the next life may see nothing
        if self.clock() - self._good_s >= DAY_S and self.memory is not None:
            self.keep_beside(MEMORY_GOOD, self.memory)
        state = [
            (MEMORY, wall_s, self.memory),
            ("status", wall_s if seen is None else seen.wall_s, status),
            *((key, wall_s, body) for key, body in self._memory_rows.items()),
        ]
        db.executemany("INSERT OR REPLACE INTO state VALUES (?, ?, ?)", state)
        cursors = [(outlet, min(place, last_place)) for outlet, place in self.cursors.items()]
        db.executemany("INSERT OR REPLACE INTO cursors VALUES (?, ?)", cursors)

    def keep_beside(self, key: str, memory: bytes) -> None:
        """Keep a memory beside the newest one: the last good one, or one that could not be read."""
        with self.lock:
            self._memory_rows[key] = memory
            if key == MEMORY_GOOD:
                self.last_good_memory, self._good_s = memory, self.clock()

    def _put_live(
        self, db: sqlite3.Connection, wall_s: float | None, fine: Sequence[Row], lanes: Sequence[Row]
    ) -> None:
        db.executemany(PUT_FINE, fine)
        open_lanes = [] if wall_s is None else self.lanes.open(wall_s)
        db.executemany(PUT_LANE, [*lanes, *map(lane_row, open_lanes)])

    def _date(self, db: sqlite3.Connection, now_s: float, wall_s: float | None) -> None:
        """Give this run's rows a time of day once the clock is known."""
        if wall_s is None or not self._undated:
            return
        for table in ("outbox", "starts"):
            sql = f"UPDATE {table} SET wall_s = t_s + ? WHERE run = ? AND wall_s IS NULL"  # noqa: S608 - our own
            db.execute(sql, (wall_s - now_s, self.run))

    def _tidy(self, db: sqlite3.Connection, wall_s: float | None) -> None:
        """Thin and drop, in a transaction of its own and never while an event waits."""
        if self.clock() - self._tidied_s < limits.HISTORY.tidy_s.value:
            return
        self._tidied_s = self.clock()
        try:
            with db:
                db.execute("BEGIN IMMEDIATE")
                tidy(db, wall_s, self.keep, self.on_disk)
        except sqlite3.Error as error:
            self._failed_write(error)

    def _written(self, fine: Sequence[Row], lanes: Sequence[Row]) -> None:
        self.on_disk = self._counters.get("place", 0)
        self.held, self.held_requests, self._memory_rows = Held(deque(), [], []), {}, {}
        self.error, self.failed_s, self._flushed_s, self._refusals = "", None, self.clock(), 0
        self.live.note_numbers(self.origin, {name: last for name, last in self._counters.items() if name != "place"})
        with suppress(sqlite3.Error):
            self.live.on_disk(fine, lanes)

    def _failed_write(self, error: sqlite3.Error | OSError) -> None:
        self._fail(error)
        if self._db is not None and self._db.in_transaction:
            with suppress(sqlite3.Error):
                self._db.rollback()
        if self._refused(error):
            self._drop()

    def _refused(self, error: sqlite3.Error | OSError) -> bool:
        """Whether it is the file that will not have it: it is judged again, and put away, if need be on this word."""
        found = isinstance(error, sqlite3.IntegrityError) or (isinstance(error, sqlite3.Error) and corrupt(error))
        if found:
            self._refusals, self._spoilt = self._refusals + 1, str(error)
        return found

    def _fail(self, error: Exception) -> None:
        self.error = f"{self.path}: {error}"
        if self.failed_s is None:
            self.failed_s = self.clock()

    # ------------------------------------------------------------ what outlets see of it

    def exposed(self, after_place: int) -> list[StoredEvent]:
        """Held rows beyond a cursor, once the disk has failed for a while."""
        with self.lock:
            if self.failed_s is None or self.clock() - self.failed_s < limits.HISTORY.expose_s.value:
                return []
            for index, row in enumerate(self.held.rows):
                origin, _, mark = id_origin(row.id, row.seq).partition(".")
                if not mark:  # once told, the same for ever: the file may come back and number otherwise
                    marked = message_id(f"{origin}.{self._mark}", row.topic, row.seq)
                    self.held.rows[index] = msgspec.structs.replace(row, id=marked)
            return [row for row in self.held.rows if row.place > after_place]

    def delivered(self, outlet: str, place: int) -> int:
        """Move a cursor; the place that may be written to disk: never beyond the rows that are there."""
        with self.lock:
            if outlet in self.blind:
                self.blind[outlet] = max(place, self.blind[outlet])
            else:
                self.cursors[outlet] = max(place, self.cursors.get(outlet, 0))
            return min(self.cursors.get(outlet, 0), self.on_disk)

    def last_place(self) -> int:
        """The newest place given out."""
        with self.lock:
            return self._counters.get("place", 0)

    def close(self) -> bool:
        """Close the file and let go of it; whether everything is on disk."""
        with self.lock:
            whole = self.failed_s is None and not self.held and not any(self.live.pending())
            self._drop()
            self._lock_file.release()
            return whole


def _outbox_row(row: StoredEvent) -> tuple[object, ...]:
    kind = _KIND_OF[type(row.body)]
    body = msgspec.json.encode(row.body)
    return (row.place, row.topic, row.seq, row.id, kind, row.run, row.t_s, row.wall_s, body)


def _inode(path: Path) -> int | None:
    try:
        return path.stat().st_ino
    except OSError:
        return None
