"""(edge) Whether a history's file can be gone on with, and putting away one that cannot.

A file is judged through connections that write nothing, so that what is damaged stays as it was found. What is put
away is renamed, with the time in the name; it is never written over.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import struct
from collections.abc import Iterable
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import HistoryError
from condenser_monitor.monitor.storage.message_ids import id_origin
from condenser_monitor.monitor.storage.schema import (
    APPLICATION_ID,
    COLUMNS,
    COUNTED,
    MIGRATIONS,
    Connection,
    columns,
    corrupt,
    migrate,
)

ENDS = ("-wal", "-shm", "")  # the parts of a history, the one that all others belong to last
_FREE_LEAST = limits.WEB.free_least_mb.value * 1e6
_OURS = {"meta", "outbox", "counters"}
GUEST = "guest"  # in `meta`: what numbered the rows that a run begun without the file has brought into it last
# A counter below what it has numbered would give a number out twice. Rows of a guest are not of its numbering.
_BEHIND = (
    "SELECT 1 FROM (VALUES ('events'), ('cycles'), ('answers')) AS t WHERE "
    "(SELECT seq FROM outbox WHERE topic = t.column1 AND "
    "instr(id, (SELECT value FROM meta WHERE key = 'origin')) = 1 ORDER BY seq DESC LIMIT 1) > "
    "coalesce((SELECT last FROM counters WHERE topic = t.column1), 0) UNION ALL "
    "SELECT 1 WHERE (SELECT max(place) FROM outbox) > coalesce((SELECT last FROM counters WHERE topic = 'place'), 0)"
)
_FOREIGN = "a database of another program"
# Layout: the SQLite project's "Database File Format" (sqlite.org/fileformat2.html), 1.3 and 4.1, and "WAL-mode File
# Format" (sqlite.org/walformat.html), 2.1.
_WAL_HEADER, _FRAME_HEADER, _PAGE_SIZE, _FORMATS = 32, 24, 4096, slice(18, 20)
_LOOKED_AT = 1000  # rows looked at beyond a cursor: outlets ask for fewer
_LAST_VALID = 16  # where the index of a log says which frame is the last whole one


class DamageVerdict(NamedTuple):
    """What is wrong with a file, in words ("" when it can be gone on with), whether the log beside it belongs to it,
    and whether commits at the end of that log cannot be read."""

    fault: str = ""
    log_belongs: bool = True
    log_cut: bool = False


def part(path: Path, end: str) -> Path:
    """A part of a history's file, by its ending."""
    return path.with_name(path.name + end)


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


def judge(path: Path) -> DamageVerdict:
    """Look at an owner's file without changing a byte of it. Raises HistoryError for another program's database and for
    a newer version of this one's, sqlite3.Error when the disk itself fails."""
    for end in ("-wal", "-shm"):
        if part(path, end).exists() and not part(path, end).is_file():
            return DamageVerdict(f"its {end} is no file", log_belongs=False)
    if not path.exists():
        return DamageVerdict("its log is there without it", log_belongs=False)
    if (fault := _head_fault(path)) != "":
        return DamageVerdict(fault)
    try:
        with closing(reading(path)) as db:
            return _looked_into(db, path)
    except sqlite3.DatabaseError as error:
        if not corrupt(error):
            raise
        return DamageVerdict(plainly(error))


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


def reading(path: Path, *, log: bool = True) -> Connection:
    """A connection that changes nothing; without `log` the main file alone. Raises sqlite3.Error."""
    return _read_only(path, alone=not log or _size(part(path, "-wal")) == 0)


def _read_only(path: Path, *, alone: bool) -> Connection:
    uri = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if alone else ''}"
    return sqlite3.connect(uri, uri=True, timeout=limits.HISTORY.busy_s.value, isolation_level=None, factory=Connection)


def _looked_into(db: Connection, path: Path) -> DamageVerdict:
    found = [row[0] for row in db.execute("PRAGMA quick_check(1)")]
    fault = "" if found == ["ok"] else plainly(*found)
    belongs = _log_belongs(path, db)
    if not belongs:
        fault = "the log beside it is of another history"
    if not fault:
        fault = _not_ours(db, str(path)) or _not_whole(db)
    return DamageVerdict(fault, belongs, _log_cut(path))


