"""A permanent-split-capacitor motor: main and start winding at right angles, a capacitor in series with the start
winding, one rotor; the forward and the backward field of each slip (A. E. Fitzgerald, C. Kingsley, S. D. Umans,
Electric Machinery, 6th edition, section 9.4: the two-phase induction machine with unlike windings).

Pure arithmetic on complex RMS values. Reactances are at the line's frequency, the rotor referred to the main winding;
torque is in synchronous watts (torque times synchronous speed). A `MotorCurve` is a machine solved over slip at its
rated volts with what is left of its capacitor; currents go with the volts, torque with their square.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from functools import lru_cache, partial
from math import pi
from typing import NamedTuple

from condenser_monitor.sim import constants


class Machine(NamedTuple):
    """Ohms. `turns`: the start winding's effective turns over the main one's; `deep_bar`: by how much more of itself
    the rotor's resistance is at standstill, where current crowds to the top of its bars."""

    main_ohm: float
    main_leak: float
    magnetising: float
    rotor_ohm: float
    rotor_leak: float
    turns: float
    start_ohm: float
    start_leak: float
    capacitor_x: float
    deep_bar: float = 0.0


class MotorPoint(NamedTuple):
    """One slip: complex RMS currents of main and start winding (A, as each is joined to the line) and torque."""

    main: complex
    start: complex
    torque: float

    @property
    def line(self) -> complex:
        """Current in the common lead, A."""
        return self.main + self.start


def solve(machine: Machine, slip: float, volts: float, capacitor: float = 1.0) -> MotorPoint:
    """Solve a machine at a slip (0: synchronous, 1: standing) at `volts` RMS.

    `capacitor` is what is left of its capacitor; at 0 the start winding is open.
    """
    forward_slip, backward_slip = max(slip, 1e-6), 2.0 - slip
    rotor_x = machine.magnetising + machine.rotor_leak
    crowded = 1.0 + machine.deep_bar * forward_slip
    forward = forward_slip / (2.0 * complex(machine.rotor_ohm * crowded, forward_slip * rotor_x))
    # the backward field meets the bars at nearly twice the line's frequency
    crowded_back = 1.0 + machine.deep_bar * backward_slip**0.5
    backward = backward_slip / (2.0 * complex(machine.rotor_ohm * crowded_back, backward_slip * rotor_x))
    both, apart = forward + backward, forward - backward
    xm, turns = machine.magnetising, machine.turns
    main = machine.main_ohm + 1j * (machine.main_leak + xm - 1j * xm * xm * both)
    across = 1j * turns * xm * xm * apart
    if capacitor <= 1e-6:
        main_a, start_a = volts / main, 0j
    else:
        start = complex(machine.start_ohm, -machine.capacitor_x / capacitor)
        start += 1j * (machine.start_leak + turns * turns * (xm - 1j * xm * xm * both))
        # the start winding is joined the other way round, so that its field leads the main one's
        whole = main * start + across * across
        main_a = volts * (start + across) / whole
        start_a = -volts * (main - across) / whole
    torque = (
        (abs(xm * main_a) ** 2 + abs(turns * xm * start_a) ** 2) * apart.conjugate()
        + 1j * turns * xm * xm * (main_a.conjugate() * start_a - main_a * start_a.conjugate()) * both.conjugate()
    ).real
    return MotorPoint(main_a, -start_a, torque)


_SLIPS = (*(0.001 + 0.0025 * n for n in range(60)), *(0.15 + 0.025 * n for n in range(35)))


class MotorCurve:
    """A machine at rated volts over slip, with what is left of its capacitor."""

    def __init__(self, machine: Machine, volts: float, capacitor: float) -> None:
        self.volts = volts
        self._points = [solve(machine, slip, volts, capacitor) for slip in _SLIPS]
        torques = [point.torque for point in self._points]
        peak = max(range(60), key=torques.__getitem__)
        self.pull_out, self._rising = torques[peak], torques[: peak + 1]
        self._watts = [volts * point.line.real for point in self._points[: peak + 1]]

    def at(self, slip: float) -> MotorPoint:
        """The point at a slip, straight between its neighbours."""
        where = min(max(bisect_left(_SLIPS, slip), 1), len(_SLIPS) - 1)
        one, other = self._points[where - 1], self._points[where]
        share = min(1.0, max(0.0, (slip - _SLIPS[where - 1]) / (_SLIPS[where] - _SLIPS[where - 1])))
        return MotorPoint(
            one.main + (other.main - one.main) * share,
            one.start + (other.start - one.start) * share,
            one.torque + (other.torque - one.torque) * share,
        )

    def slip_for(self, torque: float) -> float:
        """The slip at which it turns against a torque; that of pull-out where it cannot."""
        return _inverse(self._rising, torque)

    def torque_for(self, watts: float) -> float:
        """The torque it gives while it takes so many watts from the line."""
        return self.at(_inverse(self._watts, watts)).torque


