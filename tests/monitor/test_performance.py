"""Microfarads under load and the temperature split: what a run achieves, against the unit's own normal.

Outside checks: the trade's 2652 x A / V at 60 Hz, which is 1e6 / (2 pi 60); 3183 at 50 Hz.
"""

from __future__ import annotations

from random import Random

import msgspec
import pytest

from condenser_monitor.monitor.baselines.minutes import MinuteMeans
from condenser_monitor.monitor.baselines.performance import (
    Performance,
    PerformanceMemory,
    air_contradicted,
    air_split_k,
    apparent_uf,
    observed,
    pipe_split_k,
    power_factor,
)
from condenser_monitor.monitor.core.config import Settings, Unit
from tests.monitor.units import ALL, REST, RUN, but, raised

MINUTE_S = 60.0
LABELLED = Settings(unit=Unit(run_capacitor_uf=45.0, capacitor_volts_ratio=1.5))


@pytest.mark.parametrize(("hz", "factor"), [(60, 2652.6), (50, 3183.1)])
def test_microfarads_are_those_of_the_trades_formula(hz: int, factor: float) -> None:
    """4.07 A at 240 V and 60 Hz are 45 uF."""
    assert apparent_uf({"start_winding_a": 6.1, "line_v": 241.0}, Unit(line_hz=hz)) == pytest.approx(
        factor * 6.1 / 241.0, rel=1e-4
    )
    assert apparent_uf({"start_winding_a": None, "line_v": 241.0}, Unit(line_hz=hz)) is None
    assert apparent_uf({"start_winding_a": 6.1, "line_v": 0.0}, Unit(line_hz=hz)) is None


def test_a_figure_without_its_readings_is_not_known() -> None:
    """Missing is never zero."""
    assert power_factor({"compressor_w": 2600.0, "line_v": 240.0, "compressor_a": 11.6}) == pytest.approx(
        0.934, abs=1e-3
    )
    assert power_factor({"compressor_w": 2600.0, "line_v": 240.0}) is None
    assert air_split_k({"return_air_c": 24.0, "supply_air_c": 13.5}) == 10.5
    assert air_split_k({"return_air_c": 24.0}) is None
    assert pipe_split_k({"liquid_c": 38.0, "suction_c": 12.0}) == 26.0
    assert observed({}, Unit()) == {}


class Day:
    """Minutes of runs and rests in a row."""

    def __init__(self, settings: Settings = LABELLED, memory: PerformanceMemory | None = None) -> None:
        self.watch = Performance(settings, memory)
        self.t_s = 0.0

    def run(self, minutes: int, **readings: float) -> None:
        """One run of so many minutes with these means, then a minute of rest."""
        since_s = self.t_s
        for _ in range(minutes):
            self._add(since_s, readings)
        self._add(None, {})

    def go_on(self, since_s: float, minutes: int, **readings: float) -> None:
        """More minutes of a run that began at `since_s`."""
        for _ in range(minutes):
            self._add(since_s, readings)

    def _add(self, since_s: float | None, readings: dict[str, float]) -> None:
        self.t_s += MINUTE_S
        self.watch.add_minute(
            MinuteMeans(
                began_s=self.t_s - MINUTE_S,
                ended_s=self.t_s,
                wall_s=None,
                running_since_s=since_s,
                sound=True,
                readings=readings,
            )
        )

    def answer(self, name: str) -> bool | None:
        return self.watch.answers[name]


def amps(uf: float, volts: float = 240.0, ratio: float = 1.5) -> float:
    """The start winding's current of a capacitor at so many times the line's volts."""
    return uf * volts * ratio / 2652.58


