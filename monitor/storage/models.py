"""Records as they are kept in the history and read back: what web, the broker and the phone are given.

Times are wall seconds since 1970-01-01T00:00:00Z (`wall_s`); None where the clock was not known then and never became
known. `run` counts starts of the program: `t_s` of two different runs must not be subtracted.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import (
    AlertChange,
    Answer,
    Change,
    Cycle,
    LinkState,
    StartTransient,
)

Topic = Literal["events", "cycles", "answers"]
Body = Change | AlertChange | Cycle | Answer
KINDS: dict[str, tuple[Topic, type[Body]]] = {
    "change": ("events", Change),
    "alert": ("events", AlertChange),
    "cycle": ("cycles", Cycle),
    "answer": ("answers", Answer),
}
LANES = ("call", "contacts", "compressor", "fan")  # the links whose history is drawn


class StoredEvent(msgspec.Struct, frozen=True, kw_only=True):
    """One row of the outbox. `offset` is unbroken over all topics and is what a publisher's cursor counts; `seq` is
    unbroken within its topic; `id` never changes however often it is sent."""

    offset: int
    topic: Topic
    seq: int
    id: str
    run: int
    t_s: float
    wall_s: float | None
    body: Body


class Lane(msgspec.Struct, frozen=True, kw_only=True):
    """One stretch of a link's state; `to_wall_s` is None while it lasts."""

    name: str
    state: LinkState
    from_wall_s: float
    to_wall_s: float | None


def ended(lanes: Iterable[Lane], seen_s: float | None) -> list[Lane]:
    """The lanes, where nothing was seen after `seen_s`: what lasted then is not known since. None: all is fresh."""
    if seen_s is None:
        return list(lanes)
    found = []
    for row in lanes:
        if row.to_wall_s is not None:
            found.append(row)
            continue
        end_s = max(seen_s, row.from_wall_s)
        found.append(msgspec.structs.replace(row, to_wall_s=end_s))
        found.append(Lane(name=row.name, state=LinkState.UNKNOWN, from_wall_s=end_s, to_wall_s=None))
    return found


class StoredPoint(NamedTuple):
    """Mean, lowest and highest of a reading over one stretch beginning at `wall_s`; flags read as 0 to 1."""

    wall_s: float
    mean: float
    low: float
    high: float


class StoredStart(msgspec.Struct, frozen=True, kw_only=True):
    """One captured start of the compressor, with the time of day."""

    run: int
    wall_s: float | None
    start: StartTransient


class VisitScore(NamedTuple):
    """Over all visits: first suspect right, wrong, or none named."""

    right: int
    wrong: int
    unnamed: int


class PublisherHealth(msgspec.Struct, frozen=True, kw_only=True):
    """How a publisher does: events still to be delivered, and its last error ("" when the last try went well)."""

    waiting: int
    error: str = ""
    error_wall_s: float | None = None


_WATCHING = ("boards", "engine", "memory", "service")  # parts without which nothing is seen of the unit


class OwnFault(msgspec.Struct, frozen=True, kw_only=True):
    """A fault of the program itself that nobody has seen yet: an exception that no part of it foresees, caught in
    `part`. `error` is the last one's type and message; its traceback is in the log."""

    part: str
    error: str
    times: int
    first_wall_s: float
    last_wall_s: float

    def explains_blindness(self, wall_s: float) -> bool:
        """Whether this is why no scan is judged at `wall_s`: it has just stopped one."""
        return self.part in _WATCHING and abs(wall_s - self.last_wall_s) < limits.HISTORY.fault_fresh_s.value


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """How the monitor itself does. Sizes in bytes; `status_age_s` None before the first scan ever.

    `disk_error` is "" while writing works; `held` counts the engine steps waiting in memory for the disk;
    `set_aside` names the corrupt file that was put away when this history began, if so; `faults` says why a reading is
    missing (from the boards); `notes` are further sayings of the service, by name; `own_faults` are the program's own,
    until a person has acknowledged them.
    """

    status_age_s: float | None
    size_bytes: int
    free_bytes: int | None
    disk_error: str = ""
    held: int = 0
    set_aside: str = ""
    faults: dict[str, str] = {}
    publishers: dict[str, PublisherHealth] = {}
    notes: dict[str, str] = {}
    own_faults: tuple[OwnFault, ...] = ()
