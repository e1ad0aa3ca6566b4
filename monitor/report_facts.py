"""(edge) What the report is made of, read from a history: one record, so that everything after it is pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

import msgspec

from monitor import limits
from monitor.config import Settings
from monitor.diagnose import Session
from monitor.errors import CommandError
from monitor.kept import Health, Kept, Lane, MeterReading, Point, Score, Start, Visit
from monitor.lookups import Lookups
from monitor.records import Change, ChangeKind, Cycle, Finding, LinkState, UnitStatus

_N = {name: limit.value for name, limit in limits.REPORT.items()}
_DAY_S = 86400.0
TRACED = ("compressor_a", "fan_a", "control_v", "coil_a", "outdoor_c")


class Close(msgspec.Struct, frozen=True, kw_only=True):
    """The time around one finding, seen closely."""

    wall_s: float
    number: int
    finding: str
    from_s: float
    to_s: float
    lanes: list[Lane]
    points: dict[str, list[Point]]


class Step(msgspec.Struct, frozen=True, kw_only=True):
    """One step of the story: a row of the outbox, and the number by which pictures point to it (0: none)."""

    kept: Kept
    number: int


class Facts(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the report tells. Times are wall seconds; `blind`: the status is too old to be believed."""

    settings: Settings
    made_wall_s: float
    from_wall_s: float
    days: int
    zone: tzinfo | None
    status: UnitStatus | None
    age_s: float | None
    blind: bool
    sessions: dict[str, Session]  # finding that stands -> its diagnosis, with the meter readings made since
    steps: list[Step]
    cycles: list[tuple[float, Cycle]]
    lanes: list[Lane]
    points: dict[str, list[Point]]
    close: list[Close]
    starts: list[Start]
    meter: list[MeterReading]
    visits: list[Visit]
    score: Score
    health: Health


def gather(history: Lookups, settings: Settings, days: int, *, wall_s: float, zone: tzinfo | None = None) -> Facts:
    """Read what the report tells of the last `days` before `wall_s`. Raises CommandError for too many days."""
    most = int(_N["days_most"])
    if not 1 <= days <= most:
        raise CommandError("report: days", days, f"1 to {most}")
    from_s = wall_s - days * _DAY_S
    status, age_s = history.status(), history.status_age_s()
    stale_s = max(limits.WEB["stale_s"].value, settings.boards.scan_s * limits.WEB["stale_scans"].value)
    blind = status is None or age_s is None or age_s > stale_s
    seen_s = None if status is None or not blind else status.wall_s
    meter = history.meter_readings(limit=500, since_wall_s=from_s)
    steps = _steps(history, from_s)
    return Facts(
        settings=settings,
        made_wall_s=wall_s,
        from_wall_s=from_s,
        days=days,
        zone=zone,
        status=status,
        age_s=age_s,
        blind=blind,
        sessions={} if status is None else _sessions(status.findings, settings, meter),
        steps=steps,
        cycles=history.cycles(from_s, wall_s + 1.0, limit=5000),
        lanes=_lanes(history, from_s, wall_s, seen_s),
        points=_points(history, settings, from_s, wall_s),
        close=[_close(history, settings, step, wall_s, seen_s) for step in _worth_closer(steps)],
        starts=[row for row in history.starts(500) if row.wall_s is None or row.wall_s >= from_s],
        meter=meter,
        visits=history.visits(50),
        score=history.score(),
        health=history.health(),
    )


def _steps(history: Lookups, from_s: float) -> list[Step]:
    """The newest events of the span, oldest first; findings raised are numbered."""
    rows = [row for row in history.latest_events(int(_N["events"]) * 3) if row.wall_s is None or row.wall_s >= from_s]
    changes = [row for row in rows if not (isinstance(row.body, Change) and row.body.change is ChangeKind.REVISED)]
    found: list[Step] = []
    number = 0
    for row in reversed(changes[: int(_N["events"])]):
        raised = isinstance(row.body, Change) and row.body.change is ChangeKind.RAISED
        number += raised
        found.append(Step(kept=row, number=number if raised else 0))
    return found


def _worth_closer(steps: Sequence[Step]) -> list[Step]:
    """The last time each finding was raised, the newest of them."""
    last: dict[str, Step] = {}
    for step in steps:
        if step.number and step.kept.wall_s is not None and isinstance(step.kept.body, Change):
            last.pop(step.kept.body.finding, None)
            last[step.kept.body.finding] = step
    return list(last.values())[-int(_N["close_ups"]) :] if _N["close_ups"] else []


def _close(history: Lookups, settings: Settings, step: Step, wall_s: float, seen_s: float | None) -> Close:
    assert isinstance(step.kept.body, Change)
    assert step.kept.wall_s is not None
    from_s, to_s = step.kept.wall_s - _N["close_s"], min(step.kept.wall_s + _N["close_s"], wall_s)
    return Close(
        wall_s=step.kept.wall_s,
        number=step.number,
        finding=step.kept.body.finding,
        from_s=from_s,
        to_s=to_s,
        lanes=_lanes(history, from_s, to_s, seen_s),
        points=_points(history, settings, from_s, to_s),
    )


def _points(history: Lookups, settings: Settings, from_s: float, to_s: float) -> dict[str, list[Point]]:
    names = [name for name in TRACED if name in settings.fitted]
    return {name: history.readings(name, from_s, to_s, int(_N["points"])) for name in names}


def _lanes(history: Lookups, from_s: float, to_s: float, seen_s: float | None) -> list[Lane]:
    """Lanes of a span. Where nothing was seen after `seen_s`, what lasted then is not known since."""
    found = []
    for row in history.lanes(from_s, to_s):
        if row.to_wall_s is not None or seen_s is None or seen_s >= to_s:
            found.append(row)
            continue
        end_s = max(seen_s, row.from_wall_s)
        found.append(msgspec.structs.replace(row, to_wall_s=end_s))
        found.append(Lane(name=row.name, state=LinkState.UNKNOWN, from_wall_s=end_s, to_wall_s=None))
    return found


def _sessions(findings: Sequence[Finding], settings: Settings, meter: Sequence[MeterReading]) -> dict[str, Session]:
    return {finding.name: _session(finding, settings, meter) for finding in findings}


def _session(finding: Finding, settings: Settings, meter: Sequence[MeterReading]) -> Session:
    session = Session.from_finding(finding, unit=settings.unit, fitted=settings.fitted)
    for reading in reversed(meter):
        since = finding.raised_wall_s is None or reading.wall_s is None or reading.wall_s >= finding.raised_wall_s
        if reading.finding == finding.name and since:
            try:
                session.enter(reading.check, reading.typed)
            except CommandError:
                continue  # kept by another version, whose catalogue knew it
    return session
