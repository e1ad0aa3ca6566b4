"""A USB-to-I2C adapter at the end of a socket: how an emulated machine comes to a bus whose chips are ours.

The emulator hangs a USB device that lives outside on its machine (`-device usb-redir`) and speaks the USB network
redirection protocol 0.7 with whoever has the device (usbredirproto.h of libusbredirparser: packet types, structures and
capabilities). The device here is the one that the kernel's driver i2c-tiny-usb serves (Linux, drivers/i2c/busses/
i2c-tiny-usb.c: ids, commands, status); its USB descriptors are those of USB 2.0, section 9.6.

No sockets here: bytes in, bytes out.
"""

from __future__ import annotations

import struct
from typing import NamedTuple, Protocol

# packet types of the redirection protocol
HELLO, DEVICE_CONNECT, DEVICE_DISCONNECT, RESET, INTERFACE_INFO, EP_INFO = range(6)
SET_CONFIGURATION, GET_CONFIGURATION, CONFIGURATION_STATUS = 6, 7, 8
SET_ALT_SETTING, GET_ALT_SETTING, ALT_SETTING_STATUS = 9, 10, 11
CANCEL_DATA_PACKET, DEVICE_DISCONNECT_ACK, CONTROL_PACKET = 21, 24, 100
# results of a transfer
SUCCESS, CANCELLED, INVALID, IO_ERROR, STALL, TIMED_OUT = range(6)
# capabilities, by bit
# (a bus of USB 3 wants the last three of its devices, though there are no bulk transfers here)
CONNECT_DEVICE_VERSION, EP_INFO_MAX_PACKET_SIZE, IDS_OF_64_BITS, BULK_LENGTH_OF_32_BITS = 1, 4, 5, 6
_CAPABILITIES = (
    1 << CONNECT_DEVICE_VERSION | 1 << EP_INFO_MAX_PACKET_SIZE | 1 << IDS_OF_64_BITS | 1 << BULK_LENGTH_OF_32_BITS
)

FULL_SPEED = 1
VENDOR, PRODUCT, RELEASE = 0x0403, 0xC631, 0x0205  # the adapter's own, as the kernel's driver lists them
_VENDOR_CLASS, _INVALID_TYPE = 0xFF, 0xFF
_SLOTS = 32  # of endpoints and interfaces in the protocol's tables
_CONTROL_SIZE = 8  # bytes in a packet of endpoint 0

# commands of the adapter, in bRequest
ECHO, GET_FUNCTIONS, SET_DELAY, GET_STATUS, I2C_IO = range(5)
BEGIN, END = 1, 2  # or-ed to I2C_IO: with a start, with a stop
IDLE, ACKNOWLEDGED, NOT_ACKNOWLEDGED = range(3)
FUNCTIONS = 0x0EFF0001  # plain I2C, and SMBus made of it (I2C_FUNC_I2C, I2C_FUNC_SMBUS_EMUL: linux/i2c.h)

_TO_HOST, _KIND, _STANDARD_KIND, _VENDOR_KIND = 0x80, 0x60, 0x00, 0x40  # bmRequestType
_GET_DESCRIPTOR, _GET_USB_STATUS = 6, 0

_SHORT, _LONG = struct.Struct("<III"), struct.Struct("<IIQ")  # type, length, id of 32 or 64 bits
_CONTROL = struct.Struct("<BBBBHHH")  # endpoint, request, requesttype, status, value, index, length
_MOST = 1 << 16  # bytes of one packet; a longer one is no packet

_DEVICE = struct.pack(
    "<BBHBBBBHHHBBBB", 18, 1, 0x0110, _VENDOR_CLASS, 0, 0, _CONTROL_SIZE, VENDOR, PRODUCT, RELEASE, 0, 0, 0, 1
)
_CONFIGURATION = struct.pack("<BBHBBBBB", 9, 2, 18, 1, 1, 0, 0x80, 50) + struct.pack(
    "<BBBBBBBBB", 9, 4, 0, 0, 0, _VENDOR_CLASS, 0, 0, 0
)


class RedirectionError(Exception):
    """What came is not the redirection protocol."""


class Bus(Protocol):
    """What the adapter drives. Each raises OSError where nobody acknowledges, TimeoutError where the bus hangs."""

    def write(self, address: int, data: bytes) -> None:
        """Bytes to the chip at `address`."""
        ...

    def read(self, address: int, count: int) -> bytes:
        """`count` bytes from it."""
        ...


class Setup(NamedTuple):
    """What a control transfer asks for (USB 2.0, table 9-2). For the adapter `w_index` is the I2C address."""

    request_type: int
    request: int
    value: int
    w_index: int
    length: int


