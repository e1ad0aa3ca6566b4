"""The condenser fan: a small capacitor-run motor with a protector of its own in the winding."""

from __future__ import annotations

from enum import Enum
from math import exp, inf, log

from condenser_monitor.sim import constants
from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import Design

_HOLD = constants.FAN_HOLD_SHARE.value**2
_LOCKED = constants.FAN_LOCKED_SHARE.value**2
# Seconds, of the protector's bimetal: it opens after FAN_TRIP_S from cold when the fan stalls at rated volts.
_TAU_S = constants.FAN_TRIP_S.value / log(_LOCKED / (_LOCKED - _HOLD))


class FanMotion(Enum):
    STILL = "still"
    TURNING = "turning"
    STALLED = "stalled"
    TRIPPED = "tripped"


class Fan:
    """One fan; `amps` RMS, `left_s` until its protector opens or closes.

    Stalled, its protector warms towards the square of the current (over full load): the cold curve of a thermal
    overload. Too few volts to turn it are too few to open the protector: it stands and hums."""

    __slots__ = ("amps", "condition", "design", "heat", "left_s", "motion")

    def __init__(self, design: Design, condition: Condition) -> None:
        self.design, self.condition = design, condition
        self.motion = FanMotion.STILL
        self.amps = self.heat = 0.0
        self.left_s = inf

    @property
    def air_share(self) -> float:
        """Air over the condenser, of full."""
        return 1.0 if self.motion is FanMotion.TURNING else constants.STILL_AIR_SHARE.value

    def patience_s(self) -> float:
        """Seconds until its protector acts."""
        return self.left_s

    def step(self, dt: float, volts: float) -> None:
        """Let `dt` seconds pass at `volts` (0: off)."""
        condition = self.condition
        if self.motion is FanMotion.TRIPPED:
            self._cool(dt)
        elif volts <= constants.TRIP_FREE_V.value or condition.fan_lead_open or condition.fan_open:
            self.motion, self.left_s = FanMotion.STILL, inf
        elif self._can_turn(volts):
            self.motion, self.left_s = FanMotion.TURNING, inf
        else:
            self._stall(dt, volts)
        self.amps = self._amps(volts)

    def cool(self) -> None:
        """Hours have passed: its protector is closed again."""
        if self.motion is FanMotion.TRIPPED:
            self.motion, self.left_s = FanMotion.STILL, inf

    def _can_turn(self, volts: float) -> bool:
        condition = self.condition
        weak = volts < 0.5 * self.design.rated_v
        if condition.fan_seized or weak:
            return False
        turning = self.motion is FanMotion.TURNING
        # A capacitor too weak to start it may still keep it going.
        need = 0.3 * constants.FAN_CAPACITOR_MIN.value if turning else constants.FAN_CAPACITOR_MIN.value
        return condition.fan_capacitor >= need

    def _stall(self, dt: float, volts: float) -> None:
        rest = _LOCKED * (volts / self.design.rated_v) ** 2
        if self.motion is FanMotion.STALLED:
            self.heat = rest + (self.heat - rest) * exp(-dt / _TAU_S)
        else:
            self.motion, self.heat = FanMotion.STALLED, 0.0
        self.left_s = _TAU_S * log((rest - self.heat) / (rest - _HOLD)) if rest > _HOLD else inf
        if self.left_s <= 1e-9:
            self.motion, self.left_s = FanMotion.TRIPPED, constants.FAN_RESET_S.value

    def _cool(self, dt: float) -> None:
        self.left_s -= dt
        if self.left_s <= 1e-9:
            self.motion, self.left_s = FanMotion.STILL, inf

    def _amps(self, volts: float) -> float:
        share = volts / self.design.rated_v
        if self.motion is FanMotion.TURNING:
            return self.design.fan_fla_a * constants.FAN_RUN_SHARE.value * share
        if self.motion is FanMotion.STALLED:
            return self.design.fan_fla_a * constants.FAN_LOCKED_SHARE.value * share
        return 0.0
