"""Messages as a monitor sends them, made from the records of the program."""

from __future__ import annotations

from typing import Any

import msgspec

from condenser_monitor.monitor.core.records import (
    AlertChange,
    AlertState,
    Change,
    ChangeKind,
    Cycle,
    Severity,
)
from condenser_monitor.monitor.fleet.messages import Aside, SiteMessage, read
from condenser_monitor.monitor.publishers.messages import ROOT
from condenser_monitor.monitor.storage.schema import message_id

NOON = 1_784_030_400.0  # 2026-07-14T12:00:00Z
Raw = tuple[str, bytes]


def numbered(site: str, topic: str, record: Any, seq: int, origin: str = "o1") -> Raw:
    """A record with its number and stable id, on its topic."""
    body = {**msgspec.to_builtins(record), "id": message_id(origin, topic, seq), "seq": seq}
    return f"{ROOT}/{site}/{topic}", msgspec.json.encode(body)


def finding(
    site: str,
    seq: int,
    change: str,
    name: str = "call-without-pull-in",
    *,
    wall_s: float | None = NOON,
    severity: Severity = Severity.URGENT,
    suspects: tuple[str, ...] = ("coil-open", "loose-connection"),
    origin: str = "o1",
) -> Raw:
    """One change of a finding."""
    record = Change(
        t_s=float(seq),
        wall_s=wall_s,
        change=ChangeKind(change),
        finding=name,
        severity=severity,
        suspects=suspects,
        evidence={"control_v": 26.4},
        summary=f"{name} at {seq}",
    )
    return numbered(site, "events", record, seq, origin)


def alert(site: str, seq: int, state: AlertState, name: str = "call-without-pull-in", by: str | None = None) -> Raw:
    """One step of an alert's life."""
    record = AlertChange(
        t_s=float(seq),
        wall_s=NOON + seq,
        finding=name,
        state_was=AlertState.UNACKED,
        state=state,
        severity=Severity.URGENT,
        tell="no",
        summary="",
        by=by,
    )
    return numbered(site, "events", record, seq)


def cycle(site: str, seq: int, *, wall_s: float | None = NOON, run_s: float = 900.0, **numbers: float | None) -> Raw:
    """One finished cycle."""
    empty: dict[str, Any] = dict.fromkeys(Cycle.__struct_fields__)
    given = {"compressor_a": 11.8, "outdoor_c": 33.0, **numbers}
    fixed = {"started_s": 0.0, "stopped_s": run_s, "start_seen": True, "closings": 1, "compressor_starts": 1}
    record = Cycle(**{**empty, **fixed, **given, "run_s": run_s, "started_wall_s": wall_s})
    return numbered(site, "cycles", record, seq)


def unit(site: str, *, wall_s: float | None = NOON, findings: tuple[str, ...] = (), **more: Any) -> Raw:
    """The retained state of a unit; only what the fleet reads."""
    stand = [{"name": name, "severity": "urgent", "suspects": ["coil-open"], "summary": name} for name in findings]
    body = {"cycle": "idle", "wall_s": wall_s, "findings": stand, "readings": {"outdoor_c": 34.5}, **more}
    return f"{ROOT}/{site}/unit", msgspec.json.encode(body)


def received(raws: list[Raw], at: float = NOON + 5) -> list[SiteMessage | Aside]:
    """The same messages as the fleet reads them off the broker."""
    return [read(topic, payload, at) for topic, payload in raws]
