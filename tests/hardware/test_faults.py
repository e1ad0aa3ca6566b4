"""Faults at the wire become a missing reading with its reason: never a wrong number, an error out of scan() or a hang.

The simulator's clock bounds every scan.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest

from condenser_monitor.hardware import values
from condenser_monitor.hardware.boards import Boards
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor.core.errors import SenseError
from condenser_monitor.monitor.core.readings import NUMBERS
from condenser_monitor.monitor.core.records import Scan
from tests.hardware.bench import (
    BASIC,
    MOST_S,
    Bench,
    Signal,
    Wave,
    ohm_at,
    steady,
)
from tests.size import long_one

TRUE = {"control_v": 26.0, "coil_a": 0.25, "compressor_a": 12.3, "fan_a": 1.1, "outdoor_c": 35.0}


def signals() -> dict[str, Signal]:
    rng = Random(4)
    waves = {name: Wave(size, 60, ((3, 0.05),), rng) for name, size in TRUE.items() if name != "outdoor_c"}
    return {**waves, "outdoor_c": steady(ohm_at(TRUE["outdoor_c"]))}


def bounded(bench: Bench) -> Scan:
    """A scan, and the proof that it came to an end in time."""
    began_s = bench.clock()
    scan = bench.boards.scan()
    assert bench.clock() - began_s < MOST_S
    return scan


def right_or_missing(bench: Bench, scan: Scan) -> int:
    """Every number is within 2 % of the truth or missing with a reason; returns how many are missing."""
    missing = 0
    for name in BASIC_NUMBERS:
        read = getattr(scan, name)
        if read is None:
            missing += 1
            assert len(bench.boards.faults()[name]) > 10, name
        else:
            assert name not in bench.boards.faults()
            assert read == pytest.approx(TRUE[name], rel=0.02), name
    return missing


BASIC_NUMBERS = tuple(name for name in BASIC if name in NUMBERS)
ON_CHIP = {address: {n for n in BASIC_NUMBERS if CHANNELS[n].address == address} for address in (0x48, 0x49)}


@pytest.mark.parametrize("address", [0x48, 0x49])
@pytest.mark.parametrize("fault", ["stuck", "absent"])
def test_a_dead_chip_takes_its_own_readings_only(fault: str, address: int) -> None:
    """Its readings are missing and say which chip; the other chip's and the pins' are there; all come back with it."""
    bench = Bench(signals())
    assert right_or_missing(bench, bounded(bench)) == 0
    setattr(bench.chips[address], fault, True)
    for _ in range(3):
        scan = bounded(bench)
        assert {name for name in BASIC_NUMBERS if getattr(scan, name) is None} == ON_CHIP[address]
        assert all(f"0x{address:02x}" in why for why in bench.boards.faults().values())
        assert scan.call is False
    setattr(bench.chips[address], fault, False)
    assert right_or_missing(bench, bounded(bench)) == 0
    assert bench.boards.faults() == {}


def test_no_chip_at_all_from_the_start() -> None:
    """Boards can be made and scanned with nothing on the bus: flags alone."""
    bench = Bench(signals())
    for chip in bench.chips.values():
        chip.absent = True
    scan = bounded(bench)
    assert all(getattr(scan, name) is None for name in BASIC_NUMBERS)
    assert scan.supply is False


@pytest.mark.parametrize("fault", ["stuck", "absent"])
def test_chips_that_are_all_silent_are_told_as_one_silent_bus(fault: str) -> None:
    """What they have in common is named, with where to look; as soon as one answers, each stands for itself again."""
    bench = Bench(signals())
    for chip in bench.chips.values():
        setattr(chip, fault, True)
    bounded(bench)
    (why,) = {bench.boards.faults()[name] for name in BASIC_NUMBERS}
    assert why.startswith("I2C bus 1: ")
    assert "0x48, 0x49" in why
    assert "held down" in why
    setattr(bench.chips[0x48], fault, False)
    bounded(bench)
    assert set(bench.boards.faults()) == ON_CHIP[0x49]
    assert all(why.startswith("ADC 0x49: ") for why in bench.boards.faults().values())


def _restart(bench: Bench) -> None:
    bench.chips[0x49].restart()


def _hang(bench: Bench) -> None:
    bench.chips[0x49].stuck = True


def _vanish(bench: Bench) -> None:
    bench.chips[0x49].absent = True


@long_one
@pytest.mark.parametrize("happens", [_restart, _hang, _vanish])
def test_a_chip_that_fails_at_any_moment_of_a_scan(happens: Callable[[Bench], None]) -> None:
    """Its supply dips, it hangs or it is gone, at any moment of a scan: right or missing, in time."""
    missing = []
    for step in range(42):
        bench = Bench(signals())
        bounded(bench)
        bench.at([(step * 0.013, lambda bench=bench: happens(bench))])  # type: ignore[misc]
        missing.append(right_or_missing(bench, bounded(bench)))
    assert 0 in missing
    assert max(missing) > 0


@pytest.mark.parametrize("share", [0.0003, 0.003, 0.03, 0.3])
def test_bus_errors_at_random(share: float) -> None:
    """Transactions fail at random: what is read all the same is right."""
    missing = 0
    for seed in range(6):
        bench = Bench(signals(), seed=seed)
        for chip in bench.chips.values():
            chip.error_rate = share
        for _ in range(5):
            missing += right_or_missing(bench, bounded(bench))
    assert missing > (0 if share > 0.001 else -1)
    assert missing < 150 or share > 0.01, "now and then a scan is whole"


def test_a_signal_beyond_the_fine_range_is_read_in_the_coarse_one() -> None:
    """A locked rotor's current in the very scan in which it comes, and the fine range again when it has gone."""
    bench = Bench(signals())
    assert bounded(bench).compressor_a == pytest.approx(12.3, rel=0.01)
    bench.signals["compressor_a"] = Wave(79.0)
    assert bounded(bench).compressor_a == pytest.approx(79.0, rel=0.01)
    bench.signals["compressor_a"] = Wave(0.3)
    bounded(bench)
    assert bounded(bench).compressor_a == pytest.approx(0.3, abs=0.005), "the coarse range alone resolves 13 mA"


