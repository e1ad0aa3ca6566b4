"""The inference core beside its own cycle machine written in a well-known state-machine library (`transitions`, MIT).

Two floors. The cycle machine alone: the library's is told the standing facts at each scan, and moves through the same
states by the same rows (monitor/core/cycle.py). And all machines of the core (library.py): senses, cycle and findings,
fed with each scan. Suspects, evidence, alerts and trends are in neither.
"""

from __future__ import annotations

from collections.abc import Sequence

from condenser_monitor.monitor.core import cycle
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.inputs import DebouncedInputs
from condenser_monitor.monitor.core.links import Facts, facts
from condenser_monitor.monitor.core.records import CycleState, Scan
from condenser_monitor.monitor.engine import Engine
from tests.benchmarks.table import Row, rate, took_each_s
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
    scans,
)

SETTINGS = Settings(unit=UNIT)


def story(hours: float = 1.0) -> list[Scan]:
    """A plain day's share: rest and run by turns, a scan a second, the numbers a little restless."""
    parts = [(600.0, REST), (900.0, RUN)] * max(1, round(hours * 2.4))
    return [
        Scan(**{name: getattr(scan, name) for name in ("t_s", *ALL)} | _restless(place, scan))
        for place, scan in enumerate(scans(*parts))
    ]


def _restless(place: int, scan: Scan) -> dict[str, float]:
    return {
        name: getattr(scan, name) * (1 + 0.004 * (place * step % 7 - 3))
        for name, step in (("compressor_a", 3), ("fan_a", 5), ("control_v", 2))
    }


def facts_of(stream: Sequence[Scan]) -> list[Facts]:
    """What is believed at each scan."""
    sensing, found = DebouncedInputs(SETTINGS, ALL), []
    for scan in stream:
        sensing.update(scan)
        found.append(facts(sensing))
    return found


def rows() -> list[Row]:
    """The core, and the machine alone, beside the library."""
    stream = story()
    believed = [cycle.signals(fact) for fact in facts_of(stream)]

    from tests.benchmarks import library  # the extra `bench`

    def library_cycle() -> None:
        act = library.triggers(library.cycle_machine())
        for signals in believed:
            for signal in signals:
                act[signal]()

    def core() -> None:
        feed = Engine(SETTINGS, fitted=ALL).feed
        for scan in stream:
            feed(scan)

    def ours() -> None:
        state = CycleState.UNKNOWN
        for signals in believed:
            state = cycle.step(state, signals)

    def library_core() -> None:
        take = library.Core(SETTINGS, ALL).take
        for scan in stream:
            take(scan)

    core_s, ours_s, cycle_s, machines_s = took_each_s((core, ours, library_cycle, library_core))
    count = len(stream)
    alone = ("the cycle machine in `transitions`", count / cycle_s)
    whole = ("its machines in `transitions`", count / machines_s)
    aim = "20 times the library: at most 0.05"
    return [
        rate("cycle machine", count / ours_s, "scans/s", alone, aim),
        rate("inference core, whole", count / core_s, "scans/s", whole, aim),
        rate("inference core, whole", count / core_s, "scans/s", alone),
    ]
