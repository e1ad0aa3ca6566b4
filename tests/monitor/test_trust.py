"""Which sensors are believed: the cheapest explanation, what time shows, and what survives a restart."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from math import exp, inf
from random import Random
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.records import Change, ChangeKind, Diagnosed, Scan
from condenser_monitor.monitor.core.trust import WITNESSES, Trust
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import ALL, REST, RUN, SETTINGS, UNIT, Readings, but, changes, events, raised, scans

STUCK: dict[str, tuple[Any, ...]] = {name: (REST[name], RUN[name]) for name in WITNESSES if name in REST}
STUCK["supply"] = STUCK["control_power"] = (False,)
OUTDOOR = tuple(name for name in ALL if name not in ("control_power", "thermostat"))
LIES = [(name, value) for name, values in STUCK.items() for value in values]


def hot_fan(readings: Readings) -> Readings:
    """As the compressor draws without its fan."""
    return but(readings, fan_a=0.0, compressor_a=11.5)


def lied(readings: Readings, name: str, value: Any) -> Readings:
    """The readings with one sensor stuck."""
    return readings | {name: value}


@pytest.mark.parametrize(("name", "value"), LIES)
@pytest.mark.parametrize("fitted", [ALL, OUTDOOR], ids=["all", "outdoor"])
def test_a_dead_fan_is_told_whichever_other_sensor_is_stuck(name: str, value: Any, fitted: tuple[str, ...]) -> None:
    """Three sound runs with the liar, then the fan stops: told as with that sensor missing."""
    if name == "fan_a" or name not in fitted:
        return
    sound = ((900, REST), (900, RUN)) * 3
    parts = [(held_s, lied(readings, name, value)) for held_s, readings in (*sound, (300, REST), (300, RUN))]
    parts.append((120, lied(hot_fan(RUN), name, value)))
    without = tuple(other for other in fitted if other != name)
    if "fan-not-running" in raised(*sound, (300, REST), (300, RUN), (120, hot_fan(RUN)), fitted=without):
        assert "fan-not-running" in raised(*parts, fitted=fitted)


def test_only_the_sensor_that_lies_is_distrusted_and_named() -> None:
    """The supply sensor says off under a running compressor: that sensor, and the rest goes on."""
    engine = Engine(SETTINGS, fitted=ALL)
    parts = ((100, REST), (60, but(RUN, supply=False)), (60, but(hot_fan(RUN), supply=False)))
    found = [e for scan in scans(*parts) for e in engine.feed(scan) if isinstance(e, Change)]
    assert [(e.finding, e.t_s) for e in found] == [("sensing-disagrees", 110.0), ("fan-not-running", 190.0)]
    assert found[0].evidence["distrusted"] == ["supply"]
    assert "supply" not in found[1].evidence
    assert engine.status().distrusted == ("supply",)


@pytest.mark.parametrize(
    ("liar", "stuck", "also"),
    [("supply", False, "line_v"), ("line_v", 0.0, "supply"), ("call", False, "coil_v"), ("coil_v", 26.0, "call")],
)
def test_volts_bear_witness_too(liar: str, stuck: object, also: str) -> None:
    """Line volts of the supply, the coil's own volts of the call: the liar is found, and not the other."""
    engine = Engine(SETTINGS, fitted=(*ALL, "line_v", "coil_v"))
    rest, run = but(REST, line_v=240.0, coil_v=0.0), but(RUN, line_v=238.0, coil_v=25.4)
    for scan in scans(*((300, but(rest, **{liar: stuck})), (300, but(run, **{liar: stuck}))) * 2):
        engine.feed(scan)
    assert engine.status().distrusted == (liar,)
    assert also not in engine.status().distrusted


def pulled(volts: Sequence[float]) -> list[Scan]:
    """The disconnect is pulled at rest, a call comes and nothing answers; line volts as given, by turns."""
    dead = {"supply": False, "load": False, "compressor_a": 0.0, "fan_a": 0.0}
    parts = ((600, REST), (900, RUN), (600, REST), (600, REST | dead), (300, RUN | dead))
    return [
        Scan(**(msgspec.structs.asdict(one) | {"line_v": volts[n % len(volts)]})) for n, one in enumerate(scans(*parts))
    ]


def test_volts_that_stand_still_to_the_last_digit_are_no_witness() -> None:
    """A service moves with the load of every neighbour (common practice); a converter that hangs does not:
    a pulled disconnect is told beside the one, and looked for first; the supply's sensor doubted beside the other."""
    for volts, told in (((240.0,), True), ((240.0, 239.8, 240.1), False)):
        engine = Engine(SETTINGS, fitted=(*ALL, "line_v"))
        found = [e for scan in pulled(volts) for e in engine.feed(scan) if isinstance(e, Change)]
        lost = [e.suspects[0] for e in found if e.finding == "line-supply-lost"]
        assert lost == (["line-supply-off"] if told else []), volts


def test_a_supply_that_the_last_run_disproved_raises_nothing_at_rest() -> None:
    """Stuck off from the start: told once at most, never again after the first run."""
    dark = [(held_s, but(readings, supply=False)) for held_s, readings in ((600, REST), (900, RUN)) * 4]
    assert [name for name in raised(*dark) if name == "line-supply-lost"] == ["line-supply-lost"]


def test_what_time_shows_withdraws_the_alarm_and_names_the_sensor() -> None:
    """A fan sensor at 0 from the start while the current stays as it is: withdrawn within that run."""
    engine = Engine(SETTINGS, fitted=ALL)
    run = ((180, but(RUN, fan_a=0.0)), (1020, but(RUN, fan_a=0.0, compressor_a=9.02)))
    parts = ((600, REST), *run, (600, REST), *run)
    found = [e for scan in scans(*parts) for e in engine.feed(scan) if isinstance(e, Change)]
    fan = [e for e in found if e.finding == "fan-not-running"]
    assert [e.change.value for e in fan] == ["raised", "cleared"]
    assert fan[1].t_s < 1800
    assert fan[1].evidence["distrusted"] == ["fan_a"]


def test_a_fan_sensor_that_fails_in_a_run_is_found_within_minutes() -> None:
    """The compressor's current would have risen: what was told of the fan is taken back in the same run."""
    names = raised((600, REST), (600, RUN), (900, but(RUN, fan_a=0.0, compressor_a=9.02)))
    assert names == ["fan-not-running", "sensing-disagrees"]


