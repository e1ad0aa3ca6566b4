"""(edge) What a damaged history still gives, row by row, carried into a new one.

SQLite reads much of a file that it will not go on with. A header, and the page that says which tables there are, are
the same in every history of one version: where they are damaged, they are taken from a new file, in a copy of the
damaged one. Numbers of messages go on where they ended, after a gap where the end is not known: a number given out
twice would hide a message from whoever has seen the first.
"""

from __future__ import annotations

import math
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.storage.damage import ENDS, part, reading
from condenser_monitor.monitor.storage.message_ids import id_origin, message_id
from condenser_monitor.monitor.storage.models import KINDS, decoded
from condenser_monitor.monitor.storage.schema import COLUMNS, Connection, columns

_PAGE, _HEADER, _PROBES_MOST, _BATCH = 4096, 100, 4000, 500
_SKIP = int(limits.HISTORY.numbers_skipped.value)
_SPARE_BYTES = 8 * 2**20  # left free beside a copy: the new file and its readings need room as well
_ORDER = ("meta", "counters", "cursors", "state", "requests", "outbox", "meter_readings", "visits", "starts")
_READINGS = ("lanes", "coarse", "fine")
_TYPES: dict[str, tuple[type, ...]] = {"TEXT": (str,), "INTEGER": (int,), "REAL": (float, int), "BLOB": (bytes,)}
_OF_THIS_FILE = ("schema", "damage")  # rows of `meta` that are not the old file's to say
_WORDS = {"outbox": "messages", "meter_readings": "meter readings", "visits": "visits", "fine": "rows of readings"}


class SalvagedTable(NamedTuple):
    """A table as it is carried over: names and kinds of columns, which may be empty, its key, and whether that is the
    row's number."""

    name: str
    columns: tuple[str, ...]
    kinds: tuple[str, ...]
    needed: tuple[bool, ...]
    keys: tuple[str, ...]
    numbered: bool


def carry(path: Path, new: Connection, *, log: bool, cut: bool) -> str:
    """Carry over what can be read of the file at `path` into the empty history `new`; what that was, in words.

    `log` says whether the log beside it belongs to it, `cut` whether commits of it are lost. Raises sqlite3.Error and
    OSError when the new file cannot be written.
    """
    for source in (_mended, _grafted, _as_it_is):
        with source(path, new, log) as old:
            if old is not None:
                counts = {name: _carry(old, new, name) for name in (*_ORDER, *_READINGS)}
                return _told(new, counts, skipped=_number(new, cut=cut))
    return "nothing of it could be read"


def _told(new: Connection, counts: dict[str, int], *, skipped: bool) -> str:
    found = [f"{counts[name]} {words}" for name, words in _WORDS.items() if counts[name]]
    if new.execute("SELECT count(*) FROM state WHERE key = 'memory'").fetchone()[0]:
        found.append("what the monitor remembered")
    gap = "; what came last may be lost, and numbers go on after a gap" if skipped else ""
    return f"carried over: {', '.join(found)}{gap}" if found else "nothing of it could be read"


# ---------------------------------------------------------------- ways to read it, the best first


@contextmanager
def _mended(path: Path, new: Connection, log: bool) -> Iterator[Connection | None]:
    """A copy under a header that is none of its own."""
    header = _file(new).read_bytes()[:_HEADER]
    with _copied(path, log=log, wanted=_wanted(new), mend=lambda copy: _mend(copy, header)) as old:
        yield old


