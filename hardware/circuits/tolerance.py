"""What the tolerances of bought parts do: the worst case (every corner) and a Monte Carlo run with a fixed seed.

Parts are drawn evenly over their tolerance, which is harder than life. The worst case evaluates every corner of the
box of tolerances, which bounds it for quantities that rise or fall with each part alone; all of these do. Needs numpy,
so it belongs to building and testing, not to the Pi.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from itertools import product
from math import log, pi, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from condenser_monitor.hardware import boards
from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.uncertainty import ratio_error
from condenser_monitor.hardware.values import Value
from condenser_monitor.monitor import limits

Sample = Mapping[str, NDArray[np.float64]]
Array = NDArray[np.float64]
SEED = 20260714
DRAWS = 2000
_STEPS = 120
_SATURATED_V = 0.15  # collector of a lit opto (data sheet: 0.1 V to 0.2 V)
_LIFE = Value((1 + v.OPTO_LIFE.nominal) / 2, "1", (1 - v.OPTO_LIFE.nominal) / (1 + v.OPTO_LIFE.nominal), "age")
_HEAT = Value((1 + v.OPTO_HEAT.nominal) / 2, "1", (1 - v.OPTO_HEAT.nominal) / (1 + v.OPTO_HEAT.nominal), "heat")


class Spread(NamedTuple):
    """One quantity over the tolerances: nominal, worst case, the middle 99.8 % of the draws; and its limits."""

    board: str
    name: str
    unit: str
    nominal: float
    worst: tuple[float, float]
    drawn: tuple[float, float]
    least: float
    most: float
    why: str

    @property
    def kept(self) -> bool:
        return self.least <= self.worst[0] and self.worst[1] <= self.most


def corners(box: Mapping[str, Value]) -> Sample:
    """Every corner of a box of tolerances."""
    grid = np.array(list(product(*((row.low, row.high) for row in box.values()))))
    return {name: grid[:, index] for index, name in enumerate(box)}


def draws(box: Mapping[str, Value], count: int = DRAWS, seed: int = SEED) -> Sample:
    """`count` evenly drawn samples; the same ones for the same seed."""
    dice = np.random.default_rng(seed)
    return {name: dice.uniform(row.low, row.high, count) for name, row in box.items()}


def middle(box: Mapping[str, Value]) -> Sample:
    return {name: np.array([row.nominal]) for name, row in box.items()}


# ---------------------------------------------------------------- presence

_PIN = {
    "pull": v.PULL_UP,
    "pi": v.PI_PULL_UP,
    "hold": v.HOLD_CAP,
    "led": v.LED_V,
    "ctr": v.OPTO_CTR,
    "life": _LIFE,
    "heat": _HEAT,
}
CALL_BOX = {
    "series": v.CALL_SERIES,
    "zener": v.CALL_ZENER,
    "drift": v.ZENER_DRIFT,
    "forward": v.ZENER_FORWARD_V,
    **_PIN,
}
LINE_BOX = {"series": v.LINE_SERIES, "shunt": v.LINE_SHUNT, **_PIN}


class ToleranceChannel(NamedTuple):
    """A presence channel's own arithmetic: peak volts at which its opto begins to conduct, and the diode's current."""

    floor: Callable[[Sample], Array]
    led: Callable[[Array, Sample], Array]
    most_v: float


def _led_24v(volts: Array, s: Sample) -> Array:
    return np.maximum(0.0, volts - s["zener"] * s["drift"] - s["forward"] - s["led"]) / s["series"]


def _led_line(volts: Array, s: Sample) -> Array:
    """Current that the shunt leaves to the diode; Newton's rule on the diode's voltage, from above, which is safe."""
    droppers, slope = v.LINE_SERIES_COUNT * s["series"], v.LED_SLOPE_V.nominal
    saturation = 1e-3 / np.exp(s["led"] / slope)
    across = slope * np.log1p(volts / droppers / saturation)
    for _ in range(5):
        light = saturation * np.expm1(across / slope)
        excess = light + across / s["shunt"] - (volts - across) / droppers
        across = across - excess / (light / slope + 1 / s["shunt"] + 1 / droppers)
    return saturation * np.expm1(across / slope)


LED_DIM_V = v.LED_SLOPE_V.nominal * log(1e-3 / v.LED_DIM_A.nominal)  # less than at 1 mA
CALL = ToleranceChannel(lambda s: s["zener"] * s["drift"] + s["forward"] + s["led"], _led_24v, 30.0)
LINE = ToleranceChannel(
    lambda s: (s["led"] - LED_DIM_V) * (1 + v.LINE_SERIES_COUNT * s["series"] / s["shunt"]), _led_line, 264.0
)


def _conducts(channel: ToleranceChannel, peak: Array, s: Sample) -> Array:
    """The angle at which the opto begins to conduct; a right angle where it never does."""
    return np.arcsin(np.minimum(1.0, channel.floor(s) / np.maximum(peak, 1e-9)))


def _half_wave(channel: ToleranceChannel, peak: Array, s: Sample, *, start_v: Array, phase: Array, hz: float) -> Array:
    """The hold capacitor's voltage half a wave after it stood at `start_v`; explicit steps, saturating at the opto."""
    step = 1 / (2 * hz * _STEPS)
    pulled = s["pull"] * (s["pi"] + v.PIN_SERIES.nominal) / (s["pull"] + s["pi"] + v.PIN_SERIES.nominal)
    gain = s["ctr"] * s["life"] * s["heat"]
    volts = start_v
    for index in range(_STEPS):
        wave = np.abs(np.sin(phase + pi * index / _STEPS))
        flow = (v.VDD.nominal - volts) / pulled - gain * channel.led(peak * wave, s)
        volts = np.maximum(np.minimum(_SATURATED_V, volts), volts + step * flow / s["hold"])
    return volts


