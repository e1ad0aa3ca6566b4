"""(edge) Opening the owner's history: checked, made where there is none, restored when it is damaged; and its backups.

A damaged file is put away under its time, never written over. In its place comes the newest daily backup that passes
the check, then what SQLite still reads of the damaged file beyond it, then the redo log (redo_log.py), which has every
message since the backup and the engine's memory. So no message is lost and no number is given out twice; of charts, at
most those since the backup. Only where the redo log is damaged as well is it not known how far numbers went: they begin
again under a new origin, which tells an office that it is a new history.

The new file is made whole under another name and put in place by renaming: a power cut at any point leaves the old file
or the new one to be found, and never a new one without what the old one still gave.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing, suppress
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from secrets import token_hex
from typing import NamedTuple
from zlib import crc32

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import HistoryError
from condenser_monitor.monitor.core.records import Answer
from condenser_monitor.monitor.storage import schema
from condenser_monitor.monitor.storage.models import KINDS
from condenser_monitor.monitor.storage.schema import (
    APPLICATION_ID,
    COLUMNS,
    COUNTED,
    MIGRATIONS,
    Connection,
    SwapLock,
    columns,
    corrupt,
)

# place, topic, seq, id, kind, run, t_s, wall_s, body: as in the table `outbox`
OutboxRow = tuple[int, str, int, str, str, int, float, float | None, bytes]
PLACE, STEP = "place", "step"  # among the counters: rows of all topics; steps written


class RedoEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One step, or (without rows) how things stand: what numbers the rows, counters and cursors after it, its rows and
    answers, and the engine's memory."""

    origin: str
    run: int
    counters: dict[str, int]
    cursors: dict[str, int] = {}
    rows: tuple[OutboxRow, ...] = ()
    answers: tuple[Answer, ...] = ()
    memory: bytes | None = None
    wall_s: float | None = None

    @property
    def offset(self) -> int:
        """The last offset given out."""
        return self.counters.get(PLACE, 0)


class RedoRead(NamedTuple):
    """What a log holds: its entries, whether the last one is whole, and whether all lines that were ended are;
    `covers_from` is the place from which on no row is missing, None where there is no entry."""

    entries: tuple[RedoEntry, ...]
    last_whole: bool
    whole: bool
    covers_from: int | None

    @property
    def last(self) -> RedoEntry | None:
        """How things stood at the end."""
        return self.entries[-1] if self.entries else None


