"""The unit's own normal on both sides of each border: what is learned of a line, when it widens, what is a second
stage, and what is drift.

Names are those of limits.BASELINES. The points are made by hand, of known slope, scatter and step.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.baseline import (
    Baseline,
    BaselinePoint,
    Quantity,
    cooling_amps,
    fan_amps,
    fit_line,
    part_stages,
    split_k,
)
from condenser_monitor.monitor.baselines.minutes import CleanMinutes, EarlyMinutes, MinuteMeans, heats
from condenser_monitor.monitor.baselines.normal import Baselines, EarlierMinutes
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.records import Cycle, StartTransient

UNIT = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1)
Learned = Callable[[Unit], Quantity]


def split(_: Unit) -> Quantity:
    """The split, as the others are named."""
    return split_k()


def line(per_k: float, span_k: float, *, at: float = 10.0, count: int = 41) -> list[BaselinePoint]:
    """Points about 30 °C whose quantity changes by so much of itself a K."""
    temperatures = [30.0 + span_k * (place / (count - 1) - 0.5) for place in range(count)]
    return [BaselinePoint(c, at * (1.0 + per_k * (c - 30.0)), None) for c in temperatures]


SLOPES = [
    # number, quantity, at 30 °C, the points' own slope, their span in K; the slope that is learned, and how near
    ("span_k", cooling_amps, 10.0, 0.05, 6.0, 0.05, 0.002),
    # AHRI 540 map of a 3 ton R-410A compressor at 45 °F suction: 2026.8 W at 100 °F of condensing, 2324.6 W at 110 °F
    ("slope_per_k", cooling_amps, 10.0, 0.05, 3.0, math.log(2324.6 / 2026.8) / 10 * 1.8, 0.003),
    ("slope_most_per_k", cooling_amps, 10.0, 0.10, 6.0, 0.06, 0.025),  # more is no compressor's
    ("fan_per_k", fan_amps, 1.0, 0.01, 3.0, -1 / 300, 0.0005),  # the density of air (ideal gas, 27 °C)
    ("fan_most_per_k", fan_amps, 1.0, 0.015, 6.0, 0.015, 0.001),
    ("fan_most_per_k", fan_amps, 1.0, 0.05, 6.0, 0.02, 0.009),
    ("split_most_per_k", split, 10.0, 0.05, 6.0, 0.05, 0.002),
    ("split_most_per_k", split, 10.0, 0.12, 6.0, 0.06, 0.025),
]


@pytest.mark.parametrize(("number", "quantity", "at", "own", "span_k", "learned", "near"), SLOPES)
def test_a_slope_is_the_units_own_from_there_and_up_to_there(
    *, number: str, quantity: Learned, at: float, own: float, span_k: float, learned: float, near: float
) -> None:
    """`number`, of BASELINES."""
    found = fit_line(line(own, span_k, at=at), quantity(UNIT))
    assert found.slope_a_per_k / found.at_a == pytest.approx(learned, abs=near), number


@pytest.mark.parametrize(
    ("number", "per_v", "sd_v", "least", "most"),
    [
        ("volts_sd", -0.04, 0.15, -0.001, 0.001),  # 0.6 % of the 24 V side is a meter's noise
        ("volts_sd", -0.04, 0.40, -0.045, -0.035),
        ("volts_most_per_v", -0.06, 0.40, -0.065, -0.055),  # constant power gives 1 / 24 a volt
        ("volts_most_per_v", -0.20, 0.40, -0.12, -0.05),
    ],
)
def test_the_lines_volts_are_taken_out_where_they_can_be_seen(
    number: str, per_v: float, sd_v: float, least: float, most: float
) -> None:
    """`number`, of BASELINES: volts that go up and down by `sd_v` about 24 V, out of step with the temperature."""
    points = [
        BaselinePoint(p.c, p.a + 10.0 * per_v * sign * sd_v, 24.0 + sign * sd_v)
        for place, p in enumerate(line(0.02, 8.0, count=40))
        for sign in ((1.0, -1.0)[place // 2 % 2],)
    ]
    found = fit_line(points, cooling_amps(UNIT))
    assert least <= found.a_per_v / found.at_a <= most, number


def learned(points: Sequence[BaselinePoint] | None = None) -> Baseline:
    """One that has been frozen on these points, 26 to 34 °C at 2.5 % a K where none are given."""
    found = Baseline(cooling_amps(UNIT))
    found.kept.points = list(points or line(0.025, 8.0))
    found._freeze()
    return found


@pytest.mark.parametrize(("c", "known"), [(35.0, True), (36.5, False)])
def test_a_line_holds_a_little_beyond_what_was_seen(c: float, known: bool) -> None:
    """BASELINES.margin_k: it was learned up to 34 °C."""
    assert (learned().amps(c) is not None) is known


WIDENED = [
    # number, minutes ten apart beyond the line's end at 34 °C, by how much above it they draw; whether it reaches there
    ("widen_k_per_day", [36.2] * 4, 1.0, True),
    ("widen_k_per_day", [39.0] * 4, 1.0, False),  # a day brings a few degrees: more is a probe in the sun
    ("widen_ratio", [36.2] * 4, 1.07, True),
    ("widen_ratio", [36.2] * 4, 1.14, False),
    ("widen_points", [36.2] * 2, 1.0, False),
    ("widen_points", [36.2] * 4, 1.0, True),
]


@pytest.mark.parametrize(("number", "seen_c", "ratio", "reaches"), WIDENED)
def test_new_temperatures_are_taken_up_from_there(
    number: str, seen_c: list[float], ratio: float, reaches: bool
) -> None:
    """`number`, of BASELINES."""
    found = learned()
    for place, c in enumerate(seen_c):
        found.learn(c, found.kept.stages[0].amps(c) * ratio, None, 1e6 + 1300.0 * place, 5, steady=True)
    assert found.kept.stages[0].knows(seen_c[0] + 0.5) is reaches, number


@pytest.mark.parametrize(("minutes", "days"), [(6, 0), (14, 1)])
def test_a_day_counts_from_some_minutes_on(minutes: int, days: int) -> None:
    """BASELINES.day_minutes."""
    found = Baseline(cooling_amps(UNIT))
    for minute in range(minutes):
        found.learn(30.0, 10.0, None, 60.0 * minute, 1, steady=True)
    assert found.days_seen == days


@pytest.mark.parametrize(
    ("number", "quantity", "value", "sane"),
    [
        ("split_least_k", split, 2.2, False),  # 3 K are a fan's and the ducts' warmth
        ("split_least_k", split, 4.5, True),
        ("split_most_k", split, 14.0, True),  # 22 °F are 12 K
        ("split_most_k", split, 25.0, False),
    ],
)
def test_what_cannot_be_normal_is_never_learned(number: str, quantity: Learned, value: float, sane: bool) -> None:
    """`number`, of BASELINES."""
    assert Baseline(quantity(UNIT)).sane(value) is sane, number


def test_a_limit_leaves_out_one_minute_in_a_thousand() -> None:
    """BASELINES.sure_sd: of a normal distribution 3.1 standard deviations do, and nothing lies beyond five."""
    noisy = [
        BaselinePoint(p.c, p.a * (1.0 + 0.08 * (1 if place % 2 else -1)), None)
        for place, p in enumerate(line(0.0, 8.0))
    ]
    found = learned(noisy)
    sd = found.sd_a(30.0)
    high = found.range(30.0).high_a
    assert sd is not None
    assert high is not None
    told_from = high * limits.HIGH_RUNNING_CURRENT.ratio.value
    assert 3.1 < (told_from - 10.0) / sd < 5.0


# ---------------------------------------------------------------- clean minutes, seasons, first runs


@pytest.mark.parametrize(("step", "clean"), [(0.03, True), (0.08, False)])
def test_neighbouring_minutes_of_a_settled_run_are_alike(step: float, clean: bool) -> None:
    """BASELINES.steady_ratio: they differ by 1 to 3 %; a change of stage by more."""
    minutes, found = CleanMinutes(), None
    for place, amps in enumerate((10.0, 10.0, 10.0 * (1.0 + step))):
        began_s = 3600.0 + 60.0 * place
        found = minutes.add(
            MinuteMeans(
                began_s=began_s,
                ended_s=began_s + 60.0,
                wall_s=None,
                running_since_s=0.0,
                sound=True,
                readings={"compressor_a": amps},
            )
        )
    assert (found is not None) is clean


@pytest.mark.parametrize(("outdoor_c", "heating"), [(13.0, True), (24.0, False)])
def test_a_heat_pump_that_runs_in_cool_air_heats(outdoor_c: float, heating: bool) -> None:
    """BASELINES.heat_pump_from_c: degree days of heating count below 65 °F."""
    assert heats(Unit(heat_pump=True), {"outdoor_c": outdoor_c}) is heating


@pytest.mark.parametrize(
    ("number", "runs", "asked_c", "known"),
    [
        ("rough_least", [30.0] * 2, 30.0, False),
        ("rough_least", [30.0] * 4, 30.0, True),
        ("rough_k", [30.0] * 4, 38.0, True),
        ("rough_k", [30.0] * 4, 48.0, False),
    ],
)
def test_first_runs_tell_roughly_from_there(number: str, runs: list[float], asked_c: float, known: bool) -> None:
    """`number`, of BASELINES."""
    found = _first_runs([(c, 10.0) for c in runs])
    assert (found.roughly_a(asked_c, 0.025) is not None) is known, number


@pytest.mark.parametrize(("later", "most_a"), [(2, 11.0), (12, 10.0)])
def test_the_first_runs_are_the_first_of_all(later: int, most_a: float) -> None:
    """BASELINES.rough_runs: the sixth run's current still counts, the thirteenth's does not."""
    runs = [(30.0, 10.0)] * (4 if most_a > 10.0 else 12) + [(30.0, 11.0)] * later
    found = _first_runs(runs).roughly_a(30.0, 0.025)
    assert found is not None
    assert found[1] == pytest.approx(most_a)


@pytest.mark.parametrize(("kind", "most_a"), [("single-stage", 8.0), ("two-stage", math.inf)])
def test_the_first_minutes_of_two_stages_tell_nothing_of_the_most(kind: str, most_a: float) -> None:
    """Common practice: a two-stage thermostat begins in the low stage; the high one then draws some 40 % more (the
    measured unit of tests/data/nist-ashp-hilft: 5.7 and 8.7 A)."""
    found = Baselines(Settings(unit=msgspec.structs.replace(UNIT, kind=kind)))
    for run in range(4):
        began_s = 7200.0 * run
        for minute in range(30):
            at_s = began_s + 60.0 * minute
            readings = {"compressor_a": 8.0 if minute < 20 else 11.4, "outdoor_c": 30.0}
            found.add_minute(
                MinuteMeans(
                    began_s=at_s,
                    ended_s=at_s + 60.0,
                    wall_s=None,
                    running_since_s=began_s,
                    sound=True,
                    readings=readings,
                )
            )
        ended = {"started_s": began_s, "stopped_s": began_s + 1800.0, "run_s": 1800.0}
        found.add_cycle(msgspec.structs.replace(_cycle(), **ended))
    assert found.roughly_a(30.0) == pytest.approx((8.0, most_a))


@pytest.mark.parametrize(("minutes", "counts"), [(1, False), (3, True)])
def test_a_run_of_one_settled_minute_tells_nothing(minutes: int, counts: bool) -> None:
    """BASELINES.rough_minutes."""
    assert (_first_runs([(30.0, 10.0)] * 4, minutes=minutes).roughly_a(30.0, 0.025) is not None) is counts


@pytest.mark.parametrize(
    ("amps", "lowest_a"),
    [
        ([10.0, 7.0], 7.0),  # a low stage draws 67 % of a high one, tests/data/nist-ashp-hilft
        ([10.0, 4.0], 10.0),  # no stage draws less than half
    ],
)
def test_a_run_at_less_than_half_is_no_ordinary_one(amps: list[float], lowest_a: float) -> None:
    """BASELINES.earlier_ratio; earlier_minutes: five settled minutes, of which two odd ones do not rule."""
    found = EarlierMinutes()
    for place, value in enumerate(amps):
        for odd in (2.0, 2.0, 1.0, 1.0, 1.0, 1.0, 1.0):
            found.add(float(place), value * odd, 30.0)
    assert found.lowest_a(0.55) == pytest.approx(lowest_a, rel=0.02)


def _minute(since_s: float | None, began_s: float, amps: float, outdoor_c: float = 30.0) -> MinuteMeans:
    return MinuteMeans(
        began_s=began_s,
        ended_s=began_s + 60.0,
        wall_s=None,
        running_since_s=since_s,
        sound=True,
        readings={"compressor_a": amps, "outdoor_c": outdoor_c},
    )


@pytest.mark.parametrize(
    ("number", "began_s", "next_a", "taught"),
    [
        ("early_s", 50.0, 10.0, False),  # the start, and what it left
        ("early_s", 70.0, 10.0, True),
        ("SETTLE_S", 290.0, 10.0, True),
        ("SETTLE_S", 310.0, 10.0, False),  # CleanMinutes has those
        ("early_steady_ratio", 120.0, 9.2, True),
        ("early_steady_ratio", 120.0, 8.6, False),  # the scan of the stop is in it, or something else has happened
        ("early_steady_ratio", 120.0, 11.4, False),
    ],
)
def test_a_run_teaches_before_it_has_settled_from_there(
    number: str, began_s: float, next_a: float, *, taught: bool
) -> None:
    """`number`, of BASELINES or limits; the next minute bears each out."""
    found = EarlyMinutes()
    assert found.add(_minute(0.0, began_s, 10.0)) is None
    assert (found.add(_minute(0.0, began_s + 60.0, next_a)) is not None) is taught, number


@pytest.mark.parametrize("after", [_minute(None, 180.0, 0.0), _minute(200.0, 260.0, 10.0)])
def test_the_minute_of_a_stop_or_of_another_run_teaches_nothing(after: MinuteMeans) -> None:
    """At a scan a minute it holds the scan of the stop."""
    found = EarlyMinutes()
    found.add(_minute(0.0, 120.0, 10.0))
    assert found.add(after) is None


def _short_runs(days: int, amps: float = 10.0, **unit: Any) -> Baselines:
    """A unit that never runs for more than four minutes, forty times a day, in 26 to 34 °C."""
    found = Baselines(Settings(unit=msgspec.structs.replace(UNIT, **unit)))
    for run in range(40 * days):
        began_s, outdoor_c = 2160.0 * run, 26.0 + run % 9
        for minute in range(4):
            drew_a = amps * (1.0 + 0.025 * (outdoor_c - 30.0))
            found.add_minute(_minute(began_s, began_s + 60.0 * minute, drew_a, outdoor_c))
        found.add_minute(_minute(None, began_s + 240.0, 0.0, outdoor_c))
    return found


@pytest.mark.parametrize(
    ("days", "lowest_a"),
    [
        (2, 10.0 * 0.55 / 0.7),  # what holds for settled runs of so few days (earlier_ratio): about half is too little
        (4, 10.0 * 0.95),
    ],
)
def test_runs_that_never_settle_teach_what_is_too_little(days: int, lowest_a: float) -> None:
    """BASELINES.early_ratio; an oversized unit's runs of four minutes."""
    found = _short_runs(days)
    assert found.normal_range(30.0).low_a == pytest.approx(lowest_a, rel=0.1)
    assert found.normal_range(30.0).high_a is None
    assert found.normal_a(30.0) is None


