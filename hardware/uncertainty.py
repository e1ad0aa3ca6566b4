"""How far a reading may be off, part by part: transformer, burden, converter, method, or the meter it was set against.

Each part is the half-width of what the parts' data sheets and standards allow, taken as evenly likely within it, and
they are put together as the GUM (JCGM 100:2008, 4.3.7 and 5.1.2) has it: root of the sum of squares of half-width over
root 3, times a coverage factor of 2.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from math import radians, sqrt
from typing import NamedTuple

from condenser_monitor.hardware import values
from condenser_monitor.hardware.calibration import Calibration, in_force
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import NUMBERS, READINGS

Sense = values.CurrentSense | values.VoltOutput
_KELVIN = 273.15
_NTC_B_K = 3900.0  # of the usual 10 kohm curve between 0 and 50 °C (its own table: 3855 to 3926 K)


class Uncertainty(NamedTuple):
    """Expanded uncertainty (coverage factor 2) in the reading's unit, the half-width of each part, and in plain words
    what it does not cover."""

    reading: str
    value: float
    expanded: float
    parts: dict[str, float]
    note: str = ""

    def one_line(self) -> str:
        """One line for people."""
        unit = READINGS[self.reading].unit
        return f"{self.value:.3g} {unit} ± {self.expanded:.2g} {unit} (k = 2). {self.note}".strip()


def uncertainty(
    reading: str, value: float, calibration: Calibration | None = None, build: str = "boards"
) -> Uncertainty:
    """Of a reading of `value`, as calibrated or as built (`[boards] build`).

    Raises CommandError for a reading that is no number."""
    if reading not in NUMBERS:
        raise CommandError("uncertainty", reading, "one of " + ", ".join(NUMBERS))
    kind = CHANNELS[reading].kind
    if kind == "thermistor":
        parts, note = _temperature(value, calibration)
    elif kind == "probe":
        parts, note = _probe(value, calibration)
    elif kind == "power":
        parts, note = _power(value, calibration, build)
    elif kind == "voltage":
        if build == "boards":
            parts, note = _voltage(values.VOLTAGE_SENSES[reading], value, calibration)
        else:
            parts, note = _listed_voltage(values.READY_VOLTS[reading], value, calibration)
    else:
        parts, note = _current(values.current_sense(reading, build), value, calibration)
    expanded = limits.CALIBRATION.coverage.value * sqrt(sum(half * half for half in parts.values()) / 3)
    return Uncertainty(reading, value, expanded, parts, note)


def by_reading(calibrations: Iterable[Calibration] = (), build: str = "boards") -> Callable[[str, float], float]:
    """A function (reading, value) -> its expanded uncertainty, with the calibrations in force: what the service states
    with each reading."""
    rows = in_force(calibrations)
    return lambda reading, value: uncertainty(reading, value, rows.get(reading), build).expanded


def ratio_error(share: float, points: Sequence[tuple[float, float]] = values.CT_CLASS_1) -> float | None:
    """Largest ratio error of a transformer at `share` of its rated current, straight between the class's points.

    None below the first point: there the class promises nothing (IEC 61869-2). Above the last one its limit holds.
    """
    if share < points[0][0]:
        return None
    for (low, at_low), (high, at_high) in pairwise(points):
        if share <= high:
            return at_low + (at_high - at_low) * (share - low) / (high - low)
    return points[-1][1]


def _current(sense: Sense, value: float, calibration: Calibration | None) -> tuple[dict[str, float], str]:
    transformer, note = _transformer(sense, value, calibration)
    parts = {"transformer": transformer, **_common(value, values.RANGE_RUNNING_V, sense.volts_per_amp)}
    if calibration is None:
        return {**parts, "burden": sense.burden.tolerance * value}, note
    return {**parts, "meter": calibration.meter_share * value}, note


def _transformer(sense: Sense, value: float, calibration: Calibration | None) -> tuple[float, str]:
    """Half-width, A. Below the class's first point the error in amperes is taken to be no larger than at that point."""
    error_a = _class_a(sense, value)
    note = ""
    if value * sense.passes / sense.rated_a < values.CT_CLASS_1[0][0]:
        note = "The transformer's class promises nothing this far below its rating; taken as at its lowest point."
    if calibration is None:
        return error_a, note
    # The meter took the error away at its own point; what may be left is how far the class lets it change from there.
    nearest = min((point.meter for point in calibration.points), key=lambda at: abs(at - value))
    error_share = _class_a(sense, nearest) / nearest
    return abs(error_a - error_share * value), note


def _class_a(sense: Sense, value: float) -> float:
    first, at_first = values.CT_CLASS_1[0]
    share = value * sense.passes / sense.rated_a
    error = ratio_error(share)
    return at_first * first * sense.rated_a / sense.passes if error is None else error * value


