"""What a reading is believed to say, on both sides of each border between two words for it.

The unit is one of 3 ton: rated load 12.8 A, locked rotor 68 A, fan 1.1 A. Where no source is named the figure
is common practice (and from memory). A border that moves by half, or twice as far, says another word.
"""

from __future__ import annotations

from typing import Any

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.inputs import DebouncedInputs
from condenser_monitor.monitor.core.readings import draw_bands
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import RUN, SETTINGS

PLAIN = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, line_v=240.0)
DRIVE = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, kind="variable-speed")
ONE_POLE = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, contactor_poles=1)
SMALL = Unit(compressor_rla_a=6.0, compressor_lra_a=30.0, fan_fla_a=0.8, contactor_poles=1)


def said(unit: Unit, reading: str, name: str, *values: float, **flags: bool) -> Any:
    """What an input is believed to say after these values in a row, each of two scans."""
    inputs = DebouncedInputs(Settings(unit=unit), (*flags, reading))
    for place, value in enumerate(one for one in values for _ in range(2)):
        inputs.update(Scan(t_s=float(place), **{reading: value}, **flags))  # type: ignore[arg-type]
    return inputs.by_name[name].symbol


SAID = [
    # number, unit, reading, input, values in a row, what is believed
    ("CONTROL_DEAD_V", PLAIN, "control_v", "control_v", (4.7,), "dead"),  # IEC 60947-4-1: let go by 20 % of 24 V, 4.8 V
    ("CONTROL_DEAD_V", PLAIN, "control_v", "control_v", (8.0,), "ghost"),  # what a stealing thermostat leaves
    ("CONTROL_GHOST_V", PLAIN, "control_v", "control_v", (15.0,), "weak"),  # between 10 and 20 V a contactor chatters
    ("CONTROL_HYSTERESIS_V", PLAIN, "control_v", "control_v", (25.0, 20.0, 20.7), "weak"),  # 1 % of a meter: no news
    ("CONTROL_HYSTERESIS_V", PLAIN, "control_v", "control_v", (25.0, 20.0, 21.1), "normal"),
    ("LINE_ABSENT_V", PLAIN, "line_v", "line_v", (40.0,), "dead"),
    ("LINE_ABSENT_V", PLAIN, "line_v", "line_v", (60.0,), "low"),  # 29 CFR 1910.303(g)(2): guarded from 50 V
    ("LINE_HYSTERESIS_RATIO", PLAIN, "line_v", "line_v", (240.0, 215.0, 221.8), "low"),
    ("LINE_HYSTERESIS_RATIO", PLAIN, "line_v", "line_v", (240.0, 215.0, 223.5), "normal"),
    ("COIL_NONE_A", PLAIN, "coil_a", "coil_a", (0.06,), "none"),  # a thermostat that steals power
    ("COIL_NONE_A", PLAIN, "coil_a", "coil_a", (0.15,), "sealed"),  # 4 VA at 27 V
    ("COIL_UNSEALED_A", PLAIN, "coil_a", "coil_a", (0.42,), "sealed"),  # 10 VA
    ("COIL_UNSEALED_A", PLAIN, "coil_a", "coil_a", (0.83,), "unsealed"),  # 20 VA, open armature
    ("COIL_SHORT_A", PLAIN, "coil_a", "coil_a", (2.5,), "unsealed"),  # 60 VA, open armature
    ("COIL_SHORT_A", PLAIN, "coil_a", "coil_a", (4.5,), "short"),  # half as much again as its fuse carries
    ("RUNNING_ON_RATIO", PLAIN, "compressor_a", "compressor", (2.0,), False),
    ("RUNNING_ON_RATIO", PLAIN, "compressor_a", "compressor", (5.1,), True),  # 0.4 of rated load: unloaded
    ("RUNNING_OFF_RATIO", PLAIN, "compressor_a", "compressor", (9.0, 2.0), False),
    ("RUNNING_OFF_RATIO", PLAIN, "compressor_a", "compressor", (9.0, 3.0), True),
    ("DRIVE_ON_RATIO", DRIVE, "compressor_a", "compressor", (0.7,), False),
    ("DRIVE_ON_RATIO", DRIVE, "compressor_a", "compressor", (1.28,), True),  # slowed to a tenth
    ("DRIVE_OFF_RATIO", DRIVE, "compressor_a", "compressor", (1.28, 0.4), False),  # 2 % are its own electronics
    ("DRIVE_OFF_RATIO", DRIVE, "compressor_a", "compressor", (1.28, 0.9), True),
    ("LOCKED_RATIO", PLAIN, "compressor_a", "locked", (30.0,), False),  # more than any run
    ("LOCKED_RATIO", PLAIN, "compressor_a", "locked", (54.0,), True),  # at 80 % of the volts
    ("FAN_ON_RATIO", PLAIN, "fan_a", "fan", (0.25,), False),
    ("FAN_ON_RATIO", PLAIN, "fan_a", "fan", (0.5,), True),  # half of its nameplate
    ("FAN_OFF_RATIO", PLAIN, "fan_a", "fan", (1.0, 0.15), False),
    ("FAN_OFF_RATIO", PLAIN, "fan_a", "fan", (1.0, 0.3), True),
    ("SLOW_FAN_ON_RATIO", DRIVE, "fan_a", "fan", (0.08,), False),
    ("SLOW_FAN_ON_RATIO", DRIVE, "fan_a", "fan", (0.15,), True),
    ("SLOW_FAN_OFF_RATIO", DRIVE, "fan_a", "fan", (0.15, 0.05), False),
    ("SLOW_FAN_OFF_RATIO", DRIVE, "fan_a", "fan", (0.15, 0.09), True),
    ("FAN_STALLED_RATIO", PLAIN, "fan_a", "stalled", (1.1,), False),  # its nameplate is the most it runs at
    ("FAN_STALLED_RATIO", PLAIN, "fan_a", "stalled", (2.2,), True),  # one that hums draws about twice that
    ("START_WINDING_NONE_A", PLAIN, "start_winding_a", "start_winding_a", (0.2,), "none"),
    ("START_WINDING_NONE_A", PLAIN, "start_winding_a", "start_winding_a", (0.55,), "flows"),  # half of 15 uF at 200 V
    ("POWER_NONE_RATIO", PLAIN, "compressor_w", "compressor_w", (20.0,), "none"),
    ("POWER_NONE_RATIO", PLAIN, "compressor_w", "compressor_w", (45.0,), "little"),  # crankcase heaters take 30 to 90 W
    ("POWER_RUNNING_RATIO", PLAIN, "compressor_w", "compressor_w", (300.0,), "little"),
    ("POWER_RUNNING_RATIO", PLAIN, "compressor_w", "compressor_w", (800.0,), "draws"),
    ("HOT_DISCHARGE.hot_c", PLAIN, "discharge_c", "discharge_c", (95.0,), "usual"),
    ("HOT_DISCHARGE.hot_c", PLAIN, "discharge_c", "discharge_c", (115.0,), "hot"),  # 225 °F are the line's most
    ("HOT_DISCHARGE.back_k", PLAIN, "discharge_c", "discharge_c", (115.0, 103.5), "hot"),
    ("HOT_DISCHARGE.back_k", PLAIN, "discharge_c", "discharge_c", (115.0, 100.0), "usual"),
]


