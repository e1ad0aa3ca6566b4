"""What shows over several cycles, counted by hand: the numbers are the contract's (Findings), written out once more."""

from __future__ import annotations

from math import inf
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.patterns import (
    FlapFilter,
    Habits,
    HeatWatch,
    InRun,
    Patterns,
    ShortCycling,
    Stops,
    stop_place,
)
from condenser_monitor.monitor.core.records import Change, ChangeKind, Finding, Offer, Scan, Severity
from tests.monitor.units import SETTINGS, UNIT

HOUR_S, DAY_S = 3600.0, 86400.0
REST = Facts(
    thermostat=False, call=False, supply=True, load=False, contacts=False, compressor=False, runs=False, fan=False
)
RUN = Facts(thermostat=True, call=True, supply=True, load=True, contacts=True, compressor=True, runs=True, fan=True)
TRIPPED = RUN._replace(compressor=False, runs=False)
OPEN = RUN._replace(load=False, contacts=False, compressor=False, runs=False, fan=False)
"""A call, and contacts that do not close."""


# ---------------------------------------------------------------- chatter: 6 changes within 10 s of a call


def chatter(*rows: tuple[float, bool | None, bool | None]) -> Patterns:
    """Scans of when, whether the load side is live, whether there is a call."""
    patterns = Patterns(SETTINGS)
    for now_s, load, call in rows:
        patterns.chatter.update(load=load, call=call, now_s=now_s)
    return patterns


def flips(count: int, every_s: float, call: bool | None = True) -> list[tuple[float, bool | None, bool | None]]:
    """A first scan, and as many changes after it."""
    return [(100.0 + every_s * number, number % 2 == 0, call) for number in range(count + 1)]


@pytest.mark.parametrize(
    ("rows", "stands"),
    [
        (flips(6, 1.0), True),
        (flips(5, 1.0), False),
        (flips(6, 2.0), True),  # the first and the last 10 s apart
        (flips(6, 2.02), False),
        (flips(9, 2.1), False),
        (flips(6, 1.0, call=False), False),
        (flips(6, 1.0, call=None), True),  # where no call is sensed, all the same
    ],
)
def test_six_changes_of_the_contacts_within_ten_seconds_of_a_call_are_chatter(
    rows: list[tuple[float, bool | None, bool | None]], *, stands: bool
) -> None:
    """At the last of them; it has to be six, and the call has to be there."""
    assert chatter(*rows).chatter.stands(rows[-1][0]) is stands


def test_a_reading_that_is_missing_is_no_change_of_the_contacts() -> None:
    """Five openings and closings with a silent scan between each: still five. It hides no change either."""
    silent = [row for at_s, load, call in flips(5, 1.0) for row in ((at_s, load, call), (at_s + 0.5, None, call))]
    assert not chatter(*silent).chatter.stands(105.0)
    silent = [row for at_s, load, call in flips(6, 1.0) for row in ((at_s, load, call), (at_s + 0.5, None, call))]
    assert chatter(*silent).chatter.stands(106.0)


def test_chatter_stands_until_ten_seconds_after_the_last_change() -> None:
    """And asks to be looked at again at that very time."""
    patterns = chatter(*flips(6, 1.0))
    assert patterns.chatter.ends_s() == [116.0]
    assert patterns.deadline(106.0) == 116.0
    assert patterns.chatter.stands(115.9)
    assert not patterns.chatter.stands(116.0)
    assert patterns.deadline(116.0) == inf


def test_after_a_gap_the_first_scan_is_no_change() -> None:
    """Whatever the contacts did meanwhile, it was not seen."""
    patterns = chatter((90.0, False, True))
    patterns.gap()
    for row in flips(5, 1.0):
        patterns.chatter.update(load=row[1], call=row[2], now_s=row[0])
    assert not patterns.chatter.stands(105.0)
    assert Patterns(SETTINGS).deadline(0.0) == inf


# -------------- short cycling: 3 restarts in a row under 180 s, 3 runs in a row under 2 min, over 10 starts an hour


def short(*pairs: tuple[float, float]) -> tuple[ShortCycling, float]:
    """Runs and pauses, from a start that was seen; the counter and the time after the last."""
    counter, now_s = Patterns(SETTINGS).short, 1000.0
    for run_s, off_s in pairs:
        counter.started(now_s)
        counter.stopped(now_s + run_s)
        now_s += run_s + off_s
    return counter, now_s


SOON, BRIEF = "3 restarts in a row within 180 s of stopping", "3 runs in a row shorter than 120 s"


@pytest.mark.parametrize(
    ("pairs", "found"),
    [
        ([(600, 179)] * 3, [SOON]),
        ([(600, 179)] * 2 + [(600, 180)], []),
        ([(600, 179)] * 2, []),
        ([(600, 179)] * 2 + [(600, 180)] + [(600, 179)] * 2, []),  # in a row
        ([(600, 180)] + [(600, 179)] * 3, [SOON]),
        ([(600, 179)] * 4, ["4 restarts in a row within 180 s of stopping"]),
        ([(119, 600)] * 3, [BRIEF]),
        ([(119, 600)] * 2, []),
        ([(120, 600)] * 3, []),
        ([(119, 600)] * 2 + [(120, 600)] + [(119, 600)] * 2, []),
        ([(120, 600)] + [(119, 600)] * 3, [BRIEF]),
        ([(119, 179)] * 3, [SOON, BRIEF]),
        ([(150, 209)] * 10, ["more than 10 starts within 60 min"]),  # the eleventh 3,590 s after the first
        ([(150, 210)] * 10, []),  # 3,600 s after it
        ([(150, 209)] * 9, []),
        ([(600, 3000)] * 3 + [(150, 209)] * 10, ["more than 10 starts within 60 min"]),  # whatever came before
    ],
)
def test_each_of_the_three_patterns_of_short_cycling_is_counted_as_promised(
    pairs: list[tuple[float, float]], found: list[str]
) -> None:
    """Asked at the moment of the start that follows the last pause."""
    counter, now_s = short(*pairs)
    counter.started(now_s)
    assert counter.reasons(now_s) == found
    assert counter.stands(now_s) is bool(found)


def test_a_pause_or_a_run_long_enough_ends_its_row_at_once() -> None:
    """Not only when the next start or stop comes; the time at which that is to be seen is asked for."""
    counter, now_s = short(*[(600, 179)] * 3)
    counter.started(now_s)
    assert counter.ends_s() == []
    counter.stopped(now_s + 600)
    assert counter.ends_s() == [now_s + 600 + 180]
    assert counter.stands(now_s + 779)
    assert not counter.stands(now_s + 780)
    assert not counter.stands(now_s + 781)
    assert counter.soon == 0
    counter, now_s = short(*[(119, 600)] * 3)
    assert counter.ends_s() == []
    counter.started(now_s)
    assert counter.ends_s() == [now_s + 120]
    assert counter.stands(now_s + 119)
    assert not counter.stands(now_s + 120)
    assert counter.ends_s() == []


def test_too_many_starts_are_so_until_an_hour_after_the_first_of_the_eleven() -> None:
    """The oldest of eleven leaves the hour."""
    counter, now_s = short(*[(150, 209)] * 10)
    assert counter.ends_s() == []
    counter.started(now_s)
    assert counter.ends_s() == [1000.0 + 3600.0]
    counter.stopped(now_s + 1)
    assert counter.stands(1000.0 + 3599.0)
    assert not counter.stands(1000.0 + 3600.0)


def test_only_a_run_and_a_pause_whose_begin_was_seen_are_judged() -> None:
    """A supply that went excuses both the run that it ended and the pause after it; so does the unseen past."""
    counter, now_s = short(*[(600, 179)] * 2)
    counter.started(now_s)
    counter.excuse()
    counter.stopped(now_s + 10)
    assert counter.short == 0
    counter.excuse()
    counter.started(now_s + 20)
    assert counter.soon == 2
    fresh = Patterns(SETTINGS).short
    fresh.stopped(5.0)
    fresh.started(10.0)
    assert (fresh.soon, fresh.short) == (1, 0)
    fresh.forget()
    fresh.started(15.0)
    assert (fresh.soon, fresh.short, list(fresh.starts_s)) == (0, 0, [15.0])


