"""Each finding of the contract (section 5): raised after its delay, not before; cleared when its condition is gone."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import SensorSettings, Settings, Unit, parse
from condenser_monitor.monitor.core.findings import (
    CATALOGUE,
    CONTRADICTIONS,
    ROWS,
    both,
    no,
)
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    Change,
    Severity,
)
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    SETTINGS,
    UNIT,
    Readings,
    but,
    changes,
    events,
    raised,
    scans,
)

NO_PULL = but(RUN, load=False, coil_a=0.0, compressor_a=0.0, fan_a=0.0)
NO_RUN = but(RUN, compressor_a=0.0, fan_a=0.0)
DARK = but(RUN, supply=False, load=False, compressor_a=0.0, fan_a=0.0)
NO_24 = but(REST, control_power=False)
LOST_CALL = but(REST, thermostat=True)

# finding, readings while it stands, its delay in s as the contract says it
STANDING: list[tuple[str, Readings, float]] = [
    ("call-without-pull-in", NO_PULL, 10),
    ("pull-in-without-run", NO_RUN, 15),
    ("compressor-not-running", but(RUN, compressor_a=0.0), 30),
    ("fan-not-running", but(RUN, fan_a=0.0), 30),
    ("low-control-voltage", but(RUN, control_v=19.0), 5),
    ("line-supply-lost", DARK, 10),
    ("control-power-lost", NO_24, 10),
    ("call-not-reaching-unit", LOST_CALL, 30),
]
# the severities of the contract's table
SEVERITIES = {
    "low-control-voltage": "soon",
    "low-line-voltage": "soon",
    "high-line-voltage": "soon",
    "run-capacitor-weak": "soon",
    "low-split": "soon",
    "hot-discharge": "soon",
    "high-split": "soon",
    "call-without-thermostat": "soon",
    "short-cycling": "soon",
    "high-running-current": "soon",
    "low-running-current": "soon",
    "sensing-disagrees": "soon",
    "sensor-silent": "soon",
    "slow-start": "watch",
    "long-run": "watch",
    "overdue-call": "soon",
    "no-call-in-heat": "watch",
}


def test_catalogue_holds_each_finding_with_its_severity() -> None:
    """Names and severities are those of the contract's table; parents are judged before their children."""
    assert set(CATALOGUE) == set(limits.FINDINGS)
    for place, row in enumerate(ROWS):
        assert row.severity == SEVERITIES.get(row.name, Severity.URGENT), f"{row.name}: SEVERITIES has another"
        assert set(row.parents) <= {earlier.name for earlier in ROWS[:place]}
        assert set(row.evidence) <= set(READINGS)
        assert row.pattern == (row.condition is None)


@pytest.mark.parametrize(("name", "readings", "delay_s"), STANDING)
@pytest.mark.parametrize("every_s", [0.1, 1.0, 2.0])
def test_standing_condition_is_raised_at_its_delay(
    name: str, readings: Readings, delay_s: float, every_s: float
) -> None:
    """Raised by the first scan at or after the delay, at any scan rate, and by nothing else."""
    found = changes((100, REST), (delay_s + 60, readings), (100, REST), every_s=every_s)
    assert [what[1:] for what in found] == [("raised", name), ("cleared", name)]
    assert delay_s <= found[0][0] - 100 < delay_s + every_s + 1e-6
    assert found[1][0] - (160 + delay_s) <= 2 * every_s


@pytest.mark.parametrize(("name", "readings", "delay_s"), STANDING)
def test_condition_that_ends_at_the_very_moment_of_its_delay_is_silent(
    name: str, readings: Readings, delay_s: float
) -> None:
    """The scan taken when the delay ends is read first: it says that the condition has gone."""
    assert name not in raised((100, REST), (delay_s, readings), (100, but(RUN)))