class I2cTinyUsb:
    """The adapter."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._status = IDLE

    def control(self, setup: Setup, data: bytes) -> tuple[int, bytes] | None:
        """The answer to a control transfer that brings `data`: (result, bytes for the host). None: it never answers."""
        if setup.request_type & _KIND == _VENDOR_KIND:
            return self._command(setup, data)
        if setup.request_type & _KIND == _STANDARD_KIND and setup.request == _GET_DESCRIPTOR:
            found = {1: _DEVICE, 2: _CONFIGURATION}.get(setup.value >> 8, b"")[: setup.length]
            return (SUCCESS, found) if found else (STALL, b"")
        if setup.request_type & _KIND == _STANDARD_KIND and setup.request == _GET_USB_STATUS:
            return SUCCESS, bytes(2)[: setup.length]
        return STALL, b""

    def _command(self, setup: Setup, data: bytes) -> tuple[int, bytes] | None:
        request_type, request, value, index, length = setup
        if request == ECHO:
            return SUCCESS, value.to_bytes(2, "little")[:length]
        if request == GET_FUNCTIONS:
            return SUCCESS, FUNCTIONS.to_bytes(4, "little")[:length]
        if request == SET_DELAY:
            return SUCCESS, b""
        if request == GET_STATUS:
            return SUCCESS, bytes([self._status])[:length]
        if not I2C_IO <= request <= I2C_IO | BEGIN | END:
            return STALL, b""
        found = b""
        try:
            if request_type & _TO_HOST:
                found = self._bus.read(index, length)
            else:
                self._bus.write(index, data)
            self._status = ACKNOWLEDGED
        except TimeoutError:
            return None
        except OSError:
            self._status = NOT_ACKNOWLEDGED
            found = bytes(length)  # the kernel asks for the status only where all bytes came
        return SUCCESS, found


class _Packet(NamedTuple):
    kind: int
    number: int
    body: bytes


class Redirection:
    """The side of the protocol that has the device. `greeting` goes out first; `feed` takes what came and gives what
    goes out. Raises RedirectionError for bytes that are no packets."""

    def __init__(self, device: I2cTinyUsb) -> None:
        self._device = device
        self._head = _SHORT
        self._got = b""
        self._greeted = False

    @property
    def greeting(self) -> bytes:
        """The first packet: who speaks, and with which capabilities."""
        body = b"condenser-monitor sim".ljust(64, b"\0") + _CAPABILITIES.to_bytes(4, "little")
        return _SHORT.pack(HELLO, len(body), 0) + body

    def feed(self, data: bytes) -> bytes:
        """Bytes from the emulator; those for it."""
        self._got += data
        out = b""
        while (packet := self._next()) is not None:
            out += self._answer(packet)
        return out

    def _next(self) -> _Packet | None:
        if len(self._got) < self._head.size:
            return None
        kind, length, number = self._head.unpack_from(self._got)
        if length > _MOST:
            raise RedirectionError(f"a packet of kind {kind} and {length} bytes")
        end = self._head.size + length
        if len(self._got) < end:
            return None
        body, self._got = self._got[self._head.size : end], self._got[end:]
        return _Packet(kind, number, body)

    def _packet(self, kind: int, number: int, body: bytes) -> bytes:
        return self._head.pack(kind, len(body), number) + body

    def _answer(self, packet: _Packet) -> bytes:
        kind, number, body = packet
        if not self._greeted:
            return self._greet(packet)
        if kind == CONTROL_PACKET:
            return self._control(number, body)
        if kind in (SET_CONFIGURATION, GET_CONFIGURATION):
            return self._packet(CONFIGURATION_STATUS, number, bytes([SUCCESS, 1]))
        if kind in (SET_ALT_SETTING, GET_ALT_SETTING):
            return self._packet(ALT_SETTING_STATUS, number, bytes([SUCCESS, body[0], 0]))
        return b""  # a reset, a transfer taken back: nothing here outlives a transfer

    def _greet(self, packet: _Packet) -> bytes:
        """The emulator's own greeting: from here on the headers are as both can; the device is plugged in."""
        if packet.kind != HELLO or len(packet.body) < 68:
            raise RedirectionError(f"packet of kind {packet.kind} in place of a greeting")
        capabilities = int.from_bytes(packet.body[64:68], "little")
        if capabilities & _CAPABILITIES != _CAPABILITIES:
            raise RedirectionError(f"an emulator with capabilities 0x{capabilities:02x}")
        self._greeted, self._head = True, _LONG
        interface = struct.pack("<I", 1) + bytes(_SLOTS)
        interface += bytes([_VENDOR_CLASS]).ljust(_SLOTS, b"\0") + bytes(2 * _SLOTS)
        types = bytearray([_INVALID_TYPE] * _SLOTS)
        types[0] = types[_SLOTS // 2] = 0  # endpoint 0, out and in: control
        endpoints = bytes(types) + bytes(2 * _SLOTS) + struct.pack(f"<{_SLOTS}H", *[_CONTROL_SIZE] * _SLOTS)
        connect = struct.pack("<BBBBHHH", FULL_SPEED, _VENDOR_CLASS, 0, 0, VENDOR, PRODUCT, RELEASE)
        return (
            self._packet(INTERFACE_INFO, 0, interface)
            + self._packet(EP_INFO, 0, endpoints)
            + self._packet(DEVICE_CONNECT, 0, connect)
        )

    def _control(self, number: int, body: bytes) -> bytes:
        if len(body) < _CONTROL.size:
            raise RedirectionError(f"a control packet of {len(body)} bytes")
        endpoint, request, request_type, _, value, index, length = _CONTROL.unpack_from(body)
        answered = self._device.control(Setup(request_type, request, value, index, length), body[_CONTROL.size :])
        if answered is None:
            return b""
        status, data = answered
        if request_type & _TO_HOST:
            length = len(data)
        else:
            data = b""
        head = _CONTROL.pack(endpoint, request, request_type, status, value, index, length)
        return self._packet(CONTROL_PACKET, number, head + data)