def test_a_weak_capacitor_is_told_after_three_runs_and_not_before() -> None:
    """10 % under the label (common practice) over three runs; a single weak run is none, whatever the volts are."""
    day = Day()
    for uf in (45.0, 44.0, 40.0, 44.5):
        day.run(12, start_winding_a=amps(uf, 236.0), line_v=236.0)
    assert day.answer("run-capacitor-weak") is False
    for place in range(3):
        assert day.answer("run-capacitor-weak") is False, place
        day.run(12, start_winding_a=amps(40.0, 243.0), line_v=243.0)
    assert day.answer("run-capacitor-weak") is True
    assert day.watch.evidence["run-capacitor-weak"] == {"microfarads": 40.0, "usual_microfarads": 45.0}
    day.run(12, start_winding_a=amps(45.0), line_v=240.0)
    assert day.answer("run-capacitor-weak") is False


def test_without_a_ratio_the_units_first_runs_are_its_normal() -> None:
    """Nothing is said before they are known; then a fall of 10 % under them is told, over a restart too."""
    day = Day(Settings(unit=Unit(run_capacitor_uf=45.0)))
    for _ in range(4):
        day.run(12, start_winding_a=amps(45.0), line_v=240.0)
    assert day.answer("run-capacitor-weak") is None
    for _ in range(6):
        day.run(12, start_winding_a=amps(45.0), line_v=240.0)
    assert day.answer("run-capacitor-weak") is False
    kept = msgspec.json.decode(msgspec.json.encode(day.watch.memory), type=PerformanceMemory)
    later = Day(Settings(unit=Unit(run_capacitor_uf=45.0)), kept)
    assert later.answer("run-capacitor-weak") is False
    for _ in range(3):
        later.run(12, start_winding_a=amps(39.5), line_v=240.0)
    assert later.answer("run-capacitor-weak") is True
    assert later.watch.seen["capacitor-load"] == "weak"


@pytest.mark.parametrize(("last_uf", "stays"), [(60.0, False), (90.0, True), (150.0, True)])
def test_a_start_capacitor_that_stays_in_shows_in_the_windings_current(last_uf: float, *, stays: bool) -> None:
    """PERFORMANCE.start_capacitor_ratio: a hard-start kit adds 45 to 300 uF to a run capacitor of 45, one that is a
    size or two too large 5 to 15 (common practice). One run tells, as the motor trips in it; a sound one unsays it."""
    day = Day(Settings(unit=Unit(run_capacitor_uf=45.0)))
    for _ in range(6):
        day.run(12, start_winding_a=amps(45.0), line_v=240.0)
    assert "winding-load" not in day.watch.seen
    day.run(6, start_winding_a=amps(last_uf), line_v=240.0)
    assert day.watch.seen.get("winding-load") == ("over" if stays else None)
    assert day.watch.seen["capacitor-load"] == "good"
    day.run(6, start_winding_a=amps(45.0), line_v=240.0)
    assert "winding-load" not in day.watch.seen


@pytest.mark.parametrize("dead_a", [0.0, 0.05, 0.25])
@pytest.mark.parametrize("ratio", [1.5, 0.0])
def test_no_current_in_the_start_winding_is_no_weak_capacitor(dead_a: float, ratio: float) -> None:
    """A clamp that came off, or a motor behind a drive: neither the label nor the unit's normal is held against it."""
    day = Day(Settings(unit=Unit(run_capacitor_uf=45.0, capacitor_volts_ratio=ratio)))
    for _ in range(10):
        day.run(12, start_winding_a=amps(45.0), line_v=240.0)
    kept = list(day.watch.memory.last_uf)
    for _ in range(6):
        day.run(12, start_winding_a=dead_a, line_v=240.0)
    assert day.answer("run-capacitor-weak") is False
    assert day.watch.memory.last_uf == kept
    never = Day(Settings(unit=Unit(run_capacitor_uf=45.0, capacitor_volts_ratio=ratio)))
    for _ in range(12):
        never.run(12, start_winding_a=dead_a, line_v=240.0)
    assert never.answer("run-capacitor-weak") is None


