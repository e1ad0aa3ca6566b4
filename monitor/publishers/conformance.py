"""(edge) What every publisher promises, as a test that its author runs: each message once and in order, through
failures and restarts.

    def test_it_keeps_the_promises(tmp_path):
        hub = Hub()                                   # the author's stand-in for what is published to
        conformance.check(lambda: Mine(hub.address), hub, tmp_path)

`make` makes a publisher that sends to the receiver; the receiver says what has come and can be told to fail. The pauses
between tries are shortened while this runs.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Change, ChangeKind, CycleState, Severity, UnitStatus
from condenser_monitor.monitor.publishers.base import Publisher
from condenser_monitor.monitor.storage.history import History

FAILURES = 5
_PAUSE_S = 0.02
_PATIENCE_S = 60.0
_BEGAN_S = 1_784_052_000.0  # any moment of a clock that was set


class Receiver(Protocol):
    """What the publisher under test sends to."""

    def received(self) -> list[str]:
        """The ids of all messages taken so far, in the order in which they came."""

    def fail(self, times: int) -> None:
        """Refuse the next deliveries, so many, and take none of them."""


def check(make: Callable[[], Publisher], receiver: Receiver, folder: Path) -> None:
    """Hold a publisher to its promises. Raises AssertionError with what it did not keep."""
    with _hurried():
        first = _Life(make, folder, 0)
        first.publish(3)
        _until(lambda: len(receiver.received()) == 3, f"three messages were to come, not {receiver.received()}")
        receiver.fail(FAILURES)
        first.publish(4)
        _until(lambda: first.error() != "", "a failure was to be shown in History.health().publishers")
        _until(lambda: len(receiver.received()) == 7, f"after {FAILURES} failures seven were to have come")
        _until(lambda: first.error() == "", "what was shown of the failure was to be taken back after a success")
        first.end()

        second = _Life(make, folder, 7)
        second.publish(3)
        _until(lambda: len(receiver.received()) == 10, "after a restart it was to go on from where it was")
        second.end()
        assert second.own_faults == (), f"failures are OSErrors, not faults of the program: {second.own_faults}"

        # Nothing is told twice, or what came before the publisher was there.
        third = _Life(make, folder, 10)
        third.end()
    assert receiver.received() == first.ids + second.ids, "each message was to come once, in order"


class _Life:
    """A history with one publisher, from a start of the program to its end."""

    def __init__(self, make: Callable[[], Publisher], folder: Path, number: int) -> None:
        keep = config.HistorySettings(file=str(folder / "history.db"), live_dir=str(folder / "live"))
        self.history = History(keep.file, owner=True, keep=keep)
        self.publisher, self.number = make(), number
        self.ids: list[str] = []
        self.publisher.start(self.history)

    def publish(self, count: int) -> None:
        """Bring so many steps of the engine, a change in each."""
        for _ in range(count):
            self.number += 1
            change, status = _change(float(self.number)), _status(float(self.number))
            self.history.step(
                now_s=change.t_s,
                wall_s=_BEGAN_S + change.t_s,
                status=status,
                memory=lambda: b"{}",
                events=[change],
            )
            self.ids.append(self.history.events(limit=1000)[-1].id)
            self.publisher.offer([change], status)

    def error(self) -> str:
        """What health says of the publisher."""
        return self.history.health().publishers[self.publisher.name].error

    def end(self) -> None:
        """End as the service does."""
        self.publisher.close()
        self.own_faults = self.history.own_faults()
        self.history.close()


def _change(t_s: float) -> Change:
    return Change(
        t_s=t_s,
        change=ChangeKind.RAISED,
        finding="call-without-pull-in",
        severity=Severity.URGENT,
        suspects=("coil-open",),
        evidence={"control_v": 26.4},
        summary="Called, but not pulled in.",
        wall_s=_BEGAN_S + t_s,
    )


def _status(t_s: float) -> UnitStatus:
    return UnitStatus(
        site="site",
        name="Site",
        t_s=t_s,
        wall_s=_BEGAN_S + t_s,
        cycle=CycleState.CALLED,
        cycle_since_s=0.0,
        links=(),
        readings={},
        findings=(),
        alerts=(),
        break_at=None,
    )


def _until(true: Callable[[], bool], wanted: str) -> None:
    until_s = time.monotonic() + _PATIENCE_S
    while not true():
        assert time.monotonic() < until_s, wanted
        time.sleep(0.01)


@contextmanager
def _hurried() -> Iterator[None]:
    """Pauses of milliseconds instead of minutes."""
    group = limits.PUBLISHERS
    before = group.backoff_first_s, group.backoff_most_s, group.poll_s
    for limit in before:
        setattr(group, limit.key, limit._replace(value=_PAUSE_S))
    try:
        yield
    finally:
        for limit in before:
            setattr(group, limit.key, limit)