def _voltage(sense: values.VoltageSense, value: float, calibration: Calibration | None) -> tuple[dict[str, float], str]:
    common = _common(value, values.RANGE_RUNNING_V, sense.volts_per_volt)
    if calibration is not None:
        return {**common, "meter": calibration.meter_share * value}, ""
    loop_ohm = sense.series.nominal + sense.windings.nominal + sense.burden.nominal
    return {
        **common,
        "series resistor": sense.series.tolerance * value,
        "windings": sense.windings.nominal * sense.windings.tolerance / loop_ohm * value,
        "transformer": sense.ratio.tolerance * value,
        "burden": sense.burden.tolerance * value,
    }, ""


def _listed_voltage(
    sense: values.VoltOutput, value: float, calibration: Calibration | None
) -> tuple[dict[str, float], str]:
    """A listed transformer with 333 mV output: its class holds from 80 % of its rating; below, twice that is taken."""
    common = _common(value, values.RANGE_RUNNING_V, sense.volts_per_volt)
    if calibration is not None:
        return {**common, "meter": calibration.meter_share * value}, ""
    low = value < values.VT_CLASS_FROM.nominal * sense.rated
    note = "Far below its transformer's rating: calibrate it against a voltmeter." if low else ""
    return {**common, "transformer": sense.burden.tolerance * (2 if low else 1) * value}, note


def _power(value: float, calibration: Calibration | None, build: str) -> tuple[dict[str, float], str]:
    """Of real power at the usual power factor: volts, amps, and the angle between them, whose error counts by its
    tangent."""
    factor = limits.CALIBRATION.power_factor.value
    volts = limits.LINE_NOMINAL_V.value
    amps = value / (volts * factor)
    sense = values.current_sense("compressor_a", build)
    share = max(1e-9, amps * sense.passes / sense.rated_a)
    angle_deg = ratio_error(share, values.CT_PHASE_CLASS_1) or values.CT_PHASE_CLASS_1[0][1]
    angles = {"transformers' angle": angle_deg + values.VT_PHASE_DEG.nominal}
    if calibration is not None:
        # The comparison took the angle away at its own current; what is left is how far the class lets it change.
        angles = {"transformers' angle": angle_deg / 2}
    angles["sampling in step"] = limits.CALIBRATION.step_deg.value
    tangent = sqrt(1 / factor**2 - 1)
    parts = {name: radians(angle) * tangent * value for name, angle in angles.items()}
    parts["amps"] = _class_a(sense, amps) / max(amps, 1e-9) * value
    ready = build == "ready-made"
    tolerance = values.LINE_V_SERIES.tolerance + values.LINE_V_BURDEN.tolerance
    parts["volts"] = (values.CT_VOLT_OUTPUT_V.tolerance if ready else tolerance) * value
    if calibration is not None:
        parts["meter"] = calibration.meter_share * value
    return parts | {"method": limits.CALIBRATION.method.value * value}, ""


def _common(value: float, range_v: float, volts_per_unit: float) -> dict[str, float]:
    """Converter, method and noise, in the reading's unit."""
    return {
        "converter": values.ADC_GAIN_TOLERANCE.nominal * value,
        "method": limits.CALIBRATION.method.value * value,
        "noise": limits.CALIBRATION.noise_codes.value * range_v / 32768 / volts_per_unit,
    }


def _probe(value: float, calibration: Calibration | None) -> tuple[dict[str, float], str]:
    """A probe is trimmed in its factory: its data sheet's error holds until it is compared with a thermometer."""
    step = {"step": values.PROBE_STEP_K.nominal / 2}
    if calibration is not None:
        return step | {"meter": calibration.meter_share, "own warmth": limits.CALIBRATION.thermistor_k.value}, ""
    (low, high, near_k), (*_, far_k) = values.PROBE_ERROR_K
    return step | {
        "probe": near_k if low <= value <= high else far_k
    }, "A probe that is not strapped tightly and wrapped reads low."


def _temperature(value: float, calibration: Calibration | None) -> tuple[dict[str, float], str]:
    """A relative error of the resistance is worth T^2 / B kelvin of it."""
    if calibration is not None:
        return {"meter": calibration.meter_share, "curve and own warmth": limits.CALIBRATION.thermistor_k.value}, ""
    per_share_k = (value + _KELVIN) ** 2 / _NTC_B_K
    # The bias stands for half of VDD: an error of it by x moves the ratio, and at mid-scale the resistance by 2 x.
    bias = (values.BIAS_TOP.tolerance + values.BIAS_BOTTOM.tolerance) / 2
    return {
        "thermistor": values.NTC_R25.tolerance * per_share_k,
        "upper resistor": values.NTC_PULL_UP.tolerance * per_share_k,
        "bias divider": 2 * bias * per_share_k,
        "curve and own warmth": limits.CALIBRATION.thermistor_k.value,
    }, "Sun on the sensor or warm air from the coil is not in this figure."
