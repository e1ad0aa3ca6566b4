"""The emulated machine's bus: bytes as published, the kernel's driver, and the shipped drivers on top.

Outside checks: usbredirproto.h of libusbredirparser 0.13 (packet types, structures, capabilities), Linux
drivers/i2c/busses/i2c-tiny-usb.c (ids, commands, order of transfers), USB 2.0 section 9.4 and 9.6 (requests,
descriptors). Bytes below are written out by hand from these.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from condenser_monitor.hardware.boards import Boards
from condenser_monitor.sim import scenario
from condenser_monitor.sim.bus import VirtualClock, drive, pin_factory
from condenser_monitor.sim.emulated_wire import EmulatedWire
from condenser_monitor.sim.senses import WIRES
from condenser_monitor.sim.usb_redir import I2cTinyUsb, Redirection, RedirectionError

# hello of an emulator: type 0, 68 bytes, id 0; a name; capabilities 1, 2, 3, 4, 5, 6 and 7 as QEMU has them
HELLO = bytes.fromhex("00000000 44000000 00000000") + b"qemu usb-redir guest 7.2".ljust(64, b"\0") + b"\xfe\0\0\0"
CONTROL = 100


class Chip:
    """A bus with one chip at 0x48 that keeps what it is told and answers 0x12 0x34."""

    def __init__(self) -> None:
        self.written: list[bytes] = []
        self.held = False

    def write(self, address: int, data: bytes) -> None:
        self._answer(address)
        self.written.append(data)

    def read(self, address: int, count: int) -> bytes:
        self._answer(address)
        return b"\x12\x34"[:count]

    def _answer(self, address: int) -> None:
        if self.held:
            raise TimeoutError
        if address != 0x48:
            raise OSError(121, "Remote I/O error")


def control(number: int, *setup: int, data: bytes = b"") -> bytes:
    """A control packet as usb_redir_header and usb_redir_control_packet_header have it."""
    request_type, request, value, index, length = setup
    endpoint = request_type & 0x80
    head = struct.pack("<BBBBHHH", endpoint, request, request_type, 0, value, index, length)
    return struct.pack("<IIQ", CONTROL, len(head) + len(data), number) + head + data


def packets(data: bytes) -> list[tuple[int, int, bytes]]:
    """(type, id, body) of each packet with 64-bit ids."""
    found = []
    while data:
        kind, length, number = struct.unpack_from("<IIQ", data)
        found.append((kind, number, data[16 : 16 + length]))
        data = data[16 + length :]
    return found


@pytest.fixture
def chip() -> Chip:
    return Chip()


@pytest.fixture
def link(chip: Chip) -> Redirection:
    made = Redirection(I2cTinyUsb(chip))
    made.feed(HELLO)
    return made


def test_the_greeting_is_a_hello_with_32_bit_id(chip: Chip) -> None:
    greeting = Redirection(I2cTinyUsb(chip)).greeting
    assert greeting[:12] == bytes.fromhex("00000000 44000000 00000000")
    assert len(greeting) == 12 + 64 + 4
    assert greeting[12:76].rstrip(b"\0").decode().isprintable()
    assert (
        greeting[76:] == b"\x72\0\0\0"
    )  # device version, packet size of endpoints, ids of 64 bits, bulk length: bits 1, 4 to 6


def test_after_the_hello_the_device_is_described_and_plugged_in(chip: Chip) -> None:
    (interface, endpoints, connect) = packets(Redirection(I2cTinyUsb(chip)).feed(HELLO))
    assert interface[:2] == (4, 0)
    assert interface[2] == b"\x01\0\0\0" + bytes(32) + b"\xff" + bytes(31) + bytes(64)
    assert endpoints[0] == 5
    assert len(endpoints[2]) == 32 + 32 + 32 + 64  # without max_streams: no capability for bulk streams
    assert endpoints[2][0] == endpoints[2][16] == 0  # control, out and in
    assert set(endpoints[2][1:16] + endpoints[2][17:32]) == {0xFF}  # usb_redir_type_invalid
    assert connect[0] == 1
    assert connect[2] == bytes.fromhex("01 ff 00 00 0304 31c6 0502")  # full speed, own class, 0403:c631, release 2.05


def test_descriptors_are_those_of_usb_2(link: Redirection) -> None:
    ((_, number, body),) = packets(link.feed(control(7, 0x80, 6, 0x0100, 0, 18)))
    assert number == 7
    assert body[:10] == bytes.fromhex("80 06 80 00 0001 0000 1200")
    device = body[10:]
    assert device[:2] == b"\x12\x01"
    assert device[8:12] == bytes.fromhex("0304 31c6")
    assert device[17] == 1
    ((_, _, body),) = packets(link.feed(control(8, 0x80, 6, 0x0200, 0, 255)))
    configuration = body[10:]
    assert struct.unpack_from("<H", configuration, 2)[0] == len(configuration) == 18
    assert configuration[9:14] == bytes.fromhex("09 04 00 00 00")  # interface 0 without endpoints beside endpoint 0
    ((_, _, body),) = packets(link.feed(control(9, 0x80, 6, 0x0300, 0, 255)))  # strings: it has none
    assert body[3] == 4  # usb_redir_stall


def test_what_the_kernel_does_for_a_write_and_a_read(link: Redirection, chip: Chip) -> None:
    """usb_xfer of i2c-tiny-usb.c: for each message a transfer (command 4, with begin and end), then the status (3)."""
    assert packets(link.feed(control(1, 0xC1, 1, 0, 0, 4)))[0][2][10:] == bytes.fromhex("0100ff0e")
    assert packets(link.feed(control(2, 0x41, 2, 10, 0, 0)))[0][2][3] == 0
    ((_, number, body),) = packets(link.feed(control(3, 0x41, 4 | 1, 0, 0x48, 1, data=b"\x01")))
    assert (number, body) == (3, bytes.fromhex("00 05 41 00 0000 4800 0100"))
    assert chip.written == [b"\x01"]
    assert packets(link.feed(control(4, 0xC1, 3, 0, 0, 1)))[0][2] == bytes.fromhex("80 03 c1 00 0000 0000 0100 01")
    ((_, _, body),) = packets(link.feed(control(5, 0xC1, 4 | 2, 1, 0x48, 2)))
    assert body == bytes.fromhex("80 06 c1 00 0100 4800 0200 1234")


def test_an_address_that_nobody_has_is_not_acknowledged(link: Redirection) -> None:
    """The transfer itself succeeds, all its bytes come, and the status says 2: the kernel makes ENXIO of it. Were bytes
    missing, it would be EIO and a line in the kernel's log for each read (usb_xfer; seen in the emulated machine)."""
    assert packets(link.feed(control(1, 0x41, 7, 0, 0x49, 1, data=b"\0")))[0][2][3] == 0
    assert packets(link.feed(control(2, 0xC1, 3, 0, 0, 1)))[0][2][10:] == b"\x02"
    assert packets(link.feed(control(3, 0xC1, 7, 1, 0x49, 2)))[0][2] == bytes.fromhex("80 07 c1 00 0100 4900 0200 0000")
    assert packets(link.feed(control(4, 0xC1, 3, 0, 0, 1)))[0][2][10:] == b"\x02"


