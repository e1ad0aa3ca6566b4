"""Computed figures, tolerances and distances: within their limits, and in agreement with the simulation."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
from scipy.integrate import quad

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import (
    computed,
    isolation,
    parts,
    tolerance,
)
from condenser_monitor.monitor import limits
from tests.hardware.circuits import presence
from tests.hardware.circuits.conftest import Measure
from tests.hardware.circuits.decks import Opto

ROWS = {(row.board, row.name): row for row in computed.rows()}
SPREADS = {row.name: row for row in tolerance.spreads()}


@pytest.mark.parametrize("row", ROWS.values(), ids=lambda row: f"{row.board}: {row.name}")
def test_every_computed_figure_keeps_its_limit(row: computed.Computed) -> None:
    """A value changed in values.py that breaks a limit is found here."""
    assert row.kept, row


@pytest.mark.parametrize("row", SPREADS.values(), ids=lambda row: row.name)
def test_every_quantity_keeps_its_limits_over_all_tolerances(row: tolerance.Spread) -> None:
    """Worst case within the limits; the drawn samples within the worst case; the nominal between them."""
    assert row.kept, row
    assert row.worst[0] <= row.drawn[0] <= row.nominal <= row.drawn[1] <= row.worst[1]


@pytest.mark.parametrize(("peak", "floor"), [(42.4, 15.7), (25.5, 17.9), (10.0, 0.0), (10.0, 12.0)])
def test_chopped_wave_agrees_with_numerical_integration(peak: float, floor: float) -> None:
    """The closed form of the RMS of a wave chopped at a knee, against scipy's quadrature."""
    square = quad(lambda angle: max(0.0, peak * np.sin(angle) - floor) ** 2, 0, pi, limit=200)[0] / pi
    assert computed.chopped_rms(peak, floor) == pytest.approx(sqrt(square), rel=1e-4, abs=1e-9)


def test_a_whole_sine_has_its_textbook_rms() -> None:
    """Nothing chopped: peak over root two."""
    assert computed.chopped_rms(10.0, 0.0) == pytest.approx(10 / sqrt(2))


def test_heat_of_the_droppers_agrees_with_the_simulation(measure: Measure) -> None:
    """Formula and netlist within 6 % (the formula leaves out the diode's volt)."""
    worst = dict.fromkeys(("R1", "R2", "R3", "R4"), v.LINE_SERIES.low)
    seen = measure(presence.steady("line", computed.LINE_HIGH_V, change=worst))
    assert seen["r1_w"] == pytest.approx(ROWS["line", "heat in each dropper at 264 V"].value, rel=0.06)


@pytest.mark.parametrize(
    ("board", "name", "opto"),
    [
        ("control", "call", presence.WEAK),
        ("control", "call", presence.STRONG),
        ("line", "supply, load", presence.WEAK),
        ("line", "supply, load", presence.STRONG),
    ],
)
def test_worst_case_thresholds_agree_with_the_simulation(measure: Measure, board: str, name: str, opto: Opto) -> None:
    """At the worst case's own voltage, a tenth to the safe side, the netlist with the worst parts says the same."""
    weak = opto is presence.WEAK
    series = {"control": "R1 D1", "line": "R1 R2 R3 R4"}[board].split()
    change = {ref: getattr(parts.value(board, ref), "high" if weak else "low") for ref in series}
    if weak:
        volts = SPREADS[f"{name}: sees from"].worst[1] * 1.1
        deck = presence.steady(board, volts, hz=50, opto=opto, start_v=3.3, change=change)
        assert measure(deck)["pin_max"] <= v.PIN_LOW_V.nominal
    else:
        volts = SPREADS[f"{name}: ignores up to"].worst[0] * 0.9
        deck = presence.steady(board, volts, opto=opto, change=change)
        assert measure(deck)["pin_min"] >= v.PIN_HIGH_V.nominal


