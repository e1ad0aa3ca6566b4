"""The three boards: what hangs where, in one table, and the scan that reads it.

Time budget of a scan at the default 1 s: four bursts of 0.12 s, four single conversions and two looks at the bias take
about 0.52 s of bus time. A start of the compressor is captured as soon as the contacts are seen to close, whatever the
scan is doing then; the capture owns the bus for a second, and what the scan could not read is missing in it.

A sense that fails is a missing reading with its reason in `faults()`; `scan()` never raises for it.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping, Sequence
from math import degrees, inf, log, radians
from statistics import pstdev
from typing import Any

import msgspec

from condenser_monitor.hardware import values
from condenser_monitor.hardware.analog import ClippedError, Converter, bursts
from condenser_monitor.hardware.calibration import Trim
from condenser_monitor.hardware.channels import BUILDS, CHANNELS, Channel
from condenser_monitor.hardware.digital import Presence, choose_header_chip
from condenser_monitor.hardware.one_wire import FAMILY, PIN, OneWireBus, Probes
from condenser_monitor.hardware.waveform import Measured, Sample, cycles, measure, power, transient
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import SenseError, WiringError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import (
    Scan,
    StartTransient,
)

BIAS_MUX = 7  # AIN3 to ground
BIAS_RANGE_V = 4.096


RESERVED_PINS = {2, 3}  # the bus itself
MUXES = {1: "AIN0 - AIN3", 2: "AIN1 - AIN3", 3: "AIN2 - AIN3"}
_ALLOWED: dict[str, tuple[str, ...]] = {
    "presence": ("pin",),
    "current": ("address", "mux", "scale"),
    "voltage": ("address", "mux", "scale"),
    "thermistor": ("address", "mux"),
    "probe": ("device",),
    "power": (),
}


def channels(settings: Settings) -> dict[str, Channel]:
    """The channels of the fitted senses, with the site's overrides. Raises WiringError for doubles and bad values."""
    for name in settings.boards.channels:
        if name not in CHANNELS:
            raise WiringError(f"boards.channels.{name}", name, "one of " + ", ".join(CHANNELS))
    wired = {
        name: _override(BUILDS[settings.boards.build][name], settings.boards.channels.get(name, {}))
        for name in READINGS
        if name in settings.fitted
    }
    _refuse_doubles(wired)
    _refuse_lone_power(wired)
    return wired


def _override(channel: Channel, table: Mapping[str, Any]) -> Channel:
    place = f"boards.channels.{channel.reading}"
    bounds = {"pin": (0, 27), "address": (0x48, 0x4B), "mux": (1, 3), "scale": (1e-6, 10.0)}
    for key, value in table.items():
        if key not in _ALLOWED[channel.kind]:
            raise WiringError(f"{place}.{key}", key, "one of " + ", ".join(_ALLOWED[channel.kind]))
        if key == "device":
            if not isinstance(value, str) or not re.fullmatch(FAMILY + "[0-9a-f]{12}", value):
                raise WiringError(f"{place}.{key}", value, f"the number of a probe, as {FAMILY}0316a2794bff")
            continue
        low, high = bounds[key]
        whole = key == "scale" or isinstance(value, int)
        if isinstance(value, bool) or not isinstance(value, int | float) or not whole or not low <= value <= high:
            raise WiringError(f"{place}.{key}", value, f"a number from {low:g} to {high:g}")
    return channel._replace(**table)


def _refuse_doubles(wired: Mapping[str, Channel]) -> None:
    taken: dict[object, str] = dict.fromkeys(RESERVED_PINS, "the I2C bus")
    probes = [channel for channel in wired.values() if channel.kind == "probe"]
    if probes:
        taken[PIN] = "the 1-Wire bus"
    for name, channel in wired.items():
        if channel.kind == "power" or (channel.kind == "probe" and len(probes) == 1):
            continue
        if channel.kind == "probe" and not channel.device:
            raise WiringError(f"boards.channels.{name}", "no device", "the number of its probe, for there are several")
        spot: object = (channel.address, channel.mux) if channel.pin is None else channel.pin
        spot = channel.device or spot
        if spot in taken:
            raise WiringError(f"boards.channels.{name}", spot, f"a place of its own; this one has {taken[spot]}")
        taken[spot] = name