def _held_low(s: Sample) -> Array:
    """The capacitor's voltage when the pin, a little higher by the Pi's own pull-up, is just surely low."""
    share = v.PIN_SERIES.nominal / (v.PIN_SERIES.nominal + s["pi"])
    return (v.PIN_LOW_V.nominal - v.VDD.nominal * share) / (1 - share)


def _bisect(seen: Callable[[Array], NDArray[np.bool_]], count: int, high: float) -> Array:
    """The RMS voltage at which `seen` turns true, for each sample."""
    low, top = np.zeros(count), np.full(count, high)
    for _ in range(13):
        half = (low + top) / 2
        hit = seen(half)
        low, top = np.where(hit, low, half), np.where(hit, half, top)
    return top


def sees_from(channel: ToleranceChannel, s: Sample, hz: float = 50) -> Array:
    """The least RMS voltage that holds the pin surely low.

    The pin is highest as the opto begins to conduct: if it comes back there no higher than it stood, it never rises.
    """
    limit = _held_low(s)

    def held(rms: Array) -> NDArray[np.bool_]:
        peak = rms * sqrt(2)
        phase = _conducts(channel, peak, s)
        return _half_wave(channel, peak, s, start_v=limit, phase=phase, hz=hz) <= limit

    return _bisect(held, len(limit), channel.most_v)


def ignores_to(channel: ToleranceChannel, s: Sample, hz: float = 60) -> Array:
    """The greatest RMS voltage that leaves the pin surely high; the pin is lowest as the opto stops conducting."""
    limit = np.full(len(s["pull"]), v.PIN_HIGH_V.nominal)

    def pulled(rms: Array) -> NDArray[np.bool_]:
        peak = rms * sqrt(2)
        phase = pi - _conducts(channel, peak, s)
        return _half_wave(channel, peak, s, start_v=limit, phase=phase, hz=hz) < limit

    return _bisect(pulled, len(limit), channel.most_v)


# ---------------------------------------------------------------- gains and temperature


def ct_class_error(share: float) -> float:
    """Largest ratio error of a class 1 transformer at `share` of its rated current; below 5 % that of 5 % is taken."""
    error = ratio_error(share)
    return v.CT_CLASS_1[0][1] if error is None else error


def gain_box(sense: v.CurrentSense, amps: float) -> dict[str, Value]:
    """What can move the scale of a current sense, as relative values about 1."""
    error = ct_class_error(amps * sense.passes / sense.rated_a)
    return {
        "ratio": Value(1.0, "1", error, "class 1"),
        "burden": Value(1.0, "1", sense.burden.tolerance, "burden"),
        "converter": Value(1.0, "1", v.ADC_GAIN_TOLERANCE.nominal, "gain of the converter"),
    }


def voltage_box() -> dict[str, Value]:
    """What can move the scale of the control voltage."""
    return {
        "ratio": v.CONTROL_RATIO,
        "series": v.CONTROL_SERIES,
        "windings": v.CONTROL_WINDINGS,
        "burden": v.CONTROL_BURDEN,
        "converter": Value(1.0, "1", v.ADC_GAIN_TOLERANCE.nominal, "gain of the converter"),
    }