@contextmanager
def _grafted(path: Path, new: Connection, log: bool) -> Iterator[Connection | None]:
    """A copy whose pages that say which tables there are come from the new file: they are the same."""
    fresh = _file(new).read_bytes()
    roots = {row[0] for row in new.execute("SELECT rootpage FROM sqlite_master")}

    def graft(copy: Path) -> None:
        with copy.open("r+b") as file:
            for number in set(range(1, len(fresh) // _PAGE + 1)) - roots:
                file.seek((number - 1) * _PAGE)
                file.write(fresh[(number - 1) * _PAGE : number * _PAGE])
        _mend(copy, fresh[:_HEADER])

    with _copied(path, log=log, wanted=_wanted(new), mend=graft) as old:
        yield old


@contextmanager
def _as_it_is(path: Path, new: Connection, log: bool) -> Iterator[Connection | None]:
    with _opened(path, log=log, wanted={("outbox", "place"), ("outbox", "body")}) as old:
        yield old


@contextmanager
def _copied(
    path: Path, *, log: bool, wanted: set[tuple[str, str]], mend: Callable[[Path], None]
) -> Iterator[Connection | None]:
    """A mended copy, removed afterwards; None where there is no room for one or it is of no use either."""
    copy = part(path, ".copy")
    try:
        with ExitStack() as stack:
            old = None
            with suppress(OSError):
                if _room(path):
                    _copy(path, copy, log=log)
                    mend(copy)
                    old = stack.enter_context(_opened(copy, log=log, wanted=wanted))
            yield old
    finally:
        _remove(copy)


def _copy(path: Path, copy: Path, *, log: bool) -> None:
    for end in ("", "-wal") if log else ("",):
        if part(path, end).is_file():
            handle = os.open(part(copy, end), os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
            with os.fdopen(handle, "wb") as file, part(path, end).open("rb") as source:
                shutil.copyfileobj(source, file)


def _remove(copy: Path) -> None:
    for end in ENDS:
        with suppress(OSError):
            part(copy, end).unlink(missing_ok=True)


def _room(path: Path) -> bool:
    needed = sum(part(path, end).stat().st_size for end in ("", "-wal") if part(path, end).is_file())
    _remove(part(path, ".copy"))
    return shutil.disk_usage(path.parent).free > 2 * needed + _SPARE_BYTES


def _mend(copy: Path, header: bytes) -> None:
    """A header with the size as it is and no free pages: nothing is written to the copy ("Database File Format", 1.3).

    The file is made up to whole pages first: a page that was cut short is no page.
    """
    pages = max(1, -(-copy.stat().st_size // _PAGE))
    os.truncate(copy, pages * _PAGE)
    with copy.open("r+b") as file:
        file.write(header[:28] + pages.to_bytes(4, "big") + bytes(8) + header[40:])


def _file(new: Connection) -> Path:
    return Path(new.execute("PRAGMA database_list").fetchone()[2])


@contextmanager
def _opened(path: Path, *, log: bool, wanted: set[tuple[str, str]]) -> Iterator[Connection | None]:
    """A connection, if it knows these columns of these tables; None if not."""
    try:
        old: Connection | None = reading(path, log=log)
    except sqlite3.Error:
        old = None
    if old is None:
        yield None
        return
    with closing(old):
        old.text_factory = _text
        yield old if _knows(old, wanted) else None


def _knows(old: Connection, wanted: set[tuple[str, str]]) -> bool:
    try:
        return wanted <= columns(old)
    except sqlite3.Error:
        return False


def _wanted(new: Connection) -> set[tuple[str, str]]:
    """What every history of this version has; readings may have come since."""
    return {row for row in columns(new) if row[1] not in COLUMNS}


def _text(raw: bytes) -> str:
    """A text that is none is seen when it is to be written, and costs its own row only."""
    return raw.decode("utf-8", "surrogateescape")


# ---------------------------------------------------------------- rows


def _carry(old: Connection, new: Connection, name: str) -> int:
    """Carry over the rows of a table; how many. What is read twice is kept once."""
    table = _table(old, new, name)
    if table is None:
        return 0
    marks = ", ".join("?" * len(table.columns))
    put = f"INSERT OR IGNORE INTO {name} ({', '.join(table.columns)}) VALUES ({marks})"  # noqa: S608 - our own
    batch: list[tuple[Any, ...]] = []
    with new:
        new.execute("BEGIN")
        for row in _rows(old, table):
            if _fits(table, row):
                batch.append(row)
            if len(batch) >= _BATCH:
                new.executemany(put, batch)
                batch.clear()
        new.executemany(put, batch)
    return int(new.execute(f"SELECT count(*) FROM {name}").fetchone()[0])  # noqa: S608 - our own


def _table(old: Connection, new: Connection, name: str) -> SalvagedTable | None:
    try:
        there = {column for table, column in columns(old) if table == name}
    except sqlite3.Error:
        return None
    rows = [row for row in new.execute(f"PRAGMA table_info({name})") if row[1] in there]
    keys = tuple(row[1] for row in sorted(rows, key=lambda row: row[5]) if row[5])
    if not keys or any(row[1] not in there and row[1] not in COLUMNS for row in rows):
        return None
    return SalvagedTable(
        name=name,
        columns=tuple(row[1] for row in rows),
        kinds=tuple(row[2] for row in rows),
        needed=tuple(bool(row[3] or row[5]) for row in rows),
        keys=keys,
        numbered=len(keys) == 1 and next(row[2] for row in rows if row[5]) == "INTEGER",
    )


def _rows(old: Connection, table: SalvagedTable) -> Iterator[tuple[Any, ...]]:
    """All rows that can be read, by the table itself and not by an index: from both ends up to what is damaged, and in
    a table with numbers the stretches between."""
    key = table.columns.index(table.keys[0])
    last, first = None, None
    for row, whole in _run(old, table, "ASC", None, None):
        if whole:
            return
        if row is not None:
            last = row[key]
            yield row
    for row, _ in _run(old, table, "DESC", None, None):
        if row is not None:
            first = row[key]
            yield row
    if table.numbered and isinstance(first, int):
        yield from _between(old, table, last if isinstance(last, int) else 0, first)


def _between(old: Connection, table: SalvagedTable, last: int, first: int) -> Iterator[tuple[Any, ...]]:
    """Rows between two damaged places, feeling forward in ever longer steps."""
    key, step = table.columns.index(table.keys[0]), 1
    for _ in range(_PROBES_MOST):
        if last + step >= first:
            return
        reached = None
        for row, whole in _run(old, table, "ASC", last + step, first):
            if row is not None:
                reached = row[key]
                yield row
            elif whole:
                return
        last, step = (reached, 1) if isinstance(reached, int) else (last + step, step * 2)


def _run(
    old: Connection, table: SalvagedTable, order: str, at_least: int | None, below: int | None
) -> Iterator[tuple[tuple[Any, ...] | None, bool]]:
    """Rows of a span in order, until one cannot be read; at the end None and whether there was no such one."""
    key = table.keys[0]
    where = "" if below is None else f"WHERE {key} >= {at_least} AND {key} < {below}"
    by = ", ".join(f"{name} {order}" for name in table.keys)
    sql = f"SELECT {', '.join(table.columns)} FROM {table.name} NOT INDEXED {where} ORDER BY {by}"  # noqa: S608 - ours
    try:
        for row in old.execute(sql):
            yield row, False
    except (sqlite3.Error, OverflowError):
        yield None, False
        return
    yield None, True


def _fits(table: SalvagedTable, row: tuple[Any, ...]) -> bool:
    """Whether a row holds what its columns are for."""
    for value, kind, needed in zip(row, table.kinds, table.needed, strict=True):
        if value is None and needed:
            return False
        if value is not None and not _is(value, kind):
            return False
    if table.name == "outbox":
        found = dict(zip(table.columns, row, strict=True))
        topic, body = KINDS.get(found["kind"], ("", None))
        if topic != found["topic"] or body is None or decoded(found["body"], body) is None:
            return False
        origin = id_origin(found["id"], found["seq"])
        return bool(message_id(origin, topic, found["seq"]) == found["id"])
    return not (table.name == "meta" and row[0] in _OF_THIS_FILE)


def _is(value: object, kind: str) -> bool:
    if isinstance(value, str):
        try:
            value.encode()
        except UnicodeEncodeError:
            return False
    if isinstance(value, float) and not math.isfinite(value):
        return False
    return not kind or isinstance(value, _TYPES[kind])


# ---------------------------------------------------------------- numbers


def _number(new: Connection, *, cut: bool) -> bool:
    """Bring the counters to where numbers may go on, and name what numbers; whether a gap is left."""
    last = dict(new.execute("SELECT topic, last FROM counters"))
    meta = _identity(new)
    rows = {} if meta is None else _numbered(new, str(meta["origin"]))
    place = new.execute("SELECT max(place) FROM outbox").fetchone()[0] or 0
    whole = all(last.get(topic, 0) >= seq for topic, seq in rows.items()) and last.get("place", -1) >= place
    skip = cut or not whole
    if meta is None or not (last or rows):  # how far numbers went, nobody knows: they begin again under a new name
        new.execute("DELETE FROM counters")
        new.execute("DELETE FROM meta WHERE key != 'schema'")
        return False
    topics: set[str] = {topic for topic, _ in KINDS.values()}
    counters = {topic: max(last.get(topic, 0), rows.get(topic, 0)) + (_SKIP if skip else 0) for topic in topics}
    counters["place"] = max(last.get("place", 0), place)
    with new:
        new.execute("BEGIN")
        new.executemany("INSERT OR REPLACE INTO counters VALUES (?, ?)", counters.items())
        new.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", meta.items())
        # Rows lost behind all that are left are not waited for.
        new.execute("UPDATE cursors SET place = ? WHERE place >= ?", (counters["place"], place))
    return skip


def _numbered(new: Connection, origin: str) -> dict[str, int]:
    """The last number of each topic under this name; rows of a guest are numbered under another."""
    return dict(new.execute("SELECT topic, max(seq) FROM outbox WHERE instr(id, ?) = 1 GROUP BY topic", (origin,)))


def _identity(new: Connection) -> dict[str, object] | None:
    """What numbers the messages, and how many runs there were: as the file says, or as its last message does; None
    when neither is left, and numbers begin again under a new name."""
    meta = dict(new.execute("SELECT key, value FROM meta"))
    newest = new.execute("SELECT id, seq, run FROM outbox ORDER BY place DESC LIMIT 1").fetchone()
    run = meta.get("run") if isinstance(meta.get("run"), int) else None if newest is None else newest[2]
    origin = meta.get("origin")
    if not isinstance(origin, str) or not origin:
        origin = None if newest is None else id_origin(newest[0], newest[1]).partition(".")[0]
    return None if not origin else {"origin": origin, "run": run or 1}
