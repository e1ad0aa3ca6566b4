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


def _voltage_sense(
    loop: tuple[str, str, str], clamps: str, tail: tuple[str, str, str], sense: v.VoltageSense
) -> tuple[Part, ...]:
    """One small voltage transformer with what drives it, burden, clamps and filter; of `loop` (series,
    transformer, burden) the first may be several alike."""
    series, transformer, burden = loop
    name, (resistor, cap, schottky) = sense.reading, tail
    line = sense is v.LINE_V
    each = v.LINE_V_RESISTOR if line else sense.series
    rating = "0.6 W, 350 V working, 700 V overload, flame-proof" if line else "0.25 W, 350 V"
    return (
        Part(series, "resistor, metal film", each, rating, f"{name}: sets the transformer's current"),
        Part(
            transformer,
            "voltage transformer, 2 mA : 2 mA",
            sense.ratio,
            "isolation 3 kV RMS, 50/60 Hz, class 0.5",
            f"{name}: isolates and measures",
        ),
        Part(burden, "resistor, metal film", sense.burden, _LOW, f"{name}: burden"),
        _clamps(clamps, name),
        *_filter(resistor, cap, schottky, name),
    )


def _probe(pull_up: str, tail: tuple[str, str, str], name: str) -> tuple[Part, ...]:
    """What a thermistor on a cable needs at the converter."""
    return (
        Part(pull_up, "resistor, metal film", v.NTC_PULL_UP, _LOW, f"{name}: upper resistor"),
        *_filter(*tail, name),
    )


def _thermistor(ref: str, name: str, role: str) -> Part:
    return Part(ref, "thermistor, 10 kohm, insulated bead on a lead", v.NTC_R25, "-40 to 105 C", f"{name}: {role}")


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
    Part("D13 D14 D23", "transient suppressor", None, "5 V stand-off, bipolar, 400 W", "indoor cable: surges"),
    Part("R11 R12 R26", "resistor", v.PULL_UP, _LOW, "indoor cable: pull-up; a broken cable reads as absent"),
    Part("C6 C7 C14", "capacitor", v.HOLD_CAP, _CERAMIC, "indoor cable: holds the pin, shorts what the cable picks up"),
    Part("R13 R14 R27", "resistor", v.PIN_SERIES, _LOW, "indoor cable: protects the Pi's pins"),
)

CONTROL = (
    Part("J1", "terminal block, 2-way", None, "300 V, 18 AWG", "Y and C of the unit, ahead of nothing else"),
    *_input_24v("F1", "R1", "D1 D2", "call"),
    *_presence("U1", "R2", "C1", "R3", "call"),
    *_voltage_sense(("R4", "T1", "R5"), "D3 D4 D5 D6", ("R6", "C2", "D7"), v.CONTROL),
    *_current(_Jack("CT1", "J2", "R15"), "R7", "D8 D9 D10 D11", ("R8", "C3", "D12"), v.COIL),
    *_converter(("R9", "R10"), "C4", "U2", "C5", "0x48 (ADDR to GND)"),
    *_INDOOR_INPUTS,
    Part("J3 J4", "terminal block; pin header", None, "300 V", "indoor cable; ribbon to the Pi's header"),
    Part("J5", "terminal block, 2-way", None, "300 V, 18 AWG", "the contactor coil's own two terminals"),
    Part("F2", "fuse", v.TAP_FUSE, "250 V, at the tap", "coil_v: a fault here never opens the control fuse"),
    *_voltage_sense(("R17", "T2", "R18"), "D16 D17 D18 D19", ("R19", "C9", "D20"), v.COIL_V),
    *_probe("R20", ("R21", "C10", "D21"), "return_air_c"),
    *_probe("R22", ("R23", "C11", "D22"), "supply_air_c"),
    *_converter(("R24", "R25"), "C12", "U3", "C13", "0x4B (ADDR to SCL)"),
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
    _thermistor("RT1", "outdoor_c", "in shade"),
    *_probe("R19", ("R20", "C5", "D11"), "outdoor_c"),
    *_converter(("R21", "R22"), "C6", "U3", "C7", "0x49 (ADDR to VDD)"),
    Part("J4 J5", "terminal block; pin header", None, "300 V", "thermistor; ribbon to the Pi's header"),
    *_voltage_sense(("R25 R26 R27 R28", "T1", "R29"), "D12 D13 D14 D15", ("R30", "C8", "D16"), v.LINE_V),
    *_current(_Jack("CT3", "J7", "R31"), "R32", "D17 D18 D19 D20", ("R33", "C9", "D21"), v.START_WINDING),
    Part("J8 J9", "terminal block, 2-way", None, "300 V", "pipe probes"),
    _thermistor("RT2", "suction_c", "strapped to the large pipe"),
    *_probe("R34", ("R35", "C10", "D22"), "suction_c"),
    _thermistor("RT3", "liquid_c", "strapped to the small pipe"),
    *_probe("R36", ("R37", "C11", "D23"), "liquid_c"),
    *_converter(("R38", "R39"), "C12", "U4", "C13", "0x4A (ADDR to SDA)"),
)

INDOOR = (
    Part("J1 J2", "terminal block, 2-way", None, "300 V, 18 AWG", "R and C behind the control fuse; Y and C"),
    *_input_24v("F1", "R1", "D1 D2", "control_power"),
    Part(
        "U1", "opto-isolator, AC input, transistor output", None, _OPTO, "control_power: isolates and senses presence"
    ),
    *_input_24v("F2", "R2", "D3 D4", "thermostat"),
    Part("U2", "opto-isolator, AC input, transistor output", None, _OPTO, "thermostat: isolates and senses presence"),
    Part("J3", "terminal block, 6-way", None, "300 V", "cable to the control board: common, signals and probes"),
    Part("J4 J5", "terminal block, 2-way", None, "300 V", "duct probes, passed on to the control board"),
    _thermistor("RT1", "return_air_c", "in the return duct"),
    _thermistor("RT2", "supply_air_c", "in the supply duct"),
    Part("J6", "terminal block, 2-way", None, "300 V", "the current switch, passed on to the control board"),
    Part(
        "S1",
        "current switch, split core, self-powered",
        None,
        "closes from 1 A, 600 V insulation, isolated contact, listed (UL 508)",
        "blower: around one lead of the blower's motor",
    ),
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
