"""(edge) The history's file: schema, migrations, a connection, what rows hold, the owner's lock, keeping it small.

SQLite in WAL mode. Commits of the owner reach the disk before they count (`synchronous=FULL`): an event that was sent
must still be known after a power cut, or its number would be given out twice.
"""

from __future__ import annotations

import fcntl
import math
import os
import sqlite3
import time
from collections.abc import Collection, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import HistoryError
from condenser_monitor.monitor.core.readings import READINGS

APPLICATION_ID = 0x434D6831  # "CMh1", so that another program's database is never taken for ours
DAY_S = 86400.0
PARTS = ("mean", "low", "high")
COLUMNS = tuple(f"{name}_{part}" for name in READINGS for part in PARTS)

_V1 = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value) WITHOUT ROWID;
CREATE TABLE state (key TEXT PRIMARY KEY, wall_s REAL, body BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE outbox (
  place INTEGER PRIMARY KEY, topic TEXT NOT NULL, seq INTEGER NOT NULL, id TEXT NOT NULL UNIQUE, kind TEXT NOT NULL,
  run INTEGER NOT NULL, t_s REAL NOT NULL, wall_s REAL, body BLOB NOT NULL);
CREATE INDEX outbox_topic ON outbox (topic, seq);
CREATE INDEX outbox_wall ON outbox (topic, wall_s);
CREATE TABLE counters (topic TEXT PRIMARY KEY, last INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE cursors (outlet TEXT PRIMARY KEY, place INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE requests (
  place INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, source TEXT NOT NULL, wall_s REAL, body BLOB NOT NULL,
  answer BLOB);
CREATE INDEX requests_open ON requests (place) WHERE answer IS NULL;
CREATE TABLE starts (
  place INTEGER PRIMARY KEY, run INTEGER NOT NULL, t_s REAL NOT NULL, wall_s REAL, body BLOB NOT NULL,
  UNIQUE (run, t_s));
CREATE TABLE meter_readings (place INTEGER PRIMARY KEY, wall_s REAL, body BLOB NOT NULL);
CREATE TABLE visits (place INTEGER PRIMARY KEY, wall_s REAL, body BLOB NOT NULL);
CREATE TABLE fine (wall_s INTEGER PRIMARY KEY);
CREATE TABLE coarse (wall_s INTEGER PRIMARY KEY);
CREATE TABLE lanes (
  name TEXT, from_wall_s REAL, state TEXT NOT NULL, to_wall_s REAL, PRIMARY KEY (name, from_wall_s)) WITHOUT ROWID;
"""
# What this program counts on beyond a sound file: numbers where it counts, or the file cannot be gone on from.
COUNTED = (
    "SELECT count(*) FROM (SELECT value AS one FROM meta WHERE key = 'run' UNION ALL SELECT last FROM counters "
    "UNION ALL SELECT place FROM cursors) WHERE typeof(one) != 'integer'"
)
# How the module says that a text of the file is none, and SQLite that a mark in its header or schema is.
_DAMAGED = ("Could not decode to UTF-8", "unsupported file format", "malformed")
_PUT_SCHEMA = (
    "INSERT OR REPLACE INTO meta SELECT 'schema', ? "
    "WHERE NOT EXISTS (SELECT 1 FROM meta WHERE key = 'schema' AND value = ?)"
)
MIGRATIONS: tuple[str, ...] = (_V1,)  # one script a version; a script that has shipped is never changed
_KINDS: dict[str, tuple[type, ...]] = {"T": (str,), "I": (int,), "R": (float, int), "B": (bytes,)}
_MARKS = {"events": "-", "cycles": ":", "answers": "/"}
_Record = TypeVar("_Record")


_SWAP_STEP_S = 0.01  # between two tries of the lock
_INDEX_BYTES, _INDEX_ROOM = 32768, 2**20  # of the log's index; free room with which it is made in any case


class Connection(sqlite3.Connection):
    """A connection on which a damaged file is always an error of SQLite's: its message may hold bytes of the file that
    are no text, and those the module cannot even say."""

    def execute(self, *given: Any) -> sqlite3.Cursor:
        """As the class above has it."""
        try:
            return super().execute(*given)
        except UnicodeDecodeError as error:
            raise sqlite3.DatabaseError(f"a damaged file: {error.reason}") from None


class AloneConnection(Connection):
    """One to the main file alone: it knows nothing of what is only in its log, and must not be kept."""


def connect_alone(path: Path) -> sqlite3.Connection:
    """Open the main file alone, to read as it is at this moment. Raises sqlite3.Error."""
    uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
    return sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, factory=AloneConnection)


def connect(path: Path, *, durable: bool, make: bool = False) -> sqlite3.Connection:
    """Open a connection that any thread may use, one at a time. `durable` commits reach the disk before they count;
    `make` makes a file where there is none.

    Raises sqlite3.Error.
    """
    refuse_full(path)
    busy_s = limits.HISTORY.busy_s.value
    uri = f"{path.absolute().as_uri()}?mode={'rwc' if make else 'rw'}"
    db = sqlite3.connect(
        uri, uri=True, timeout=busy_s, isolation_level=None, check_same_thread=False, factory=Connection
    )
    try:
        db.execute("PRAGMA journal_mode=WAL")
        db.execute(f"PRAGMA synchronous={'FULL' if durable else 'NORMAL'}")
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()  # now the index of the log is there
        _allocate_index(path)
    except BaseException:
        db.close()
        raise
    return db


def refuse_full(path: Path) -> None:
    """Raises sqlite3.OperationalError where the disk has no room for the index of the log.

    SQLite makes it of one byte for each page and maps it into memory. On a full disk whose blocks are smaller than a
    page the rest of a page then cannot be had, and the system ends the process (SIGBUS) instead of giving an error.
    """
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return
    full = disk.f_bavail * disk.f_frsize < _INDEX_ROOM and not disk.f_flag & os.ST_RDONLY
    if full and _allocated(path) < _INDEX_BYTES:
        raise sqlite3.OperationalError("database or disk is full")


def _allocate_index(path: Path) -> None:
    """Have all of the index on the disk, while there is room. Raises sqlite3.OperationalError when there is none."""
    index = path.with_name(path.name + "-shm")
    try:
        size = index.stat().st_size
        if _allocated(path) >= size:
            return
        handle = os.open(index, os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        return  # a read-only disk: nothing will be written to it
    try:
        os.posix_fallocate(handle, 0, size)
    except OSError as error:
        raise sqlite3.OperationalError(f"database or disk is full: {error.strerror}") from None
    finally:
        os.close(handle)


def _allocated(path: Path) -> int:
    """Bytes of the index of the log that are on the disk."""
    try:
        return path.with_name(path.name + "-shm").stat().st_blocks * 512
    except OSError:
        return 0


def migrate(db: sqlite3.Connection, scripts: Sequence[str] = MIGRATIONS, place: str = "history") -> None:
    """Bring the schema up to the newest version, each step in a transaction; add columns for new readings.

    Raises HistoryError for a file of another program or of a newer version of this one.
    """
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if version == 0 and db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        raise HistoryError(place, "a database of another program", "a new file, or a history of this program")
    if version and db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise HistoryError(place, "a database of another program", "a new file, or a history of this program")
    if version > len(scripts):
        raise HistoryError(place, f"schema version {version}", f"at most {len(scripts)}: made by a newer program")
    for number, script in enumerate(scripts[version:], version + 1):
        db.executescript(
            f"BEGIN IMMEDIATE;{script};PRAGMA application_id={APPLICATION_ID};PRAGMA user_version={number};COMMIT;"
        )
    for table in ("fine", "coarse"):
        add_reading_columns(db, table)
    # The version once more, where a damaged byte of the header does not reach.
    db.execute(_PUT_SCHEMA, (len(scripts), len(scripts)))


def add_reading_columns(db: sqlite3.Connection, table: str) -> None:
    """Give a table of readings a column for each part of each reading, in thousandths of the reading's unit."""
    if not _missing(db, table):
        return
    db.execute("BEGIN IMMEDIATE")
    missing = _missing(db, table)  # another process may have been here since
    new = len(missing) == len(COLUMNS) and db.execute(f"SELECT 1 FROM {table} LIMIT 1").fetchone() is None  # noqa: S608 - our own tables
    if new:  # all at once, for each by itself reads the schema again
        named = ", ".join(f"{column} INTEGER" for column in COLUMNS)
        db.execute(f"DROP TABLE {table}")
        db.execute(f"CREATE TABLE {table} (wall_s INTEGER PRIMARY KEY, {named})")
    else:
        for column in missing:
            db.execute(f"ALTER TABLE {table} ADD COLUMN {column} INTEGER")
    db.execute("COMMIT")


def _missing(db: sqlite3.Connection, table: str) -> list[str]:
    present = {row[1] for row in db.execute(f"PRAGMA table_info({table})")}
    return [column for column in COLUMNS if column not in present]


def sound(db: sqlite3.Connection) -> bool:
    """Whether a file passes SQLite's own quick check. Raises sqlite3.Error."""
    return [row[0] for row in db.execute("PRAGMA quick_check(1)")] == ["ok"]


def columns(db: sqlite3.Connection) -> set[tuple[str, str]]:
    """(table, column) of all tables."""
    sql = "SELECT m.name, i.name FROM sqlite_master m, pragma_table_info(m.name) i WHERE m.type = 'table'"
    return set(db.execute(sql))


def corrupt(error: sqlite3.Error) -> bool:
    """Whether an error says that the file is damaged or no database, rather than the disk full, locked or failing."""
    return type(error) is sqlite3.DatabaseError or str(error).startswith(_DAMAGED)


# ---------------------------------------------------------------- what rows hold


class RowTypes:
    """What a row's columns hold: T text, I whole number, R number, B bytes; small letters may be empty, too.

    A file may hold anything in any column, and damage within a row is not seen by SQLite. `among` gives by place the
    only values that a column may have.
    """

    def __init__(self, kinds: str, among: Mapping[int, Collection[object]] | None = None) -> None:
        self._types = [(*_KINDS[kind.upper()], type(None)) if kind.islower() else _KINDS[kind] for kind in kinds]
        self._reals = [place for place, kind in enumerate(kinds) if kind in "Rr"]
        self._among = among or {}

    def holds(self, row: Sequence[object]) -> bool:
        """Whether the row is one."""
        return (
            len(row) == len(self._types)
            and all(map(isinstance, row, self._types))
            and not any(isinstance(one, float) and not math.isfinite(one) for one in map(row.__getitem__, self._reals))
            and all(row[place] in values for place, values in self._among.items())
        )


def decoded(body: bytes, kind: type[_Record]) -> _Record | None:
    """The record of a row; None where a damaged file gives one that cannot be read: the rest is still told."""
    try:
        return msgspec.json.decode(body, type=kind)
    except (msgspec.DecodeError, ValueError, TypeError, RecursionError):
        return None


def message_id(origin: str, channel: str, seq: int) -> str:
    """The id of a numbered message. The sign between keeps numbers of two topics apart; `origin` ends before it."""
    return f"{origin}{_MARKS[channel]}{seq}"


def id_origin(name: str, seq: int) -> str:
    """What numbered a message: its id without sign and number."""
    return name.removesuffix(str(seq))[:-1]


# ---------------------------------------------------------------- who may open and swap the file


class OwnerLock:
    """Held while a process owns the history; the system lets go of it when the process dies, however it dies.

    Raises HistoryError when another process holds it. Where no lock file can be made (a read-only disk) there is none.
    """

    def __init__(self, path: Path) -> None:
        self._handle: int | None = None
        try:
            handle = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError:
            return
        self._handle = handle
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self.release()
            raise HistoryError(str(path), "a history another process is writing", "one monitor a file") from None
        except OSError:  # a file system without locks
            self.release()

    def release(self) -> None:
        """Let go of it."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


class SwapLock(AbstractContextManager["SwapLock", None]):
    """Beside a history: shared by everyone for as long as a connection is in use, held alone by the owner while another
    file comes in place of a damaged one. So nothing is written into a file that is put away, none is opened between
    two of its parts' renames, and none in this process is in use when the main file is opened and closed beside SQLite
    (which gives up all locks of the process: sqlite.org/howtocorrupt.html, 2.2).

    Who waits in vain for `limits.HISTORY.busy_s` is told. The owner makes the files before it swaps anything (`make`);
    where none can be made (a read-only disk) nothing can be swapped either, and there is no lock.
    """

    def __init__(self, path: Path, *, make: bool = False) -> None:
        flags = os.O_RDONLY | os.O_CLOEXEC | (os.O_CREAT if make else 0)
        self._use = self._turn = None
        with suppress(OSError):
            self._turn = os.open(path.with_name(path.name + ".swap-turn"), flags, 0o600)
            self._use = os.open(path.with_name(path.name + ".swap"), flags, 0o600)

    def share(self) -> bool:
        """Keep another file from being put in place; False where that is just being done and does not end."""
        ends_s = time.monotonic() + limits.HISTORY.busy_s.value
        # Everyone comes in by turns: else one who reads without a pause would keep the owner out.
        done = _locked(self._turn, fcntl.LOCK_SH, ends_s) and _locked(self._use, fcntl.LOCK_SH, ends_s)
        if self._turn is not None:
            os.close(self._turn)
            self._turn = None
        return done

    def alone(self) -> None:
        """Wait for all others. May be called again. Raises sqlite3.OperationalError when somebody does not end: what he
        is just writing would be lost."""
        ends_s = time.monotonic() + limits.HISTORY.busy_s.value
        if not (_locked(self._turn, fcntl.LOCK_EX, ends_s) and _locked(self._use, fcntl.LOCK_EX, ends_s)):
            raise sqlite3.OperationalError("another process has been writing the history for long")

    def __exit__(self, *_: object) -> None:
        for handle in (self._use, self._turn):
            if handle is not None:
                os.close(handle)


def _locked(handle: int | None, kind: int, ends_s: float) -> bool:
    """Whether a lock was to be had by then; none is needed where there is no file, or no locks."""
    while handle is not None:
        try:
            fcntl.flock(handle, kind | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > ends_s:
                return False
            time.sleep(_SWAP_STEP_S)
            continue
        except OSError:
            pass
        break
    return True


# ---------------------------------------------------------------- keeping it small


def tidy(db: sqlite3.Connection, wall_s: float | None, keep: config.HistorySettings, last_offset: int) -> None:
    """Thin readings older than a few days and drop what is older than its days; a bounded span each time."""
    db.execute("DELETE FROM outbox WHERE place <= ?", (last_offset - int(limits.HISTORY.outbox_most.value),))
    if wall_s is None:
        return
    _thin(db, wall_s - limits.HISTORY.fine_days.value * DAY_S)
    _forget(db, wall_s - keep.readings_days * DAY_S, {"coarse": "wall_s", "lanes": "from_wall_s"})
    _forget(db, wall_s - keep.events_days * DAY_S, {"starts": "wall_s", "requests": "wall_s", "outbox": "wall_s"})


def _thin(db: sqlite3.Connection, cut_s: float) -> None:
    step_s = int(limits.HISTORY.coarse_step_s.value)
    until_s = int(_bounded(db, "fine", "wall_s", cut_s)) // step_s * step_s
    parts = ", ".join(_FUNCTIONS[column.rpartition("_")[2]].format(column) for column in COLUMNS)
    # A stretch that is there already was whole: what comes later with its time is of a clock that went wrong.
    db.execute(
        f"INSERT OR IGNORE INTO coarse (wall_s, {', '.join(COLUMNS)}) "  # noqa: S608 - our own columns
        f"SELECT wall_s / {step_s} * {step_s}, {parts} FROM fine WHERE wall_s < ? GROUP BY 1",
        (until_s,),
    )
    db.execute("DELETE FROM fine WHERE wall_s < ?", (until_s,))


def _forget(db: sqlite3.Connection, before_s: float, tables: dict[str, str]) -> None:
    for table, column in tables.items():
        until_s = _bounded(db, table, column, before_s)
        db.execute(f"DELETE FROM {table} WHERE {column} < ?", (until_s,))  # noqa: S608 - our own tables


def _bounded(db: sqlite3.Connection, table: str, column: str, before_s: float) -> float:
    """No more than a few days of the oldest rows at a time, so that a wrong clock does not cost them all."""
    oldest_s = db.execute(f"SELECT min({column}) FROM {table}").fetchone()[0]  # noqa: S608 - our own tables
    return before_s if oldest_s is None else min(before_s, oldest_s + limits.HISTORY.drop_days.value * DAY_S)


_FUNCTIONS = {"mean": "CAST(round(avg({})) AS INTEGER)", "low": "min({})", "high": "max({})"}


def free_bytes(path: Path) -> int | None:
    """Free bytes for us on the disk of a file."""
    try:
        found = os.statvfs(path.parent)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize
