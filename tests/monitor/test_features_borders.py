"""What shape, size and history of a run say, on both sides of each border.

The unit is one of 3 ton: rated load 12.8 A, fan 1.1 A; it normally draws 9 A. Where no source is named the figures are
common practice (and from memory). A border that moves by half, or twice as far, sees another fault.
"""

from __future__ import annotations

from math import pi
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import Cycle, Scan
from condenser_monitor.monitor.diagnosis.features import FeatureWatch
from tests.monitor.units import UNIT

HOUR = 3600.0
RUNS = Facts(call=True, thermostat=True, supply=True, contacts=True, compressor=True, fan=True)
DEAD = RUNS._replace(compressor=False)
LOST = Facts(call=True, thermostat=True, supply=False, contacts=True, compressor=False, fan=False)


def stopped(
    times: int = 2,
    *,
    amps: float | tuple[float, ...] = 9.0,
    outdoor_c: float = 28.0,
    ran_s: float = 600.0,
    off_s: float = 300.0,
    normal_a: float | None = 9.0,
    rough: tuple[float, float] | None = None,
    rise: float = 1.0,
    step_s: float = 0.0,
    unit: Unit = UNIT,
    slows: bool = False,
    distrusted: tuple[str, ...] = (),
) -> dict[str, str]:
    """What is seen of a compressor that stops by itself so many times under one call. `amps`: of each run alike, or of
    one after the other; `rise`: its current at the end of a run, of what it was 24 s before; `step_s`: how far apart
    scans are said to be."""
    watch, at_s = FeatureWatch(unit), 1000.0
    watch.distrusted = distrusted
    watch.changed(Facts(call=True, contacts=True, compressor=None), DEAD, at_s, normal_a, rough)
    for run_a in amps if isinstance(amps, tuple) else (amps,) * times:
        watch.changed(DEAD, RUNS, at_s, normal_a, rough)
        watch.run_minute(run_a, at_s, slows=slows)
        for scan in range(6):
            drew_a = run_a * rise ** ((scan - 5) * ran_s / 7 / 24.0)
            watch.keep(Scan(t_s=at_s + ran_s * (scan + 1) / 7, compressor_a=drew_a, outdoor_c=outdoor_c))
        at_s += ran_s
        watch.changed(RUNS, DEAD, at_s, normal_a, rough)
        at_s += off_s
    watch.changed(DEAD, RUNS, at_s, normal_a, rough)
    return watch.seen(at_s, step_s=step_s)


STOPS: list[tuple[str, dict[str, Any], str, str | None]] = [
    # number, how it stops, feature, what it says
    ("HOT_C", {"outdoor_c": 34.0}, "trip-heat", "hot"),  # 93 °F
    ("HOT_C", {"outdoor_c": 27.0}, "trip-heat", None),
    ("MILD_C", {"outdoor_c": 21.0}, "trip-heat", "mild"),  # 70 °F
    ("HIGH_TRIP_RATIO", {"amps": 9.6}, "trip-amps", "usual"),
    ("HIGH_TRIP_RATIO", {"amps": 12.0}, "trip-amps", "high"),  # a third more: without its fan
    ("LOW_TRIP_RATIO", {"amps": 8.2}, "trip-amps", "usual"),
    ("LOW_TRIP_RATIO", {"amps": 5.4}, "trip-amps", "low"),  # six tenths: no gas to pump
    ("USUAL_TRIP_RATIO", {"amps": 10.2, "normal_a": None}, "trip-amps", "usual"),
    ("USUAL_TRIP_RATIO", {"amps": 12.2, "normal_a": None}, "trip-amps", None),
    ("ROUGH_LOW_RATIO", {"amps": 7.4, "ran_s": 120.0, "normal_a": None, "rough": (9.0, 9.5)}, "trip-amps", "low"),
    ("ROUGH_LOW_RATIO", {"amps": 8.3, "ran_s": 120.0, "normal_a": None, "rough": (9.0, 9.5)}, "trip-amps", "under"),
    ("ROUGH_RAN_S", {"amps": 7.4, "ran_s": 40.0, "normal_a": None, "rough": (9.0, 9.5)}, "trip-amps", "under"),
    ("ROUGH_RAN_S", {"amps": 7.4, "ran_s": 90.0, "normal_a": None, "rough": (9.0, 9.5)}, "trip-amps", "low"),
    ("ROUGH_RAN_S", {"amps": 6.8, "ran_s": 40.0}, "trip-amps", "under"),  # at equal pressures a motor draws less
    ("ROUGH_RAN_S", {"amps": 6.8, "ran_s": 90.0}, "trip-amps", "low"),
    ("RUN_LOW_RATIO", {"amps": 8.3, "ran_s": 600.0, "normal_a": None, "rough": (9.0, 9.5)}, "trip-amps", "low"),
    ("RUN_LOW_RATIO", {"amps": 8.8, "ran_s": 600.0, "normal_a": None, "rough": (9.0, 9.5)}, "trip-amps", "usual"),
    ("SETTLE_S", {"amps": 8.3, "ran_s": 400.0, "normal_a": None, "rough": (9.0, 9.5)}, "trip-amps", "low"),
    ("SETTLE_S", {"amps": 8.3, "ran_s": 200.0, "normal_a": None, "rough": (9.0, 9.5)}, "trip-amps", "under"),
    # a run of two minutes whose current rises to the end: nobody knows where it would have come to
    ("STEADY_TRIP_RATIO", {"amps": 6.8, "ran_s": 56.0, "rise": 1.03}, "trip-amps", "under"),
    ("STEADY_TRIP_RATIO", {"amps": 6.8, "ran_s": 56.0, "rise": 1.08}, "trip-amps", None),
    ("STEADY_TRIP_S", {"amps": 6.8, "ran_s": 23.0}, "trip-amps", None),  # too short to show it
    ("CONFIRM_STOPS", {"times": 1}, "trip-after", None),  # one alone may be chance
    ("CONFIRM_STOPS", {"times": 2}, "trip-after", "minutes"),
    ("OFF_SECONDS_S", {"off_s": 14.0}, "off-time", "seconds"),  # no protector closes again so soon
    ("OFF_SECONDS_S", {"off_s": 30.0}, "off-time", "moments"),
    ("OFF_SWITCH_S", {"off_s": 90.0}, "off-time", "moments"),  # pressures meet in a minute or three
    ("OFF_SWITCH_S", {"off_s": 360.0}, "off-time", "minutes"),
    ("OFF_LONG_S", {"off_s": 600.0}, "off-time", "minutes"),
    ("OFF_LONG_S", {"off_s": 1400.0}, "off-time", "long"),  # a hot one takes half an hour and more
    # off for two scans a minute apart: it may be anything from a moment to two minutes
    ("GLIMPSE_STEP_S", {"off_s": 60.0, "step_s": 60.0}, "off-time", None),
    ("GLIMPSE_STEP_S", {"off_s": 120.0, "step_s": 60.0}, "off-time", "moments"),
    ("GLIMPSE_STEP_S", {"off_s": 14.0, "step_s": 10.0}, "off-time", "seconds"),
    ("GLIMPSE_STEP_S", {"ran_s": 100.0, "step_s": 60.0}, "trip-after", None),
    ("GLIMPSE_STEP_S", {"ran_s": 150.0, "step_s": 60.0}, "trip-after", "minutes"),
    # the seconds of a locked rotor show where the stop's own scans are close, however far apart they are by now
    ("GLIMPSE_STEP_S", {"ran_s": 28.0, "step_s": 60.0}, "scans", None),
    ("GLIMPSE_STEP_S", {"ran_s": 140.0, "step_s": 1.0}, "scans", "apart"),
]


