"""Probes on the 1-Wire bus: bytes, checksums and temperatures as the data sheet has them, and how a wire fails."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from condenser_monitor.hardware.boards import Boards, _refuse_doubles, channels
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.one_wire import KernelBus, Probes, temperature_c
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import BoardSettings, SensorSettings, Settings
from condenser_monitor.monitor.core.errors import SenseError, WiringError
from condenser_monitor.sim.bus import VirtualClock
from condenser_monitor.sim.waveforms import crc8

DEVICE = "28-0316a2794bff"
# What kernels have printed of real probes (quoted from memory): checksums by somebody else.
KERNEL = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
COLD = "33 00 4b 46 ff ff 02 10 f4"


def printed(steps: int, verdict: str = "YES") -> str:
    """What the kernel prints of a probe that holds so many sixteenths of a degree."""
    held = steps.to_bytes(2, "little", signed=True) + bytes((0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
    row = (held + bytes((crc8(held),))).hex(" ")
    return f"{row} : crc={row[-2:]} {verdict}\n{row} t={steps * 1000 // 16}\n"


class Bus:
    """A bus whose probes and texts a test sets."""

    def __init__(self, **texts: str) -> None:
        self.texts = {name.replace("_", "-"): text for name, text in texts.items()}

    def devices(self) -> list[str]:
        return sorted(self.texts)

    def text(self, device: str) -> str:
        return self.texts[device]


def test_the_checksum_is_the_buses_own() -> None:
    """Against lines that a kernel printed, and the check value of CRC-8/MAXIM in the catalogue of such codes."""
    assert crc8(b"123456789") == 0xA1
    for text in (KERNEL.partition(":")[0], COLD):
        got = bytes.fromhex(text)
        assert crc8(got[:8]) == got[8]
    assert temperature_c("discharge_c", KERNEL) == 23.125


TABLE = {0x07D0: 125.0, 0x0191: 25.0625, 0x00A2: 10.125, 0x0008: 0.5, 0xFFF8: -0.5, 0xFF5E: -10.125, 0xFC90: -55.0}


@pytest.mark.parametrize("word", TABLE)
def test_temperatures_are_those_of_the_data_sheets_table(word: int) -> None:
    """Table 1 of the data sheet (from memory), bit for bit."""
    steps = word - 0x10000 if word & 0x8000 else word
    assert temperature_c("discharge_c", printed(steps)) == TABLE[word]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (printed(400, "NO"), "checksum"),
        ("", "nothing"),
        ("what is this", "three wires"),
        ("00 " * 9 + ": crc=00 YES\n" + "00 " * 9 + "t=0\n", "touch"),
        (printed(0x0550), "after it got power"),
        (printed(-60 * 16), "damaged"),
    ],
)
def test_what_is_no_temperature_is_refused_with_the_place_to_look_at(text: str, why: str) -> None:
    """A spoilt byte, an empty file, a shorted wire (zeros pass the checksum), a probe that has not converted yet."""
    with pytest.raises(SenseError, match=why):
        temperature_c("discharge_c", text)


def test_85_degrees_are_believed_of_a_line_that_was_about_as_warm() -> None:
    """The same bytes as after power-up, in the middle of a run."""
    assert temperature_c("discharge_c", printed(0x0550), before_c=83.5) == 85.0
    assert (
        temperature_c("discharge_c", printed(130 * 16)) == 125.0
    )  # hotter than it can measure is as hot as it can tell


def test_one_probe_needs_no_name_and_several_do() -> None:
    """The message lists what the bus has."""
    alone = Probes({"discharge_c": ""}, Bus(**{DEVICE: printed(1600)}))
    assert alone.read("discharge_c") == 100.0
    two = Bus(**{DEVICE: printed(1600), "28-000000000001": printed(400)})
    with pytest.raises(SenseError, match=rf"device as one of 28-000000000001, {DEVICE}"):
        Probes({"discharge_c": ""}, two).read("discharge_c")
    assert Probes({"discharge_c": "28-000000000001"}, two).read("discharge_c") == 25.0
    with pytest.raises(SenseError, match="w1-gpio"):
        Probes({"discharge_c": ""}, Bus()).read("discharge_c")


@pytest.mark.parametrize(
    ("table", "why"),
    [({"device": "28-XYZ"}, "number of a probe"), ({"pin": 5}, "one of device"), ({"device": 28}, "number of a probe")],
)
def test_a_device_that_cannot_be_one_stops_the_start(table: dict[str, object], why: str) -> None:
    """With the key and what is allowed."""
    boards = BoardSettings(channels={"discharge_c": table})
    with pytest.raises(WiringError, match=why):
        channels(Settings(senses=SensorSettings(fitted=("discharge_c",)), boards=boards))


def test_the_buses_pin_is_nobody_elses() -> None:
    """A contact moved to GPIO 4 beside a probe is refused."""
    boards = BoardSettings(channels={"call": {"pin": 4}})
    with pytest.raises(WiringError, match="1-Wire"):
        channels(Settings(senses=SensorSettings(fitted=("call", "discharge_c")), boards=boards))


def test_several_probes_are_told_apart_by_their_numbers() -> None:
    """Each with its own is fine; the same twice, or one without, stops the start."""
    one = CHANNELS["discharge_c"]._replace(device=DEVICE)
    _refuse_doubles({"discharge_c": one, "other_c": one._replace(device="28-000000000001")})
    with pytest.raises(WiringError, match="place of its own"):
        _refuse_doubles({"discharge_c": one, "other_c": one})
    with pytest.raises(WiringError, match="several"):
        _refuse_doubles({"discharge_c": one, "other_c": one._replace(device="")})


def test_the_kernels_files_are_read_by_a_thread_and_no_scan_waits(tmp_path: Path) -> None:
    """A folder laid out as the kernel lays it out; a read that hangs leaves the other readings alone."""
    (tmp_path / DEVICE).mkdir()
    (tmp_path / DEVICE / "w1_slave").write_text(KERNEL)
    (tmp_path / "w1_bus_master1").mkdir()
    kernel = KernelBus(tmp_path)
    assert kernel.devices() == [DEVICE]
    assert temperature_c("discharge_c", kernel.text(DEVICE)) == 23.125

    entered, leave = threading.Event(), threading.Event()

    class Hanging(KernelBus):
        def text(self, device: str) -> str:
            entered.set()
            leave.wait()
            return super().text(device)

    clock = VirtualClock()
    probes = Probes({"discharge_c": ""}, clock=clock)
    probes.close()  # this machine may have a bus of its own: only the thread's way of answering is wanted
    probes._bus, probes._last = Hanging(tmp_path), {}
    thread = threading.Thread(target=probes._look, args=("discharge_c",), daemon=True)
    thread.start()
    assert entered.wait(60)
    with pytest.raises(SenseError, match="first conversion"):
        probes.read("discharge_c")
    leave.set()
    thread.join(60)
    assert probes.read("discharge_c") == 23.125
    clock.sleep(limits.STALE_S.value + limits.PROBE_S.value + 2)
    with pytest.raises(SenseError, match="hangs"):
        probes.read("discharge_c")


def test_a_board_scans_the_probe_among_its_readings() -> None:
    """Trimmed like a thermistor, and missing with its reason once it is pulled out."""
    bus = Bus(**{DEVICE: printed(1600)})
    settings = Settings(senses=SensorSettings(fitted=("call", "discharge_c")))
    clock = VirtualClock()
    boards = Boards(settings, bus=object(), pin_factory=MockFactory(), one_wire=bus, clock=clock, sleep=clock.sleep)
    assert boards.scan().discharge_c == 100.0
    bus.texts.clear()
    assert boards.scan().discharge_c is None
    assert "1-Wire" in boards.faults()["discharge_c"]
    boards.close()