# ---------------------------------------------------------------- overload: stops and starts by itself twice in 90 min


def restarts(*pairs: tuple[float, float]) -> tuple[Patterns, float]:
    """Believed changes of a call that goes on: runs and pauses behind closed contacts."""
    patterns, now_s = Patterns(SETTINGS), 1000.0
    patterns.changed(REST, RUN, now_s)
    for run_s, off_s in pairs:
        patterns.changed(RUN, TRIPPED, now_s + run_s)
        patterns.changed(TRIPPED, RUN, now_s + run_s + off_s)
        now_s += run_s + off_s
    return patterns, now_s


@pytest.mark.parametrize(
    ("pairs", "stands"),
    [
        ([(600, 300)] * 2, True),
        ([(600, 300)], False),
        ([(600, 20)] * 2, True),
        ([(600, 19.9)] * 2, False),  # a blink of the line: no protector closes so soon
        ([(600, 300), (5099.0, 300)], True),
        ([(600, 300), (5100.0, 300)], False),
    ],
)
def test_two_restarts_by_itself_within_ninety_minutes_are_an_overload(
    pairs: list[tuple[float, float]], *, stands: bool
) -> None:
    """From the first restart to the second 90 min at the most."""
    patterns, now_s = restarts(*pairs)
    assert patterns.overload.stands(now_s) is stands


def test_an_overload_stands_until_ninety_minutes_after_the_first_restart() -> None:
    """Then the first of the two is no longer counted."""
    patterns, now_s = restarts((600, 300), (600, 300))
    assert now_s == 2800.0
    assert patterns.overload.ends_s() == [1900.0 + 5400.0]
    assert patterns.overload.stands(7299.0)
    assert not patterns.overload.stands(7300.0)
    assert restarts((600, 300))[0].overload.ends_s() == []


def test_nothing_is_a_restart_but_what_followed_a_stop_behind_closed_contacts() -> None:
    """Not a second start, nor one after the contacts had opened, after a gap, or after all was forgotten."""
    patterns, _ = restarts((600, 300))
    patterns.overload.started(5000.0)
    assert len(patterns.overload.times_s) == 1
    for number in range(3):
        at_s = 1000.0 * (number + 6)
        patterns.changed(RUN, OPEN, at_s)
        patterns.changed(OPEN, RUN, at_s + 300)
    assert len(patterns.overload.times_s) == 1
    patterns.changed(RUN, TRIPPED, 20_000.0)
    patterns.gap()
    patterns.changed(TRIPPED, RUN, 20_300.0)
    assert len(patterns.overload.times_s) == 1
    patterns.changed(RUN, TRIPPED, 21_000.0)
    patterns.follow(["contactor-chatter"])
    patterns.changed(TRIPPED, RUN, 21_300.0)
    assert len(patterns.overload.times_s) == 0


@pytest.mark.parametrize(
    "between",
    [
        OPEN,  # the contacts opened meanwhile
        TRIPPED._replace(load=None, contacts=None, call=False),  # nothing says that they are closed
        TRIPPED._replace(supply=False),
        TRIPPED._replace(compressor=None, runs=None),  # another sensor tells it
    ],
)
def test_a_restart_counts_only_while_the_contacts_stay_closed(between: Facts) -> None:
    """What the contactor, the supply or a sensor that fell silent did in between is nothing that a protector did."""
    patterns = Patterns(SETTINGS)
    patterns.changed(REST, RUN, 0.0)
    for number in range(4):
        at_s = 1000.0 * (number + 1)
        patterns.changed(RUN, TRIPPED, at_s)
        patterns.changed(TRIPPED, between, at_s + 100)
        patterns.changed(between, TRIPPED, at_s + 200)
        patterns.changed(TRIPPED, RUN, at_s + 300)
    assert not patterns.overload.stands(4300.0)


@pytest.mark.parametrize(
    ("facts", "closed"),
    [
        (Facts(load=True), True),
        (Facts(load=False, fan=True, call=True), False),
        (Facts(fan=True), True),
        (Facts(call=True), True),
        (Facts(fan=True, call=False), False),
        (Facts(load=True, call=False), False),
        (Facts(load=True, supply=False), False),
        (Facts(), False),
    ],
)
def test_contacts_are_held_closed_as_far_as_is_known(facts: Facts, *, closed: bool) -> None:
    """By their own sensor; without it by the fan behind them; with neither by the call."""
    patterns = Patterns(SETTINGS)
    patterns.changed(facts._replace(compressor=True), facts._replace(compressor=False), 0.0)
    patterns.changed(facts._replace(compressor=False), facts._replace(compressor=True), 300.0)
    assert len(patterns.overload.times_s) == closed


@pytest.mark.parametrize(
    ("fan_off_s", "told"),
    [
        (None, True),  # the fan runs on: the contacts are closed, and the protector has opened
        (-5.0, False),  # the fan of the same contactor stops with the compressor, as far as readings are of one instant
        (0.0, False),
        (60.0, False),  # and a scan later
        (-5.1, True),  # one that died before tells nothing of the contacts
        (-300.0, True),
    ],
)
def test_a_fan_that_stops_with_the_compressor_shows_that_the_contacts_opened(
    fan_off_s: float | None, *, told: bool
) -> None:
    """Contacts not sensed: what cuts both motors at once is the contactor (a pressure switch, common practice), and no
    overload protector of the compressor's own."""
    patterns, run = Patterns(SETTINGS), Facts(call=True, compressor=True, fan=True)
    for number in range(2):
        steps: dict[float, dict[str, Any]] = {0.0: {"compressor": False}, 300.0: {"compressor": True}}
        if fan_off_s is not None:
            steps[fan_off_s] = {**steps.get(fan_off_s, {}), "fan": False}
        now = run
        for after_s, change in sorted(steps.items()):
            was, now = now, now._replace(**change)
            patterns.changed(was, now, 1000.0 * (number + 1) + after_s)
        patterns.changed(now, run, 1000.0 * (number + 1) + 301.0)
    assert patterns.overload.stands(2400.0) is told


def test_a_fan_that_may_rest_by_design_tells_nothing_of_the_contacts() -> None:
    """A board that switches the fan, in the cold or in a defrost."""
    patterns = Patterns(SETTINGS)
    run, off = (Facts(call=True, compressor=on, fan=on, fan_may_rest=True) for on in (True, False))
    for at_s in (1000.0, 2000.0):
        patterns.changed(run, off, at_s)
        patterns.changed(off, run, at_s + 300.0)
    assert patterns.overload.stands(2400.0)


# ---------------------------------------------------------------- starts and stops as believed


def starts(patterns: Patterns) -> int:
    return len(patterns.short.starts_s)


def test_only_a_start_that_was_seen_is_a_start() -> None:
    """From unknown to running is none; a unit whose compressor is not sensed starts when its contacts close."""
    patterns = Patterns(SETTINGS)
    patterns.changed(Facts(), RUN, 0.0)
    assert starts(patterns) == 0
    patterns.changed(REST, RUN, 10.0)
    assert starts(patterns) == 1
    plain = Patterns(SETTINGS)
    rest, run = (facts._replace(compressor=None, runs=None, fan=None) for facts in (REST, RUN))
    plain.changed(rest, run, 10.0)
    plain.changed(run, rest, 70.0)
    assert (starts(plain), plain.short.short) == (1, 1)


def test_three_restarts_within_minutes_are_called_again_soon() -> None:
    """Two are not, and a pause as a thermostat makes ends the row."""
    short = ShortCycling(off_s=180.0, run_s=120.0, in_a_row=3, starts=10, window_s=3600.0)
    for number in range(4):
        assert short.seen() == {}
        short.started(300.0 * number)
        short.stopped(300.0 * number + 200.0)
    assert short.seen() == {"called-again": "soon"}
    short.started(2000.0)
    assert short.seen() == {}