@pytest.mark.parametrize(("name", "readings", "delay_s"), STANDING)
def test_slow_recording_needs_two_scans(name: str, readings: Readings, delay_s: float) -> None:
    """At 0.02 Hz one scan never raises; the second, 50 s on, does."""
    base = but(RUN) if readings.get("call") else REST
    assert raised((500, base), (50, readings), (500, base), every_s=50) == []
    found = changes((500, base), (100, readings), (500, base), every_s=50)
    assert [(what, finding) for _, what, finding in found] == [("raised", name), ("cleared", name)]


@pytest.mark.parametrize(("name", "readings", "delay_s"), STANDING)
def test_one_odd_scan_does_not_clear(name: str, readings: Readings, delay_s: float) -> None:
    """A single scan that looks healthy, or lacks its readings, leaves a standing finding as it is."""
    missing = dict.fromkeys(readings)
    parts = ((100, REST), (delay_s + 20, readings), (1, RUN), (20, readings), (1, missing), (20, readings))
    assert [what for _, what, _ in changes(*parts)] == ["raised"]


def test_locked_rotor_is_raised_after_one_and_a_half_seconds() -> None:
    """60 % of 68 A held 1.5 s; a healthy start's inrush of one scan is silent."""
    locked = but(RUN, compressor_a=0.61 * 68)
    assert changes((10, REST), (4, locked), (60, but(RUN, compressor_a=0.0)), every_s=0.1)[0] == (
        11.5,
        "raised",
        "locked-rotor",
    )
    assert raised((10, REST), (1, locked), (60, RUN)) == []
    assert "locked-rotor" not in raised((10, REST), (4, but(RUN, compressor_a=0.59 * 68)), (60, RUN))


def test_overload_cycling_needs_two_restarts_with_the_contacts_closed() -> None:
    """Two restarts by itself within 90 min; while it stands, the pauses are not raised again."""
    pause = (900, but(RUN, compressor_a=0.0))
    found = raised((10, REST), (300, RUN), pause, (300, RUN), pause, (300, RUN), pause, (100, RUN))
    assert found == ["compressor-not-running", "compressor-not-running", "overload-cycling"]
    far = (4000, but(RUN, compressor_a=0.0))
    assert "overload-cycling" not in raised((10, REST), (1500, RUN), far, (1500, RUN), far, (300, RUN), every_s=5)
    assert "overload-cycling" not in raised((10, REST), *[(400, RUN), (400, REST)] * 4)


def test_a_stop_in_which_one_slow_scan_found_the_contacts_open_is_no_overload() -> None:
    """The next scan lacks the reading: that they opened is not believed, nor that they stayed closed."""
    dead = but(RUN, compressor_a=0.0)
    pause = ((60, but(dead, load=False)), (60, but(dead, load=None)))
    assert "overload-cycling" not in raised((600, REST), *[(600, RUN), *pause] * 4, every_s=60)
    assert "overload-cycling" in raised((600, REST), *[(600, RUN), (120, dead)] * 4, every_s=60)


@pytest.mark.parametrize(
    "readings",
    [
        but(REST, load=True, compressor_a=9.0, fan_a=1.0),
        but(REST, load=None, compressor_a=9.0, fan_a=1.0),
    ],
)
def test_contacts_stuck_closed_is_raised_after_ten_seconds(readings: Readings) -> None:
    """No call, yet closed: sensed behind the contacts, or told by the motors."""
    assert changes((100, RUN), (60, readings), (60, REST))[0] == (110.0, "raised", "contacts-stuck-closed")