def _refuse_lone_power(wired: Mapping[str, Channel]) -> None:
    """Power is made of volts and amps taken at the same time: both, on converters of their own."""
    if "compressor_w" not in wired:
        return
    volts, amps = wired.get("line_v"), wired.get("compressor_a")
    if volts is None or amps is None:
        raise WiringError("senses.fitted", "compressor_w", "line_v and compressor_a with it: power is made of both")
    if volts.address == amps.address:
        place = "boards.channels.line_v.address"
        raise WiringError(place, volts.address, "another converter than compressor_a's, so that both sample together")


class Boards:
    """The senses of one site. `bus` speaks the busio protocol (default: the Pi's), `pin_factory` is gpiozero's.

    `one_wire` is the bus of the probes (default: the Pi's, read by a thread). `clock` gives monotonic s, `sleep` waits
    s, `wall` gives seconds since 1970 or None, `trims` are calibrations by reading. Times in scans count from the
    making of this object. Raises WiringError for a channel that cannot be as the site file has it, SenseError where the
    machine has no such bus or pin; a chip that is silent is no error here.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        bus: Any = None,
        pin_factory: Any = None,
        one_wire: OneWireBus | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], object] = time.sleep,
        wall: Callable[[], float | None] = lambda: None,
        trims: Mapping[str, Trim] | None = None,
    ) -> None:
        self._settings = settings
        self._channels = channels(settings)
        self._clock, self._sleep, self._wall = clock, sleep, wall
        self._trims = dict(trims or {})
        self._zero_s = clock()
        self._bus = bus if bus is not None else _pi_bus(settings) if self._numbers() else None
        self._converters = {
            address: Converter(self._bus, address, clock, sleep)
            for address in sorted({channel.address for channel in self._numbers() if channel.address is not None})
        }
        self._presence = _presences(self._channels, pin_factory, clock)
        probes = {name: row.device for name, row in self._channels.items() if row.kind == "probe"}
        self._probes = Probes(probes, one_wire, clock)
        self._range: dict[str, int] = {channel.reading: 0 for channel in self._numbers()}
        self._faults: dict[str, str] = {}
        self._starts: list[StartTransient] = []
        self._quick: list[Scan] = []
        self._closed_s: float | None = None
        self._line_v: float | None = None
        self.displacement_deg: float | None = None  # of the current behind the volts, at the last power reading
        self._captured_s = self._hurried_s = -inf
        self._watch = next((name for name in ("load", "call") if name in self._presence), None)
        self._levels = {name: presence.present for name, presence in self._presence.items()}

    def _numbers(self) -> list[Channel]:
        return [channel for channel in self._channels.values() if channel.mux is not None]

    # ------------------------------------------------------------ out

    def scan(self) -> Scan:
        """One set of readings; a sense that fails is None. A start seen in the meantime is captured first."""
        self._look()
        at_s = self._clock() - self._zero_s
        wall_s = self._wall()
        fields: dict[str, Any] = {name: presence.present for name, presence in self._presence.items()}
        faults: dict[str, str] = {}
        biases = self._biases()
        done = self._read_power(biases, fields)
        for channel in self._channels.values():
            if channel.reading in done or not (channel.mux is not None or channel.kind == "probe"):
                continue
            try:
                fields[channel.reading] = self._read(channel, biases)
            except SenseError as error:
                faults[channel.reading] = str(error)
        if "compressor_w" in self._channels and "compressor_w" not in fields:
            why = faults.get("line_v") or faults.get("compressor_a") or "no burst of both at the same time"
            faults["compressor_w"] = why
        self._line_v = fields.get("line_v")
        self._faults = faults
        return Scan(t_s=at_s, wall_s=wall_s, **fields)

    def changes(self) -> list[Scan]:
        """Scans of the presence channels alone, one for each change since last asked (chatter is faster than scans)."""
        self._look()
        quick, self._quick = self._quick, []
        return quick

    def starts(self) -> list[StartTransient]:
        """Captures of starts finished since last asked."""
        starts, self._starts = self._starts, []
        return starts

    def faults(self) -> dict[str, str]:
        """Why a reading was missing from the last scan."""
        return dict(self._faults)

    def idle(self, seconds: float, stop: Callable[[], bool] = lambda: False) -> None:
        """Wait, with an eye on the contacts: a start that begins meanwhile is captured at once."""
        until_s = self._clock() + seconds
        while (left_s := until_s - self._clock()) > 0 and not stop():
            self._sleep(min(left_s, limits.IDLE_S.value))
            self._look()

    def close(self) -> None:
        """Let go of pins and bus."""
        for presence in self._presence.values():
            presence.close()
        self._probes.close()
        if self._bus is not None and hasattr(self._bus, "deinit"):
            self._bus.deinit()

    # ------------------------------------------------------------ edges and starts

    def _look(self) -> None:
        """Turn new edges into quick scans, and capture the start that one of them may have begun."""
        edges = sorted(
            (at_s, name, present)
            for name, presence in self._presence.items()
            for at_s, present in presence.drain_edges()
        )
        for at_s, name, present in edges:
            self._levels[name] = present
            self._quick.append(Scan(t_s=at_s - self._zero_s, **self._levels))
            if name == self._watch:
                self._closed_s = at_s if present else None
        del self._quick[: -int(limits.QUICK_SCANS.value)]
        if self._closed_s is not None:
            self._capture(self._closed_s)
            self._closed_s = None

    def _starting(self) -> bool:
        """A closing of the contacts is waiting to be looked at. One that is still not a closing after LATE_CAPTURE_S
        (a voltage at the knee of its opto flickers) must not keep the bus from the rest."""
        if self._watch is None or not self._presence[self._watch].arriving:
            return False
        if self._levels[self._watch] or self._resting():
            return False
        now_s = self._clock()
        if now_s - self._hurried_s > limits.CAPTURE_REST_S.value:
            self._hurried_s = now_s
        return now_s - self._hurried_s < limits.LATE_CAPTURE_S.value

    def _resting(self) -> bool:
        """A capture is just over: closings that follow at once are chatter, and chatter must not keep the bus."""
        return self._clock() - self._captured_s < limits.CAPTURE_REST_S.value

    def _capture(self, closed_s: float) -> None:
        channel = self._channels.get("compressor_a")
        if channel is None or channel.address is None or channel.mux is None or channel.scale is None:
            return
        if self._clock() - closed_s > limits.LATE_CAPTURE_S.value or self._resting():
            return
        self._captured_s = self._clock()
        taken = [(channel, channel.ranges_v[-1])]
        volts = self._channels.get("line_v")
        if volts is not None and volts.address != channel.address:
            taken.append((volts, volts.ranges_v[self._range[volts.reading]]))
        try:
            samples, *rest = bursts(
                [(self._converter(row), row.mux or 0, range_v) for row, range_v in taken],
                limits.TRANSIENT_MOST_S.value,
                settled=self._settled(channel),
            )
        except SenseError as error:
            self._faults[channel.reading] = str(error)
            return
        unit = self._settings.unit
        per_v = self._trims.get(channel.reading, Trim()).gain / channel.scale
        off_v = unit.compressor_rla_a * limits.RUNNING_OFF_RATIO.value / per_v
        conversion_s = self._converter(channel).conversion_s
        found = transient(samples, unit.line_hz, closed_s, unit.locked_a / per_v, conversion_s, off=off_v)
        if found is None or found.peak * per_v < unit.compressor_rla_a * limits.RUNNING_ON_RATIO.value:
            return
        start = StartTransient(
            t_s=closed_s - self._zero_s,
            duration_s=found.duration_s,
            peak_a=found.peak * per_v,
            settled_a=None if found.settled is None else found.settled * per_v,
            rate_hz=(len(samples) - 1) / (samples[-1].t_s - samples[0].t_s),
        )
        volts_per_v = 0.0
        if volts is not None and volts.scale is not None:
            volts_per_v = self._trims.get("line_v", Trim()).gain / volts.scale
        self._starts.append(self._traced(start, samples, per_v, rest[0] if rest else (), volts_per_v))

    def _settled(self, channel: Channel) -> Callable[[Sequence[Sequence[int]]], bool]:
        """Whether a start that is being captured has come to rest: TRANSIENT_S at the least, then until its current
        stands still well below what it began with. One that stands still up there is locked, or slow."""
        least = int(limits.TRANSIENT_S.value / limits.BURST_S.value)
        locked = self._settings.unit.locked_a * (channel.scale or 0.0)

        def settled(codes: Sequence[Sequence[int]]) -> bool:
            width = int(limits.BURST_S.value * limits.ADC_RATE_HZ.value / (1.0 / limits.ADC_READ_RATIO.value))
            found = [pstdev(codes[0][at : at + width]) for at in range(0, len(codes[0]) - width, width)]
            if len(found) < least:
                return False
            *_, before, last = found
            calm = abs(last - before) < (limits.TRANSIENT_SETTLED_RATIO.value - 1.0) * last
            return calm and last * channel.ranges_v[-1] / 32768 < locked

        return settled

    def _traced(
        self,
        start: StartTransient,
        samples: Sequence[Sample],
        amps_per_v: float,
        volts: Sequence[Sample],
        volts_per_v: float,
    ) -> StartTransient:
        """The start with its trace of amps and, where sampled, of volts, cycle by cycle, and the sag of the volts."""
        hz = self._settings.unit.line_hz
        amps = [(at_s - self._zero_s - start.t_s, rms * amps_per_v) for at_s, rms in cycles(samples, hz)]
        line = (
            [(at_s - self._zero_s - start.t_s, rms * volts_per_v) for at_s, rms in cycles(volts, hz)] if volts else []
        )
        every = -(-len(amps) // int(limits.TRACE_MOST.value))
        trace = tuple((round(at_s, 3), round(a, 2)) for at_s, a in amps[::every])
        return msgspec.structs.replace(
            start,
            trace_a=trace,
            trace_v=tuple((round(at_s, 3), round(v, 1)) for at_s, v in line[::every]),
            before_v=self._line_v,
            lowest_v=min((round(v, 1) for _, v in line), default=None),
        )

    # ------------------------------------------------------------ numbers

    def _biases(self) -> dict[int, float | SenseError]:
        """The bias of each converter, V, or why it cannot be had."""
        found: dict[int, float | SenseError] = {}
        answered = False
        for address, converter in self._converters.items():
            try:
                bias_v = converter.single_v(BIAS_MUX, BIAS_RANGE_V)
            except SenseError as error:
                found[address] = error
                answered |= isinstance(error, ClippedError)
                continue
            answered = True
            middle_v = values.VDD.nominal / 2
            if abs(bias_v - middle_v) > middle_v * limits.BIAS_TOLERANCE.value:
                found[address] = SenseError(converter.place, f"a bias of {bias_v:.2f} V", f"about {middle_v:.2f} V")
            else:
                found[address] = bias_v
        if not answered and len(found) > 1:
            found = dict.fromkeys(found, self._silent_bus(found))
        return found

    def _silent_bus(self, errors: Mapping[int, float | SenseError]) -> SenseError:
        """Say what is silent when all chips are: the bus, and not one of them."""
        first = next(error for error in errors.values() if isinstance(error, SenseError))
        chips = ", ".join(f"0x{address:02x}" for address in errors)
        return SenseError(
            f"I2C bus {self._settings.boards.i2c_bus}",
            f"no sound answer from any of its converters ({chips}): {first.given}",
            "one that answers: look at the ribbon, its 3.3 V and for a line that is held down",
        )

    def _read(self, channel: Channel, biases: Mapping[int, float | SenseError]) -> float:
        if channel.kind == "probe":
            return _possible_c(channel.reading, self._trimmed(channel, self._probes.read(channel.reading)))
        assert channel.address is not None
        bias_v = biases[channel.address]
        if isinstance(bias_v, SenseError):
            raise bias_v
        if channel.kind == "thermistor":
            return _possible_c(channel.reading, self._trimmed(channel, self._temperature_c(channel, bias_v)))
        return max(0.0, self._trimmed(channel, self._rms(channel, bias_v)))

    def _trimmed(self, channel: Channel, value: float) -> float:
        trim = self._trims.get(channel.reading, Trim())
        return trim.gain * value + trim.offset

    def _rms(self, channel: Channel, bias_v: float) -> float:
        """RMS of the channel's signal in its own unit, in the finest range that holds it."""
        assert channel.address is not None
        assert channel.mux is not None
        assert channel.scale is not None
        (samples,) = self._sampled([channel])
        return self._level(channel, measure(samples, self._settings.unit.line_hz, self._conversion_s(channel)), bias_v)

    def _converter(self, channel: Channel) -> Converter:
        assert channel.address is not None
        return self._converters[channel.address]

    def _conversion_s(self, channel: Channel) -> float:
        return self._converter(channel).conversion_s

    def _sampled(self, wanted: Sequence[Channel]) -> list[list[Sample]]:
        """A burst of several channels at the same time, each in the finest range that holds it."""
        while True:
            inputs = [(self._converter(row), row.mux or 0, row.ranges_v[self._range[row.reading]]) for row in wanted]
            try:
                return bursts(inputs, limits.BURST_S.value, self._starting)
            except ClippedError as error:
                clipped = next(row for row in wanted if self._converter(row).place == error.place)
                if self._range[clipped.reading] + 1 >= len(clipped.ranges_v):
                    raise
                self._range[clipped.reading] += 1

    def _read_power(self, biases: Mapping[int, float | SenseError], fields: dict[str, Any]) -> set[str]:
        """Volts and amps of the compressor sampled at the same time, and the power that they make; the readings that
        were taken so. None of them where one of the two cannot be had: the other is then read by itself."""
        volts, amps = self._channels.get("line_v"), self._channels.get("compressor_a")
        if "compressor_w" not in self._channels or volts is None or amps is None:
            return set()
        bias_v = [biases[row.address] for row in (volts, amps) if row.address is not None]
        if any(isinstance(bias, SenseError) for bias in bias_v):
            return set()
        try:
            samples = self._sampled((volts, amps))
            lag_rad = radians(self._trims.get("compressor_w", Trim()).offset)
            conversions_s = (self._conversion_s(volts), self._conversion_s(amps))
            found = power(samples[0], samples[1], self._settings.unit.line_hz, conversions_s, lag_rad)
            if found is None:
                return set()
            levels = {}
            timed = self._converter(volts).timed and self._converter(amps).timed
            for row, part, bias in zip((volts, amps), (found.volts, found.amps), bias_v, strict=True):
                assert not isinstance(bias, SenseError)
                levels[row.reading] = max(0.0, self._trimmed(row, self._level(row, part, bias)))
        except SenseError:
            return set()
        fields |= levels
        if not timed and levels["compressor_a"] > limits.START_WINDING_NONE_A.value:
            # A converter's beat was not found: its samples are one conversion off, and so is the angle. No power is
            # better than a wrong one; a current that is next to nothing has no beat and next to no power.
            return {"line_v", "compressor_a"}
        self.displacement_deg = degrees(found.displacement_rad)
        watts = found.factor * levels["line_v"] * levels["compressor_a"]
        fields["compressor_w"] = READINGS["compressor_w"].taken(watts)
        return {"line_v", "compressor_a"}

    def _level(self, channel: Channel, found: Measured | None, bias_v: float) -> float:
        """RMS of a burst in the channel's own unit. Raises SenseError for one that tells nothing."""
        assert channel.scale is not None
        place = self._range[channel.reading]
        if found is None:
            raise SenseError(channel.reading, "too few conversions", "a whole burst; a start was being captured")
        if found.rms < abs(found.mean):
            self._refuse_unplugged(channel, found.mean, bias_v)
        if place and found.peak < limits.RANGE_DOWN_RATIO.value * channel.ranges_v[place - 1]:
            self._range[channel.reading] = place - 1
        return found.rms / channel.scale

    def _refuse_unplugged(self, channel: Channel, mean_v: float, bias_v: float) -> None:
        if channel.burden_ohm is None:
            return
        # Without a plug a resistor to VDD (of the jack's switch, or there always) shows; no transformer gives DC.
        loose_v = bias_v * channel.burden_ohm / (channel.loose_ohm + channel.burden_ohm)
        if abs(mean_v) > loose_v * limits.UNPLUGGED_RATIO.value:
            raise SenseError(channel.reading, f"{mean_v * 1000:.1f} mV of direct voltage", "a plugged-in transformer")

    def _temperature_c(self, channel: Channel, bias_v: float) -> float:
        assert channel.address is not None
        assert channel.mux is not None
        above_v = self._converters[channel.address].single_v(channel.mux, channel.ranges_v[0])
        ratio = (above_v + bias_v) / (2 * bias_v)
        low, high = limits.THERMISTOR_LOW.value, limits.THERMISTOR_HIGH.value
        if not low < ratio < high:
            raise SenseError(channel.reading, f"{ratio:.3f} of VDD", f"{low:g} to {high:g}: lead open or shorted")
        return celsius(values.NTC_PULL_UP.nominal * ratio / (1 - ratio))