def test_what_the_supply_ends_is_no_short_run() -> None:
    """Together with the stop, or a moment before it; the pause is not judged either."""
    patterns, lost = Patterns(SETTINGS), RUN._replace(supply=False)
    for number in range(5):
        at_s = 1000.0 * number
        patterns.changed(REST, RUN, at_s)
        if number % 2:
            patterns.changed(RUN, lost, at_s + 59)
            patterns.changed(lost, REST._replace(supply=False), at_s + 60)
        else:
            patterns.changed(RUN, REST._replace(supply=False), at_s + 60)
        patterns.changed(REST._replace(supply=False), REST, at_s + 65)
        patterns.changed(REST, RUN, at_s + 70)
        patterns.changed(RUN, REST, at_s + 400)
    assert patterns.short.reasons(6000.0) == []
    assert (patterns.short.short, patterns.short.soon) == (0, 0)


def test_a_unit_that_runs_for_a_minute_and_rests_for_two_is_short_cycling() -> None:
    """As it is believed, through all counters: both the runs and the pauses are too short."""
    patterns = Patterns(SETTINGS)
    for number in range(4):
        patterns.changed(REST, RUN, 180.0 * number)
        patterns.changed(RUN, REST, 180.0 * number + 60.0)
    assert patterns.short.reasons(600.0) == [SOON, BRIEF.replace("3", "4", 1)]


def test_a_gap_and_a_sensor_that_falls_silent_end_no_run_that_could_be_judged() -> None:
    """Neither its length is known nor that of the pause after it."""
    for silence in (None, REST._replace(compressor=None, load=None, runs=None)):
        patterns = Patterns(SETTINGS)
        for number in range(4):
            at_s = 1000.0 * number
            patterns.changed(REST, RUN, at_s)
            if silence is None:
                patterns.gap()
            else:
                patterns.changed(RUN, silence, at_s + 20)
                patterns.changed(silence, RUN, at_s + 40)
            patterns.changed(RUN, REST, at_s + 60)
            patterns.gap()
        assert (patterns.short.short, patterns.short.soon) == (0, 0)


def test_a_standing_parent_leaves_its_consequences_uncounted() -> None:
    """Welded contacts are no short cycling, chatter neither that nor an overload, a lost supply no chatter."""

    def counted(*standing: str) -> tuple[int, int, int]:
        patterns = Patterns(SETTINGS)
        for at_s, load, call in flips(6, 1.0):
            patterns.chatter.update(load=load, call=call, now_s=at_s)
        patterns.short.started(100.0)
        patterns.overload.stopped(110.0)
        patterns.overload.started(140.0)
        patterns.follow(standing)
        return starts(patterns), len(patterns.overload.times_s), len(patterns.chatter.times_s)

    assert counted() == (1, 1, 6)
    assert counted("contacts-stuck-closed") == (0, 1, 6)
    assert counted("contactor-chatter") == (0, 0, 6)
    assert counted("line-supply-lost") == (1, 1, 0)


@pytest.mark.parametrize(
    ("facts", "place"),
    [
        (Facts(thermostat=False, call=False, contacts=False), "thermostat"),
        (Facts(thermostat=False, call=True, contacts=True), "thermostat"),
        (Facts(thermostat=True, call=False, contacts=False), "safety"),
        (Facts(call=False, contacts=False), "call"),
        (Facts(call=None, contacts=True), None),
        (Facts(call=True, contacts=None), None),
        (Facts(call=True, contacts=False), "contacts"),
        (Facts(thermostat=True, call=True, contacts=True), "compressor"),
    ],
)
def test_a_run_stopped_at_the_first_dead_link(facts: Facts, place: str | None) -> None:
    """In the order of the chain; None where it is not known."""
    assert stop_place(facts) == place


def run_and_stop(patterns: Patterns, at_s: float, *during: Facts, stopped: Facts = REST) -> None:
    patterns.changed(REST, RUN._replace(fan=None), at_s)
    was = RUN._replace(fan=None)
    for facts in during:
        patterns.changed(was, facts, at_s + 10)
        was = facts
    patterns.changed(was, stopped, at_s + 600)


@pytest.mark.parametrize(
    ("during", "found"),
    [
        ((RUN,), "ran"),
        ((RUN, RUN._replace(fan=False)), "still"),  # hot, it stops in each run, or hums until its protector opens
        ((RUN, RUN._replace(fan=False, fan_may_rest=True)), "ran"),
        ((RUN, RUN._replace(fan=False), RUN), "ran"),
        ((RUN._replace(fan=False),), "still"),
        ((RUN._replace(fan=False), RUN), "ran"),
        ((RUN._replace(stalled=True),), "stalled"),
        ((RUN._replace(stalled=True), RUN._replace(fan=False)), "stalled"),  # its protector opened
        ((RUN._replace(stalled=True), RUN), "ran"),
        ((), None),
    ],
)
def test_what_the_fan_did_in_the_last_runs_is_kept(during: tuple[Facts, ...], found: str | None) -> None:
    """Of the last two of three runs: in the one in which it failed it had been turning before."""
    patterns = Patterns(SETTINGS)
    run_and_stop(patterns, 0.0, RUN)
    assert patterns.stops.seen() == {}
    run_and_stop(patterns, 1000.0, *during)
    assert patterns.stops.seen() == ({"fan-in-runs": "ran"} if found == "ran" else {})
    run_and_stop(patterns, 2000.0, *during)
    assert patterns.stops.seen().get("fan-in-runs") == found
    assert patterns.stops.seen()["stopped-at"] == "thermostat"
    run_and_stop(patterns, 3000.0, *during, stopped=OPEN)
    assert "stopped-at" not in patterns.stops.seen()


@pytest.mark.parametrize(("stood_s", "found"), [(29.9, "ran"), (30.0, "still"), (300.0, "still")])
def test_a_fan_that_stood_when_its_compressor_stopped_did_not_run(stood_s: float, found: str) -> None:
    """For as long as it takes to say so (contract.md, fan-not-running): readings need not be of one instant, and a
    compressor is never stopped by a fan that went with it."""
    patterns, fanless = Patterns(SETTINGS), RUN._replace(fan=False)
    for at_s in (0.0, 1000.0):
        patterns.changed(REST, RUN, at_s)
        patterns.changed(RUN, fanless, at_s + 500.0)
        patterns.changed(fanless, OPEN, at_s + 500.0 + stood_s)
        patterns.changed(OPEN, REST, at_s + 900.0)
    assert patterns.stops.seen()["fan-in-runs"] == found


@pytest.mark.parametrize(
    ("last", "found"),
    [(("stalled", "still"), "stalled"), (("still", "stalled"), "stalled"), (("ran", "stalled"), None)],
)
def test_a_fan_that_stalls_and_one_that_is_still_are_one_dead_fan(last: tuple[str, str], found: str | None) -> None:
    """A motor that stalls opens its own protector, and stands in the next run while that is hot (common practice). One
    that ran in between is not dead."""
    facts = {"still": RUN._replace(fan=False), "stalled": RUN._replace(stalled=True), "ran": RUN}
    patterns = Patterns(SETTINGS)
    for at_s, fan in enumerate(("ran", *last)):
        run_and_stop(patterns, 1000.0 * at_s, facts[fan])
    assert patterns.stops.seen().get("fan-in-runs") == found


def test_of_two_runs_in_a_row_the_last_one_tells_of_the_fan() -> None:
    """Where a site asks for two in a row only."""
    stops = Stops(2)
    for fan in (True, False):
        stops.started()
        stops.runs(RUN._replace(fan=fan))
        stops.stopped(REST, 0.0)
    assert stops.seen() == {"stopped-at": "thermostat", "fan-in-runs": "still"}