def test_a_channel_never_ignores_what_it_also_sees() -> None:
    """For each sample the voltage it surely ignores lies below the one it surely sees."""
    sample = tolerance.draws(tolerance.CALL_BOX, count=300)
    assert np.all(tolerance.ignores_to(tolerance.CALL, sample) < tolerance.sees_from(tolerance.CALL, sample) + 0.05)


def test_the_same_seed_draws_the_same_parts() -> None:
    """The Monte Carlo table can be reproduced; another seed gives another draw within a quarter volt."""
    one, two = (tolerance.draws(tolerance.CALL_BOX, count=500) for _ in range(2))
    assert all(np.array_equal(one[name], two[name]) for name in one)
    other = tolerance.draws(tolerance.CALL_BOX, seed=1)
    assert not np.array_equal(other["zener"][:500], one["zener"])
    high = np.quantile(tolerance.sees_from(tolerance.CALL, other), 0.999)
    assert high == pytest.approx(SPREADS["call: sees from"].drawn[1], abs=0.25)


@pytest.mark.parametrize(("share", "error"), [(0.05, 0.03), (0.2, 0.015), (1.0, 0.01), (1.2, 0.01)])
def test_class_1_limits_are_the_standards(share: float, error: float) -> None:
    """IEC 61869-2, class 1: 3.0, 1.5, 1.0, 1.0 % at 5, 20, 100, 120 % of rated current."""
    assert tolerance.ct_class_error(share) == pytest.approx(error)


@pytest.mark.parametrize(
    ("celsius", "ohm"),
    [(-20.0, 97006.9), (0.0, 32650.9), (25.0, 10000.0), (30.0, 8056.0), (39.99, 5327.0)],
)
def test_thermistor_curve_agrees_with_the_published_table(celsius: float, ohm: float) -> None:
    """Steinhart-Hart with the usual coefficients against two published tables of the curve."""
    assert float(tolerance.celsius(np.array([ohm]))[0]) == pytest.approx(celsius, abs=0.01)


@pytest.mark.parametrize("barrier", isolation.BARRIERS, ids=lambda row: row.between)
def test_every_barrier_gives_what_the_standard_asks(barrier: isolation.Barrier) -> None:
    """Clearance and creepage of IEC 60664-1 at overvoltage category and pollution degree 3."""
    assert barrier.kept


def test_distances_agree_with_a_second_standard() -> None:
    """IEC 61010-1 for mains to 300 V: category II 1.5 / 3.0 mm, category III 3.0 / about 6 mm, basic / reinforced."""
    kinds = {(category, twice): 0.0 for category in (2, 3) for twice in (False, True)}
    for category, twice in kinds:
        row = isolation.Barrier("line", "", 240, category, twice, 0.0, "")
        kinds[category, twice] = row.clearance_mm
        assert not row.kept
    assert kinds == {(2, False): 1.5, (2, True): 3.0, (3, False): 3.0, (3, True): pytest.approx(6.0, abs=0.5)}


def test_line_barriers_are_8_mm_and_5_kv() -> None:
    """The project's own floor for whatever stands between line voltage and the Pi."""
    reinforced = [row for row in isolation.BARRIERS if row.reinforced]
    assert len(reinforced) >= 2
    assert all(row.given_mm >= 8.0 for row in reinforced)
    optos = [part for part in parts.LINE if part.kind.startswith("opto")]
    assert len(optos) == 2
    assert all("IEC 60747-5-5" in part.rating and "8 mm" in part.rating for part in optos)
    over_board = next(row for row in reinforced if "over the board" in row.between)
    assert over_board.given_mm >= over_board.creepage_mm + 2.0


def test_ghosts_and_calls_are_the_minds_own_numbers() -> None:
    """The board's promise is about the same volts that the program calls a ghost and a call."""
    call = SPREADS["call: ignores up to"]
    assert call.least == limits.CONTROL_GHOST_V.value
    assert call.most == limits.CONTROL_PRESENT_V.value
