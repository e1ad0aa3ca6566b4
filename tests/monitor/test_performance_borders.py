"""What a run achieves, on both sides of each border: pipes, power factor, sag, microfarads, and the split's normal.

Common practice of the trade where no source is named. Names are those of limits.PERFORMANCE.
"""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.baselines.performance import Performance, PerformanceMemory, SplitPoint, observed
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.records import StartTransient
from tests.monitor.test_performance import LABELLED, Day, amps

ORIFICE = Unit(metering="orifice")
VALVE = Unit(metering="txv")

SEEN = [
    # number, unit, means of a settled minute, what is seen, as what
    ("power_factor_low", VALVE, {"compressor_w": 2160.0, "line_v": 240.0, "compressor_a": 10.0}, "power-factor=normal"),
    ("power_factor_low", VALVE, {"compressor_w": 1680.0, "line_v": 240.0, "compressor_a": 10.0}, "power-factor=low"),
    ("suction_cold_c", VALVE, {"suction_c": 1.5}, "large-pipe=freezing"),
    ("suction_cold_c", VALVE, {"suction_c": 3.0}, "large-pipe=cool"),
    ("suction_warm_c", VALVE, {"suction_c": 15.0}, "large-pipe=cool"),  # 45 °F and 20 °F of superheat are 18 °C
    ("suction_warm_c", VALVE, {"suction_c": 25.0}, "large-pipe=warm"),  # the room's own warmth
    # behind an orifice the target superheat rises by half a degree for each that it is milder than 95 °F outdoors
    ("suction_warm_slope", ORIFICE, {"suction_c": 23.5, "outdoor_c": 25.0}, "large-pipe=cool"),
    ("suction_warm_slope", ORIFICE, {"suction_c": 27.0, "outdoor_c": 25.0}, "large-pipe=warm"),
    ("liquid_near_k", VALVE, {"liquid_c": 31.5, "outdoor_c": 30.0}, "small-pipe=near-outdoor"),
    ("liquid_near_k", VALVE, {"liquid_c": 33.0, "outdoor_c": 30.0}, "small-pipe=warm"),  # 3 to 10 K are usual
    ("liquid_hot_k", VALVE, {"liquid_c": 40.0, "outdoor_c": 30.0}, "small-pipe=warm"),
    ("liquid_hot_k", VALVE, {"liquid_c": 48.0, "outdoor_c": 30.0}, "small-pipe=hot"),
]


@pytest.mark.parametrize(("number", "unit", "means", "seen"), SEEN)
def test_a_settled_minute_is_called_what_the_trade_calls_it(
    number: str, unit: Unit, means: dict[str, float], seen: str
) -> None:
    """`number`, of PERFORMANCE, is the border it lies beside."""
    name, _, symbol = seen.partition("=")
    assert observed(means, unit)[name] == symbol, number


@pytest.mark.parametrize(("lowest_v", "symbol"), [(225.0, "usual"), (195.0, "deep")])
def test_a_line_that_sags_far_under_a_start_is_poor(lowest_v: float, symbol: str) -> None:
    """PERFORMANCE.sag_deep: 3 to 8 % are a sound service's."""
    watch = Performance(LABELLED)
    watch.add_start(
        StartTransient(
            t_s=0.0, duration_s=0.2, peak_a=60.0, settled_a=9.0, before_v=240.0, lowest_v=lowest_v, rate_hz=860.0
        )
    )
    assert watch.seen["start-sag"] == symbol


@pytest.mark.parametrize(("whole", "kept"), [(2, 0), (4, 1)])
def test_a_run_of_two_whole_minutes_tells_no_microfarads(whole: int, kept: int) -> None:
    """PERFORMANCE.run_minutes."""
    day = Day()
    day.run(1 + whole, start_winding_a=amps(45.0), line_v=240.0)
    assert len(day.watch.memory.last_uf) == kept


@pytest.mark.parametrize(("after_s", "kept"), [(45.0, 0), (90.0, 1)])
def test_the_minute_of_the_start_tells_no_microfarads(after_s: float, kept: int) -> None:
    """PERFORMANCE.capacitor_after_s: the first of three minutes begins so long after the start."""
    day = Day()
    day.go_on(day.t_s - after_s, 3, start_winding_a=amps(45.0), line_v=240.0)
    day.run(0)
    assert len(day.watch.memory.last_uf) == kept


@pytest.mark.parametrize(
    ("number", "runs", "usual_uf"),
    [
        ("usual_runs", [45.0] * 4, None),
        ("usual_runs", [45.0] * 7, 45.0),
        ("first_runs", [50.0] * 8 + [45.0] * 30, 45.0),  # its first eight were odd
        ("first_runs", [45.0] * 15 + [41.0] * 40, 45.0),  # it grew weak afterwards
    ],
)
def test_a_units_first_runs_are_its_usual_microfarads(number: str, runs: list[float], usual_uf: float | None) -> None:
    """`number`, of PERFORMANCE."""
    day = Day(Settings(unit=Unit(run_capacitor_uf=45.0)))
    for uf in runs:
        day.run(9, start_winding_a=amps(uf, ratio=1.0), line_v=240.0)
    found = day.watch.usual_uf()
    assert found == (None if usual_uf is None else pytest.approx(usual_uf, rel=0.01)), number