@pytest.mark.parametrize(
    ("fan", "stalled", "found"), [(False, None, "still"), (True, True, "stalled"), (True, None, "ran")]
)
@pytest.mark.parametrize(
    ("stopped", "place"),
    [
        (Facts(call=True, contacts=False), "contacts"),
        (Facts(call=False, thermostat=True, contacts=False), "safety"),
    ],
)
def test_a_run_that_one_scan_showed_stopped_where_the_next_one_says(
    fan: bool, stalled: bool | None, found: str, stopped: Facts, place: str
) -> None:
    """As any other run; three of them agree, and the fan of the one before is not taken for theirs."""
    stops = Stops(3)
    stops.runs(Facts(compressor=True, fan=not fan))
    for _ in range(3):
        assert "stopped-at" not in stops.seen()
        stops.within(Facts(compressor=True, fan=fan, stalled=stalled, contacts=True), stopped)
    assert stops.seen() == {"stopped-at": place, "fan-in-runs": found}


@pytest.mark.parametrize(("fan", "found"), [(False, "still"), (True, "ran"), (None, None)])
def test_where_the_contacts_tell_of_a_run_the_fan_in_it_is_kept(fan: bool | None, found: str | None) -> None:
    """With a compressor's clamp that is not fitted, or not believed: closed contacts feed the fan."""
    patterns, at_s = Patterns(SETTINGS), 0.0
    rest = Facts(call=True, thermostat=True, contacts=False, load=False, fan=False if fan is not None else None)
    patterns.changed(Facts(), rest, at_s)
    for _ in range(4):
        run = rest._replace(contacts=True, load=True, fan=fan)
        patterns.changed(rest, run, at_s + 60.0)
        patterns.changed(run, rest, at_s + 120.0)
        at_s += 120.0
    assert patterns.stops.seen().get("fan-in-runs") == found


@pytest.mark.parametrize(("call", "place"), [(True, "contacts"), (False, "thermostat"), (None, "thermostat")])
def test_a_call_that_stands_without_its_thermostat_was_not_ended_by_it(call: bool | None, place: str) -> None:
    """Over wires that touch the call goes on after the thermostat: what lets the contactor go then is a safety's, a
    board's or the coil's (circuit fact: the stop lies behind the last link that lives)."""
    assert stop_place(Facts(thermostat=False, call=call, contacts=False)) == place


def test_what_changes_just_after_a_stop_still_tells_where_it_was() -> None:
    """The call is read a second before the thermostat: the thermostat ended it, not a safety. A unit that runs again
    within those seconds moves nothing."""
    patterns = Patterns(SETTINGS)
    for number in range(3):
        at_s = 1000.0 * number
        run_and_stop(patterns, at_s, RUN, stopped=REST._replace(thermostat=True))
        patterns.changed(REST._replace(thermostat=True), REST, at_s + 601)
    assert patterns.stops.seen()["stopped-at"] == "thermostat"
    patterns.stops.changed(RUN, 2602.0)
    assert patterns.stops.seen()["stopped-at"] == "thermostat"


# ------------------------------------------------------- heat: 3 h above 32 °C without a call, as on earlier days


def heat(*parts: tuple[float, float, float | None, bool], every_s: float = 600.0) -> tuple[HeatWatch, float]:
    """From when to when (hours), how warm it was outdoors, whether there was a call; scans every ten minutes."""
    watch, now_s = Patterns(SETTINGS).heat, 0.0
    for from_h, to_h, outdoor_c, call in parts:
        now_s = from_h * HOUR_S
        while now_s < to_h * HOUR_S:
            watch.update(outdoor_c=outdoor_c, call=call, now_s=now_s, longest_s=every_s)
            now_s += every_s
    return watch, now_s


HOT_DAY = ((10.0, 13.0, 35.0, False), (13.0, 14.0, 35.0, True), (14.0, 34.0, 25.0, False))


@pytest.mark.parametrize(
    ("parts", "stands"),
    [
        ((*HOT_DAY, (34.0, 37.5, 35.0, False)), True),
        ((*HOT_DAY, (34.0, 36.6, 35.0, False)), False),  # not yet three hours since the call
        ((*HOT_DAY, (34.0, 39.0, 32.0, False)), False),  # it has to be over 32 °C
        ((*HOT_DAY, (34.0, 39.0, 32.1, False)), True),
        ((*HOT_DAY, (34.0, 39.0, None, False)), False),
        ((*HOT_DAY, (34.0, 37.5, 35.0, False), (37.5, 37.8, 35.0, True), (37.8, 40.0, 35.0, False)), False),
        # called, but before it had been hot for three hours: that says nothing of like heat
        (
            ((10.0, 12.0, 35.0, False), (12.0, 12.5, 35.0, True), (12.5, 34.0, 25.0, False), (34.0, 40.0, 35.0, False)),
            False,
        ),
        (((0.0, 30.0, 35.0, False),), False),  # it has never called
        ((*HOT_DAY[:2], (14.0, 20.0, 35.0, False)), False),  # it called today, not on an earlier day
    ],
)
def test_no_call_in_heat_needs_three_hot_hours_and_a_call_in_like_heat_on_an_earlier_day(
    parts: tuple[tuple[float, float, float | None, bool], ...], *, stands: bool
) -> None:
    """Asked ten minutes after the last scan."""
    watch, now_s = heat(*parts)
    assert watch.stands(now_s) is stands


def test_three_hours_are_three_hours() -> None:
    """To the second: since the call, and before a call that is one in like heat."""
    watch, now_s = heat(*HOT_DAY, (34.0, 34.1, 35.0, True))
    for seconds in (599.0, 600.0 * 17, 10799.0, 10800.0):
        watch.update(outdoor_c=35.0, call=False, now_s=now_s - 600.0 + seconds, longest_s=HOUR_S * 3)
        assert watch.stands(now_s + seconds) is (seconds == 10800.0)
    for hot_s, counts in ((10799.0, False), (10800.0, True)):
        watch = Patterns(SETTINGS).heat
        watch.update(outdoor_c=35.0, call=False, now_s=0.0, longest_s=DAY_S)
        watch.update(outdoor_c=25.0, call=True, now_s=hot_s, longest_s=DAY_S)
        assert bool(watch.called_s) is counts


def test_the_hot_hours_of_the_last_day_make_a_call_one_in_like_heat() -> None:
    """Three hours yesterday afternoon and a call in tonight's cool; not one of the day after."""
    for call_h, counts in ((30.0, True), (32.5, True), (33.5, True), (34.0, False), (38.0, False)):
        watch, _ = heat((10.0, 13.0, 35.0, False), (13.0, call_h, 25.0, False), (call_h, call_h + 0.3, 25.0, True))
        assert bool(watch.called_s) is counts, call_h


def test_a_pause_longer_than_is_usual_counts_no_heat() -> None:
    """Nobody knows how warm it was meanwhile; a pause of the usual length counts as it began."""
    watch = Patterns(SETTINGS).heat
    for now_s, outdoor_c in (
        (0.0, 35.0),
        (600.0, 25.0),
        (1200.0, 35.0),
        (1801.0, 35.0),
        (2401.0, None),
        (3001.0, 35.0),
    ):
        watch.update(outdoor_c=outdoor_c, call=False, now_s=now_s, longest_s=600.0)
    assert watch.since_call_s == 600.0 + 600.0


def test_a_long_call_in_the_heat_leaves_the_memory_of_earlier_days() -> None:
    """A scan a minute of a call that lasts for hours is remembered by the hour, not by the scan."""
    watch, now_s = heat(*HOT_DAY)
    first = watch.called_s[0]
    for minute in range(180):
        watch.update(outdoor_c=35.0, call=False, now_s=now_s + 60.0 * minute, longest_s=60.0)
    for minute in range(180, 180 + 190):
        watch.update(outdoor_c=35.0, call=True, now_s=now_s + 60.0 * minute, longest_s=60.0)
    assert watch.called_s[0] == first
    assert [round((b - a) / 60) for a, b in zip(list(watch.called_s)[1:], list(watch.called_s)[2:], strict=False)] == [
        61
    ] * 3


