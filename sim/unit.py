"""One condensing unit with its control circuit: all parts joined; `step(dt)` at the level of RMS values.

What the monitor's senses are wired to is in the attributes `rc_v`, `indoor_y_v`, `unit_v`, `coil_a`, `supply_v`,
`load_v`, `compressor_a`, `fan_a`. `patience_s()` is the longest step that misses nothing; `events` counts what has
changed abruptly.
"""

from __future__ import annotations

from math import exp, inf

from condenser_monitor.sim import constants
from condenser_monitor.sim.compressor import Compressor, Motion
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.contactor import Contactor
from condenser_monitor.sim.control import DEAD, ControlCircuit, Switches
from condenser_monitor.sim.designs import Design
from condenser_monitor.sim.fan import Fan
from condenser_monitor.sim.house import AirHandler
from condenser_monitor.sim.refrigeration import Refrigeration
from condenser_monitor.sim.wire import loop_ohm

LONGEST_S = 60.0
_QUICK_S = 0.002
_CALL_V = 16.0  # a delay relay or a board takes this as a call
_PRESSURE_RESET_K = 12.0
_LOW_RESET_K = 16.0
_WATCHED_S = 2.0  # head pressure rises fast while the fan is cycled off


class Surroundings:
    """What the house gives the unit: `thermostat_ohm` is inf open, near nothing closed, in between when it steals
    power; `second` asks a unit with stages for its second one, `demand` one with a drive for so much of what it can."""

    __slots__ = ("demand", "fan_held_off", "heating", "indoor_c", "outdoor_c", "second", "service_v", "thermostat_ohm")

    def __init__(self, *, service_v: float, outdoor_c: float, indoor_c: float) -> None:
        self.service_v, self.outdoor_c, self.indoor_c = service_v, outdoor_c, indoor_c
        self.thermostat_ohm = inf
        self.heating = False
        self.fan_held_off = False
        self.demand, self.second = 1.0, True


