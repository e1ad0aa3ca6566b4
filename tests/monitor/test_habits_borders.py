"""What a unit does by design, on both sides of each border: which times a timer keeps, and which a fault does.

Names are those of limits.HABITS. Where no source is named the figures are common practice (and from memory).
"""

from __future__ import annotations

import msgspec
import pytest

from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.patterns import Habits
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import SETTINGS, UNIT

TIMES = [
    # number, habit, how long it lasted, s; whether it is learned
    ("times", "delay-on-make", (180.0, 181.0), False),
    ("times", "delay-on-make", (180.0, 181.0, 180.0), True),
    ("slack_s", "delay-on-make", (40.0, 44.0, 42.0), True),  # relays and boards repeat within seconds
    ("slack_s", "delay-on-make", (40.0, 48.0, 42.0), False),
    ("slack_ratio", "delay-on-make", (300.0, 312.0, 306.0), True),
    ("slack_ratio", "delay-on-make", (300.0, 325.0, 310.0), False),
    ("delay_least_s", "delay-on-make", (10.0, 10.0, 10.0), False),
    ("delay_least_s", "delay-on-make", (20.0, 20.0, 20.0), True),
    ("delay_most_s", "delay-on-make", (540.0, 540.0, 540.0), True),
    ("delay_most_s", "delay-on-make", (900.0, 900.0, 900.0), False),  # ten minutes are the longest
    ("break_most_s", "delay-on-break", (600.0, 600.0, 600.0), True),
    ("break_most_s", "delay-on-break", (1300.0, 1300.0, 1300.0), False),
    ("shed_least_s", "load-shed", (150.0, 150.0, 150.0), False),
    ("shed_least_s", "load-shed", (400.0, 400.0, 400.0), True),
    ("shed_most_s", "load-shed", (5400.0, 5400.0, 5400.0), False),  # half an hour at a time is usual
    ("run_on_s", "fan-run-on", (150.0, 150.0, 150.0), True),  # boards let it run on for a minute or two
    ("run_on_s", "fan-run-on", (400.0, 400.0, 400.0), False),
    ("ramp_s", "compressor-after-fan", (120.0, 120.0, 120.0), True),
    ("ramp_s", "compressor-after-fan", (300.0, 300.0, 300.0), False),
]


@pytest.mark.parametrize(("number", "habit", "lasted_s", "learned"), TIMES)
def test_a_time_is_a_timers_from_there_and_up_to_there(
    number: str, habit: str, lasted_s: tuple[float, ...], learned: bool
) -> None:
    """`number`, of HABITS."""
    durations = Habits(SETTINGS).durations[habit]
    durations.lasted_s.extend(lasted_s)
    assert (durations.learned_s(1.0) is not None) is learned, number


@pytest.mark.parametrize(
    ("number", "compressor_a", "fan_a", "drive"),
    [
        ("slowed_ratio", 6.8, 0.6, False),  # a low stage draws 67 % of a high one, tests/data/nist-ashp-hilft
        ("slowed_ratio", 4.5, 0.6, True),
        ("slowed_fan_ratio", 4.5, 0.95, False),  # a contactor's fan draws the same through a run
        ("slowed_fan_ratio", 4.5, 0.6, True),
        ("slowest_fan_ratio", 4.5, 0.15, False),  # it has stopped
        ("slowest_fan_ratio", 4.5, 0.4, True),
    ],
)
def test_a_unit_whose_compressor_and_fan_slow_down_together_has_a_drive(
    number: str, compressor_a: float, fan_a: float, drive: bool
) -> None:
    """`number`, of HABITS: from 10 A and 1 A, in four runs."""
    habits = Habits(SETTINGS)
    for run in range(4):
        for minute_a, minute_fan_a in ((10.0, 1.0), (compressor_a, fan_a), (compressor_a, fan_a)):
            habits.mind_speed(3600.0 * run, minute_a, minute_fan_a)
    assert habits.modulates(1.0) is drive, number


@pytest.mark.parametrize(
    ("number", "changed", "outdoor_c", "may_rest"),
    [
        ("heats_below_c", {}, 5.0, True),  # what runs then heats, declared or not
        ("heats_below_c", {}, 12.0, False),
        ("frost_c", {"heat_pump": True}, 9.0, True),  # outdoor coils frost below 5 to 7 °C
        ("frost_c", {"heat_pump": True}, 20.0, False),
        ("board_fan_c", {"fan_control": "board"}, 15.0, True),  # where head pressure falls
        ("board_fan_c", {"fan_control": "board"}, 32.0, False),
    ],
)
def test_a_fan_may_rest_in_the_cold(
    number: str, changed: dict[str, bool | str], outdoor_c: float, may_rest: bool
) -> None:
    """`number`, of HABITS: in a run, by design."""
    unit: Unit = msgspec.structs.replace(UNIT, **changed)
    assert Engine(Settings(unit=unit))._fan_may_rest(outdoor_c) is may_rest, number