def test_a_signal_beyond_every_range_is_missing() -> None:
    """400 A would need 2.8 V: clipped, said so, and the next sound current is read."""
    bench = Bench(signals())
    bench.signals["compressor_a"] = Wave(400.0)
    scan = bounded(bench)
    assert scan.compressor_a is None
    assert "beyond 2.048 V" in bench.boards.faults()["compressor_a"]
    assert scan.fan_a is not None
    bench.signals["compressor_a"] = Wave(12.3)
    assert bounded(bench).compressor_a == pytest.approx(12.3, rel=0.01)


@pytest.mark.parametrize("name", ["coil_a", "compressor_a", "fan_a"])
def test_an_empty_jack_is_told_from_no_current(name: str) -> None:
    """The jack's switch puts direct voltage on the burden: missing, with that reason; a plugged one without current
    reads zero."""
    bench = Bench(signals())
    bench.signals[name] = steady(0.0)
    assert getattr(bounded(bench), name) == pytest.approx(0.0, abs=0.005)
    for inputs in bench.inputs.values():
        inputs.unplugged.add(name)
    scan = bounded(bench)
    assert getattr(scan, name) is None
    assert "plugged-in transformer" in bench.boards.faults()[name]
    assert [other for other in BASIC_NUMBERS if getattr(scan, other) is None] == [name]


@pytest.mark.parametrize("name", ["coil_a", "compressor_a", "fan_a"])
def test_an_empty_jack_beside_pick_up_is_still_told(name: str) -> None:
    """A loose cable picks up some of the neighbour's current: a tenth of the direct voltage changes nothing."""
    channel = CHANNELS[name]
    assert channel.burden_ohm is not None
    assert channel.scale is not None
    loose_v = values.VDD.nominal / 2 * channel.burden_ohm / (values.PLUG_SENSE.nominal + channel.burden_ohm)
    pick_up = Wave(0.1 * loose_v)
    bench = Bench(signals())
    for inputs in bench.inputs.values():
        empty = inputs.mean_v

        def mean_v(
            pin: int, start_s: float, end_s: float, empty: Callable[[int, float, float], float] = empty
        ) -> float:
            return empty(pin, start_s, end_s) + (0.0 if pin == 3 else pick_up(start_s, end_s))

        inputs.unplugged.add(name)
        inputs.mean_v = mean_v  # type: ignore[method-assign]
    assert getattr(bounded(bench), name) is None


@pytest.mark.parametrize("bias_v", [0.0, 0.3, 1.3, 2.0, 3.3])
def test_a_missing_bias_makes_all_of_its_chip_unknown(bias_v: float) -> None:
    """Far from half of VDD nothing that hangs on the bias means anything; the other chip goes on."""
    bench = Bench(signals())
    bench.inputs[0x49].bias_v = bias_v
    scan = bounded(bench)
    assert {name for name in BASIC_NUMBERS if getattr(scan, name) is None} == ON_CHIP[0x49]
    assert all("bias" in bench.boards.faults()[name] for name in ON_CHIP[0x49])


@pytest.mark.parametrize(("ohm", "why"), [(1.0, "shorted"), (5e6, "open"), (0.0, "open or shorted")])
def test_a_thermistor_lead_open_or_shorted(ohm: float, why: str) -> None:
    """Neither -60 °C nor 200 °C: missing."""
    bench = Bench(signals())
    bench.signals["outdoor_c"] = steady(ohm)
    scan = bounded(bench)
    assert scan.outdoor_c is None
    assert why in bench.boards.faults()["outdoor_c"]
    assert scan.compressor_a is not None


def test_no_bus_on_this_machine_is_an_error_with_a_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bus number that does not exist: SenseError that names the setting, at once and not in the first scan."""
    from condenser_monitor.monitor.core.config import BoardSettings as Wiring
    from condenser_monitor.monitor.core.config import Settings

    with pytest.raises(SenseError, match=r"boards\.i2c_bus 250"):
        Boards(Settings(boards=Wiring(i2c_bus=250)), pin_factory=Bench().pins)


def test_closing_lets_go_of_pins() -> None:
    """After close() the same pins can be taken again by others."""
    bench = Bench(signals())
    bench.boards.close()
    again = Boards(bench.boards._settings, bus=bench.bus, pin_factory=bench.pins, clock=bench.clock, sleep=bench.sleep)
    assert again.scan().compressor_a == pytest.approx(12.3, rel=0.01)


def test_a_thermistor_hotter_than_any_air_is_a_missing_reading() -> None:
    """A lead half shorted reads 96 °C, which no scan can hold: the reading is missing with its reason."""
    bench = Bench({**signals(), "outdoor_c": steady(ohm_at(96.4))})
    scan = bounded(bench)
    assert scan.outdoor_c is None
    assert scan.compressor_a == pytest.approx(TRUE["compressor_a"], rel=0.02)
    assert "-90 to 90" in bench.boards.faults()["outdoor_c"]
