"""Figures of the meter checks against published ones."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.diagnosis.checks.meter import at_20c, classify
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession

UNIT = Unit()
METER = limits.METER

# IEC 60028, NBS Handbook 100: copper's resistance over that at 20 °C, 0.00393 per K
COPPER_RATIOS = {-10: 0.882, 0: 0.921, 25: 1.020, 40: 1.079, 60: 1.157, 75: 1.216, 80: 1.236, 100: 1.314}


@pytest.mark.parametrize(("at_c", "ratio"), COPPER_RATIOS.items())
def test_copper_correction_follows_iec_60028(at_c: int, ratio: float) -> None:
    """A winding of 20 ohm at 20 °C reads 20 times the ratio when warm, and is taken back to 20."""
    assert at_20c(20.0 * ratio, at_c) == pytest.approx(20.0, rel=5e-4)


def test_copper_correction_agrees_with_the_inferred_zero_of_copper() -> None:
    """NBS Handbook 100 gives the same rule as (234.5 + t): the two agree within 0.1 %."""
    for at_c in range(-40, 151, 10):
        assert at_20c(1.0, at_c) == pytest.approx((234.5 + 20) / (234.5 + at_c), rel=1e-3)


# NEC chapter 9, table 8, uncoated solid copper at 75 °C, ohm per 1000 ft
NEC_TABLE_8 = {18: 7.77, 16: 4.89, 14: 3.07, 12: 1.93, 10: 1.21, 8: 0.764}
# the same from copper's resistivity at 20 °C (IEC 60028) and ASTM B258 diameters
AT_20C = {18: 6.385, 16: 4.016, 14: 2.525, 12: 1.588, 10: 0.999, 8: 0.628}


@pytest.mark.parametrize("awg", NEC_TABLE_8)
def test_copper_correction_takes_the_nec_table_back_to_20_c(awg: int) -> None:
    """NEC table 8 at 75 °C, corrected, is ASTM B258 with IEC 60028 at 20 °C within half a per cent."""
    assert at_20c(NEC_TABLE_8[awg], 75.0) == pytest.approx(AT_20C[awg], rel=5e-3)


def test_a_sound_control_cable_is_closed_at_any_house_size() -> None:
    """30 m (100 ft) of 18 AWG loop is about 1.3 ohm as the check says, and 100 m still reads closed."""
    loop_100ft = 2 * 100 * AT_20C[18] / 1000
    assert loop_100ft == pytest.approx(1.277, abs=5e-4)
    assert "about 1.3 ohm" in CHECKS["control-wire"].expected
    assert classify(CHECKS["control-wire"], f"{loop_100ft * 3.28:.2f}", UNIT).outcome == "closed"


@pytest.mark.parametrize("inrush_va", [20, 30, 60, 65])
def test_every_usual_24_v_coil_reads_as_a_coil(inrush_va: int) -> None:
    """A coil's DC resistance is some half of its open-armature impedance (V squared over inrush VA): 'usual', or just
    under for the largest; the whole impedance never reads 'high'."""
    impedance = 24.0**2 / inrush_va
    assert classify(CHECKS["coil-ohms"], f"{impedance:.2f}", UNIT).outcome == "usual"
    assert impedance / 2 == pytest.approx(METER.coil_low.value, rel=0.2) or impedance / 2 > METER.coil_low.value


def test_a_dc_coil_of_the_same_frame_is_noticed() -> None:
    """A 24 V DC coil (component sheet, 30/40 A frame: 84 ohm +-10 % at 25 °C) does not pass for a 24 V AC one."""
    for ohm in (84 * 0.9, 84, 84 * 1.1):
        assert classify(CHECKS["coil-ohms"], f"{ohm:.1f} at 25 C", UNIT).outcome == "high"


def test_closing_voltage_is_that_of_the_standard_and_of_a_component_sheet() -> None:
    """85 % of 24 V (IEC 60947-4-1 cl. 8.2.1.2) is the 20.4 V must-operate figure of a 30/40 A contactor's sheet."""
    border = CHECKS["coil-volts"].bounds[1].at(UNIT, None)
    assert border == pytest.approx(20.4)


def test_a_class_2_secondary_is_never_over_30_v() -> None:
    """UL 1585 / UL 5085-3: 30 V RMS at any load; the check calls more 'high'."""
    assert classify(CHECKS["rc-volts"], "29.9", UNIT).outcome == "normal"
    assert classify(CHECKS["rc-volts"], "30.1", UNIT).outcome == "high"


def test_line_limits_are_the_compressor_sheets() -> None:
    """208/230 V single-phase: 0.95 x 208 to 1.10 x 230 V (AHRI 110), printed as 197 to 253 V."""
    assert METER.line_low.value == math.floor(0.95 * 208)
    assert METER.line_high.value == pytest.approx(1.10 * 230)


@pytest.mark.parametrize(("reading", "outcome"), [(45 * 0.94, "good"), (45 * 0.939, "weak"), (45.0, "good")])
def test_a_capacitor_is_good_within_six_per_cent(reading: float, outcome: str) -> None:
    """Motor run capacitors are made to +-6 %."""
    assert classify(CHECKS["run-capacitor"], f"{reading:.4f} of 45", UNIT).outcome == outcome


@pytest.mark.parametrize(
    ("label", "reading", "outcome"),
    [
        ("45", 45 * 1.0599, "good"),
        ("45", 45 * 1.0601, "over"),
        ("45", 90.0, "over"),
        ("45 5%", 45 * 1.0501, "over"),
        ("45 ±10 %", 45 * 1.0999, "good"),
        ("45 +/-10%", 45 * 0.9, "good"),
        ("45 uF +-10%", 45 * 0.8999, "weak"),
    ],
)
@pytest.mark.parametrize("check", ["run-capacitor", "fan-capacitor"])
def test_a_capacitor_is_held_to_its_own_label_either_way(check: str, label: str, reading: float, outcome: str) -> None:
    """IEC 60252-1 and UL 810 leave the tolerance to the label: what it prints is the band, above as below; two of one
    size in parallel, or a part of twice the size, never read as good."""
    assert classify(CHECKS[check], f"{reading:.4f} uF of {label}", UNIT).outcome == outcome


