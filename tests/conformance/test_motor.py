"""The motor of the simulated compressor, against a textbook's worked examples and against its own differential
equations integrated by scipy.

A. E. Fitzgerald, C. Kingsley, S. D. Umans, Electric Machinery, 6th edition: example 9.2 (a split-phase motor running on
its main winding alone) and example 9.5 (a permanent-split-capacitor motor). Parameters and answers from memory: that
the equations bring the remembered parameters to the remembered answers, to three figures, speaks for both.
"""

from __future__ import annotations

from cmath import phase
from math import degrees, pi, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from condenser_monitor.sim.designs import DESIGNS, Design
from condenser_monitor.sim.motor import Machine, MotorCurve, Nameplate, curve, fitted, solve
from condenser_monitor.sim.refrigeration import RATING_POWER_W

OMEGA = 2 * pi * 60
# Example 9.5: 230 V, 60 Hz, two poles; henries, ohms and farads as printed
MAIN_H, START_H, ROTOR_H = 80.6e-3, 196e-3, 4.7e-6
MAIN_ROTOR_H, START_ROTOR_H = 0.588e-3, 0.909e-3
MAIN_OHM, START_OHM, ROTOR_OHM, CAPACITOR_F = 0.58, 3.37, 37.6e-6, 35e-6
AT_3500 = 100 / 3600  # slip at 3500 r/min


def _referred() -> Machine:
    """The example's inductances as reactances referred to the main winding; how its leakage is split between stator
    and rotor is free, and changes nothing outside."""
    scale = 0.98 * MAIN_ROTOR_H / ROTOR_H
    shared, turns = OMEGA * MAIN_ROTOR_H * scale, START_ROTOR_H / MAIN_ROTOR_H
    return Machine(
        main_ohm=MAIN_OHM,
        main_leak=OMEGA * MAIN_H - shared,
        magnetising=shared,
        rotor_ohm=ROTOR_OHM * scale**2,
        rotor_leak=OMEGA * ROTOR_H * scale**2 - shared,
        turns=turns,
        start_ohm=START_OHM,
        start_leak=OMEGA * START_H - turns**2 * shared,
        capacitor_x=1 / (OMEGA * CAPACITOR_F),
    )


def test_capacitor_motor_of_the_textbook() -> None:
    """Main 15.9 A at -37.6 degrees, start winding 5.20 A, line 18.5 A at -22.7 degrees, 394 V across the capacitor,
    3532 W at the shaft with 40 W of friction."""
    at = solve(_referred(), AT_3500, 230.0)
    assert abs(at.main) == pytest.approx(15.9, abs=0.05)
    assert degrees(phase(at.main)) == pytest.approx(-37.6, abs=0.1)
    assert abs(at.start) == pytest.approx(5.20, abs=0.01)
    assert abs(at.line) == pytest.approx(18.5, abs=0.05)
    assert degrees(phase(at.line)) == pytest.approx(-22.7, abs=0.1)
    assert abs(at.start) * _referred().capacitor_x == pytest.approx(394, abs=0.5)
    assert at.torque * (1 - AT_3500) - 40.0 == pytest.approx(3532, abs=2)


def test_main_winding_alone_of_the_textbook() -> None:
    """1/4 hp, 110 V, four poles, slip 0.05: 3.59 A at a power factor of 0.62, forward field's power less the backward
    one's 206 - 12.8 W."""
    machine = Machine(2.02, 2.79, 66.8, 4.12, 2.12, 1.0, 1.0, 1.0, 1.0)
    at = solve(machine, 0.05, 110.0, 0.0)
    assert abs(at.line) == pytest.approx(3.59, abs=0.03)
    assert at.line.real / abs(at.line) == pytest.approx(0.62, abs=0.005)
    assert at.torque == pytest.approx(206 - 12.8, rel=0.01)


