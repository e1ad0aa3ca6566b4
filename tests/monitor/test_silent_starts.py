"""A compressor that draws nothing as it is called, not even the locked-rotor current that its protector lets through
for 2 to 10 s (UL 60335-2-34 and field practice): its lead was never fed, or is open."""

from __future__ import annotations

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import Diagnosed, Scan
from condenser_monitor.monitor.diagnosis.silent_starts import SilentStarts
from tests.monitor.units import REST, RUN, SETTINGS, Readings, but, events, scans

RESTS, RUNS = Facts(call=False, compressor=False, supply=True), Facts(call=True, compressor=True, supply=True)
CALLED = RESTS._replace(call=True)
WAIT_S = limits.SILENT_START_S.value
HOUR = 3600.0


def started(*, ran: bool = True, delay_s: float = 0.0) -> SilentStarts:
    """Rested; called at 1000 s after a run that ended with its call (or stopped under it) at 400 s."""
    starts = SilentStarts(delay_s)
    starts.drew()
    starts.changed(RUNS, RESTS if ran else CALLED, 400.0)
    if not ran:
        starts.changed(CALLED, RESTS, 500.0)
    starts.changed(RESTS, CALLED, 1000.0)
    return starts


@pytest.mark.parametrize(
    ("number", "later_s", "step_s", "says"),
    [
        ("SILENT_START_S", WAIT_S - 1.0, 1.0, False),
        ("SILENT_START_S", WAIT_S, 1.0, True),
        ("STALL_S", 60.0, 5.0, True),
        ("STALL_S", 60.0, 10.0, False),  # every other one
        ("OVERLOAD_MOST_S", limits.OVERLOAD_MOST_S.value - 1.0, 10.1, False),
        ("OVERLOAD_MOST_S", limits.OVERLOAD_MOST_S.value, 10.1, True),  # its protector has closed again since
        ("STALL_MISSED", 12 * HOUR, 60.0, False),  # one in twelve
    ],
)
def test_close_scans_would_have_read_a_stall(number: str, later_s: float, step_s: float, says: bool) -> None:
    """`number` is the border that the time of the look, or the step, lies beside."""
    assert started().seen(CALLED, 1000.0 + later_s, step_s) is says, number


def test_a_second_call_in_which_nothing_is_drawn_tells_where_scans_are_ten_seconds_apart() -> None:
    """And a current that is read, be it a stall's, takes all of it back."""
    starts = started()
    for began_s in (1900.0, 2800.0):
        starts.changed(CALLED, RESTS, began_s - 300.0)
        starts.changed(RESTS, CALLED, began_s)
        assert starts.seen(CALLED, began_s + 60.0, 10.0)
    starts.drew()
    assert not starts.seen(CALLED, 3000.0, 10.0)
    starts.changed(RESTS, CALLED, 3600.0)
    assert not starts.seen(CALLED, 3700.0, 1.0)


def test_a_protector_that_may_be_open_tells_nothing() -> None:
    """It stopped under its call; after a rest of OVERLOAD_MOST_S it is closed."""
    starts = started(ran=False)
    assert not starts.seen(CALLED, 1100.0, 1.0)
    starts.changed(CALLED, RESTS, 1200.0)
    starts.changed(RESTS, CALLED, 1200.0 + limits.OVERLOAD_MOST_S.value)
    assert starts.seen(CALLED, 1300.0 + limits.OVERLOAD_MOST_S.value, 1.0)
    starts.gap()
    assert not starts.seen(CALLED, 13000.0, 1.0)


@pytest.mark.parametrize("facts", [CALLED._replace(supply=False), CALLED._replace(load=False), RESTS, RUNS])
def test_what_is_not_fed_or_runs_is_no_silent_start(facts: Facts) -> None:
    """A dead line, contacts that are seen open, no call, a run."""
    assert not started().seen(facts, 1100.0, 1.0)


def test_a_declared_delay_is_waited_for() -> None:
    """`delay_on_make_s`: nothing is fed before, and the look comes again when it is over."""
    starts = started(delay_s=180.0)
    assert not starts.seen(CALLED, 1000.0 + 180.0 + WAIT_S - 1.0, 1.0)
    assert starts.due_s(1100.0) == 1000.0 + 180.0 + WAIT_S
    assert starts.seen(CALLED, 1000.0 + 180.0 + WAIT_S, 1.0)
    assert starts.due_s(1300.0) == 1000.0 + limits.OVERLOAD_MOST_S.value


SHORT_S = limits.STALE_S.value


@pytest.mark.parametrize(("stopped_s", "closed"), [(0.0, True), (SHORT_S - 1.0, True), (SHORT_S + 1.0, False)])
def test_a_stop_a_moment_before_its_call_ends_is_the_thermostats(stopped_s: float, closed: bool) -> None:
    """STALE_S: one is read a scan before the other; a protector that opened earlier may be open still."""
    starts = SilentStarts(0.0)
    starts.drew()
    if stopped_s:
        starts.changed(RUNS, CALLED, 400.0 - stopped_s)
    starts.changed(CALLED if stopped_s else RUNS, RESTS, 400.0)
    starts.changed(RESTS, CALLED, 1000.0)
    assert starts.seen(CALLED, 1100.0, 1.0) is closed