@pytest.mark.parametrize(("number", "unit", "reading", "name", "values", "believed"), SAID)
def test_a_reading_says_what_the_trade_calls_it(
    *, number: str, unit: Unit, reading: str, name: str, values: tuple[float, ...], believed: Any
) -> None:
    """`number` is the border that it lies beside."""
    assert said(unit, reading, name, *values) == believed, number


@pytest.mark.parametrize(
    ("number", "unit", "amps", "runs"),
    [
        ("TRICKLE_A", ONE_POLE, 4.0, False),  # V / Xc of 45 uF at 240 V, 60 Hz is 4.07 A
        ("TRICKLE_A", ONE_POLE, 5.5, True),  # welded contacts: over 0.4 of rated load
        ("TRICKLE_RATIO", SMALL, 2.5, False),  # 27 uF
        ("TRICKLE_RATIO", SMALL, 4.0, True),  # two thirds of rated load
    ],
)
def test_a_capacitors_current_past_an_open_pole_is_no_run(number: str, unit: Unit, amps: float, runs: bool) -> None:
    """`number` is the border that it lies beside; nothing is called and the contacts are open."""
    assert said(unit, "compressor_a", "compressor", amps, amps, call=False, load=False) is runs, number


@pytest.mark.parametrize(
    ("number", "values", "word"),
    [
        ("HIGH_RUNNING_CURRENT.rla_ratio", (13.4,), "normal"),  # rated load and a clamp's 5 %
        ("HIGH_RUNNING_CURRENT.rla_ratio", (16.0,), "high"),
        ("DRAW_HYSTERESIS_RATIO", (15.0, 13.9), "high"),
        ("DRAW_HYSTERESIS_RATIO", (15.0, 13.65), "normal"),
    ],
)
def test_a_compressors_draw_against_its_nameplate(number: str, values: tuple[float, ...], word: str) -> None:
    """`number` is the border that it lies beside."""
    assert _drawn(None, None, values) == word, number