@pytest.mark.parametrize(("number", "how", "feature", "says"), STOPS)
def test_a_stop_says_from_there(number: str, how: dict[str, Any], feature: str, says: str | None) -> None:
    """`number` is the border that it lies beside."""
    assert stopped(**how).get(feature) == says, number


@pytest.mark.parametrize(("outdoor_c", "says"), [(34.0, "hot"), (21.0, "mild")])
def test_a_thermometer_that_is_not_believed_tells_nothing_of_a_stop(outdoor_c: float, says: str) -> None:
    """A distrusted sensor counts as missing (contract, Trust in each sensor)."""
    assert stopped(outdoor_c=outdoor_c)["trip-heat"] == says
    assert "trip-heat" not in stopped(outdoor_c=outdoor_c, distrusted=("outdoor_c",))


@pytest.mark.parametrize(("distrusted", "says"), [((), "in-frost"), (("outdoor_c",), None)])
def test_a_thermometer_that_is_not_believed_tells_of_no_defrost(distrusted: tuple[str, ...], says: str | None) -> None:
    watch = FeatureWatch(msgspec.structs.replace(UNIT, heat_pump=True))
    watch.distrusted = distrusted
    watch.keep(Scan(t_s=1000.0, compressor_a=9.0, outdoor_c=0.0))
    watch.changed(RUNS, RUNS._replace(fan=False), 1001.0, 9.0)
    assert watch.seen(1002.0).get("fan-stopped") == says


@pytest.mark.parametrize(("hours", "says"), [(1.9, None), (2.6, "hours")])
@pytest.mark.parametrize("contacts", [True, None], ids=["contacts sensed", "not sensed"])
def test_what_is_dead_for_hours_under_its_call_waits_for_no_overload(
    contacts: bool | None, hours: float, says: str | None
) -> None:
    """OVERLOAD_MOST_S: a hot compressor's protector closes again within two hours. Where the contacts are not sensed it
    is the call that should have closed them; without either it is not known to be dead."""
    rests, dead = Facts(call=False, contacts=contacts and False, compressor=False), DEAD._replace(contacts=contacts)
    watch = FeatureWatch(UNIT)
    watch.changed(rests, dead, 1000.0, 9.0)
    assert watch.seen(1000.0 + hours * HOUR).get("dead-for") == says
    watch.changed(dead, rests, 1000.0 + hours * HOUR, 9.0)
    assert "dead-for" not in watch.seen(1000.0 + (hours + 3.0) * HOUR)


DRIVE = msgspec.structs.replace(UNIT, kind="variable-speed")


@pytest.mark.parametrize(("unit", "slows", "says"), [(UNIT, False, "low"), (UNIT, True, None), (DRIVE, False, None)])
def test_a_third_of_the_nameplate_is_little_but_where_a_board_sets_the_speed(
    unit: Unit, slows: bool, says: str | None
) -> None:
    """LOW_TRIP_RATIO, before a normal is learned; a drive idles at a fifth of its nameplate (common practice)."""
    found = stopped(amps=0.3 * UNIT.compressor_rla_a, normal_a=None, unit=unit, slows=slows)
    assert found.get("trip-amps") == says


