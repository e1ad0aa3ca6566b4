"""The inference core beside its own cycle machine written in a well-known state-machine library (`transitions`, MIT).

The library's machine does the least of what the core does: it is told the standing facts at each scan, and moves
through the same states by the same rows (monitor/cycle.py). Belief, findings, alerts and trends are not in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from monitor import cycle
from monitor.beliefs import Sensing
from monitor.config import Settings
from monitor.cycle import Signal
from monitor.engine import Engine
from monitor.links import Facts, facts
from monitor.records import CycleState, Scan
from tests.benchmarks.table import Row, rate, took_each_s
from tests.monitor.units import ALL, REST, RUN, UNIT, scans

SETTINGS = Settings(unit=UNIT)


class Mover:
    """The model that the library moves; it gives it `state` and a method for each signal."""

    state: str


def library_machine() -> Mover:
    """The cycle machine in the library: states, and each signal a trigger with one row a state."""
    from transitions import Machine  # the extra `bench`

    mover = Mover()
    machine: Any = Machine(
        mover, states=[state.value for state in CycleState], initial="unknown", auto_transitions=False, send_event=False
    )
    for state, row in cycle.TRANSITIONS.items():
        for signal, after in row.items():
            machine.add_transition(f"take_{signal.name.lower()}", state.value, after.value)
    return mover


def triggers(mover: Mover) -> dict[Signal, Callable[[], object]]:
    """A signal's trigger."""
    return {signal: getattr(mover, f"take_{signal.name.lower()}") for signal in Signal}


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
    sensing, found = Sensing(SETTINGS, ALL), []
    for scan in stream:
        sensing.take(scan)
        found.append(facts(sensing))
    return found


def rows() -> list[Row]:
    """The core, and the machine alone, beside the library."""
    stream = story()
    believed = [cycle.signals(fact) for fact in facts_of(stream)]

    def library() -> None:
        act = triggers(library_machine())
        for signals in believed:
            for signal in signals:
                act[signal]()

    def core() -> None:
        take = Engine(SETTINGS, fitted=ALL).take
        for scan in stream:
            take(scan)

    def ours() -> None:
        state = CycleState.UNKNOWN
        for signals in believed:
            state = cycle.step(state, signals)

    core_s, ours_s, library_s = took_each_s((core, ours, library), turns=5)
    count = len(stream)
    floor = ("the machine alone in `transitions`", count / library_s)
    return [
        rate("cycle machine", count / ours_s, "scans/s", floor, "20 times the library: at most 0.05"),
        rate("inference core, whole", count / core_s, "scans/s", floor),
    ]
