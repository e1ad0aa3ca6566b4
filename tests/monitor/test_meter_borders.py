"""What a meter shows on sound and on failed parts, on both sides of each border.

Each reading is one that the trade or a document calls so; where no source is named it is common practice (and from
memory). A border that moves by half, or twice as far, calls one of its two readings something else.
"""

from __future__ import annotations

import pytest

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.diagnosis.checks.meter import classify
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS

# Of a 3 ton nameplate (208/230 V, single-phase): rated load 12.8 A, locked rotor 68 A; with an expansion valve.
UNIT = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1, metering="txv", line_v=240.0)

READINGS = [
    # limit, check, reading, outcome
    ("leads", "leads", "0.6 ohm", "good"),  # whole leads of a cheap meter
    ("leads", "leads", "1.8 ohm", "broken"),  # a few strands left: every reading in ohms would be off by it
    ("closed", "control-wire", "6.3 ohm", "closed"),  # 150 m of 18 AWG loop, NEC chapter 9 table 8 at 20 °C
    ("closed", "control-fuse", "12 ohm", "open"),  # a coil in parallel is seen in place of the fuse
    ("coil_low", "coil-ohms", "6 ohm", "usual"),  # a two-pole 40 A contactor
    ("coil_low", "coil-ohms", "3 ohm", "low"),  # 24 V through it are 8 A: no coil, but turns that touch
    ("coil_high", "coil-ohms", "27 ohm", "usual"),
    ("coil_high", "coil-ohms", "60 ohm", "high"),
    ("coil_pull_in", "coil-pull-in", "19 V", "normal"),
    ("coil_pull_in", "coil-pull-in", "12 V", "low"),  # between 10 and 20 V a contactor chatters
    ("cable_clear", "control-wire-short", "7k", "shorted"),  # a wet cable has some kilohms
    ("contact_suspect", "contact-drop", "0.3 V", "small"),
    ("contact_suspect", "contact-drop", "0.8 V", "raised"),
    ("contact_replace", "contact-drop", "0.9 V", "raised"),
    ("contact_replace", "contact-drop", "1.5 V", "large"),
    ("start_sag", "start-volts", "187 V", "deep"),  # the least that units of 208/230 V are made for (their data plates)
    ("start_sag", "start-volts", "225 V", "usual"),
    ("split_low", "air-split", "16 F", "normal"),  # 14 to 22 °F
    ("split_low", "air-split", "10 F", "low"),
    ("split_high", "air-split", "20 F", "normal"),
    ("split_high", "air-split", "30 F", "high"),
    ("static_high", "static-pressure", "0.5 in", "normal"),  # what blowers are rated at
    ("static_high", "static-pressure", "1.2 in", "high"),
    ("superheat_low", "superheat", "7 F", "normal"),  # 5 to 20 °F
    ("superheat_low", "superheat", "3 F", "low"),
    ("superheat_high", "superheat", "15 F", "normal"),
    ("superheat_high", "superheat", "30 F", "high"),
    ("superheat_apart", "superheat", "12 F of 8", "normal"),  # RA3.2.2: within 5 °F of the target
    ("superheat_apart", "superheat", "16 F of 8", "high"),
    ("subcooling_low", "subcooling", "8 F", "normal"),  # 8 to 15 °F are usual
    ("subcooling_low", "subcooling", "4 F", "low"),
    ("subcooling_high", "subcooling", "15 F", "normal"),
    ("subcooling_high", "subcooling", "25 F", "high"),
    ("subcooling_apart", "subcooling", "10 F of 8", "normal"),  # RA3.2.2: within 3 °F of the plate
    ("subcooling_apart", "subcooling", "13 F of 8", "high"),
    ("amps_low", "running-amps", "3.8 A", "low"),  # 0.3 of rated load
    ("amps_low", "running-amps", "7.7 A", "normal"),  # 0.6 of it
    ("amps_overload", "running-amps", "16.6 A", "high"),  # 1.3 of it
    ("amps_overload", "running-amps", "23 A", "overload"),  # NEC 440.52: no protector carries over 1.56 of it for long
    ("capacitor_over", "fan-capacitor", "5 uF of 5", "good"),
    ("capacitor_over", "fan-capacitor", "7.5 uF of 5", "over"),  # the next size
    ("capacitor_dead", "run-capacitor", "15 uF of 45", "dead"),
    ("capacitor_dead", "run-capacitor", "30 uF of 45", "weak"),
    ("start_capacitor_good", "start-capacitor", "80 uF of 88", "weak"),  # labelled 88 to 108
    ("start_capacitor_good", "start-capacitor", "100 uF of 88", "good"),
    ("insulation", "compressor-to-ground", "0.3M", "grounded"),
    ("insulation", "compressor-to-ground", "0.7M", "doubtful"),
    ("insulation_good", "compressor-to-ground", "15M", "doubtful"),
    ("insulation_good", "compressor-to-ground", "30M", "clear"),
    ("rc_low", "rc-volts", "23 V", "normal"),  # the least of a loaded transformer
    ("rc_low", "rc-volts", "20.8 V", "low"),  # 208 V on the tap for 240 V: 24 x 208 / 240
    ("line_absent", "line-volts", "40 V", "absent"),  # what a meter shows through a motor's leakage
    ("line_absent", "line-volts", "60 V", "half"),  # 29 CFR 1910.303(g)(2): live parts are to be guarded from 50 V
    ("line_absent", "fan-volts", "60 V", "present"),
    ("line_half", "line-volts", "120 V", "half"),  # one leg of two lost
    ("line_half", "line-volts", "180 V", "low"),
    ("line_low", "line-volts", "190 V", "low"),
    ("line_low", "line-volts", "208 V", "normal"),  # the other service voltage of ANSI C84.1
    ("line_high", "line-volts", "252 V", "normal"),  # ANSI C84.1, range A, at the most
    ("line_high", "line-volts", "277 V", "high"),
]