def _gain(s: Sample) -> Array:
    return s["ratio"] * s["burden"] * s["converter"]


def _voltage_gain(s: Sample) -> Array:
    total = s["series"] + s["windings"] + s["burden"]
    return s["ratio"] * s["burden"] / total * s["converter"] / v.CONTROL_VOLTS_PER_VOLT


TEMPERATURE_BOX = {
    "r25": Value(1.0, "1", v.NTC_R25.tolerance, "thermistor"),
    "pull": v.NTC_PULL_UP,
    "top": v.BIAS_TOP,
    "bottom": v.BIAS_BOTTOM,
}


def celsius(ohm: Array) -> Array:
    """The Pi's own equation, element by element."""
    return np.array([boards.celsius(value) for value in ohm])


def _read_c(true_ohm: float) -> Callable[[Sample], Array]:
    """The temperature the Pi computes for a thermistor at `true_ohm`, taking the bias for exactly half of VDD."""

    def read(s: Sample) -> Array:
        ohm = true_ohm * s["r25"]
        at_pin = ohm / (ohm + s["pull"])
        bias = s["bottom"] / (s["top"] + s["bottom"])
        ratio = at_pin / bias / 2
        return celsius(v.NTC_PULL_UP.nominal * ratio / (1 - ratio))

    return read


# ---------------------------------------------------------------- the table


class _Limits(NamedTuple):
    least: float
    most: float
    why: str


def _spread(
    names: tuple[str, str, str], box: Mapping[str, Value], measure: Callable[[Sample], Array], keep: _Limits
) -> Spread:
    board, name, unit = names
    ends, cloud = measure(corners(box)), measure(draws(box))
    low, high = np.quantile(cloud, (0.001, 0.999))
    return Spread(
        board,
        name,
        unit,
        float(measure(middle(box))[0]),
        (float(ends.min()), float(ends.max())),
        (float(low), float(high)),
        keep.least,
        keep.most,
        keep.why,
    )


@cache
def spreads() -> Sequence[Spread]:
    """The tolerance table of the three boards (indoor channels are those of `call`)."""
    ghost, present = limits.CONTROL_GHOST_V.value, limits.CONTROL_PRESENT_V.value
    rows = [
        _spread(
            ("control", "call: ignores up to", "V RMS"),
            CALL_BOX,
            lambda s: ignores_to(CALL, s),
            _Limits(ghost, present, "a ghost is under 10 V"),
        ),
        _spread(
            ("control", "call: sees from", "V RMS"),
            CALL_BOX,
            lambda s: sees_from(CALL, s),
            _Limits(ghost, present, "18 V is a call"),
        ),
        _spread(
            ("line", "supply, load: ignores up to", "V RMS"),
            LINE_BOX,
            lambda s: ignores_to(LINE, s),
            _Limits(40.0, 187.0, "what leaks past an open pole"),
        ),
        _spread(
            ("line", "supply, load: sees from", "V RMS"),
            LINE_BOX,
            lambda s: sees_from(LINE, s),
            _Limits(40.0, 187.0, "the lowest voltage a unit runs on"),
        ),
    ]
    for sense, amps, board in ((v.COMPRESSOR, 15.0, "line"), (v.FAN, 1.2, "line"), (v.COIL, 0.25, "control")):
        rows.append(
            _spread(
                (board, f"{sense.reading}: error at {amps:g} A, uncalibrated", "%"),
                gain_box(sense, amps),
                lambda s: (_gain(s) - 1) * 100,
                _Limits(-5.0, 5.0, "calibrated on site to a clamp meter"),
            )
        )
    rows.append(
        _spread(
            ("control", "control_v: error, uncalibrated", "%"),
            voltage_box(),
            lambda s: (_voltage_gain(s) - 1) * 100,
            _Limits(-5.0, 5.0, "calibrated on site to a voltmeter"),
        )
    )
    at_35_c = 6530.0  # ohm; the published table of the usual 10 kohm curve
    rows.append(
        _spread(
            ("line", "outdoor_c: reads at 35 C", "C"),
            TEMPERATURE_BOX,
            _read_c(at_35_c),
            _Limits(34.0, 36.0, "a degree; shade matters more"),
        )
    )
    return rows
