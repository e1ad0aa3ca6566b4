"""The machine of one cooling cycle: total table, place found from the facts alone, the record of a finished cycle."""

from __future__ import annotations

from itertools import product

import pytest

from condenser_monitor.monitor.core.cycle import (
    TRANSITIONS,
    Signal,
    signals,
    step,
)
from condenser_monitor.monitor.core.links import Facts, contacts_closed, either
from condenser_monitor.monitor.core.records import Cycle, CycleState
from tests.monitor.units import (
    REST,
    RUN,
    but,
    events,
    scans,
)

S = CycleState


def test_table_is_total() -> None:
    """Every state is a key, and every state answers every signal."""
    assert set(TRANSITIONS) == set(CycleState)
    for row in TRANSITIONS.values():
        assert set(row) == set(Signal)
        assert set(row.values()) <= set(CycleState)


def _facts(call: bool | None, load: bool | None, compressor: bool | None) -> Facts:
    runs = either(compressor, None)
    return Facts(call=call, load=load, compressor=compressor, runs=runs, contacts=contacts_closed(load, runs))


@pytest.mark.parametrize(("call", "load", "runs"), list(product((True, False, None), repeat=3)))
def test_state_depends_on_the_facts_alone(call: bool | None, load: bool | None, runs: bool | None) -> None:
    """From whatever state, the same facts lead to the same state; feeding them again changes nothing."""
    fed = signals(_facts(call, load, runs))
    places = {step(state, fed) for state in CycleState}
    assert len(places) == 1
    place = places.pop()
    assert step(place, fed) is place


@pytest.mark.parametrize(
    ("call", "load", "runs", "state"),
    [
        (False, False, False, S.IDLE),
        (True, False, False, S.CALLED),
        (True, True, False, S.CLOSED),
        (True, True, True, S.RUNNING),
        (False, True, True, S.OVERRUN),
        (False, True, False, S.OVERRUN),
        (None, None, None, S.UNKNOWN),
        (None, None, True, S.RUNNING),
        (None, None, False, S.IDLE),
        (True, None, None, S.CALLED),
        (True, None, True, S.RUNNING),
        (True, None, False, S.CALLED),
    ],
)
def test_states_mean_what_they_say(call: bool | None, load: bool | None, runs: bool | None, state: CycleState) -> None:
    """The six states by the facts that make them."""
    assert step(S.UNKNOWN, signals(_facts(call, load, runs))) is state


def _cycles(*parts: tuple[float, dict[str, object]], every_s: float = 1.0) -> list[Cycle]:
    return [event for event in events(scans(*parts, every_s=every_s)) if isinstance(event, Cycle)]


def test_record_of_a_whole_cycle() -> None:
    """Delays, lengths and means of a cycle of known making: 2 s to pull in, 5 s more to run, 600 s of run."""
    called = but(RUN, load=False, compressor_a=0.0, fan_a=0.0)
    closed = but(RUN, compressor_a=0.0)
    (cycle,) = _cycles(
        (100, REST), (2, called), (5, closed), (300, RUN), (300, but(RUN, compressor_a=11.0)), (60, REST)
    )
    assert (cycle.started_s, cycle.stopped_s, cycle.start_seen) == (100, 707, True)
    assert (cycle.pull_in_s, cycle.run_delay_s, cycle.run_s) == (2, 7, 600)
    assert (cycle.closings, cycle.compressor_starts) == (1, 1)
    assert cycle.compressor_a == pytest.approx(10.0, abs=0.05)
    assert cycle.compressor_max_a == 11.0
    assert cycle.control_v == pytest.approx(25.4, abs=0.1)
    assert cycle.outdoor_c == pytest.approx(31.0)


def test_start_that_was_not_seen_is_not_counted() -> None:
    """A recording that begins in a run gives a cycle without start, pull-in, closing or delay."""
    (cycle,) = _cycles((100, RUN), (60, REST))
    assert not cycle.start_seen
    assert (cycle.pull_in_s, cycle.run_delay_s) == (None, None)
    assert (cycle.closings, cycle.compressor_starts) == (0, 0)


def test_restarts_within_one_call_belong_to_one_cycle() -> None:
    """The contacts open and close again under one call: one cycle, two closings, two starts."""
    opened = but(RUN, load=False, compressor_a=0.0, fan_a=0.0)
    (cycle,) = _cycles((60, REST), (200, RUN), (8, opened), (200, RUN), (60, REST))
    assert (cycle.closings, cycle.compressor_starts) == (2, 2)
    assert cycle.run_s == 400