def test_a_weak_capacitor_is_told_of_runs_of_five_minutes_too() -> None:
    """A thermostat of six cycles an hour makes runs of five minutes at half load (common practice). Three whole minutes
    make a value; the first, in which the motor starts, is none of them."""
    day = Day()
    for _ in range(5):
        day.run(3, start_winding_a=amps(20.0), line_v=240.0)
    assert day.answer("run-capacitor-weak") is None
    assert day.watch.memory.last_uf == []
    for _ in range(3):
        started_s = day.t_s
        day.go_on(started_s, 1, start_winding_a=amps(90.0), line_v=240.0)
        day.go_on(started_s, 3, start_winding_a=amps(40.0), line_v=240.0)
        day.run(0)
    assert day.answer("run-capacitor-weak") is True
    assert day.watch.memory.last_uf == [pytest.approx(40.0 * 1.5, abs=0.01)] * 3


@pytest.mark.parametrize(
    ("readings", "cools"),
    [
        ({"return_air_c": 25.0, "supply_air_c": 24.0}, False),
        ({"return_air_c": 25.0, "supply_air_c": 15.0}, True),
        ({"suction_c": 33.0, "liquid_c": 36.0}, False),
        ({"suction_c": 11.0, "liquid_c": 40.0}, True),
        # the air decides where both are sensed: a pipe probe may have come off
        ({"return_air_c": 25.0, "supply_air_c": 15.0, "suction_c": 33.0, "liquid_c": 36.0}, True),
    ],
)
def test_a_run_that_moves_no_heat_is_told_after_a_quarter_of_an_hour(readings: dict[str, float], cools: bool) -> None:
    """By air, by pipes; not before, and not on rest."""
    day = Day()
    day.go_on(0.0, 14, outdoor_c=35.0, **readings)
    assert day.answer("not-cooling") is not True
    day.go_on(0.0, 4, outdoor_c=35.0, **readings)
    assert day.answer("not-cooling") is (not cools)


def learned(noise_k: float = 0.6, settings: Settings = LABELLED) -> Day:
    """Weeks of sound runs: the split falls with outdoor and rises with return temperature; dry and damp days."""
    day, rng = Day(settings), Random(5)
    for _ in range(30):
        outdoor_c, return_c = rng.uniform(27, 38), rng.uniform(23.5, 26.5)
        split_k = 10.0 - 0.1 * (outdoor_c - 32) + 0.5 * (return_c - 25) + rng.gauss(0.0, noise_k)
        day.run(45, outdoor_c=outdoor_c, return_air_c=return_c, supply_air_c=return_c - split_k)
    return day


def test_the_split_of_other_weather_is_normal() -> None:
    """What was learned is a plane: a hotter day's smaller split is none too small."""
    day = learned()
    for outdoor_c, return_c, split_k in ((29.0, 26.0, 10.8), (37.0, 24.0, 9.0), (33.0, 25.0, 9.9)):
        day.run(45, outdoor_c=outdoor_c, return_air_c=return_c, supply_air_c=return_c - split_k)
        assert day.answer("low-split") is None  # not known at rest, and not raised
        assert day.watch.seen["split"] == "normal"


@pytest.mark.parametrize(("share", "finding"), [(0.65, "low-split"), (1.4, "high-split")])
def test_a_split_beside_the_units_own_normal_is_told_after_twenty_minutes(share: float, finding: str) -> None:
    """A quarter off, for twenty minutes of one run; the other finding stays quiet."""
    day = learned()
    since_s = day.t_s
    reading = {"outdoor_c": 33.0, "return_air_c": 25.0, "supply_air_c": 25.0 - 9.9 * share}
    day.go_on(since_s, 5, **reading)
    day.go_on(since_s, 18, **reading)
    assert day.answer(finding) is not True
    day.go_on(since_s, 4, **reading)
    assert day.answer(finding) is True
    other = {"low-split": "high-split", "high-split": "low-split"}[finding]
    assert day.answer(other) is False
    assert day.watch.evidence[finding]["normal_split_k"] == pytest.approx(9.9, abs=0.5)