# ---------------------------------------------------------------- what comes and goes: over 6 times an hour


FINDING = Finding(
    name="call-without-pull-in",
    severity=Severity.URGENT,
    since_s=0.0,
    raised_s=0.0,
    raised_wall_s=None,
    suspects=("contactor-coil",),
    evidence={"coil_a": 0.0},
    summary="The contactor does not pull in.",
)


class Flapper:
    """One finding through the filter: what is told, as (kind, t_s, evidence)."""

    def __init__(self, filter_: FlapFilter | None = None) -> None:
        self.filter = filter_ or FlapFilter()
        self.told: list[tuple[str, float, dict[str, object]]] = []

    def go(self, kind: ChangeKind, now_s: float) -> None:
        stands = {} if kind is ChangeKind.CLEARED else {FINDING.name: FINDING}
        change = Change.of(FINDING, kind, now_s, None)
        self._keep(self.filter.update([change], stands, {FINDING.name: FINDING}))

    def tick(self, now_s: float) -> None:
        self._keep(self.filter.tick(now_s, None))

    def comes_and_goes(self, times: int, from_s: float, every_s: float) -> None:
        for number in range(times):
            self.go(ChangeKind.RAISED, from_s + every_s * number)
            self.go(ChangeKind.CLEARED, from_s + every_s * number + 10)

    def _keep(self, changes: list[Change]) -> None:
        self.told += [(one.change.value, one.t_s, dict(one.evidence)) for one in changes]


def counts(times: float, over_s: float) -> dict[str, object]:
    return {"coil_a": 0.0, "comes_and_goes": True, "times": times, "over_s": over_s}


def test_the_seventh_time_in_an_hour_is_told_with_its_counts_and_no_more() -> None:
    """Six times are told as they are; what comes after the seventh is held back, and the finding counts as standing."""
    one = Flapper()
    one.comes_and_goes(6, 0.0, 600.0)
    assert [kind for kind, _, _ in one.told] == ["raised", "cleared"] * 6
    assert one.filter.held({}) == {}
    one.comes_and_goes(3, 3600.0, 100.0)
    assert one.told[12:] == [("raised", 3600.0, counts(7.0, 3600.0))]
    assert one.filter.held({}) == {FINDING.name: FINDING}
    assert one.filter.held({FINDING.name: FINDING}) == {}
    exact = Flapper()
    exact.comes_and_goes(7, 0.0, 100.03)
    assert exact.told[-1][2]["over_s"] == 600.2  # to a tenth of a second
    late = Flapper()
    late.comes_and_goes(7, 0.0, 600.1)
    assert [kind for kind, _, _ in late.told] == ["raised", "cleared"] * 7


def test_flapping_is_told_by_the_hour_with_what_has_been_counted() -> None:
    """An hour after it was told last, not sooner; the counts go on from the first."""
    one = Flapper()
    one.comes_and_goes(7, 0.0, 100.0)
    del one.told[:]
    for now_s in (700.0, 4199.0, 4200.0, 4201.0):
        if now_s < 4199.0:
            one.comes_and_goes(30, now_s, 100.0)
        one.tick(now_s)
    assert one.told == [("revised", 4200.0, counts(37.0, 4200.0))]
    one.comes_and_goes(1, 7000.0, 100.0)
    one.tick(7800.0)
    assert one.told[1:] == [("revised", 7800.0, counts(38.0, 7800.0))]


def test_flapping_is_over_after_an_hour_of_quiet() -> None:
    """Told as cleared, with the counts; then each time is told again, and counted from the beginning."""
    one = Flapper()
    one.comes_and_goes(7, 0.0, 100.0)
    del one.told[:]
    one.tick(600.0 + 10.0 + 3599.0)
    assert [kind for kind, _, _ in one.told] == ["revised"]  # an hour after the seventh was raised
    one.tick(600.0 + 10.0 + 3600.0)
    assert one.told[1:] == [("cleared", 4210.0, counts(7.0, 4210.0))]
    one.tick(9000.0)
    assert one.filter.held({}) == {}
    assert one.filter.memory(9000.0) == []
    one.comes_and_goes(1, 9000.0, 100.0)
    assert [kind for kind, _, _ in one.told[2:]] == ["raised", "cleared"]


def test_flapping_that_stands_for_an_hour_is_told_as_it_is_from_then_on() -> None:
    """It is not over: the clearing that comes later is told at once."""
    one = Flapper()
    one.comes_and_goes(7, 0.0, 100.0)
    one.go(ChangeKind.RAISED, 700.0)
    del one.told[:]
    one.tick(4299.0)
    one.tick(4300.0)
    assert [(kind, now_s) for kind, now_s, _ in one.told] == [("revised", 4299.0)]
    assert one.filter.held({}) == {}
    one.go(ChangeKind.CLEARED, 4400.0)
    assert [kind for kind, _, _ in one.told] == ["revised", "cleared"]


def test_a_finding_that_is_revised_again_and_again_is_told_six_times_an_hour() -> None:
    """A seventh within the hour is held back, and all of them while it flaps; a revision is no coming and going."""
    one = Flapper()
    one.go(ChangeKind.RAISED, 0.0)
    for number in range(20):
        one.go(ChangeKind.REVISED, 100.0 + 600.1 * number)
    assert [kind for kind, _, _ in one.told] == ["raised", *["revised"] * 20]
    quick = Flapper()
    quick.go(ChangeKind.RAISED, 0.0)
    for number in range(8):
        quick.go(ChangeKind.REVISED, 600.0 * number)
    assert [now_s for kind, now_s, _ in quick.told if kind == "revised"] == [*(600.0 * n for n in range(6)), 4200.0]
    late = Flapper()
    for number in range(8):
        late.go(ChangeKind.REVISED, 50_000.0 + 600.0 * number)
    assert len(late.told) == 7
    late.comes_and_goes(7, 60_000.0, 100.0)
    del late.told[:]
    late.go(ChangeKind.REVISED, 70_000.0)
    assert late.told == []


def test_what_flaps_goes_on_flapping_in_the_next_process() -> None:
    """Ages in the memory, of a clock that begins again: the hour and the counts go on."""
    one = Flapper()
    one.comes_and_goes(9, 10_000.0, 100.0)
    memory = one.filter.memory(11_000.0)
    (row,) = memory
    assert (row.count, row.since_age_s, row.told_age_s) == (9, 1000.0, 400.0)
    assert row.raised_ages_s == [800.0, 700.0, 600.0, 500.0, 400.0, 300.0, 200.0]
    two = Flapper(FlapFilter(memory))
    assert two.filter.held({}) == {FINDING.name: FINDING}
    two.comes_and_goes(1, 50.0, 100.0)
    two.tick(3199.0)
    assert two.told == []
    two.tick(3200.0)
    assert two.told == [("revised", 3200.0, counts(10.0, 4200.0))]
    three = Flapper(FlapFilter(memory))
    three.tick(3200.0)  # not seen to come or go since it was last told: quiet for the hour
    assert [kind for kind, _, _ in three.told] == ["cleared"]


# ---------------------------------------------------------------- habits: what lasts equally long three times in a row


WAIT = OPEN
SHED = REST._replace(thermostat=True)
ASKED_S = 1.0
"""The usual time between scans."""


def habits(*parts: tuple[float, Facts], unit: Unit | None = None) -> tuple[Habits, float]:
    """What is believed, and for how long."""
    made, now_s = Habits(Settings(unit=unit) if unit else SETTINGS), 1000.0
    for held_s, facts in parts:
        made.update(facts, now_s)
        now_s += held_s
    return made, now_s


def waits(*waits_s: float) -> tuple[tuple[float, Facts], ...]:
    return tuple(part for wait_s in waits_s for part in ((1000.0, REST), (wait_s, WAIT), (900.0, RUN)))


