"""(edge) Opening the owner's file: made where there is none, gone on with when it is sound, begun anew when it is not.

A new file is made whole under another name and put in place in one step; what was there before is put away, never
written over. A power cut at any point leaves either the old file or the new one to be found, and never a new one
without what the old one still gave.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.storage import damage, salvage, schema
from condenser_monitor.monitor.storage.damage import ENDS, DamageVerdict, part
from condenser_monitor.monitor.storage.schema import Connection

_SKIP = int(limits.HISTORY.numbers_skipped.value)
_PUT_DAMAGE = "INSERT OR REPLACE INTO meta VALUES ('damage', ?)"


class Damage(msgspec.Struct, frozen=True, kw_only=True):
    """What a history says of damage it came out of: the file that was kept, whether this one is new since, in words."""

    file: str
    new: bool
    words: str


def open_owned(path: Path, wall: Callable[[], float], *, spoilt: str = "") -> sqlite3.Connection:
    """Open, judge and migrate the owner's file; a damaged one is put away, and a new one begun with what it still gave.

    `spoilt` says why the file cannot be gone on with, where it was found out in use. `damage_of` then tells what came
    of it. Raises sqlite3.Error or OSError when the disk fails, HistoryError for a file that is not ours.
    """
    damage.refuse_odd(path)
    _finish(path, wall)
    if not any(part(path, end).exists() for end in ENDS):
        _build(path, None, DamageVerdict()).replace(path)
        _sync(path.parent)
        return _opened(path)
    verdict = damage.judge(path)
    if verdict.fault or spoilt:
        return _anew(path, wall, verdict._replace(fault=damage.plainly(spoilt) if spoilt else verdict.fault))
    try:
        return _gone_on_with(path, wall, cut=verdict.log_cut)
    except sqlite3.DatabaseError as error:
        if not schema.corrupt(error):
            raise
        return _anew(path, wall, verdict._replace(fault=damage.plainly(error)))


def damage_of(db: sqlite3.Connection, path: Path) -> Damage | None:
    """What is to be told of damage, as long as the file that was kept is there: whoever removes it has seen it."""
    for (text,) in db.execute("SELECT value FROM meta WHERE key = 'damage'"):
        with suppress(msgspec.DecodeError, TypeError):
            found = msgspec.json.decode(text, type=Damage)
            return found if os.sep not in found.file and path.with_name(found.file).exists() else None
    return None


def _opened(path: Path) -> sqlite3.Connection:
    db = schema.connect(path, durable=True)
    try:
        schema.migrate(db, place=str(path))
        # Frames that a killed process wrote and no commit counts are not left to be taken for damage at the next start.
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    except BaseException:
        db.close()
        raise
    return db


def _gone_on_with(path: Path, wall: Callable[[], float], *, cut: bool) -> sqlite3.Connection:
    if not cut:
        return _opened(path)
    aside = damage.aside_name(path, wall())
    damage.copy_log(path, aside)
    db = _opened(path)
    kept = part(aside, "-wal").name
    words = (
        f"the end of its log was damaged: what was written last is lost, and numbers go on after a gap. "
        f"The damaged log is kept as {kept}"
    )
    with db:
        db.execute("BEGIN IMMEDIATE")
        db.execute("UPDATE counters SET last = last + ? WHERE topic != 'place'", (_SKIP,))
        db.execute(_PUT_DAMAGE, (msgspec.json.encode(Damage(file=kept, new=False, words=words)).decode(),))
    damage.thin(path)
    return db


# ---------------------------------------------------------------- a new one


def _anew(path: Path, wall: Callable[[], float], verdict: DamageVerdict) -> sqlite3.Connection:
    aside = damage.aside_name(path, wall())
    _build(path, aside.name, verdict).replace(part(path, ".ready"))
    _sync(path.parent)
    _finish(path, wall)
    damage.thin(path)
    return _opened(path)


def _build(path: Path, aside: str | None, verdict: DamageVerdict) -> Path:
    """A whole new file under another name, on the disk when this returns; readable by its owner only, from the first
    byte on."""
    new = part(path, ".new")
    for end in (*ENDS, "-journal"):
        part(new, end).unlink(missing_ok=True)
    os.close(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    with closing(sqlite3.connect(new, isolation_level=None, factory=Connection)) as db:
        db.execute("PRAGMA journal_mode=OFF")  # ended half made, it is thrown away
        db.execute("PRAGMA synchronous=OFF")
        schema.migrate(db, place=str(path))
        if aside is not None:
            carried = salvage.carry(path, db, log=verdict.log_belongs, cut=verdict.log_cut)
            words = f"the file was damaged ({verdict.fault}) and was put away as {aside}; {carried}"
            db.execute(_PUT_DAMAGE, (msgspec.json.encode(Damage(file=aside, new=True, words=words)).decode(),))
        db.execute("PRAGMA journal_mode=WAL")
    with new.open("r+b") as file:
        os.fsync(file.fileno())
    return new


def _finish(path: Path, wall: Callable[[], float]) -> None:
    """Put a new file in place that is ready, and what was there before away."""
    ready = part(path, ".ready")
    if not ready.exists():
        return
    try:
        with closing(damage.reading(ready, log=False)) as db:
            (text,) = db.execute("SELECT value FROM meta WHERE key = 'damage'").fetchone()
        aside = path.with_name(Path(msgspec.json.decode(text, type=Damage).file).name)
    except (sqlite3.Error, TypeError, msgspec.DecodeError):
        damage.set_aside(ready, damage.aside_name(path, wall()))  # damaged since: what it was made of is still there
        return
    damage.set_aside(path, aside)
    if any(part(path, end).exists() for end in ENDS):
        damage.set_aside(path, damage.aside_name(path, wall()))  # made by somebody in between
    ready.replace(path)
    _sync(path.parent)


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