def warming_up(runs: int, start_s: float = 0.0, *, fan_a: float = 1.0, rise: float = 1.0) -> list[Scan]:
    """Runs of a quarter of an hour whose current rises by half over the first minutes, as the condenser warms up to its
    approach over the outdoor air; `rise`: by how much more it settles."""
    found = []
    for number in range(runs):
        outdoor_c = 30.0 + number % 7
        settled_a = 9.0 * (1 + 0.0252 * (outdoor_c - 33.0))
        for second in range(0, 1500, 10):
            ran_s = second - 600
            warm = 1 - exp(-ran_s / 150) if ran_s > 0 else 0.0
            amps = settled_a * (0.65 + 0.35 * warm) * (1 + (rise - 1) * warm) + second % 30 / 1000
            readings = but(RUN, compressor_a=amps, fan_a=fan_a) if ran_s >= 0 else REST
            t_s = start_s + 1500 * number + second
            found.append(Scan(t_s=t_s, **but(readings, outdoor_c=outdoor_c)))
    return found


@pytest.mark.parametrize("learned", [4, 200], ids=["a few first runs", "three days"])
def test_a_current_that_rises_to_what_it_is_with_the_fan_shows_that_the_fan_runs(learned: int) -> None:
    """A condensing temperature that rises by 18 K over the first minutes raises the current by 0.0252 a K (the AHRI 540
    map of a 3 ton compressor in the check values): no early minute is the measure, but what the unit draws by then with
    its fan. Without the fan it goes on to a third more (common practice), and the alarm stands."""
    for rise, cleared in ((1.0, True), (1.33, False)):
        engine = Engine(SETTINGS, fitted=ALL)
        assert not [e for scan in warming_up(learned) for e in engine.feed(scan) if isinstance(e, Change)]
        after = warming_up(1, 1500.0 * learned, fan_a=0.0, rise=rise)
        told = [e for scan in after for e in engine.feed(scan) if isinstance(e, Change)]
        expected = [("raised", "fan-not-running"), ("cleared", "fan-not-running"), ("raised", "sensing-disagrees")]
        assert [(e.change.value, e.finding) for e in told] == (expected if cleared else expected[:1])


