"""Every state of the disk that a power cut may leave, rebuilt from a recorded run (as ALICE does: Pillai, OSDI 2014).

The calls that change files are recorded beneath SQLite (shim.c). A file system may keep writes back until they are
synced, and send them in any order; of a file that is not synced it may have all, none or some of the writes, and of the
names in a folder that is not synced the old or the new ones. From each point of the run states are rebuilt: all of it
there; only what was synced; the last unsynced writes without one of them, or with one of them cut short (`states`); or
one of all those that may be, by lot (`sampled`). A sync that failed has sent any part of what it was to send, and the
rest is never sent again (Rebello et al., "Can applications recover from fsync failures?", USENIX ATC 2020).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import NamedTuple

_HEAD = struct.Struct("=cqIII")
_KINDS = {
    **{b"w": "write", b"t": "truncate", b"c": "create", b"r": "rename", b"u": "unlink"},
    **{b"s": "sync", b"f": "failed sync", b"o": "said"},
}
_SECTOR = 512


class Change(NamedTuple):
    """One call: what it did to which file (`kind` one of those above)."""

    kind: str
    path: str = ""
    at: int = 0
    data: bytes = b""
    to: str = ""


def changes(record: bytes) -> list[Change]:
    """The calls of a record, in order. What SQLite makes again at each opening, the index of its log, is left out."""
    found, place = [], 0
    while place < len(record):
        kind, at, *sizes = _HEAD.unpack_from(record, place)
        place += _HEAD.size
        parts = []
        for size in sizes:
            parts.append(record[place : place + size])
            place += size
        path, to, data = parts
        if not path.endswith(b"-shm"):
            found.append(Change(_KINDS[kind], path.decode(), at, data, to.decode()))
    return found


class _Named(NamedTuple):
    """A change of a name in the folder: a file was made (`to` ""), renamed to `to`, or removed (`was` is set); `was` is
    what had reached the disk of what the name `to or path` stood for before."""

    path: str
    to: str = ""
    was: bytes | None = None


@dataclass
class Disk:
    """What of each file is known to have reached the disk, and what was done to it since."""

    reached: dict[str, bytearray] = field(default_factory=dict)
    pending: dict[str, list[Change]] = field(default_factory=dict)
    named: list[_Named] = field(default_factory=list)  # since the folder was last synced
    rng: Random = field(default_factory=Random)

    def apply(self, change: Change) -> None:
        """One call of the program."""
        path = change.path
        if change.kind == "create":
            self.named.append(_Named(path))
            self.reached[path], self.pending[path] = bytearray(), []
        elif change.kind in ("write", "truncate") and path in self.reached:
            self.pending.setdefault(path, []).append(change)
        elif change.kind == "rename" and path in self.reached:
            was = self.reached.get(change.to)
            self.named.append(_Named(path, change.to, None if was is None else bytes(was)))
            self.reached[change.to], self.pending[change.to] = self.reached.pop(path), self.pending.pop(path, [])
        elif change.kind == "unlink" and path in self.reached:
            self.named.append(_Named(path, was=bytes(self.reached.pop(path))))
            self.pending.pop(path, None)
        elif change.kind == "sync" and path not in self.reached:
            self.named.clear()  # the folder
        elif change.kind in ("sync", "failed sync") and path in self.reached:
            for one in self.pending.pop(path, []):
                if change.kind == "sync" or self.rng.random() < 0.5:
                    put(self.reached[path], one)
            if change.kind == "sync":  # with a new file its name is sent, on the file systems of a Pi
                self.named = [one for one in self.named if one != _Named(path)]

    def begin(self, files: dict[str, bytes]) -> None:
        """All that is there is on the disk."""
        self.reached, self.pending = {path: bytearray(data) for path, data in files.items()}, {}
        self.named = []

    def files(self) -> dict[str, bytes]:
        """What the running program sees."""
        return {path: self._with(path, self.pending.get(path, [])) for path in self.reached}

    def states(self) -> Iterator[tuple[str, dict[str, bytes]]]:
        """What a cut now may leave, each with its name."""
        files = self.files()
        yield "all of it", files
        yield "what was synced", {path: bytes(data) for path, data in self.reached.items()}
        for kept in range(len(self.named)):
            yield f"the change of {Path(self.named[kept].path).name} lost", self._renamed_back(files, kept)
        for path, pending in self.pending.items():
            for left_out in range(max(0, len(pending) - 3), len(pending)):
                before, one, after = pending[:left_out], pending[left_out], pending[left_out + 1 :]
                name = f"{Path(path).name} without write {left_out}"
                yield name, {**files, path: self._with(path, [*before, *after])}
                if half := one.data[: len(one.data) // 2]:
                    torn = [*before, one._replace(data=half), *after]
                    yield f"{name} but half of it", {**files, path: self._with(path, torn)}

    def sampled(self) -> dict[str, bytes]:
        """One of the states that a cut now may leave, by lot."""
        files = {path: self._with(path, self._some(pending)) for path, pending in self.pending.items() if pending}
        left = {path: bytes(data) for path, data in self.reached.items()} | files
        return self._renamed_back(left, self.rng.randint(0, len(self.named)))

    def _some(self, pending: list[Change]) -> list[Change]:
        first = self.rng.randrange(len(pending))
        torn = pending[first]._replace(data=pending[first].data[: self.rng.randrange(len(pending[first].data) + 1)])
        sector = torn._replace(data=torn.data[: len(torn.data) // _SECTOR * _SECTOR])
        some = [one for one in pending if self.rng.random() < 0.5]
        head = pending[:first]
        return self.rng.choice((pending, [], head, [*head, torn], [*head, sector], some, [*some, torn]))

    def _renamed_back(self, files: dict[str, bytes], kept: int) -> dict[str, bytes]:
        """`files` without the changes of names from the so manieth on."""
        files = dict(files)
        for path, to, was in reversed(self.named[kept:]):
            if to:
                files[path] = files.pop(to, b"")
            if was is not None:
                files[to or path] = was
            elif not to:
                files.pop(path, None)
        return files

    def _with(self, path: str, done: list[Change]) -> bytes:
        made = bytearray(self.reached[path])
        for one in done:
            put(made, one)
        return bytes(made)


def put(data: bytearray, change: Change) -> None:
    """Do to the bytes of a file what a call did."""
    if change.kind == "truncate":
        del data[change.at :]
        data.extend(bytes(change.at - len(data)))
        return
    if len(data) < change.at:
        data.extend(bytes(change.at - len(data)))
    data[change.at : change.at + len(change.data)] = change.data
