"""The compressor: a capacitor-run single-phase motor on a pump, behind its internal protector.

Per unit of rated torque. The motor's torque is a Kloss curve scaled by volts squared and by what is left of the run
capacitor, which also gives the torque at standstill; the load is friction and the pressure difference. While the
rotor is not at speed (start, stall, coasting) the equation of motion is followed in steps of MOTION_S; at speed only
the balance is watched: when the pull-out torque no longer covers the load, it stalls.
"""

from __future__ import annotations

from enum import Enum
from math import acos, atan2, cos, exp, hypot, pi, radians, sqrt
from typing import NamedTuple

from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import Design
from condenser_monitor.sim.protector import Protector
from condenser_monitor.sim.refrigeration import RATING_POWER_W, Refrigeration

MOTION_S = 0.004
STRIDE_S = 0.02
_SB = constants.BREAKDOWN_SLIP.value
_AT_SPEED = 1.0 - 0.4 * _SB
_STRAY_LEAD = radians(85.0)  # ours: a capacitor with a winding in series
_FRICTION = constants.FRICTION_PU.value


class Kind(NamedTuple):
    """What differs between kinds of compressor."""

    locked_torque_pu: float
    inertia_s: float
    equalise_s: float
    start_load_share: float


KINDS: dict[str, Kind] = {
    # Pistons start against the pressure difference, which a fixed orifice lets go in a minute or two; a scroll lets
    # it go inside at once. Inertia makes the start at rated volts last some 0.18 s (trade site, 3 ton, equalised) and
    # 0.12 s.
    "reciprocating": Kind(0.50, 0.120, 60.0, 1.0),
    "scroll": Kind(0.55, 0.085, 2.5, 0.8),
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


def kloss(slip: float) -> float:
    """Torque over pull-out torque at a slip (Kloss)."""
    slip = max(slip, 1e-6)
    return 2.0 / (slip / _SB + _SB / slip)


def motor_torque_pu(speed: float, volts_pu: float, capacitor: float, locked_pu: float) -> float:
    """Motor torque at `speed` (of synchronous), volts and capacitor over rated."""
    single = constants.SINGLE_PHASE_SHARE.value
    pull_out = constants.BREAKDOWN_PU.value * (single + (1 - single) * capacitor)
    standing = capacitor * locked_pu * (1.0 - speed) ** 2
    return volts_pu * volts_pu * (standing + pull_out * kloss(1.0 - speed) * speed)


def current_shape(slip: float) -> float:
    """Rotor current over locked-rotor current at a slip, 0 at the slip where the machine counts as at speed."""
    at_speed = 1.0 - _AT_SPEED

    def shape(s: float) -> float:
        return s / sqrt(s * s + _SB * _SB)

    full = shape(1.0)
    return max(0.0, (shape(slip) - shape(at_speed)) / (full - shape(at_speed)))


class Compressor:
    """One compressor; `amps` is the RMS current in its common lead."""

    __slots__ = (
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

    def start_winding_a(self, volts: float) -> float:
        """Current through run capacitor and start winding, A: the line's volts less what the turning rotor induces in
        the winding, a quarter turn ahead of them, over capacitor and winding in series."""
        if volts <= 0.0 or self.driven or not self.connected() or self.condition.start_winding_open:
            return 0.0
        reactance = 1.0 / (2 * pi * self.design.line_hz * self.design.run_uf * 1e-6)
        left = max(self.condition.run_capacitor, 1e-6)
        share = constants.WINDING_REACTANCE_SHARE.value
        impedance = reactance * complex(constants.START_WINDING_OHM_SHARE.value, share - 1.0 / left)
        load = self.pressure_pu / constants.RUNNING_TORQUE_PU.value
        induced = constants.SPEED_VOLTS_SHARE.value - constants.SPEED_VOLTS_FALL.value * load
        turning = self.speed if self.motion in (Motion.MOVING, Motion.TURNING) else 0.0
        return abs(volts * complex(1.0, -constants.START_TURNS_RATIO.value * induced * turning) / impedance)

    def lag(self, volts: float) -> float:
        """By how much the current in the common lead lags the volts, rad; what flows through the capacitor leads."""
        if not self.drives() or self.motion in (Motion.DEAD, Motion.COASTING):
            return -_STRAY_LEAD
        active, reactive = self._parts(volts, self.power)
        running = atan2(reactive, active)
        if self.motion is Motion.TURNING:
            return running
        return running + (acos(constants.LOCKED_POWER_FACTOR.value) - running) * current_shape(1.0 - self.speed)

    def watts(self, volts: float) -> float:
        """Real power that the common lead carries at `volts`, W."""
        return volts * self.amps * cos(self.lag(volts)) if volts > 0.0 else 0.0

    # ------------------------------------------------------------ motion

    def patience_s(self) -> float:
        """The longest step this machine can take now, s."""
        if self.motion is Motion.MOVING:
            return 0.1 if self._locked() else STRIDE_S
        # It coasts down evenly: the end of that is known.
        return max(MOTION_S, self.speed * constants.COAST_S.value) if self.motion is Motion.COASTING else 1e9

    def _locked(self) -> bool:
        return self.speed <= 0.0 and self.started_s is None

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
        locked_pu = self.kind.locked_torque_pu * self.condition.start_torque
        pull = motor_torque_pu(self.speed, volts / self.design.rated_v, self.capacitor(), locked_pu)
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
        single = constants.SINGLE_PHASE_SHARE.value
        volts_pu = volts / self.design.rated_v
        pull_out = constants.BREAKDOWN_PU.value * (single + (1 - single) * self.capacitor())
        if self.condition.seized or volts_pu * volts_pu * pull_out < self.load_torque_pu():
            self.motion, self.started_s = Motion.MOVING, None
            if self.condition.seized:
                self.speed = 0.0

    # ------------------------------------------------------------ current

    def _amps(self, volts: float, gas: Refrigeration) -> float:
        self.power = gas.power
        running = self.running_a(volts, gas.power)
        if self.motion is Motion.TURNING:
            return running
        lost = 0.9 + 0.1 * self.capacitor()
        locked = self.design.compressor_lra_a * lost * volts / self.design.rated_v
        running = min(running, locked)  # at a few volts nothing runs: a winding that stands is an impedance
        return running + max(0.0, locked - running) * current_shape(1.0 - self.speed)

    def running_a(self, volts: float, power: float) -> float:
        """RMS current at speed."""
        return hypot(*self._parts(volts, power))

    def _parts(self, volts: float, power: float) -> tuple[float, float]:
        """Active and reactive current at speed, A: the map's power over volts, and what the capacitor leaves."""
        dead = 1.0 - self.capacitor()
        rating_a = RATING_POWER_W * self.design.tons / 3.0 / self.design.rated_v
        if self.driven:
            active = max(power, 0.05) * rating_a * self.design.rated_v / volts
            return active, constants.DRIVE_REACTIVE_SHARE.value * active
        share = max(power, 0.35) * (1 + constants.CAPACITOR_LOSS_SHARE.value * dead)
        active = share * rating_a * self.design.rated_v / volts
        pf = constants.POWER_FACTOR.value
        reactive = rating_a * (sqrt(1 / pf**2 - 1) + constants.CAPACITOR_REACTIVE_SHARE.value * dead)
        return active, reactive * volts / self.design.rated_v

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