@pytest.mark.parametrize(
    ("run_on_s", "compressor_a", "raised_s"),
    [
        (90.0, None, None),  # a board lets its fan run on for a minute or two (common practice)
        (230.0, None, None),
        (900.0, None, 250.0),  # and not for longer: limits.HABITS.run_on_s beyond the ten seconds
        (900.0, 0.0, None),  # contacts that drive a fan drive the compressor as well
    ],
)
def test_a_fan_alone_tells_of_closed_contacts_once_no_board_lets_it_run_on(
    run_on_s: float, compressor_a: float | None, raised_s: float | None
) -> None:
    """With neither contacts nor compressor sensed, as when its clamp is unplugged, again after each of three runs."""
    on = but(REST, load=None, compressor_a=compressor_a, fan_a=1.0)
    run, rest = (but(scan, load=None, compressor_a=None) for scan in (RUN, REST))
    told = changes(*[(600.0, run), (run_on_s, on), (600.0, rest)] * 3)
    after = [t_s for t_s, change, finding in told if (change, finding) == ("raised", "contacts-stuck-closed")]
    assert after == [600.0 + raised_s + n * (1200.0 + run_on_s) for n in range(3) if raised_s is not None]


@pytest.mark.parametrize(
    ("left_a", "load", "stuck"),
    [
        (10.0, None, True),  # contacts that stay closed leave the compressor as it runs (circuit fact)
        (6.7, None, True),  # or, of two stages, the lower one: two thirds (tests/data/nist-ashp-hilft)
        (5.0, None, False),
        (5.0, True, True),
    ],
)
def test_a_current_that_falls_with_the_call_by_more_than_a_stage_is_the_clamps(
    left_a: float, load: bool | None, stuck: bool
) -> None:
    """A clamp that reads 5 A too much reads them at rest as well: three runs, each ended by its call."""
    run, rest = but(RUN, load=load, compressor_a=10.0), but(REST, load=load, compressor_a=left_a, fan_a=None)
    named = raised(*[(900, run), (600, rest)] * 3, every_s=10.0)
    assert ("contacts-stuck-closed" in named) is stuck


@pytest.mark.parametrize("gap_s", [0.0, 7200.0])
def test_contacts_that_weld_in_a_rest_are_told_though_the_current_fell_with_the_call(gap_s: float) -> None:
    """Beside a clamp that reads 5 A too much: they close by themselves and run the compressor, seen or not."""
    run, rest = but(RUN, load=None, compressor_a=10.0), but(REST, load=None, compressor_a=5.0, fan_a=None)
    welded = but(rest, compressor_a=10.0)
    engine = Engine(SETTINGS, fitted=ALL)
    before = events(scans((900, run), (600, rest), every_s=10.0), engine=engine)
    after = events(scans((600, welded), every_s=10.0, from_s=1500.0 + gap_s), engine=engine)
    told = [[one.finding for one in part if isinstance(one, Change)] for part in (before, after)]
    assert ["contacts-stuck-closed" in names for names in told] == [False, True]


def test_standing_current_of_a_run_capacitor_is_neither_running_nor_stuck() -> None:
    """A trickle under 20 % of rated load with no call, in a one-pole unit, stays silent (check value 4.18)."""
    assert raised((100, RUN), (4000, but(REST, compressor_a=2.5)), (900, RUN), (900, but(REST, compressor_a=2.5))) == []


def test_chatter_is_six_changes_within_ten_seconds() -> None:
    """Six raise it at the sixth; four, or six spread wider, do not."""
    off = but(RUN, load=False)
    flutter = [(0.5, RUN), (0.5, off)] * 3
    assert changes((10, but(RUN)), (0.5, off), *flutter, (60, RUN), every_s=0.1)[0] == (
        12.5,
        "raised",
        "contactor-chatter",
    )
    assert "contactor-chatter" not in raised((10, RUN), (0.5, off), *flutter[:3], (60, RUN), every_s=0.1)
    assert "contactor-chatter" not in raised((10, RUN), *[(2.5, off), (2.5, RUN)] * 20, (60, RUN))


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([(300, RUN), (170, REST)] * 4, ["short-cycling"]),
        ([(300, RUN), (185, REST)] * 4, []),
        ([(110, RUN), (300, REST)] * 4, ["short-cycling"]),
        ([(125, RUN), (300, REST)] * 4, []),
        ([(125, RUN), (185, REST)] * 12, ["short-cycling"]),
        ([(140, RUN), (240, REST)] * 12, []),
    ],
)
def test_short_cycling_by_each_of_its_three_patterns(parts: list[Any], expected: list[str]) -> None:
    """Restarts within 180 s, runs under 2 min, more than 10 starts within 60 min; and just inside each, silence."""
    assert raised((400, REST), *parts, (400, REST)) == expected


