"""Presence of 24 V and of line voltage: one pin each, behind an isolating opto whose capacitor bridges the half waves.

The pin is low while voltage is present (a broken wire reads as absent). The mock pins of the tests ignore a debounce
time, so this file has its own: an answer must stand for DEBOUNCE_S before it counts, and then counts from its begin.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

from gpiozero import DigitalInputDevice, GPIOZeroError

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import SenseError

EDGES_KEPT = 256  # a contactor that chatters at 50 Hz fills this in more than two seconds


class Presence:
    """One presence channel. `present` is its level now; `drain_edges` gives the changes since last taken.

    Raises SenseError where the machine has no such free pin.
    """

    def __init__(self, name: str, pin: int, factory: Any, clock: Callable[[], float]) -> None:
        self.name = name
        self._clock = clock
        self._edges: deque[tuple[float, bool]] = deque(maxlen=EDGES_KEPT)
        self._device = _input(name, pin, factory)
        self._last = bool(self._device.value)
        # gpiozero keeps only weak references to callbacks of pins; the device itself is held here.
        self._device.when_activated = self._on
        self._device.when_deactivated = self._off

    @property
    def present(self) -> bool:
        """Voltage is present now."""
        return bool(self._device.value)

    @property
    def arriving(self) -> bool:
        """The newest change that nobody has taken yet is to present. Costs no look at the pin."""
        return bool(self._edges) and self._edges[-1][1]

    def drain_edges(self) -> list[tuple[float, bool]]:
        """(time, present) of each change that has stood for DEBOUNCE_S, in order; the newest may wait for next time."""
        taken: list[tuple[float, bool]] = []
        now_s = self._clock()
        while self._edges:
            at_s, present = self._edges[0]
            until_s = self._edges[1][0] if len(self._edges) > 1 else now_s
            if until_s - at_s < limits.DEBOUNCE_S.value and len(self._edges) == 1:
                break
            self._edges.popleft()
            if until_s - at_s >= limits.DEBOUNCE_S.value and present != self._last:
                self._last = present
                taken.append((at_s, present))
        if not self._edges and self.present != self._last:
            # A change that nobody was told of (events lost in a flood, or before the pin was watched) counts from now.
            self._edges.append((now_s, not self._last))
        return taken

    def close(self) -> None:
        """Let go of the pin."""
        self._device.close()

    def _on(self) -> None:
        self._edges.append((self._clock(), True))

    def _off(self) -> None:
        self._edges.append((self._clock(), False))


def _input(name: str, pin: int, factory: Any) -> Any:
    """An input that is active when its pin is low. Raises SenseError where the machine has no such free pin."""
    try:
        return DigitalInputDevice(pin, pull_up=True, pin_factory=factory)
    except (GPIOZeroError, OSError) as error:
        raise SenseError(f"{name}, pin {pin}", str(error), "a free input of a Raspberry Pi's header") from None
