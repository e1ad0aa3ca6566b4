"""The simulated 24 V circuit and trickle path against ngspice: the same parts as a netlist, another solver."""

from __future__ import annotations

from math import pi

import msgspec
import pytest

from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.control import (
    ControlCircuit,
    Switches,
    coil_impedance,
    transformer_impedance,
)
from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.unit import CondensingUnit, Surroundings
from condenser_monitor.sim.waveforms import thermistor_ohm
from condenser_monitor.sim.wire import loop_ohm
from tests.conftest import need
from tests.hardware.circuits import spice
from tests.hardware.circuits.decks import deck, steady_sine

AMBIENT_C = 25.0


def _branch(name: str, start: str, end: str, impedance: complex, hz: int) -> str:
    return f"R{name} {start} {name}m {impedance.real:.6g}\nL{name} {name}m {end} {impedance.imag / (2 * pi * hz):.6g}\n"


def _netlist(design: Design, *, sealed: bool, extra_ohm: float) -> str:
    hz = design.line_hz
    volts = 24 * (1 + design.transformer_regulation)
    wire = loop_ohm(design.control_awg, design.control_m, AMBIENT_C) + design.joints_ohm + extra_ohm
    tap = constants.SENSE_24V_OHM.value
    body = f"""
Vs src 0 {steady_sine(volts, hz)}
{_branch("tr", "src", "r", transformer_impedance(design), hz)}
Rindoor r 0 {24**2 / design.indoor_va:.6g}
Rtapr r 0 {tap:g}
Rstat r yi {constants.THERMOSTAT_OHM.value:g}
Rtapi yi 0 {tap:g}
Rwire yi yu {wire:.6g}
Rtapu yu 0 {tap:g}
Vcoil yu c 0
{_branch("coil", "c", "0", coil_impedance(design, armature_in=sealed, celsius=AMBIENT_C), hz)}
.meas tran rc_v RMS v(r) {{window}}
.meas tran indoor_v RMS v(yi) {{window}}
.meas tran unit_v RMS v(yu) {{window}}
.meas tran coil_a RMS i(Vcoil) {{window}}
"""
    return deck("24 V circuit", body, seconds=0.6, step=50e-6, measure_from=0.4)


@pytest.mark.parametrize("sealed", [False, True], ids=["open armature", "sealed"])
@pytest.mark.parametrize("extra_ohm", [0.0, 14.0, 300.0])
@pytest.mark.parametrize("name", ["three-ton", "five-ton", "one-ton-50-hz"])
def test_control_circuit_against_ngspice(name: str, extra_ohm: float, sealed: bool) -> None:
    """Voltages at all taps and the coil's current agree within 0.5 %."""
    need("ngspice")
    design = DESIGNS[name]
    found = spice.run(_netlist(design, sealed=sealed, extra_ohm=extra_ohm))
    condition = Condition(call_wire_ohm=extra_ohm)
    volts = ControlCircuit(design, condition).solve(
        1.0, Switches(constants.THERMOSTAT_OHM.value, True, True, sealed), AMBIENT_C
    )
    assert volts.rc_v == pytest.approx(found["rc_v"], rel=0.005)
    assert volts.indoor_y_v == pytest.approx(found["indoor_v"], rel=0.005)
    assert volts.unit_v == pytest.approx(found["unit_v"], rel=0.005)
    assert volts.coil_a == pytest.approx(found["coil_a"], rel=0.005)


@pytest.mark.parametrize("uf", [15.0, 20.0, 35.0, 45.0])
def test_trickle_against_ngspice(uf: float) -> None:
    """Capacitor and start winding (with 2 ohm of copper) across the line: the same current within 0.5 %."""
    need("ngspice")
    reactance = 1 / (2 * pi * 60 * uf * 1e-6)
    henry = constants.WINDING_REACTANCE_SHARE.value * reactance / (2 * pi * 60)
    body = f"""
Vline l1 l2 {steady_sine(240, 60)}
Vlead l1 a 0
Cfar a b {uf * 1e-6:g}
Lw b w {henry:.6g}
Rw w l2 2
Rref l2 0 1
.meas tran amps RMS i(Vlead) {{window}}
"""
    found = spice.run(deck("trickle", body, seconds=0.3, step=20e-6, measure_from=0.2))
    design = msgspec.structs.replace(
        DESIGNS["three-ton"], trickle=True, run_uf=uf, line_v=240.0, service_ohm=0.0, branch_m=0.001
    )
    unit = CondensingUnit(design, Condition(), 25.0)
    around = Surroundings(service_v=240.0, outdoor_c=25.0, indoor_c=25.0)
    for index in range(5):
        unit.step(0.01, index * 0.01, around)
    assert unit.compressor_a == pytest.approx(found["amps"], rel=0.005)


@pytest.mark.parametrize(
    ("celsius", "ohm"), [(-20, 97_060), (0, 32_654), (20, 12_493), (25, 10_000), (30, 8_056), (40, 5_327), (48, 3_889)]
)
def test_thermistor_against_a_published_table(celsius: float, ohm: float) -> None:
    """10 kohm curve of an equipment control manual, within 0.1 % (half a degree is 2 %)."""
    assert thermistor_ohm(celsius) == pytest.approx(ohm, rel=0.001)


@pytest.mark.parametrize(("celsius", "volts"), [(0, 3.828), (25, 2.500), (40, 1.738)])
def test_thermistor_divider_against_the_same_table(celsius: float, volts: float) -> None:
    """Under 10 kohm to 5 V, as that table gives it, within 2 mV."""
    ohm = thermistor_ohm(celsius)
    assert 5 * ohm / (ohm + 10_000) == pytest.approx(volts, abs=0.002)