def test_restarts_after_supply_losses_are_not_short_cycling() -> None:
    """A stop that the line supply caused says nothing about the unit."""
    gone = but(REST, supply=False, thermostat=False)
    assert "short-cycling" not in raised((100, REST), *[(60, RUN), (30, gone)] * 6, (400, RUN))


def test_long_run_is_raised_after_six_hours() -> None:
    """Six hours of compressor current without a stop."""
    assert changes((60, REST), (6 * 3600 + 120, RUN), every_s=10)[0] == (60 + 6 * 3600, "raised", "long-run")
    assert raised((60, REST), (6 * 3600 - 60, RUN), (60, REST), every_s=10) == []


def test_high_running_current_over_rated_load_needs_ten_minutes() -> None:
    """Over 110 % of 12.8 A for 10 min; nine minutes are silent; the end of the run does not clear it."""
    high = but(RUN, compressor_a=12.8 * 1.12)
    assert changes((100, REST), (800, high), (900, REST)) == [(700.0, "raised", "high-running-current")]
    assert raised((100, REST), (590, high), (900, REST)) == []
    assert raised((100, REST), (900, but(RUN, compressor_a=12.8 * 1.08)), (900, REST)) == []


def test_a_new_unit_s_current_is_low_where_no_start_would_count_as_running() -> None:
    """A winding that opens while it runs leaves 22 % of 12.8 A: told before anything is learned; 30 % is not."""
    weak = but(RUN, compressor_a=12.8 * 0.22)
    assert raised((100, REST), (300, RUN), (700, weak)) == ["low-running-current"]


@pytest.mark.parametrize(
    ("amps", "fitted", "told"),
    [
        (4.2, ALL, ["low-running-current"]),  # a run winding has opened: capacitor and start winding draw on
        (6.1, ALL, []),  # the lower of two stages, which nobody declared
        (4.2, tuple(name for name in ALL if name != "load"), []),  # a drive may be behind it
    ],
)
def test_half_of_what_the_same_unit_drew_at_first_is_low_before_anything_is_learned(
    amps: float, fitted: tuple[str, ...], told: list[str]
) -> None:
    """In the same run and in the next ones, which begin low, on the unit's first day."""
    low = but(RUN, compressor_a=amps)
    settings = msgspec.structs.replace(SETTINGS, senses=SensorSettings(fitted=fitted))
    parts = ((300, REST), (1200, RUN), (900, low), (600, REST), (1500, low))
    assert raised(*parts, every_s=5.0, settings=settings, fitted=fitted) == told
    assert raised((100, REST), (300, RUN), (700, but(RUN, compressor_a=12.8 * 0.30))) == []


@pytest.mark.parametrize(("outdoor_c", "told"), [(33.0, ["low-running-current"]), (12.0, [])])
def test_half_is_low_for_a_heat_pump_too_where_it_is_too_warm_to_heat(outdoor_c: float, told: list[str]) -> None:
    """Cold air outdoors lets a heat pump draw about half of what it draws in summer (common practice)."""
    settings = msgspec.structs.replace(SETTINGS, unit=msgspec.structs.replace(UNIT, heat_pump=True))
    rest, run, low = (
        but(part, outdoor_c=outdoor_c) for part in (REST, but(RUN, compressor_a=9.0), but(RUN, compressor_a=4.2))
    )
    assert raised((300, rest), (1200, run), (900, low), every_s=5.0, settings=settings) == told


