"""(edge) A diagnosis taken up where monitor and people left it: from a finding that stands and a history."""

from __future__ import annotations

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import Change, Finding, UnitStatus
from condenser_monitor.monitor.diagnosis.checks.base import Who
from condenser_monitor.monitor.diagnosis.evidence import seen_from
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
from condenser_monitor.monitor.storage.queries import StorageQueries


def session(
    history: StorageQueries, settings: Settings, finding: Finding, status: UnitStatus, who: Who = "technician"
) -> VisitSession:
    """The finding's diagnosis: its evidence, what stood lately beside it, and the meter readings made since."""
    seen = seen_from(finding.evidence, settings.unit) | lately(history, finding, status)
    features = {} if status.diagnosis is None else status.diagnosis.features
    made = VisitSession.from_finding(
        finding, unit=settings.unit, fitted=settings.fitted, seen=seen, who=who, features=features
    )
    since_s = finding.raised_wall_s or 0.0
    for reading in reversed(history.meter_readings(limit=500, since_wall_s=since_s)):
        if reading.finding == finding.name:
            try:
                made.enter(reading.check, reading.typed)
            except CommandError:
                continue  # kept by another version, whose catalogue knew it
    return made


def lately(history: StorageQueries, finding: Finding, status: UnitStatus) -> dict[str, str]:
    """`recent:FINDING` -> "yes" for what stands beside it, or has stood since limits.RECENT_S before it was raised."""
    names = {one.name for one in status.findings}
    at_s = finding.raised_wall_s or status.wall_s
    if at_s is not None:
        rows = [row for row in history.latest_events(500) if (row.wall_s or 0.0) >= at_s - limits.RECENT_S.value]
        names |= {row.body.finding for row in rows if isinstance(row.body, Change)}
    return {f"recent:{name}": "yes" for name in names - {finding.name}}