def test_a_held_bus_never_answers(link: Redirection, chip: Chip) -> None:
    chip.held = True
    assert link.feed(control(1, 0xC1, 7, 1, 0x48, 2)) == b""
    chip.held = False
    assert packets(link.feed(control(2, 0xC1, 7, 1, 0x48, 2)))[0][2][10:] == b"\x12\x34"


def test_configuration_and_setting_are_answered(link: Redirection) -> None:
    assert packets(link.feed(struct.pack("<IIQB", 6, 1, 9, 1))) == [(8, 9, b"\0\x01")]
    assert packets(link.feed(struct.pack("<IIQBB", 9, 2, 10, 0, 0))) == [(11, 10, b"\0\0\0")]
    assert link.feed(struct.pack("<IIQ", 3, 0, 0)) == b""  # reset
    assert link.feed(struct.pack("<IIQ", 21, 0, 5)) == b""  # a transfer taken back


def test_bytes_may_come_in_any_pieces(chip: Chip) -> None:
    whole = HELLO + control(1, 0xC1, 7, 1, 0x48, 2) + control(2, 0xC1, 3, 0, 0, 1)
    at_once = Redirection(I2cTinyUsb(chip)).feed(whole)
    one = Redirection(I2cTinyUsb(chip))
    assert b"".join(one.feed(whole[at : at + 1]) for at in range(len(whole))) == at_once


@pytest.mark.parametrize(
    "bad",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        control(1, 0xC1, 7, 1, 0x48, 2),
        HELLO[:-4] + b"\0\0\0\0",  # an emulator without 64-bit ids
        HELLO + struct.pack("<IIQ", CONTROL, 1 << 20, 1),
        HELLO + struct.pack("<IIQ", CONTROL, 3, 1) + b"abc",
    ],
    ids=["not the protocol", "no hello", "too old", "too long", "cut short"],
)
def test_what_is_not_the_protocol_is_refused(chip: Chip, bad: bytes) -> None:
    with pytest.raises(RedirectionError):
        Redirection(I2cTinyUsb(chip)).feed(bad)