@pytest.mark.parametrize(
    ("fan_a", "kind", "told"),
    [
        (0.17, "variable-speed", []),
        (0.03, "variable-speed", ["fan-not-running"]),
        (0.17, "single-stage", ["fan-not-running"]),
    ],
)
def test_a_fan_whose_speed_a_drive_sets_runs_at_a_small_share_of_its_rating(
    fan_a: float, kind: str, told: list[str]
) -> None:
    """Power goes with the cube of the speed (fan affinity laws, ASHRAE Handbook), and the current nearly so: at 40 % of
    its speed a fan of 1.1 A draws some 0.15 A. One of a single speed that draws so little does not turn."""
    settings = msgspec.structs.replace(SETTINGS, unit=msgspec.structs.replace(UNIT, kind=kind))
    slow = but(RUN, fan_a=fan_a, compressor_a=6.0)
    assert raised((300, REST), (900, RUN), (240, slow), settings=settings) == told


@pytest.mark.parametrize("row", CONTRADICTIONS, ids=lambda row: "-".join(row.readings))
def test_each_contradiction_has_readings_that_show_it(row: Any) -> None:
    """Every row of the table of contradictions can be met, and raises after 10 s; a call without the thermostat's may
    be a wire that touches another, and is the sensor's only when it comes back."""
    shown = {
        ("supply", "compressor_a", "fan_a"): but(RUN, supply=False),
        ("load", "compressor_a", "fan_a"): but(RUN, load=False),
        ("supply", "load"): but(REST, supply=False, load=True, call=True, thermostat=True, coil_a=0.26, control_v=25.0),
        ("call", "control_v"): None,
        ("call", "coil_a"): but(REST, coil_a=0.26),
        ("call", "coil_a", "load"): but(RUN, coil_a=0.0),
        ("control_power", "thermostat"): but(REST, control_power=False, thermostat=True),
        ("control_power", "call"): but(RUN, control_power=False, thermostat=None),
        ("thermostat", "call"): but(RUN, thermostat=False),
    }[row.readings]
    if shown is None:
        shown = but(REST, control_v=25.0) if "no call" in row.claim else but(RUN, control_v=1.0)
    parts: tuple[tuple[int, dict[str, Any]], ...] = (100, REST), (60, shown), (60, REST)
    if row.readings == ("thermostat", "call"):
        assert raised(*parts) == ["call-without-thermostat"]
        parts = (*((600, REST), (900, shown)) * 2, (600, REST), (60, shown))
    first = next(what for what in changes(*parts) if what[1:] == ("raised", "sensing-disagrees"))
    if row.readings != ("thermostat", "call"):
        # a sensor that goes missing meanwhile is waited for until it counts as unknown
        assert 110 <= first[0] <= 110 + limits.STALE_S.value


def test_sensor_silent_after_sixty_seconds_and_three_scans() -> None:
    """Missing for 60 s at 1 Hz; at 0.02 Hz the third scan; a single returning scan does not clear it."""
    deaf = but(RUN, load=None)
    assert changes((100, RUN), (200, deaf), (100, RUN)) == [
        (160.0, "raised", "sensor-silent"),
        (301.0, "cleared", "sensor-silent"),
    ]
    assert changes((500, RUN), (500, deaf), every_s=50)[0] == (600.0, "raised", "sensor-silent")
    assert raised((100, RUN), (59, deaf), (100, RUN)) == []
    assert [w for _, w, _ in changes((100, RUN), (100, deaf), (1, RUN), (100, deaf))] == ["raised"]