def _presences(wired: Mapping[str, Channel], factory: Any, clock: Callable[[], float]) -> dict[str, Presence]:
    """All presence channels, or none: where one pin cannot be had, those taken are let go. Raises SenseError."""
    taken: dict[str, Presence] = {}
    if factory is None:
        choose_header_chip()
    try:
        for name, channel in wired.items():
            if channel.pin is not None:
                taken[name] = Presence(name, channel.pin, factory, clock)
    except SenseError:
        for presence in taken.values():
            presence.close()
        raise
    return taken


def _possible_c(reading: str, value: float) -> float:
    """A temperature that its reading can have, as a Scan holds it. Raises SenseError: a bad lead."""
    row = READINGS[reading]
    if not row.least <= value <= row.most:
        raise SenseError(reading, f"{value:.0f} °C", f"{row.least:g} to {row.most:g} °C: lead or sensor damaged")
    return value


def celsius(ohm: float) -> float:
    """Temperature of the thermistor at a resistance, by the Steinhart-Hart equation."""
    a, b, c = values.STEINHART_HART
    ln = log(ohm)
    return 1 / (a + b * ln + c * ln**3) - 273.15


_BUS = (
    "an I2C bus that exists: on a Pi, switch I2C on (raspi-config, Interface Options). To try the monitor without"
    " boards: condenser-monitor run --simulated"
)


def _pi_bus(settings: Settings) -> Any:
    """The Pi's own I2C bus. `import board` of the usual stack fails off a Pi, so the bus is opened by number."""
    from adafruit_extended_bus import ExtendedI2C  # noqa: PLC0415 - works on a Pi only

    try:
        return ExtendedI2C(settings.boards.i2c_bus)
    except (OSError, ValueError) as error:
        raise SenseError(f"boards.i2c_bus {settings.boards.i2c_bus}", str(error), _BUS) from None
