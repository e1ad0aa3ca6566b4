"""The compressor: a capacitor-run single-phase motor on a pump, behind its internal protector.

The motor is that of sim/motor.py, fitted to the nameplate: main and start winding, capacitor, forward and backward
field. Torque is per unit of rated torque; the load is friction and the pressure difference. While the rotor is not at
speed (start, stall, coasting) the equation of motion is followed in steps of MOTION_S; at speed only the balance is
watched: when the pull-out torque no longer covers the load, it stalls. At speed it gives the torque with which a sound
motor takes the map's watts at rated volts; amps, watts and power factor follow from volts and capacitor.
"""

from __future__ import annotations

from cmath import phase
from enum import Enum
from math import atan2, cos, exp, hypot, log, pi, radians
from typing import NamedTuple

from condenser_monitor.sim import constants, motor
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import Design
from condenser_monitor.sim.motor import Nameplate
from condenser_monitor.sim.protector import Protector
from condenser_monitor.sim.refrigeration import RATING_POWER_W, Refrigeration

MOTION_S = 0.004
STRIDE_S = 0.02
LOCKED_S = 0.1  # the shortest step of a rotor that stands locked
_LOOK_SHARE = 0.05  # of the time until a locked rotor's state can change
_AT_SPEED = 0.94  # from here it counts as at speed: the slip left is beyond that of pull-out on no unit here
_CAPACITOR_STEP = 0.005  # what is left of a capacitor is solved in steps of this
_IDLE_SHARE = 0.35  # of rating A's power, below which the map is not followed
_STRAY_LEAD = radians(85.0)  # ours: a capacitor with a winding in series
_FRICTION = constants.FRICTION_PU.value


class Kind(NamedTuple):
    """What differs between kinds of compressor."""

    inertia_s: float
    equalise_s: float
    start_load_share: float


KINDS: dict[str, Kind] = {
    # Pistons start against the pressure difference, which a fixed orifice lets go in a minute or two; a scroll lets
    # it go inside at once. Inertia makes the start at rated volts last some 0.18 s (trade site, 3 ton, equalised) and
    # 0.12 s.
    "reciprocating": Kind(0.120, 60.0, 1.0),
    "scroll": Kind(0.085, 2.5, 0.8),
}


class Motion(Enum):
    """DEAD: no current. TURNING: at speed. MOVING: starting, stalling or locked, torque decides. COASTING: no volts."""

    DEAD = "dead"
    MOVING = "moving"
    TURNING = "turning"
    COASTING = "coasting"


class StartCurve(NamedTuple):
    """One start: when the current began, how long until at speed (None: never), peak and settled RMS current."""

    t_s: float
    duration_s: float | None
    peak_a: float
    settled_a: float | None


class Compressor:
    """One compressor; `amps` is the RMS current in its common lead."""

    __slots__ = (
        "_plate",
        "_rated_torque",
        "amps",
        "condition",
        "design",
        "kind",
        "motion",
        "peak_a",
        "power",
        "pressure_pu",
        "protector",
        "settled_s",
        "speed",
        "started_s",
        "starts",
    )

    def __init__(self, design: Design, condition: Condition, ambient_c: float) -> None:
        self.design, self.condition = design, condition
        self.kind = KINDS[design.compressor]
        rating_w = RATING_POWER_W * design.tons / constants.MAP_TONS.value
        plate = Nameplate(design.rated_v, design.compressor_lra_a, rating_w, design.line_hz, design.run_uf)
        self._plate = plate
        full = constants.RUNNING_TORQUE_PU.value + _FRICTION
        self._rated_torque = 1.0 if self.driven else motor.curve(plate, 1.0).torque_for(rating_w) / full
        self.protector = Protector(ambient_c)
        self.motion = Motion.DEAD
        self.speed = self.pressure_pu = self.amps = self.power = 0.0
        self.started_s: float | None = None
        self.peak_a = self.settled_s = 0.0
        self.starts: list[StartCurve] = []

    # ------------------------------------------------------------ electrical paths

    @property
    def turning(self) -> bool:
        """At speed: it pumps."""
        return self.motion is Motion.TURNING

    def connected(self) -> bool:
        """Current can flow in the common lead."""
        c = self.condition
        open_ = c.compressor_lead_open or c.common_open or c.protector_open or self.protector.open
        return not open_ and not (c.run_winding_open and c.start_winding_open)

    def drives(self) -> bool:
        """The main winding carries current, so the machine makes torque (or hums)."""
        return self.connected() and not self.condition.run_winding_open

    @property
    def driven(self) -> bool:
        """A drive feeds it: no run capacitor, no inrush."""
        return self.design.kind == "variable-speed"

    def capacitor(self) -> float:
        """What is left of the run capacitor's work, of its rating: nothing with an open start winding."""
        if self.driven:
            return 1.0
        return 0.0 if self.condition.start_winding_open else self.condition.run_capacitor

    def capacitor_a(self, volts: float) -> float:
        """Current through run capacitor and start winding alone, A: V / Xc, less the winding's share of reactance."""
        if self.driven or not self.connected() or self.condition.start_winding_open:
            return 0.0
        farad = self.design.run_uf * 1e-6 * self.condition.run_capacitor
        reactance = 1.0 / (2 * pi * self.design.line_hz * max(farad, 1e-12))
        return volts / (reactance * (1.0 - constants.WINDING_REACTANCE_SHARE.value))

    def _curve(self) -> motor.MotorCurve:
        """The motor at rated volts with what is left of its capacitor."""
        return motor.curve(self._plate, round(self.capacitor() / _CAPACITOR_STEP) * _CAPACITOR_STEP)

    def _point(self, volts: float, power: float) -> motor.MotorPoint:
        """Where the motor is at `volts`: of the map's power at speed, else of its speed; currents scaled, torque per
        unit."""
        share = volts / self.design.rated_v
        curve = self._curve()
        slip = 1.0 - self.speed
        if self.motion is Motion.TURNING:
            watts = max(power, _IDLE_SHARE) * self._plate.rating_w
            torque = motor.curve(self._plate, 1.0).torque_for(watts)
            slip = curve.slip_for(torque / max(share * share, 1e-6))
        at = curve.at(slip)
        return motor.MotorPoint(at.main * share, at.start * share, at.torque * share * share / self._rated_torque)

    def start_winding_a(self, volts: float) -> float:
        """Current through run capacitor and start winding, A."""
        if volts <= 0.0 or self.driven or not self.connected() or self.condition.start_winding_open:
            return 0.0
        if self.condition.run_winding_open:
            return self.capacitor_a(volts)
        return abs(self._point(volts, self.power).start)

    def lag(self, volts: float) -> float:
        """By how much the current in the common lead lags the volts, rad; what flows through the capacitor leads."""
        if not self.drives() or self.motion in (Motion.DEAD, Motion.COASTING):
            return -_STRAY_LEAD
        if self.driven:
            return atan2(*reversed(self._drive_parts(volts, self.power)))
        return -phase(self._point(volts, self.power).line)

    def watts(self, volts: float) -> float:
        """Real power that the common lead carries at `volts`, W."""
        return volts * self.amps * cos(self.lag(volts)) if volts > 0.0 else 0.0

    # ------------------------------------------------------------ motion

    def patience_s(self, volts: float) -> float:
        """The longest step this machine can take now with `volts` on its terminals, s."""
        if self.motion is Motion.MOVING:
            return self._locked_s(volts) if self._locked() else STRIDE_S
        # It coasts down evenly: the end of that is known.
        return max(MOTION_S, self.speed * constants.COAST_S.value) if self.motion is Motion.COASTING else 1e9

    def _locked(self) -> bool:
        return self.speed <= 0.0 and self.started_s is None

    def _locked_s(self, volts: float) -> float:
        """How long a rotor that stands locked may be left alone: a share of the time until its protector trips, or
        until it breaks away as the pressure behind it falls, whichever is sooner."""
        left_s = self.protector.left_s(self.amps / self.design.compressor_rla_a)
        if not self.condition.seized:
            pull = self._point(volts, self.power).torque * self.condition.start_torque
            free_pu = (pull - _FRICTION - self.condition.friction_pu) / self.kind.start_load_share
            if free_pu >= self.pressure_pu:
                return LOCKED_S
            if free_pu > 0.0:
                left_s = min(left_s, self.kind.equalise_s * log(self.pressure_pu / free_pu))
        return max(LOCKED_S, _LOOK_SHARE * left_s)

    def load_torque_pu(self) -> float:
        """Torque the pump asks of the motor."""
        start = 1.0 if self.motion is Motion.TURNING else self.kind.start_load_share
        return _FRICTION + self.condition.friction_pu + self.pressure_pu * start

    def step(self, dt: float, now_s: float, volts: float, gas: Refrigeration) -> None:
        """Let `dt` seconds pass at `volts` on its terminals (0: contacts open)."""
        live = volts > constants.TRIP_FREE_V.value and self.drives()
        if self.driven:
            # A drive that cannot turn its motor, or gets half of its volts, switches itself off.
            live = live and not self.condition.seized and volts > 0.6 * self.design.rated_v
        self._choose(live, now_s)
        if self.motion is Motion.MOVING:
            self._move(dt, now_s, volts)
        elif self.motion is Motion.COASTING:
            self._coast(dt)
        self._pressure(dt, gas)
        self.amps = self._amps(volts, gas) if live else self._stray(volts)
        self._follow_start(now_s + dt)

    def _choose(self, live: bool, now_s: float) -> None:
        if live and self.driven:
            self.motion, self.speed = Motion.TURNING, _AT_SPEED
        elif live and self.motion in (Motion.DEAD, Motion.COASTING):
            self.motion, self.started_s, self.peak_a = Motion.MOVING, now_s, 0.0
        elif not live and self.motion in (Motion.MOVING, Motion.TURNING):
            self._give_up()
            self.motion = Motion.COASTING if self.speed > 0 else Motion.DEAD

    def _move(self, dt: float, now_s: float, volts: float) -> None:
        """Follow the equation of motion through `dt` in steps of MOTION_S."""
        done_s = 0.0
        while done_s < dt and self.motion is Motion.MOVING:
            step_s = min(MOTION_S, dt - done_s)
            done_s += step_s
            if not self._accelerate(step_s, now_s + done_s, volts):
                return

    def _accelerate(self, dt: float, now_s: float, volts: float) -> bool:
        """One step of the motion; False while the rotor stands locked."""
        point = self._point(volts, self.power)
        # a start capacitor that is gone leaves less torque at standstill and all of it at speed
        pull = point.torque * (self.condition.start_torque + (1.0 - self.condition.start_torque) * self.speed)
        net = pull - self.load_torque_pu()
        if self.condition.seized or (self.speed <= 0.0 and net <= 0.0):
            self.speed = 0.0
            if self.started_s is not None and now_s - self.started_s > 1.0:
                self._give_up()
            return False
        if self.started_s is None:
            self.started_s = now_s - dt
        self.speed = min(_AT_SPEED, max(0.0, self.speed + net / self.kind.inertia_s * dt))
        if self.speed >= _AT_SPEED:
            self.motion = Motion.TURNING
            self.settled_s = now_s
        return True

    def _coast(self, dt: float) -> None:
        self.speed = max(0.0, self.speed - dt / constants.COAST_S.value)
        if self.speed <= 0.0:
            self.motion = Motion.DEAD

    def _pressure(self, dt: float, gas: Refrigeration) -> None:
        if self.motion is Motion.TURNING:
            target, tau = constants.RUNNING_TORQUE_PU.value * gas.power, constants.BUILD_TAU_S.value
        else:
            target, tau = 0.0, self.kind.equalise_s
        self.pressure_pu += (target - self.pressure_pu) * (1.0 - exp(-dt / tau))

    def watch_balance(self, volts: float) -> None:
        """At speed: stall when the pull-out torque no longer covers the load."""
        if self.motion is not Motion.TURNING or self.driven:
            return
        volts_pu = volts / self.design.rated_v
        pull_out = self._curve().pull_out / self._rated_torque
        if self.condition.seized or volts_pu * volts_pu * pull_out < self.load_torque_pu():
            self.motion, self.started_s = Motion.MOVING, None
            if self.condition.seized:
                self.speed = 0.0

    # ------------------------------------------------------------ current

    def _amps(self, volts: float, gas: Refrigeration) -> float:
        self.power = gas.power
        if self.driven:
            return hypot(*self._drive_parts(volts, gas.power))
        return abs(self._point(volts, gas.power).line)

    def _drive_parts(self, volts: float, power: float) -> tuple[float, float]:
        """Active and reactive current of a drive, A."""
        active = max(power, 0.05) * self._plate.rating_w / volts
        return active, constants.DRIVE_REACTIVE_SHARE.value * active

    def _stray(self, volts: float) -> float:
        """With the run winding open, current still flows through capacitor and start winding."""
        if volts > constants.TRIP_FREE_V.value and self.connected():
            return self.capacitor_a(volts)
        return 0.0

    # ------------------------------------------------------------ starts

    def _follow_start(self, now_s: float) -> None:
        if self.started_s is None:
            return
        self.peak_a = max(self.peak_a, self.amps)
        if self.motion is Motion.TURNING:
            self.starts.append(StartCurve(self.started_s, self.settled_s - self.started_s, self.peak_a, self.amps))
            self.started_s = None

    def _give_up(self) -> None:
        if self.started_s is not None:
            self.starts.append(StartCurve(self.started_s, None, self.peak_a, None))
            self.started_s = None
