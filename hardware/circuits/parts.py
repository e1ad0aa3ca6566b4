"""The parts of each board: reference, generic type, value, rating, what it is for. No brands.

The references are those of the drawing and of the simulated netlist, so a value is looked up by board and reference
(`ohms("line", "R15")`) and stands only in `values.py`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.values import Value
from condenser_monitor.monitor.core.errors import ContractError


class Part(NamedTuple):
    """One part, or several alike (`ref` then lists them, `R1 R2`)."""

    ref: str
    kind: str
    value: Value | None
    rating: str
    role: str

    @property
    def refs(self) -> tuple[str, ...]:
        return tuple(self.ref.split())

    @property
    def text(self) -> str:
        """The value as written on a drawing: `4.7 kΩ`, `2.2 µF`; empty where the part has none."""
        return "" if self.value is None else written(self.value)


def written(value: Value) -> str:
    """A nominal value with its unit and the usual prefix."""
    symbol = {"ohm": "Ω", "1": ""}.get(value.unit, value.unit)
    if value.unit == "1":
        return f"{value.nominal:g}:1"
    for factor, prefix in ((1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n")):
        if value.nominal >= factor:
            return f"{value.nominal / factor:.4g} {prefix}{symbol}"
    return f"{value.nominal:g} {symbol}"


_LOW = "0.1 W, 50 V"
_OPTO = "isolation 5 kV RMS (UL 1577), creepage and clearance 8 mm (wide leads), ranked 50 % to 150 % at 1 mA"
_SCHOTTKY = "30 V, 0.2 A, two in series in one case"
_RECTIFIER = "1 A, 50 V or more, silicon; not a Schottky, whose leakage would load the burden"
_CERAMIC = "X7R ceramic, 16 V or more"


def _presence(opto: str, pull: str, hold: str, pin: str, name: str) -> tuple[Part, ...]:
    """The isolated half of every presence channel, from the opto's transistor to the Pi's pin."""
    return (
        Part(opto, "opto-isolator, AC input, transistor output", None, _OPTO, f"{name}: isolates and senses presence"),
        Part(pull, "resistor", v.PULL_UP, _LOW, f"{name}: pull-up; no voltage reads high"),
        Part(hold, "capacitor", v.HOLD_CAP, _CERAMIC, f"{name}: holds the pin between half waves"),
        Part(pin, "resistor", v.PIN_SERIES, _LOW, f"{name}: protects the Pi's pin"),
    )


def _input_24v(fuse: str, resistor: str, zeners: str, name: str) -> tuple[Part, ...]:
    """The 24 V half of a presence channel."""
    return (
        Part(
            fuse,
            "fuse, 5 x 20 mm, time-lag (IEC 60127-2), in a closed holder",
            v.TAP_FUSE,
            "250 V",
            f"{name}: a fault on the board opens this, never the unit's control fuse",
        ),
        Part(
            resistor,
            "resistor, metal film, flame-proof",
            v.CALL_SERIES,
            "1 W, 350 V",
            f"{name}: sets the opto's current",
        ),
        Part(zeners, "zener diode", v.CALL_ZENER, "0.5 W", f"{name}: back to back; a few stolen volts pass nothing"),
    )


class _Jack(NamedTuple):
    """A current transformer, the jack it plugs into, and the resistor that tells an empty jack."""

    ct: str
    jack: str
    tell: str


def _current(
    plug: _Jack, burden: str, clamps: str, tail: tuple[str, str, str], sense: v.CurrentSense
) -> tuple[Part, ...]:
    """One current transformer with its jack, burden, clamps and filter."""
    name, (series, cap, schottky) = sense.reading, tail
    loops = "one pass" if sense.passes == 1 else f"{sense.passes} passes of the lead"
    case = (
        "insulation 600 V or more, listed (UL 2808 or IEC 61010-2-032), current output without a burden, "
        "clamp inside against an open secondary"
    )
    return (
        Part(
            plug.ct,
            "current transformer, split core",
            v.CT_RATIO,
            f"{sense.rated_a:.0f} A, class 1 into {sense.burden.nominal:g} ohm, {case}",
            f"{name}: {loops} through the window",
        ),
        Part(
            plug.jack, "jack, 3.5 mm, with a switch contact", None, "30 V, 1 A", f"{name}: the plug opens the contact"
        ),
        Part(plug.tell, "resistor", v.PLUG_SENSE, _LOW, f"{name}: direct voltage on the burden tells an empty jack"),
        Part(burden, "resistor, metal film", sense.burden, "0.5 W", f"{name}: burden, fixed on the board"),
        _clamps(clamps, name),
        *_filter(series, cap, schottky, name),
    )


def _clamps(refs: str, name: str) -> Part:
    return Part(refs, "rectifier diode", None, _RECTIFIER, f"{name}: two each way across the burden, should it open")


def _filter(series: str, cap: str, schottky: str, name: str) -> tuple[Part, ...]:
    return (
        Part(series, "resistor", v.SERIES, _LOW, f"{name}: limits fault current into the converter"),
        Part(cap, "capacitor", v.FILTER_CAP, _CERAMIC, f"{name}: filter, to ground"),
        Part(schottky, "Schottky diode pair", None, _SCHOTTKY, f"{name}: holds the converter's pin to its rails"),
    )


def _converter(halves: tuple[str, str], hold: str, chip: str, decouple: str, address: str) -> tuple[Part, ...]:
    top, bottom = halves
    return (
        Part(top, "resistor", v.BIAS_TOP, _LOW, "bias: upper half"),
        Part(bottom, "resistor", v.BIAS_BOTTOM, _LOW, "bias: lower half"),
        Part(hold, "capacitor", v.BIAS_CAP, _CERAMIC, "bias: holds it still"),
        Part(chip, "converter, 16 bit, ADS1115", None, "2.0 V to 5.5 V", f"I2C address {address}; AIN3 on the bias"),
        Part(decouple, "capacitor", v.ADC_SUPPLY_DECOUPLE, _CERAMIC, "converter: supply"),
    )


_INDOOR_INPUTS = (
    Part("D13 D14", "transient suppressor", None, "5 V stand-off, bipolar, 400 W", "indoor cable: surges"),
    Part("R11 R12", "resistor", v.PULL_UP, _LOW, "indoor cable: pull-up; a broken cable reads as absent"),
    Part("C6 C7", "capacitor", v.HOLD_CAP, _CERAMIC, "indoor cable: holds the pin, shorts what the cable picks up"),
    Part("R13 R14", "resistor", v.PIN_SERIES, _LOW, "indoor cable: protects the Pi's pins"),
)

CONTROL = (
    Part("J1", "terminal block, 2-way", None, "300 V, 18 AWG", "Y and C of the unit, ahead of nothing else"),
    *_input_24v("F1", "R1", "D1 D2", "call"),
    *_presence("U1", "R2", "C1", "R3", "call"),
    Part("R4", "resistor, metal film", v.CONTROL_SERIES, "0.25 W, 350 V", "control_v: sets the transformer's current"),
    Part(
        "T1",
        "voltage transformer, 2 mA : 2 mA",
        v.CONTROL_RATIO,
        "isolation 3 kV RMS, 50/60 Hz, class 0.5",
        "control_v: isolates and measures",
    ),
    Part("R5", "resistor, metal film", v.CONTROL_BURDEN, _LOW, "control_v: burden"),
    _clamps("D3 D4 D5 D6", "control_v"),
    *_filter("R6", "C2", "D7", "control_v"),
    *_current(_Jack("CT1", "J2", "R15"), "R7", "D8 D9 D10 D11", ("R8", "C3", "D12"), v.COIL),
    *_converter(("R9", "R10"), "C4", "U2", "C5", "0x48 (ADDR to GND)"),
    *_INDOOR_INPUTS,
    Part("J3 J4", "terminal block; pin header", None, "300 V", "indoor cable; ribbon to the Pi's header"),
)

_LINE_FUSE = "600 V, 10 x 38 mm, interrupting rating 10 kA or more (UL 248-14, IEC 60269), in a listed closed holder"


def _line_input(fuses: str, varistor: str, droppers: str, shunt: str, name: str) -> tuple[Part, ...]:
    return (
        Part(fuses, "fuse", v.LINE_FUSE, _LINE_FUSE, f"{name}: one in each leg, at the tap"),
        Part(varistor, "varistor, thermally protected, listed", v.VARISTOR, "10 kA, 8/20 us", f"{name}: surges"),
        Part(
            droppers,
            "resistor, metal film, flame-proof",
            v.LINE_SERIES,
            "1 W, 350 V working, 700 V overload",
            f"{name}: four in series share voltage and heat; two in each leg",
        ),
        Part(shunt, "resistor", v.LINE_SHUNT, _LOW, f"{name}: no light below about 1.3 mA"),
    )


LINE = (
    Part("J1 J2", "terminal block, 2-way, 10 mm pitch", None, "600 V", "L1 and L2; T1 and T2. Licensed work"),
    *_line_input("F1 F2", "RV1", "R1 R2 R3 R4", "R5", "supply"),
    *_presence("U1", "R6", "C1", "R7", "supply"),
    *_line_input("F3 F4", "RV2", "R8 R9 R10 R11", "R12", "load"),
    *_presence("U2", "R13", "C2", "R14", "load"),
    *_current(_Jack("CT1", "J3", "R23"), "R15", "D1 D2 D3 D4", ("R16", "C3", "D5"), v.COMPRESSOR),
    *_current(_Jack("CT2", "J6", "R24"), "R17", "D6 D7 D8 D9", ("R18", "C4", "D10"), v.FAN),
    Part("RT1", "thermistor, 10 kohm, insulated bead on a lead", v.NTC_R25, "-40 to 105 C", "outdoor_c: in shade"),
    Part("R19", "resistor, metal film", v.NTC_PULL_UP, _LOW, "outdoor_c: upper resistor"),
    *_filter("R20", "C5", "D11", "outdoor_c"),
    *_converter(("R21", "R22"), "C6", "U3", "C7", "0x49 (ADDR to VDD)"),
    Part("J4 J5", "terminal block; pin header", None, "300 V", "thermistor; ribbon to the Pi's header"),
)

INDOOR = (
    Part("J1 J2", "terminal block, 2-way", None, "300 V, 18 AWG", "R and C behind the control fuse; Y and C"),
    *_input_24v("F1", "R1", "D1 D2", "control_power"),
    Part(
        "U1", "opto-isolator, AC input, transistor output", None, _OPTO, "control_power: isolates and senses presence"
    ),
    *_input_24v("F2", "R2", "D3 D4", "thermostat"),
    Part("U2", "opto-isolator, AC input, transistor output", None, _OPTO, "thermostat: isolates and senses presence"),
    Part("J3", "terminal block, 3-way", None, "300 V", "cable to the control board: common and two signals"),
)

BOARDS: dict[str, tuple[Part, ...]] = {"control": CONTROL, "line": LINE, "indoor": INDOOR}


def refs(board: str) -> Iterator[str]:
    """Every reference of a board, in the order of its list."""
    for part in BOARDS[board]:
        yield from part.refs


def part(board: str, ref: str) -> Part:
    """The part of this reference. Raises ContractError where the board has none."""
    for row in BOARDS[board]:
        if ref in row.refs:
            return row
    raise ContractError(f"{board} board", ref, "one of " + " ".join(refs(board)))


def value(board: str, ref: str) -> Value:
    """Its value. Raises ContractError for a part that has none."""
    found = part(board, ref).value
    if found is None:
        raise ContractError(f"{board} board: {ref}", None, "a part with a value")
    return found