def _not_ours(db: Connection, place: str) -> str:
    """What is wrong with the marks of the file. Raises HistoryError for what is plainly not for this program: a mark
    alone is no proof, for a damaged byte in the header changes it as well."""
    tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    version, mark = (int(db.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("user_version", "application_id"))
    if not tables and version == 0:
        return ""  # nothing is in it yet
    if not tables >= _OURS and mark != APPLICATION_ID:
        raise HistoryError(place, _FOREIGN, "a new file, or a history of this program")
    told = _schema(db)
    if (told is None or told > len(MIGRATIONS)) and version > len(MIGRATIONS) and mark == APPLICATION_ID:
        raise HistoryError(place, f"schema version {version}", f"at most {len(MIGRATIONS)}: made by a newer program")
    wrong = version == 0 or mark != APPLICATION_ID or (told is not None and told != version)
    return "its header is damaged" if wrong else ""


def _schema(db: Connection) -> int | None:
    """The version as the table of the file has it, beside the one in the header."""
    with suppress(sqlite3.DatabaseError):
        row = db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
        return row[0] if row is not None and isinstance(row[0], int) else None
    return None


def _not_whole(db: Connection) -> str:
    """Whether tables and columns have their names and what counts is a number: SQLite's own check knows neither.
    Columns of readings are added to an older file when it is opened."""
    found = columns(db)
    if not found or db.execute("PRAGMA user_version").fetchone()[0] < len(MIGRATIONS):
        return ""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        migrate(fresh)
        wanted = {row for row in columns(fresh) if row[1] not in COLUMNS}
    if not wanted <= found:
        return "a table or a column of it is missing"
    if db.execute(COUNTED).fetchone()[0]:
        return "a number in it is none"
    return "its numbers do not agree" if db.execute(_BEHIND).fetchone() else ""


def unreadable(path: Path, places: Iterable[int]) -> str:
    """What SQLite says of rows that somebody waits for and that cannot be read, "" when all can: open requests, and the
    next ones beyond places of the outbox.

    To be asked while the file is in use. Looked for through a connection of its own, as whoever reads has one: who
    writes knows the tables from before the damage, and SQLite writes on behind a row that it cannot read.
    """
    try:
        with closing(_read_only(path, alone=False)) as db:
            db.execute("SELECT body, source FROM requests WHERE answer IS NULL").fetchall()
            for place in places:
                db.execute(
                    "SELECT * FROM outbox WHERE place > ? ORDER BY place LIMIT ?", (place, _LOOKED_AT)
                ).fetchall()
    except sqlite3.Error as error:
        return str(error) if corrupt(error) else ""
    return ""


def last_place(path: Path) -> int:
    """The last place of the outbox, 0 where it cannot be read."""
    with suppress(sqlite3.Error), closing(reading(path)) as db:
        found = db.execute("SELECT max(place) FROM outbox").fetchone()[0]
        return found if isinstance(found, int) else 0
    return 0


# ---------------------------------------------------------------- the log beside it


def _log_belongs(path: Path, db: Connection) -> bool:
    """A log names no file: one of another history is known by what numbers the messages in it and in the file."""
    if _size(part(path, "-wal")) == 0:
        return True
    with suppress(sqlite3.Error):
        with closing(reading(path, log=False)) as alone:
            before = _origin(alone)
        newest = db.execute("SELECT id, seq FROM outbox ORDER BY place DESC LIMIT 1").fetchone()
        numbered = None if newest is None else id_origin(newest[0], newest[1]).partition(".")[0]
        return before is None or (before == _origin(db) and numbered in (None, before, _origin(db, GUEST)))
    return True


def _origin(db: Connection, key: str = "origin") -> object:
    row = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
    return None if row is None else row[0]


def _log_cut(path: Path) -> bool:
    """Whether a whole commit lies behind the last frame that can be read: a cut of power leaves none, damage does.

    To be asked while a connection is open that has read the log: its index then says how far it is good, but for a
    commit of a process that was killed before it had put it there.
    """
    try:
        log, index = part(path, "-wal").read_bytes(), part(path, "-shm").read_bytes()[:48]
    except OSError:
        return False
    step = _PAGE_SIZE + _FRAME_HEADER
    if len(log) < _WAL_HEADER + step:
        return False
    good = struct.unpack_from("=I", index, _LAST_VALID)[0] if len(index) == 48 else 0
    if not _head_whole(log):
        return any(log)
    salts, at = log[16:24], _end_of_whole(log, _WAL_HEADER + good * step)
    while (at := log.find(salts, at) + 1) > 0:
        begins = at - 9  # the marks stand 8 bytes into a frame
        if (begins - _WAL_HEADER) % step or (begins + step <= len(log) and any(log[begins + 4 : begins + 8])):
            return True  # a frame that has moved, or one that ends a commit
    return False


def _end_of_whole(log: bytes, at: int) -> int:
    """Where the frames from `at` on that have the marks and the sums of those before them end."""
    step = _PAGE_SIZE + _FRAME_HEADER
    while at + step <= len(log) and log[at + 8 : at + 16] == log[16:24]:
        before = log[24:32] if at == _WAL_HEADER else log[at - step + 16 : at - step + 24]
        if log[at + 16 : at + 24] != _summed(log, log[at : at + 8] + log[at + _FRAME_HEADER : at + step], before):
            break
        at += step
    return at


def _head_whole(log: bytes) -> bool:
    """Whether the first words of a log have the sum that stands behind them."""
    return log[24:32] == _summed(log, log[:24], bytes(8))


def _summed(log: bytes, data: bytes, before: bytes) -> bytes:
    """The sum of a log over some of its words, going on from the one `before` (walformat.html, 4.3)."""
    words = struct.unpack(f"{'>' if log[3] & 1 else '<'}{len(data) // 4}I", data)
    first, second = struct.unpack(">2I", before)
    for one, two in zip(words[::2], words[1::2], strict=True):
        first = (first + one + second) & 0xFFFFFFFF
        second = (second + two + first) & 0xFFFFFFFF
    return struct.pack(">2I", first, second)


# ---------------------------------------------------------------- putting away


def aside_name(path: Path, wall_s: float) -> Path:
    """Where a file is to be put away: a name nothing has yet."""
    stamp = datetime.fromtimestamp(wall_s, UTC).strftime("%Y-%m-%dT%H%M%SZ")
    number = 1
    while True:
        aside = path.with_name(f"{path.stem}.corrupt-{stamp}{f'-{number}' if number > 1 else ''}{path.suffix}")
        if not any(part(aside, end).exists() for end in ENDS):
            return aside
        number += 1


def set_aside(path: Path, aside: Path) -> None:
    """Rename a file and what belongs to it. It may have been begun before, and ended by a power cut."""
    for end in ENDS:
        if part(path, end).exists() and not part(aside, end).exists():
            part(path, end).replace(part(aside, end))


def copy_log(path: Path, aside: Path) -> None:
    """Keep a damaged log that SQLite is about to write over. One that cannot be copied is no reason to stop."""
    with suppress(OSError):
        handle = os.open(part(aside, "-wal"), os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(handle, "wb") as file, part(path, "-wal").open("rb") as log:
            shutil.copyfileobj(log, file)


def thin(path: Path, most: int | None = None) -> None:
    """Bound what lies put away: never the first of them, and of the others only those beyond a number that no sound
    disk comes to (`most`), or beyond a few when the disk is nearly full."""
    kept = sorted(set(_put_away(path)), key=lambda one: one.stem)
    full = shutil.disk_usage(path.parent).free < _FREE_LEAST
    most = most or int((limits.HISTORY.set_aside_full if full else limits.HISTORY.set_aside_most).value)
    for extra in kept[1 : max(1, len(kept) - most + 1)]:
        for end in ENDS:
            with suppress(OSError):
                part(extra, end).unlink(missing_ok=True)


def _put_away(path: Path) -> list[Path]:
    found = path.parent.glob(f"{path.stem}.corrupt-*{path.suffix}*")
    return [one.with_name(one.name.removesuffix("-wal").removesuffix("-shm")) for one in found]


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
