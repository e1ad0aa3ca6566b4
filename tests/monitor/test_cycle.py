"""The machine of one cooling cycle: total table, place found from the facts alone, the record of a finished cycle."""

from __future__ import annotations

from itertools import product

import pytest

from condenser_monitor.monitor.core.cycle import TRANSITIONS, CycleWatch, Minute, Signal, signals, step
from condenser_monitor.monitor.core.links import Facts, contacts_closed, either
from condenser_monitor.monitor.core.records import Cycle, CycleState, Scan
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


def test_scans_after_the_end_of_a_call_are_no_part_of_its_means() -> None:
    """With a scan every 5 s a run of a minute has twelve: those of the stop would take a fifth of its amps away."""
    (cycle,) = _cycles((100, REST), (60, RUN), (60, REST), every_s=5.0)
    means = (cycle.compressor_a, cycle.coil_a, cycle.control_v)
    assert means == pytest.approx((RUN["compressor_a"], RUN["coil_a"], RUN["control_v"]))


def test_a_coil_repaired_in_the_middle_of_a_call_is_no_slow_pull_in() -> None:
    """The call stood for 50 s before the contacts closed, and that was found: the delay is not known."""
    dead = but(RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
    (cycle,) = _cycles((100, REST), (50, dead), (300, RUN), (60, REST))
    assert (cycle.pull_in_s, cycle.run_delay_s, cycle.closings) == (None, None, 1)


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


# ---------------------------------------------------------------- the machine by itself

AT_REST = Facts(call=False, load=False, contacts=False, compressor=False, runs=False)
CALLED = AT_REST._replace(call=True)
SHUT = CALLED._replace(load=True, contacts=True)
ON = SHUT._replace(compressor=True, runs=True)


def watched(*parts: tuple[float, Facts]) -> tuple[CycleWatch, list[Cycle]]:
    """What is believed from when on; the watch, and the records that it made."""
    watch = CycleWatch()
    made = [watch.update(facts, at_s, 1000.0 + at_s) for at_s, facts in parts]
    return watch, [one for one in made if one is not None]


@pytest.mark.parametrize(
    ("facts", "fed"),
    [
        (Facts(), [Signal.LOST]),
        (Facts(call=True), [Signal.CALL]),
        (Facts(call=False, contacts=True), [Signal.NO_CALL, Signal.CLOSED]),
        (Facts(call=True, contacts=False, runs=True), [Signal.CALL, Signal.OPEN]),  # what runs there, nobody knows
        (Facts(call=True, runs=False), [Signal.CALL, Signal.REST]),
        (Facts(contacts=False, runs=True), [Signal.NO_CALL, Signal.OPEN]),
        (Facts(contacts=True, runs=False), [Signal.CALL, Signal.CLOSED, Signal.REST]),
        (Facts(runs=True), [Signal.CALL, Signal.RUN]),
    ],
)
def test_the_facts_are_fed_in_the_order_of_the_chain(facts: Facts, fed: list[Signal]) -> None:
    """Where no sensor tells the call, the contacts stand for it, or else the motors."""
    assert signals(facts) == fed


def test_a_state_lasts_since_the_change_that_brought_it() -> None:
    """And a change that leaves it as it is does not begin it again."""
    watch, _ = watched((5.0, AT_REST), (10.0, CALLED), (11.0, CALLED._replace(fan=False)))
    assert (watch.state, watch.since_s) == (S.CALLED, 10.0)
    assert watch.running_since_s is None
    watch.update(SHUT, 12.0, None)
    watch.update(ON, 13.0, None)
    assert (watch.state, watch.since_s, watch.running_since_s) == (S.RUNNING, 13.0, 13.0)
    watch.update(AT_REST, 20.0, None)
    assert (watch.state, watch.since_s, watch.running_since_s) == (S.IDLE, 20.0, None)


def test_a_closing_is_counted_once_whatever_falls_silent_meanwhile() -> None:
    """The contacts' sensor goes and comes back while they stay closed."""
    silent = ON._replace(load=None, contacts=None)
    _, (cycle,) = watched(
        (0.0, AT_REST), (10.0, CALLED), (12.0, SHUT), (13.0, ON), (20.0, silent), (30.0, ON), (50.0, AT_REST)
    )
    assert (cycle.closings, cycle.compressor_starts, cycle.run_s) == (1, 1, 37.0)
    assert (cycle.started_wall_s, cycle.pull_in_s, cycle.run_delay_s) == (1010.0, 2.0, 3.0)


def test_only_the_first_closing_tells_how_long_the_contactor_took() -> None:
    """And only its own sensor does: contacts that are inferred from what runs closed sooner."""
    _, (cycle,) = watched((0.0, AT_REST), (10.0, SHUT), (20.0, CALLED), (25.0, SHUT), (50.0, AT_REST))
    assert (cycle.pull_in_s, cycle.closings) == (0.0, 2)
    inferred = Facts(call=True, contacts=True, compressor=True, runs=True)
    rest = Facts(call=False, compressor=False, runs=False)
    _, (cycle,) = watched((0.0, rest), (10.0, rest._replace(call=True)), (12.0, inferred), (50.0, rest))
    assert (cycle.pull_in_s, cycle.closings, cycle.run_delay_s) == (None, 1, 2.0)
    _, (cycle,) = watched((0.0, SHUT), (20.0, CALLED), (25.0, SHUT), (50.0, AT_REST))
    assert (cycle.pull_in_s, cycle.closings) == (None, 1)  # its begin was not seen


def test_a_compressor_whose_sensor_falls_silent_is_not_taken_for_its_fan() -> None:
    """The fan goes on: the run ends when the compressor was last known to run, and its start counts once."""
    fan_only = ON._replace(compressor=None, runs=True)
    _, (cycle,) = watched(
        (0.0, AT_REST), (10.0, ON), (40.0, fan_only), (50.0, ON), (60.0, SHUT), (70.0, ON), (90.0, AT_REST)
    )
    assert (cycle.compressor_starts, cycle.run_s) == (2, 70.0)
    rest, run = (facts._replace(compressor=None) for facts in (AT_REST, ON))
    _, (cycle,) = watched((0.0, rest), (10.0, run), (40.0, rest))
    assert (cycle.compressor_starts, cycle.run_s) == (1, 30.0)


def test_a_compressor_whose_sensor_lies_from_a_calls_begin_on_is_told_by_its_fan() -> None:
    """As one that is missing is: it counted in the cycle before, and is found to lie in the rest."""
    rest, run = (facts._replace(compressor=None) for facts in (AT_REST, ON))
    watch, cycles = watched((0.0, AT_REST), (10.0, ON), (40.0, AT_REST), (50.0, rest), (60.0, run))
    assert watch.running_since_s == 60.0
    assert [cycle.run_s for cycle in cycles] == [30.0]


def test_a_run_that_lasts_until_the_call_goes_is_counted_to_its_end() -> None:
    """And a second start within a cycle whose begin was not seen counts: its stop was seen."""
    _, (cycle,) = watched((0.0, ON), (10.0, SHUT), (15.0, ON), (40.0, AT_REST))
    assert (cycle.start_seen, cycle.compressor_starts, cycle.run_delay_s, cycle.run_s) == (False, 1, None, 35.0)


def test_means_and_highest_of_a_run_are_of_its_scans_alone() -> None:
    """Scans before it, after it and without a reading count for nothing; the next cycle begins without them."""
    watch, _ = watched((0.0, AT_REST), (10.0, SHUT))
    watch.weigh(Scan(t_s=11.0, compressor_a=60.0))
    watch.update(ON, 12.0, None)
    for number, amps in enumerate((8.0, None, 12.0, 10.0)):
        watch.weigh(Scan(t_s=13.0 + number, compressor_a=amps, fan_a=1.0))
    watch.update(SHUT, 20.0, None)
    watch.weigh(Scan(t_s=21.0, compressor_a=0.0, fan_a=0.0))
    cycle = watch.update(AT_REST, 30.0, None)
    assert cycle is not None
    assert (cycle.compressor_a, cycle.compressor_max_a, cycle.fan_a, cycle.coil_a) == (10.0, 12.0, 1.0, None)
    watch.weigh(Scan(t_s=31.0, compressor_a=99.0))
    watch.update(ON, 40.0, None)
    following = watch.update(AT_REST, 50.0, None)
    assert following is not None
    assert (following.compressor_a, following.compressor_max_a) == (None, None)


def test_further_readings_are_kept_beside_to_three_places() -> None:
    """A unit with a meter on the line volts has their mean with the cycle, one without has not."""
    watch = CycleWatch(("line_v", "compressor_a", "liquid_c"))
    watch.update(AT_REST, 0.0, None)
    watch.update(ON, 10.0, None)
    watch.weigh(Scan(t_s=11.0, line_v=240.0, compressor_a=9.0))
    watch.weigh(Scan(t_s=12.0, line_v=241.0, compressor_a=9.0))
    watch.weigh(Scan(t_s=13.0, line_v=241.0, compressor_a=9.0))
    cycle = watch.update(AT_REST, 20.0, None)
    assert cycle is not None
    assert cycle.means == {"line_v": 240.667}


def test_a_minute_is_due_after_sixty_seconds_and_has_its_own_means() -> None:
    """Of the scans since it began, not of the whole run."""
    minute, (watch, _) = Minute(), watched((0.0, AT_REST), (10.0, ON))
    assert minute.deadline_s < 0.0
    watch.weigh(Scan(t_s=11.0, compressor_a=30.0))
    minute.open(12.0, watch)
    assert minute.began_s == 12.0
    assert minute.deadline_s == 72.0
    assert minute.close(72.0, watch)["compressor_a"] is None
    for second in (13.0, 14.0):
        watch.weigh(Scan(t_s=second, compressor_a=second))
    assert minute.close(72.0, watch)["compressor_a"] == pytest.approx(13.5)


def test_a_run_whose_end_was_not_seen_lasts_to_the_end_of_its_cycle() -> None:
    """Everything falls silent in the middle of a run: what was known of it is kept, and nothing runs any more."""
    watch, _ = watched((0.0, AT_REST), (10.0, ON))
    watch.weigh(Scan(t_s=11.0, compressor_a=9.0))
    watch.weigh(Scan(t_s=12.0, compressor_a=12.0))
    assert watch.means["compressor_a"].highest == 12.0
    watch.weigh(Scan(t_s=13.0, compressor_a=10.0))
    cycle = watch.update(Facts(), 70.0, None)
    assert cycle is not None
    assert (cycle.run_s, cycle.stopped_s, cycle.compressor_max_a) == (60.0, 70.0, 12.0)
    assert watch.running_since_s is None
    watch.update(ON, 80.0, None)
    assert watch.running_since_s == 80.0


def test_a_start_counts_where_the_stop_before_it_was_seen() -> None:
    """In a cycle whose begin was not seen, with a sensor that falls silent between stop and start."""
    silent = SHUT._replace(compressor=None, runs=None)
    _, (cycle,) = watched((0.0, ON), (10.0, SHUT), (12.0, silent), (15.0, ON), (40.0, AT_REST))
    assert cycle.compressor_starts == 1


def test_a_minute_with_one_fresh_scan_has_means() -> None:
    """Of a reading that came for the first time within it, too."""
    minute, (watch, _) = Minute(), watched((0.0, AT_REST), (10.0, ON))
    minute.open(10.0, watch)
    watch.weigh(Scan(t_s=11.0, compressor_a=9.0))
    means = minute.close(70.0, watch)
    assert (means["compressor_a"], means["fan_a"]) == (9.0, None)
