"""The compressor's internal line-break protector: winding and disc, heated by current, cooled by gas and shell.

Two temperatures with exact exponentials between events: the winding heats with the square of the current and is
cooled by the suction gas while anything is pumped, by the shell otherwise; the disc sits on the winding, with a
heater of its own. Opens at TRIP_C, closes again at CLOSE_C. Locked, from cold, that takes seconds; to close again,
quarter of an hour to hours.
"""

from __future__ import annotations

from math import exp, inf

from condenser_monitor.sim import constants

_HEAT = constants.WINDING_K_S.value
_GAS = constants.GAS_COOLING_PER_S.value
_SHELL = 1.0 / constants.SHELL_TAU_S.value
_DISC_HEAT = constants.DISC_K_S.value
_DISC_TAU = constants.DISC_TAU_S.value
_TRIP, _CLOSE = constants.TRIP_C.value, constants.CLOSE_C.value


class Protector:
    """One protector; `load` in step is current over rated load, `flow` mass flow over rating A's."""

    __slots__ = ("disc_c", "open", "trips", "winding_c")

    def __init__(self, ambient_c: float) -> None:
        self.winding_c = self.disc_c = ambient_c
        self.open = False
        self.trips = 0

    def step(self, dt: float, *, load: float, flow: float, gas_c: float, ambient_c: float) -> bool:
        """Let `dt` seconds pass; True when it has just opened or closed."""
        heat = load * load
        gas, shell = _GAS * flow, _SHELL
        cooling = gas + shell
        rest_c = (_HEAT * heat + gas * gas_c + shell * ambient_c) / cooling
        was_c = self.winding_c
        self.winding_c = rest_c + (was_c - rest_c) * exp(-dt * cooling)
        disc_rest_c = 0.5 * (was_c + self.winding_c) + _DISC_HEAT * _DISC_TAU * heat
        self.disc_c = disc_rest_c + (self.disc_c - disc_rest_c) * exp(-dt / _DISC_TAU)
        return self._snap()

    def left_s(self, load: float) -> float:
        """Seconds until it opens at this load, were nothing cooled: never too long; inf where it does not warm."""
        heat = load * load
        rise_c_s = max(_HEAT * heat, (self.winding_c + _DISC_HEAT * _DISC_TAU * heat - self.disc_c) / _DISC_TAU)
        return max(0.0, _TRIP - self.disc_c) / rise_c_s if rise_c_s > 0.0 else inf

    def cool(self, ambient_c: float) -> None:
        """Hours have passed: cold, and closed."""
        self.winding_c = self.disc_c = ambient_c
        self.open = False

    def _snap(self) -> bool:
        if not self.open and self.disc_c >= _TRIP:
            self.open = True
            self.trips += 1
            return True
        if self.open and self.disc_c <= _CLOSE:
            self.open = False
            return True
        return False
