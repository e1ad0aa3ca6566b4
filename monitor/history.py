"""(edge) The history: SQLite on disk for what must not be lost, a second small file in memory for what is live.

One process owns the history (the service, `owner=True`) and writes it; others (the page, the terminal) open the same
path, read, and leave requests, meter readings and visits. Every method may be called from any thread.

What one engine step brought (events with their sequence numbers, answers, status, the engine's memory) is written in
one transaction, so that a kill at any point neither loses nor doubles. Signatures first; bodies follow.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from monitor import config
from monitor.kept import Health, Kept, Lane, MeterReading, Point, Score, Start, Topic, Visit
from monitor.records import Answer, Cycle, Event, Request, Scan, StartTransient, UnitStatus


class History:
    """The history file at `path`; it is made when it does not exist (owner) or read as empty (others).

    `keep` gives the days each kind is kept and the directory of the live file ("" chooses one in memory).
    Raises HistoryError when another process owns it already.
    """

    def __init__(self, path: str | Path, *, owner: bool = False, keep: config.History | None = None) -> None: ...

    # ------------------------------------------------------------ written by the owner, once a step

    def memory(self) -> bytes | None:
        """The engine's memory as last kept; None in a new history."""
        raise NotImplementedError

    def step(
        self,
        *,
        now_s: float,
        wall_s: float | None,
        status: UnitStatus,
        memory: Callable[[], bytes],
        scan: Scan | None = None,
        events: Sequence[Event] = (),
        answers: Sequence[Answer] = (),
        starts: Sequence[StartTransient] = (),
    ) -> None:
        """Keep one engine step; never raises for a disk that fails: the step is held in memory and tried again."""
        raise NotImplementedError

    def requests(self) -> list[Request]:
        """Requests not yet answered, oldest first."""
        raise NotImplementedError

    def close(self) -> None:
        """Write what is pending and close."""

    # ------------------------------------------------------------ left by the page, the terminal, the broker

    def add_request(self, request: Request, source: str = "page") -> Answer | None:
        """Leave a request for the service. A repeated id changes nothing; its answer is given back when known."""
        raise NotImplementedError

    def answer(self, request_id: str) -> Answer | None:
        """The answer to a request; None while there is none."""
        raise NotImplementedError

    def add_meter_reading(self, reading: MeterReading) -> None:
        """Keep one meter reading."""

    def add_visit(self, visit: Visit) -> None:
        """Keep what a visit found."""

    # ------------------------------------------------------------ read by anyone

    def status(self) -> UnitStatus | None:
        """The last status; alerts and findings as they stand are in it."""
        raise NotImplementedError

    def status_age_s(self) -> float | None:
        """Seconds since the status was taken, by a clock that does not jump; None when there is no status."""
        raise NotImplementedError

    def lanes(self, from_wall_s: float, to_wall_s: float) -> list[Lane]:
        """Stretches of the links in LANES that touch the span, in order of lane and time."""
        raise NotImplementedError

    def readings(self, name: str, from_wall_s: float, to_wall_s: float, points: int = 500) -> list[Point]:
        """One reading over a span, in at most `points` stretches of equal length; stretches with none are left out."""
        raise NotImplementedError

    def cycles(self, from_wall_s: float, to_wall_s: float, limit: int = 200) -> list[tuple[float, Cycle]]:
        """Finished cycles that stopped in the span, as (wall time of the stop, cycle), newest first."""
        raise NotImplementedError

    def events(self, after_seq: int = 0, limit: int = 200, topic: Topic = "events") -> list[Kept]:
        """Rows of one topic with `seq` above `after_seq`, oldest first."""
        raise NotImplementedError

    def latest_events(self, limit: int = 50, topic: Topic = "events") -> list[Kept]:
        """The newest rows of one topic, newest first."""
        raise NotImplementedError

    def starts(self, limit: int = 200) -> list[Start]:
        """Captured starts, newest first."""
        raise NotImplementedError

    def visits(self, limit: int = 200) -> list[Visit]:
        """What visits found, newest first."""
        raise NotImplementedError

    def score(self) -> Score:
        """How often the first suspect was right."""
        raise NotImplementedError

    def meter_readings(self, limit: int = 200, since_wall_s: float = 0.0) -> list[MeterReading]:
        """Meter readings, newest first."""
        raise NotImplementedError

    def health(self) -> Health:
        """How the monitor itself does."""
        raise NotImplementedError

    # ------------------------------------------------------------ for outlets

    def outbox(self, after_place: int, limit: int = 100) -> list[Kept]:
        """Rows of all topics beyond a cursor, in order, unbroken."""
        raise NotImplementedError

    def cursor(self, outlet: str, *, begin: bool) -> int:
        """The place up to which an outlet has delivered; a new outlet begins at the first row kept or at the end."""
        raise NotImplementedError

    def delivered(self, outlet: str, place: int) -> None:
        """Move an outlet's cursor; only ever forward."""

    def note_error(self, outlet: str, error: str) -> None:
        """Say what went wrong with an outlet last; "" when it goes well again."""