class RedoLog:
    """The log beside the history at `path`. Not to be used by two threads at once."""

    def __init__(self, path: Path) -> None:
        self.path = path.with_name(path.name + ".redo")
        self.old = path.with_name(path.name + ".redo-old")
        self._new = path.with_name(path.name + ".redo-new")
        self._file: int | None = None
        self._before: int | None = None  # the size before the last append

    # ------------------------------------------------------------ reading

    def read(self) -> RedoRead:
        """Return what can be read; what cannot is left out and said."""
        entries: list[RedoEntry] = []
        whole = last_whole = True
        for path in (self.old, self.path):
            try:
                data = path.read_bytes()
            except OSError:
                data = b""
            found, last_whole, good = _entries(data)
            whole &= good
            entries += found
        return RedoRead(tuple(entries), last_whole, whole, _covered_from(entries))

    @property
    def size(self) -> int:
        """Bytes of the log since the last backup."""
        return size_of(self.path)

    # ------------------------------------------------------------ writing

    def append(self, entry: RedoEntry, *, durable: bool = True) -> None:
        """Append an entry; it is on the disk when this returns, if it must be `durable`. Raises OSError, and the log is
        as it was before."""
        if self._file is not None and os.fstat(self._file).st_nlink == 0:
            self.close()  # one that was removed is made again
        if self._file is None:
            flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC
            self._file = os.open(self.path, flags, 0o600)
            data = self.path.read_bytes()
            if data and not data.endswith(b"\n"):  # a line that was torn is cut off
                os.ftruncate(self._file, data.rfind(b"\n") + 1)
        self._before = os.fstat(self._file).st_size
        try:
            _write(self._file, _line(entry))
            if durable:
                os.fsync(self._file)
        except OSError:
            self.undo_append()
            raise

    def undo_append(self) -> None:
        """Undo the last append: the database did not take what it says."""
        if self._file is not None and self._before is not None:
            with suppress(OSError):
                os.ftruncate(self._file, self._before)
                os.fsync(self._file)
        self._before = None

    def begin(self, entry: RedoEntry, *, keep_old: bool) -> None:
        """Begin the log again with how things stand; `keep_old` leaves the lines of before the last backup."""
        self._replace(self.path, _line(entry))
        if not keep_old:
            self.old.unlink(missing_ok=True)

    def cut(self, at: int, entry: RedoEntry) -> None:
        """A backup covers the first `at` bytes: they become the old log. What comes after begins with `entry`, how
        things stood then. A cut of power in between leaves lines twice, which changes nothing."""
        data = self.path.read_bytes()
        self._replace(self.old, data[:at])
        self._replace(self.path, _line(entry) + data[at:])

    def quarantine(self, end: str) -> None:
        """Put the log away under another ending; of many, the first and the last are enough."""
        self.close()
        to = self.path.with_name(self.path.name + end)
        if to.exists():
            to = to.with_name(f"{to.name}-2")
        with suppress(FileNotFoundError):
            self.path.replace(to)
        self.old.unlink(missing_ok=True)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _replace(self, path: Path, data: bytes) -> None:
        self.close()
        file = os.open(self._new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        try:
            _write(file, data)
            os.fsync(file)
        finally:
            os.close(file)
        self._new.replace(path)
        sync_folder(path.parent)


def _write(file: int, data: bytes) -> None:
    """All of it, or OSError: the system may take a part only."""
    while data:
        data = data[os.write(file, data) :]


def sync_folder(folder: Path) -> None:
    """Send what was renamed in a folder to the disk. Raises OSError."""
    handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _line(entry: RedoEntry) -> bytes:
    body = msgspec.json.encode(entry)
    return b"%08x %b\n" % (crc32(body), body)


def _entries(data: bytes) -> tuple[list[RedoEntry], bool, bool]:
    """The entries, whether the last one is whole, and whether all are."""
    lines = data.split(b"\n")
    found: list[RedoEntry] = []
    last_whole = whole = True
    for line in lines[:-1]:
        entry = _entry(line)
        last_whole = entry is not None
        whole &= last_whole
        if entry is not None:
            found.append(entry)
    return found, last_whole and not lines[-1], whole


def _entry(line: bytes) -> RedoEntry | None:
    crc, _, body = line.partition(b" ")
    if crc != b"%08x" % crc32(body):
        return None
    try:
        return msgspec.json.decode(body, type=RedoEntry)
    except (msgspec.DecodeError, ValueError, RecursionError):
        return None


def _covered_from(entries: Sequence[RedoEntry]) -> int | None:
    """From the end backwards, as long as each entry goes on where the one before ended."""
    found: int | None = None
    for entry in reversed(entries):
        if found is not None and entry.offset < found:
            break
        began = entry.offset - len(entry.rows)
        found = began if found is None else min(found, began)
    return found


ENDS = ("-wal", "-shm", "")  # the parts of a history, the one that all others belong to last
MEMORY = "memory"  # the row of `state` with the engine's memory
PUT_OUTBOX = "INSERT OR REPLACE INTO outbox VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
_BACKUPS = (".backup-1", ".backup-2")  # the newest first
_FREE_LEAST = limits.WEB.free_least_mb.value * 1e6
_OURS = {"meta", "outbox", "counters"}
_FORMATS = slice(
    18, 20
)  # of the header: the SQLite project's "Database File Format" (sqlite.org/fileformat2.html), 1.3
_LOOKED_AT = 1000  # rows looked at beyond a cursor: publishers ask for fewer
_PUT_DAMAGE = "INSERT OR REPLACE INTO meta VALUES ('damage', ?)"
# What may be newer in a damaged file than in the backup and is in no redo log -> what its rows are ordered by.
_CARRIED = {
    "meter_readings": "place",
    "visits": "place",
    "requests": "place",
    "starts": "place",
    "lanes": "from_wall_s",
    "coarse": "wall_s",
    "fine": "wall_s",
}


class Damage(msgspec.Struct, frozen=True, kw_only=True):
    """What a history says of damage it came out of: the file that was kept, whether this one is new since, in words."""

    file: str
    new: bool
    words: str


class Opened(NamedTuple):
    """The owner's history, ready to be written; `memory` is the newest of the redo log, known to be as it was kept."""

    db: sqlite3.Connection
    redo: RedoLog
    memory: bytes | None


class StoredBase(msgspec.Struct, frozen=True):
    """How the last run left things, read without writing a byte."""

    origin: str | None = None
    run: int = 0
    counters: dict[str, int] = {}
    cursors: dict[str, int] = {}
    memory: bytes | None = None
    last_good_memory: bytes | None = None


def part(path: Path, end: str) -> Path:
    """A part of a history's file, by its ending."""
    return path.with_name(path.name + end)


# ---------------------------------------------------------------- opening to write


def open_owned(
    path: Path, wall: Callable[[], float], *, spoilt: str = "", release: Callable[[], None] | None = None
) -> Opened:
    """Open, check and migrate the owner's file; restore a damaged one. Then the database has all that the redo log has.

    `spoilt` says why the file cannot be gone on with, where it was found out in use; `release` closes the connections
    that this process has had to it. `damage_of` then tells what came of it. Raises sqlite3.Error or OSError when the
    disk fails, HistoryError for a file that is not ours.
    """
    with SwapLock(path, make=True) as swap:
        if release is not None or part(path, ".ready").exists():
            swap.alone()
        if release is not None:
            release()
        return _open_owned(path, wall, swap, spoilt)


def _open_owned(path: Path, wall: Callable[[], float], swap: SwapLock, spoilt: str) -> Opened:
    refuse_odd(path)
    _finish(path, wall)
    redo = RedoLog(path)
    log = redo.read()
    fault = spoilt and plainly(spoilt)
    if not any(part(path, end).exists() for end in ENDS):
        if log.entries or _usable_backup(path) is not None:
            return _restored(path, wall, swap, "", redo, log=log, belongs=False)
        _build(path, None, "", log, belongs=False)
        _finish(path, wall)
        return _gone_on_with(path, redo, log)
    found, belongs = inspect(path, log)
    if found or fault:
        return _restored(path, wall, swap, fault or found, redo, log=log, belongs=belongs)
    try:
        return _gone_on_with(path, redo, log)
    except sqlite3.DatabaseError as error:
        if not corrupt(error):
            raise
        return _restored(path, wall, swap, plainly(error), redo, log=log, belongs=True)


def _gone_on_with(path: Path, redo: RedoLog, log: RedoRead) -> Opened:
    db = schema.connect(path, durable=False)  # what must last is in the redo log before it is here
    try:
        schema.migrate(db, place=str(path))
        origin = _meta(db, "origin")
        if log.last is not None and origin not in (None, log.last.origin):
            redo.quarantine("-of-another")  # numbers began again, or somebody put another history in place
            log = RedoRead((), True, True, None)
        with db:
            db.execute("BEGIN IMMEDIATE")
            missed = replay(db, log.entries)
            if missed > 1:  # one is what a kill leaves between the two files
                words = f"{missed} steps that were lost at the end of the database were restored from the redo log"
                _put_damage(db, Damage(file="", new=False, words=words))
        if not log.whole:
            redo.quarantine("-damaged")
    except BaseException:
        db.close()
        raise
    return Opened(db, redo, _newest_memory(log.entries))


def _restored(
    path: Path, wall: Callable[[], float], swap: SwapLock, fault: str, redo: RedoLog, *, log: RedoRead, belongs: bool
) -> Opened:
    """Put a file in place of a damaged one, or (no `fault`) of one that is gone. What others write from here on waits
    for the new one: it would be lost in the old."""
    swap.alone()
    aside = quarantine_name(path, wall())
    _build(path, aside.name if fault else "", fault, log, belongs=belongs)
    _finish(path, wall)
    thin_quarantine(path)
    return _gone_on_with(path, redo, redo.read())


def _finish(path: Path, wall: Callable[[], float]) -> None:
    """Put a new file in place that is ready, and what was there before away. A power cut may have come in between."""
    ready = part(path, ".ready")
    if not ready.exists():
        return
    with suppress(sqlite3.Error), closing(reading(ready, log=False)) as db:
        found = damage_of(db, path, kept=False)
        if found is not None and found.file:
            quarantine(path, path.with_name(Path(found.file).name))
    if any(part(path, end).exists() for end in ENDS):
        quarantine(path, quarantine_name(path, wall()))
    ready.replace(path)
    sync_folder(path.parent)


def _build(path: Path, aside: str | None, fault: str, log: RedoRead, *, belongs: bool) -> None:
    """Make a whole new file, on the disk and ready to be put in place when this returns; readable by its owner only,
    from the first byte on. `aside` None: there was none before."""
    new, ready = part(path, ".new"), part(path, ".ready")
    for end in (*ENDS, "-journal"):
        part(new, end).unlink(missing_ok=True)
    os.close(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    backup = None if aside is None else _usable_backup(path)
    if backup is not None:
        shutil.copyfile(backup, new)
    with closing(sqlite3.connect(new, isolation_level=None, factory=Connection)) as db:
        db.execute("PRAGMA journal_mode=DELETE")
        db.execute("PRAGMA journal_mode=OFF")  # ended half made, it is thrown away
        db.execute("PRAGMA synchronous=OFF")
        schema.migrate(db, place=str(path))
        if aside is not None:
            words = _fill(path, db, log, backup, belongs=belongs)
            what = f"the file was damaged ({fault}) and was put away as {aside}" if aside else "the file was gone"
            words = f"{what}; {words}"
            _put_damage(db, Damage(file=aside, new=True, words=words))
        db.execute("PRAGMA journal_mode=WAL")
    for end in ("-wal", "-shm"):
        part(new, end).unlink(missing_ok=True)
    with new.open("r+b") as file:
        os.fsync(file.fileno())
    new.replace(ready)
    sync_folder(path.parent)


def _fill(path: Path, db: Connection, log: RedoRead, backup: Path | None, *, belongs: bool) -> str:
    """Fill a new file with all that is left; what that was, in words."""
    safe = log.last is not None and log.last_whole
    covered = log.covers_from is not None and log.covers_from <= _counter(db, PLACE)
    carried = _carry_newer(path, db, log=belongs)
    with db:
        db.execute("BEGIN")
        replay(db, log.entries)
        if not safe:
            _begin_numbers_again(db)
    since = "" if backup is None else f"the backup of {_when(backup)}"
    rows = int(db.execute("SELECT count(*) FROM outbox").fetchone()[0])
    source = " and ".join(filter(None, (since, "the redo log" if log.entries else "")))
    if not source:
        return "nothing of it could be restored" + (f", but {carried} rows could be read" if carried else "")
    lost = "" if safe and covered else "; messages may be lost, and numbers begin again under a new name"
    lost = lost if not safe else "" if covered else "; messages of before may be lost"
    return f"restored from {source}: {rows} messages, and {carried} other rows that could still be read{lost}"


def _when(path: Path) -> str:
    return datetime.fromtimestamp(path.stat().st_mtime, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _put_damage(db: sqlite3.Connection, found: Damage) -> None:
    db.execute(_PUT_DAMAGE, (msgspec.json.encode(found).decode(),))


def damage_of(db: sqlite3.Connection, path: Path, *, kept: bool = True) -> Damage | None:
    """What is to be told of damage, as long as the file that was kept is there: whoever removes it has seen it."""
    for (text,) in db.execute("SELECT value FROM meta WHERE key = 'damage'"):
        with suppress(msgspec.DecodeError, TypeError):
            found = msgspec.json.decode(text, type=Damage)
            there = not kept or not found.file or path.with_name(found.file).exists()
            return found if os.sep not in found.file and there else None
    return None


# ---------------------------------------------------------------- the redo log into a database


def replay(db: sqlite3.Connection, entries: Sequence[RedoEntry]) -> int:
    """Bring a database to where the redo log ends; how many entries it lacked. Within a transaction of the caller.

    Rows that it has otherwise than the log, and should not, are put right as well.
    """
    missed, late = 0, False
    if entries and _meta(db, "origin") not in (None, entries[-1].origin):
        db.execute("DELETE FROM counters WHERE topic NOT IN (?, ?)", (PLACE, STEP))
    first = db.execute("SELECT min(place) FROM outbox").fetchone()[0] or 0
    for entry in entries:
        behind = entry.counters.get(STEP, 0) > _counter(db, STEP) or entry.offset > _counter(db, PLACE)
        missed += behind
        late |= behind
        for row in entry.rows:
            if behind or row[0] >= first:
                _put_right(db, row)
        counters = entry.counters
        if entry.origin != entries[-1].origin:  # numbers began again since: its rows are of the history all the same
            counters = {topic: last for topic, last in counters.items() if topic in (PLACE, STEP)}
        # What a database was behind with is newer than its memory, and so is all that comes after it.
        _put_numbers(db, entry, counters, memory=late or _meta(db, "origin") is None)
    memory = _newest_memory(entries)
    kept = db.execute("SELECT body FROM state WHERE key = ?", (MEMORY,)).fetchone()
    if memory is not None and not (kept is not None and _is_json(kept[0])):
        db.execute("INSERT OR REPLACE INTO state VALUES (?, NULL, ?)", (MEMORY, memory))
    return missed


def _newest_memory(entries: Sequence[RedoEntry]) -> bytes | None:
    known = [entry.memory for entry in reversed(entries) if entry.memory is not None]
    return next(filter(_is_json, known), known[0] if known else None)


def _is_json(body: object) -> bool:
    """Whether it can be read whole: decoding to Raw alone accepts a byte that is no UTF-8 within a string."""
    try:
        msgspec.json.decode(body.decode() if isinstance(body, bytes) else "", type=msgspec.Raw)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return False
    return True


def _put_right(db: sqlite3.Connection, row: OutboxRow) -> None:
    found = db.execute("SELECT topic, seq, id, kind, body, wall_s FROM outbox WHERE place = ?", row[:1]).fetchone()
    if found is None or found[:5] != (*row[1:5], row[8]):
        dated = found[5] if found is not None and row[7] is None and isinstance(found[5], float) else row[7]
        db.execute(PUT_OUTBOX, (*row[:7], dated, row[8]))


def _put_numbers(db: sqlite3.Connection, entry: RedoEntry, counters: dict[str, int], *, memory: bool) -> None:
    for topic, last in counters.items():
        db.execute(
            "INSERT INTO counters VALUES (?, ?) ON CONFLICT DO UPDATE SET last = max(last, excluded.last)",
            (topic, last),
        )
    for publisher, place in entry.cursors.items():
        db.execute(
            "INSERT INTO cursors VALUES (?, ?) ON CONFLICT DO UPDATE SET place = max(place, excluded.place)",
            (publisher, place),
        )
    for answer in entry.answers:
        db.execute("UPDATE requests SET answer = ? WHERE id = ?", (msgspec.json.encode(answer), answer.id))
    if memory:
        db.execute("INSERT OR REPLACE INTO meta VALUES ('origin', ?)", (entry.origin,))
        if entry.memory is not None:
            db.execute("INSERT OR REPLACE INTO state VALUES (?, ?, ?)", (MEMORY, entry.wall_s, entry.memory))
    run = _meta(db, "run")
    if not isinstance(run, int) or run < entry.run:
        db.execute("INSERT OR REPLACE INTO meta VALUES ('run', ?)", (entry.run,))


def _begin_numbers_again(db: sqlite3.Connection) -> None:
    """How far numbers went, nobody knows: they begin again under a new origin."""
    db.execute("DELETE FROM counters WHERE topic != ?", (PLACE,))
    db.execute("INSERT OR REPLACE INTO meta VALUES ('origin', ?)", ("x" + token_hex(4),))


def _carry_newer(path: Path, new: Connection, *, log: bool) -> int:
    """Carry over the rows that SQLite still reads of a damaged file and that the new one has not; how many."""
    carried = 0
    if not path.is_file() or not path.stat().st_size:
        return 0
    try:
        with closing(reading(path, log=log)) as old:
            for table, key in _CARRIED.items():
                carried += _carry_table(old, new, table, key)
            _carry_memory(old, new)
    except sqlite3.Error:
        return carried
    return carried


def _carry_memory(old: Connection, new: Connection) -> None:
    """Where no backup has the engine's memory, take it as the damaged file has it; what the redo log has comes after
    it. A part of it that is spoilt costs that part."""
    if new.execute("SELECT 1 FROM state WHERE key = ?", (MEMORY,)).fetchone() is None:
        for row in old.execute("SELECT * FROM state WHERE key = ?", (MEMORY,)).fetchall():
            if _is_json(row[2]):
                new.execute("INSERT INTO state VALUES (?, ?, ?)", row)


def _carry_table(old: Connection, new: Connection, table: str, key: str) -> int:
    """From the newest of the new file on, and from the end back, up to a row that cannot be read."""
    names = [row[1] for row in new.execute(f"PRAGMA table_info({table})")]
    with suppress(sqlite3.Error):
        there = {name for one, name in columns(old) if one == table}
        names = [name for name in names if name in there]
    if key not in names:
        return 0
    top = new.execute(f"SELECT max({key}) FROM {table}").fetchone()[0]  # noqa: S608 - our own tables
    marks, listed = ", ".join("?" * len(names)), ", ".join(names)
    put = f"INSERT OR IGNORE INTO {table} ({listed}) VALUES ({marks})"  # noqa: S608 - our own tables
    before = new.total_changes
    for order in ("ASC", "DESC"):
        sql = f"SELECT {listed} FROM {table} NOT INDEXED WHERE {key} > ? ORDER BY {key} {order}"  # noqa: S608 - as above
        try:
            for row in old.execute(sql, (-1 if top is None else top,)):
                if isinstance(row[names.index(key)], int | float):
                    with suppress(sqlite3.Error):
                        new.execute(put, row)
        except (sqlite3.Error, OverflowError):
            continue
        break
    return new.total_changes - before


def _meta(db: sqlite3.Connection, key: str) -> object:
    row = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
    return None if row is None else row[0]


def _counter(db: sqlite3.Connection, topic: str) -> int:
    row = db.execute("SELECT last FROM counters WHERE topic = ?", (topic,)).fetchone()
    return row[0] if row is not None and isinstance(row[0], int) else 0


# ---------------------------------------------------------------- opening to read


def read_base(path: Path) -> StoredBase:
    """Return how the last run left things, from whatever can be read of the database and the redo log. Writes nothing,
    so it can be had of a disk that is full or read-only; never raises."""
    base = StoredBase()
    with suppress(sqlite3.Error, OSError, TypeError, ValueError), closing(_read_only_or_alone(path)) as db:
        state = dict(db.execute("SELECT key, body FROM state WHERE key IN ('memory', 'memory-good')"))
        known = {key: body for key, body in state.items() if isinstance(body, bytes)}
        origin = _meta(db, "origin")  # of the main file alone it may be in the log yet
        base = StoredBase(
            None if origin is None else str(origin),
            int(str(_meta(db, "run") or 0)),
            _numbers(db, "counters"),
            _numbers(db, "cursors"),
            known.get(MEMORY),
            known.get("memory-good"),
        )
    log = RedoLog(path).read()
    last = log.last
    belongs = {None, *(entry.origin for entry in log.entries)}  # of the one before, where numbers began again since
    if last is None or base.origin not in belongs or last.offset < base.counters.get(PLACE, 0):
        return base
    ahead = base.memory is None or last.counters.get(STEP, 0) > base.counters.get(STEP, 0)
    memory = (_newest_memory(log.entries) if ahead else None) or base.memory
    return StoredBase(
        last.origin,
        max(base.run, last.run),
        _highest(base.counters, last.counters) if base.origin == last.origin else last.counters,
        _highest(base.cursors, last.cursors),
        memory,
        base.last_good_memory,
    )


def _highest(one: dict[str, int], other: dict[str, int]) -> dict[str, int]:
    return {key: max(one.get(key, 0), other.get(key, 0)) for key in one | other}


def _numbers(db: sqlite3.Connection, table: str) -> dict[str, int]:
    rows = db.execute(f"SELECT * FROM {table}")  # noqa: S608 - our own tables
    return {name: last for name, last in rows if isinstance(name, str) and isinstance(last, int)}


def _read_only_or_alone(path: Path) -> Connection:
    """A connection that reads; to the main file alone where the index of its log cannot be had."""
    try:
        schema.refuse_full(path)
        db = reading(path)
        try:
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except BaseException:
            db.close()
            raise
        return db
    except sqlite3.OperationalError:
        return reading(path, log=False)


def reading(path: Path, *, log: bool = True) -> Connection:
    """A connection that changes nothing; without `log` the main file alone. Raises sqlite3.Error."""
    return _read_only(path, alone=not log or size_of(part(path, "-wal")) == 0)


def _read_only(path: Path, *, alone: bool) -> Connection:
    uri = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if alone else ''}"
    busy_s = limits.HISTORY.busy_s.value
    return sqlite3.connect(uri, uri=True, timeout=busy_s, isolation_level=None, factory=schema.Connection)


# ---------------------------------------------------------------- checking


def refuse_odd(path: Path) -> None:
    """Raises HistoryError for a path that holds something other than a file, or one that this user may not write."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    except OSError as error:
        raise HistoryError(str(path), str(error), "a path that can be reached") from None
    if not stat.S_ISREG(mode):
        what = "a folder" if stat.S_ISDIR(mode) else "no ordinary file"
        raise HistoryError(str(path), what, "the path of a file: a history, or one that is to be made")
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CLOEXEC))
    except PermissionError:
        allowed = f"a file that this user may read and write: chown it, or chmod 600 {path}"
        raise HistoryError(str(path), f"mode {stat.S_IMODE(mode):03o}, of user {path.stat().st_uid}", allowed) from None
    except OSError:
        return  # a disk that is read-only or failing: for who opens it


def inspect(path: Path, log: RedoRead | None = None) -> tuple[str, bool]:
    """What is wrong with a file, in words ("" when it can be gone on with), and whether the log beside it belongs to
    it; not a byte of it is changed. Raises HistoryError for another program's database and for a newer version of this
    one's, sqlite3.Error when the disk itself fails."""
    for end in ("-wal", "-shm"):
        if part(path, end).exists() and not part(path, end).is_file():
            return f"its {end} is no file", False
    if not path.exists():
        return "its log is there without it", False
    if (fault := _head_fault(path)) != "":
        return fault, True
    try:
        with closing(reading(path)) as db:
            found = [row[0] for row in db.execute("PRAGMA integrity_check(1)")]
            fault = "" if found == ["ok"] else plainly(*found)
            belongs = _log_belongs(path, db)
            if not belongs:
                fault = "the log beside it is of another history"
            return fault or _not_ours(db, str(path)) or _not_whole(db), belongs
    except sqlite3.DatabaseError as error:
        if not corrupt(error):
            raise
        return plainly(error), True


def plainly(*said: object) -> str:
    """What SQLite said of a damaged file, without the bytes of the file that it may hold."""
    line = str(said[0] if said else "no answer").strip().splitlines()[-1]
    head = line.partition(" column '")[0].partition("(")[0].strip()
    return "".join(sign if sign.isprintable() else "?" for sign in head)[:80]


def _head_fault(path: Path) -> str:
    with path.open("rb") as file:
        head = file.read(100)
    if not head:
        return "it is empty"
    if len(head) == 100 and not set(head[_FORMATS]) <= {1, 2}:
        return "its header is damaged"  # SQLite would take it for a file that may only be read
    return ""


def _log_belongs(path: Path, db: Connection) -> bool:
    """A log names no file: one of another history is known by what numbers the messages in it and in the file."""
    if size_of(part(path, "-wal")) == 0:
        return True
    with suppress(sqlite3.Error), closing(reading(path, log=False)) as alone:
        return _meta(alone, "origin") in (None, _meta(db, "origin"), _meta(db, "origin-before"))
    return True


def _not_ours(db: Connection, place: str) -> str:
    """What is wrong with the marks of the file. Raises HistoryError for what is plainly not for this program: a mark
    alone is no proof, for a damaged byte in the header changes it as well."""
    tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    version, mark = (int(db.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("user_version", "application_id"))
    if not tables and version == 0:
        return ""  # nothing is in it yet
    if not tables >= _OURS and mark != APPLICATION_ID:
        raise HistoryError(place, "a database of another program", "a new file, or a history of this program")
    told = None
    with suppress(sqlite3.DatabaseError):
        told = _meta(db, "schema")
    told = told if isinstance(told, int) else None
    if (told is None or told > len(MIGRATIONS)) and version > len(MIGRATIONS) and mark == APPLICATION_ID:
        raise HistoryError(place, f"schema version {version}", f"at most {len(MIGRATIONS)}: made by a newer program")
    wrong = version == 0 or mark != APPLICATION_ID or (told is not None and told != version)
    return "its header is damaged" if wrong else ""


def _not_whole(db: Connection) -> str:
    """Whether tables and columns have their names, what counts is a number, and no counter lies behind its rows:
    SQLite's own check knows none of it. Columns of readings are added to an older file when it is opened."""
    found = columns(db)
    if not found or db.execute("PRAGMA user_version").fetchone()[0] < len(MIGRATIONS):
        return ""
    if not _columns_of_a_new_file() <= found:
        return "a table or a column of it is missing"
    if db.execute(COUNTED).fetchone()[0]:
        return "a number in it is none"
    place = db.execute("SELECT max(place) FROM outbox").fetchone()[0] or 0
    origin = _meta(db, "origin")
    behind = place > _counter(db, PLACE) or any(
        (_newest_seq(db, topic, str(origin)) or 0) > _counter(db, topic) for topic in {row[0] for row in KINDS.values()}
    )
    return "its numbers do not agree" if behind else ""


@cache
def _columns_of_a_new_file() -> set[tuple[str, str]]:
    """(table, column) as the scripts make them, without those of readings."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        for script in MIGRATIONS:
            fresh.executescript(script)
        return {row for row in columns(fresh) if row[1] not in COLUMNS}


def _newest_seq(db: Connection, topic: str, origin: str) -> int | None:
    """The highest number of a topic of this origin. Rows told before they were on the disk have ids of their own."""
    sql = "SELECT seq FROM outbox WHERE topic = ? AND instr(id, ?) = 1 ORDER BY seq DESC LIMIT 1"
    row = db.execute(sql, (topic, origin)).fetchone()
    return row[0] if row is not None and isinstance(row[0], int) else None


def unreadable(path: Path, offsets: Iterable[int]) -> str:
    """What SQLite says of rows that somebody waits for and that cannot be read, "" when all can: open requests, and the
    next ones beyond offsets of the outbox.

    To be asked while the file is in use. Looked for through a connection of its own, as whoever reads has one: who
    writes knows the tables from before the damage, and SQLite writes on behind a row that it cannot read.
    """
    try:
        with closing(_read_only(path, alone=False)) as db:
            db.execute("SELECT body, source FROM requests WHERE answer IS NULL").fetchall()
            for place in offsets:
                db.execute(
                    "SELECT * FROM outbox WHERE place > ? ORDER BY place LIMIT ?", (place, _LOOKED_AT)
                ).fetchall()
    except sqlite3.Error as error:
        return str(error) if corrupt(error) else ""
    return ""


# ---------------------------------------------------------------- backups


def make_backup(path: Path, wall_s: float) -> None:
    """Write a backup dated `wall_s`, check it, and keep it and the one before. Raises sqlite3.Error and OSError,
    HistoryError when it is not sound; the backups there are stay then."""
    new = part(path, ".backup-new")
    for end in (*ENDS, "-journal"):
        part(new, end).unlink(missing_ok=True)
    os.close(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    try:
        with closing(reading(path)) as source, closing(sqlite3.connect(new, isolation_level=None)) as target:
            source.execute("BEGIN")
            source.execute("SELECT count(*) FROM meta").fetchone()  # what is written meanwhile is not in it
            source.backup(target, pages=256, sleep=0.0)
        for end in ("-wal", "-shm"):
            part(new, end).unlink(missing_ok=True)
        with new.open("r+b") as file:
            os.fsync(file.fileno())
        fault, _ = inspect(new)
        if fault:
            raise HistoryError(str(new), fault, "a backup that passes the check")
        newest, older = (part(path, end) for end in _BACKUPS)
        if newest.exists():
            newest.replace(older)
        os.utime(new, (wall_s, wall_s))
        new.replace(newest)
        sync_folder(path.parent)
    finally:
        new.unlink(missing_ok=True)


def backup_age_s(path: Path, wall_s: float) -> float | None:
    """How old the newest backup is; None where there is none, or it is dated ahead."""
    try:
        age_s = wall_s - part(path, _BACKUPS[0]).stat().st_mtime
    except OSError:
        return None
    return age_s if age_s >= 0 else None


def _usable_backup(path: Path) -> Path | None:
    for end in _BACKUPS:
        found = part(path, end)
        with suppress(sqlite3.Error, HistoryError, OSError):
            if found.is_file() and inspect(found) == ("", True):
                return found
    return None


# ---------------------------------------------------------------- putting away


def quarantine_name(path: Path, wall_s: float) -> Path:
    """Where a file is to be put away: a name nothing has yet."""
    stamp = datetime.fromtimestamp(wall_s, UTC).strftime("%Y-%m-%dT%H%M%SZ")
    number = 1
    while True:
        aside = path.with_name(f"{path.stem}.corrupt-{stamp}{f'-{number}' if number > 1 else ''}{path.suffix}")
        if not any(part(aside, end).exists() for end in ENDS):
            return aside
        number += 1


def quarantine(path: Path, aside: Path) -> None:
    """Rename a file and what belongs to it. It may have been begun before, and ended by a power cut."""
    for end in ENDS:
        if part(path, end).exists() and not part(aside, end).exists():
            part(path, end).replace(part(aside, end))


def thin_quarantine(path: Path, most: int | None = None) -> None:
    """Bound what lies put away: never the first of them, and of the others only those beyond a number that no sound
    disk comes to (`most`), or beyond a few when the disk is nearly full."""
    kept = sorted(set(_quarantined(path)), key=lambda one: one.stem)
    full = shutil.disk_usage(path.parent).free < _FREE_LEAST
    most = most or int((limits.HISTORY.set_aside_full if full else limits.HISTORY.set_aside_most).value)
    for extra in kept[1 : max(1, len(kept) - most + 1)]:
        for end in ENDS:
            with suppress(OSError):
                part(extra, end).unlink(missing_ok=True)


def _quarantined(path: Path) -> Sequence[Path]:
    found = path.parent.glob(f"{path.stem}.corrupt-*{path.suffix}*")
    return [one.with_name(one.name.removesuffix("-wal").removesuffix("-shm")) for one in found]


def size_of(path: Path) -> int:
    """Bytes of a file, 0 where there is none."""
    try:
        return path.stat().st_size
    except OSError:
        return 0