def learned(made: Habits, name: str, step_s: float = ASKED_S) -> float | None:
    return made.durations[name].learned_s(step_s)


@pytest.mark.parametrize(
    ("waits_s", "step_s", "found"),
    [
        ((180.0, 180.0), 1.0, None),
        ((180.0, 180.0, 180.0), 1.0, 180.0),
        ((90.0, 180.0, 180.0, 180.0), 1.0, 180.0),  # the last three
        ((30.0, 35.0, 30.0), 1.0, 35.0),  # 5 s apart
        ((30.0, 35.1, 30.0), 1.0, None),
        ((200.0, 190.0, 195.0), 1.0, 200.0),  # within 5 %
        ((200.0, 189.9, 195.0), 1.0, None),
        ((200.0, 180.0, 195.0), 10.0, 200.0),  # within two scans
        ((200.0, 179.0, 195.0), 10.0, None),
        ((15.0, 15.0, 15.0), 1.0, 15.0),
        ((14.0, 14.0, 14.0), 1.0, None),  # a contactor that closes so soon had no timer
        ((600.0, 600.0, 600.0), 1.0, 600.0),
        ((601.0, 601.0, 601.0), 1.0, None),
    ],
)
def test_what_lasts_equally_long_three_times_is_a_timer(
    waits_s: tuple[float, ...], step_s: float, found: float | None
) -> None:
    """15 s to 10 min from call to contacts, within 5 s, 5 % or two scans of each other."""
    made, _ = habits(*waits(*waits_s))
    assert learned(made, "delay-on-make", step_s) == found


@pytest.mark.parametrize(
    "parts",
    [
        [(900.0, RUN), (180.0, WAIT), (900.0, RUN)] * 4,  # dropped out within a call
        [(900.0, Facts()), (180.0, WAIT), (900.0, RUN)] * 4,  # the call was there before
        [(900.0, REST), (90.0, WAIT), (90.0, WAIT._replace(load=None, contacts=None, runs=None)), (900.0, RUN)] * 4,
        [(900.0, REST), (180.0, WAIT._replace(supply=False)), (900.0, RUN)] * 4,  # no supply is no timer
        [(900.0, REST), (180.0, WAIT._replace(contacts=None, load=None, runs=None)), (900.0, RUN)] * 4,
    ],
)
def test_only_a_wait_whose_begin_was_seen_has_a_length(parts: list[tuple[float, Facts]]) -> None:
    """From a call that came to contacts that closed under it."""
    made, _ = habits(*parts)
    assert learned(made, "delay-on-make") is None
    assert not made.durations["delay-on-make"].lasted_s


def test_a_wait_is_counted_from_the_call_whatever_else_changes_meanwhile() -> None:
    """The fan, the volts, the contacts' own sensor: none of them begins it again."""
    parts = [(1000.0, REST), (60.0, WAIT), (120.0, WAIT._replace(volts="low")), (900.0, RUN)] * 3
    made, _ = habits(*parts)
    assert learned(made, "delay-on-make") == 180.0
    made, _ = habits(
        *[(held_s, facts._replace(contacts=None, load=None)) for held_s, facts in waits(180.0, 180.0, 180.0)]
    )
    assert learned(made, "delay-on-make") == 180.0  # told by whether it runs
    closed = TRIPPED._replace(fan=False)
    made, _ = habits(*[(1000.0, REST), (180.0, WAIT), (300.0, closed), (600.0, RUN)] * 3)
    assert learned(made, "delay-on-make") == 180.0  # to the contacts, whatever runs behind them


def test_a_gap_forgets_what_had_begun_and_keeps_what_was_learned() -> None:
    """Nobody saw when the contacts closed, nor whether the cut went on."""
    made, now_s = habits(*waits(180.0, 180.0, 180.0), (1000.0, REST), (90.0, WAIT))
    made.forget()
    made.update(WAIT, now_s + 500)
    made.update(RUN, now_s + 590)
    assert list(made.durations["delay-on-make"].lasted_s) == [180.0] * 3
    made, now_s = habits((900.0, RUN), (300.0, SHED))
    made.forget()
    made.update(SHED, now_s + 500)
    made.update(RUN, now_s + 900)
    assert not made.durations["load-shed"].lasted_s


def breaks(*rests_s: float, total_s: float = 300.0) -> tuple[tuple[float, Facts], ...]:
    """Pauses of one length in all, of which the call is missing for so long."""
    return tuple(part for rest_s in rests_s for part in ((900.0, RUN), (rest_s, REST), (total_s - rest_s, WAIT)))


def test_a_timer_after_the_stop_is_learned_from_stop_to_start() -> None:
    """However long the call was missing; a start that was not held off says nothing of it."""
    made, _ = habits(*breaks(60.0, 200.0, 120.0), (900.0, RUN))
    assert learned(made, "delay-on-break") == 300.0
    made, _ = habits(*breaks(60.0, 200.0, 285.0), (900.0, RUN))
    assert learned(made, "delay-on-break") == 300.0  # held for 15 s
    made, _ = habits(*breaks(60.0, 200.0, 286.0), (900.0, RUN))
    assert learned(made, "delay-on-break") is None
    made, _ = habits(*breaks(60.0, 200.0, 120.0, total_s=900.0), (900.0, RUN))
    assert learned(made, "delay-on-break") == 900.0
    made, _ = habits(*breaks(60.0, 200.0, 120.0, total_s=901.0), (900.0, RUN))
    assert learned(made, "delay-on-break") is None
    made, _ = habits((900.0, REST), (240.0, WAIT), (900.0, RUN))
    assert not made.durations["delay-on-break"].lasted_s  # no stop was seen
    for unsensed in (lambda f: f._replace(contacts=None, load=None), lambda f: f._replace(compressor=None, runs=None)):
        made, _ = habits(*[(held_s, unsensed(facts)) for held_s, facts in (*breaks(60.0, 200.0, 120.0), (900.0, RUN))])
        assert learned(made, "delay-on-break") == 300.0
    made, _ = habits(*[(s, TRIPPED if f is RUN else f) for s, f in breaks(60.0, 200.0, 120.0)], (900.0, RUN))
    assert learned(made, "delay-on-break") == 300.0  # from the contacts' opening, though nothing ran


@pytest.mark.parametrize(
    ("cut_s", "found"), [(359.0, None), (360.0, 360.0), (1800.0, 1800.0), (3600.0, 3600.0), (3601.0, None)]
)
def test_the_utilitys_switch_cuts_for_minutes_and_gives_the_call_back(cut_s: float, found: float | None) -> None:
    """6 min to an hour, while the thermostat goes on calling: a quarter of half an hour, less a slow scan, is the least
    that utilities cut (common practice)."""
    made, _ = habits(*[(900.0, RUN), (cut_s, SHED)] * 3, (900.0, RUN))
    assert learned(made, "load-shed") == found


@pytest.mark.parametrize(
    "cycle",
    [
        [(900.0, REST), (900.0, SHED), (900.0, RUN)],  # the call never came: no cut
        [(900.0, RUN), (900.0, SHED), (900.0, REST)],  # and the thermostat was satisfied within it
        [(900.0, RUN), (900.0, REST), (900.0, RUN)],  # the thermostat's own pause
        [(900.0, RUN), (900.0, SHED._replace(call=None)), (900.0, RUN)],
        [(900.0, RUN._replace(thermostat=None)), (900.0, SHED), (900.0, RUN)],
        [(900.0, RUN), (900.0, SHED), (900.0, RUN._replace(thermostat=False))],
    ],
)
def test_a_pause_that_the_thermostat_made_is_no_cut(cycle: list[tuple[float, Facts]]) -> None:
    """Only a call that went, and came back, under a thermostat that went on calling."""
    made, _ = habits(*cycle * 4)
    assert not made.durations["load-shed"].lasted_s


