"""(edge) The live file: the status of this second and readings not yet on disk, best kept on a file system in memory.

It spares the SD card (the status changes every second) and outlives the process, though not a power cut: what a killed
program had not yet written to disk is found here by the next one. Losing it loses at most the readings of one flush.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from hashlib import blake2b
from pathlib import Path
from typing import Any, NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    LinkState,
    LinkView,
    Scan,
)
from condenser_monitor.monitor.storage.models import LANES, Lane
from condenser_monitor.monitor.storage.recovery import quarantine, quarantine_name, thin_quarantine
from condenser_monitor.monitor.storage.schema import COLUMNS, Connection, RowTypes, add_reading_columns, corrupt, sound

STEP_S = int(limits.HISTORY.fine_step_s.value)
SCALE = 1000  # readings are kept as whole thousandths of their unit
_HELD_MOST = 2160  # six hours of 10 s without a clock


class Bucket(NamedTuple):
    """One finished stretch of STEP_S from `wall_s`: for each reading mean, low, high in thousandths, or None thrice."""

    wall_s: int
    values: tuple[int | None, ...]


class Rollup:
    """Collects scans; `add` gives the stretches that are finished."""

    def __init__(self) -> None:
        self._began_s: float | None = None
        self._wall = False
        self._sums: list[list[float] | None] = [None] * len(READINGS)
        self._held: deque[tuple[float, tuple[int | None, ...]]] = deque(maxlen=_HELD_MOST)

    def add(self, scan: Scan) -> list[Bucket]:
        """Enter a scan; the stretches it finished, dated (none while the wall clock is not known)."""
        axis_s = scan.t_s if scan.wall_s is None else scan.wall_s
        began_s = axis_s // STEP_S * STEP_S
        done: list[Bucket] = []
        if self._began_s is not None and (began_s != self._began_s or self._wall != (scan.wall_s is not None)):
            done = self._close()
        self._began_s, self._wall = began_s, scan.wall_s is not None
        if scan.wall_s is not None and self._held:
            offset_s = scan.wall_s - scan.t_s
            done = [Bucket(int((t + offset_s) // STEP_S * STEP_S), values) for t, values in self._held] + done
            self._held.clear()
        for index, name in enumerate(READINGS):
            value = getattr(scan, name)
            if value is None:
                continue
            sums = self._sums[index]
            if sums is None:
                self._sums[index] = [1, value, value, value]
            else:
                sums[0] += 1
                sums[1] += value
                sums[2] = min(sums[2], value)
                sums[3] = max(sums[3], value)
        return done

    def flush(self) -> list[Bucket]:
        """End the stretch under way (at a stop of the program)."""
        return self._close() if self._began_s is not None else []

    def _close(self) -> list[Bucket]:
        values: list[int | None] = []
        for sums in self._sums:
            if sums is None:
                values += (None, None, None)
            else:
                values += (round(sums[1] / sums[0] * SCALE), round(sums[2] * SCALE), round(sums[3] * SCALE))
        began_s, self._began_s = self._began_s, None
        self._sums = [None] * len(READINGS)
        assert began_s is not None
        if not self._wall:
            self._held.append((began_s, tuple(values)))
            return []
        return [Bucket(int(began_s), tuple(values))]


class _Stretch:
    __slots__ = ("from_t_s", "from_wall_s", "state")

    def __init__(self, state: LinkState, from_t_s: float, from_wall_s: float | None) -> None:
        self.state, self.from_t_s, self.from_wall_s = state, from_t_s, from_wall_s


class LaneTrack:
    """Follows the links in LANES; `add` gives each stretch that began or ended, dated.

    A stretch that began before the clock was known is dated backwards once it is.
    """

    def __init__(self) -> None:
        self._open: dict[str, _Stretch] = {}
        self._held: deque[tuple[str, LinkState, float, float]] = deque(maxlen=_HELD_MOST)
        self._undated = False  # something of these began or ended before the clock was known

    def add(self, links: Sequence[LinkView], t_s: float, wall_s: float | None) -> list[Lane]:
        """Enter the links as they stand."""
        changed: list[Lane] = []
        if self._undated and wall_s is not None:
            changed += self._date(t_s, wall_s)
        for link in links:
            now = self._open.get(link.name)
            if link.name in LANES and (now is None or now.state != link.state):
                changed += self._turn(link, now, t_s, wall_s)
        return changed

    def _turn(self, link: LinkView, now: _Stretch | None, t_s: float, wall_s: float | None) -> list[Lane]:
        """End the stretch under way and begin the next."""
        self._undated |= wall_s is None
        changed = []
        if now is not None:
            if now.from_wall_s is not None:
                to_s = max(now.from_wall_s, now.from_wall_s + (t_s - now.from_t_s) if wall_s is None else wall_s)
                changed.append(Lane(name=link.name, state=now.state, from_wall_s=now.from_wall_s, to_wall_s=to_s))
            else:
                self._held.append((link.name, now.state, now.from_t_s, t_s))
        self._open[link.name] = _Stretch(link.state, t_s, wall_s)
        if wall_s is not None:
            changed.append(Lane(name=link.name, state=link.state, from_wall_s=wall_s, to_wall_s=None))
        return changed

    def _date(self, t_s: float, wall_s: float) -> list[Lane]:
        self._undated = False
        offset_s = wall_s - t_s
        dated = [
            Lane(name=name, state=state, from_wall_s=from_s + offset_s, to_wall_s=to_s + offset_s)
            for name, state, from_s, to_s in self._held
        ]
        self._held.clear()
        for name, stretch in self._open.items():
            if stretch.from_wall_s is None:
                stretch.from_wall_s = stretch.from_t_s + offset_s
                dated.append(Lane(name=name, state=stretch.state, from_wall_s=stretch.from_wall_s, to_wall_s=None))
        return dated

    def open(self, wall_s: float) -> list[Row]:
        """The stretches under way as rows of the table of lanes, ended at `wall_s` for keeping; they go on."""
        return [
            (name, one.from_wall_s, one.state.value, max(one.from_wall_s, wall_s))
            for name, one in self._open.items()
            if one.from_wall_s is not None
        ]


_SCHEMA = """
CREATE TABLE IF NOT EXISTS status (
  one INTEGER PRIMARY KEY CHECK (one = 1), at_s REAL NOT NULL, boot TEXT NOT NULL, wall_s REAL, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS notes (name TEXT PRIMARY KEY, wall_s REAL, text TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS fine (wall_s INTEGER PRIMARY KEY);
CREATE TABLE IF NOT EXISTS lanes (
  name TEXT, from_wall_s REAL, state TEXT NOT NULL, to_wall_s REAL, PRIMARY KEY (name, from_wall_s)) WITHOUT ROWID;
"""
PUT_FINE = f"INSERT OR REPLACE INTO fine (wall_s, {', '.join(COLUMNS)}) VALUES ({', '.join('?' * (len(COLUMNS) + 1))})"  # noqa: S608 - names of our own table of readings
_PUT_NOTE = "INSERT OR REPLACE INTO notes VALUES (?, ?, ?)"
PUT_LANE = (
    "INSERT INTO lanes (name, from_wall_s, state, to_wall_s) VALUES (?, ?, ?, ?) "
    "ON CONFLICT (name, from_wall_s) DO UPDATE SET state = excluded.state, to_wall_s = excluded.to_wall_s"
)
# What the rows of a file hold that is not damaged.
_STATUS = RowTypes("RTrB")
_NOTE = RowTypes("TTr")
_FINE = RowTypes("I" + "i" * len(COLUMNS))
_OLD_NOTES = ("numbers",)  # of version 0.1.0, for its next run and not for people
LANE = RowTypes("TRTr", {0: LANES, 2: [str(state) for state in LinkState]})
_SHARED_MEMORY = Path("/dev/shm")  # noqa: S108 - only a directory of our own in it is used


def boot_id() -> str:
    """This boot of the machine: seconds of the monotonic clock of another boot mean nothing."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return ""


def live_path(history: Path, live_dir: str) -> Path:
    """Where the live file of a history lies: in `live_dir`, else in a memory directory of this user, else beside it."""
    name = blake2b(os.fsencode(history.resolve()), digest_size=8).hexdigest() + ".live"
    if live_dir:
        return Path(live_dir) / name
    own = _SHARED_MEMORY / f"condenser-monitor-{os.getuid()}"
    try:
        own.mkdir(mode=0o700, exist_ok=True)
        found = own.lstat()
    except OSError:
        return history.with_name(history.name + ".live")
    # Anybody may make names in shared memory: only a directory that is ours, and no link, is used.
    if stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & 0o022:
        return own / name
    return history.with_name(history.name + ".live")


def in_memory(path: Path) -> bool:
    """Whether a file lies on a file system in memory, by the longest mount point that holds it."""
    with suppress(OSError):
        rows = [line.split(" ") for line in Path("/proc/self/mounts").read_text().splitlines()]
        parents = {str(parent) for parent in path.absolute().parents}
        holding = [(len(row[1]), row[2]) for row in rows if row[1] in parents]
        return bool(holding) and max(holding)[1] in ("tmpfs", "ramfs")
    return False


Row = tuple[Any, ...]


class CachedStatus(NamedTuple):
    """A status as written: when by the monotonic clock of which boot, the wall time, and its JSON."""

    at_s: float
    boot: str
    wall_s: float | None
    body: bytes


class StatusCache:
    """The live file. A file that cannot be used is replaced by one in this process's own memory, and `error` says why:
    the owner goes on, other processes then see the status only as often as it reaches the disk."""

    def __init__(self, path: Path, *, owner: bool, wall: Callable[[], float] = time.time) -> None:
        self.path, self.error, self._wall = path, "", wall
        self._refused = ""  # why the file at `path` is not the one in use
        self._notes: dict[str, tuple[str, float | None]] = {}
        self.spacing_s = 0.0 if in_memory(path) else limits.HISTORY.live_disk_s.value
        self.boot = boot_id()
        self._owner = owner
        self._lock = threading.Lock()
        self._written_s: float | None = None
        self._db = self._begin()

    def _begin(self) -> sqlite3.Connection:
        self._inode: int | None = None
        if not self._owner and self._inode_now() is None:
            return self._open(None)  # no program has left a live file, or it ended in good order
        with suppress(OSError):
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._refused = ""
        try:
            db = self._open(self.path)
            if self._owner and not sound(db):
                db.close()
                raise sqlite3.DatabaseError("damaged")
        except sqlite3.Error as error:
            self._refused = f"{self.path}: {error}"
            db = self._retry(self.path) if self._owner else self._open(None)
        self.error, self._inode = self._refused, self._inode_now()
        db.executemany(_PUT_NOTE, [(name, wall_s, text) for name, (text, wall_s) in self._notes.items()])
        return db

    def _inode_now(self) -> int | None:
        try:
            return self.path.stat().st_ino
        except OSError:
            return None

    def _same(self) -> sqlite3.Connection:
        """The connection, opened afresh when the file was removed or replaced: a log-out may empty shared memory."""
        if self._inode_now() != self._inode:
            self._db.close()
            self._db = self._begin()
        return self._db

    @staticmethod
    def _open(path: Path | None) -> sqlite3.Connection:
        if path is not None:
            with suppress(OSError):  # readable by its owner only from the first byte on
                os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
        db = sqlite3.connect(
            path or ":memory:",
            timeout=limits.HISTORY.busy_s.value,
            isolation_level=None,
            check_same_thread=False,
            factory=Connection,
        )
        try:
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=OFF")
            db.execute("PRAGMA wal_autocheckpoint=100")
            db.executescript(_SCHEMA)
            add_reading_columns(db, "fine")
        except BaseException:
            db.close()
            raise
        return db

    def _retry(self, path: Path) -> sqlite3.Connection:
        """A new one where the file cannot be used; the old one is put away. Few are kept: they may lie in memory."""
        try:
            quarantine(path, quarantine_name(path, self._wall()))
            thin_quarantine(path, int(limits.HISTORY.set_aside_full.value))
            db = self._open(path)
        except (sqlite3.Error, OSError):
            return self._open(None)
        self._refused = ""
        return db

    # ------------------------------------------------------------ the owner writes

    def write(
        self,
        status: CachedStatus,
        now_s: float,
        buckets: Sequence[Bucket] = (),
        lanes: Sequence[Lane] = (),
        *,
        at_once: bool = False,
    ) -> None:
        """Put the status and what has finished, no more often than its place bears; `at_once` when somebody waits for
        it. An error is kept, not raised."""
        early = self._written_s is not None and now_s - self._written_s < self.spacing_s
        if early and not buckets and not lanes and not at_once:
            return
        self._written_s = now_s
        try:
            with self._lock, self._same() as db:
                db.execute("BEGIN")
                db.execute(
                    "INSERT OR REPLACE INTO status VALUES (1, ?, ?, ?, ?)",
                    status,
                )
                db.executemany(PUT_FINE, [(row.wall_s, *row.values) for row in buckets])
                db.executemany(PUT_LANE, [lane_row(lane) for lane in lanes])
                if buckets:  # while the disk takes nothing, readings of the last days only are held
                    span_s = (limits.HISTORY.fine_days.value * 86400.0,)
                    db.execute("DELETE FROM fine WHERE wall_s < (SELECT max(wall_s) FROM fine) - ?", span_s)
                    db.execute("DELETE FROM lanes WHERE to_wall_s < (SELECT max(from_wall_s) FROM lanes) - ?", span_s)
            self.error = self._refused
        except sqlite3.Error as error:
            self.error = f"{self.path}: {error}"
            if corrupt(error):
                self._replace_damaged()

    def _replace_damaged(self) -> None:
        """Damaged while it was in use: the next thing put into it goes into a new one."""
        with self._lock, suppress(OSError):
            quarantine(self.path, quarantine_name(self.path, self._wall()))
            thin_quarantine(self.path, int(limits.HISTORY.set_aside_full.value))
        self._written_s = None

    def pending(self) -> tuple[list[Row], list[Row]]:
        """Rows of readings and finished stretches that are not known to be on disk."""
        fine = self.select(f"SELECT wall_s, {', '.join(COLUMNS)} FROM fine", ())  # noqa: S608 - our own columns
        lanes = self.select("SELECT name, from_wall_s, state, to_wall_s FROM lanes WHERE to_wall_s IS NOT NULL", ())
        return [row for row in fine if _FINE.holds(row)], [row for row in lanes if LANE.holds(row)]

    def on_disk(self, fine: Iterable[Sequence[object]], lanes: Iterable[Sequence[object]]) -> None:
        """Forget rows that have reached the disk."""
        with self._lock, self._same() as db:
            db.execute("BEGIN")
            db.executemany("DELETE FROM fine WHERE wall_s = ?", [(row[0],) for row in fine])
            db.executemany(
                "DELETE FROM lanes WHERE name = ? AND from_wall_s = ? AND to_wall_s IS NOT NULL",
                [(row[0], row[1]) for row in lanes],
            )

    def end_open_lanes(self) -> None:
        """End the stretches a dead program left open at the last moment it was seen alive."""
        with self._lock, self._same() as db:
            db.execute(
                "UPDATE lanes SET to_wall_s = max(from_wall_s, coalesce((SELECT wall_s FROM status), from_wall_s)) "
                "WHERE to_wall_s IS NULL"
            )

    def note(self, name: str, text: str, wall_s: float | None) -> None:
        """Put a note for the health page."""
        self._notes[name] = (text, wall_s)
        with suppress(sqlite3.Error), self._lock, self._same() as db:
            db.execute(_PUT_NOTE, (name, wall_s, text))

    # ------------------------------------------------------------ anyone reads

    def status(self) -> CachedStatus | None:
        """The status as last written."""
        with suppress(sqlite3.Error), self._lock:
            row = self._same().execute("SELECT at_s, boot, wall_s, body FROM status").fetchone()
            return CachedStatus(*row) if row is not None and _STATUS.holds(row) else None
        return None

    def notes(self) -> dict[str, tuple[str, float | None]]:
        """All notes, by name, with the time of day."""
        with suppress(sqlite3.Error), self._lock:
            rows = self._same().execute("SELECT name, text, wall_s FROM notes").fetchall()
            return {row[0]: (row[1], row[2]) for row in rows if _NOTE.holds(row) and row[0] not in _OLD_NOTES}
        return {}

    def select(self, sql: str, values: Sequence[object]) -> list[Row]:
        """Rows of a query; none when the file cannot be read."""
        with suppress(sqlite3.Error), self._lock:
            return self._same().execute(sql, values).fetchall()
        return []

    def close(self, *, remove: bool = False) -> None:
        """Close the file; it stays for the next program unless everything in it is on disk (`remove`)."""
        with self._lock:
            self._db.close()
            if remove:
                _unlink(self.path)


def _unlink(path: Path) -> None:
    with suppress(OSError):
        for end in ("", "-wal", "-shm"):
            path.with_name(path.name + end).unlink(missing_ok=True)


def lane_row(lane: Lane) -> tuple[str, float, str, float | None]:
    """A stretch as a row of the table of lanes."""
    return lane.name, lane.from_wall_s, lane.state.value, lane.to_wall_s


def row_lane(row: Row) -> Lane:
    """A row of the table of lanes as a stretch; it must hold what LANE says."""
    name, from_s, state, to_s = row
    return Lane(name=name, state=LinkState(state), from_wall_s=from_s, to_wall_s=to_s)
