"""A stretch of a unit's life at the level of readings, kept in a history as the service would keep it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

from condenser_monitor.monitor.core.records import Event, Scan, StartTransient
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.rig import ReadingsRig

_TOGETHER = 200  # steps that are written at once where not every scan is kept
_AFTER_CHANGE_S, _AT_LEAST_S = 15.0, 600.0
Keep = Literal["all", "changes", "events"]


def live(rig: ReadingsRig, history: History, until_s: float, *, keep: Keep = "all") -> None:
    """Move the rig's time to `until_s` and keep what the engine says.

    `keep` "changes": the readings while something switches, and every ten minutes, which is enough for what ran when.
    "events": none; the history then knows events, cycles and the last status only, which is all that the broker is
    told of the past.
    """
    deferred, kept_s, changed_s, was = 0, 0.0, 0.0, None
    for item in rig.scans(until_s):
        if isinstance(item, StartTransient):
            rig.feed(item)
            continue
        scan = _dated(item, rig.wall_0_s)
        events = [*rig.feed(scan), *rig.engine.tick(scan.t_s, scan.wall_s)]
        if (now := (scan.call, scan.load)) != was:
            was, changed_s = now, scan.t_s
        wanted = keep != "events" and (scan.t_s - changed_s < _AFTER_CHANGE_S or scan.t_s - kept_s >= _AT_LEAST_S)
        if events or wanted or keep == "all":
            kept_s = scan.t_s
            deferred = 0 if deferred >= _TOGETHER else deferred + 1
            _keep(rig, history, events, scan=None if keep == "events" else scan, defer=keep != "all" and deferred > 0)
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
