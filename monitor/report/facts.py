"""(edge) What the report is made of, read from a history: one record, so that everything after it is pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.readings import CURVES, PLOTTED
from condenser_monitor.monitor.core.records import (
    AlertChange,
    Change,
    ChangeKind,
    Cycle,
    Episode,
    MeterReading,
    StoredVisit,
    UnitStatus,
)
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
from condenser_monitor.monitor.publishers.answer_links import page_address
from condenser_monitor.monitor.storage.history import StorageQueries, resumed_visit
from condenser_monitor.monitor.storage.models import (
    Health,
    Lane,
    StoredEvent,
    StoredPoint,
    StoredStart,
    VisitScore,
    ended,
)
from condenser_monitor.monitor.strings.calm import Calm, calm

_DAY_S = 86400.0
TRACED = (*CURVES.values(), *PLOTTED)


class Close(msgspec.Struct, frozen=True, kw_only=True):
    """The time around one finding, seen closely."""

    wall_s: float
    number: int
    finding: str
    from_s: float
    to_s: float
    lanes: list[Lane]
    points: dict[str, list[StoredPoint]]


class Occurrence(msgspec.Struct, frozen=True, kw_only=True):
    """One finding as it came, and came again before anything else did. `number` points to it in the pictures.

    `ended_wall_s` is None while it stands."""

    number: int
    last: Change
    raised_wall_s: tuple[float, ...]
    ended_wall_s: float | None


class Act(msgspec.Struct, frozen=True, kw_only=True):
    """What a person did about an alert."""

    wall_s: float
    change: AlertChange


class ReportFacts(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the report tells. Times are wall seconds; `blind`: the status is too old to be believed."""

    settings: Settings
    address: str  # of the page, "" where no other device reaches it
    made_wall_s: float
    from_wall_s: float
    days: int
    zone: tzinfo | None
    status: UnitStatus | None
    age_s: float | None
    blind: bool
    calm: Calm
    sessions: dict[str, VisitSession]  # finding that stands -> its diagnosis, with the meter readings made since
    stories: list[Episode]  # as people were told them
    occurrences: list[Occurrence]
    acts: list[Act]
    cycles: list[tuple[float, Cycle]]
    lanes: list[Lane]
    points: dict[str, list[StoredPoint]]
    close: list[Close]
    starts: list[StoredStart]
    meter: list[MeterReading]
    visits: list[StoredVisit]
    score: VisitScore
    health: Health


def check_days(days: int) -> None:
    """Raise CommandError for more days than a report can be of."""
    most = int(limits.REPORT.days_most.value)
    if not 1 <= days <= most:
        raise CommandError("report: days", days, f"1 to {most}")


def gather(
    history: StorageQueries, settings: Settings, days: int, *, wall_s: float, zone: tzinfo | None = None
) -> ReportFacts:
    """Read what the report tells of the last `days` before `wall_s`. Raises CommandError for too many days."""
    check_days(days)
    from_s = wall_s - days * _DAY_S
    status, age_s = history.status(), history.status_age_s()
    blind = status is None or age_s is None or age_s > settings.stale_s
    seen_s = None if status is None or not blind else status.wall_s
    meter = history.meter_readings(limit=500, since_wall_s=from_s)
    events = [
        row for row in history.latest_events(int(limits.REPORT.read_most.value)) if (row.wall_s or 0.0) >= from_s
    ][::-1]
    occurrences = _occurrences(events)
    return ReportFacts(
        settings=settings,
        address=page_address(settings),
        made_wall_s=wall_s,
        from_wall_s=from_s,
        days=days,
        zone=zone,
        status=status,
        age_s=age_s,
        blind=blind,
        calm=calm(status, stale=blind, faults=history.fault_count()),
        sessions={}
        if status is None
        else {
            one.name: resumed_visit(history, settings, one, status) for one in status.findings if one.name in CATALOGUE
        },
        stories=[] if status is None else [one for one in status.episodes if (one.over_wall_s or wall_s) >= from_s],
        occurrences=occurrences,
        acts=_acts(events),
        cycles=history.cycles(from_s, wall_s + 1.0, limit=5000),
        lanes=_lanes(history, from_s, wall_s, seen_s),
        points=_points(history, settings, from_s, wall_s),
        close=[_close(history, settings, one, wall_s, seen_s) for one in _worth_closer(occurrences)],
        starts=[row for row in history.starts(500) if row.wall_s is None or row.wall_s >= from_s],
        meter=meter,
        visits=history.visits(50),
        score=history.score(),
        health=history.health(),
    )