def test_no_call_in_heat_only_in_a_unit_that_called_on_earlier_hot_days() -> None:
    """8 h without a call, 3 h of them over 32 °C: raised on the day after a hot day with calls, not otherwise."""
    hot_run, hot_rest = but(RUN, outdoor_c=35.0), but(REST, outdoor_c=35.0)
    night = (12 * 3600.0, but(REST, outdoor_c=24.0))
    used = [(5 * 3600.0, hot_run), (3600.0, hot_rest), (5 * 3600.0, hot_run), (3600.0, hot_rest)]
    how: Any = {"every_s": 50, "fitted": ("call", "compressor_a", "outdoor_c")}
    assert raised(*used, night, (12 * 3600, hot_rest), **how) == ["no-call-in-heat"]
    assert raised((12 * 3600, hot_rest), night, (12 * 3600, hot_rest), **how) == []
    assert raised(*used, night, (12 * 3600, but(REST, outdoor_c=31.0)), **how) == []


# ---------------------------------------------------------------- degrading senses


def test_call_without_run_where_the_contacts_are_not_sensed() -> None:
    """With call and compressor current alone, the same trouble is told as call-without-run after 30 s."""
    still = {"call": True, "compressor_a": 0.0}
    idle = {"call": False, "compressor_a": 0.0}
    assert changes((100, idle), (60, still), (60, idle), fitted=("call", "compressor_a"))[0] == (
        130.0,
        "raised",
        "call-without-run",
    )
    assert raised((100, idle), (60, but(still, compressor_a=9.0)), (60, idle), fitted=("call", "compressor_a")) == []


def test_a_silent_load_sense_turns_pull_in_into_run() -> None:
    """Load fitted but silent: call-without-run, and sensor-silent, never call-without-pull-in."""
    deaf = but(NO_PULL, load=None)
    found = raised((100, but(REST, load=None)), (200, deaf))
    assert sorted(found) == ["call-without-run", "sensor-silent"]


def test_contacts_are_inferred_from_the_fan() -> None:
    """Without a load sense, a running fan shows that the contacts are closed."""
    fitted = tuple(name for name in ALL if name != "load")
    assert raised((100, REST), (60, but(RUN, compressor_a=0.0)), (60, REST), fitted=fitted) == [
        "compressor-not-running"
    ]
    assert raised((100, REST), (60, but(RUN, fan_a=0.0)), (60, REST), fitted=fitted) == ["fan-not-running"]


@pytest.mark.parametrize("name", [name for name in ALL if name != "call"])
def test_a_healthy_unit_stays_silent_without_any_one_sense(name: str) -> None:
    """Whatever is not fitted narrows less; it never accuses."""
    fitted = tuple(other for other in ALL if other != name)
    assert raised((300, REST), *[(900, RUN), (600, REST)] * 3, fitted=fitted) == []


# ---------------------------------------------------------------- parents


def test_lost_supply_silences_its_consequences() -> None:
    """With the line off under a call, only the line is told; with all of the house dark, too."""
    assert raised((100, REST), (300, RUN), (300, DARK), (300, RUN)) == ["line-supply-lost"]
    dark = dict.fromkeys(("call", "supply", "load", "control_power", "thermostat"), False)
    house = but(REST, control_v=0.0, **dark)
    assert raised((100, REST), (300, RUN), (300, house), (300, RUN)) == ["line-supply-lost"]


def test_lost_control_power_silences_the_missing_call() -> None:
    """No 24 V indoors is told once, as that."""
    assert raised((100, RUN), (300, NO_24), (300, RUN)) == ["control-power-lost"]


def test_fault_that_outlives_its_parent_waits_its_own_delay_again() -> None:
    """After the supply returns, call-without-pull-in counts its 10 s from then."""
    found = changes((100, REST), (60, DARK), (60, NO_PULL))
    assert ("raised", "call-without-pull-in") in [what[1:] for what in found]
    at_s = next(t for t, what, name in found if name == "call-without-pull-in")
    assert at_s >= 170


# ---------------------------------------------------------------- site settings