def test_a_cut_is_measured_from_its_begin_whatever_else_changes_meanwhile() -> None:
    """The line volts and the fan may change within it."""
    made, _ = habits(*[(900.0, RUN), (300.0, SHED), (600.0, SHED._replace(volts="low"))] * 3, (900.0, RUN))
    assert learned(made, "load-shed") == 900.0


def test_what_was_learned_is_waited_for_with_a_fifth_more_time() -> None:
    """A timer on make for both findings that it delays, a cut for the call; nothing for anything else."""
    made, now_s = habits(*waits(180.0, 180.0, 180.0))
    for name in ("call-without-pull-in", "call-without-run"):
        assert made.grace_s(name, WAIT, now_s, ASKED_S) == pytest.approx(1.2 * 180.0)
    assert made.grace_s("call-not-reaching-unit", SHED, now_s, ASKED_S) == 0.0
    assert made.grace_s("line-supply-lost", WAIT, now_s, ASKED_S) == 0.0
    made, now_s = habits(*[(900.0, RUN), (900.0, SHED)] * 3, (900.0, RUN))
    assert made.grace_s("call-not-reaching-unit", SHED, now_s, ASKED_S) == pytest.approx(1.2 * 900.0)
    assert made.grace_s("call-without-pull-in", WAIT, now_s, ASKED_S) == 0.0
    assert made.grace_s("line-supply-lost", SHED, now_s, ASKED_S) == 0.0
    plain = msgspec.structs.replace(UNIT, delay_learned=False)
    made, now_s = habits(*waits(180.0, 180.0, 180.0), unit=plain)
    assert made.grace_s("call-without-pull-in", WAIT, now_s, ASKED_S) == 0.0
    assert made.offers(ASKED_S) == ()


def test_after_a_stop_the_rest_of_the_learned_pause_is_waited_for() -> None:
    """The timer ran from the stop: what is left of it when the call comes, or now where no call waits."""
    made, now_s = habits(*breaks(60.0, 200.0, 120.0), (900.0, RUN), (100.0, REST), (50.0, WAIT))
    assert made.grace_s("call-without-pull-in", WAIT, now_s, ASKED_S) == pytest.approx(1.2 * 200.0)
    made, now_s = habits(*breaks(60.0, 200.0, 120.0), (900.0, RUN), (100.0, REST))
    assert made.grace_s("call-without-run", REST, now_s, ASKED_S) == pytest.approx(1.2 * 200.0)
    made, now_s = habits(*breaks(60.0, 200.0, 120.0), (900.0, RUN), (400.0, REST), (50.0, WAIT))
    assert made.grace_s("call-without-pull-in", WAIT, now_s, ASKED_S) == 0.0


def test_in_the_cold_the_fan_may_rest_for_a_quarter_of_an_hour() -> None:
    """15 min in all, of which the finding's own delay is 30 s; by design, whatever the site file says of timers."""
    plain = msgspec.structs.replace(UNIT, delay_learned=False)
    for made, now_s in (habits(), habits(unit=plain)):
        assert made.grace_s("fan-not-running", RUN._replace(fan_may_rest=True), now_s, ASKED_S) == 900.0 - 30.0
        assert made.grace_s("fan-not-running", RUN, now_s, ASKED_S) == 0.0


def offer(setting: str, value: float | bool, what: str, lasted: int) -> Offer:
    return Offer(setting=setting, value=value, question=f"It looks as if {what}. Is that so?", lasted=lasted)


def test_what_was_learned_is_offered_until_the_site_file_says_it() -> None:
    """The setting, its value in whole seconds and the question; a declared time within a fifth settles it."""
    on_make = offer("unit.delay_on_make_s", 180, "a timer holds this unit off for 180 s after each call", 180)
    on_break = offer("unit.delay_on_break_s", 300, "a timer holds this unit off for 300 s after each stop", 300)
    shed = offer("unit.load_shed", True, "the utility cuts this unit's call for 15 minutes at a time", 15)

    def offered(parts: list[tuple[float, Facts]], **declared: float | bool) -> tuple[Offer, ...]:
        return habits(*parts, unit=msgspec.structs.replace(UNIT, **declared))[0].offers(ASKED_S)

    made = [*waits(180.0, 180.0, 180.0)]
    assert offered(made) == (on_make,)
    assert offered(made, delay_on_make_s=143.0) == (on_make,)
    assert offered(made, delay_on_make_s=144.0) == ()
    paused = [*breaks(60.0, 200.0, 120.0), (900.0, RUN)]
    assert offered(paused) == (on_break,)
    assert offered(paused, delay_on_break_s=239.0) == (on_break,)
    assert offered(paused, delay_on_break_s=240.0) == ()
    cut = [(900.0, RUN), (900.0, SHED)] * 3 + [(900.0, RUN)]
    assert offered(cut) == (shed,)
    assert offered(cut, load_shed=True) == ()
    assert offered([*made, *cut]) == (on_make, shed)
    # A wait that is always the same is a timer on make, though its pauses come out alike as well.
    regular = [(900.0, RUN), (120.0, REST), (180.0, WAIT)] * 3 + [(900.0, RUN)]
    assert offered(regular) == (on_make,)
    assert offered([]) == ()


def test_what_was_learned_goes_on_in_the_next_process() -> None:
    """Tenths of a second, the oldest first; what an unknown habit left is passed over."""
    made, _ = habits(*waits(170.04, 180.0, 181.26))
    assert {row.name: row.lasted_s for row in made.memory()} == {
        "delay-on-make": [170.0, 180.0, 181.3],
        "delay-on-break": [1180.0, 1181.3],
        "starts-at-once": [0.0] * 3,  # how many there were is all that is known of them
    }
    rows = [*made.memory(), type(made.memory()[0])(name="siesta", lasted_s=[1.0])]
    after = Habits(SETTINGS, rows)
    assert after.memory() == made.memory()


@pytest.mark.parametrize(
    ("compressor_a", "fan_a", "so"),
    [
        ([3.0, 6.5, 5.0, 3.5, 3.0], [0.5, 1.0, 0.8, 0.6, 0.5], True),
        ([9.0, 9.0, 6.1, 6.0, 6.0], [1.0, 1.0, 0.8, 0.8, 0.8], False),
        ([9.0, 12.5, 9.0, 6.0, 5.0], [1.0] * 5, False),
        ([9.0, 9.0, 9.0, 9.0, 4.0], [1.0, 1.0, 1.0, 1.0, 0.5], False),
    ],
    ids=["a drive", "two stages", "a contactor's fan", "the minute of the stop"],
)
def test_a_fan_that_slows_down_with_its_compressor_in_several_runs_shows_a_drive(
    compressor_a: list[float], fan_a: list[float], so: bool
) -> None:
    """Affinity laws: speed sets both currents. A contactor's fan turns at one speed through a run (common practice);
    a low stage draws 67 % of a high one's amps and more (tests/data/nist-ashp-hilft)."""
    made = Habits(SETTINGS)
    for run in range(4):
        for amps, fan in zip(compressor_a, fan_a, strict=True):
            made.mind_speed(1000.0 * run, amps, fan)
    assert made.modulates(1.0) is so


@pytest.mark.parametrize(("step_s", "found"), [(1.0, 900.0), (2.5, 900.0), (2.6, None)])
def test_two_equal_cuts_are_a_switchs_where_scans_are_close_enough_to_tell(step_s: float, found: float | None) -> None:
    """To the second: scans that may each be off by more than the slack tell it of three only."""
    made, _ = habits((600.0, REST), (600.0, RUN), *((900.0, SHED), (600.0, RUN)) * 2)
    assert learned(made, "load-shed", step_s) == found


FAN_FIRST = RUN._replace(contacts=None, load=None, compressor=False, runs=False)


