"""Temperature probes on the Pi's 1-Wire bus (DS18B20): any number of them on one pin, each with a number of its own.

The kernel's driver (`dtoverlay=w1-gpio`, GPIO 4) gives each probe a file. Whoever reads it has the probe convert, which
takes 0.75 s, and gets the probe's nine bytes with the verdict on their checksum. A thread reads them in turn, so that
no scan waits.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Protocol

from condenser_monitor.hardware import values
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import SenseError

PIN = 4  # BCM; the kernel's own default
FAMILY = "28-"  # data sheet: the family code that each of them begins with
_AFTER_POWER_UP_C = 85.0  # data sheet: what it holds until its first conversion
_NEAR_K = 5.0  # ours: a probe that was this near to it before may truly have it


class OneWireBus(Protocol):
    """The probes' side of the kernel."""

    def devices(self) -> list[str]:
        """Return the numbers of the probes that answer, as the kernel writes them (28-0316a2794bff)."""

    def text(self, device: str) -> str:
        """Return what the kernel has of one: its nine bytes, twice, each time with a remark. May raise OSError."""


class KernelBus:
    """The kernel's own files."""

    def __init__(self, folder: Path = Path("/sys/bus/w1/devices")) -> None:
        self.folder = folder

    def devices(self) -> list[str]:
        """Return the probes that the kernel has found; it looks again every ten seconds."""
        return sorted(path.name for path in self.folder.glob(f"{FAMILY}*"))

    def text(self, device: str) -> str:
        """Have the probe convert and return what it holds."""
        return (self.folder / device / "w1_slave").read_text(encoding="ascii", errors="replace")


def temperature_c(place: str, text: str, before_c: float | None = None) -> float:
    """Return the temperature in a probe's bytes, °C, where `before_c` is what it gave last.

    Raises SenseError where the checksum fails, the wire is shorted (all zero passes the checksum), or the probe has
    not converted since it got power.
    """
    head, _, verdict = text.partition(":")
    try:
        got = bytes.fromhex(head)
    except ValueError:
        got = b""
    if len(got) != 9 or "YES" not in verdict.partition("\n")[0]:
        raise SenseError(
            place, text[:60].strip() or "nothing", "nine bytes with their checksum: look at its three wires"
        )
    if not any(got):
        raise SenseError(place, "zeros only", "a probe's bytes: data and ground of the 1-Wire bus touch")
    value = int.from_bytes(got[:2], "little", signed=True) / 16.0
    if value == _AFTER_POWER_UP_C and (before_c is None or abs(before_c - value) > _NEAR_K):
        raise SenseError(place, f"{value:g} °C", "a conversion: this is what a probe holds after it got power")
    if value < values.PROBE_LEAST_C.nominal:
        raise SenseError(place, f"{value:g} °C", f"{values.PROBE_LEAST_C.nominal:g} °C or more: the probe is damaged")
    return min(value, values.PROBE_MOST_C.nominal)  # hotter than it can measure is still as hot as it can tell


class Probes:
    """The probes of a site: reading -> its probe's number, empty where the bus has one probe alone.

    With a `bus` given each is read when it is asked for; without one a thread reads the kernel's files.
    """

    def __init__(
        self, wanted: Mapping[str, str], bus: OneWireBus | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._wanted, self._clock = dict(wanted), clock
        self._bus: OneWireBus = KernelBus() if bus is None else bus
        self._last: dict[str, tuple[float, float | SenseError]] = {}
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        if bus is None and wanted:
            self._thread = threading.Thread(target=self._run, name="1-Wire probes", daemon=True)
            self._thread.start()

    def read(self, reading: str) -> float:
        """Return a probe's temperature of now, °C. Raises SenseError where there is none."""
        if self._thread is None:
            self._look(reading)
        at_s, value = self._last.get(reading, (self._clock(), SenseError(reading, "nothing yet", "a first conversion")))
        age_s = self._clock() - at_s
        if age_s > limits.STALE_S.value + limits.PROBE_S.value + len(self._wanted):
            raise SenseError(reading, f"nothing for {age_s:.0f} s", "a conversion a second: the kernel's driver hangs")
        if isinstance(value, SenseError):
            raise value
        return value

    def close(self) -> None:
        """End the thread; one that hangs in the kernel ends with the program."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(limits.PROBE_S.value)

    def _run(self) -> None:
        while not self._stop.is_set():
            for reading in self._wanted:
                self._look(reading)
            self._stop.wait(limits.PROBE_S.value)

    def _look(self, reading: str) -> None:
        before = self._last.get(reading, (0.0, None))[1]
        found: float | SenseError
        try:
            device = self._device(reading)
            found = temperature_c(reading, self._bus.text(device), before if isinstance(before, float) else None)
        except SenseError as error:
            found = error
        except OSError as error:
            found = SenseError(reading, str(error), "a probe that answers on the 1-Wire bus: look at its three wires")
        self._last[reading] = (self._clock(), found)

    def _device(self, reading: str) -> str:
        """Return the number of a reading's probe. Raises SenseError where the bus does not have it."""
        found, named = self._bus.devices(), self._wanted[reading]
        if not found:
            wanted = f"a probe on the 1-Wire bus: dtoverlay=w1-gpio in config.txt, data on GPIO {PIN} with its pull-up"
            raise SenseError(reading, "no 1-Wire probe", wanted)
        if named in found:
            return named
        if named or len(found) > 1:
            wanted = f"boards.channels.{reading}.device as one of {', '.join(found)}"
            raise SenseError(reading, named or f"{len(found)} probes", wanted)
        return found[0]