def short_run(rise: float, fan_a: float = 0.0) -> list[tuple[float, Readings]]:
    """Four minutes of run after a rest, in which the current rises to `rise` times what it is with the fan."""
    amps = [
        9.0 * (1.0 + (rise - 1.0) * (1.0 - exp(-at_s / 60.0))) + 0.01 * (at_s // 5 % 2) for at_s in range(0, 240, 5)
    ]
    return [(660.0, REST), *((5.0, but(RUN, compressor_a=drawn_a, fan_a=fan_a)) for drawn_a in amps)]


@pytest.mark.parametrize(("rise", "told"), [(1.03, 2), (1.33, 6)])
def test_two_short_runs_at_the_usual_current_show_that_the_fan_runs(rise: float, told: int) -> None:
    """Runs of four minutes, as a thermostat with cycles by the clock makes; without its fan a compressor draws a third
    more within minutes (common practice), and the alarm comes in each run."""
    sound = [part for _ in range(2) for part in short_run(1.03, fan_a=1.0)]
    silent = [part for _ in range(6) for part in short_run(rise)]
    assert raised(*sound, *silent, every_s=5.0).count("fan-not-running") == told


def moments(run: int, heat: float, fan_a: float = 0.0, run_s: int = 46) -> list[tuple[float, Readings]]:
    """A run of less than a minute, as a thermostat in the draught of its own outlet makes: the current still rises as
    it ends. `heat`: by how much it is above the one with its fan, 1 at its end."""
    amps = [9.0 * heat * (1.0 - 0.2 * exp(-at_s / 40.0)) + 0.01 * ((at_s + run) % 3) for at_s in range(run_s)]
    return [(275.0, REST), *((1.0, but(RUN, compressor_a=drawn_a, fan_a=fan_a)) for drawn_a in amps)]


@pytest.mark.parametrize(
    ("grows", "run_s", "told"),
    [
        (0.0, 46, 3),  # the same current: the clamp is dead
        (0.03, 46, 6),  # a slow condenser: each run warms it by a K more than it cools until the next
        (0.0, 62, 6),  # longer than the runs with the fan: a current of later in a run is compared with nothing
    ],
)
def test_runs_of_moments_show_that_the_fan_runs_after_some_of_them(grows: float, run_s: int, told: int) -> None:
    """A condenser whose time constant is 300 s warms by 2 K in such a run, and without its fan, which leaves an eighth
    of the heat transfer, it hardly cools in between (first principles)."""
    sound = [part for run in range(3) for part in moments(run, 1.0, fan_a=1.0)]
    silent = [part for run in range(6) for part in moments(run, 1.0 + grows * (run + 1), run_s=run_s)]
    assert raised((600, REST), *sound, *silent).count("fan-not-running") == told


@pytest.mark.parametrize("rest_s", [600.0, 615.0, 630.0, 655.0])
def test_a_fans_clamp_that_never_read_anything_is_found_five_minutes_into_a_run(rest_s: float) -> None:
    """Whatever second of the minute the run began in: five minutes are what a run lasts in many a house."""
    engine, told = Engine(SETTINGS, fitted=ALL), []
    for count, scan in enumerate(scans((rest_s, REST), (310.0, but(RUN, fan_a=0.0)), (600.0, REST), every_s=5.0)):
        amps = 9.0 + 0.02 * (count % 5) if scan.call else 0.0
        told += [e for e in engine.feed(msgspec.structs.replace(scan, compressor_a=amps)) if isinstance(e, Change)]
    found = [(e.t_s - rest_s, e.change.value) for e in told if e.finding == "fan-not-running"]
    assert found == [(30.0, "raised"), (300.0, "cleared")]
    assert told[1].evidence["distrusted"] == ["fan_a"]


def test_a_fan_that_is_dead_from_a_runs_start_is_believed_where_the_current_is_high_though_steady() -> None:
    """A third more than in the runs before, by common practice, and as even as a motor draws: no liar's run. In four
    sound runs first, as little is learned on a first day."""
    sound = [(600.0, REST), (1200.0, RUN)] * 4
    dead = [(90.0, but(RUN, fan_a=0.0, compressor_a=amps)) for amps in (11.6, 11.62) * 8]
    assert raised(*sound, (600.0, REST), *dead, every_s=5.0) == ["fan-not-running"]


def test_a_dead_compressor_is_told_though_the_fans_clamp_is_stuck_on() -> None:
    """The clamp was caught at rest, behind open contacts, where no board lets a fan run on for so long: it is no reason
    to doubt the compressor's as well."""
    stuck = but(REST, fan_a=RUN["fan_a"])
    dead = but(RUN, compressor_a=0.0)
    stream = [(600.0, REST), (900.0, RUN), (600.0, REST), (900.0, RUN), (900.0, stuck), (1800.0, dead)]
    assert raised(*stream, every_s=5.0) == ["sensing-disagrees", "pull-in-without-run"]


def test_what_is_kept_of_combinations_met_does_not_grow_without_end() -> None:
    """Months of sensors that fall silent in turn meet thousands of combinations."""
    trust = Trust(UNIT, ALL)
    rest = (None,) * (len(trust.sensors) - 6)
    met = [(*some, *rest) for some in product((True, False, None), repeat=6)]
    answers, kept = [], []
    for readings in met:
        answers.append(trust._possible(readings))
        kept.append(len(trust._states))
    assert max(kept) == limits.TRUST.states_kept.value < len(met)
    assert [trust._possible(readings) for readings in met] == answers


def test_what_a_lie_told_before_it_was_found_is_no_part_of_the_diagnosis() -> None:
    """The supply sensor fails at rest; the run that disproves it ends the finding by itself, a moment before the sensor
    is distrusted, and a dead fan is to be told of nothing else."""
    off = but(REST, supply=False)
    dead = but(hot_fan(RUN), supply=False)
    stream = scans((600.0, REST), (900.0, RUN), (600.0, REST), (1800.0, off), (400.0, dead), every_s=5.0)
    told = [e for e in events(stream) if isinstance(e, Diagnosed)]
    assert told[0].findings == ("line-supply-lost",)
    assert told[-1].distrusted == ("supply",)
    assert set(told[-1].findings) == {"fan-not-running", "sensing-disagrees"}


def test_a_heat_pumps_fan_at_0_in_warm_air_is_a_liar_as_any_other() -> None:
    """At 31 degrees there is no defrost: taken back in the same run; in the frost nothing is concluded."""
    heat_pump = msgspec.structs.replace(SETTINGS, unit=msgspec.structs.replace(UNIT, heat_pump=True))
    dead, after = but(RUN, fan_a=0.0), but(RUN, fan_a=0.0, compressor_a=9.02)
    warm = ((600, REST), (180, dead), (1020, after), (600, REST), (180, dead), (1020, after))
    assert raised(*warm, settings=heat_pump) == ["fan-not-running", "sensing-disagrees"]
    cold = [(held_s, but(readings, outdoor_c=8.0)) for held_s, readings in warm]
    assert "sensing-disagrees" not in raised(*cold, settings=heat_pump)


def with_power(parts: Sequence[tuple[float, Readings]], **lies: float) -> list[Scan]:
    """Scans with the compressor's power, which follows its current and moves a little; with one of the two stuck."""
    found = []
    for n, scan in enumerate(scans(*parts)):
        watts = 240.0 * 0.9 * (scan.compressor_a or 0.0) * (1.0 + 0.002 * (n % 5)) if scan.compressor_a else 2.0
        found.append(msgspec.structs.replace(scan, **{"compressor_w": watts} | lies))
    return found


CYCLES = ((600, REST), (900, RUN)) * 3


@pytest.mark.parametrize(
    ("lies", "liar"),
    [
        ({"compressor_a": 0.0}, "compressor_a"),
        ({"compressor_w": 0.0}, "compressor_w"),
        ({"compressor_w": 1990.0}, "compressor_w"),
    ],
)
def test_power_and_current_of_the_compressor_are_held_against_each_other(lies: dict[str, float], liar: str) -> None:
    """The one that is stuck is found, and nothing urgent is told."""
    engine = Engine(SETTINGS, fitted=(*ALL, "compressor_w"))
    found = [e for scan in with_power(CYCLES, **lies) for e in engine.feed(scan) if isinstance(e, Change)]
    assert engine.status().distrusted == (liar,)
    assert {e.finding for e in found} == {"sensing-disagrees"}


def test_a_drive_that_is_fed_at_rest_is_by_design() -> None:
    """Common practice: mains stay on the board of a variable-speed unit, which rests until it is called. Volts behind
    its contacts at rest, or a sensor stuck at 1, are no alarm and no liar; a compressor that runs uncalled is."""
    unit = msgspec.structs.replace(UNIT, kind="variable-speed")
    settings = msgspec.structs.replace(SETTINGS, unit=unit)
    fed = but(REST, load=True)
    assert raised(*[(1500, fed), (900, RUN)] * 4, every_s=10.0, settings=settings) == []
    uncalled = but(RUN, call=False, control_v=0.3, coil_a=0.0, thermostat=False)
    assert "contacts-stuck-closed" in raised((1500, fed), (900, RUN), (900, uncalled), every_s=10.0, settings=settings)
    assert raised((900, REST), (900, RUN), (1500, fed), every_s=10.0) == ["sensing-disagrees"]  # no other unit's are


def test_power_that_sticks_as_the_compressor_dies_does_not_acquit_it() -> None:
    """A number that never moves is no witness of a run."""
    engine = Engine(SETTINGS, fitted=(*ALL, "compressor_w"))
    dead = [
        msgspec.structs.replace(scan, t_s=scan.t_s + 4500.0)
        for scan in with_power([(900, but(RUN, compressor_a=0.0))], compressor_w=1990.0)
    ]
    stream = [*with_power(CYCLES), *dead]
    found = [e for scan in stream for e in engine.feed(scan) if isinstance(e, Change)]
    assert [e.finding for e in found] == ["compressor-not-running"]


def test_a_pipe_or_air_sensor_that_does_not_move_is_not_believed() -> None:
    """A supply air sensor frozen at 25 degrees: what it reads is no lost cooling. It is believed when it moves."""
    fitted = (*ALL, "return_air_c", "supply_air_c")
    air = {"return_air_c": 25.0, "supply_air_c": 24.8}
    parts = [(1200, REST | air), (1800, RUN | air)] * 2
    assert raised(*parts, fitted=fitted) == ["sensing-disagrees"]
    engine = Engine(SETTINGS, fitted=fitted)
    seen = []
    stream = scans(*parts, (1200, REST | air))
    for scan in stream:
        moves = scan.t_s > 4800.0
        warm = 24.8 + 0.1 * (int(scan.t_s // 60) % 2)
        engine.feed(msgspec.structs.replace(scan, supply_air_c=warm) if moves else scan)
        seen.append(engine.status().distrusted)
    assert seen[4799] == ("supply_air_c",)
    assert seen[-1] == ()


@pytest.mark.parametrize(
    ("return_c", "outdoor_c", "told"),
    [
        (0.0, 31.0, ["sensing-disagrees"]),
        (9.5, 31.0, ["sensing-disagrees"]),
        (10.5, 31.0, ["not-cooling"]),
        (9.5, 14.0, ["not-cooling"]),  # a cabin in the cold
    ],
)
def test_return_air_colder_than_any_house_that_is_cooled_is_a_liars(
    return_c: float, outdoor_c: float, told: list[str]
) -> None:
    """No cooling set point is under 10 °C (common practice: thermostats end at 10 to 16); what it reads is no split."""
    fitted = (*ALL, "return_air_c", "supply_air_c")
    rest = but(REST, return_air_c=return_c, supply_air_c=24.0, outdoor_c=outdoor_c)
    run = but(RUN, return_air_c=return_c, supply_air_c=13.0, outdoor_c=outdoor_c)
    assert raised((300, rest), (1500, run), fitted=fitted) == told


@pytest.mark.parametrize(
    ("liquid_c", "told"), [(0.0, ["sensing-disagrees"]), (9.0, ["sensing-disagrees"]), (11.0, ["not-cooling"])]
)
def test_a_small_pipe_colder_than_any_condenser_is_a_liars(liquid_c: float, told: list[str]) -> None:
    """Second law: what condenses into air of 31 °C is warmer than that. Only what is colder than any is accused."""
    pipes = {"suction_c": 12.0, "liquid_c": liquid_c}
    fitted = (*ALL, "suction_c", "liquid_c")
    assert raised((300, REST | pipes | {"suction_c": 30.0}), (1500, RUN | pipes), fitted=fitted) == told


@pytest.mark.parametrize(
    ("other", "liar", "runs_c", "rests_c"),
    [("return_air_c", "supply_air_c", 24.5, 24.5), ("liquid_c", "suction_c", 38, 31)],
)
def test_lost_cooling_is_taken_back_when_its_sensor_is_found_to_lie(
    other: str, liar: str, runs_c: float, rests_c: float
) -> None:
    """One probe fails in a run at the other's number and stands still through the rest, where it is named; what was
    told of the heat is over by then, and not only where another sense takes its place."""
    engine = Engine(SETTINGS, fitted=(*ALL, other, liar))
    runs, rests = but(RUN, **{other: runs_c, liar: 13.0}), but(REST, **{other: rests_c, liar: rests_c - 0.2})
    stuck = {liar: runs_c - 0.5}
    parts = ((600, rests), (700, runs), (600, runs | stuck), (900, rests | stuck))
    found = [e for scan in scans(*parts) for e in engine.feed(scan) if isinstance(e, Change)]
    assert [(e.change.value, e.finding) for e in found] == [
        ("raised", "not-cooling"),
        ("cleared", "not-cooling"),
        ("raised", "sensing-disagrees"),
    ]
    assert found[1].evidence["distrusted"] == [liar]


@pytest.mark.parametrize("name", ["outdoor_c", "return_air_c"])
def test_a_temperature_that_the_day_moves_and_that_stands_for_hours_is_not_believed(name: str) -> None:
    """It moved for an hour and then repeats to the last digit: named after hours, believed when it moves again. One
    that has never moved is left to commissioning."""
    fitted = (*ALL, "return_air_c")
    base = REST | {"return_air_c": 25.0}
    moving = [(60.0, base | {name: 25.0 + 0.1 * (minute % 3)}) for minute in range(60)]
    stuck = [(6 * 3600.0, base | {name: 25.2})]
    engine, seen = Engine(SETTINGS, fitted=fitted), {}
    for scan in scans(*moving, *stuck, *moving, every_s=20.0):
        engine.feed(scan)
        seen[scan.t_s] = engine.status().distrusted
    assert seen[3600.0 + 3 * 3600.0] == ()
    assert seen[3600.0 + 5 * 3600.0] == (name,)
    assert seen[max(seen)] == ()
    assert "sensing-disagrees" not in raised((8 * 3600.0, base), every_s=20.0, fitted=fitted)


@pytest.mark.parametrize("stuck_c", [33.0, None], ids=["stuck", "missing"])
def test_a_normal_is_not_read_off_a_thermometer_that_is_not_believed(stuck_c: float | None) -> None:
    """It repeats one figure to the last digit from the fourth day on. In the heat that comes ten hours later, 40 °C by
    the day, the unit draws 17 % more than at that figure (0.0252 a K, as above): told as little as without the
    sensor."""
    engine, told = Engine(SETTINGS, fitted=ALL), []
    found = warming_up(200)
    for scan in warming_up(60, 300_000.0):
        hot = 1.1 if scan.t_s > 336_000.0 else 1.0
        found.append(msgspec.structs.replace(scan, outdoor_c=stuck_c, compressor_a=(scan.compressor_a or 0.0) * hot))
    for scan in found:
        told += [event.finding for event in engine.feed(scan) if isinstance(event, Change)]
    assert told.count("high-running-current") == 0
    assert engine.status().distrusted == (() if stuck_c is None else ("outdoor_c",))


def test_air_that_is_not_cooled_is_told_where_the_sensor_moves() -> None:
    """The same figures, but for the last digit: the unit moves no heat."""
    fitted = (*ALL, "return_air_c", "supply_air_c")
    rest, run = (but(base, return_air_c=25.0, supply_air_c=24.8) for base in (REST, RUN))
    parts = [part for n in range(80) for part in ((30, rest | {"supply_air_c": 24.8 + 0.1 * (n % 2)}),)]
    parts += [part for n in range(80) for part in ((30, run | {"supply_air_c": 24.7 + 0.1 * (n % 2)}),)]
    assert raised(*parts, fitted=fitted) == ["not-cooling"]


def test_a_current_that_does_not_move_at_all_is_no_witness() -> None:
    """Nothing is concluded from a number that repeats to the last digit: it may be stuck itself."""
    assert raised((600, REST), (600, RUN), (900, but(RUN, fan_a=0.0))) == ["fan-not-running"]


def test_a_compressor_that_satisfies_the_thermostat_is_not_dead() -> None:
    """Its clamp reads nothing; calls end as soon as ever: after two of them it is told no more."""
    dead = ((600, REST), (900, but(RUN, compressor_a=0.0))) * 8
    found = [what[:2] for what in changes(*dead) if what[2] == "compressor-not-running" and what[1] != "revised"]
    assert found == [(630.0, "raised"), (1501.0, "cleared"), (2130.0, "raised"), (3001.0, "cleared")]


@pytest.mark.parametrize(("every_s", "stalls_s"), [(1.0, 6.0), (2.0, 4.0), (10.0, 10.0)])
def test_a_compressor_that_was_seen_to_stall_is_dead_however_its_calls_end(every_s: float, stalls_s: float) -> None:
    """Locked-rotor current at each call's start, at slow scans in a single one: a clamp that reads that much reads what
    there is, and the evening's cool ends the calls."""
    dead = but(RUN, compressor_a=0.0)
    call = ((600.0, REST), (stalls_s, but(RUN, compressor_a=60.0)), (900.0 - stalls_s, dead))
    found = changes((600.0, REST), (900.0, RUN), *call * 8, every_s=every_s)
    assert [what[1:] for what in found].count(("raised", "compressor-not-running")) == 8
    assert "sensing-disagrees" not in {name for _, _, name in found}


@pytest.mark.parametrize(("call_s", "rest_s"), [(240, 900), (900, 120), (5400, 900)])
def test_somebody_who_tries_the_thermostat_acquits_nobody(call_s: int, rest_s: int) -> None:
    """Calls too short, too long or back too soon for a satisfied thermostat: the dead compressor stays told."""
    tried = ((rest_s, REST), (call_s, but(RUN, compressor_a=0.0))) * 6
    found = [
        what for what in changes((600, REST), (900, RUN), *tried) if what[1:] == ("raised", "compressor-not-running")
    ]
    assert len(found) == 6


@pytest.mark.parametrize(("runs", "told"), [(4, 8), (6, 2)])
def test_a_thermostat_that_lets_its_unit_rest_two_minutes_is_satisfied_after_two(runs: int, told: int) -> None:
    """Many thermostats keep no rest of five minutes (common practice): once five pauses between runs have shown that,
    calls as long apart, which end as soon as ever, speak for the compressor whose clamp reads nothing."""
    found = changes(*((130, REST), (900, RUN)) * runs, *((130, REST), (900, but(RUN, compressor_a=0.0))) * 8)
    assert [what[1:] for what in found].count(("raised", "compressor-not-running")) == told


def test_the_inrush_of_a_start_is_no_stall() -> None:
    """One scan a second reads locked-rotor current in a sound start too, which lasts 0.1 to 0.3 s (check values 4.3):
    it does not bear out a clamp that reads nothing in later calls, which are satisfied all the same."""
    start = ((600, REST), (1, but(RUN, compressor_a=60.0)), (899, RUN))
    found = changes(*start * 2, *((600, REST), (900, but(RUN, compressor_a=0.0))) * 8)
    assert [what[1:] for what in found].count(("raised", "compressor-not-running")) == 2


def test_a_compressor_that_is_dead_stays_told() -> None:
    """The call goes on for hours: that is no satisfied thermostat."""
    found = changes((600, REST), (900, RUN), (600, REST), (5 * 3600, but(RUN, compressor_a=0.0)))
    assert [change for change in found if change[1] != "revised"] == [(2130.0, "raised", "compressor-not-running")]


def test_a_liar_is_believed_again_after_several_changes_that_agree() -> None:
    """One good run does not do; four changes do."""
    engine = Engine(SETTINGS, fitted=ALL)
    parts = [(300, REST), (300, but(RUN, load=False)), *((300, REST), (300, RUN)) * 4]
    seen = {}
    for scan in scans(*parts):
        engine.feed(scan)
        seen[scan.t_s] = engine.status().distrusted
    assert seen[599.0] == seen[1100.0] == ("load",)
    assert seen[2699.0] == ()


def test_liars_are_remembered_over_a_restart() -> None:
    """The next process does not believe the sensor either."""
    first = Engine(SETTINGS, fitted=ALL)
    for scan in scans((300, REST), (300, but(RUN, supply=False)), (300, but(REST, supply=False))):
        first.feed(scan)
    second = Engine(SETTINGS, fitted=ALL, memory=first.memory())
    assert second.status().distrusted == ("supply",)
    found = [e for scan in scans((600, but(REST, supply=False))) for e in second.feed(scan) if isinstance(e, Change)]
    assert "line-supply-lost" not in {e.finding for e in found}


def test_a_boards_fan_that_runs_on_accuses_nobody() -> None:
    """Two minutes after each stop, declared or not; for an hour it is the sensor."""
    on = but(REST, fan_a=1.0)
    cycles = ((600, REST), (900, RUN), (120, on)) * 4
    assert raised(*cycles) == []
    board = Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, fan_control="board"))
    assert raised(*cycles, settings=board) == []
    assert raised((600, REST), (900, RUN), (3600, on)) == ["sensing-disagrees"]


@pytest.mark.parametrize("every_s", [10.0, 60.0])
def test_what_two_runs_have_shown_to_lie_raises_no_third_alarm(every_s: float) -> None:
    """A thermostat sensor stuck at 1 reads at each rest as a float that has opened, until runs that come and go all the
    same outweigh that; at slow scans too the sensor is found out before a third alarm and not one scan after it."""
    names = raised(*[(600, but(REST, thermostat=True)), (900, RUN)] * 6, every_s=every_s)
    assert names == ["call-not-reaching-unit"] * 2 + ["sensing-disagrees"]


def test_one_odd_scan_accuses_nobody() -> None:
    """Any sensor, at 1 and at 30 s a scan."""
    for every_s in (1.0, 30.0):
        for name, (low, high) in ((n, v) for n, v in STUCK.items() if len(v) == 2):
            stream = [*scans((3600, REST), (3600, RUN), every_s=every_s)]
            at = len(stream) * 3 // 4
            odd = {reading: getattr(stream[at], reading) for reading in ALL} | {name: low if at else high}
            stream[at] = Scan(t_s=stream[at].t_s, **odd)
            engine = Engine(SETTINGS, fitted=ALL)
            assert not [e for scan in stream for e in engine.feed(scan) if isinstance(e, Change)], name


def fanless_ratio(second: float, tau_s: float) -> float:
    """What a compressor draws without its fan, of what it drew before, so long after the fan's stop: a lumped condenser
    that rests 15 K over the outdoor air and keeps an eighth of its heat transfer warms by 7/8 of 8 x 15 K as
    1 - exp(-t / 8 tau), and the current grows by 0.025 a K (the AHRI 540 map of the check values)."""
    return 1.0 + 0.025 * 7.0 * 15.0 * (1.0 - exp(-second / (8.0 * tau_s)))


@pytest.mark.parametrize(
    ("kind", "tau_s", "told_s"),
    [
        ("single-stage", 75.0, 930.0),
        ("single-stage", 300.0, 930.0),
        ("single-stage", 1500.0, 1200.0),
        ("single-stage", inf, None),
        ("variable-speed", inf, 930.0),  # its board slows it down before it draws more
    ],
)
def test_a_fan_that_stops_in_a_run_is_a_liars_where_the_current_does_not_follow(
    kind: Any, tau_s: float, told_s: float | None
) -> None:
    """How fast the current follows differs from house to house. In a settled run half a minute tells, and a lie raises
    no alarm; one that follows more slowly than any condenser does is told late, and not lost."""
    engine = Engine(Settings(unit=Unit(kind=kind)))
    raised: list[float] = []
    for second in range(1600):
        called, stopped = second >= 60, second >= 900
        compressor_a = 9.6 * (fanless_ratio(second - 900, tau_s) if stopped else 1.0) if called else 0.0
        noise = 0.01 * (second % 3)
        scan = Scan(
            t_s=float(second),
            call=called,
            control_v=26.5 if called else 0.0,
            coil_a=0.25 if called else 0.0,
            supply=True,
            load=called,
            compressor_a=compressor_a + noise if called else 0.0,
            fan_a=1.0 if called and not stopped else 0.0,
            outdoor_c=33.0,
        )
        for event in engine.feed(scan):
            if isinstance(event, Change) and event.finding == "fan-not-running" and event.change is ChangeKind.RAISED:
                raised.append(second)
    if told_s is None:
        assert not raised
        assert engine.status().distrusted == ("fan_a",)
    else:
        assert raised == [pytest.approx(told_s, abs=5)]
        assert kind == "variable-speed" or engine.status().distrusted == ()


@pytest.mark.parametrize("seed", [0, 1, 2, 5])
def test_a_switch_that_trips_between_slow_scans_makes_no_liar_of_the_call(seed: int) -> None:
    """At a scan a minute some trips are seen by one scan: what lies between them is no whole run of a thermostat."""
    sensors, rng = ("call", "load", "compressor_a", "fan_a", "outdoor_c"), Random(seed)
    rest, run = ({name: base[name] for name in sensors} for base in (REST, RUN))
    tripped = run | {"load": False, "compressor_a": 0.0, "fan_a": 0.0}
    trips = [
        part
        for _ in range(60)
        for part in ((60.0 * rng.choice((2, 3, 5, 7)), run), (60.0 * rng.choice((1, 1, 2, 3)), tripped))
    ]
    found = raised(*[(1500, rest), (1500, run)] * 6, (1500, rest), *trips, every_s=60.0, fitted=sensors)
    assert "sensing-disagrees" not in found
    assert "call-without-pull-in" in found


@pytest.mark.parametrize(("last_a", "believed"), [(19.0, True), (9.0, False)])
def test_welded_contacts_whose_compressor_trips_make_no_liar_of_the_call(last_a: float, believed: bool) -> None:
    """With call and compressor alone: one that stops far above its rated current and is back by itself was never
    switched off; one that stops at its usual current without a call is a call that is not read."""
    idle: Readings = {"call": False, "compressor_a": 0.0}
    cycle = [(400, idle), (240, idle | {"compressor_a": 9.0}), (60, idle | {"compressor_a": last_a})]
    told = events(scans(*cycle * 5), fitted=("call", "compressor_a"))
    names = {one.finding for one in told if isinstance(one, Change) and one.change == "raised"}
    assert "contacts-stuck-closed" in names
    assert ("sensing-disagrees" not in names) is believed


@pytest.mark.parametrize(
    "fitted", [ALL, ("call", "compressor_a", "fan_a"), ("call", "control_v", "compressor_a", "fan_a", "outdoor_c")]
)
def test_a_compressor_that_trips_without_its_fan_bears_the_fans_clamp_out(fitted: tuple[str, ...]) -> None:
    """The fan dies, the current climbs far above the rated one, and the overload opens, again and again (physics of the
    condenser). Where neither contacts nor coil are sensed, each stop looks like an open contactor that has healed; yet
    the trip follows from the fan, and nobody lies."""
    rest, run = ({name: base[name] for name in fitted} for base in (REST, RUN))
    climbs = [(20.0, run | {"compressor_a": 9.0 + part, "fan_a": 0.0}) for part in range(12)]
    trip = (1200.0, run | {"compressor_a": 0.0, "fan_a": 0.0})
    trips = [*climbs, (300.0, climbs[-1][1]), trip] * 5
    told = raised(*[(600.0, rest), (900.0, run)] * 3, (600.0, rest), (300.0, run), *trips, every_s=10.0, fitted=fitted)
    assert "fan-not-running" in told
    assert "sensing-disagrees" not in told


def test_a_fan_at_rest_in_the_cold_is_dead_where_the_compressor_is_overloaded() -> None:
    """A defrost asks little of the motor; the alarm does not wait for its end."""
    unit = msgspec.structs.replace(SETTINGS.unit, heat_pump=True)
    settings = msgspec.structs.replace(SETTINGS, unit=unit)
    when = {}
    for amps in (0.7 * unit.compressor_rla_a, 1.25 * unit.compressor_rla_a):
        cold = but(RUN, outdoor_c=2.0, fan_a=0.0, compressor_a=amps)
        told = events(scans((600, but(REST, outdoor_c=2.0)), (400, cold)), settings)
        when[amps] = [one.t_s for one in told if isinstance(one, Change) and one.finding == "fan-not-running"]
    defrost, overloaded = when.values()
    assert not defrost
    assert overloaded


@pytest.mark.parametrize(("standing_a", "lost"), [(0.32, False), (2.8, False), (0.05, True)])
def test_a_current_that_stands_at_rest_disproves_a_dead_line(standing_a: float, lost: bool) -> None:
    """A heater across the open pole, a trickle through the run capacitor: no dead line feeds them."""
    idle = but(REST, compressor_a=standing_a)
    told = raised((600, RUN), (600, idle), (600, but(idle, supply=False)))
    assert ("line-supply-lost" in told, "sensing-disagrees" in told) == (lost, not lost)


def test_a_current_under_a_call_disproves_no_lost_leg() -> None:
    """The few volts that one leg leaves drive some amperes through closed contacts and a motor that stands still."""
    one_leg = but(RUN, supply=False, load=False, compressor_a=1.8, fan_a=0.1)
    told = raised((600, RUN), (600, one_leg))
    assert "line-supply-lost" in told
    assert "sensing-disagrees" not in told


def test_contacts_that_close_at_rest_and_run_nothing_wait_for_a_second_look() -> None:
    """At a scan every half minute: a weld, a dead compressor and a dead fan at once are rather a sensor."""
    told = events(scans((3000, REST), (600, but(REST, load=True)), every_s=30.0))
    assert {one.finding for one in told if isinstance(one, Change)} == {"sensing-disagrees"}


def test_an_open_fuse_is_told_though_the_thermostats_sensor_was_seen_to_hang_before() -> None:
    """At rest it began to say that it calls, and the next call came by itself. Then all goes dark but that sensor: what
    lies already explains it with the fuse alone, and another sensor that begins to lie as the call is cut is chance."""
    stuck = [(300.0, REST), (600.0, but(REST, thermostat=True)), (900.0, RUN)]
    dark = but(REST, control_power=False, control_v=0.0, thermostat=True)
    assert raised(*stuck, (600.0, dark)) == ["call-not-reaching-unit", "sensing-disagrees", "control-power-lost"]


def test_lost_cooling_is_told_beside_a_sensor_that_lies() -> None:
    """The contacts weld, the blower stops with the thermostat, and the call's sensor hangs: the house is not cooled,
    and that does not wait behind the doubt. Where the volts tell of the call in its place, the weld itself is told."""
    fitted = (*ALL, "return_air_c", "supply_air_c")
    without = tuple(name for name in fitted if name != "control_v")
    cools, air = {"return_air_c": 24.0, "supply_air_c": 13.0}, {"return_air_c": 25.0, "supply_air_c": 25.2}
    rests = REST | air | {"call": True}
    welded = rests | {"load": True, "compressor_a": 9.0, "fan_a": 1.0}
    stream = ((600.0, rests), (900.0, RUN | cools), (600.0, rests), (900.0, RUN | cools), (1800.0, welded))
    names = raised(*stream, fitted=without, every_s=5.0)
    assert names[0] == "sensing-disagrees"
    assert "not-cooling" in names
    assert raised(*stream, fitted=fitted, every_s=5.0) == ["sensing-disagrees", "contacts-stuck-closed"]


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_a_compressors_clamp_that_hangs_at_a_runs_current_alarms_for_two_rests_at_most(every_s: float) -> None:
    """Call and current alone: the number that no call moves is the clamp's own."""
    random, told, engine = Random(3), [], Engine(SETTINGS, fitted=("call", "compressor_a"))
    for scan in scans(*[(900, but(REST, compressor_a=0.0)), (900, RUN)] * 8, every_s=every_s):
        amps = 9.37 if scan.t_s > 7000.0 else round((scan.compressor_a or 0.0) * random.gauss(1.0, 0.004), 2)
        events = engine.feed(msgspec.structs.replace(scan, compressor_a=amps))
        told += [e.finding for e in events if isinstance(e, Change) and e.change is ChangeKind.RAISED]
    assert told.count("contacts-stuck-closed") in (1, 2)
    assert engine.status().distrusted == ("compressor_a",)


def test_a_call_that_is_missing_makes_no_run_of_a_trickle() -> None:
    """3.9 A past the open pole (check value 4.17: 45 uF): a run under a call, and none without; a call of which some
    scans tell nothing has not come."""
    one_pole = msgspec.structs.replace(SETTINGS, unit=msgspec.structs.replace(UNIT, contactor_poles=1))
    rest = but(REST, compressor_a=3.9)
    parts = ((900, rest), (900, RUN), (300, rest), (40, but(rest, call=None)), (300, rest))
    assert raised(*parts, settings=one_pole) == []


CONTROL_BOARD = {"call": False, "control_v": 0.0, "coil_a": 0.0}


@pytest.mark.parametrize(("fitted", "alarms"), [(ALL, 0), (OUTDOOR, 1)], ids=["all", "outdoor"])
def test_a_control_board_that_reads_nothing_is_found_by_the_next_run(fitted: tuple[str, ...], alarms: int) -> None:
    """Its cable comes off in a run: the unit goes on with its thermostat, and welded contacts close at no call."""
    dark = [(held_s, but(readings, **CONTROL_BOARD)) for held_s, readings in ((900, RUN), (900, REST)) * 4]
    engine = Engine(SETTINGS, fitted=fitted)
    found = events(scans((900, REST), (900, RUN), (900, REST), *dark, every_s=5.0), engine=engine)
    told = [e for e in found if isinstance(e, Change) and e.change is ChangeKind.RAISED]
    assert engine.status().distrusted == tuple(CONTROL_BOARD)
    assert [e.finding for e in told] == ["contacts-stuck-closed"] * alarms + ["sensing-disagrees"]
    lit = ((900, REST), (900, RUN)) * 2
    again = events(scans(*lit, every_s=5.0, from_s=10_000.0), engine=engine)
    assert engine.status().distrusted == ()
    assert not [e for e in again if isinstance(e, Change) and e.change is ChangeKind.RAISED]


def test_a_weld_and_an_open_wire_at_different_times_accuse_no_board() -> None:
    """TRUST.board: contacts that stay closed as a call ends have welded, whatever else the control board reads."""
    welded = but(REST, load=True, compressor_a=9.0, fan_a=1.0)
    parts = ((900, REST), (900, RUN), (900, REST), (900, RUN), (1800, welded), (900, but(welded, thermostat=True)))
    assert raised(*parts, every_s=5.0) == ["contacts-stuck-closed", "call-not-reaching-unit"]


def line_board(hangs_s: float, every_s: float = 10.0, **moves: Any) -> tuple[Engine, list[str]]:
    """Quarter hours of rest and run whose readings move as measured ones do; from `hangs_s` on the line board's stand
    still, but for those of `moves`."""
    random, engine, told, held = Random(5), Engine(SETTINGS, fitted=ALL), [], Scan(t_s=0.0)
    for scan in scans(*[(900, REST), (900, RUN)] * 8, every_s=every_s):
        noisy = {
            name: round(value * random.gauss(1.0, 0.004), 2) if (value := getattr(scan, name)) else 0.0
            for name in ("compressor_a", "fan_a", "outdoor_c")
        }
        live = msgspec.structs.replace(scan, **noisy)
        held = live if scan.t_s < hangs_s else held
        board = {name: getattr(held, name) for name in ("supply", "load", *noisy) if name not in moves}
        found = engine.feed(msgspec.structs.replace(live, **board))
        told += [e.finding for e in found if isinstance(e, Change) and e.change is ChangeKind.RAISED]
    return engine, told


def test_a_line_board_that_hangs_in_a_run_alarms_once() -> None:
    """Each of its numbers stands still to the last digit through rest and run, as no sensor's does: what it says of
    the contacts is as old; while one of them moves the board lives, and closed contacts are told in each rest."""
    engine, told = line_board(8400.0)
    assert told == ["contacts-stuck-closed", "sensing-disagrees"]
    assert engine.status().distrusted == ("supply", "load", "compressor_a", "fan_a", "outdoor_c")
    engine, told = line_board(8400.0, outdoor_c=True)
    assert "load" not in engine.status().distrusted
    assert told.count("contacts-stuck-closed") > 1


def test_numbers_that_never_moved_make_no_board_that_hangs() -> None:
    """Welded contacts as a converter of coarse steps reads them: told for as long as they stand."""
    welded = but(REST, load=True, compressor_a=9.0, fan_a=1.0)
    parts = ((900, REST), (900, RUN), (900, REST), (900, RUN), (7200, welded))
    assert "contacts-stuck-closed" not in [name for _, how, name in changes(*parts, every_s=10.0) if how == "cleared"]


@pytest.mark.parametrize(("held_s", "told"), [(200, "call-without-pull-in"), (400, "compressor-not-running")])
def test_a_fan_that_runs_on_and_on_under_a_call_shows_that_the_contacts_are_closed(held_s: int, told: str) -> None:
    """HABITS.run_on_s: the contacts' sensor fails in the moment in which the compressor dies; no board lets a fan run
    on for so long. A board that feeds the fan itself may."""
    dead = but(RUN, load=False, compressor_a=0.0)
    parts = ((900, REST), (900, RUN), (900, REST), (600, RUN), (held_s, dead))
    assert [name for name in raised(*parts, every_s=5.0) if name != "sensing-disagrees"][-1] == told
    board = msgspec.structs.replace(SETTINGS, unit=msgspec.structs.replace(UNIT, fan_control="board"))
    assert raised(*parts, every_s=5.0, settings=board)[-1] == "call-without-pull-in"


def test_an_alarm_that_another_sensor_ends_as_its_own_is_found_to_lie_is_no_part_of_the_diagnosis() -> None:
    """The fan shows that the contacts are closed: what the contacts' sensor made of it told nothing of the unit."""
    dead = but(RUN, load=False, compressor_a=0.0)
    stream = scans((900, REST), (900, RUN), (900, REST), (600, RUN), (900, dead), every_s=5.0)
    told = [e for e in events(stream) if isinstance(e, Diagnosed)]
    assert told[0].findings == ("call-without-pull-in",)
    assert set(told[-1].findings) == {"compressor-not-running", "sensing-disagrees"}
    assert told[-1].suspects[0][0] == "compressor-overload-open"


def test_volts_at_the_units_terminal_tell_of_the_call_whose_sense_lies() -> None:
    """The call's sense is stuck off: contacts that weld are told all the same, and a coil that opens too."""
    off = [(900, but(readings, call=False)) for readings in (REST, RUN)] * 3
    welded = but(REST, load=True, compressor_a=9.0, fan_a=1.0)
    assert raised(*off, (60, welded), every_s=5.0)[-1] == "contacts-stuck-closed"
    opened = but(REST, control_v=25.4, thermostat=True)
    assert raised(*off, (900, REST), (60, opened), every_s=5.0)[-1] == "call-without-pull-in"


def test_a_cut_call_stays_told_while_cells_of_the_indoor_board_are_missing() -> None:
    """Half of its cells: what the thermostat said last is no call that it ended, whenever it says nothing."""
    random, engine = Random(2), Engine(SETTINGS, fitted=ALL)
    cut, told = but(REST, thermostat=True), []
    for scan in scans(*[(900, REST), (900, RUN)] * 6, (36000, cut), every_s=60.0):
        gone = {name: None for name in ("call", "thermostat", "control_power") if random.random() < 0.5}
        told += [e for e in engine.feed(msgspec.structs.replace(scan, **gone)) if isinstance(e, Change)]
    cuts = [e.change for e in told if e.finding == "call-not-reaching-unit" and e.change is not ChangeKind.REVISED]
    assert cuts == [ChangeKind.RAISED]
    assert engine.status().distrusted == ()


HUMS = but(RUN, supply=False, load=False, compressor_a=3.6, fan_a=0.1)


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("left_a", [0.59 * 9.0, 3.6])
def test_what_a_lost_leg_still_drives_makes_no_liar_of_the_clamp(every_s: float, left_a: float) -> None:
    """A dead leg hangs on the neutral through the house's other 240 V loads (a kilowatt is 58 ohm, and half of the
    volts drive two amperes through it; Ohm's law): the presence sensors see no line, and the compressor hums on a part
    of its current. The clamp is believed, and the leg named; after its repair nothing is odd."""
    engine, told, first = Engine(SETTINGS, fitted=ALL), [], ""
    parts = [(600.0, REST), (900.0, RUN), (900.0, but(HUMS, compressor_a=left_a)), (600.0, REST), (900.0, RUN)]
    for scan in scans(*parts, every_s=every_s):
        for event in engine.feed(scan):
            if isinstance(event, Change) and event.change is ChangeKind.RAISED:
                told.append(event.finding)
            elif isinstance(event, Diagnosed) and event.suspects:
                first = first or event.suspects[0][0]
        assert engine.status().distrusted == ()
    assert (told, first) == (["line-supply-lost"], "line-leg-lost")


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(
    ("left_a", "rests", "first"),
    [
        (1.9, False, "line-leg-lost"),
        (0.55, False, "line-leg-lost"),
        (0.45, False, "line-supply-off"),  # LEG_HUM_A: a clamp's own offset
        (0.0, False, "line-supply-off"),
        (1.9, True, "monitor-sensing"),  # no call closes the contacts: a heater's or a trickle's, and the line is there
    ],
)
def test_a_leg_is_named_by_what_it_drives_through_closed_contacts(
    every_s: float, left_a: float, *, rests: bool, first: str
) -> None:
    """Too little to be taken for a run; a breaker that is off, or has tripped, lets nothing through."""
    lost = but(REST if rests else HUMS, supply=False, compressor_a=left_a, fan_a=0.0)
    parts = [(600.0, REST), (900.0, REST if rests else RUN), (600.0, lost)]
    found = [e for e in events(scans(*parts, every_s=every_s)) if isinstance(e, Diagnosed) and e.suspects]
    assert found[-1].suspects[0][0] == first


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("left_a", [0.59 * 9.0, 1.6])
def test_a_leg_that_goes_in_a_rest_makes_no_liar_of_the_clamp_either(every_s: float, left_a: float) -> None:
    """Nothing is fed, so that the other loads hold the dead leg's volts up until the contacts close on it (Kirchhoff's
    law: no current, no drop)."""
    parts = [(600.0, REST), (900.0, RUN), (900.0, REST), (900.0, but(HUMS, compressor_a=left_a))]
    engine, told, first = Engine(SETTINGS, fitted=ALL), [], ""
    for scan in scans(*parts, (600.0, REST), (900.0, RUN), every_s=every_s):
        for event in engine.feed(scan):
            if isinstance(event, Change) and event.change is ChangeKind.RAISED:
                told.append(event.finding)
            elif isinstance(event, Diagnosed) and event.suspects:
                first = first or event.suspects[0][0]
        assert engine.status().distrusted == ()
    assert (told, first) == (["line-supply-lost"], "line-leg-lost")


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("left_a", [0.61 * 9.0, 9.0])
def test_a_clamp_that_reads_more_than_a_lost_leg_leaves_lies(every_s: float, left_a: float) -> None:
    """FALL_RATIO, at a start as in a run: such a current flows from no dead line."""
    parts = [(600.0, REST), (900.0, RUN), (900.0, REST), (900.0, but(HUMS, compressor_a=left_a))]
    engine = Engine(SETTINGS, fitted=ALL)
    for scan in scans(*parts, every_s=every_s):
        engine.feed(scan)
    assert engine.status().distrusted == ("compressor_a",)


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("stays_a", [0.61 * 9.0, 9.0])
def test_a_clamp_that_does_not_fall_with_the_line_lies_as_before(every_s: float, stays_a: float) -> None:
    """FALL_RATIO: a run's current, or a low stage's, flows from no dead line; the fan's clamp says that it is dead."""
    parts = [(600.0, REST), (900.0, RUN), (900.0, but(HUMS, compressor_a=stays_a))]
    engine = Engine(SETTINGS, fitted=ALL)
    for scan in scans(*parts, every_s=every_s):
        engine.feed(scan)
    assert engine.status().distrusted == ("compressor_a",)


def test_a_supply_sensor_that_lies_from_the_start_of_a_run_is_no_lost_leg() -> None:
    """Nothing fell: what ran before it went is not known."""
    engine = Engine(SETTINGS, fitted=ALL)
    for scan in scans((600.0, but(REST, supply=False)), (900.0, but(RUN, supply=False, compressor_a=5.0))):
        engine.feed(scan)
    assert engine.status().distrusted == ("supply",)
