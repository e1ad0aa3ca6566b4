"""(edge) The owner's side of the history: engine steps into the file, each in one transaction.

What one step brought gets its numbers here. It goes to the redo log and on the disk, then, with answers, status and
the engine's memory, into the database in one transaction: a kill before leaves an engine that has not yet seen the
change, a kill after it one that has. Once a day, in a thread of its own, a backup is made.

A disk that fails (full, read-only, gone) does not stop the monitor: how the last run left things is read without
writing, steps are held in memory, bounded, and written when the disk takes them again; a program that ends in good
order before that leaves them in memory for the next one. Held rows become visible to the publishers once the disk has
failed for a while; their ids then carry a mark of this process, because a number given out without the disk may be
given out again after a restart.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from secrets import token_hex

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import HistoryError
from condenser_monitor.monitor.core.records import (
    Answer,
    Diagnosed,
    Event,
    Request,
    StartTransient,
)
from condenser_monitor.monitor.storage import recovery
from condenser_monitor.monitor.storage.models import KINDS, Body, StoredEvent
from condenser_monitor.monitor.storage.recovery import (
    MEMORY,
    PLACE,
    PUT_OUTBOX,
    STEP,
    OutboxRow,
    RedoEntry,
    RedoLog,
    damage_of,
    open_owned,
    unreadable,
)
from condenser_monitor.monitor.storage.schema import (
    DAY_S,
    OwnerLock,
    corrupt,
    decoded,
    free_bytes,
    id_origin,
    message_id,
    tidy,
)
from condenser_monitor.monitor.storage.status_cache import (
    PUT_FINE,
    PUT_LANE,
    CachedStatus,
    LaneTrack,
    Row,
    StatusCache,
)

_KIND_OF: dict[type, str] = {kind: name for name, (_, kind) in KINDS.items()}
_OUTBOX = "SELECT place, topic, seq, id, kind, run, t_s, wall_s, body FROM outbox"
_REFUSALS_MOST = 2  # a file that looks sound and still refuses writes is damaged where SQLite's check looks not
_log = logging.getLogger(__name__)
# Rows of `state` beside the memory as written last: as it was when last read in whole (at a start, then once a day),
# and one that could not be read, for whoever wants to know why.
MEMORY_GOOD, MEMORY_REFUSED = "memory-good", "memory-refused"
Background = Callable[[Callable[[], None]], threading.Thread | None]


def in_a_thread(work: Callable[[], None]) -> threading.Thread:
    """Begin work in a thread of its own."""
    thread = threading.Thread(target=work, name="backup", daemon=True)
    thread.start()
    return thread


class Held(msgspec.Struct):
    """What waits to be written: rows of the outbox, answers and captured starts, oldest first."""

    rows: deque[StoredEvent]
    answers: list[Answer]
    starts: list[tuple[float, float | None, StartTransient]]

    def __bool__(self) -> bool:
        return bool(self.rows or self.answers or self.starts)


class Left(msgspec.Struct, kw_only=True):
    """What a program left in memory that ended in good order while the disk took nothing: what it held, with numbers
    and the engine's memory; in which boot, and the last offset that was on the disk."""

    boot: str
    on_disk: int
    entry: RedoEntry
    requests: dict[str, tuple[Request, str]]
    starts: list[tuple[float, float | None, StartTransient]]


