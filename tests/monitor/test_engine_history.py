"""What went before tells about what stands: what came and went, what the last runs have in common, what fell silent."""

from __future__ import annotations

from typing import Any

import pytest

from condenser_monitor.monitor.core.records import Change, Cycle, Scan, StartTransient
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    SETTINGS,
    Readings,
    but,
    events,
    raised,
    scans,
)

NO_PULL = but(RUN, load=False, coil_a=0.0, compressor_a=0.0, fan_a=0.0)
LOST_CALL = but(REST, thermostat=True)


def changed(*parts: tuple[float, Readings], engine: Engine | None = None, **how: Any) -> list[Change]:
    return [e for e in events(scans(*parts, **how), engine=engine) if isinstance(e, Change)]


# What opens and closes again by itself; which of them, amps or pipes would tell.
COMES_AND_GOES = {"loose-connection", "pressure-switch", "low-pressure-cutout", "high-pressure-cutout"}


def test_coil_that_worked_again_by_itself_is_not_burnt() -> None:
    """A pressure switch or a joint opens and closes; a burnt coil stays burnt: the second time, those come first."""
    found = changed((60, REST), (60, NO_PULL), (60, RUN), (120, NO_PULL))
    first, again = [e.suspects for e in found if e.change == "raised"]
    assert first[0] == "coil-open"
    assert set(again[:2]) <= COMES_AND_GOES


def test_what_cleared_with_the_call_has_not_worked_again() -> None:
    """The end of the call clears the finding too; that says nothing about the coil."""
    found = changed((60, REST), (60, NO_PULL), (300, REST), (60, NO_PULL))
    assert [e.suspects[0] for e in found if e.change == "raised"] == ["coil-open", "coil-open"]


def test_what_worked_again_is_known_after_a_restart() -> None:
    """The memory carries it, for as long as it tells."""
    first = Engine(SETTINGS, fitted=ALL)
    changed((60, REST), (60, NO_PULL), (60, RUN), engine=first)
    second = Engine(SETTINGS, fitted=ALL, memory=first.memory())
    found = changed((60, RUN), (120, NO_PULL), engine=second)
    assert found[0].suspects[:2] == ("pressure-switch", "loose-connection")


@pytest.mark.parametrize(
    ("fan_a", "first"),
    [(0.0, {"fan-capacitor"}), (2.2, {"fan-capacitor"}), (1.0, COMES_AND_GOES)],
    ids=["still", "stalled", "ran"],
)
def test_fan_that_stood_still_in_all_the_last_runs_is_named_first(fan_a: float, first: set[str]) -> None:
    """Without air a pressure switch ends each run within seconds, long before the fan's own finding is due."""
    run = but(RUN, fan_a=fan_a)
    cycle = ((20, run), (60, LOST_CALL))
    sound_at_first = ((60, REST), (300, RUN), *cycle * 4)
    found = [e for e in changed(*sound_at_first) if e.finding == "short-cycling"]
    assert found[0].suspects[0] in first
    assert ("fan-motor" in found[0].suspects[:2]) == (fan_a != 1.0)


@pytest.mark.parametrize("missing_s", [7, 40])
def test_compressors_sense_that_falls_silent_makes_no_restarts(missing_s: float) -> None:
    """With the compressor dead behind closed contacts, a reading that comes and goes is neither a start nor a stop."""
    dead = but(RUN, compressor_a=0.0)
    silent = but(dead, compressor_a=None)
    parts = ((60, REST), (300, RUN), (60, dead), *((missing_s, silent), (20, dead)) * 6)
    assert raised(*parts) == ["compressor-not-running"]


def test_cycle_counts_no_start_by_the_fan_while_the_compressors_sense_is_silent() -> None:
    """A dead compressor is not started by its sense's silence; nor is a run ended by it."""
    dead = but(RUN, compressor_a=0.0)
    found = events(scans((60, REST), (60, dead), (20, but(dead, compressor_a=None)), (60, dead), (60, REST)))
    assert [(e.compressor_starts, e.run_s) for e in found if isinstance(e, Cycle)] == [(0, 0.0)]
    found = events(scans((60, REST), (60, RUN), (20, but(RUN, compressor_a=None)), (60, RUN), (60, REST)))
    assert [(e.compressor_starts, e.run_s) for e in found if isinstance(e, Cycle)] == [(1, 140.0)]


