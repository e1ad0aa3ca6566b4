"""The wires of an emulated machine: a simulated unit that goes on in real time, its converters on the machine's I2C bus
and its voltages on the machine's pins.

The bus comes as a USB adapter over a socket (sim/usb_redir.py); pins are put by the caller. Time here may be slower
than the clock on the wall by a whole number, as it is in a machine whose timer is told to be so much faster: the
emulated processor then keeps up with the wires as a real one does, and nothing on the wires is scaled.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from random import Random

from condenser_monitor.sim.bus import VirtualClock
from condenser_monitor.sim.registers import Wires
from condenser_monitor.sim.scenario import Scenario
from condenser_monitor.sim.usb_redir import I2cTinyUsb, Redirection, RedirectionError
from condenser_monitor.sim.world import World

TICK_S = 0.002  # of the machine's time: how soon a pin follows the unit
_LOG = logging.getLogger(__name__)


class EmulatedWire:
    """A scenario's unit behind wires. `put` is called with the name of a presence channel and its pin's level.

    Until `begin` the unit is sound and nobody calls. Use as a context. Faults at the wire: `absent` holds the addresses
    of chips that do not answer; `held` is the line of the bus that something pulls down, "" for none, "data" (every bit
    reads 0, so that every address seems to acknowledge) or "clock" (nothing ends); `noise` is the share of reads in
    which one bit comes wrong. All methods may be called from any thread.
    """

    def __init__(
        self,
        scenario: Scenario,
        put: Callable[[str, bool], None],
        *,
        slower: int = 1,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._scenario, self._put_line, self._slower, self._clock = scenario, put, slower, clock
        self._zero_s = clock()
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._levels: dict[str, bool] = {}
        self.world: World = scenario.world()
        self.world.play((), ())
        self._time = VirtualClock()  # the machine's, as it stood when somebody last looked
        self._wires = Wires(self.world, self._time, self._put, build=scenario.settings.boards.build)
        self.chips = self._wires.chips
        self.begun_s: float | None = None
        self.absent: set[int] = set()
        self.held = ""
        self.noise = 0.0
        self._rng = Random(f"{scenario.plan.seed}/noise")
        self.reads = 0  # transfers that brought bytes

    def __enter__(self) -> EmulatedWire:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def now_s(self) -> float:
        """Seconds of the machine's time since this was made."""
        return (self._clock() - self._zero_s) / self._slower

    @property
    def story_s(self) -> float | None:
        """Seconds of the machine's time since the story began."""
        return None if self.begun_s is None else self.now_s() - self.begun_s

    # ------------------------------------------------------------ what happens

    def begin(self) -> None:
        """Have the scenario's causes and calls begin now."""
        with self._lock:
            self._follow()
            self.begun_s = self.world.t_s
            plan = self._scenario.plan
            self.world.play(plan.causes, plan.calls or ())

    def call(self, *, wanted: bool) -> None:
        """Hold the thermostat's contact closed or open from now on."""
        with self._lock:
            self._follow()
            self.world.call_by_hand(wanted)

    def switch(self, cause: str, level: float | None = None, sense: str = "") -> None:
        """Break something by hand (a cause of sim/causes.py); `level` 0 mends it."""
        with self._lock:
            self._follow()
            self.world.timeline.switch(cause, level, sense)
            self.world.poke()

    def restart_chips(self) -> None:
        """The converters' supply dips: each forgets its settings."""
        with self._lock:
            for chip in self.chips.values():
                chip.restart()

    def bounce(self, reading: str, times: int, every_s: float) -> None:
        """Move a pin to and fro, as a poor contact does, and leave it where it was."""
        level = self._levels[reading]
        for step in range(2 * times):
            self._put_line(reading, level is (step % 2 == 1))
            time.sleep(every_s * self._slower)

    # ------------------------------------------------------------ the wires

    def _put(self, reading: str, high: bool) -> None:
        self._levels[reading] = high
        self._put_line(reading, high)

    def _follow(self) -> None:
        self._time.now_s = self.now_s()
        self._wires.follow(self._time.now_s)

    def write(self, address: int, data: bytes) -> None:
        """Bytes from the bus to a chip. Raises OSError where none acknowledges, TimeoutError where the bus is held."""
        with self._lock:
            self._refuse_held()
            if self.held == "data":
                return
            self._follow()
            self._wires.chips[self._answering(address)].write(data)

    def read(self, address: int, count: int) -> bytes:
        """Bytes from a chip to the bus. Raises as `write`."""
        with self._lock:
            self._refuse_held()
            self.reads += 1
            if self.held == "data":
                return bytes(count)
            self._follow()
            data = bytearray(self._wires.chips[self._answering(address)].read(count))
            if data and self._rng.random() < self.noise:
                data[self._rng.randrange(len(data))] ^= 1 << self._rng.randrange(8)
            return bytes(data)

    def _refuse_held(self) -> None:
        if self.held == "clock":
            raise TimeoutError("the clock line is held down")

    def _answering(self, address: int) -> int:
        if address in self.absent or address not in self._wires.chips:
            raise OSError(121, "Remote I/O error")
        return address

    # ------------------------------------------------------------ in real time

    def serve(self, path: Path) -> None:
        """Answer an emulator at this socket, and keep the unit and its pins in step, until closed."""
        server = socket.socket(socket.AF_UNIX)
        server.bind(str(path))
        server.listen(1)
        server.settimeout(0.2)
        for work in (lambda: self._accept(server), self._tick):
            thread = threading.Thread(target=work, daemon=True)
            thread.start()
            self._threads.append(thread)

    def _tick(self) -> None:
        while not self._stop.wait(TICK_S * self._slower):
            with self._lock:
                self._follow()

    def _accept(self, server: socket.socket) -> None:
        with server:
            while not self._stop.is_set():
                try:
                    peer, _ = server.accept()
                except TimeoutError:
                    continue
                with peer:
                    try:
                        self._speak(peer)
                    except (OSError, RedirectionError):
                        _LOG.warning("the emulator went away", exc_info=True)

    def _speak(self, peer: socket.socket) -> None:
        peer.settimeout(0.2)
        link = Redirection(I2cTinyUsb(self))
        peer.sendall(link.greeting)
        while not self._stop.is_set():
            try:
                data = peer.recv(65536)
            except TimeoutError:
                continue
            if not data:
                return
            answer = link.feed(data)
            if answer:
                peer.sendall(answer)

    def close(self) -> None:
        """Let go of the sockets."""
        self._stop.set()
        for thread in self._threads:
            thread.join()
