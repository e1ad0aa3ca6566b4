"""What stands at a site now, folded from its events and its `unit` messages, in whatever order they arrive.

Events carry a rank, their place in the site's life by number, never by date: a clock that lost its time in a power cut
must not hide an alarm. An event of a lower rank than the one that made a row changes nothing, so a change that was
asked for again cannot bring back a fault that has been cleared since. A `unit` message says the whole truth at the rank
of the last event that the site had numbered, and corrects what the events did not (yet) say. Pure.
"""

from __future__ import annotations

import msgspec

from condenser_monitor.monitor.core.records import ChangeKind
from condenser_monitor.monitor.fleet.messages import placed_at
from condenser_monitor.monitor.publishers.messages import Event, UnitFinding, UnitNow

OFFICE = "office-"  # how the names of findings begin that the office made itself: inference.py


class ActiveAlerts(msgspec.Struct, kw_only=True):
    """One row of the table `standing`: the finding with its alert, standing (`active`) or gone."""

    site_id: int
    finding: str
    active: bool = False
    severity: str
    since_at: float
    changed_at: float
    suspects: str = "[]"
    evidence: str = "{}"
    summary: str = ""
    rank: float = 0.0
    unit_at: float | None = None
    alert_state: str = ""
    alert_by: str = ""
    alert_rank: float = 0.0


Rows = dict[str, ActiveAlerts]  # by finding, of one site


def apply_event(rows: Rows, event: Event, *, site_id: int, rank: float, at: float) -> ActiveAlerts | None:
    """Fold one event in; the changed row, or None when the event is older than what is known."""
    row = rows.get(event.finding)
    if row is None:
        row = ActiveAlerts(
            site_id=site_id, finding=event.finding, severity=event.severity.value, since_at=at, changed_at=at
        )
    changed = _alert(row, event, rank) if event.change is None else _change(row, event, rank, at)
    if changed:
        rows[event.finding] = row
    return row if changed else None


def _alert(row: ActiveAlerts, event: Event, rank: float) -> bool:
    if event.state is None or rank <= row.alert_rank:
        return False
    row.alert_state, row.alert_by, row.alert_rank = event.state.value, event.by or "", rank
    return True


def _change(row: ActiveAlerts, event: Event, rank: float, at: float) -> bool:
    if rank <= row.rank:
        return False
    active = event.change is not ChangeKind.CLEARED
    if active and not row.active:
        row.since_at = at
    if active:
        _describe(row, event)
    row.active, row.changed_at, row.rank, row.unit_at = active, at, rank, None
    return True


def _describe(row: ActiveAlerts, source: Event | UnitFinding) -> None:
    row.severity = source.severity.value
    row.suspects = msgspec.json.encode(source.suspects).decode()
    row.evidence = bytes(source.evidence).decode()
    row.summary = source.summary


def apply_unit(rows: Rows, unit: UnitNow, *, site_id: int, rank: float, at: float) -> list[ActiveAlerts]:
    """Correct the rows by what the site says stands; the rows that this changed. `rank` is that of the last event that
    the site had numbered then: what a later event made is left. What the office itself found is the office's."""
    if not rows and not unit.findings:
        return []
    stands = {finding.name: finding for finding in unit.findings if not finding.name.startswith(OFFICE)}
    ours = (row for row in rows.values() if row.active and not row.finding.startswith(OFFICE))
    changed = [row for row in ours if row.finding not in stands and row.rank <= rank]
    for row in changed:
        row.active, row.changed_at, row.unit_at, row.rank = False, at, at, rank
    for finding in stands.values():
        raised = _stand(rows, finding, site_id, rank, at)
        if raised is not None:
            changed.append(raised)
    return changed


def _stand(rows: Rows, finding: UnitFinding, site_id: int, rank: float, at: float) -> ActiveAlerts | None:
    row = rows.get(finding.name)
    since_at = min(placed_at(finding.raised_wall_s, at), at)
    if row is not None and row.active:  # the site knows best since when
        changed = row.rank <= rank and finding.raised_wall_s is not None and row.since_at != since_at
        row.since_at = since_at if changed else row.since_at
        return row if changed else None
    if row is not None and row.rank > rank:
        return None
    if row is None:
        row = ActiveAlerts(
            site_id=site_id, finding=finding.name, severity=finding.severity.value, since_at=at, changed_at=at
        )
        rows[finding.name] = row
    _describe(row, finding)
    row.active, row.since_at, row.changed_at, row.unit_at, row.rank = True, since_at, at, at, rank
    return row