class StorageWriter:
    """Writes one history. `clock` is monotonic seconds, `wall` seconds since 1970 for the name of a corrupt file,
    `release` closes connections that others of this process have to the file, `background` does work beside.

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
        release: Callable[[], None],
        background: Background,
    ) -> None:
        self.path, self.live, self.lanes, self.keep = path, live, lanes, keep
        self.clock, self.wall, self.release, self.background = clock, wall, release, background
        self.lock = threading.RLock()
        self.error, self.quarantined, self.damage, self.backup_error = "", "", "", ""
        self.failed_s: float | None = None  # since when the disk has failed
        self.dropped = 0  # rows that the bound on memory cost
        self.memory: bytes | None = None
        self._memory_whole = False  # an engine has made it, or read it in whole
        self.last_good_memory: bytes | None = None
        self.memory_came_late = False  # the file could be read only after an engine had begun without it
        self._memory_rows: dict[str, bytes] = {}  # memories to be kept beside the newest, by key
        self._good_s = clock()  # when the last good memory was kept
        self.held = Held(deque(), [], [])
        self.held_requests: dict[str, tuple[Request, str]] = {}
        self.cursors: dict[str, int] = {}
        self.degraded: dict[str, int] = {}  # publishers given held rows while the rows on disk could not be read
        self._ahead: dict[str, set[str]] = {}  # ids of rows that a publisher delivered then, ahead of its cursor
        self.run, self.origin = 0, "x" + token_hex(4)
        self._base_offset: int | None = None  # the last offset of what was read without writing
        self._base_memory = False  # whether the engine's memory was among it
        self._mark = token_hex(3)
        self.counters: dict[str, int] = {}
        self._found: dict[str, int] | None = {}  # counters that the disk had when this run began, and its origin
        self.on_disk = 0  # the last offset that is on disk
        self._db: sqlite3.Connection | None = None
        self._redo = RedoLog(path)
        self._redo_memory: bytes | None = None  # the newest in it at the last opening
        self._redo_lacks_memory = False  # it was begun anew at the last opening, or had none
        self._refusals, self._spoilt = 0, ""  # writes in a row that a damaged file refused, and what the last one said
        self._inode: tuple[int, int, bool] | None = None
        self._tried_s = self._flushed_s = clock()
        self._tidied_s = self._backup_tried_s = clock() - limits.HISTORY.tidy_s.value
        self._backup: threading.Thread | None = None
        self._undated = False
        self._lock_file = OwnerLock(path)
        self._left_at = live.path.with_name(live.path.name + ".held")
        self._left = self._read_left()
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
            spoilt = self._spoilt if self._refusals >= _REFUSALS_MOST else ""
            release = None if first else self.release  # a connection of a read-only disk keeps its index read-only
            self._db, self._redo, self._redo_memory = open_owned(self.path, self.wall, spoilt=spoilt, release=release)
            self._inode = _inode(self.path)
            self._note_damage(self._db)
            if first and self._left is not None:
                kept = self._db.execute("SELECT last FROM counters WHERE topic = ?", (PLACE,)).fetchone()
                origin = self._db.execute("SELECT value FROM meta WHERE key = 'origin'").fetchone()
                self._take_left(self._left, origin and origin[0], kept[0] if kept else 0)
            self._begin_run(self._db)
        except (sqlite3.Error, OSError) as error:
            if first and isinstance(error, HistoryError):
                raise  # a wrong file at the start is for the owner to repair; later on, nothing ends the watch
            self._fail(error)
            self._refused(error)
            self._drop()
            if first:
                self._begin_without_writing()

    def _begin_without_writing(self) -> None:
        """Go on from what can be read; what is held is numbered after it."""
        base = recovery.read_base(self.path)
        if self._left is not None and self._take_left(self._left, base.origin, base.counters.get(PLACE, 0)):
            return
        self.memory, self.last_good_memory = base.memory, base.last_good_memory
        self._base_memory = base.memory is not None
        if base.origin is not None:
            self.origin, self.counters, self.cursors = base.origin, dict(base.counters), dict(base.cursors)
            self._base_offset = self.on_disk = base.counters.get(PLACE, 0)

    def _read_left(self) -> Left | None:
        """What the program before left; of another boot, its times mean nothing here."""
        with suppress(OSError):
            left = decoded(self._left_at.read_bytes(), Left)
            return left if left is not None and left.boot and left.boot == self.live.boot else None
        return None

    def _take_left(self, left: Left, origin: str | None, on_disk: int) -> bool:
        """Hold what the program before held, with its numbers and its memory, if the disk still is as it was then."""
        entry = left.entry
        rows = [row for row in map(_held_row, entry.rows) if row is not None]
        if (entry.origin, left.on_disk) != (origin, on_disk) or len(rows) < len(entry.rows):
            self._forget_left()
            return False
        self.held = Held(deque(rows), list(entry.answers), list(left.starts))
        self.held_requests = dict(left.requests)
        self.origin, self.counters, self.cursors = entry.origin, dict(entry.counters), dict(entry.cursors)
        self.memory = self.last_good_memory = entry.memory
        self._base_memory, self._base_offset, self.on_disk = True, on_disk, on_disk
        self._undated |= any(row.wall_s is None for row in rows)
        return True

    def _forget_left(self) -> None:
        """It is on the disk, or is of another history."""
        self._left = None
        with suppress(OSError):
            self._left_at.unlink(missing_ok=True)

    def _note_damage(self, db: sqlite3.Connection) -> None:
        """Say what damage the file came out of: once in the log, and to whoever asks while the damaged one is there."""
        found = damage_of(db, self.path)
        if found is not None and found.words != self.damage:
            _log.warning("%s: %s", self.path, found.words)
        self.damage = "" if found is None else found.words
        self.quarantined = found.file if found is not None and found.new else ""
        if found is not None and not found.file:
            db.execute("DELETE FROM meta WHERE key = 'damage'")  # said in this run, and there is nothing to remove

    def _begin_run(self, db: sqlite3.Connection) -> None:
        """Read where the last run ended and number this one; what this run counted without the file comes after it."""
        meta = dict(db.execute("SELECT key, value FROM meta"))
        last = dict(db.execute("SELECT topic, last FROM counters"))
        if self.run == 0:
            self._found = last
            joins = "origin" in meta
            self.run = int(meta.get("run", 0)) + 1
            if joins:
                self._adopt(db, last, str(meta["origin"]))
            else:
                self.held.rows = deque(msgspec.structs.replace(row, run=self.run) for row in self.held.rows)
                last = self._before_held()
        with db:
            db.execute("BEGIN IMMEDIATE")
            numbers = [("run", self.run), ("origin", self.origin)]
            db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", numbers)
            # With the name of the numbers goes how far they have been given out.
            counters = {**last, **({} if "origin" in meta else self._before_held())}
            db.executemany("INSERT OR REPLACE INTO counters VALUES (?, ?)", counters.items())
        self.on_disk = last.get(PLACE, 0)
        entry = self._entry(self._before_held())
        self._redo_lacks_memory = not self._redo.size or self._redo_memory is None
        if self._redo.size:
            self._redo.append(entry)
        else:
            self._redo.begin(entry, keep_old=True)

    def _before_held(self) -> dict[str, int]:
        """The counters without the rows that are not on disk."""
        found = dict(self.counters)
        for row in reversed(self.held.rows):
            if id_origin(row.id, row.seq) == self.origin:
                found |= {row.topic: row.seq - 1}
            found[PLACE] = row.offset - 1
        return found

    def _adopt(self, db: sqlite3.Connection, last: dict[str, int], origin: str) -> None:
        """Go on from where the file ends. Held rows are placed and numbered after it, but for those that were told
        already, which keep their ids; publishers begin at the file's cursors, so that nothing in it is passed over."""
        base_read = self._base_offset is not None and self.origin == origin
        kept = dict(db.execute("SELECT key, body FROM state WHERE key IN (?, ?)", (MEMORY, MEMORY_GOOD)))
        known = {key: body for key, body in kept.items() if isinstance(body, bytes)}
        # An engine that was begun with what could be read is ahead of a file that was put back since.
        if not base_read and not self._base_memory:
            self.memory_came_late = MEMORY in known and (self.memory is not None or bool(self.held))
            self.memory, self.last_good_memory = known.get(MEMORY), self._redo_memory or known.get(MEMORY_GOOD)
            self._memory_whole = False
        offset = last.get(PLACE, 0)
        cursors = dict(db.execute("SELECT outlet, min(place, ?) FROM cursors", (offset,)))
        if base_read and self._base_offset == offset:
            self.cursors = cursors | {name: max(at, cursors.get(name, 0)) for name, at in self.cursors.items()}
        else:
            self.cursors = cursors
        self.origin = origin
        counters = dict(last)
        for index, row in enumerate(self.held.rows):
            offset += 1
            seq, name = row.seq, row.id
            if not _published(row):
                seq = counters.get(row.topic, 0) + 1
                name = message_id(origin, row.topic, seq)
            if id_origin(name, seq).partition(".")[0] == origin:
                counters[row.topic] = max(seq, counters.get(row.topic, 0))
            self.held.rows[index] = msgspec.structs.replace(row, offset=offset, seq=seq, id=name, run=self.run)
        self.counters = {**counters, PLACE: offset}

    def _drop(self) -> None:
        self._redo.close()
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
        status: CachedStatus,
        memory: Callable[[], bytes],
        events: Sequence[Event],
        answers: Sequence[Answer],
        spoken: frozenset[str],
        starts: Sequence[StartTransient],
        last: bool,
        defer: bool = False,
    ) -> None:
        """Number and keep what a step brought. `spoken` are the answers that go out on the broker, by id; `last` writes
        even where nothing is urgent, `defer` leaves it to a later step."""
        with self.lock:
            # The diagnosis is part of the status; it is no event of its own.
            told: list[Body] = [event for event in events if not isinstance(event, Diagnosed)]
            for body in (*told, *(answer for answer in answers if answer.id in spoken)):
                topic = KINDS[_KIND_OF[type(body)]][0]
                offset, seq = self.counters.get(PLACE, 0) + 1, self.counters.get(topic, 0) + 1
                self.counters |= {PLACE: offset, topic: seq}
                row = StoredEvent(
                    offset=offset,
                    topic=topic,
                    seq=seq,
                    id=message_id(self.origin, topic, seq),
                    run=self.run,
                    t_s=now_s,
                    wall_s=wall_s,
                    body=body,
                )
                self.held.rows.append(row)
            self.held.answers += answers
            for start in starts:
                at_s = None if wall_s is None else wall_s - (now_s - start.t_s)
                self.held.starts.append((start.t_s, at_s, start))
            self._undated |= wall_s is None and bool(self.held)
            most = int(limits.HISTORY.held_most.value)
            while len(self.held.rows) > most:
                self.held.rows.popleft()
                self.dropped += 1
            del self.held.answers[:-most]
            del self.held.starts[:-most]
            retry = self.clock() - self._tried_s >= limits.HISTORY.retry_s.value
            if self.failed_s is not None:
                due = retry
            else:
                idle = self.clock() - self._flushed_s >= limits.HISTORY.flush_s.value
                due = bool(self.held) or idle or (retry and bool(self.degraded))
            due = last or (due and not defer)
            if (due or ((events or answers) and not defer)) and not self.memory_came_late:
                self.memory, self._memory_whole = memory(), True  # never older than the rows held with it
            if due:
                self._write(now_s, wall_s, status, last=last)

    # ------------------------------------------------------------ writing

    def _write(self, now_s: float, wall_s: float | None, status: CachedStatus, *, last: bool) -> None:
        self._tried_s = self.clock()
        if _inode(self.path) != self._inode:
            self._drop()  # removed or replaced under us: what would be written to the old one nobody could read
        behind = {self.cursors.get(publisher, 0) for publisher in self.degraded}
        if self._db is not None and (said := unreadable(self.path, behind)):
            self._drop()  # it takes what is written, and what is waited for in it would never come
            self._refusals, self._spoilt = _REFUSALS_MOST, said
        if self._db is None:
            self._open()
        if self._db is None:
            return
        urgent = bool(self.held)
        rows = tuple(map(_outbox_row, self.held.rows))
        logged = False
        self.counters |= {STEP: self.counters.get(STEP, 0) + 1}
        try:
            if self.held.rows or self.held.answers:
                self._redo.append(self._entry(self.counters, wall_s, rows=rows, answers=tuple(self.held.answers)))
                logged = True
            fine, lanes = self.live.pending()
            with self._db as db:
                db.execute("BEGIN IMMEDIATE")
                self._put(db, now_s, wall_s, status, rows=rows, fine=fine, lanes=lanes)
        except (sqlite3.Error, OSError) as error:
            if logged:
                self._redo.undo_append()
            self._failed_write(error)
            return
        self._undated &= wall_s is None
        self.on_disk = self.counters.get(PLACE, 0)
        self.held, self.held_requests, self._memory_rows = Held(deque(), [], []), {}, {}
        self.error, self.failed_s, self._flushed_s, self._refusals = "", None, self.clock(), 0
        if self._left is not None:
            self._forget_left()
        if fine or lanes:
            with suppress(sqlite3.Error):
                self.live.on_disk(fine, lanes)
        if not urgent and not last:
            self._tidy(self._db, wall_s)

    def _entry(
        self,
        counters: dict[str, int],
        wall_s: float | None = None,
        *,
        rows: tuple[OutboxRow, ...] = (),
        answers: tuple[Answer, ...] = (),
    ) -> RedoEntry:
        """What the redo log is told: a step's rows and answers, or (without) how things stand."""
        place = counters.get(PLACE, 0)
        return RedoEntry(
            origin=self.origin,
            run=self.run,
            counters=counters,
            cursors={name: min(at, place) for name, at in self.cursors.items()},
            rows=rows,
            answers=answers,
            memory=self.memory if self._memory_whole else None,  # the log vouches for it with its checksum
            wall_s=wall_s,
        )

    def _put(
        self,
        db: sqlite3.Connection,
        now_s: float,
        wall_s: float | None,
        status: CachedStatus,
        *,
        rows: Sequence[OutboxRow],
        fine: Sequence[Row],
        lanes: Sequence[Row],
    ) -> None:
        """Put all that a step brought and what waits in the live file, within the transaction of `_write`."""
        # A commit that failed may have been carried out all the same: its rows are written over.
        db.executemany(PUT_OUTBOX, rows)
        db.executemany("INSERT OR REPLACE INTO counters VALUES (?, ?)", self.counters.items())
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

        if self.clock() - self._good_s >= DAY_S and self.memory is not None:
            self._keep_beside(MEMORY_GOOD, self.memory)
        state = [
            (MEMORY, wall_s, self.memory),
            ("status", status.wall_s, status.body),  # as old as its scan, here too: the next life may see nothing
            *((key, wall_s, body) for key, body in self._memory_rows.items()),
        ]
        db.executemany("INSERT OR REPLACE INTO state VALUES (?, ?, ?)", state)
        last_offset = self.counters.get(PLACE, 0)
        cursors = [(publisher, min(place, last_offset)) for publisher, place in self.cursors.items()]
        db.executemany("INSERT OR REPLACE INTO cursors VALUES (?, ?)", cursors)
        db.executemany(PUT_FINE, fine)
        open_lanes = [] if wall_s is None else self.lanes.open(wall_s)
        db.executemany(PUT_LANE, [*lanes, *open_lanes])
        if self._undated and wall_s is not None:  # the clock is known at last
            for table in ("outbox", "starts"):
                sql = f"UPDATE {table} SET wall_s = t_s + ? WHERE run = ? AND wall_s IS NULL"  # noqa: S608 - our own
                db.execute(sql, (wall_s - now_s, self.run))

    def memory_read(self, *, whole: bool) -> None:
        """See History."""
        with self.lock:
            if self.memory is None:
                return
            self._memory_whole = whole
            self._keep_beside(MEMORY_GOOD if whole else MEMORY_REFUSED, self.memory)
            if whole and self._db is not None and self.failed_s is None and self._redo_lacks_memory:
                # A log that was begun anew, beside a database that a cut may set back.
                with suppress(OSError):
                    self._redo.append(self._entry(self._before_held()))

    def _keep_beside(self, key: str, memory: bytes) -> None:
        """Keep a memory beside the newest one: the last good one, or one that could not be read."""
        self._memory_rows[key] = memory
        if key == MEMORY_GOOD:
            self.last_good_memory, self._good_s = memory, self.clock()

    def _tidy(self, db: sqlite3.Connection, wall_s: float | None) -> None:
        """Thin and drop, in a transaction of its own and never while an event waits; then, when it is due, back up."""
        if self.clock() - self._tidied_s < limits.HISTORY.tidy_s.value:
            return
        self._tidied_s = self.clock()
        try:
            with db:
                db.execute("BEGIN IMMEDIATE")
                tidy(db, wall_s, self.keep, self.on_disk)
        except sqlite3.Error as error:
            self._failed_write(error)
            return
        if self._backup_due():
            self._backup = self.background(self._back_up)

    def _backup_due(self) -> bool:
        """Once a day, less often for a file so large that it would wear the card; again an hour after a failure."""
        if self._backup is not None and self._backup.is_alive():
            return False
        if self.clock() - self._backup_tried_s < limits.HISTORY.tidy_s.value:
            return False
        size = recovery.size_of(self.path)
        most = limits.HISTORY.backup_mb_day.value * 1e6
        age_s = recovery.backup_age_s(self.path, self.wall())
        return age_s is None or age_s >= DAY_S * max(1.0, size / most)

    def _back_up(self) -> None:
        """Make a backup; what it covers becomes the old redo log. Without the lock: others may write meanwhile."""
        with self.lock:
            self._backup_tried_s = self.clock()
            redo, at, entry = self._redo, self._redo.size, self._entry(self._before_held())
        try:
            free = free_bytes(self.path)
            if free is not None and free < 2 * recovery.size_of(self.path) + limits.HISTORY.backup_spare_mb.value * 1e6:
                self.backup_error = "no backup of the history: too little room on the disk"
                return
            recovery.make_backup(self.path, self.wall())
            with self.lock:
                if redo is self._redo and redo.size >= at:
                    redo.cut(at, entry)
            self.backup_error = ""
        except (sqlite3.Error, OSError, HistoryError) as error:
            _log.exception("no backup of the history")
            self.backup_error = f"no backup of the history: {error}"

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

    # ------------------------------------------------------------ what publishers see of it

    def beyond(self, publisher: str, cursor: int, kept: list[StoredEvent] | None) -> list[StoredEvent]:
        """Rows beyond a publisher's cursor, in order: `kept`, which the disk has (None: it cannot be read), then those
        held that may be seen. What a cut of power cost the file is in the redo log alone until the file can be written:
        until then nothing is told beyond where it may lack rows."""
        with self.lock:
            written = self.on_disk if self._db is None else 0  # up to here the file may lack rows
            if kept or (kept is not None and cursor >= written):
                self.degraded.pop(publisher, None)
            else:
                kept, cursor = [], self.degraded.setdefault(publisher, max(cursor, self.on_disk))
            rows = kept
            if self.failed_s is not None and (not kept or kept[-1].offset >= written):
                rows = [*kept, *self._visible(cursor, self.failed_s)]
            ahead = self._ahead.get(publisher)
            if not ahead:
                return rows
            # Without those that were delivered ahead of the cursor while the disk could not be read; the cursor moves
            # over such rows as it comes to them.
            left = list(rows)
            while left and left[0].id in ahead:
                row = left.pop(0)
                ahead.discard(row.id)
                self.delivered(publisher, row.offset)
            return [row for row in left if row.id not in ahead]

    def _visible(self, after_offset: int, failed_s: float) -> list[StoredEvent]:
        """Held rows beyond a cursor, once the disk has failed for a while."""
        if self.clock() - failed_s < limits.HISTORY.expose_s.value:
            return []
        for index, row in enumerate(self.held.rows):
            if not _published(row):  # once told, the same for ever: the file may come back and number otherwise
                origin = id_origin(row.id, row.seq)
                marked = message_id(f"{origin}.{self._mark}", row.topic, row.seq)
                self.held.rows[index] = msgspec.structs.replace(row, id=marked)
        return [row for row in self.held.rows if row.offset > after_offset]

    def delivered(self, publisher: str, offset: int) -> None:
        """Move a cursor. On disk it never goes beyond the rows that are there; should a power cut undo it, rows are
        delivered again."""
        with self.lock:
            if publisher in self.degraded:
                before = self.degraded[publisher]
                self.degraded[publisher] = max(offset, before)
                ahead = (row.id for row in self.held.rows if before < row.offset <= offset)
                self._ahead.setdefault(publisher, set()).update(ahead)
            else:
                self.cursors[publisher] = max(offset, self.cursors.get(publisher, 0))
            if self._db is not None and self.failed_s is None:
                kept = min(self.cursors.get(publisher, 0), self.on_disk)
                with suppress(sqlite3.Error, OSError):
                    self._db.execute("INSERT OR REPLACE INTO cursors VALUES (?, ?)", (publisher, kept))
                    if not self.held:  # what a file that is damaged later has delivered is not delivered again
                        standing = RedoEntry(
                            origin=self.origin, run=self.run, counters=self.counters, cursors={publisher: kept}
                        )
                        self._redo.append(standing, durable=False)

    def numbers_given(self, origin: str, numbered: Mapping[str, int]) -> None:
        """See History."""
        with self.lock:
            found = self._found
            if origin != self.origin or found is None or self._db is None or self.failed_s is not None:
                return
            if any(last > found.get(topic, 0) for topic, last in numbered.items()):
                try:
                    self._number_again(self._db)
                except (sqlite3.Error, OSError) as error:
                    self._failed_write(error)

    def _number_again(self, db: sqlite3.Connection) -> None:
        """Give this run's rows numbers of a new origin; those that were seen before they were on the disk have ids of
        their own already. The database first, and this time down to the disk: the log of another origin is put away at
        the next start."""
        _log.warning("%s: the disk has lost what it had said it had written; numbers begin again", self.path)
        origin = "x" + token_hex(4)
        # A step of its own, or a log that is played back would take it for something it has.
        counters = {PLACE: self.counters.get(PLACE, 0), STEP: self.counters.get(STEP, 0) + 1}

        def again(topic: str, seq: int, name: str) -> tuple[int, str]:
            if "." in id_origin(name, seq):
                return seq, name
            counters[topic] = counters.get(topic, 0) + 1
            return counters[topic], message_id(origin, topic, counters[topic])

        kept = db.execute(f"{_OUTBOX} WHERE run = ? ORDER BY place", (self.run,)).fetchall()
        rows = [(*row[:2], *again(*row[1:4]), *row[4:]) for row in kept]
        held = [(row, again(row.topic, row.seq, row.id)) for row in self.held.rows]
        db.execute("PRAGMA synchronous=FULL")
        try:
            with db:
                db.execute("BEGIN IMMEDIATE")
                db.executemany(PUT_OUTBOX, rows)
                db.execute("DELETE FROM counters")
                db.executemany("INSERT INTO counters VALUES (?, ?)", counters.items())
                names = [("origin-before", self.origin), ("origin", origin)]
                db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", names)
        finally:
            db.execute("PRAGMA synchronous=NORMAL")
        self.origin, self.counters, self._found = origin, counters, None
        self.held.rows = deque(msgspec.structs.replace(row, seq=seq, id=name) for row, (seq, name) in held)
        entry = msgspec.structs.replace(self._entry(self._before_held()), rows=tuple(rows))
        self._redo.append(entry)

    def last_offset(self) -> int:
        """The newest offset given out."""
        with self.lock:
            return self.counters.get(PLACE, 0)

    def close(self) -> bool:
        """Close the file and let go of it; whether everything is on disk."""
        if self._backup is not None:
            self._backup.join(limits.PUBLISHERS.close_s.value)
        with self.lock:
            whole = self.failed_s is None and not self.held and not any(self.live.pending())
            if self.failed_s is not None and (self.held or self.held_requests) and self._memory_whole:
                self._leave_held()
            self._drop()
            self._lock_file.release()
            return whole

    def _leave_held(self) -> None:
        """Leave in memory what waits for the disk: a restart of the service costs no message."""
        left = Left(
            boot=self.live.boot,
            on_disk=self.on_disk,
            entry=self._entry(
                self.counters, rows=tuple(map(_outbox_row, self.held.rows)), answers=tuple(self.held.answers)
            ),
            requests=self.held_requests,
            starts=self.held.starts,
        )
        new = self._left_at.with_name(self._left_at.name + "-new")
        try:
            file = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
            with open(file, "wb") as out:
                out.write(msgspec.json.encode(left))
            new.replace(self._left_at)
        except OSError as error:
            _log.warning("%s: what waits for the disk is lost: %s", self._left_at, error)
            with suppress(OSError):
                new.unlink(missing_ok=True)


