"""Numbers that a person's safety hangs on, pinned by literals: whoever moves one must move it here, with the clause.

The clauses are cited from memory (see monitor/sources.py); a qualified person confirms them against the standard.
"""

from __future__ import annotations

import re
from math import exp, sqrt

import pytest

from condenser_monitor.hardware import values
from condenser_monitor.hardware.circuits import isolation
from condenser_monitor.hardware.circuits.isolation import BARRIERS
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS


def test_creepage_of_the_line_board_is_that_of_the_standard() -> None:
    """IEC 60664-1:2007 table F.4, material group III, pollution degree 3, 250 V: 4.0 mm; reinforced doubles it."""
    asked = {(barrier.board, barrier.between): barrier.creepage_mm for barrier in BARRIERS}
    assert asked["line", "line tap to the Pi's side, over the board"] == 8.0
    assert asked["line", "line tap to the Pi's side, over the opto's body, coated"] == 5.0  # degree 2 beneath a coat
    assert asked["line", "conductor in a CT to its secondary"] == 8.0
    assert asked["line", "supply tap to load tap"] == 4.0
    assert asked["line", "leg to leg, behind the fuses"] == 4.0
    assert isolation.CREEPAGE_MM == {2: {250: 2.5}, 3: {50: 1.9, 125: 2.4, 250: 4.0}}
    # Four droppers share the highest line voltage: 66 V, 132 V and 198 V take the rows of 125 V and 250 V.
    assert [isolation.between_steps_mm(steps) for steps in range(5)] == [0.0, 2.4, 4.0, 4.0, 6.0]
    assert pytest.approx(1.1 * 240) == isolation.HIGHEST_LINE_V


def test_clearance_of_the_line_board_is_that_of_the_standard() -> None:
    """IEC 60664-1:2007 tables F.1 and F.2: category III, 300 V, 4 kV: 3.0 mm; reinforced takes 6 kV: 5.5 mm."""
    asked = {(barrier.board, barrier.between): barrier.clearance_mm for barrier in BARRIERS}
    assert asked["line", "line tap to the Pi's side, over the opto's body, coated"] == 5.5
    assert asked["line", "supply tap to load tap"] == 3.0
    assert isolation.IMPULSE_V == {150: {2: 1500}, 300: {2: 2500, 3: 4000}}
    assert isolation.CLEARANCE_MM == {1500: 0.8, 2500: 1.5, 4000: 3.0, 6000: 5.5}


def test_the_boards_give_at_least_what_is_asked() -> None:
    """Each barrier, and eight millimetres from line voltage to whatever may be touched."""
    assert all(barrier.given_mm >= barrier.creepage_mm for barrier in BARRIERS)
    assert all(barrier.given_mm >= barrier.clearance_mm for barrier in BARRIERS)
    assert (isolation.GIVEN_MM, isolation.BOARD_MM, isolation.LEGS_MM) == (8.0, 10.0, 6.0)


def test_the_high_voltage_test_is_the_temporary_overvoltage_of_the_standard() -> None:
    """IEC 60664-1:2007 clause 5.3.3.2: nominal voltage and 1200 V for 5 s, doubled for reinforced insulation."""
    assert {isolation.test_v(row) for row in BARRIERS if row.reinforced} == {2 * (240 + 1200)}
    assert {isolation.test_v(row) for row in BARRIERS if not row.reinforced} == {240 + 1200, 30 + 1200}


def test_insulation_of_a_compressor_is_not_condoned_below_half_a_megohm() -> None:
    """Common practice, no source: under 0.5 megohm to ground the cover stays on and nothing is energised."""
    assert limits.METER.insulation.value == 0.5e6
    assert limits.METER.insulation_good.value == 20e6


def test_the_bleed_of_the_cautions_leaves_less_than_fifty_volts() -> None:
    """NEC 460.6: 50 V or less within a minute. Asked by the words, computed: V exp(-t/RC) from the peak rated."""
    said = re.search(r"through (\d+) kohm.*for at least (\d+) s", CAUTIONS["capacitor"])
    assert said
    kilohm, seconds = map(float, said.groups())
    for uf, rated_v in ((45.0, 370.0), (70.0, 440.0)):
        assert rated_v * sqrt(2) * exp(-seconds / (kilohm * 1e3 * uf * 1e-6)) < 50.0
    said = re.search(r"after (\d+) s through (\d+) kohm, (\d+) uF still has (\d+) V", CAUTIONS["start-capacitor"])
    assert said
    seconds, kilohm, uf, left_v = map(float, said.groups())
    assert left_v == pytest.approx(240 * sqrt(2) * exp(-seconds / (kilohm * 1e3 * uf * 1e-6)), abs=1.5)


def test_nothing_over_thirty_volts_counts_as_a_class_2_circuit() -> None:
    """UL 5085-3 (before: UL 1585): 30 V RMS at most."""
    assert limits.CONTROL_HIGH_V.value == 30.0


def test_nothing_over_fifty_volts_counts_as_no_voltage() -> None:
    """IEC 61140 and NFPA 70E (from memory): from 50 V AC on shock is a hazard. Neither the monitor's word for a dead
    line nor a meter's reading goes above it. On the 24 V side dead is what no coil is held by: 20 % of its rating
    (IEC 60947-4-1), and little more."""
    assert limits.LINE_ABSENT_V.value == 50.0
    assert limits.METER.line_absent.value == 50.0
    assert 0.20 * 24 < limits.CONTROL_DEAD_V.value < 0.25 * 24


def test_half_of_the_line_is_told_from_all_of_it_and_from_none() -> None:
    """One leg of 120/240 V service is 114 to 126 V (ANSI C84.1, range A), the lowest both legs give 208 V: 10 % less
    (from memory). What counts as half lies between, and nearer to neither by less than 10 %."""
    assert 126 * 1.1 < limits.METER.line_half.value < 0.9 * 208 * 0.9


def test_a_usual_control_fuse_is_what_no_sound_coil_reaches() -> None:
    """3 A (common practice); the largest coil pulls in with 65 VA, 2.7 A at 24 V (catalogues, from memory)."""
    assert 65 / 24 < limits.COIL_SHORT_A.value <= 3.0


def test_the_line_taps_are_fused_at_no_more_than_half_an_ampere() -> None:
    """Ours: the tap's conductors are small, and the fuse opens long before they warm."""
    assert values.LINE_FUSE.nominal <= 0.5
