"""A stretch of a unit's life at the level of readings, kept in a history as the service would keep it."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from condenser_monitor.monitor.core.records import Event, Scan, StartTransient
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.rig import ReadingsRig

_TOGETHER = 200  # steps that are written at once where only what happened is kept


def live(rig: ReadingsRig, history: History, until_s: float, *, keep_scans: bool = True) -> None:
    """Move the rig's time to `until_s` and keep what the engine says.

    Without `keep_scans` the readings themselves are left out: the history then knows events, cycles and the last
    status only, which is all that the broker is told of the past.
    """
    deferred = 0
    for item in rig.scans(until_s):
        if isinstance(item, StartTransient):
            rig.feed(item)
            continue
        scan = _dated(item, rig.wall_0_s)
        events = [*rig.feed(scan), *rig.engine.tick(scan.t_s, scan.wall_s)]
        if events or keep_scans:
            deferred = 0 if deferred >= _TOGETHER else deferred + 1
            _keep(rig, history, events, scan=scan if keep_scans else None, defer=not keep_scans and deferred > 0)
    _keep(rig, history, (), last=True)


def _dated(scan: Scan, wall_0_s: float | None) -> Scan:
    """A quick scan carries no time of day; the service gives it one, and so does this."""
    if scan.wall_s is not None or wall_0_s is None:
        return scan
    return msgspec.structs.replace(scan, wall_s=wall_0_s + scan.t_s)


def _keep(
    rig: ReadingsRig,
    history: History,
    events: Sequence[Event],
    *,
    scan: Scan | None = None,
    last: bool = False,
    defer: bool = False,
) -> None:
    engine = rig.engine
    history.step(
        now_s=engine.now_s,
        wall_s=engine.wall_s,
        status=engine.status(),
        memory=engine.memory,
        scan=scan,
        events=events,
        last=last,
        defer=defer,
    )