def test_short_runs_of_a_two_stage_unit_do_not_say_that_its_low_stage_draws_too_little() -> None:
    """They may all have been of its high one; about half is no stage (tests/data/nist-ashp-hilft)."""
    low_a = _short_runs(4, kind="two-stage").normal_range(30.0).low_a
    assert low_a == pytest.approx(10.0 * 0.55 / 0.7, rel=0.15)


def test_what_short_runs_taught_is_kept_and_goes_with_the_compressor() -> None:
    """It is memory like all that is learned, and a new compressor draws something else."""
    found = _short_runs(4)
    again = Baselines(Settings(unit=UNIT), found.kept)
    assert again.normal_range(30.0).low_a == pytest.approx(found.normal_range(30.0).low_a)
    again.reset("compressor")
    assert again.normal_range(30.0).low_a is None


def _first_runs(runs: Sequence[tuple[float, float]], *, minutes: int = 7) -> EarlierMinutes:
    found = EarlierMinutes()
    for place, (c, amps) in enumerate(runs):
        for _ in range(minutes):
            found.add(float(place), amps, c)
        found.end(_cycle())
    return found


def _cycle() -> Cycle:
    empty: dict[str, Any] = dict.fromkeys(Cycle.__struct_fields__)
    fixed = {"started_s": 0.0, "stopped_s": 900.0, "run_s": 900.0, "start_seen": True, "closings": 1}
    return Cycle(**{**empty, **fixed, "compressor_starts": 1})


