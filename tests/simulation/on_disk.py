"""What lies on the disk before a start, read by code of the tests' own: the program's reader is not believed.

The database is read by SQLite out of a copy in another folder; the redo log line by line by its format (CRC-32, JSON).
A memory is sound when an engine has made the very same: that is damage, too, which still reads as JSON.
"""

from __future__ import annotations

import base64
import json
import shutil
import sqlite3
from collections.abc import Container
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zlib import crc32


@dataclass(frozen=True)
class OnDisk:
    """The newest memory that can be read, as JSON (None: none was ever kept, or it is gone), each damage seen, and what
    the program itself did wrong."""

    memory: dict[str, Any] | None
    damages: tuple[str, ...]
    wrong: tuple[str, ...]

    @property
    def standing(self) -> set[str]:
        """Findings that stand."""
        return set(self.memory["findings"]) if self.memory else set()

    @property
    def alerts(self) -> dict[str, str]:
        """Alerts that are not normal, with their state."""
        slots = self.memory["alerts"]["slots"] if self.memory else {}
        return {name: slot["state"] for name, slot in slots.items() if slot.get("state", "normal") != "normal"}


def read(path: Path, made: Container[bytes], live: Path | None = None) -> OnDisk:
    """Read what is on the disk for the history at `path`; `made` are the memories that engines have made. In the folder
    `live` lies what a life left there that ended in good order while the disk took nothing: newer than what it is to
    follow."""
    damages: list[str] = []
    in_database, place = _database(path, damages, made)
    in_log, log_place, wrong = _redo_log(path, damages, made)
    newest = in_log if in_log is not None and (in_database is None or log_place > place) else in_database
    for held in [] if live is None else live.glob("*.held"):
        left = json.loads(held.read_bytes())
        body = base64.b64decode(left["entry"]["memory"])
        if body not in made:
            wrong.append("a memory that no engine has made was left for the next life")
        elif left["on_disk"] == max(place, log_place):
            newest = json.loads(body)
    return OnDisk(newest, tuple(damages), tuple(wrong))


def _database(path: Path, damages: list[str], made: Container[bytes]) -> tuple[dict[str, Any] | None, int]:
    if not path.exists():
        if path.with_name(path.name + ".redo").exists():
            damages.append("the database is gone")
        return None, -1
    with TemporaryDirectory() as name:
        copy = Path(name) / "copy.db"
        for end in ("", "-wal"):
            if path.with_name(path.name + end).exists():
                shutil.copy(path.with_name(path.name + end), copy.with_name(copy.name + end))
        try:
            with closing(sqlite3.connect(copy)) as db:
                found = db.execute("PRAGMA integrity_check(1)").fetchone()[0]
                if found != "ok":
                    damages.append(f"the database: {found}")
                    return None, -1
                row = db.execute("SELECT body FROM state WHERE key = 'memory'").fetchone()
                place = db.execute("SELECT last FROM counters WHERE topic = 'place'").fetchone()
                if row is not None and row[0] not in made:
                    damages.append("the database: a memory that no engine has made")
                return (None if row is None else json.loads(row[0])), (-1 if place is None else place[0])
        except (sqlite3.Error, ValueError, TypeError) as error:
            if path.stat().st_size:
                damages.append(f"the database: {error}")
            return None, -1


def _redo_log(path: Path, damages: list[str], made: Container[bytes]) -> tuple[dict[str, Any] | None, int, list[str]]:
    memory, place = None, -1
    wrong: list[str] = []
    for end in (".redo-old", ".redo"):
        data = b""
        with suppress(OSError):
            data = path.with_name(path.name + end).read_bytes()
        for line in data.split(b"\n")[:-1]:  # what follows the last line end was torn off by the cut
            checked, _, body = line.partition(b" ")
            if checked != b"%08x" % crc32(body):
                damages.append(f"the redo log: {line[:40]!r}")
                continue
            entry = json.loads(body)
            place = entry["counters"].get("place", 0)
            if entry["memory"] is None:
                continue
            body = base64.b64decode(entry["memory"])
            if body in made:
                memory = json.loads(body)
            else:
                wrong.append(f"the redo log vouches for a memory that no engine has made, run {entry['run']}")
    return memory, place, wrong
