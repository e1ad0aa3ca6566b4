"""What the engine remembers over a restart, in parts: each has a name, a version and a shape of its own.

To remember something new, declare a part beside what it belongs to and name it in the engine's two lists:

    TRUST_MEMORY = MemoryPart("trust", 1, TrustMemory)           # TrustMemory is a frozen msgspec.Struct
    old = memory.load(TRUST_MEMORY)                               # TrustMemory, or None: nothing there, or not readable
    memory.keep(TRUST_MEMORY, trust.memory)                       # in Engine.memory()

A part that cannot be read costs that part alone, and is taken from the last good memory where there is one. A shape
that changes gets a new version and an entry in `upgrades`; adding a field with a default needs neither. What is kept is
read back before it counts, so that a state which JSON cannot hold (an infinity, a number that is none) is noticed in
the process that has it: the part then stays as it was kept last.

As JSON: one object, each part under its name, `versions` beside them, and `version`, which version 0.1.0 reads.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

import msgspec

FORMAT = 1
_log = logging.getLogger(__name__)
UNREADABLE = (msgspec.DecodeError, ValueError, RecursionError)
_ENVELOPE = ("version", "versions")  # what stands beside the parts


Shape = TypeVar("Shape")


@dataclass(frozen=True)
class MemoryPart(Generic[Shape]):
    """One part of the memory. `name` and `version` are never used again for something else; `what` names it for people
    and `then` says what follows when it cannot be read; `upgrades` bring the JSON of an older version up by one."""

    name: str
    version: int
    shape: type[Shape]
    what: str = ""
    then: str = "begun afresh"
    upgrades: Mapping[int, Callable[[Any], Any]] = field(default_factory=dict)

    def read(self, body: bytes, version: int) -> Shape:
        """Return the part out of its JSON. Raises ValueError saying why it cannot be used."""
        if version == self.version:
            return msgspec.json.decode(body, type=self.shape)
        return msgspec.convert(self._upgraded(msgspec.json.decode(body), version), self.shape, str_keys=True)

    def _upgraded(self, found: Any, version: int) -> Any:
        while version != self.version:
            if version not in self.upgrades:
                raise ValueError(f"it is of version {version}, not {self.version}")
            try:
                found = self.upgrades[version](found)
            except Exception as error:  # whatever an old part may hold
                raise ValueError(f"it cannot be brought up from version {version}: {error!r}") from None
            version += 1
        return found


class EngineMemory:
    """The memory of an earlier engine to load from, and the one to leave for the next.

    `memory` is what `to_json` of an earlier one gave, `last_good` an older one that was read in whole. Never raises: a
    memory that nobody can read must not keep the monitor from watching. `refused` says what could not be read, `faults`
    which parts of this process could not be kept, both by name.
    """

    def __init__(self, memory: bytes | None, last_good: bytes | None = None) -> None:
        self.refused: dict[str, str] = {}
        self.faults: dict[str, str] = {}
        self._kept: dict[str, tuple[int, bytes]] = {}
        self._old: dict[str, tuple[int, bytes]] | None = None
        self._good: dict[str, tuple[int, bytes]] = {}
        with suppress(*UNREADABLE):
            self._good = _parts(last_good)
        try:
            self._old = _parts(memory)
        except UNREADABLE as error:
            then = "the last good one is used" if self._good else "begun afresh"
            self.refused["memory"] = f"the memory of an earlier run cannot be read ({error}); {then}"

    def load(self, part: MemoryPart[Shape]) -> Shape | None:
        """Return a part, out of the last good memory where the newest cannot be read; None when there is none."""
        why = ""
        if self._old is not None:
            if part.name not in self._old:
                return None
            version, body = self._old[part.name]
            try:
                return self._loaded(part, version, body)
            except UNREADABLE as error:
                why = f"the memory of the {part.what or part.name} cannot be read ({error})"
        then = part.then
        if part.name in self._good:
            version, body = self._good[part.name]
            try:
                found = self._loaded(part, version, body)
            except UNREADABLE:
                pass
            else:
                self._refuse(part.name, why, "the last good one is used")
                return found
        self._refuse(part.name, why, then)
        return None

    def _loaded(self, part: MemoryPart[Shape], version: int, body: bytes) -> Shape:
        found = part.read(body, version)
        self._kept[part.name] = part.version, body if version == part.version else msgspec.json.encode(found)
        return found

    def _refuse(self, name: str, why: str, then: str) -> None:
        if why:
            self.refused[name] = f"{why}; {then}"

    def why_refused(self) -> str:
        """What could not be read, in one line; "" when all could."""
        return "; ".join(self.refused.values())

    # ------------------------------------------------------------ to leave

    def keep(self, part: MemoryPart[Shape], value: Shape) -> None:
        """Keep a part. One that does not read back as it is stays as it was kept last, and is logged."""
        body = msgspec.json.encode(value)
        if self._kept.get(part.name) == (part.version, body):
            self.faults.pop(part.name, None)
            return
        try:
            if part.read(body, part.version) != value:
                raise ValueError("it does not read back as it was")
        except UNREADABLE as error:
            if part.name not in self.faults:
                _log.error("the part %r of the memory cannot be kept: %s; it stays as it was", part.name, error)
            self.faults[part.name] = str(error)
            return
        self.faults.pop(part.name, None)
        self._kept[part.name] = part.version, body

    def to_json(self) -> bytes:
        """Return the parts that were kept, and those loaded and not kept since."""
        parts = {name: msgspec.Raw(body) for name, (_, body) in self._kept.items()}
        versions = {name: version for name, (version, _) in self._kept.items()}
        return msgspec.json.encode({"version": FORMAT, "versions": versions, **parts})


def _parts(memory: bytes | None) -> dict[str, tuple[int, bytes]]:
    """The parts of a memory by name, with their versions. Raises ValueError for what is no memory."""
    if memory is None:
        return {}
    whole = msgspec.json.decode(memory, type=dict[str, msgspec.Raw])
    version = msgspec.json.decode(whole.get("version", msgspec.Raw(b"0")), type=int)
    if version != FORMAT:
        raise ValueError(f"it is of version {version}, not {FORMAT}")
    versions = _versions(whole.get("versions"))
    return {
        name: (versions.get(name) or inner_version(bytes(body)), bytes(body))
        for name, body in whole.items()
        if name not in _ENVELOPE
    }


def _versions(body: msgspec.Raw | None) -> dict[str, int]:
    """The versions of the parts; none in a memory of version 0.1.0, or where they cannot be read."""
    if body is None:
        return {}
    try:
        return msgspec.json.decode(body, type=dict[str, int])
    except UNREADABLE:
        return {}


class _Inner(msgspec.Struct):
    version: int = 1


def inner_version(body: bytes) -> int:
    """The version that a part of version 0.1.0 says of itself; 1 where it says none."""
    try:
        return msgspec.json.decode(body, type=_Inner).version
    except UNREADABLE:
        return 1


# ---------------------------------------------------------------- time that goes on over restarts


class Saved(msgspec.Struct, frozen=True, kw_only=True):
    """A timeline as it is kept: `x_s` and the wall time of the same moment, None when it was not known."""

    x_s: float = 0.0
    wall_s: float | None = None


class MonotonicTime:
    """Seconds that go on over restarts: maps the process's `t_s` to `x` and back, and to wall time.

    Durations that must outlive a process (a shelving, service mode, days of learning) are counted in `x`: it runs with
    the process's own `t_s`, so a jump of the wall clock does not touch it. At a restart `x` goes on where it was saved;
    the time in between is added once the wall clock is known, if it was known when saving, and never less than nothing.
    So a wall clock that is wrong by a jump can end a shelving early by no more than that jump, and cannot lose it;
    without a wall clock the time switched off is not counted.
    """

    def __init__(self, saved: Saved | None = None) -> None:
        self._saved = saved
        self._base_s: float | None = 0.0 if saved is None else None
        self._wall_less_x_s: float | None = None
        self.now_x = 0.0 if saved is None else saved.x_s

    def advance(self, now_s: float, wall_s: float | None) -> float:
        """It is `now_s`. Returns the seconds switched off that have become known by it, mostly 0."""
        if self._base_s is None:
            self._base_s = self.now_x - now_s
        skipped_s = 0.0
        if wall_s is not None:
            saved, self._saved = self._saved, None
            if saved is not None and saved.wall_s is not None:
                skipped_s = max(0.0, saved.x_s + (wall_s - saved.wall_s) - (now_s + self._base_s))
            self._base_s += skipped_s
            self._wall_less_x_s = wall_s - (now_s + self._base_s)
        self.now_x = max(self.now_x, now_s + self._base_s)
        return skipped_s

    @property
    def begun(self) -> bool:
        """False after a restart until the first time is known."""
        return self._base_s is not None

    def x(self, t_s: float) -> float:
        """The lasting time of a moment of this process."""
        return t_s + (self._base_s if self._base_s is not None else self.now_x)

    def t_s(self, x_s: float) -> float:
        """The moment of this process, before its start below 0."""
        return x_s - (self._base_s if self._base_s is not None else self.now_x)

    def wall_s(self, x_s: float) -> float | None:
        """The wall time of `x_s` by the clock as last heard, None while that is not known."""
        return None if self._wall_less_x_s is None else x_s + self._wall_less_x_s

    def save(self) -> Saved:
        """What to keep. While the wall clock is not yet known, its last known reading is carried on."""
        wall_s = self.wall_s(self.now_x)
        if wall_s is None and self._saved is not None and self._saved.wall_s is not None:
            wall_s = self._saved.wall_s + (self.now_x - self._saved.x_s)
        return Saved(x_s=self.now_x, wall_s=wall_s)