class CondensingUnit:
    """The parts of one unit in one condition."""

    def __init__(self, design: Design, condition: Condition, outdoor_c: float = 25.0) -> None:
        self.design, self.condition = design, condition
        self.control = ControlCircuit(design, condition)
        self.contactor = Contactor(design, condition)
        self.gas = Refrigeration(design, condition, outdoor_c)
        self.compressor = Compressor(design, condition, outdoor_c)
        self.fan = Fan(design, condition)
        self.indoor = AirHandler(design, condition, outdoor_c)
        self.relay_s = 0.0
        self.rest_s = inf
        self.fan_rest_s = inf
        self.fan_cycled_off = False
        self.trips = 0
        self.locked_out = False
        self.high_open = self.low_open = False
        self.events = 0
        self.panel_v = self.supply_v = self.load_v = self.compressor_v = 0.0
        self.compressor_a = 0.0
        self.volts = DEAD
        self._branch_ohm = loop_ohm(design.branch_awg, design.branch_m, 40.0)
        self.tripped = False
        self._quick = True
        self._seen: tuple[object, ...] = ()

    # ------------------------------------------------------------ what senses are wired to

    @property
    def rc_v(self) -> float:
        """Behind the control fuse, R to C, where the monitor taps it."""
        return self.thermostat_r_v if self.design.r_tap == "thermostat" else self.volts.rc_v

    @property
    def thermostat_r_v(self) -> float:
        """R to C at the thermostat: behind a float switch that breaks R."""
        return 0.0 if self._float_in_r() else self.volts.rc_v

    @property
    def indoor_y_v(self) -> float:
        """The thermostat's output indoors, ahead of the safeties, Y to C."""
        return self.volts.indoor_y_v

    @property
    def unit_v(self) -> float:
        """Across the coil circuit at the unit, Y to C."""
        return self.volts.unit_v

    @property
    def coil_a(self) -> float:
        """In the coil's lead."""
        return self.volts.coil_a

    @property
    def fan_a(self) -> float:
        """In the condenser fan's lead."""
        return self.fan.amps

    @property
    def start_winding_a(self) -> float:
        """In the lead from run capacitor to start winding; past a single open pole it carries what stands there."""
        return self.compressor.start_winding_a(self.compressor_v) if self.load_v > 0.0 else self.compressor_a

    @property
    def compressor_w(self) -> float:
        """Real power in the compressor's lead, of the volts ahead of the contactor."""
        if self.load_v > 0.0:
            return self.compressor.watts(self.supply_v)
        return self.supply_v * self.compressor_a if self.design.heater_across_pole else 0.0

    @property
    def compressor_lag(self) -> float:
        """By how much that current lags the line, rad."""
        if self.load_v > 0.0:
            return self.compressor.lag(self.supply_v)
        return 0.0 if self.design.heater_across_pole else -1.48

    # ------------------------------------------------------------ time

    def patience_s(self) -> float:
        """The longest step that misses nothing, s."""
        if self._quick:
            return _QUICK_S
        return min(
            LONGEST_S,
            max(self.contactor.due_s, 1e-6),
            self.compressor.patience_s(self.compressor_v),
            max(self.fan.left_s, 1e-6),
            self.indoor.left_s(),
            self._relay_left_s(),
            self._fan_watched_s(),
            _left(self.design.delay_on_break_s, self.rest_s),
            _left(self.design.fan_after_s, self.fan_rest_s),
            self._fuse_left_s(),
        )

    def _fan_watched_s(self) -> float:
        """A fan that the board cycles by head pressure wants watching; at rest nothing cycles it."""
        off_c = self.design.fan_off_c
        if off_c is None or not self.contactor.contacts_closed:
            return inf
        return _WATCHED_S if self.gas.condensing_c < off_c or self.fan_cycled_off else inf

    def _relay_left_s(self) -> float:
        left = self.design.delay_on_make_s - self.relay_s
        return left if left > 0 and self.volts.unit_v > _CALL_V else inf

    def _fuse_left_s(self) -> float:
        fuse = self.control.fuse
        left = fuse.left_s(self.volts.secondary_a)
        return inf if fuse.open or left == inf else max(0.05 * left, _QUICK_S)

    def poke(self) -> None:
        """Something outside has changed at once (thermostat, a fault): look at it with a short step."""
        self._quick = True
        self.control.changed()

    def serviced(self, ambient_c: float) -> None:
        """Somebody has been here for hours: a new control fuse, and both motors' protectors are cold and closed."""
        self.control.fuse.replace()
        self.compressor.protector.cool(ambient_c)
        self.fan.cool()
        self.poke()

    def step(self, dt: float, now_s: float, around: Surroundings) -> None:
        """Let `dt` seconds pass, no longer than `patience_s()`."""
        self._power(around)
        self._command(dt, around)
        self._run(dt, now_s, around)
        arrived = self.contactor.move(dt)
        self._watch_safeties(around)
        seen = self._outward()
        self._quick = arrived or seen != self._seen
        self.events += self._quick
        self._seen = seen

    def _outward(self) -> tuple[object, ...]:
        """Whatever changes in steps; a change asks for a short look at once."""
        return (
            self.contactor.state,
            self.compressor.motion,
            self.compressor.protector.open,
            self.fan.motion,
            self.high_open,
            self.low_open,
            self.locked_out,
            self.control.fuse.open,
            self.volts.unit_v > _CALL_V,
            self.volts.rc_v > _CALL_V,
            self.supply_v > 100.0,
        )

    # ------------------------------------------------------------ line and control

    def _power(self, around: Surroundings) -> None:
        """Volts at panel, unit and motors, each behind the resistance of its wires."""
        condition, amps = self.condition, self.compressor.amps + self.fan.amps
        open_v = around.service_v * condition.service_share
        panel_v = behind(open_v, self.design.service_ohm, self.supply_v, amps)
        self.panel_v = panel_v
        upstream = self._branch_ohm + condition.line_joint_ohm
        if condition.leg_open:
            # The dead leg hangs on the neutral through the other loads of the house.
            panel_v, upstream = panel_v * constants.LEG_SHARE.value, upstream + constants.LEG_OHM.value
        dead = condition.line_open or self.tripped
        self.supply_v = 0.0 if dead else behind(panel_v, upstream, self.supply_v, amps)
        closed = self.contactor.contacts_closed
        self.load_v = self.supply_v if closed else 0.0
        # A winding on the shell is a dead short: the breaker opens, and stays so until somebody sets it.
        if condition.grounded and self.load_v > 0.0 and not condition.compressor_lead_open:
            self.tripped = True
        elif not condition.grounded:
            self.tripped = False
        joint = condition.compressor_joint_ohm + condition.load_joint_ohm
        self.compressor_v = behind(self.load_v, joint, self.compressor_v, self.compressor.amps)

    def _command(self, dt: float, around: Surroundings) -> None:
        called = self.volts.unit_v > _CALL_V
        self.relay_s = self.relay_s + dt if called else 0.0
        self.rest_s = self.rest_s + dt if not self.contactor.armature_in else 0.0
        if not called:
            self.trips, self.locked_out = 0, False
        at_unit, pressure = self.design.pressure_at == "unit", self.pressures_open()
        timed = self.relay_s >= self.design.delay_on_make_s
        # A delay-on-break timer keeps the contactor off; it does not make it drop out.
        timed = timed and (self.contactor.armature_in or self.rest_s >= self.design.delay_on_break_s)
        switches = Switches(
            inf if self._float_in_r() else around.thermostat_ohm,
            not (self._cut_indoors() or (pressure and not at_unit)),
            timed and not (self._held_at_unit() or (pressure and at_unit)),
            self.contactor.armature_in,
        )
        self.volts = self.control.solve(self.panel_v / self.design.primary_v, switches, around.outdoor_c)
        self.control.fuse.carry(self.volts.secondary_a, dt)
        self.contactor.update(self.volts.coil_v)

    def _float_in_r(self) -> bool:
        """The float switch is open and breaks R to the thermostat."""
        return self.condition.float_open and self.design.float_in == "r"

    def _cut_indoors(self) -> bool:
        """Something between the thermostat's output and the cable to the unit is open."""
        condition = self.condition
        float_open = condition.float_open and self.design.float_in == "y"
        return float_open or condition.board_y_open or condition.detector_open or condition.shed_open

    def _held_at_unit(self) -> bool:
        """A relay or board between the unit's Y terminal and the coil is open."""
        return self.condition.relay_open or self.condition.board_open or self.locked_out

    def pressures_open(self) -> bool:
        """A pressure switch is open, by pressure or by itself."""
        condition = self.condition
        by_itself = condition.pressure_open or condition.low_switch_open or condition.high_switch_open
        return by_itself or self.high_open or self.low_open

    # ------------------------------------------------------------ motors

    def _run(self, dt: float, now_s: float, around: Surroundings) -> None:
        compressor, condition = self.compressor, self.condition
        self.fan.step(dt, 0.0 if around.fan_held_off or condition.fan_relay_open else self._fan_v(dt))
        compressor.step(dt, now_s, self.compressor_v, self.gas)
        compressor.watch_balance(self.compressor_v)
        self._follow_stage(dt, around)
        self.gas.heating = around.heating and not around.fan_held_off
        # In a defrost the outdoor coil gives its heat to melting ice, and needs no air for it.
        melting = around.fan_held_off
        self.gas.step(
            dt,
            turning=compressor.turning,
            air_share=1.0 if melting else self.fan.air_share,
            outdoor_c=0.0 if melting else around.outdoor_c,
            indoor_c=around.indoor_c,
        )
        cooling_w = self.gas.cooling_w()
        self.indoor.step(
            dt,
            called=self.volts.indoor_y_v > _CALL_V,
            room_c=around.indoor_c,
            coil_c=self.gas.evaporating_c,
            cooling_w=-cooling_w if self.gas.heating else cooling_w,
        )
        flow = self.gas.flow if compressor.turning else 0.0
        gas_c = self.gas.evaporating_c + constants.GAS_OVER_SUCTION_C.value + 25.0 * max(0.0, 1.0 - condition.charge)
        compressor.protector.step(
            dt,
            load=compressor.amps / self.design.compressor_rla_a,
            flow=flow,
            gas_c=gas_c,
            ambient_c=around.outdoor_c,
        )
        self.compressor_a = compressor.amps if self.load_v > 0 else self._standing_a()

    def _fan_v(self, dt: float) -> float:
        """Volts that contactor or board give the fan; a board feeds it from ahead of the contactor."""
        design, closed = self.design, self.contactor.contacts_closed
        self.fan_rest_s = 0.0 if closed else self.fan_rest_s + dt
        if design.fan_control == "contactor":
            return self.load_v
        if design.fan_off_c is not None and closed:
            limit_c = design.fan_on_c if self.fan_cycled_off else design.fan_off_c
            self.fan_cycled_off = self.gas.condensing_c < limit_c
        wanted = closed and not self.fan_cycled_off
        return self.supply_v if wanted or (not closed and self.fan_rest_s < design.fan_after_s) else 0.0

    def _follow_stage(self, dt: float, around: Surroundings) -> None:
        """Bring the compressor to the share of its capacity that is asked for."""
        kind, slowest = self.design.kind, constants.SLOWEST_SHARE.value
        if kind == "two-stage":
            self.gas.stage = 1.0 if around.second else constants.LOW_STAGE_CAPACITY.value
        elif kind == "variable-speed":
            wanted = max(slowest, min(1.0, around.demand)) if self.compressor.turning else slowest
            share = 1.0 - exp(-dt / constants.DRIVE_TAU_S.value)
            self.gas.stage += (wanted - self.gas.stage) * (share if self.compressor.turning else 1.0)

    def _standing_a(self) -> float:
        """What flows past a single open pole: through the run capacitor, or through a heater fed across the pole."""
        design, compressor = self.design, self.compressor
        if design.contactor_poles != 1 or self.supply_v <= 0 or not compressor.connected():
            return 0.0
        if design.trickle:
            return compressor.capacitor_a(self.supply_v)
        if design.heater_across_pole and compressor.drives():
            return design.heater_w * self.supply_v / self.design.rated_v**2
        return 0.0

    def _watch_safeties(self, around: Surroundings) -> None:
        design, gas, was = self.design, self.gas, self.pressures_open()
        if design.high_pressure_c is not None:
            limit = design.high_pressure_c - (_PRESSURE_RESET_K if self.high_open else 0.0)
            self.high_open = gas.condensing_c > limit
        if design.low_pressure_c is not None and not around.heating:
            limit = design.low_pressure_c + (_LOW_RESET_K if self.low_open else 0.0)
            self.low_open = gas.evaporating_c < limit
        if self.pressures_open() and not was and self.volts.unit_v > _CALL_V:
            self.trips += 1
            self.locked_out = self.locked_out or 0 < design.lockout_after <= self.trips


def _left(timer_s: float, gone_s: float) -> float:
    """Seconds until a timer that has run for `gone_s` is over; inf where it is, or there is none."""
    left_s = timer_s - gone_s
    return max(left_s, 1e-6) if left_s > 0.0 else inf


def behind(open_v: float, ohm: float, was_v: float, amps: float) -> float:
    """Volts behind a resistance, the load taken as the impedance it last had: converges within a step or two."""
    if amps <= 0.0 or ohm <= 0.0 or was_v <= 0.0:
        return open_v
    return open_v / (1.0 + ohm * amps / was_v)


__all__ = ["CondensingUnit", "Motion", "Surroundings", "behind"]