def test_a_house_that_was_hot_for_days_is_no_blocked_air() -> None:
    """After a repair more heat is moved out of 33 °C indoors than ever was; back at 25 °C the same split is told."""
    day = learned()
    day.run(60, outdoor_c=33.0, return_air_c=33.0, supply_air_c=33.0 - 18.0)
    assert day.answer("high-split") is None
    assert day.watch.seen["split"] == "normal"
    assert max(point.return_c for point in day.watch.memory.air) < 27.0
    day.go_on(day.t_s, 30, outdoor_c=33.0, return_air_c=25.0, supply_air_c=25.0 - 14.0)
    assert day.answer("high-split") is True


@pytest.mark.parametrize("kind", ["two-stage", "variable-speed"])
def test_full_speed_after_weeks_at_low_speed_is_no_blocked_air(kind: str) -> None:
    """What was learned may be the low stage: more heat moved is by design; less is still told."""
    unit = msgspec.structs.replace(LABELLED.unit, kind=kind)
    for share, answer in ((1.6, False), (0.6, True)):
        day = learned(settings=msgspec.structs.replace(LABELLED, unit=unit))
        since_s = day.t_s
        day.go_on(since_s, 30, outdoor_c=33.0, return_air_c=25.0, supply_air_c=25.0 - 9.9 * share)
        assert day.answer("high-split") is False
        assert day.answer("low-split") is answer


def test_outside_of_the_weather_seen_nothing_is_said() -> None:
    """Ten degrees hotter than any day so far: no normal is known."""
    day = learned()
    assert day.watch.normal_split_k({"outdoor_c": 48.0, "return_air_c": 25.0, "supply_air_c": 15.0}) is None


def test_a_reset_forgets_what_was_normal() -> None:
    """After a repair the unit's new runs count."""
    day = learned()
    day.watch.reset()
    assert day.watch.normal_split_k({"outdoor_c": 33.0, "return_air_c": 25.0, "supply_air_c": 15.0}) is None
    assert day.watch.report()["split_points"] == 0


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ({"suction_c": -1.0}, {"large-pipe": "freezing"}),
        ({"suction_c": 12.0}, {"large-pipe": "cool"}),
        ({"suction_c": 26.0}, {"large-pipe": "warm"}),
        ({"liquid_c": 35.5, "outdoor_c": 35.0}, {"small-pipe": "near-outdoor"}),
        ({"liquid_c": 41.0, "outdoor_c": 35.0}, {"small-pipe": "warm"}),
        ({"liquid_c": 52.0, "outdoor_c": 35.0}, {"small-pipe": "hot"}),
        ({"compressor_w": 2200.0, "line_v": 240.0, "compressor_a": 12.5}, {"power-factor": "low"}),
    ],
)
def test_pipes_and_power_speak_in_the_symbols_of_the_diagnosis(
    readings: dict[str, float], said: dict[str, str]
) -> None:
    """Usual figures of handbooks: suction some 10 C, liquid 3 to 10 K over the outdoor air."""
    assert observed(readings, Unit()) == said


_AIR = {"return_air_c": 26.0, "line_v": 236.0}
_WHOLE = but(RUN, supply_air_c=15.0, start_winding_a=amps(45.0, 236.0), **_AIR)
_BETWEEN = but(_WHOLE, supply_air_c=24.0)  # a minute after a start the air is hardly cooler yet
_TRIPPED = but(RUN, load=False, coil_a=0.0, compressor_a=2.4, fan_a=0.0, supply_air_c=26.0, start_winding_a=0.0, **_AIR)
_STALLS = but(RUN, compressor_a=66.0, supply_air_c=25.0, start_winding_a=0.1, **_AIR)


