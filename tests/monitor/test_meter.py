"""Typed meter readings: what is understood, what it is taken for, and what is refused with what reason."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.diagnosis.checks.meter import (
    Judged,
    at_20c,
    classify,
    parse,
)
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS

UNIT = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1)


@pytest.mark.parametrize(
    ("text", "quantity", "value"),
    [
        ("13.8 ohm", "ohm", 13.8),
        ("13.8", "ohm", 13.8),
        ("13,8 Ohms", "ohm", 13.8),
        ("13.8Ω", "ohm", 13.8),
        ("1.2k", "ohm", 1200.0),
        ("1.2 kohm", "ohm", 1200.0),
        ("1.5M", "ohm", 1.5e6),
        ("1.5 Mohm", "ohm", 1.5e6),
        ("500 mohm", "ohm", 0.5),
        (".8", "ohm", 0.8),
        ("0.00", "ohm", 0.0),
        ("-0.00", "ohm", 0.0),
        ("OL", "ohm", None),
        ("ol", "ohm", None),
        ("O.L", "ohm", None),
        ("0L", "ohm", None),
        ("OL Mohm", "ohm", None),
        ("over range", "ohm", None),
        ("0 V", "V", 0.0),
        ("27 V", "V", 27.0),
        ("27vac", "V", 27.0),
        ("27 volts", "V", 27.0),
        ("380 mV", "V", 0.38),
        ("44.1 uF", "uF", 44.1),
        ("44.1 µF", "uF", 44.1),
        ("44.1 MFD", "uF", 44.1),
        ("44.1", "uF", 44.1),
        ("12 nF", "uF", 0.012),
        ("12.8 A", "A", 12.8),
        ("12.8 amps", "A", 12.8),
        ("250 mA", "A", 0.25),
    ],
)
def test_a_reading_is_understood_in_the_checks_unit(text: str, quantity: str, value: float | None) -> None:
    """Numbers with or without unit and prefix; over range is None, not a number."""
    read = parse(text, quantity).value
    assert read == (None if value is None else pytest.approx(value))
    assert str(read) != "-0.0"


@pytest.mark.parametrize(
    ("text", "quantity"),
    [
        ("", "ohm"),
        ("abc", "ohm"),
        ("13.8 V", "ohm"),
        ("13.8 ohm", "V"),
        ("27 furlongs", "V"),
        ("1.2.3", "ohm"),
        ("13 8", "ohm"),
        ("--5", "V"),
        ("nan", "V"),
        ("1e400", "V"),
        ("44 uF of", "uF"),
        ("44 uF of 0", "uF"),
        ("44 uF of OL", "uF"),
        ("12\n13", "ohm"),
    ],
)
def test_what_is_no_reading_is_refused_with_an_example(text: str, quantity: str) -> None:
    """The error shows what was given and an example of what is allowed."""
    with pytest.raises(CommandError, match="such as") as caught:
        parse(text, quantity, "check x")
    assert caught.value.place == "check x"


def test_a_negative_reading_is_refused_with_the_reason() -> None:
    """RMS and resistance are never below zero."""
    with pytest.raises(CommandError, match="from 0 up"):
        parse("-27 V", "V")


@pytest.mark.parametrize(
    ("text", "at_c"),
    [("15.2 ohm at 60 C", 60.0), ("15.2 at 140 F", 60.0), ("15.2 at 60", 60.0), ("15 at -10°C", -10.0)],
)
def test_a_winding_may_come_with_its_temperature(text: str, at_c: float) -> None:
    """Celsius unless F is said."""
    assert parse(text, "ohm").at_c == pytest.approx(at_c)


@pytest.mark.parametrize("text", ["15 at 500 C", "15 at noon", "15 at -60", "15 at "])
def test_an_impossible_temperature_is_refused(text: str) -> None:
    """Outside -40 to 150 °C it is no winding anybody touches."""
    with pytest.raises(CommandError):
        parse(text, "ohm")


CLASSES: list[tuple[str, str, str]] = [
    ("coil-ohms", "13.8 ohm", "usual"),
    ("coil-ohms", "OL", "open"),
    ("coil-ohms", "1.4", "low"),
    ("coil-ohms", "5", "usual"),
    ("coil-ohms", "39.9", "usual"),
    ("coil-ohms", "40", "high"),
    # 45 ohm at 80 °C is 36.4 ohm at 20 °C; 5.5 ohm at 60 °C is 4.75 ohm
    ("coil-ohms", "45 at 80 C", "usual"),
    ("coil-ohms", "5.5 at 60 C", "low"),
    ("coil-volts", "0 V", "absent"),
    ("coil-volts", "12", "low"),
    ("coil-volts", "20.3", "low"),
    ("coil-volts", "20.4", "normal"),
    ("coil-volts", "27 V", "normal"),
    ("coil-volts", "31 V", "high"),
    ("splice-volts", "27 V", "normal"),
    ("rc-volts", "21.5", "low"),
    ("rc-volts", "26", "normal"),
    ("control-fuse", "0.2", "closed"),
    ("control-fuse", "OL", "open"),
    ("float-switch", "0.1 ohm", "closed"),
    ("line-volts", "0", "absent"),
    ("line-volts", "190", "low"),
    ("line-volts", "240 V", "normal"),
    ("line-volts", "260", "high"),
    ("load-volts", "3", "absent"),
    ("run-capacitor", "44.1 uF of 45", "good"),
    ("run-capacitor", "42.3 uF of 45", "good"),
    ("run-capacitor", "42.2 uF of 45", "weak"),
    ("run-capacitor", "20 of 45", "dead"),
    ("run-capacitor", "OL of 45", "dead"),
    ("fan-capacitor", "4.6 of 5", "weak"),
    ("winding-ohms", "0.8 1.9 2.7", "balanced"),
    ("winding-ohms", "0.8 ohm 1.9 ohm 2.7 ohm", "balanced"),
    ("winding-ohms", "0.8 / 1.9 / 2.7", "balanced"),
    ("winding-ohms", "OL OL 2.7", "overload-open"),
    ("winding-ohms", "0.8 OL OL", "winding-open"),
    ("winding-ohms", "OL 1.9 OL", "winding-open"),
    ("winding-ohms", "OL OL OL", "winding-open"),
    ("winding-ohms", "0.8 1.9 1.2", "unequal"),
    ("compressor-to-ground", "OL", "no-short"),
    ("compressor-to-ground", "20 M", "clear"),
    ("compressor-to-ground", "12k", "grounded"),
    ("fan-ohms", "45", "usual"),
    ("fan-ohms", "OL", "open"),
    ("running-amps", "0.1", "none"),
    ("running-amps", "4", "low"),
    ("running-amps", "9.5", "normal"),
    ("running-amps", "14.5", "high"),
    ("running-amps", "60", "locked"),
    ("leads", "0.2", "good"),
    ("leads", "OL", "broken"),
    ("time-delay-volts", "26", "across"),
    ("plunger", "free", "free"),
    ("plunger", "Stuck in", "stuck-in"),
    ("plunger", "bl", "blocked"),
    ("contacts", "debris", "debris"),
    ("breakers", "OFF", "off"),
    ("coil-ohms", "999999", "open"),
    ("coil-pull-in", "16", "low"),
    ("line-volts", "120", "half"),
    ("load-volts", "118", "half"),
    ("run-capacitor", "90 of 45", "over"),
    ("compressor-to-ground", "3 M", "doubtful"),
    ("running-amps", "22", "overload"),
    ("float-volts", "25", "across"),
    ("control-wire-short", "0.4", "shorted"),
    ("start-volts", "180", "deep"),
    ("contact-drop", "0.7", "raised"),
    ("contact-drop", "1.2", "large"),
    # 6.3 A x 2652 / 370 V = 45.2 uF; 4 A is 28.7 uF
    ("capacitor-amps", "6.3 A 370 V of 45", "good"),
    ("capacitor-amps", "4 A, 370 V of 45", "weak"),
    ("start-capacitor", "120 of 200", "weak"),
    ("start-capacitor", "None", "none"),
    ("fan-volts", "240", "present"),
    ("air-split", "18 F", "normal"),
    ("air-split", "5 K", "low"),
    ("air-split", "26", "high"),
    ("static-pressure", "0.9 in", "high"),
    ("static-pressure", "120 Pa", "normal"),
    ("superheat", "30 F", "high"),
    ("subcooling", "2 F", "low"),
]


@pytest.mark.parametrize(("check", "text", "outcome"), CLASSES, ids=[f"{c}-{t}" for c, t, _ in CLASSES])
def test_a_reading_is_taken_for_its_outcome(check: str, text: str, outcome: str) -> None:
    """Each typed answer falls into the right outcome of its check."""
    assert classify(CHECKS[check], text, UNIT).outcome == outcome


def test_every_meter_check_is_exercised_and_every_outcome_of_coil_and_windings() -> None:
    """The table above reaches each kind of check."""
    measured = {check.name for check in CHECKS.values() if check.quantity != "eye"}
    assert measured - {c for c, _, _ in CLASSES} <= {
        *("thermostat-volts", "transformer-volts"),
        *("pressure-switch", "control-wire", "line-fuses"),
    }
    for name in ("coil-ohms", "winding-ohms", "running-amps", "line-volts", "leads"):
        assert {o for c, _, o in CLASSES if c == name} == set(CHECKS[name].symbols)


@pytest.mark.parametrize(
    ("check", "text", "told"),
    [
        ("run-capacitor", "44.1 uF", "44.1 uF of 45"),
        ("plunger", "purple", "free or blocked or stuck-in"),
        ("plunger", "", "free or blocked or stuck-in"),
        ("listen", "", "nothing or fan-only"),
        ("coil-volts", "OL", "range higher"),
        ("winding-ohms", "0.8 1.9", "three readings"),
        ("winding-ohms", "0.8 1.9 OL", "measure again"),
        ("winding-ohms", "0.8 OL 2.7", "measure again"),
    ],
)
def test_an_answer_that_cannot_be_is_refused(check: str, text: str, told: str) -> None:
    """The error names the check and says what is allowed."""
    with pytest.raises(CommandError, match=told) as caught:
        classify(CHECKS[check], text, UNIT)
    assert caught.value.place == f"check {check}"


def test_a_reading_is_written_down_as_understood() -> None:
    """Value and rating as they count, for the record."""
    assert classify(CHECKS["run-capacitor"], "44,1 mfd of 45", UNIT)._replace(shares=()) == Judged(
        "run-capacitor", "good", "44.1 uF of 45", 44.1
    )
    assert classify(CHECKS["coil-ohms"], "ol", UNIT) == Judged("coil-ohms", "open", "over range", None)
    assert classify(CHECKS["winding-ohms"], "OL OL 2.7", UNIT).text == "C-R over range, C-S over range, R-S 2.7 ohm"
    assert classify(CHECKS["coil-ohms"], "15.2 at 140F", UNIT).text == "15.2 ohm at 60 °C"


@given(st.floats(0.01, 1e5), st.floats(-40, 150))
def test_correction_to_20_c_goes_the_right_way(ohm: float, at_c: float) -> None:
    """A warm coil's resistance at 20 °C is less than read, a cold one's more."""
    assert (at_20c(ohm, at_c) < ohm) == (at_c > 20.0) or at_20c(ohm, at_c) == pytest.approx(ohm)


@given(st.text(max_size=20), st.sampled_from(sorted(CHECKS)))
def test_whatever_is_typed_is_an_outcome_or_a_refusal(text: str, check: str) -> None:
    """No text makes anything else happen."""
    try:
        judged = classify(CHECKS[check], text, UNIT)
    except CommandError:
        return
    assert judged.outcome in CHECKS[check].symbols


@pytest.mark.parametrize(
    ("typed", "outcome"),
    [("44.1 uF", "good"), ("42 uF", "weak"), ("34.5 uF of 35", "weak"), ("48 uF of 50", "over"), ("OL", "dead")],
)
def test_a_run_capacitor_is_held_to_the_units_own_data(typed: str, outcome: str) -> None:
    """45 uF, 5 % in the site file: a sound part of another size is not what the unit asks for."""
    unit = Unit(run_capacitor_uf=45.0, run_capacitor_tolerance_pct=5.0)
    assert classify(CHECKS["run-capacitor"], typed, unit).outcome == outcome


def test_under_load_too_the_units_own_data_decide() -> None:
    """6.3 A at 370 V and 60 Hz are 45.2 uF (I = 2 pi f C V)."""
    for microfarads, outcome in ((45.0, "good"), (50.0, "weak"), (40.0, "over")):
        unit = Unit(run_capacitor_uf=microfarads)
        assert classify(CHECKS["capacitor-amps"], "6.3 A 370 V", unit).outcome == outcome


@pytest.mark.parametrize(
    ("check", "may", "never"),
    [
        # 24 V side: a transformer of 24 V on its 208 V tap in a 240 V house gives 28 to 32 V, 120 V is the line's leg
        *(
            (check, "36 V", "44 V")
            for check in (
                "coil-volts",
                "splice-volts",
                "rc-volts",
                "transformer-volts",
                "thermostat-volts",
                "float-volts",
            )
        ),
        # ANSI C84.1 range B ends at 5.8 % over: 254 of 240 V
        *((check, "276 V", "300 V") for check in ("line-volts", "load-volts", "fan-volts")),
        # a path is closed, or a corroded joint, or open: over range or megohms
        *((check, "90", "110") for check in ("control-fuse", "float-switch", "control-wire", "line-fuses")),
        *((check, "1.2 M", "0.9 M") for check in ("pressure-switch", "coil-ohms", "fan-ohms")),
        ("coil-ohms", "0.06", "0.04"),  # a handheld meter's last digit is 0.1 ohm
        ("coil-ohms", "900", "13.8k"),  # what its display calls kilohms
        ("fan-ohms", "OL", "35k"),
        ("run-capacitor", "80 of 45", "100 of 45"),  # the other part, or its label, or a digit
        ("fan-capacitor", "9 of 5", "45 of 5"),
        ("running-amps", "85 A", "95 A"),  # locked-rotor amps are 68 here, clamps and lines err by a fifth
        ("air-split", "38 K", "42 K"),
        ("superheat", "38 K", "75 F"),
        ("static-pressure", "700 Pa", "800 Pa"),  # residential blowers end at about 1 to 2 in. of water
        ("static-pressure", "11 Pa", "0.6 Pa"),  # inches taken for pascals
        ("winding-ohms", "33 66 99", "35 70 105"),
        ("winding-ohms", "OL OL 2.7", "OL OL OL"),
        ("winding-ohms", "0.8 1.9 2.7", "0.8k 1.9k 2.7k"),
    ],
)
def test_what_no_part_shows_is_told_from_what_a_broken_one_may(check: str, may: str, never: str) -> None:
    """Common practice, handbook figures beside the rows: what a part can show, sound or broken, and what none does."""
    assert not classify(CHECKS[check], may, UNIT).doubt
    assert classify(CHECKS[check], never, UNIT).doubt


@pytest.mark.parametrize(
    ("check", "slipped", "fault"),
    [
        ("coil-ohms", "1.38", "0.3"),  # 13.8 with the point astray; a coil burnt together
        ("coil-ohms", "138", "500"),
        ("rc-volts", "2.62 V", "0 V"),
        ("rc-volts", "26.2 mV", "12 V"),
        ("run-capacitor", "4.41 of 45", "30 of 45"),
        ("run-capacitor", "44.1 nF of 45", "0 of 45"),
        ("running-amps", "1.1 A", "4 A"),  # of 12.8 A rated: half to nine tenths are usual
        ("running-amps", "11 mA", "0 A"),
        ("air-split", "18 C", "32 F"),  # °F as the chart has it, typed as °C
        ("air-split", "10", "10 F"),  # 10 K as the thermometer shows it
        ("superheat", "12 C", "22 F"),
    ],
)
def test_a_fault_that_a_slip_makes_of_a_usual_reading_says_so(check: str, slipped: str, fault: str) -> None:
    """A unit, a digit, °C for °F: arithmetic. It counts, and is read once more before it calls a part found."""
    assert classify(CHECKS[check], slipped, UNIT).slip
    assert not classify(CHECKS[check], slipped, UNIT).doubt
    assert not classify(CHECKS[check], fault, UNIT).slip


@pytest.mark.parametrize("display", ["99999", "999999 ohm", "9999999"])
def test_a_display_full_of_nines_is_over_range(display: str) -> None:
    """As meters and loggers show it that have no sign for it."""
    assert classify(CHECKS["coil-ohms"], display, UNIT).outcome == "open"