@pytest.mark.parametrize(
    ("number", "amps", "word"),
    [
        ("HIGH_RUNNING_CURRENT.ratio", 10.8, "normal"),  # a dirty coil's first tenth
        ("HIGH_RUNNING_CURRENT.ratio", 12.5, "high"),
        ("LOW_RUNNING_CURRENT.ratio", 8.0, "normal"),
        ("LOW_RUNNING_CURRENT.ratio", 5.5, "low"),  # half of it: no gas to pump
    ],
)
def test_a_compressors_draw_against_its_own_normal_of_10_a(number: str, amps: float, word: str) -> None:
    """`number` is the border that it lies beside."""
    assert _drawn(10.0, 10.0, (amps,)) == word, number


def _drawn(lowest_a: float | None, highest_a: float | None, values: tuple[float, ...]) -> Any:
    bands, band = draw_bands(Settings(unit=PLAIN), lowest_a, highest_a), None
    for value in (10.0, *values):
        band = bands.place(value, band)
    return bands.names[band]  # type: ignore[index]


@pytest.mark.parametrize(("missing_s", "known"), [(3, True), (7, False)])
def test_a_sense_that_is_missing_for_seconds_is_unknown(missing_s: int, known: bool) -> None:
    """STALE_S: a bus that stumbles is back by the next scan or two."""
    inputs = DebouncedInputs(Settings(unit=PLAIN), ("fan_a",))
    for at in range(3):
        inputs.update(Scan(t_s=float(at), fan_a=1.0))
    for at in range(missing_s + 1):
        inputs.update(Scan(t_s=3.0 + at))
    assert (inputs.by_name["fan"].symbol is True) is known


@pytest.mark.parametrize(
    ("number", "every_s", "pause_s", "gap"),
    [
        ("GAP_MIN_S", 1.0, 45.0, False),  # a card that stalls
        ("GAP_MIN_S", 1.0, 100.0, True),
        ("GAP_FACTOR", 60.0, 200.0, False),  # two scans of a minute lost
        ("GAP_FACTOR", 60.0, 420.0, True),
    ],
)
def test_what_was_not_seen_for_a_while_is_not_known(number: str, every_s: float, pause_s: float, gap: bool) -> None:
    """`number` is the border: after a gap two scans must agree again, after late scans they need not."""
    engine = Engine(SETTINGS)
    for at in range(20):
        engine.feed(Scan(t_s=at * every_s, **RUN))
    engine.feed(Scan(t_s=19 * every_s + pause_s, **RUN))
    assert (engine.status().cycle != "running") is gap, (number, engine.status().cycle)


def test_borders_of_a_run_do_not_cross() -> None:
    """What has begun ends lower than it began, of each kind of motor."""
    for on, off in (
        (limits.RUNNING_ON_RATIO, limits.RUNNING_OFF_RATIO),
        (limits.DRIVE_ON_RATIO, limits.DRIVE_OFF_RATIO),
        (limits.FAN_ON_RATIO, limits.FAN_OFF_RATIO),
        (limits.SLOW_FAN_ON_RATIO, limits.SLOW_FAN_OFF_RATIO),
    ):
        assert off.value < on.value
