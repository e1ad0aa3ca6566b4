"""What comes over the wires: registers with any bits, failing transfers, a bus that dawdles, pins that flicker, any
voltages. A scan always comes, in bounded time of the simulator's clock, and each number in it can be; what
is missing has its reason."""

from __future__ import annotations

import errno
from random import Random
from typing import Any

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.hardware.boards import Boards
from condenser_monitor.hardware.calibration import Trim
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor.core.config import SensorSettings, Settings, Unit
from condenser_monitor.monitor.core.errors import SenseError
from condenser_monitor.monitor.core.readings import FLAGS, NUMBERS, READINGS
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.sim.bus import (
    Ads1115,
    FakeI2C,
    VirtualClock,
    drive,
    pin_factory,
)
from tests.fuzz.refusals import (
    LINE_MOST,
    fuzzed,
    soon,
    tried,
)
from tests.hardware.bench import MOST_S

_SETTINGS = Settings(
    senses=SensorSettings(fitted=tuple(READINGS)), unit=Unit(compressor_rla_a=12.0, compressor_lra_a=70.0)
)
_ERRORS = (
    *(
        OSError(number, "as it comes")
        for number in (errno.EREMOTEIO, errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.ENXIO)
    ),
    *(OSError(), TimeoutError(), BlockingIOError(), ValueError("as it comes"), ConnectionError("\x1b[2J" * 1000)),
)


class Wild:
    """The inputs of a chip: volts that jump, drift and swing, some beyond every range."""

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self._level = [rng.choice([0.0, 1.65, 3.3, -0.3, 5.5, rng.uniform(0, 3.3)]) for _ in range(4)]

    def mean_v(self, pin: int, start_s: float, end_s: float) -> float:
        if self._rng.random() < 0.01:
            self._level[pin] = self._rng.uniform(-10, 10)
        return self._level[pin] + self._rng.choice([0.0, 0.0, 1e-4, 0.5]) * self._rng.uniform(-1, 1)


class OddChip(Ads1115):
    """A chip whose answers have wrong bits in `flips` of all reads, whose transfers fail by any error in `error_rate`
    of all, and that starts again now and then."""

    flips = restarts = 0.0

    def read(self, count: int) -> bytes:
        data = super().read(count)
        if self._rng.random() < self.flips:
            return self._rng.choice([self._rng.randbytes(count), b"\xff" * count, bytes(count), data[::-1]])
        return data

    def _may_fail(self) -> None:
        if self._rng.random() < self.restarts:
            self.restart()
        if self.absent or self._rng.random() < self.error_rate:
            raise self._rng.choice(_ERRORS)


class OddBus(FakeI2C):
    """A bus that dawdles in `slow` of all transfers, and that somebody else may hold for a while."""

    slow = held = 0.0
    rng = Random(0)

    def _pass(self, count: int) -> None:
        super()._pass(count)
        if self.rng.random() < self.slow:
            self.clock.sleep(self.rng.choice([0.001, 0.01, 0.1]))


_SHARE = st.sampled_from([0.0, 0.0, 0.001, 0.02, 0.3, 1.0])
_CHIP = st.fixed_dictionaries(
    {
        **dict.fromkeys(("flips", "restarts", "error_rate"), _SHARE),
        **dict.fromkeys(("absent", "stuck", "frozen"), st.booleans().map(lambda on: on)),
        "clock_error": st.sampled_from([0.0, -0.1, 0.1, -0.9, 3.0]),
        "noise_codes": st.sampled_from([0.0, 0.7, 300.0]),
    }
)


def _boards(
    rng: Random, chips: list[dict[str, Any]], slow: float, trims: dict[str, Trim]
) -> tuple[Boards, VirtualClock, Any]:
    clock = VirtualClock()
    made = {}
    for address, faults in zip((0x48, 0x49), chips, strict=True):
        made[address] = OddChip(Wild(rng), clock, seed=rng.randrange(10**6))
        for name, value in faults.items():
            setattr(made[address], name, value)
    bus, pins = OddBus(clock, dict(made)), pin_factory()
    bus.slow, bus.rng = slow, rng
    boards = Boards(_SETTINGS, bus=bus, pin_factory=pins, clock=clock, sleep=clock.sleep, trims=trims)
    return boards, clock, pins


def _looked_at(scan: Scan, boards: Boards) -> None:
    faults = boards.faults()
    for name in NUMBERS:
        assert getattr(scan, name) is not None or name in faults, name
    for name, why in faults.items():
        assert name in NUMBERS
        assert 10 < len(why) < LINE_MOST
        assert why.isprintable(), why


@fuzzed(60)
@given(
    seed=st.integers(0, 2**32),
    chips=st.lists(_CHIP, min_size=2, max_size=2),
    slow=st.sampled_from([0.0, 0.0, 0.01, 0.5]),
    trim=st.sampled_from([Trim(), Trim(1.5, 0.0), Trim(1.0, 10.0), Trim(1.0, -10.0)]),
    flicker=_SHARE,
)
def test_a_scan_comes_whatever_the_wires_say(
    seed: int, chips: list[dict[str, Any]], slow: float, trim: Trim, flicker: float
) -> None:
    """Some scans with an engine behind them: nothing is raised, each ends, no number is there that cannot be."""
    rng = Random(seed)
    with soon(60):
        boards, clock, pins = _boards(rng, chips, slow, dict.fromkeys(NUMBERS, trim))
        engine = Engine(_SETTINGS)
        for _ in range(4):
            for name in FLAGS:
                pin = CHANNELS[name].pin
                if pin is not None and rng.random() < flicker:
                    drive(pins, pin, high=rng.random() < 0.5)
            began_s = clock()
            scan = boards.scan()
            assert clock() - began_s < (MOST_S if slow == 0.0 else 100 * MOST_S)
            _looked_at(scan, boards)
            for each in sorted((*boards.changes(), scan), key=lambda one: one.t_s):  # as the service does
                engine.feed(msgspec.structs.replace(each, t_s=max(each.t_s, engine.now_s)))
            for start in boards.starts():
                assert start.rate_hz > 0.0
                engine.feed_start(start)
            boards.idle(rng.choice([0.0, 0.2]))
        engine.status()
        boards.close()


@fuzzed(60)
@given(mux=st.integers(0, 7), seed=st.integers(0, 2**32), chip=_CHIP, range_v=st.sampled_from([0.256, 2.048, 4.096]))
def test_one_conversion_is_a_voltage_or_a_senseerror(mux: int, seed: int, chip: dict[str, Any], range_v: float) -> None:
    """Asked ten times of an odd chip: a voltage within the range, or why not."""
    rng = Random(seed)
    boards, clock, _ = _boards(rng, [chip, chip], 0.0, {})
    for _ in range(10):
        began_s = clock()
        volts = tried(lambda: boards._converters[0x48].single_v(mux, range_v), SenseError)
        assert volts is None or abs(volts) <= range_v
        assert clock() - began_s < MOST_S
    boards.close()
