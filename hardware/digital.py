"""Presence of 24 V and of line voltage: one pin each, behind an isolating opto whose capacitor bridges the half waves.

The pin is low while voltage is present (a broken wire reads as absent). The mock pins of the tests ignore a debounce
time, so this file has its own: an answer must stand for DEBOUNCE_S before it counts, and then counts from its begin.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from gpiozero import Device, DigitalInputDevice, GPIOZeroError

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import SenseError

EDGES_KEPT = 256  # a contactor that chatters at 50 Hz fills this in more than two seconds

DEVICES = Path("/dev")
# what Linux calls the chip whose lines are the header's pins: Pi 5, Pi 4, those before (its drivers/pinctrl)
HEADER_CHIPS = ("pinctrl-rp1", "pinctrl-bcm2711", "pinctrl-bcm2835")


@contextmanager
def same_directory() -> Iterator[None]:
    """Stay in the working directory while lgpio is imported: it goes to where LG_WD points and makes its pipe there,
    and the site's files have names from the directory that the program was started in."""
    before = os.open(".", os.O_PATH)
    try:
        yield
    finally:
        os.fchdir(before)
        os.close(before)


def choose_header_chip() -> None:
    """Have gpiozero use the chip of the header's pins, found by its label: on a Pi 5 its number is 0 or 4, by kernel.

    Where a factory has been chosen already, where lgpio is not installed, or where no chip has such a label, gpiozero
    chooses by itself.
    """
    if Device.pin_factory is not None or "GPIOZERO_PIN_FACTORY" in os.environ:
        return
    try:
        with same_directory():
            import lgpio  # noqa: PLC0415 - on a Pi only
            from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415
    except ImportError:
        return
    for number in sorted(int(path.name[8:]) for path in DEVICES.glob("gpiochip[0-9]*")):
        try:
            handle = lgpio.gpiochip_open(number)
        except lgpio.error:
            continue
        label = lgpio.gpio_get_chip_info(handle)[3]
        lgpio.gpiochip_close(handle)
        if label in HEADER_CHIPS:
            Device.pin_factory = LGPIOFactory(chip=number)
            return


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
        with same_directory():  # gpiozero imports lgpio where nobody has yet
            return DigitalInputDevice(pin, pull_up=True, pin_factory=factory)
    except (GPIOZeroError, OSError) as error:
        raise SenseError(f"{name}, pin {pin}", str(error), "a free input of a Raspberry Pi's header") from None