def _points(count: int, *, split_k: float = 10.0, apart_k: float = 0.0) -> PerformanceMemory:
    """Points from 25 to 35 °C outdoors at one return temperature, each as far above or below the split."""
    return PerformanceMemory(
        air=[
            SplitPoint(25.0 + 10.0 * at / (count - 1), 24.0, split_k + apart_k * (1 if at % 2 else -1))
            for at in range(count)
        ]
    )


@pytest.mark.parametrize(
    ("number", "points", "outdoor_c", "known"),
    [
        ("points_least", 24, 30.0, False),
        ("points_least", 50, 30.0, True),  # an afternoon's and a morning's
        ("margin_k", 50, 36.5, True),
        ("margin_k", 50, 38.0, False),
    ],
)
def test_a_normal_is_known_from_there(number: str, points: int, outdoor_c: float, known: bool) -> None:
    """`number`, of PERFORMANCE."""
    watch = Performance(LABELLED, _points(points))
    means = {"outdoor_c": outdoor_c, "return_air_c": 24.0, "supply_air_c": 14.0}
    assert (watch.normal_split_k(means) is not None) is known, number


@pytest.mark.parametrize(
    ("number", "normal_k", "apart_k", "split_k", "low"),
    [
        ("slack_k", 5.0, 0.0, 3.4, False),  # two probes and a humid day are 1.6 K
        ("slack_k", 5.0, 0.0, 2.5, True),
        ("slack_sd", 10.0, 1.2, 7.0, False),  # within what it scatters by itself
        ("slack_sd", 10.0, 1.2, 5.5, True),
    ],
)
def test_a_split_is_low_from_there(number: str, normal_k: float, apart_k: float, split_k: float, low: bool) -> None:
    """`number`, of PERFORMANCE: how far under its normal a split must lie besides a quarter of it."""
    day = Day(LABELLED, _points(60, split_k=normal_k, apart_k=apart_k))
    day.run(40, outdoor_c=30.0, return_air_c=24.0, supply_air_c=24.0 - split_k)
    day.go_on(day.t_s, 40, outdoor_c=30.0, return_air_c=24.0, supply_air_c=24.0 - split_k)
    assert bool(day.answer("low-split")) is low, number


@pytest.mark.parametrize(("minutes", "told"), [(2, False), (4, True)])
def test_a_door_that_was_open_for_a_moment_is_no_unit_that_does_not_cool(minutes: int, told: bool) -> None:
    """PERFORMANCE.sure_s: twenty minutes into a run."""
    day = Day()
    day.go_on(0.0, 20, outdoor_c=30.0, return_air_c=24.0, supply_air_c=14.0)
    day.go_on(0.0, minutes, outdoor_c=30.0, return_air_c=24.0, supply_air_c=23.0)
    assert bool(day.answer("not-cooling")) is told


@pytest.mark.parametrize(
    ("number", "finding", "means", "told"),
    [
        ("NOT_COOLING.air_k", "not-cooling", {"return_air_c": 24.0, "supply_air_c": 22.0}, True),  # a fan and ducts
        ("NOT_COOLING.air_k", "not-cooling", {"return_air_c": 24.0, "supply_air_c": 19.5}, False),
        ("NOT_COOLING.pipes_k", "not-cooling", {"liquid_c": 32.0, "suction_c": 27.5}, True),  # both near the air
        ("NOT_COOLING.pipes_k", "not-cooling", {"liquid_c": 36.0, "suction_c": 27.0}, False),
        ("LOW_SPLIT.ratio", "low-split", {"return_air_c": 24.0, "supply_air_c": 16.2}, False),  # a damp day: a fifth
        ("LOW_SPLIT.ratio", "low-split", {"return_air_c": 24.0, "supply_air_c": 18.0}, True),
        ("HIGH_SPLIT.ratio", "high-split", {"return_air_c": 24.0, "supply_air_c": 11.7}, False),  # a dry one
        ("HIGH_SPLIT.ratio", "high-split", {"return_air_c": 24.0, "supply_air_c": 9.0}, True),
    ],
)
def test_heat_that_is_not_moved_is_told_from_there(
    number: str, finding: str, means: dict[str, float], told: bool
) -> None:
    """`number` is the border: forty minutes into a run of a unit whose split is normally 10 K."""
    memory = _points(60) if "return_air_c" in means else None
    day = Day(LABELLED, memory)
    day.go_on(0.0, 40, outdoor_c=30.0, **means)
    assert bool(day.answer(finding)) is told, number