@pytest.mark.parametrize(("limit", "check", "reading", "outcome"), READINGS)
def test_a_reading_is_called_what_the_trade_calls_it(limit: str, check: str, reading: str, outcome: str) -> None:
    """`limit`, of METER, is the border it lies beside."""
    assert classify(CHECKS[check], reading, UNIT).outcome == outcome, limit


# C-R, C-S, R-S: the third is the sum of the others (motors in series), C-S some 2 to 5 times C-R; a meter shows tenths.
WINDINGS = [
    ("winding_sum", "1.0 3.0 4.4", "balanced"),
    ("winding_sum", "1.0 3.0 5.0", "unequal"),
    ("winding_step", "0.4 1.2 1.35", "balanced"),  # three last digits of 0.1
    ("winding_step", "0.4 1.2 1.1", "unequal"),
    ("winding_ratio_least", "1.0 3.0 4.0", "balanced"),
    ("winding_ratio_least", "1.0 1.5 2.5", "unequal"),
    ("winding_ratio_most", "1.0 4.5 5.5", "balanced"),
    ("winding_ratio_most", "1.0 8.0 9.0", "unequal"),
    ("winding_digit", "0.4 0.6 1.0", "balanced"),  # 0.3 and 0.7, each read a digit off
    ("winding_digit", "0.6 0.8 1.4", "unequal"),  # no digit makes two to one of it
]


@pytest.mark.parametrize(("limit", "readings", "outcome"), WINDINGS)
def test_three_windings_are_one_compressor_or_not(limit: str, readings: str, outcome: str) -> None:
    """`limit`, of METER, is the border they lie beside."""
    assert classify(CHECKS["winding-ohms"], readings, UNIT).outcome == outcome, limit


# A reading as far off a border as its meter errs by (one standard deviation) lies past it one time in six; of the
# meters themselves: common practice, 1.5 % on AC volts, 3 % of a clamp, 2 % of ohms and microfarads, 0.7 K of each
# thermometer, 5 % of a manometer, and the two of a clamp and a voltmeter together.
ERRORS = [
    ("READING_ERROR.V", "line-volts", "200 V", "low"),
    ("READING_ERROR.A", "running-amps", "5.28 A", "low"),
    ("READING_ERROR.ohm", "coil-ohms", "40.8 ohm", "usual"),
    ("READING_ERROR.ohm_least", "coil-ohms", "5.3 ohm", "low"),
    ("READING_ERROR.uF", "fan-capacitor", "4.79 uF of 5", "weak"),
    ("READING_ERROR.load_uF", "capacitor-amps", "6.0 A 361 V of 45", "weak"),
    ("READING_ERROR.K", "air-split", "8.8 K", "low"),
    ("READING_ERROR.Pa", "static-pressure", "210 Pa", "normal"),
]


@pytest.mark.parametrize(("limit", "check", "reading", "beyond"), ERRORS)
def test_a_reading_near_a_border_counts_for_both_sides(limit: str, check: str, reading: str, beyond: str) -> None:
    """By a tenth to a quarter: with half of the error it would be a fiftieth, with twice of it a third."""
    assert 0.1 < dict(classify(CHECKS[check], reading, UNIT).shares)[beyond] < 0.25, limit