def test_a_stop_that_tells_nothing_of_amps_takes_nothing_back() -> None:
    """A unit that cycles on a pressure switch: some of its runs are too short for the scans to show that their current
    rose no more. What the others showed holds, until it is too old (EPISODE_S, four hours)."""
    watch, at_s, said = FeatureWatch(UNIT), 1000.0, []
    watch.changed(Facts(call=True, contacts=True, compressor=None), DEAD, at_s, 9.0)
    for ran_s in (40.0, 40.0, *[15.0] * 6):
        watch.changed(DEAD, RUNS, at_s, 9.0)
        for place in range(3):
            watch.keep(Scan(t_s=at_s + ran_s * (place + 1) / 4, compressor_a=6.8))
        at_s += ran_s
        watch.changed(RUNS, DEAD, at_s, 9.0)
        said.append(watch.seen(at_s).get("trip-amps"))
        at_s += 120.0
    assert said == ["under"] * 8
    assert watch.deadline(at_s) < 1080.0 + 4 * HOUR + 120.0
    assert "trip-amps" not in watch.seen(1160.0 + 4 * HOUR + 50.0)


@pytest.mark.parametrize(("second_a", "says"), [(5.4, "under"), (9.0, "usual"), (12.0, None)])
def test_two_stops_that_differ_say_what_they_have_in_common(second_a: float, says: str | None) -> None:
    """One at the usual current and one at little of it: little rather than much. Usual and high have nothing."""
    assert stopped(amps=(9.0, second_a)).get("trip-amps") == says


@pytest.mark.parametrize(("slow", "says"), [(True, "lengthening"), (False, "steady"), (None, None)])
def test_starts_are_held_against_the_units_own_first_ones(slow: bool | None, says: str | None) -> None:
    """Nothing is said before any were captured."""
    watch = FeatureWatch(UNIT)
    watch.starts(slow, 1000.0)
    assert watch.seen(1000.0).get("starts") == says


@pytest.mark.parametrize(("coil_a", "says"), [(1.6, None), (3.2, "over")])
def test_a_coil_is_held_against_its_own_sealed_current(coil_a: float, says: str | None) -> None:
    """Catalogues give 24 V coils 20 to 60 VA open and 4 to 10 VA sealed, a ratio of 4 to 7 (from memory); the number
    COIL_OVER_RATIO lies between 6.4 and 12.8."""
    watch = FeatureWatch(UNIT)
    watch.cycle(msgspec.structs.replace(cycle(5000.0), coil_a=0.25))
    for second in range(5):
        watch.glimpse(Scan(t_s=10000.0 + second, call=True, coil_a=coil_a, control_v=24.0))
    assert watch.seen(10004.0).get("coil-amps") == says


@pytest.mark.parametrize(("coil_a", "says"), [(0.45, None), (0.55, "open"), (0.65, None)])
def test_a_coil_that_draws_more_than_its_own_sealed_current_stands_open(coil_a: float, says: str | None) -> None:
    """Its own sealed current is 0.38 A, about 9 VA; 24 V that is 15 % high makes no more than 0.44 A of that. From
    0.6 A on the reading says by itself that the armature is open. The number COIL_OPEN_RATIO lies between 1.18 and
    1.45."""
    watch = FeatureWatch(UNIT)
    watch.cycle(msgspec.structs.replace(cycle(5000.0), coil_a=0.38))
    for second in range(5):
        watch.glimpse(Scan(t_s=10000.0 + second, call=True, coil_a=coil_a, control_v=24.0))
    assert watch.seen(10004.0).get("coil-amps") == says


@pytest.mark.parametrize(("before_s", "says"), [(4.0, "usual"), (20.0, None)])
def test_what_the_coil_drew_tells_up_to_some_seconds_before_its_fuse_opened(before_s: float, says: str | None) -> None:
    """A blade fuse at twice its rating opens within 5 s (ISO 8820-3, from memory): the last scan before that may have
    been too early to show the short."""
    watch, at_s = FeatureWatch(UNIT), 1000.0
    for second in range(3):
        watch.glimpse(Scan(t_s=at_s + second, call=True, coil_a=0.26, control_v=25.0))
    cut_s = at_s + 2.0 + before_s
    lit = RUNS._replace(control_power=True)
    watch.changed(lit, lit._replace(control_power=False, call=False), cut_s, None)
    assert watch.seen(cut_s).get("coil-before") == says


# ---------------------------------------------------------------- minutes of run


def minutes(*parts: tuple[float, int], watch: FeatureWatch | None = None, from_s: float = 0.0) -> dict[str, str]:
    """What is seen after so many settled minutes at each part of the normal current."""
    watch, at_s = watch or FeatureWatch(UNIT), from_s
    for ratio, count in parts:
        for _ in range(count):
            at_s += 60.0
            watch.minute(9.0 * ratio, 9.0, at_s)
    return watch.seen(at_s)


MINUTES: list[tuple[str, tuple[tuple[float, int], ...], str, str | None]] = [
    ("RUN_HIGH_RATIO", ((1.03, 20),), "run-amps", "usual"),
    ("RUN_HIGH_RATIO", ((1.10, 20),), "run-amps", "high"),
    ("RUN_LOW_RATIO", ((0.97, 20),), "run-amps", "usual"),
    ("RUN_LOW_RATIO", ((0.90, 20),), "run-amps", "low"),
    ("RUN_MINUTES", ((1.0, 30), (1.10, 4)), "run-amps", "usual"),  # an odd moment
    ("RUN_MINUTES", ((1.0, 30), (1.10, 9)), "run-amps", "high"),
    ("RUN_SLACK_RATIO", ((1.10, 20), (1.04, 20)), "run-amps", "high"),  # at the border it does not flap
    ("RUN_SLACK_RATIO", ((1.10, 20), (1.025, 20)), "run-amps", "usual"),
    ("RUN_SLACK_RATIO", ((1.04, 20),), "run-amps", "usual"),  # it holds back what was told, and tells nothing itself
    ("RUN_SLACK_RATIO", ((0.96, 20),), "run-amps", "usual"),
    ("RISE_RATIO", ((1.0, 5), (1.09, 3)), "rise", None),
    ("RISE_RATIO", ((1.0, 5), (1.18, 3)), "rise", "sudden"),
    ("RISE_MINUTES", ((1.0, 5), (1.07, 10), (1.18, 2)), "rise", "sudden"),
    ("RISE_MINUTES", ((1.0, 5), (1.07, 22), (1.18, 2)), "rise", None),  # dirt takes longer, and heat too
]