def test_a_number_not_yet_believed_rules_nobody_out() -> None:
    """At 0.02 Hz the volts sag one scan after the call: while in doubt nothing is raised, and nobody cleared."""
    weak = but(NO_PULL, control_v=15.0, coil_a=0.9)
    stream = [*scans((100, REST), every_s=50.0), *scans((50, NO_PULL), (200, weak), every_s=50.0, from_s=100.0)]
    found = [e for e in events(stream) if isinstance(e, Change) and e.finding == "call-without-pull-in"]
    assert found[0].change.value == "raised"
    assert "control-voltage-weak" in found[0].suspects
    assert found[-1].suspects[0] == "control-voltage-weak"
    assert "coil-open" not in found[-1].suspects


def edge(t_s: float, **flags: bool) -> Scan:
    """Presence alone, as the board tells it between two scans."""
    return Scan(t_s=t_s, **{name: REST[name] for name in ("call", "supply", "load")} | flags)


def test_presence_told_between_scans_makes_no_number_missing() -> None:
    """At one scan a minute, one lost reading and edges of a start before and after it are no silent sense."""
    stream = [*scans((300, REST), every_s=60.0), edge(241.0, call=True), edge(241.1, call=True, load=True)]
    stream += [Scan(t_s=300.0, **but(RUN, fan_a=None)), edge(301.0, call=True), edge(301.1, call=True, load=True)]
    stream += [Scan(t_s=360.0, **RUN), Scan(t_s=420.0, **RUN)]
    assert [e for e in events(stream) if isinstance(e, Change)] == []


def test_numbers_that_stay_away_are_silent_though_presence_is_told_often() -> None:
    """When only presence comes any more, the numbers are silent after sixty seconds, whatever the pace was before."""
    flags = {name: value for name, value in REST.items() if isinstance(value, bool)}
    stream = [*scans((300, REST), every_s=30.0), *(Scan(t_s=300.0 + s, **flags) for s in range(200))]
    found = [e for e in events(stream) if isinstance(e, Change)]
    assert [(e.finding, e.change.value) for e in found] == [("sensor-silent", "raised")]
    assert found[0].t_s <= 300 + 60 + 31


def test_chatter_of_doubted_senses_is_not_short_cycling() -> None:
    """Starts counted while the senses contradict each other are not counted afterwards."""
    ghost = but(REST, compressor_a=9.0)
    parts = ((60, REST), *((30, ghost), (20, REST)) * 6, (600, REST))
    assert set(raised(*parts)) == {"sensing-disagrees"}


def stall_of(t_s: float, held_s: float) -> StartTransient:
    """A captured start of three seconds whose current stood at that of a locked rotor for so long."""
    trace = tuple((0.05 * step, 60.0 if 0.05 * step < held_s else 0.0) for step in range(60))
    return StartTransient(t_s=t_s, duration_s=None, peak_a=62.0, settled_a=None, rate_hz=860.0, trace_a=trace)


@pytest.mark.parametrize(("held_s", "found"), [(3.0, True), (2.4, True), (0.7, False)])
@pytest.mark.parametrize("closing_seen", [True, False])
def test_a_stall_during_a_capture_is_a_locked_rotor(held_s: float, found: bool, closing_seen: bool) -> None:
    """A hot protector opens within the capture, in which no scan is taken; the next scan reads no current at all."""
    engine = Engine(SETTINGS, fitted=ALL)
    dead = but(RUN, compressor_a=0.0)
    rest = [Scan(t_s=float(t_s), **REST) for t_s in range(60)]
    items: list[Scan | StartTransient] = [*rest, stall_of(60.0, held_s)]
    if closing_seen:
        items.insert(-1, Scan(t_s=60.0, call=True, supply=True, load=True))
    items += [Scan(t_s=63.1 + t_s, **dead) for t_s in range(60)]
    feed = [engine.hear(item) for item in items]
    changes = [event for events_ in feed for event in events_ if isinstance(event, Change)]
    assert ("locked-rotor" in {one.finding for one in changes}) == found
    (silent,) = [one for one in changes if one.finding == "compressor-not-running" and one.change == "raised"]
    assert silent.suspects[0] == "run-capacitor"