def test_calls_are_counted_only_while_its_line_is_there_and_its_protector_closed() -> None:
    """At scans of ten seconds a second call tells: not one that came before a dead line, or after a gap."""
    starts = started()
    assert not starts.seen(CALLED, 1100.0, 10.0)
    starts.changed(CALLED, CALLED._replace(supply=False), 1100.0)
    starts.changed(CALLED._replace(supply=False), CALLED, 1200.0)
    assert not starts.seen(CALLED, 1300.0, 1.0)  # what the line does meanwhile is no start of its own
    starts.changed(CALLED, RESTS, 1400.0)
    starts.changed(RESTS, CALLED, 2000.0)
    assert not starts.seen(CALLED, 2100.0, 10.0)
    assert starts.seen(CALLED, 2100.0, 1.0)
    starts.changed(CALLED, RESTS, 2300.0)
    starts.gap()
    starts.changed(RESTS._replace(compressor=None), RESTS, 2400.0)
    starts.changed(RESTS, CALLED, 3000.0)
    assert not starts.seen(CALLED, 3100.0, 1.0)  # nobody saw what ended its last run


def test_a_stall_that_a_single_scan_has_read_leaves_its_protector_open() -> None:
    """At scans ten seconds apart no run is believed of it; the calls of the next minutes find nothing to draw."""
    starts = started()
    starts.drew()
    for ended_s in (1100.0, 1400.0, 1700.0):
        starts.changed(CALLED, RESTS, ended_s)
        starts.changed(RESTS, CALLED, ended_s + 100.0)
        assert not starts.seen(CALLED, ended_s + 200.0, 1.0)


def test_after_a_gap_no_call_of_before_counts() -> None:
    """At ten seconds two calls tell, and one alone does not."""
    starts = started()
    starts.changed(CALLED, RESTS, 1600.0)
    starts.gap()
    starts.changed(CALLED, RUNS, 1700.0)
    starts.changed(RUNS, RESTS, 2300.0)
    starts.changed(RESTS, CALLED, 3000.0)
    assert starts.seen(CALLED, 3100.0, 1.0)
    assert not starts.seen(CALLED, 3100.0, 10.0)


def test_a_call_that_finds_it_unknown_or_running_is_no_silent_start() -> None:
    """Nor does a call that stands begin anew as something else changes."""
    starts = SilentStarts(0.0)
    starts.drew()
    starts.changed(RUNS, RESTS, 400.0)
    starts.changed(RESTS, CALLED._replace(compressor=None), 1000.0)
    starts.changed(CALLED._replace(compressor=None), CALLED, 1050.0)
    assert not starts.seen(CALLED, 1200.0, 1.0)
    again = started()
    again.changed(CALLED, CALLED._replace(fan=True), 1000.0 + WAIT_S - 1.0)
    assert again.seen(CALLED, 1000.0 + WAIT_S, 1.0)


FITTED = ("call", "control_v", "coil_a", "supply", "compressor_a")
SMALL, SMALL_RUN = ({name: base[name] for name in FITTED} for base in (REST, RUN))
DEAD = but(SMALL_RUN, compressor_a=0.0)
STALL = but(SMALL_RUN, compressor_a=60.0)


def first(*parts: tuple[float, Readings], every_s: float) -> str:
    """Who comes first in the last diagnosis."""
    stream: list[Scan] = list(scans(*parts, every_s=every_s))
    found = [event for event in events(stream, SETTINGS, FITTED) if isinstance(event, Diagnosed) and event.suspects]
    return str(found[-1].suspects[0][0])


@pytest.mark.parametrize("every_s", [1.0, 5.0, 10.0])
def test_contacts_that_do_not_make_come_before_a_capacitor_whose_stall_nobody_read(every_s: float) -> None:
    """The coil seals, the line is there, the compressor draws nothing: no stall at its call, so it was not fed. At ten
    seconds a single start may have fallen between two scans, and the capacitor is the more usual (common practice)."""
    sound = ((600.0, SMALL), (900.0, SMALL_RUN)) * 3
    once = (*sound, (600.0, SMALL), (60.0, DEAD))
    assert first(*once, every_s=every_s) == ("run-capacitor" if every_s == 10.0 else "contacts-not-making")
    assert first(*once, (600.0, DEAD), (600.0, SMALL), (60.0, DEAD), every_s=every_s) == "contacts-not-making"
    stalls = (*sound, (600.0, SMALL), (6.0 if every_s < 6.0 else 10.0, STALL), (60.0, DEAD))
    assert first(*stalls, every_s=every_s) == "run-capacitor"