@pytest.mark.parametrize(("number", "parts", "feature", "says"), MINUTES)
def test_minutes_of_run_say_from_there(
    number: str, parts: tuple[tuple[float, int], ...], feature: str, says: str | None
) -> None:
    """`number` is the border that it lies beside."""
    assert minutes(*parts).get(feature) == says, number


@pytest.mark.parametrize(
    ("number", "crept_to", "after_h", "sudden"),
    [
        ("RISE_AGAIN_S", 1.16, 18.0, False),  # it follows the day's heat, as yesterday
        ("RISE_AGAIN_S", 1.16, 36.0, True),
        ("RISE_BEFORE_RATIO", 1.10, 6.0, False),
        ("RISE_BEFORE_RATIO", 1.065, 6.0, True),  # a hair above is nothing that was there before
    ],
)
def test_a_rise_that_was_there_the_day_before_is_not_sudden(
    number: str, crept_to: float, after_h: float, sudden: bool
) -> None:
    """`number` is the border that it lies beside: the current creeps up, is normal at night, and comes up at once."""
    watch = FeatureWatch(UNIT)
    minutes((1.0, 5), (1.06, 25), (crept_to, 5), (1.0, 2), watch=watch)
    found = minutes((1.0, 2), (1.18, 3), watch=watch, from_s=37 * 60.0 + after_h * HOUR)
    # between them the unit rested: its last normal minute is the one before the rise
    assert (found.get("rise") == "sudden") is sudden, number


# ---------------------------------------------------------------- contacts, line, fan, clamps


@pytest.mark.parametrize(
    ("number", "changes", "every_s", "flickers"),
    [
        ("FLICKERS", 4, 10.0, False),
        ("FLICKERS", 8, 10.0, True),  # four times open within minutes: no pressure switch closes so often
        ("FLICKERS_WINDOW_S", 6, 18.0, True),
        # a high-pressure switch without its fan closes again every minute or two (common practice)
        ("FLICKERS_WINDOW_S", 6, 35.0, False),
    ],
)
def test_contacts_that_open_and_close_by_turns_flicker(
    number: str, changes: int, every_s: float, flickers: bool
) -> None:
    """`number` is the border that it lies beside."""
    watch = FeatureWatch(UNIT)
    for place in range(changes + 1):
        watch.glimpse(Scan(t_s=place * every_s, call=True, load=place % 2 == 0))
    assert (watch.seen(changes * every_s).get("flickers") == "yes") is flickers, number


@pytest.mark.parametrize(
    ("number", "lost_s", "start_after_s", "blink"),
    [
        ("BLINK_S", 7.0, 5.0, True),  # clocks run on, pressures stay
        ("BLINK_S", 15.0, 5.0, False),
        ("BLINK_BEFORE_S", 4.0, 45.0, True),
        ("BLINK_BEFORE_S", 4.0, 90.0, False),
    ],
)
def test_a_start_soon_after_a_blink_of_the_line_says_so(
    number: str, lost_s: float, start_after_s: float, blink: bool
) -> None:
    """`number` is the border that it lies beside."""
    watch = FeatureWatch(UNIT)
    watch.changed(RUNS, LOST, 1000.0, 9.0)
    watch.changed(LOST, DEAD, 1000.0 + lost_s, 9.0)
    watch.changed(DEAD, RUNS, 1000.0 + lost_s + start_after_s, 9.0)
    assert ("line-blink" in watch.seen(1200.0)) is blink, number


@pytest.mark.parametrize(
    ("number", "gone_s", "stalls_after_s", "blink"),
    [
        ("BLINK_S", 7.0, 5.0, True),
        ("BLINK_S", 15.0, 5.0, False),  # a thermostat or a pan may have asked for it
        ("BLINK_BEFORE_S", 4.0, 45.0, True),
        ("BLINK_BEFORE_S", 4.0, 90.0, False),
    ],
)
def test_a_stall_soon_after_a_blink_of_the_call_says_so(
    number: str, gone_s: float, stalls_after_s: float, blink: bool
) -> None:
    """`number` is the border that it lies beside."""
    watch, stalled = FeatureWatch(UNIT), RUNS._replace(locked=True)
    for t_s, call in ((999.0, True), (1000.0, False), (1000.0 + gone_s, True)):
        watch.glimpse(Scan(t_s=t_s, call=call))
    watch.changed(DEAD, stalled, 1000.0 + gone_s + stalls_after_s, 9.0)
    assert ("call-blink" in watch.seen(1200.0)) is blink, number
    watch.changed(stalled, DEAD, 1250.0, 9.0)
    watch.changed(DEAD, stalled, 2000.0, 9.0)
    assert "call-blink" not in watch.seen(2000.0)  # it stalls without one as well