@pytest.mark.parametrize(("rate_hz", "kept"), [(150.0, 0), (300.0, 1)])
def test_a_start_that_was_sampled_too_slowly_is_not_timed(rate_hz: float, kept: int) -> None:
    """BASELINES.start_rate_hz: a start lasts 0.1 to 0.5 s."""
    found = Baselines(Settings(unit=UNIT))
    found.add_start(StartTransient(t_s=0.0, duration_s=0.2, peak_a=60.0, settled_a=9.0, rate_hz=rate_hz))
    assert found.report()["starts"]["count"] == kept


# ---------------------------------------------------------------- stages


def two_levels(few: int, gap: float, scatter: float) -> list[BaselinePoint]:
    """Twenty points at 10 A, and so many at a level above, each a scatter up or down."""
    low = [BaselinePoint(28.0 + 0.2 * at, 10.0 + scatter * (1 if at % 2 else -1), None) for at in range(20)]
    high = [
        BaselinePoint(28.0 + 4.0 * at / few, 10.0 * (1.0 + gap) + scatter * (1 if at % 2 else -1), None)
        for at in range(few)
    ]
    return [BaselinePoint(p.c, p.a * (1 + 0.025 * (p.c - 30.0)), None) for p in (*low, *high)]


@pytest.mark.parametrize(
    ("number", "few", "gap", "scatter", "stages"),
    [
        ("stage_points", 2, 0.4, 0.05, 1),
        ("stage_points", 4, 0.4, 0.05, 2),
        ("stage_clear_sd", 20, 0.5, 1.0, 2),  # five scatters apart
        ("stage_clear_sd", 20, 0.2, 0.9, 1),  # 2.2: one group cut at its middle lies so far apart
    ],
)
def test_two_levels_are_two_stages_from_there(number: str, few: int, gap: float, scatter: float, stages: int) -> None:
    """`number`, of BASELINES."""
    assert len(part_stages(two_levels(few, gap, scatter), cooling_amps(UNIT))) == stages, number


