"""The 24 V circuit: what each fault makes of its voltages and currents."""

from math import inf
from typing import Any

import pytest

from condenser_monitor.sim.condition import Condition, reset
from condenser_monitor.sim.control import (
    ControlCircuit,
    Fuse,
    Switches,
    coil_impedance,
    fuse_opening_s,
)
from condenser_monitor.sim.designs import DESIGNS, Design

CALLED = Switches(0.1, True, True, False)
SEALED = Switches(0.1, True, True, True)
NO_CALL = Switches(inf, True, True, False)


def circuit(design: Design = DESIGNS["three-ton"], **faults: object) -> ControlCircuit:
    condition = Condition()
    for name, value in faults.items():
        setattr(condition, name, value)
    return ControlCircuit(design, condition)


@pytest.mark.parametrize("design", DESIGNS.values(), ids=lambda d: d.name)
def test_sealed_and_inrush_current_follow_the_rated_va(design: Any) -> None:
    """At 24 V the coil draws VA / 24 V: sealed VA, and 4 to 7 times as much with the armature open."""
    sealed = 24 / abs(coil_impedance(design, armature_in=True))
    inrush = 24 / abs(coil_impedance(design, armature_in=False))
    assert sealed == pytest.approx(design.coil_sealed_va / 24, rel=0.01)
    assert inrush == pytest.approx(design.coil_inrush_va / 24, rel=0.01)
    assert 4.0 <= inrush / sealed <= 7.2


def test_loaded_secondary_stays_in_the_field_band() -> None:
    """Unloaded 26 to 29 V, loaded 23 to 27 V (common practice); below class 2's 30 V (UL 1585)."""
    idle = circuit().solve(1.0, NO_CALL, 25.0)
    loaded = circuit().solve(1.0, SEALED, 25.0)
    assert 26 <= idle.rc_v <= 29
    assert 23 <= loaded.unit_v < idle.rc_v < 30


def test_no_call_leaves_the_unit_dead() -> None:
    """With the thermostat open no voltage stands at the unit and none indoors on Y."""
    volts = circuit().solve(1.0, NO_CALL, 25.0)
    assert volts.rc_v > 24
    assert volts.indoor_y_v == volts.unit_v == volts.coil_a == 0


@pytest.mark.parametrize(
    ("faults", "rc", "indoor", "unit", "coil_a"),
    [
        ({"fuse_open": True}, 0, 0, 0, 0),
        ({"transformer_dead": True}, 0, 0, 0, 0),
        ({"coil_open": True}, 26, 26, 26, 0),
        ({"coil_lead_ohm": inf}, 26, 26, 26, 0),
        ({"coil_shorted": 0.95}, 17, 17, 13, 5.7),
    ],
    ids=lambda value: "+".join(value) if isinstance(value, dict) else None,
)
def test_what_breaks_where(faults: Any, rc: Any, indoor: Any, unit: Any, coil_a: Any) -> None:
    """Each fault of the circuit shows at the taps as the wiring has it (within 3 V and 1.2 A)."""
    volts = circuit(**faults).solve(1.0, CALLED, 25.0)
    assert volts.rc_v == pytest.approx(rc, abs=3)
    assert volts.indoor_y_v == pytest.approx(indoor, abs=3)
    assert volts.unit_v == pytest.approx(unit, abs=3)
    assert volts.coil_a == pytest.approx(coil_a, abs=1.2)


def test_open_safety_keeps_the_call_indoors() -> None:
    """Float switch open: full voltage on Y indoors, next to nothing at the unit (what the cable couples, on a coil)."""
    volts = circuit().solve(1.0, Switches(0.1, False, True, False), 25.0)
    assert volts.indoor_y_v > 24
    assert volts.unit_v < 1


def test_cut_wire_beside_a_live_one_carries_a_ghost() -> None:
    """An open call wire and an open coil: cable coupling leaves volts that no load would, below a call's."""
    volts = circuit(coil_open=True).solve(1.0, Switches(0.1, False, True, False), 25.0)
    assert 1 < volts.unit_v < 10


def test_stealing_thermostat_leaves_little_on_the_wire() -> None:
    """A thermostat that powers itself through the coil leaves a volt or two with no call."""
    volts = circuit().solve(1.0, Switches(900.0, True, True, False), 25.0)
    assert 0.2 < volts.unit_v < 5
    assert volts.coil_a < 0.06


def test_wire_length_drops_voltage_most_at_inrush() -> None:
    """Between the joint that a meter calls good and the one that keeps the contactor open lies the inrush current."""
    poor = circuit(call_wire_ohm=14.0)
    assert poor.solve(1.0, CALLED, 25.0).coil_v < 17.5
    assert poor.solve(1.0, SEALED, 25.0).coil_v > 20.4


def test_blade_fuse_opens_as_its_table_says() -> None:
    """SAE J1284 / ISO 8820-3 (from memory): never at 100 %, 0.15 to 5 s at 200 %, 0.02 to 0.1 s at 600 %."""
    assert fuse_opening_s(1.0) == inf
    assert fuse_opening_s(1.1) >= 360_000 * 0.999
    for ratio, low, high in ((1.35, 0.75, 600), (1.6, 0.25, 50), (2.0, 0.15, 5), (3.5, 0.04, 0.5), (6.0, 0.02, 0.1)):
        assert low <= fuse_opening_s(ratio) <= high


def test_fuse_forgets_an_inrush_and_remembers_an_overload() -> None:
    """Coil inrush never opens a 3 A fuse; twice its rating does, and it stays open."""
    fuse = Fuse(3.0)
    for _ in range(10_000):
        fuse.carry(2.5, 0.035)
    assert not fuse.open
    fuse.carry(6.0, 6.0)
    assert fuse.open
    fuse.carry(0.0, 1e6)
    assert fuse.open


def test_reset_puts_every_part_back() -> None:
    """A condition that was written to is as new after reset."""
    condition = Condition(fuse_open=True, charge=0.3)
    condition.sense("call").stuck = True
    reset(condition)
    assert condition == Condition()