@pytest.mark.parametrize(
    ("number", "ran_s", "off_s", "every_s", "likely"),
    [
        ("BLINK_S", 300.0, 0.0, 1.0, True),
        ("BLINK_S", 300.0, 8.0, 1.0, True),
        ("BLINK_S", 300.0, 12.0, 1.0, False),
        ("BLINK_S", 300.0, 0.0, 10.0, True),
        ("BLINK_S", 300.0, 0.0, 30.0, False),  # it may have rested meanwhile
        ("STEADY_TRIP_S", 15.0, 0.0, 1.0, False),  # it had hardly started
        ("STEADY_TRIP_S", 25.0, 0.0, 1.0, True),
    ],
)
def test_a_stall_out_of_a_run_is_the_lines_as_likely_as_not(
    number: str, ran_s: float, off_s: float, every_s: float, *, likely: bool
) -> None:
    """A single-phase motor that runs keeps running on its main winding when its capacitor fails (A. E. Fitzgerald,
    Electric Machinery, Single-phase motors). `number` is the border that it lies beside. From rest it is none."""
    watch, stalled = FeatureWatch(UNIT), RUNS._replace(locked=True)
    for step in range(int(ran_s / every_s) + 1):
        watch.glimpse(Scan(t_s=step * every_s, call=True, compressor_a=9.0))
    at_s = max(ran_s + off_s, ran_s // every_s * every_s + every_s)
    watch.changed(RUNS, stalled, at_s, 9.0)
    assert (watch.seen(600.0).get("line-blink") == "likely") is likely, number
    watch.changed(stalled, DEAD, at_s + 6.0, 9.0)
    watch.changed(DEAD, stalled, at_s + 600.0, 9.0)
    assert "line-blink" not in watch.seen(at_s + 600.0)


@pytest.mark.parametrize("every_s", [1.0, 10.0, 30.0])
@pytest.mark.parametrize(
    ("drew_a", "gone_s", "recalled"),
    [
        (9.0, 60.0, True),
        (9.0, 150.0, True),
        (9.0, 210.0, False),  # the manufacturers' three minutes of rest: the pressures have met
        (60.0, 60.0, False),  # it stalled before: whoever pulls and puts back the call makes no difference
        (0.0, 60.0, False),  # it rested, so that the pressures had met
    ],
)
def test_a_stall_soon_after_a_run_whose_call_was_away_says_so(
    drew_a: float, gone_s: float, every_s: float, *, recalled: bool
) -> None:
    """A float, a wire or a thermostat that cuts a run and calls again: a sound motor stalls against its own pressures,
    at any distance of scans at which both are seen (a scroll compressor's guide asks for three minutes of rest)."""
    watch, stalled = FeatureWatch(UNIT), RUNS._replace(locked=True)
    for step in range(int(1000.0 / every_s)):
        watch.glimpse(Scan(t_s=step * every_s, call=True, compressor_a=drew_a))
    cut_s = 1000.0
    watch.glimpse(Scan(t_s=cut_s, call=False, compressor_a=0.0))
    watch.glimpse(Scan(t_s=cut_s + gone_s, call=True, compressor_a=60.0))
    watch.changed(DEAD, stalled, cut_s + gone_s, 9.0)
    assert ("call-blink" in watch.seen(1500.0)) is recalled


@pytest.mark.parametrize(
    ("number", "amps", "fell"),
    [
        ("FAN_FELL_RATIO", [0.9] * 5, False),  # 82 % of before
        ("FAN_FELL_RATIO", [0.75] * 5, True),  # 68 %: what a lost leg leaves it, by the simulated unit
        ("FAN_ON_RATIO", [0.1] * 5, False),  # that it stands is another finding's
        ("STEADY_TRIP_S", [0.75] * 2, False),  # ten seconds: it may coast
        ("FAN_FELL_RATIO", [0.75, 0.75, 1.1, 0.75], False),  # the contactor chatters
    ],
)
def test_a_fan_that_lost_a_part_of_its_volts_with_the_compressor_says_so(
    number: str, amps: list[float], fell: bool
) -> None:
    """`number` is the border that it lies beside; readings ten seconds apart."""
    watch = FeatureWatch(UNIT)
    watch.changed(DEAD, RUNS, 0.0, 9.0)
    for t_s in range(0, 600, 10):
        watch.keep(Scan(t_s=float(t_s), compressor_a=9.0, fan_a=1.1))
    watch.changed(RUNS, DEAD, 600.0, 9.0)
    for place, fan_a in enumerate(amps):
        watch.keep(Scan(t_s=600.0 + 10.0 * place, compressor_a=0.0, fan_a=fan_a))
    assert ("fan-fell" in watch.seen(700.0)) is fell, number


def test_a_call_that_closes_the_contactor_takes_nothing_back_of_what_let_it_go_before() -> None:
    """It let go in the middle of a run; the thermostat was satisfied later, called again, and it closed."""
    watch, idle = FeatureWatch(UNIT), Facts(call=False, contacts=False, compressor=False)
    opened, called = idle._replace(call=True), idle._replace(call=True)
    for was, facts, at_s in ((RUNS, opened, 1000.0), (opened, idle, 1400.0), (idle, called, 2000.0)):
        watch.changed(was, facts, at_s, 9.0)
    assert watch.seen(2003.0)["opened"] == "in-run"
    assert watch.seen(2060.0)["opened"] == "at-start"
    watch.changed(called, RUNS, 2061.0, 9.0)
    assert watch.seen(2070.0)["opened"] == "in-run"


def test_what_runs_has_closed_where_its_contacts_are_not_sensed() -> None:
    """The call comes a moment before the current: "did not close at the call" is said of what does not run."""
    watch, idle = FeatureWatch(UNIT), Facts(call=False, compressor=False, runs=False)
    called, runs = idle._replace(call=True), Facts(call=True, compressor=True, runs=True, contacts=True)
    watch.changed(idle, called, 1000.0, 9.0)
    assert "opened" not in watch.seen(1003.0)  # STALE_S: readings need not be of one instant
    assert watch.seen(1060.0)["opened"] == "at-start"
    watch.changed(called, runs, 1061.0, 9.0)
    assert "opened" not in watch.seen(1070.0)


def cycle(at_s: float, *, run_s: float = 900.0, fan_a: float | None = 1.0, call_s: float = 900.0) -> Cycle:
    """One that ends at this time."""
    empty: dict[str, Any] = dict.fromkeys(Cycle.__struct_fields__)
    fixed = {"started_s": at_s - call_s, "stopped_s": at_s, "run_s": run_s, "start_seen": True, "closings": 1}
    return Cycle(**{**empty, **fixed, "fan_a": fan_a, "compressor_starts": 1})


@pytest.mark.parametrize(
    ("number", "runs", "fan_a", "says"),
    [
        ("FAN_RUNS", 2, 1.5, None),
        ("FAN_RUNS", 4, 1.5, "high"),
        ("FAN_HIGH_RATIO", 8, 1.15, None),
        ("FAN_HIGH_RATIO", 8, 1.4, "high"),  # they fail at 35 to 50 % over
        ("FAN_LOW_RATIO", 8, 0.8, None),
        ("FAN_LOW_RATIO", 8, 0.5, "low"),  # without its blade
    ],
)
def test_a_fan_is_held_to_its_own_runs(number: str, runs: int, fan_a: float, says: str | None) -> None:
    """`number` is the border that it lies beside: the fan drew 1 A in so many runs."""
    watch = FeatureWatch(UNIT)
    for place in range(runs):
        watch.cycle(cycle(HOUR * place))
    watch.cycle(cycle(HOUR * runs, fan_a=fan_a))
    assert watch.seen(HOUR * runs).get("fan-amps") == says, number


@pytest.mark.parametrize(("run_s", "says"), [(200.0, None), (600.0, "high")])
def test_a_fan_is_judged_by_runs_that_settled(run_s: float, says: str | None) -> None:
    """SETTLE_S: the mean of a short one holds its start."""
    watch = FeatureWatch(UNIT)
    for place in range(8):
        watch.cycle(cycle(HOUR * place))
    watch.cycle(cycle(HOUR * 8, fan_a=1.5, run_s=run_s))
    assert watch.seen(HOUR * 8).get("fan-amps") == says


@pytest.mark.parametrize(("fan_a", "closings", "says"), [(0.5, 1, "low"), (0.5, 6, None), (1.5, 6, "high")])
def test_a_fan_of_a_unit_that_stops_again_and_again_is_not_low(fan_a: float, closings: int, says: str | None) -> None:
    """The mean of a call with many stops holds their scans, in which the fan runs down; too much is too much."""
    watch = FeatureWatch(UNIT)
    for place in range(8):
        watch.cycle(cycle(HOUR * place))
    watch.cycle(msgspec.structs.replace(cycle(HOUR * 8, fan_a=fan_a), closings=closings))
    assert watch.seen(HOUR * 8).get("fan-amps") == says


@pytest.mark.parametrize(("high", "says"), [(4, None), (9, "high")])
def test_the_middle_of_a_fans_last_scans_counts(high: int, says: str | None) -> None:
    """FAN_SCANS: before the compressor stops by itself."""
    watch = FeatureWatch(UNIT)
    for place in range(4):
        watch.cycle(cycle(HOUR * place))
    at_s = 5 * HOUR
    watch.changed(DEAD, RUNS, at_s, 9.0)
    for scan in range(40):
        fan_a = 1.5 if scan >= 40 - high else 1.0
        watch.keep(Scan(t_s=at_s + 10.0 * scan, compressor_a=9.0, fan_a=fan_a))
    watch.changed(RUNS, DEAD, at_s + 401.0, 9.0)
    assert watch.seen(at_s + 402.0).get("fan-amps") == says


@pytest.mark.parametrize(
    ("number", "scans", "fan_a", "swapped"),
    [
        ("SWAPPED_SCANS", 3, 9.0, None),  # a motor's inrush
        ("SWAPPED_SCANS", 7, 9.0, True),
        ("SWAPPED_RATIO", 7, 1.9, False),  # a fan that stands and hums
        ("SWAPPED_RATIO", 7, 4.4, None),  # no fan's, and little for a compressor
        ("SWAPPED_RATIO", 7, 9.0, True),  # no fan draws eight times its nameplate and runs
    ],
)
def test_clamps_that_read_each_others_current(number: str, scans: int, fan_a: float, swapped: bool | None) -> None:
    """`number` is the border that it lies beside."""
    watch = FeatureWatch(UNIT)
    for scan in range(scans):
        watch.keep(Scan(t_s=float(scan), compressor_a=1.0, fan_a=fan_a))
    assert watch.judge_clamps(float(scans)) is swapped, number


@pytest.mark.parametrize(("every_s", "swapped"), [(3.5, None), (5.5, True), (60.0, True)])
def test_scans_far_apart_tell_crossed_clamps_by_their_time(every_s: float, swapped: bool | None) -> None:
    """SWAPPED_S: three scans over 7 s may all be of a motor that starts; of those over 11 s the last is not."""
    watch = FeatureWatch(UNIT)
    for scan in range(3):
        watch.keep(Scan(t_s=every_s * scan, compressor_a=1.0, fan_a=9.0))
    assert watch.judge_clamps(every_s * 3) is swapped


@pytest.mark.parametrize(("away_s", "satisfied"), [(200.0, False), (300.0, True)])
def test_a_call_that_is_soon_back_is_none_that_was_satisfied(away_s: float, satisfied: bool) -> None:
    """TRUST.pause_s: a thermostat rests for five minutes (common practice)."""
    watch, at_s = FeatureWatch(UNIT), 20 * HOUR
    for _ in range(3):
        watch.glimpse(Scan(t_s=at_s, call=True))
        watch.glimpse(Scan(t_s=at_s + 900.0, call=False))
        watch.cycle(cycle(at_s + 900.0, run_s=0.0, call_s=900.0))
        at_s += 900.0 + away_s
    assert ("calls-satisfied" in watch.seen(at_s)) is satisfied


@pytest.mark.parametrize(("back_after_s", "dead_after_s", "blink"), [(60, 0, True), (240, 0, False), (60, 120, False)])
def test_a_compressor_that_is_dead_as_its_call_is_soon_back_says_so(
    back_after_s: int, dead_after_s: int, blink: bool
) -> None:
    """Scans a minute apart show no stall: a motor meets its own pressures for three minutes (SHORT_CYCLING.off_s), and
    its protector opens within seconds (common practice)."""
    watch, open_contacts = FeatureWatch(UNIT), DEAD._replace(contacts=False)
    for t_s in range(600, 1200, 60):
        watch.keep(Scan(t_s=float(t_s), call=True, compressor_a=9.0))
    watch.glimpse(Scan(t_s=1140.0, call=True, compressor_a=9.0))
    watch.glimpse(Scan(t_s=1200.0, call=False, compressor_a=0.0))
    watch.glimpse(Scan(t_s=1200.0 + back_after_s, call=True, compressor_a=0.0))
    watch.changed(open_contacts, DEAD, 1200.0 + back_after_s + dead_after_s, 9.0)
    assert ("call-blink" in watch.seen(1700.0)) is blink


@pytest.mark.parametrize(
    ("heat_pump", "outdoor_c", "still", "says"),
    [
        (True, 2.0, RUNS._replace(fan=False), "in-frost"),
        (True, 2.0, DEAD._replace(fan=False), None),  # the compressor stopped with it
        (True, 20.0, RUNS._replace(fan=False), None),  # HABITS.frost_c
        (True, None, RUNS._replace(fan=False), None),
        (False, 2.0, RUNS._replace(fan=False), None),
    ],
)
def test_a_fan_that_stops_in_a_run_in_frost_says_so(
    heat_pump: bool, outdoor_c: float | None, still: Facts, says: str | None
) -> None:
    """A heat pump stops its fan in each defrost (common practice); one that runs again was none that stuck."""
    watch = FeatureWatch(msgspec.structs.replace(UNIT, heat_pump=heat_pump))
    watch.keep(Scan(t_s=1000.0, outdoor_c=outdoor_c))
    watch.changed(RUNS, still, 1000.0, 9.0)
    assert watch.seen(1100.0).get("fan-stopped") == says
    watch.changed(still, RUNS, 1300.0, 9.0)
    assert "fan-stopped" not in watch.seen(1300.0)


@pytest.mark.parametrize(("call_h", "satisfied"), [(2.0, True), (4.0, False)])
def test_a_call_that_ended_though_nothing_ran_was_satisfied_or_given_up(call_h: float, satisfied: bool) -> None:
    """SATISFIED_MOST_S: a thermostat's longest call on a hot day, and the cool of the night."""
    watch = FeatureWatch(UNIT)
    for place in range(3):
        watch.cycle(cycle(20 * HOUR + 600.0 * place, run_s=0.0, call_s=call_h * HOUR))
    assert ("calls-satisfied" in watch.seen(20 * HOUR + 1300.0)) is satisfied


@pytest.mark.parametrize(("later_h", "tells"), [(3.0, True), (6.0, False)])
def test_what_was_seen_tells_for_some_hours(later_h: float, tells: bool) -> None:
    """EPISODE_S: what belongs to one visit to the thermostat, not to the day before."""
    watch = FeatureWatch(UNIT)
    minutes((1.10, 20), watch=watch)
    assert ("run-amps" in watch.seen(1200.0 + later_h * HOUR)) is tells


@pytest.mark.parametrize(
    ("number", "before", "falls_to", "minutes_of_it", "fell"),
    [
        ("FALL_RATIO", 6, 0.67, 4, False),  # a low stage draws 67 % of a high one, tests/data/nist-ashp-hilft
        ("FALL_RATIO", 6, 0.45, 4, True),
        ("FALL_CONFIRM", 6, 0.45, 1, False),  # a blink of the line
        ("FALL_CONFIRM", 6, 0.45, 3, True),
        ("FALL_MINUTES", 1, 0.45, 4, False),
        ("FALL_MINUTES", 4, 0.45, 4, True),
    ],
)
def test_a_current_that_falls_at_once_says_so(
    number: str, before: int, falls_to: float, minutes_of_it: int, fell: bool
) -> None:
    """`number` is the border that it lies beside: so many minutes at 9 A, then at so much of it."""
    watch = FeatureWatch(UNIT)
    watch.changed(DEAD, RUNS, 0.0, 9.0)
    amps = [9.0] * before + [9.0 * falls_to] * minutes_of_it
    for minute, minute_a in enumerate(amps):
        watch.run_minute(minute_a, 600.0 + 60.0 * minute, slows=False)
    assert ("fall" in watch.seen(1300.0)) is fell, number


@pytest.mark.parametrize(("scan_s", "stall_s", "fell"), [(1.0, 0.0, True), (10.0, 0.0, False), (1.0, 8.0, True)])
def test_a_current_that_falls_in_a_runs_first_minute_says_so(scan_s: float, stall_s: float, fell: bool) -> None:
    """FALL_SCANS: 11 A for the run's first minute, then what flows through the run capacitor alone, 2 pi 60 Hz 40 uF
    240 V = 3.6 A; scans that are far apart show too little of it. A start that stalls for seconds does not hide it."""
    watch = FeatureWatch(UNIT)
    watch.changed(DEAD, RUNS, 0.0, 9.0)
    for count in range(int(60.0 / scan_s)):
        amps = UNIT.compressor_lra_a if count * scan_s < stall_s else 11.0
        watch.keep(Scan(t_s=count * scan_s, compressor_a=amps, call=True))
    through_a = 2.0 * pi * 60.0 * 40e-6 * 240.0
    for minute, minute_a in enumerate((None, through_a, through_a)):
        watch.run_minute(minute_a, 60.0 + 60.0 * minute, slows=False)
    assert ("fall" in watch.seen(200.0)) is fell


def test_a_start_that_stalls_for_a_while_is_no_level_to_fall_from() -> None:
    """Eight seconds at 60 A of a first half minute, then 9 A: the run goes on as it began."""
    watch = FeatureWatch(UNIT)
    watch.changed(DEAD, RUNS, 0.0, 9.0)
    for second in range(30):
        watch.keep(Scan(t_s=float(second), compressor_a=60.0 if second < 8 else 9.0, call=True))
    for minute in range(4):
        watch.run_minute(9.0 if minute else None, 30.0 + 60.0 * minute, slows=False)
    assert "fall" not in watch.seen(300.0)


def test_a_drive_that_slows_down_marks_no_fall_and_takes_one_back() -> None:
    """Half the current is half the speed there (common practice), and what was seen before it was known is unsaid."""
    watch = FeatureWatch(UNIT)
    watch.changed(DEAD, RUNS, 0.0, 9.0)
    for minute in range(12):
        watch.run_minute(9.0 if minute < 6 else 4.0, 600.0 + 60.0 * minute, slows=False)
    assert watch.seen(1300.0).get("fall") == "sudden"
    watch.run_minute(4.0, 1320.0, slows=True)
    assert "fall" not in watch.seen(1320.0)


@pytest.mark.parametrize(
    ("seen_before", "rests_s", "says"),
    [
        (True, 120.0, None),  # a board starts it up to 90 s after the call
        (True, 240.0, "rests"),
        (False, 240.0, None),  # a sensor that has never read it running may be dead itself
    ],
)
def test_a_blower_that_stands_in_a_run_says_so(rests_s: float, says: str | None, *, seen_before: bool) -> None:
    """BLOWER_RESTS_S, and who is a witness."""
    watch = FeatureWatch(UNIT)
    if seen_before:
        watch.blower_minute(blower=True, rests_since_s=0.0, at_s=60.0)
    watch.blower_minute(blower=None, rests_since_s=0.0, at_s=120.0)
    watch.blower_minute(blower=False, rests_since_s=1000.0, at_s=1000.0 + rests_s)
    assert watch.seen(1300.0).get("blower-in-run") == says
    watch.blower_minute(blower=True, rests_since_s=1400.0, at_s=1460.0)
    assert "blower-in-run" not in watch.seen(1460.0)


def test_a_new_process_remembers_that_the_blower_stood() -> None:
    """What an earlier process has seen of it is still so until it runs again."""
    watch = FeatureWatch(UNIT)
    watch.blower_minute(blower=True, rests_since_s=0.0, at_s=60.0)
    watch.blower_minute(blower=False, rests_since_s=1000.0, at_s=1300.0)
    again = FeatureWatch(UNIT, watch.memory(1400.0))
    again.blower_minute(blower=False, rests_since_s=100.0, at_s=400.0)
    assert again.seen(3 * HOUR).get("blower-in-run") == "rests"


@pytest.mark.parametrize(
    ("amps", "known", "distrusted", "says"),
    [
        (0.05, True, (), "none"),
        (3.0, True, (), None),  # a locked rotor's, or a weak line's
        (0.05, False, (), None),  # a clamp that has never read any may have come off
        (0.05, True, ("start_winding_a",), None),
        (None, True, (), None),
    ],
)
def test_a_stall_shows_whether_the_start_winding_is_fed(
    amps: float | None, distrusted: tuple[str, ...], says: str | None, *, known: bool
) -> None:
    """START_WINDING_NONE_A at locked-rotor current: through an open run capacitor nothing flows."""
    watch = FeatureWatch(UNIT)
    watch.winding_known, watch.distrusted = known, distrusted
    for t_s in (10.0, 11.0, 12.0):
        watch.glimpse(Scan(t_s=t_s, call=True, compressor_a=UNIT.compressor_lra_a, start_winding_a=amps))
    assert watch.seen(13.0).get("stall-winding") == says
    watch.glimpse(Scan(t_s=400.0, call=True, compressor_a=UNIT.compressor_lra_a, start_winding_a=4.0))
    assert "stall-winding" not in watch.seen(401.0)