def _integrated(machine: Machine, slip: float, volts: float, cycles: int = 40) -> tuple[float, float, float, float]:
    """RMS of main, start and line current, and mean torque (synchronous watts), from the machine's differential
    equations in its own coils' axes at a fixed speed, over the last cycle. Two poles; the same reactances."""
    m, a = machine, machine.turns
    shared = m.magnetising / OMEGA
    inductance = np.array(
        [
            [(m.main_leak + m.magnetising) / OMEGA, 0, shared, 0],
            [0, (m.start_leak + a * a * m.magnetising) / OMEGA, 0, a * shared],
            [shared, 0, (m.rotor_leak + m.magnetising) / OMEGA, 0],
            [0, a * shared, 0, (m.rotor_leak + m.magnetising) / OMEGA],
        ]
    )
    inverse = np.linalg.inv(inductance)
    resistance = np.diag([m.main_ohm, m.start_ohm, m.rotor_ohm, m.rotor_ohm])
    turning = OMEGA * (1 - slip)
    farad = 1 / (OMEGA * m.capacitor_x)

    def slope(t: float, state: np.ndarray) -> np.ndarray:
        flux, charge_v = state[:4], state[4]
        amps = inverse @ flux
        line = volts * sqrt(2) * np.cos(OMEGA * t)
        speed = np.array([0, 0, turning * flux[3], -turning * flux[2]])
        applied = np.array([line, -line - charge_v, 0, 0])
        return np.append(applied - resistance @ amps - speed, amps[1] / farad)

    ends = cycles / 60
    times = np.linspace(ends - 1 / 60, ends, 400, endpoint=False)
    found = solve_ivp(slope, (0, ends), np.zeros(5), t_eval=times, rtol=1e-7, atol=1e-9, max_step=2e-4)
    amps = inverse @ found.y[:4]
    torque = OMEGA * shared * (a * amps[1] * amps[2] - amps[0] * amps[3])

    def rms(values: np.ndarray) -> float:
        return float(np.sqrt(np.mean(values**2)))

    return rms(amps[0]), rms(amps[1]), rms(amps[0] - amps[1]), float(np.mean(torque))


@pytest.mark.parametrize("slip", [AT_3500, 0.15, 1.0])
def test_phasors_agree_with_the_integrated_equations(slip: float) -> None:
    """Steady state of the time equations (scipy's Runge-Kutta 5(4)) within half a per cent: at load, past pull-out, and
    standing."""
    machine = _referred()
    at = solve(machine, slip, 230.0)
    main, start, line, torque = _integrated(machine, slip, 230.0)
    assert abs(at.main) == pytest.approx(main, rel=0.005)
    assert abs(at.start) == pytest.approx(start, rel=0.005)
    assert abs(at.line) == pytest.approx(line, rel=0.005)
    assert at.torque == pytest.approx(torque, rel=0.005)


def _plate(design: Design) -> Nameplate:
    rating_w = RATING_POWER_W * design.tons / 3.0
    return Nameplate(design.rated_v, design.compressor_lra_a, rating_w, design.line_hz, design.run_uf)


WITH_CAPACITOR = [design for design in DESIGNS.values() if design.kind != "variable-speed"]


@pytest.mark.parametrize("design", WITH_CAPACITOR, ids=lambda d: d.name)
def test_each_designs_motor_has_its_nameplates_amps_and_the_usual_shape(design: Design) -> None:
    """Locked-rotor amps of the nameplate; standing power factor 0.6 to 0.85, starting torque 0.2 to 0.6 and pull-out 2
    to 3.5 of rated torque, slip 1 to 5 %, efficiency 0.8 to 0.95 (small capacitor motors, from memory)."""
    plate = _plate(design)
    machine = fitted(plate)
    standing = solve(machine, 1.0, plate.volts).line
    assert abs(standing) == pytest.approx(design.compressor_lra_a, rel=0.01)
    assert 0.6 < standing.real / abs(standing) < 0.85
    whole = curve(plate, 1.0)
    rated = whole.torque_for(plate.rating_w)
    slip = whole.slip_for(rated)
    assert 0.01 < slip < 0.05
    assert 0.2 < solve(machine, 1.0, plate.volts).torque / rated < 0.6
    assert 2.0 < whole.pull_out / rated < 3.5
    assert 0.8 < rated * (1 - slip) / plate.rating_w < 0.95


def test_torque_at_standstill_goes_with_the_capacitor_and_is_none_without() -> None:
    """One winding alone makes no starting torque; it keeps a turning rotor going with most of its pull-out torque."""
    plate = _plate(DESIGNS["three-ton"])
    machine = fitted(plate)
    torques = [solve(machine, 1.0, plate.volts, left).torque for left in (0.0, 0.3, 0.7, 1.0)]
    assert torques[0] == pytest.approx(0.0, abs=1e-6 * torques[-1])
    assert torques == sorted(torques)
    assert 0.6 < curve(plate, 0.0).pull_out / curve(plate, 1.0).pull_out < 0.95


def test_the_curve_keeps_to_the_machine_it_was_solved_from() -> None:
    """Between its points within a per cent, and its two inverses undo it."""
    machine = fitted(_plate(DESIGNS["five-ton"]))
    whole = MotorCurve(machine, 230.0, 0.8)
    for slip in (0.004, 0.021, 0.09, 0.33, 0.77, 1.0):
        exact, read = solve(machine, slip, 230.0, 0.8), whole.at(slip)
        assert abs(read.line) == pytest.approx(abs(exact.line), rel=0.01)
        assert read.torque == pytest.approx(exact.torque, rel=0.01)
    assert whole.slip_for(whole.at(0.02).torque) == pytest.approx(0.02, rel=0.02)
    assert whole.torque_for(230.0 * whole.at(0.02).line.real) == pytest.approx(whole.at(0.02).torque, rel=0.02)