def test_a_label_decides_over_what_the_unit_file_takes_for_usual() -> None:
    """The site file's microfarads stay; the tolerance printed on the part in hand is the one that counts."""
    unit = Unit(run_capacitor_uf=45.0, run_capacitor_tolerance_pct=6.0)
    assert classify(CHECKS["run-capacitor"], "42.5 uF of 45", unit).outcome == "good"
    assert classify(CHECKS["run-capacitor"], "42.5 uF of 45 5%", unit).outcome == "weak"
    assert classify(CHECKS["capacitor-amps"], "6.0 A 374 V of 45 5%", unit).outcome == "weak"  # 42.5 uF


def test_more_than_class_2_allows_names_the_208_v_tap() -> None:
    """UL 5085-3: 30 V at the most. 240 V on a 208 V tap give 24 x 240 / 208 = 27.7 V loaded, and with the 10 to 15 % by
    which small transformers regulate (handbook practice) 30.5 to 31.8 V unloaded: over the limit, and told as that."""
    loaded = 24.0 * 240.0 / 208.0
    for check in ("rc-volts", "transformer-volts"):
        assert classify(CHECKS[check], f"{loaded:.1f} V", UNIT).outcome == "normal"
        for regulation in (1.10, 1.15):
            judged = classify(CHECKS[check], f"{loaded * regulation:.1f} V", UNIT)
            assert "208 V tap" in CHECKS[check].says(judged.outcome)


def test_over_range_on_an_ordinary_meter_clears_a_dead_short_only() -> None:
    """An ohmmeter tests with a volt or two and ends at some ten megohm; IEEE 43 judges insulation at 500 V. Its "OL"
    leaves the compressor suspected, and a tester's megohms clear it."""
    check = CHECKS["compressor-to-ground"]
    assert classify(check, "OL", UNIT).outcome == "no-short"
    shares = {}
    for typed in ("OL", "2000 M"):
        session = VisitSession(("line-supply-lost",), unit=UNIT, features={"supply-lost": "at-start"})
        before = session.verdict().shares["compressor-grounded"]
        session.enter(check.name, typed)
        shares[typed] = session.verdict().shares.get("compressor-grounded", 0.0)
        assert shares[typed] < before
    assert shares["OL"] > 0.0 == shares["2000 M"]


def test_the_claim_of_the_oversized_unit_is_what_its_scenario_plays() -> None:
    """'Three times too large' is a level of three."""
    found = tomllib.loads((Path(__file__).parents[2] / "sim" / "scenarios" / "unit-oversized.toml").read_text("utf-8"))
    assert "three times" in found["claim"]
    assert [cause["level"] for cause in found["cause"]] == [3.0]


@pytest.mark.parametrize(("microfarad", "start_v"), [(45, 339), (80, 400), (5, 339)])
def test_five_seconds_through_20_kohm_leave_less_than_50_v(microfarad: float, start_v: float) -> None:
    """The caution's bleed time reaches the 50 V of NEC 460.6 from the highest terminal voltage (about 400 V)."""
    assert start_v * math.exp(-5.0 / (20e3 * microfarad * 1e-6)) < 50.0
    # and the resistor bears it: 400 V over 20 kohm is 8 W for under a second, 2 W rated
    assert start_v**2 / 20e3 * 0.5 * 20e3 * microfarad * 1e-6 < 2.0 * 5.0


# Trade guide for single-phase compressors: C-R and C-S infinite while S-R is finite: internal protector open; otherwise
# S-R = C-R + C-S, with C-S about three to five times C-R.


@pytest.mark.parametrize("ratio", [3, 4, 5])
@pytest.mark.parametrize("common_run", [0.4, 0.8, 1.6])
def test_whole_windings_add_up(common_run: float, ratio: float) -> None:
    """Any sound pair, read to a tenth of an ohm, is balanced; with the protector open only S-R is read."""
    common_start = ratio * common_run
    total = common_run + common_start
    text = f"{common_run:.1f} {common_start:.1f} {total:.1f}"
    assert classify(CHECKS["winding-ohms"], text, UNIT).outcome == "balanced"
    assert classify(CHECKS["winding-ohms"], f"OL OL {total:.1f}", UNIT).outcome == "overload-open"
    swapped = f"{common_start:.1f} {common_run:.1f} {total:.1f}"  # S taken for R
    assert classify(CHECKS["winding-ohms"], swapped, UNIT).outcome == "balanced"


@pytest.mark.parametrize(
    ("ratio", "outcome"), [(1.0, "unequal"), (1.5, "unequal"), (2.0, "balanced"), (6.0, "unequal"), (8.0, "unequal")]
)
def test_windings_that_are_not_two_to_five_times_each_other_are_measured_again(ratio: float, outcome: str) -> None:
    """The same guide's 3 to 5 times, from 2 on by common practice; sums that add up do not save shorted turns."""
    text = f"1.6 {1.6 * ratio:.1f} {1.6 * (1 + ratio):.1f}"
    assert classify(CHECKS["winding-ohms"], text, UNIT).outcome == outcome
    session = VisitSession.from_symptom("locked-rotor", unit=UNIT)
    session.enter("winding-ohms", text)
    assert ("winding-ohms" in session.verdict().measure_again) == (outcome == "unequal")