def stepping(found: Baseline, *levels: tuple[float, int], from_s: float = 1e6) -> float:
    """Run for so many minutes at each level (of normal), at 30 °C."""
    at_s = from_s
    for ratio, minutes in levels:
        for _ in range(minutes):
            at_s += 60.0
            found.look(30.0, 10.0 * ratio)
            found.learn(30.0, 10.0 * ratio, None, at_s, int(at_s // 86400), steady=True)
    return at_s


@pytest.mark.parametrize(("times", "stages"), [(1, 1), (3, 2)])
def test_a_level_that_comes_and_goes_is_a_stage(times: int, stages: int) -> None:
    """BASELINES.stage_returns: one return may be chance."""
    found = learned()
    stepping(found, (1.0, 40), *([(1.4, 40), (1.0, 40)] * times))
    assert len(found.kept.stages) == stages


@pytest.mark.parametrize(("minutes", "waits"), [(60, True), (120, False)])
def test_a_new_level_is_waited_for_an_hour_and_not_for_ever(minutes: int, waits: bool) -> None:
    """BASELINES.stage_wait_min."""
    found = learned()
    stepping(found, (1.0, 40), (1.4, minutes))
    assert (found.range(30.0).high_a is None) is waits


@pytest.mark.parametrize(("minutes", "waits"), [(15, True), (30, False)])
def test_a_new_level_that_is_not_steady_is_no_stage(minutes: int, waits: bool) -> None:
    """BASELINES.stage_look_min: looked at, and never clean."""
    found = learned()
    stepping(found, (1.0, 40))
    for _ in range(minutes):
        found.look(30.0, 14.0)
    assert (found.range(30.0).high_a is None) is waits


@pytest.mark.parametrize(
    ("number", "levels", "waits"),
    [
        ("recent_between", [(1.0, 40), (1.13, 2), (1.4, 5)], True),
        ("recent_between", [(1.0, 40), (1.13, 5), (1.4, 5)], False),  # a creep
        ("recent_minutes", [(1.0, 40), (1.13, 5), (1.0, 18), (1.4, 5)], False),
        ("recent_minutes", [(1.0, 40), (1.13, 5), (1.0, 45), (1.4, 5)], True),
    ],
)
def test_a_stage_comes_at_once_and_a_fault_creeps(number: str, levels: list[tuple[float, int]], waits: bool) -> None:
    """`number`, of BASELINES."""
    found = learned()
    stepping(found, *levels)
    assert (found.range(30.0).high_a is None) is waits, number


# ---------------------------------------------------------------- drift


@pytest.mark.parametrize(
    ("number", "ratio", "days", "state"),
    [
        ("drift_allow", 0.015, 60, "steady"),  # humidity and the house alone move daily means by 2 %
        ("drift_allow", 0.045, 8, "rising"),
        ("drift_limit", 0.04, 4, "steady"),
        ("drift_limit", 0.04, 8, "rising"),
        ("drift_limit", -0.04, 8, "falling"),
    ],
)
def test_days_off_the_normal_are_drift_from_there(number: str, ratio: float, days: int, state: str) -> None:
    """`number`, of BASELINES; a tabular CUSUM (e-Handbook 6.3.2.3)."""
    drift = Baselines(Settings(unit=UNIT)).kept.drift
    for day in range(days):
        drift.add(ratio, 86400.0 * day)
    assert drift.state == state, number