def test_delay_relay_and_site_limits_move_the_delays() -> None:
    """delay_on_make_s is added where the contract adds it; [limits.FINDING] replaces the default."""
    slow = Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, delay_on_make_s=300))
    assert raised((100, REST), (305, NO_PULL), (60, RUN), settings=slow) == []
    assert changes((100, REST), (400, NO_PULL), settings=slow)[0][0] == 410.0
    site = parse("[limits.call-without-pull-in]\nhold_s = 60\n")
    assert changes((100, REST), (100, NO_PULL), settings=site)[0][0] == 160.0


def test_a_heat_pumps_defrost_may_stop_the_fan_for_fifteen_minutes() -> None:
    """14 min of a still fan are defrost where there may be frost, 16 min are a fault; at 33 °C 30 s are."""
    pump = Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, heat_pump=True))
    cold, still = but(RUN, outdoor_c=2.0), but(RUN, outdoor_c=2.0, fan_a=0.0)
    assert raised((60, REST), (600, cold), (14 * 60, still), (60, cold), settings=pump) == []
    assert raised((60, REST), (600, cold), (16 * 60, still), settings=pump) == ["fan-not-running"]
    hot = but(RUN, outdoor_c=33.0, fan_a=0.0, compressor_a=10.5)  # without its fan it draws more
    assert changes((60, REST), (600, RUN), (60, hot), settings=pump)[0] == (690.0, "raised", "fan-not-running")


# ---------------------------------------------------------------- starts that were not seen, gaps


def test_recording_that_begins_in_a_run_is_taken_as_it_is_found() -> None:
    """No start, no short run is made of a run whose beginning was not seen."""
    assert raised((30, RUN), (300, REST), (60, RUN), (300, REST), (60, RUN), (300, REST)) == []


def test_nothing_is_made_of_a_gap() -> None:
    """Across a pause in the recording no run, pause or condition is counted as lasting."""

    before = list(scans((60, REST), (100, NO_PULL | {"coil_a": 0.26}), every_s=1.0))[:65]
    after = list(scans((9, NO_PULL), (60, RUN), from_s=5000.0))
    found = [e for e in events([*before, *after]) if getattr(e, "change", None) == "raised"]
    assert found == []


def test_three_valued_logic_is_that_of_kleene() -> None:
    """Truth tables of Kleene's strong three-valued logic (textbook)."""
    for one in (True, False, None):
        assert no(no(one)) == one
        for two in (True, False, None):
            expected = False if False in (one, two) else None if None in (one, two) else True
            assert both(one, two) is expected


def test_unit_of_these_tests_matches_the_contracts_example() -> None:
    """The nameplate used here is the example of the contract's section 2."""
    assert (UNIT.compressor_rla_a, UNIT.compressor_lra_a, UNIT.fan_fla_a) == (12.8, 68.0, 1.1)


@pytest.mark.parametrize("every_s", [1.0, 10.0, 50.0])
@pytest.mark.parametrize(
    "fitted", [ALL, ALL[:8], ("call", "compressor_a"), ("call", "compressor_a", "fan_a"), ("call", "load", "fan_a")]
)
@pytest.mark.parametrize("gone", ALL)
def test_reading_missed_just_as_a_sound_unit_starts_or_stops_raises_nothing(
    gone: str, fitted: tuple[str, ...], every_s: float
) -> None:
    """One scan without one reading, at the first scan of a run and of a rest, with what is fitted and at any pace."""
    base = {name: None if name not in fitted else value for name, value in REST.items()}
    run = {name: None if name not in fitted else value for name, value in RUN.items()}
    parts = (20 * every_s, base), (every_s, but(run, **{gone: None})), (20 * every_s, run)
    stop = (every_s, but(base, **{gone: None})), (20 * every_s, base)
    assert changes(*parts, *stop, every_s=every_s, fitted=fitted) == []