def _occurrences(events: Sequence[StoredEvent]) -> list[Occurrence]:
    """The findings of the span, oldest first; one that comes again before anything else came is one episode."""
    found: list[Occurrence] = []
    standing: dict[str, int] = {}
    for row in events:
        body = row.body
        if not isinstance(body, Change) or row.wall_s is None or body.change is ChangeKind.REVISED:
            continue
        if body.change is ChangeKind.RAISED:
            _begin(found, standing, body, row.wall_s)
        elif body.finding in standing:
            place = standing.pop(body.finding)
            found[place] = msgspec.structs.replace(found[place], ended_wall_s=row.wall_s)
    return found


def _begin(found: list[Occurrence], standing: dict[str, int], body: Change, wall_s: float) -> None:
    if found and found[-1].last.finding == body.finding:
        raised = (*found[-1].raised_wall_s, wall_s)
        found[-1] = msgspec.structs.replace(found[-1], last=body, raised_wall_s=raised, ended_wall_s=None)
    else:
        found.append(Occurrence(number=len(found) + 1, last=body, raised_wall_s=(wall_s,), ended_wall_s=None))
    standing[body.finding] = len(found) - 1


def _acts(events: Sequence[StoredEvent]) -> list[Act]:
    return [
        Act(wall_s=row.wall_s, change=row.body)
        for row in events
        if isinstance(row.body, AlertChange) and row.body.by and row.wall_s is not None
    ]


def _worth_closer(occurrences: Sequence[Occurrence]) -> list[Occurrence]:
    """The last episode of each finding, the newest of them; of those that came together the first stands for all."""
    last: dict[str, Occurrence] = {}
    for episode in occurrences:
        last[episode.last.finding] = episode
    apart: list[Occurrence] = []
    for episode in sorted(last.values(), key=lambda one: one.raised_wall_s[-1]):
        if not apart or episode.raised_wall_s[-1] - apart[-1].raised_wall_s[-1] > limits.REPORT.close_s.value / 4:
            apart.append(episode)
    return apart[-int(limits.REPORT.close_ups.value) :] if limits.REPORT.close_ups.value else []


def _close(
    history: StorageQueries, settings: Settings, episode: Occurrence, wall_s: float, seen_s: float | None
) -> Close:
    at_s = episode.raised_wall_s[-1]
    from_s, to_s = at_s - limits.REPORT.close_s.value, min(at_s + limits.REPORT.close_s.value, wall_s)
    return Close(
        wall_s=at_s,
        number=episode.number,
        finding=episode.last.finding,
        from_s=from_s,
        to_s=to_s,
        lanes=_lanes(history, from_s, to_s, seen_s),
        points=_points(history, settings, from_s, to_s),
    )


def _points(history: StorageQueries, settings: Settings, from_s: float, to_s: float) -> dict[str, list[StoredPoint]]:
    names = [name for name in TRACED if name in settings.fitted]
    return {name: history.readings(name, from_s, to_s, int(limits.REPORT.points.value)) for name in names}


def _lanes(history: StorageQueries, from_s: float, to_s: float, seen_s: float | None) -> list[Lane]:
    """Lanes of a span. Where nothing was seen after `seen_s`, what lasted then is not known since."""
    return ended(history.lanes(from_s, to_s), None if seen_s is None or seen_s >= to_s else seen_s)