class Kernel:
    """The kernel's i2c-tiny-usb over the protocol, with the calls that the shipped driver makes of its bus."""

    def __init__(self, wire: EmulatedWire, clock: VirtualClock) -> None:
        self._link = Redirection(I2cTinyUsb(wire))
        self._link.feed(HELLO)
        self._clock = clock
        self._number = 0

    def try_lock(self) -> bool:
        return True

    def unlock(self) -> None:
        pass

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        data = bytes(buffer)[start:end]
        self._transfer(0x41, address, len(data), data)

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        end = len(buffer) if end is None else end
        buffer[start:end] = self._transfer(0xC1, address, end - start, b"")

    def writeto_then_readfrom(self, address: int, out_buffer: Any, in_buffer: Any, **ends: Any) -> None:
        self.writeto(address, out_buffer, start=ends.get("out_start", 0), end=ends.get("out_end"))
        self.readfrom_into(address, in_buffer, start=ends.get("in_start", 0), end=ends.get("in_end"))

    def _transfer(self, request_type: int, address: int, length: int, data: bytes) -> bytes:
        self._clock.sleep(0.0001)
        found = self._asked(request_type, 7, address, length, data)
        if self._asked(0xC1, 3, 0, 1, b"") == b"\x02":
            raise OSError(6, "No such device or address")
        return found

    def _asked(self, request_type: int, request: int, index: int, length: int, data: bytes) -> bytes:
        self._number += 1
        answer = self._link.feed(control(self._number, request_type, request, 0, index, length, data=data))
        ((kind, number, body),) = packets(answer)
        assert (kind, number, body[3]) == (CONTROL, self._number, 0)
        return body[10:]


@pytest.fixture
def emulated() -> Any:
    """(wire, boards, clock): the shipped drivers on the protocol's bytes, in virtual time."""
    made: list[Boards] = []

    def make(slower: int = 1) -> tuple[EmulatedWire, Boards, Callable[[float], None]]:
        played = scenario.load("story")
        clock, pins = VirtualClock(0.0), pin_factory()
        numbers = {
            name: at for at, name in enumerate(("call", "supply", "load", "control_power", "thermostat", "blower"), 4)
        }
        table = {name: {"pin": pin} for name, pin in numbers.items() if name in played.settings.fitted}
        boards = msgspec.structs.replace(played.settings.boards, channels=table)
        settings = msgspec.structs.replace(played.settings, boards=boards)
        wire = EmulatedWire(
            played,
            lambda name, high: drive(pins, numbers[name], high=high),
            slower=slower,
            clock=lambda: clock() * slower,
        )
        kernel = Kernel(wire, clock)
        made.append(Boards(settings, bus=kernel, pin_factory=pins, clock=clock, sleep=clock.sleep))
        return wire, made[0], clock.sleep

    yield make
    for boards in made:
        boards.close()


@pytest.mark.parametrize("slower", [1, 8])
def test_the_shipped_drivers_read_the_unit_through_the_adapter(emulated: Any, slower: int) -> None:
    """What truly flows in the unit is the check; 2 % holds the boards' accuracy and what changes within a scan."""
    wire, boards, wait = emulated(slower)
    boards.scan()
    idle = boards.scan()
    assert (idle.call, idle.supply, idle.load) == (False, True, False)
    wire.begin()
    wire.call(wanted=True)
    for _ in range(20):  # a start is over after a second or two
        wait(1.0)
        scan = boards.scan()
        boards.changes()
    assert (scan.call, scan.load) == (True, True)
    for name, off in {
        "control_v": 0.02,
        "coil_a": 0.02,
        "compressor_a": 0.02,
        "fan_a": 0.02,
        "outdoor_c": 0.01,
    }.items():
        true = WIRES[name].true(wire.world.unit, wire.world.outdoor_c)
        assert getattr(scan, name) == pytest.approx(true, rel=off), name
    assert boards.faults() == {}


def test_each_fault_at_the_wire_shows_in_the_readings(emulated: Any) -> None:
    wire, boards, _ = emulated()
    wire.absent = {0x48}
    boards.scan()
    silent = boards.faults()
    assert {"control_v", "coil_a"} & set(silent)
    assert "No I2C device at address: 0x48" in next(iter(silent.values()))
    wire.absent = set()
    boards.scan()
    assert boards.faults() == {}
    wire.held = "data"
    scan = boards.scan()
    assert all(getattr(scan, name) is None for name in ("control_v", "coil_a", "compressor_a", "outdoor_c"))
    wire.held = ""
    wire.restart_chips()
    boards.scan()
    boards.scan()
    assert boards.faults() == {}


def test_noise_is_seen_and_does_not_stay(emulated: Any) -> None:
    """Each read comes with one bit wrong, and the chip's own register is what it was."""
    wire, _, _ = emulated()
    wire.write(0x48, b"\x01")  # the settings stay as they are while nobody writes them
    sound = wire.read(0x48, 2)
    wire.noise = 1.0
    for _ in range(20):
        wrong = wire.read(0x48, 2)
        assert (int.from_bytes(wrong, "big") ^ int.from_bytes(sound, "big")).bit_count() == 1
    wire.noise = 0.0
    assert wire.read(0x48, 2) == sound
