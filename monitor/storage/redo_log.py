"""(edge) The redo log: what the history was told since its last backups, once more, in a file of its own.

Each step that brings something for others (a change, an alert, a cycle, an answer) is appended here and on the disk
before the database has it, with the engine's memory of that moment. What the database lost with a power cut, a damaged
page or a backup a day old is taken from here: no message is lost and no number is given out twice, whichever one of the
two files is damaged.

A line is the CRC-32 of its JSON and the JSON (`RedoEntry`). A log begins with an entry of how things stood then. When a
backup has been made, the lines that it covers become the old log; they are kept until the next backup.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple
from zlib import crc32

import msgspec

from condenser_monitor.monitor.core.records import Answer

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
    def place(self) -> int:
        """The last place given out."""
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
        return _size(self.path)

    # ------------------------------------------------------------ writing

    def append(self, entry: RedoEntry, *, durable: bool = True) -> None:
        """Append an entry; it is on the disk when this returns, if it must be `durable`. Raises OSError, and the log is
        as it was before."""
        file = self._opened()
        self._before = os.fstat(file).st_size
        try:
            _write(file, _line(entry))
            if durable:
                os.fsync(file)
        except OSError:
            self.take_back()
            raise

    def take_back(self) -> None:
        """Take back the last append: the database did not take what it says."""
        if self._file is not None and self._before is not None:
            with suppress(OSError):
                os.ftruncate(self._file, self._before)
                os.fsync(self._file)
        self._before = None

    def begin(self, entry: RedoEntry, *, keep_old: bool) -> None:
        """Begin the log anew with how things stand; `keep_old` leaves the lines of before the last backup."""
        self._replace(self.path, _line(entry))
        if not keep_old:
            self.old.unlink(missing_ok=True)

    def cut(self, at: int, entry: RedoEntry) -> None:
        """A backup covers the first `at` bytes: they become the old log. What comes after begins with `entry`, how
        things stood then. A cut of power in between leaves lines twice, which changes nothing."""
        data = self.path.read_bytes()
        self._replace(self.old, data[:at])
        self._replace(self.path, _line(entry) + data[at:])

    def put_away(self, end: str) -> None:
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

    def _opened(self) -> int:
        """The file to append to; one that was removed is made again, and a line that was torn is cut off."""
        if self._file is not None and os.fstat(self._file).st_nlink == 0:
            self.close()
        if self._file is None:
            flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC
            self._file = os.open(self.path, flags, 0o600)
            data = self.path.read_bytes()
            if data and not data.endswith(b"\n"):
                os.ftruncate(self._file, data.rfind(b"\n") + 1)
        return self._file

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
        if found is not None and entry.place < found:
            break
        began = entry.place - len(entry.rows)
        found = began if found is None else min(found, began)
    return found


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