@pytest.mark.parametrize("broken", [_TRIPPED, _STALLS])
@pytest.mark.parametrize("every_s", [30.0, 60.0])
def test_a_unit_that_trips_between_slow_scans_is_no_run_without_cooling(
    broken: dict[str, float], every_s: float
) -> None:
    """At a scan a minute a trip is seen by one scan and so not believed; nothing in between is a settled run."""
    rest = but(REST, supply_air_c=26.0, start_winding_a=0.0, **_AIR)
    days = [
        *[(1800.0, rest), (1800.0, _WHOLE)] * 8,
        *[(600.0, rest), (900.0, _WHOLE), *[(every_s, _BETWEEN), (every_s, broken)] * 30] * 4,
    ]
    fitted = (*ALL, *_AIR, "supply_air_c", "start_winding_a")
    named = raised(*days, every_s=every_s, settings=LABELLED, fitted=fitted)
    assert not {"not-cooling", "low-split", "run-capacitor-weak"} & set(named)


def test_what_a_whole_run_showed_is_not_told_of_later_runs_that_were_cut_short() -> None:
    """A large pipe that was cool before the gas went does not acquit low charge of the trips since."""
    day = Day()
    day.run(20, suction_c=12.0, liquid_c=40.0, outdoor_c=33.0)
    assert day.watch.seen["large-pipe"] == "cool"
    day.run(3, suction_c=26.0, liquid_c=34.0, outdoor_c=33.0)
    assert "large-pipe" not in day.watch.seen


SOUND_COIL = {"return_air_c": 24.0, "supply_air_c": 24.5, "suction_c": 12.0, "liquid_c": 38.0, "outdoor_c": 33.0}


@pytest.mark.parametrize(
    ("blower", "sound", "changed", "contradicted"),
    [
        (True, True, {}, True),
        (None, True, {}, False),  # nobody knows whether air passes
        (False, True, {}, False),  # none does
        (True, False, {}, False),
        (True, True, {"suction_c": 0.5}, False),  # a coil without air freezes, whatever the blower's sensor says
        (True, True, {"suction_c": 24.0}, False),  # nothing boils any more
        (True, True, {"liquid_c": 34.0}, False),  # nothing condenses
        (True, True, {"liquid_c": 48.0}, False),
        (True, True, {"supply_air_c": 20.5}, False),  # 3.5 K: the air's split says itself that heat is moved
        (True, True, {"supply_air_c": None}, False),
    ],
)
def test_air_that_a_sound_coil_does_not_cool_is_a_sensors_lie(
    blower: bool | None, sound: bool, changed: dict[str, float | None], contradicted: bool
) -> None:
    """Common practice: the large pipe is cold to the hand and not iced, the small one warm, where heat is moved."""
    minute = MinuteMeans(
        began_s=940.0,
        ended_s=1000.0,
        wall_s=None,
        running_since_s=0.0,
        sound=sound,
        readings={**SOUND_COIL, **changed},
        blower=blower,
    )
    assert air_contradicted(minute, Unit(), 3.0) is contradicted


@pytest.mark.parametrize(("blower", "suction_c", "told"), [(True, 12.0, False), (False, 12.0, True), (True, 0.0, True)])
def test_lost_cooling_is_not_told_by_an_air_sensor_that_blower_and_pipes_contradict(
    blower: bool, suction_c: float, told: bool
) -> None:
    """A supply probe that fails in a run; a blower that is dead, or said to run over a coil that freezes."""
    fitted = (*ALL, "return_air_c", "supply_air_c", "suction_c", "liquid_c", "blower")
    pipes = {"suction_c": suction_c, "liquid_c": 38.0}
    cools = but(RUN, return_air_c=24.0, supply_air_c=13.5, blower=True, **pipes)
    rests = but(REST, return_air_c=24.0, supply_air_c=24.0, blower=False, suction_c=31.0, liquid_c=31.0)
    lies = cools | {"supply_air_c": 24.0, "blower": blower}
    names = raised((600, rests), (600, cools), (420, lies), (300, lies), fitted=fitted)
    assert ("not-cooling" in names) is told