def _published(row: StoredEvent) -> bool:
    """Whether a row became visible before it was on disk: its id has a mark of the process that showed it."""
    return "." in id_origin(row.id, row.seq)


def _outbox_row(row: StoredEvent) -> OutboxRow:
    body = msgspec.json.encode(row.body)
    return (row.offset, row.topic, row.seq, row.id, _KIND_OF[type(row.body)], row.run, row.t_s, row.wall_s, body)


def _held_row(row: OutboxRow) -> StoredEvent | None:
    """The inverse of `_outbox_row`; None for one that no program of this version left."""
    offset, topic, seq, name, kind, run, t_s, wall_s, data = row
    known = KINDS.get(kind)
    body = None if known is None else decoded(data, known[1])
    if known is None or body is None or topic != known[0]:
        return None
    return StoredEvent(offset=offset, topic=known[0], seq=seq, id=name, run=run, t_s=t_s, wall_s=wall_s, body=body)


def _inode(path: Path) -> tuple[int, int, bool] | None:
    """What a path leads to, and whether its disk can be written: another one after a change of the mount."""
    try:
        found = path.stat()
        read_only = bool(os.statvfs(path).f_flag & os.ST_RDONLY)
    except OSError:
        return None
    return found.st_dev, found.st_ino, read_only
