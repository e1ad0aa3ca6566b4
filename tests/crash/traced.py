"""Every state of the disk that a power cut may leave, rebuilt from a traced run (as ALICE does: Pillai, OSDI 2014).

A real run is traced by strace at the system calls that change files. A file system may keep writes back until they are
synced, and send them in any order; of a file that is not synced it may have all, none or some of the writes, and of the
names in a folder that is not synced the old or the new ones. From each point of the run the states are rebuilt: all of
it there; only what was synced; and the last unsynced writes without one of them, or with one of them cut short.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

_CALL = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
TRACED = "openat,close,write,pwrite64,fsync,fdatasync,ftruncate,rename,unlink"


@dataclass
class Change:
    """One call: what it did to which file (`kind` write, truncate, rename, unlink, sync, said)."""

    kind: str
    path: str = ""
    at: int = 0
    data: bytes = b""
    to: str = ""


def changes(trace: str, folder: Path) -> list[Change]:
    """The calls of a trace that concern files under a folder, and what was said on standard output, in order."""
    opened: dict[int, str] = {}
    ends: dict[int, int] = {}  # of files written at their end or in sequence
    sizes: dict[str, int] = {}
    found: list[Change] = []
    for line in trace.splitlines():
        if (call := _CALL.match(line)) is None or int(call[3]) < 0:
            continue
        name, given, result = call[1], call[2], int(call[3])
        texts = [bytes.fromhex(text.replace("\\x", "")) for text in _TEXT.findall(given)]
        if name == "openat":
            path = texts[0].decode()
            opened[result], ends[result] = path, -1 if "O_APPEND" in given else 0
            if path.startswith(f"{folder}/") and "O_TRUNC" in given:
                found.append(Change("truncate", path))
                sizes[path] = 0
            continue
        if name in ("rename", "unlink"):
            paths = [text.decode() for text in texts]
            if paths[0].startswith(f"{folder}/"):
                found.append(Change(name, paths[0], to=paths[-1]))
                if name == "rename":
                    sizes[paths[1]] = sizes.pop(paths[0], 0)
            continue
        number = int(given.split(",")[0])
        path = opened.get(number, "")
        if name == "write" and number == 1:
            found.append(Change("said", data=texts[0]))
        elif path == str(folder) and name in ("fsync", "fdatasync"):
            found.append(Change("sync-folder", path))
        elif not path.startswith(f"{folder}/"):
            continue
        elif name in ("write", "pwrite64"):
            at = int(given.rsplit(",", 1)[1]) if name == "pwrite64" else ends[number]
            at = sizes.get(path, 0) if at < 0 else at
            data = texts[0][:result]
            found.append(Change("write", path, at, data))
            sizes[path] = max(sizes.get(path, 0), at + len(data))
            if name == "write" and ends[number] >= 0:
                ends[number] = at + len(data)
        elif name == "ftruncate":
            size = int(given.rsplit(",", 1)[1])
            found.append(Change("truncate", path, size))
            sizes[path] = size
        elif name in ("fsync", "fdatasync"):
            found.append(Change("sync", path))
    return found


@dataclass
class Disk:
    """Files as they are for the running program, and, apart, what of it is known to have reached the disk."""

    files: dict[str, bytearray] = field(default_factory=dict)
    synced: dict[str, bytes] = field(default_factory=dict)
    unsynced: dict[str, list[Change]] = field(default_factory=dict)
    renamed: list[tuple[str, str, bytes | None]] = field(default_factory=list)  # from, to, what was there before

    def apply(self, change: Change) -> None:
        """One call of the program."""
        path = change.path
        if change.kind in ("write", "truncate"):
            put(self.files.setdefault(path, bytearray()), change)
            self.unsynced.setdefault(path, []).append(change)
        elif change.kind == "rename" and path in self.files:
            before = self.files.get(change.to)
            self.renamed.append((path, change.to, None if before is None else bytes(before)))
            self.files[change.to] = self.files.pop(path)
            self.synced[change.to] = self.synced.pop(path, b"")
            self.unsynced[change.to] = self.unsynced.pop(path, [])
        elif change.kind == "unlink":
            for one in (self.files, self.synced, self.unsynced):
                one.pop(path, None)
        elif change.kind == "sync-folder":
            self.renamed.clear()
        elif change.kind == "sync" and path in self.files:
            self.synced[path] = bytes(self.files[path])
            self.unsynced[path] = []

    def states(self) -> Iterator[tuple[str, dict[str, bytes]]]:
        """What a cut now may leave, each with its name."""
        yield "all of it", {path: bytes(data) for path, data in self.files.items()}
        yield "what was synced", dict(self.synced)
        lost = {path: bytes(data) for path, data in self.files.items()}
        for path, to, before in reversed(self.renamed):
            if to in lost:
                lost[path] = lost.pop(to)
                if before is not None:
                    lost[to] = before
                yield f"the rename to {Path(to).name} lost", dict(lost)
        for path, pending in self.unsynced.items():
            for left_out in range(max(0, len(pending) - 3), len(pending)):
                yield f"{Path(path).name} without write {left_out}", self._with(path, pending, left_out, None)
                half = len(pending[left_out].data) // 2
                if half:
                    yield f"{Path(path).name} with half of write {left_out}", self._with(path, pending, left_out, half)

    def _with(self, path: str, pending: list[Change], left_out: int, half: int | None) -> dict[str, bytes]:
        made = bytearray(self.synced.get(path, b""))
        for number, change in enumerate(pending):
            if number != left_out:
                put(made, change)
            elif half is not None:
                put(made, Change("write", path, change.at, change.data[:half]))
        return {**{name: bytes(data) for name, data in self.files.items()}, path: bytes(made)}


def put(data: bytearray, change: Change) -> None:
    """Do to the bytes of a file what a call did."""
    if change.kind == "truncate":
        del data[change.at :]
        data.extend(bytes(change.at - len(data)))
        return
    if len(data) < change.at:
        data.extend(bytes(change.at - len(data)))
    data[change.at : change.at + len(change.data)] = change.data
