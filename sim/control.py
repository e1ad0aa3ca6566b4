"""The 24 V control circuit as AC phasors: transformer, fuse, thermostat, safeties, wire, delay relay, coil.

    transformer -- fuse --+-- thermostat --+-- float -- wire --+-- pressure, relay, board -- lead -- coil -- C
                          R (control_power) Y indoors (thermostat)  Y at the unit (call, control_v)

A float switch may break R instead; pressure switches may stand ahead of the unit's Y terminal (sim/designs.py).
One call of `solve` gives the RMS voltages and currents for the state of the switches; nothing here has a memory but the
fuse.
"""

from __future__ import annotations

import bisect
from math import exp, inf, log, sqrt
from typing import NamedTuple

from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import Design
from condenser_monitor.sim.wire import at_temperature, loop_ohm


class ControlVolts(NamedTuple):
    """RMS values of the control circuit. `phase` angles are not kept: the circuit follows the line's phase closely."""

    secondary_a: float
    rc_v: float
    indoor_y_v: float
    unit_v: float
    coil_a: float
    coil_v: float


DEAD = ControlVolts(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


class Switches(NamedTuple):
    """How the switches of the circuit stand. `thermostat_ohm` is inf when it is plainly open, some hundred ohm when
    open and stealing power, near nothing when closed."""

    thermostat_ohm: float
    safeties_closed: bool
    relay_closed: bool
    armature_in: bool


def coil_impedance(design: Design, *, armature_in: bool, shorted: float = 0.0, celsius: float = 20.0) -> complex:
    """The coil's impedance, ohm: reactance is small with the armature open and several times larger sealed."""
    va = design.coil_sealed_va if armature_in else design.coil_inrush_va
    magnitude = constants.CONTROL_RATED_V.value**2 / va
    reactance = sqrt(max(magnitude**2 - design.coil_ohm**2, 0.0))
    # Shorted turns are a shorted secondary: they take the reactance away and part of the copper.
    return complex(at_temperature(design.coil_ohm, celsius), reactance) * (1.0 - 0.93 * shorted)


def transformer_impedance(design: Design) -> complex:
    """Seen from the secondary, ohm: drop at rated current is the regulation; part copper, part leakage."""
    rated_v = constants.CONTROL_RATED_V.value
    magnitude = design.transformer_regulation * rated_v * rated_v / design.transformer_va
    share = constants.LEAKAGE_SHARE.value
    return complex(magnitude * sqrt(1 - share * share), magnitude * share)


def _series(one: complex, many: float) -> complex | None:
    return None if many == inf else one + many


def _parallel(*branches: complex | None) -> complex:
    admittance = sum((1 / branch for branch in branches if branch is not None), 0j)
    return 1 / admittance if admittance else complex(1e12)


class ControlCircuit:
    """The circuit of one unit. `solve` reads the condition of the parts as it stands."""

    def __init__(self, design: Design, condition: Condition) -> None:
        self.design, self.condition = design, condition
        self._z_transformer = transformer_impedance(design)
        self._z_indoor = complex(constants.CONTROL_RATED_V.value**2 / design.indoor_va)
        self._no_load_v = constants.CONTROL_RATED_V.value * (1 + design.transformer_regulation)
        self._coils: dict[tuple[bool, float, int], complex] = {}
        self._wires: dict[int, float] = {}
        self._solved: dict[tuple[int, Switches, int], ControlVolts] = {}
        self.fuse = Fuse(design.control_fuse_a)

    def changed(self) -> None:
        """The condition of a part has changed: what was solved before holds no more."""
        self._solved.clear()

    def solve(self, primary_share: float, switches: Switches, ambient_c: float) -> ControlVolts:
        """Voltages and currents with the primary at `primary_share` of rated volts (in steps of 1 in 10 000)."""
        key = (round(primary_share * 10_000), switches, round(ambient_c))
        found = None if self.fuse.open else self._solved.get(key)
        if found is None:
            if len(self._solved) > 4096:
                self._solved.clear()
            found = self._solved[key] = self._solve(key[0] / 10_000, switches, key[2])
        return found

    def _solve(self, primary_share: float, switches: Switches, ambient_c: float) -> ControlVolts:
        condition = self.condition
        dead = condition.transformer_dead or condition.fuse_open or condition.door_open or self.fuse.open
        if dead or primary_share < 0.05:
            return DEAD
        sense = constants.SENSE_24V_OHM.value
        lead = self._lead(switches, ambient_c)
        shorted = complex(constants.CABLE_SHORT_OHM.value) if condition.cable_shorted else None
        at_unit = _parallel(lead, complex(sense), shorted)
        crossed = condition.call_wire_on_r
        path_ohm = self._path_ohm(switches, ambient_c)
        down = _series(at_unit, inf if crossed else path_ohm)
        from_r = _series(at_unit, self._wire_ohm(ambient_c)) if crossed else None
        at_indoor = _parallel(down, complex(sense))
        call = _series(at_indoor, switches.thermostat_ohm + condition.thermostat_ohm)
        load = _parallel(call, from_r, self._z_indoor, complex(sense))
        source = self._no_load_v * primary_share * condition.transformer_ratio
        total = source / (self._z_transformer + condition.transformer_ohm + load)
        rc = total * load
        indoor_y = rc * at_indoor / call if call is not None else 0j
        if from_r is not None:
            unit = rc * at_unit / from_r
        else:
            unit = indoor_y * at_unit / down if down is not None else self._coupled(indoor_y, at_unit)
        coil = unit / lead if lead is not None else 0j
        # A winding that is open has all the volts across it; behind an open switch or lead there are none.
        reaches = condition.coil_open and switches.relay_closed and condition.coil_lead_ohm != inf
        coil_v = unit if reaches else coil * self._coil(switches.armature_in, ambient_c)
        return ControlVolts(abs(total), abs(rc), abs(indoor_y), abs(unit), abs(coil), abs(coil_v))

    def _coupled(self, indoor_y: complex, at_unit: complex) -> complex:
        """What reaches an open call wire from the live wire beside it."""
        return indoor_y * at_unit / (at_unit + constants.COUPLING_OHM.value)

    def _lead(self, switches: Switches, ambient_c: float) -> complex | None:
        """The branch from the call terminal through relay and lead to the coil; None when it is open."""
        condition = self.condition
        if not switches.relay_closed or condition.coil_open or condition.coil_lead_ohm == inf:
            return None
        return self._coil(switches.armature_in, ambient_c) + condition.coil_lead_ohm

    def _path_ohm(self, switches: Switches, ambient_c: float) -> float:
        return self._wire_ohm(ambient_c) if switches.safeties_closed else inf

    def _wire_ohm(self, ambient_c: float) -> float:
        key = round(ambient_c)
        wire = self._wires.get(key)
        if wire is None:
            wire = self._wires[key] = loop_ohm(self.design.control_awg, self.design.control_m, ambient_c)
        return wire + self.design.joints_ohm + self.condition.call_wire_ohm

    def _coil(self, armature_in: bool, ambient_c: float) -> complex:
        key = (armature_in, self.condition.coil_shorted, round(ambient_c))
        found = self._coils.get(key)
        if found is None:
            if len(self._coils) > 4096:
                self._coils.clear()
            found = self._coils[key] = coil_impedance(
                self.design, armature_in=armature_in, shorted=key[1], celsius=ambient_c
            )
        return found


# ---------------------------------------------------------------- fuse


_RATIOS = [log(ratio) for ratio, _ in constants.FUSE_POINTS]
_TIMES = [log(seconds) for _, seconds in constants.FUSE_POINTS]


def fuse_opening_s(ratio: float) -> float:
    """Seconds until a blade fuse opens at `ratio` times its rating; inf below 110 %."""
    if ratio < constants.FUSE_POINTS[0][0]:
        return inf
    x = min(log(ratio), _RATIOS[-1])
    right = min(max(bisect.bisect_left(_RATIOS, x), 1), len(_RATIOS) - 1)
    share = (x - _RATIOS[right - 1]) / (_RATIOS[right] - _RATIOS[right - 1])
    return exp(_TIMES[right - 1] + share * (_TIMES[right] - _TIMES[right - 1]))


class Fuse:
    """A blade fuse: damage adds up while it carries more than it may; it does not mend by itself."""

    __slots__ = ("damage", "open", "rated_a")

    def __init__(self, rated_a: float) -> None:
        self.rated_a = rated_a
        self.damage = 0.0
        self.open = False

    def carry(self, amps: float, dt: float) -> None:
        """Carry a current for `dt` seconds."""
        if amps < 1.1 * self.rated_a:
            self.damage = 0.0
            return
        self.damage += dt / fuse_opening_s(amps / self.rated_a)
        self.open = self.open or self.damage >= 1.0

    def left_s(self, amps: float) -> float:
        """Seconds it can still carry this current."""
        return (1.0 - self.damage) * fuse_opening_s(amps / self.rated_a)

    def replace(self) -> None:
        """A new fuse."""
        self.damage, self.open = 0.0, False