def _inverse(rising: list[float], wanted: float) -> float:
    """The slip at which a row that rises with slip reaches a value; its ends where it does not."""
    where = bisect_left(rising, wanted)
    if where <= 0:
        return _SLIPS[0]
    if where >= len(rising):
        return _SLIPS[len(rising) - 1]
    share = (wanted - rising[where - 1]) / (rising[where] - rising[where - 1])
    return _SLIPS[where - 1] + share * (_SLIPS[where] - _SLIPS[where - 1])


class Nameplate(NamedTuple):
    """What a compressor's motor is fitted to."""

    volts: float
    locked_a: float
    rating_w: float
    line_hz: float
    run_uf: float


def _scaled(plate: Nameplate, ohm: float, turns: float, magnetising: float) -> Machine:
    """A compressor's motor in shares of one impedance; the start winding's copper and leakage go with its turns."""
    square = turns * turns * ohm
    return Machine(
        main_ohm=constants.MOTOR_MAIN_OHM.value * ohm,
        main_leak=constants.MOTOR_LEAK.value * ohm,
        magnetising=magnetising * ohm,
        rotor_ohm=constants.MOTOR_ROTOR_OHM.value * ohm,
        rotor_leak=constants.MOTOR_ROTOR_LEAK.value * ohm,
        turns=turns,
        start_ohm=constants.MOTOR_START_OHM.value * square,
        start_leak=constants.MOTOR_LEAK.value * square,
        capacitor_x=1e6 / (2 * pi * plate.line_hz * plate.run_uf),
        deep_bar=constants.MOTOR_DEEP_BAR.value,
    )


def _loaded(machine: Machine, plate: Nameplate) -> MotorPoint:
    """The point at which it takes its rated watts, between no load and pull-out."""
    low, high = 0.0005, 0.14
    for _ in range(22):
        slip = (low + high) / 2
        if plate.volts * solve(machine, slip, plate.volts).line.real < plate.rating_w:
            low = slip
        else:
            high = slip
    return solve(machine, (low + high) / 2, plate.volts)


@lru_cache(maxsize=1024)
def fitted(plate: Nameplate) -> Machine:
    """The motor of this nameplate: its locked-rotor amps, and at rated watts the power factor and the capacitor's volts
    that such motors have. Three numbers are sought by turns: impedance, turns, magnetising reactance."""
    ohm, turns, magnetising = 1.25 * plate.volts / plate.locked_a, 1.18, 10.0
    wanted_pf, wanted_v = constants.POWER_FACTOR.value, constants.CAPACITOR_VOLTS_RATIO.value

    def ratio(at: float, ohm: float, magnetising: float) -> float:
        machine = _scaled(plate, ohm, at, magnetising)
        return abs(_loaded(machine, plate).start) * machine.capacitor_x / plate.volts

    def factor(at: float, ohm: float, turns: float) -> float:
        amps = _loaded(_scaled(plate, ohm, turns, at), plate).line
        return amps.real / abs(amps)

    for _ in range(8):
        ohm *= abs(solve(_scaled(plate, ohm, turns, magnetising), 1.0, plate.volts).line) / plate.locked_a
        step = _toward(partial(ratio, ohm=ohm, magnetising=magnetising), turns, 0.01, wanted_v)
        turns = min(1.7, max(0.8, turns + min(0.1, max(-0.1, step))))
        step = _toward(partial(factor, ohm=ohm, turns=turns), magnetising, 0.1, wanted_pf)
        magnetising = min(30.0, max(4.0, magnetising + min(2.0, max(-2.0, step))))
    ohm *= abs(solve(_scaled(plate, ohm, turns, magnetising), 1.0, plate.volts).line) / plate.locked_a
    return _scaled(plate, ohm, turns, magnetising)


def _toward(value: Callable[[float], float], at: float, step: float, wanted: float) -> float:
    """How far to go from `at` for a wanted value, by the slope over a step."""
    here = value(at)
    slope = (value(at + step) - here) / step
    return 0.0 if abs(slope) < 1e-9 else (wanted - here) / slope


@lru_cache(maxsize=2048)
def curve(plate: Nameplate, capacitor: float) -> MotorCurve:
    """The motor of a nameplate with so much of its capacitor, which callers round: each is solved once."""
    return MotorCurve(fitted(plate), plate.volts, capacitor)