def test_one_scan_without_a_call_makes_no_rest_of_a_run() -> None:
    """In a one-pole unit less than half of rated load at rest is no run; one odd scan of the call is no rest."""
    small = Settings(unit=Unit(compressor_rla_a=6.6, compressor_lra_a=31.0, fan_fla_a=0.5, contactor_poles=1))
    run = but(RUN, compressor_a=2.9, fan_a=None)
    parts = (600, but(REST, fan_a=None)), (30, run), (30, but(run, call=False)), (600, run)
    fitted = tuple(name for name in ALL if name != "fan_a")
    assert changes(*parts, every_s=30.0, settings=small, fitted=fitted) == []


@pytest.mark.parametrize("from_s", [3.7, 13.7, 2003.7, 86400.1, 1_000_000.3])
@pytest.mark.parametrize(
    ("name", "odd", "delay_s"),
    [("call-without-pull-in", NO_PULL, 10), ("sensor-silent", but(REST, fan_a=None), 60)],
)
def test_delay_ends_at_its_moment_whatever_the_decimals_of_the_times(
    name: str, odd: Readings, delay_s: int, from_s: float
) -> None:
    """2063.7 - 2003.7 is a hair under 60 in binary; the scan of that moment is the one that raises."""
    stream = scans((100, REST), (delay_s + 30, odd), every_s=5.0, from_s=from_s)
    found = [e for e in events(stream) if isinstance(e, Change)]
    assert [(e.finding, e.t_s) for e in found] == [(name, pytest.approx(from_s + 100 + delay_s, abs=1e-3))]


@pytest.mark.parametrize("every_s", [10.0, 50.0])
@pytest.mark.parametrize("fitted", [ALL, ALL[:8], ("call", "compressor_a"), ("call", "load", "fan_a")])
@pytest.mark.parametrize("name", ["call", "supply", "load", "compressor_a", "fan_a", "coil_a", "thermostat"])
def test_one_odd_scan_at_a_start_or_a_stop_raises_nothing(name: str, fitted: tuple[str, ...], every_s: float) -> None:
    """Beside a change that is not yet believed, one odd scan may say what is a fault; it takes two."""
    odd = {**dict.fromkeys(("call", "supply", "load", "thermostat"), False), "compressor_a": 0.0}.get(name, 0.0)
    sound = [*(REST for _ in range(8)), *(RUN for _ in range(8)), *(REST for _ in range(8))]
    for at in (*range(6, 11), *range(14, 19)):
        for value in (odd, not odd if isinstance(odd, bool) else 40.0):
            if name in fitted:
                parts = [(every_s, but(row, **{name: value} if at == place else {})) for place, row in enumerate(sound)]
                kept = [(s, {n: v if n in fitted else None for n, v in row.items()}) for s, row in parts]
                assert changes(*kept, every_s=every_s, fitted=fitted) == [], (at, value)


@pytest.mark.parametrize("fitted", [ALL, tuple(name for name in ALL if name != "control_v"), ("call", "coil_a")])
def test_thermostat_that_steals_power_through_the_coil_is_silent(fitted: tuple[str, ...]) -> None:
    """Some tens of mA through the resting coil leave a volt or two on the call wire: no call, and no contradiction."""
    stealing = {name: value for name, value in but(REST, control_v=1.4, coil_a=0.06).items() if name in fitted}
    called = {name: value for name, value in RUN.items() if name in fitted}
    assert changes((600, stealing), (600, called), (600, stealing), fitted=fitted) == []


def test_a_load_sense_that_blinks_beside_a_steady_compressor_is_no_chatter() -> None:
    """Single scans of an optocoupler that drops out: contacts that let go take the current along, and a compressor that
    is fed again starts anew. A current that stands still to the last digit bears witness of nothing."""
    for amps, told in (((9.0, 9.1), 0), ((9.0, 0.0), 1), ((9.0, 14.0), 1), ((9.0, 9.0), 1)):
        flutter = [(1.0, but(RUN, load=n % 2 == 0, compressor_a=amps[n % 2])) for n in range(12)]
        found = raised((10, but(RUN, compressor_a=8.9)), *flutter, (60, RUN), fitted=ALL)
        assert found.count("contactor-chatter") == told, amps