@pytest.mark.parametrize(
    ("ramps_s", "step_s", "so"),
    [
        ((60.0, 60.0, 60.0), 1.0, True),
        ((60.0, 60.0), 1.0, False),
        ((60.0, 60.0, 80.0), 1.0, False),
        ((60.0, 60.0, 60.0), 39.0, True),
        ((60.0, 60.0, 60.0), 40.0, False),  # a scan and a half: both may have started at once
        ((181.0, 181.0, 181.0), 1.0, False),  # no board waits so long
    ],
)
def test_a_compressor_that_follows_its_fan_by_as_long_each_time_modulates(
    ramps_s: tuple[float, ...], step_s: float, so: bool
) -> None:
    """A contactor starts both at once, a board ramps. Once seen it stays so; not where the owner has denied it."""
    rest, run = REST._replace(contacts=None, load=None), RUN._replace(contacts=None, load=None)
    parts = [part for ramp_s in ramps_s for part in ((600.0, rest), (ramp_s, FAN_FIRST), (900.0, run))]
    made, _ = habits(*parts)
    assert made.modulates(step_s) is so
    for lasted_s in (10.0, 20.0, 30.0):
        made.durations["compressor-after-fan"].lasted_s.append(lasted_s)
    assert made.modulates(step_s) is so
    denied, _ = habits(*parts, unit=msgspec.structs.replace(UNIT, not_by_design=("variable-speed",)))
    assert not denied.modulates(step_s)


# ---------------------------------------------------------------- a number that is high in a run alone


def in_run(*rows: tuple[float, float | None, float | None]) -> list[bool | None]:
    """The answers to scans of when, the compressor's current, and the discharge line's temperature."""
    counter = InRun(SETTINGS, "discharge_c", 900.0)
    return [counter.update(Scan(t_s=t_s, compressor_a=amps, discharge_c=hot_c)) for t_s, amps, hot_c in rows]


def test_a_discharge_line_is_hot_in_a_run_and_proved_cool_by_a_long_one() -> None:
    """Beyond 107 °C (225 °F, common practice) at once; not so after a quarter of an hour without. Between runs, and
    without one of the two sensors, nothing is known."""
    assert in_run((0.0, 0.0, 112.0), (1.0, 9.0, 112.0), (2.0, 9.0, 103.0), (3.0, 9.0, 101.0)) == [
        None,
        True,
        True,
        None,
    ]
    assert in_run((0.0, 9.0, 80.0), (899.0, 9.0, 80.0), (900.0, 9.0, 80.0)) == [None, None, False]
    # a rest, and heat, begin the quarter of an hour anew
    assert in_run((0.0, 9.0, 80.0), (600.0, 0.0, 80.0), (900.0, 9.0, 80.0), (1799.0, 9.0, 80.0)) == [None] * 4
    heat = in_run((0.0, 9.0, 80.0), (600.0, 9.0, 112.0), (900.0, 9.0, 80.0), (1799.0, 9.0, 80.0), (1800.0, 9.0, 80.0))
    assert heat == [None, True, None, None, False]
    assert in_run((0.0, 9.0, 112.0), (1.0, None, 112.0), (2.0, 9.0, None), (3.0, 9.0, 112.0)) == [
        True,
        None,
        None,
        True,
    ]


COIL_OFF = WAIT._replace(thermostat=True, coil="none")


@pytest.mark.parametrize(
    ("cycle", "found"),
    [
        ([(900.0, RUN), (900.0, COIL_OFF)], 900.0),  # half of each half hour
        ([(900.0, RUN), (600.0, COIL_OFF)], None),  # a board's lockout after a pressure switch: up to ten minutes
        ([(900.0, RUN), (601.0, COIL_OFF)], 601.0),
        ([(900.0, RUN), (900.0, COIL_OFF._replace(coil="sealed"))], None),  # the coil holds: the contacts do not make
        ([(900.0, RUN._replace(draw="low")), (900.0, COIL_OFF)], None),  # a low-pressure switch lets go like this
        ([(900.0, RUN), (900.0, COIL_OFF._replace(supply=False))], None),
        ([(900.0, RUN), (500.0, COIL_OFF), (400.0, REST)], None),  # the call ended within it
        ([(900.0, RUN), (300.0, REST), (900.0, COIL_OFF)], None),  # it began at rest: a timer, or a switch
    ],
)
def test_a_switch_behind_the_calls_tap_is_learned_from_a_coil_that_gets_nothing(
    cycle: list[tuple[float, Facts]], found: float | None
) -> None:
    """A utility's switch is mounted on the outdoor unit and may break the coil's own lead (common practice of load
    control); a pressure switch keeps no time, and boards hold off for up to ten minutes."""
    made, _ = habits(*cycle * 3, (900.0, RUN))
    assert learned(made, "load-shed") == found


def test_a_switch_behind_the_calls_tap_that_was_learned_is_waited_for() -> None:
    """A fifth longer than it lasts, and only where the coil is seen to get nothing."""
    made, now_s = habits(*[(900.0, RUN), (900.0, COIL_OFF)] * 3, (900.0, RUN), (60.0, COIL_OFF))
    assert made.grace_s("call-without-pull-in", COIL_OFF, now_s, 1.0) == pytest.approx(1.2 * 900.0)
    made, now_s = habits(*[(900.0, RUN), (900.0, COIL_OFF)] * 3, (900.0, RUN), (60.0, COIL_OFF._replace(coil="sealed")))
    assert made.grace_s("call-without-pull-in", COIL_OFF, now_s, 1.0) == 0.0


@pytest.mark.parametrize("partial_a", [0.3, 0.5, 0.8])
def test_a_defrost_makes_no_drive_of_a_heat_pump(partial_a: float) -> None:
    """A board stops the fan for a defrost within one minute and starts it again within another (common practice); the
    compressor draws little meanwhile."""
    made = Habits(SETTINGS)
    for run in range(5):
        for amps, fan in ((10.0, 1.0), (5.0, partial_a), (5.0, 0.0), (5.0, 0.0), (5.5, partial_a), (9.0, 1.0)):
            made.mind_speed(5000.0 * run, amps, fan)
    assert made.modulates(1.0) is False


def test_a_dead_fans_clamp_shows_no_drive() -> None:
    """What it reads of nothing goes up and down."""
    made = Habits(SETTINGS)
    for run in range(5):
        for amps, fan in ((10.0, 0.02), (5.0, 0.01), (5.0, 0.01), (5.0, 0.01)):
            made.mind_speed(5000.0 * run, amps, fan)
    assert made.modulates(1.0) is False


FANLESS = RUN._replace(fan=False)


def fan_starts(*late_s: float) -> list[tuple[float, Facts]]:
    """Runs whose fan starts so late, and one that has just begun."""
    parts = [part for s in late_s for part in ((600.0, REST), (s, FANLESS), (900.0, RUN)) if part[0]]
    return [*parts, (600.0, REST), (1.0, FANLESS)]


@pytest.mark.parametrize(
    ("late_s", "grace_s"),
    [
        ((40.0,), 48.0),  # a unit whose fan has never started with its compressor alarms once
        ((40.0, 60.0, 45.0), 72.0),
        ((40.0, 0.0, 45.0), 54.0),  # in most of the last runs
        ((40.0, 0.0, 0.0), 0.0),
        ((14.0, 14.0, 14.0), 0.0),  # delay_least_s
        ((240.0, 240.0, 240.0), 288.0),  # run_on_s
        ((241.0, 241.0, 241.0), 0.0),  # a motor's protector that has cooled
    ],
)
def test_a_fan_that_starts_late_by_itself_is_cycled_by_design(late_s: tuple[float, ...], grace_s: float) -> None:
    """Low-ambient controls hold the condenser fan off until head pressure is up (common practice); what stops in the
    run itself is waited for no longer."""
    made, now_s = habits(*fan_starts(*late_s))
    assert made.grace_s("fan-not-running", FANLESS, now_s, 1.0) == pytest.approx(grace_s)
    made, now_s = habits(*fan_starts(*late_s)[:-1], (900.0, RUN), (1.0, FANLESS))
    assert made.grace_s("fan-not-running", FANLESS, now_s, 1.0) == 0.0
