"""One description of each board: its parts, their ratings and what each of their pins is joined to.

Everything else is made from it: the tests' SPICE decks (`decks.elements`), the drawings' values, the KiCad project
(`kicad_files`), the parts lists and the pin-outs. References are those of the drawing; a value is looked up by board
and reference (`ohms("line", "R15")`) and stands only in `values.py`. Nets are named here: `GND`, `VDD`, `SDA`, `SCL`,
`BIAS48` (the bias of the converter at 0x48), a reading's name for what reaches converter or pin, and `call_y`,
`call_1` ... on the way there. An empty net is a pin left open. No brands.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.values import Value
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.readings import READINGS

# BCM number -> place on the 40-pin header of every Pi since the B+
HEADER = {
    **{2: 3, 3: 5, 4: 7, 5: 29, 6: 31, 7: 26, 8: 24, 9: 21, 10: 19, 11: 23, 12: 32, 13: 33, 14: 8, 15: 10},
    **{16: 36, 17: 11, 18: 12, 19: 35, 20: 38, 21: 40, 22: 15, 23: 16, 24: 18, 25: 22, 26: 37, 27: 13},
}
HEADER_GROUND = (6, 9, 14, 20, 25, 30, 34, 39)
HEADER_3V3 = (1, 17)


class Part(NamedTuple):
    """One part, or several alike (`ref` then lists them, `R1 R2`).

    `wires` are the nets of each reference's pins, in the order of its package's pins; `package` is a key of
    `packages.PACKAGES`, or, for what is not on the board, where it is: `at the tap`, `on a lead`.
    """

    ref: str
    kind: str
    value: Value | None
    rating: str
    role: str
    package: str
    wires: tuple[tuple[str, ...], ...]

    @property
    def refs(self) -> tuple[str, ...]:
        return tuple(self.ref.split())

    @property
    def text(self) -> str:
        """The value as written on a drawing: `4.7 kΩ`, `2.2 µF`; empty where the part has none."""
        return "" if self.value is None else written(self.value)

    @property
    def on_board(self) -> bool:
        return " " not in self.package

    def nets(self, ref: str) -> tuple[str, ...]:
        """The nets of one reference's pins."""
        return self.wires[self.refs.index(ref)]


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
_OPTO = (
    "reinforced insulation (IEC 60747-5-5, or UL 1577 5 kV RMS), surge 10 kV (1.2/50 us), working 600 V RMS or more, "
    "creepage and clearance 8 mm or more outside (wide leads), ranked 50 % to 150 % at 1 mA"
)
_SCHOTTKY = "30 V, 0.2 A, two in series in one case"
_RECTIFIER = "1 A, 50 V or more, silicon; not a Schottky, whose leakage would load the burden"
_CERAMIC = "X7R ceramic, 16 V or more"
_CLAMP = "48 V stand-off, bidirectional, 600 W (10/1000 us)"
_HIGH_VOLTAGE = (
    f"1 W, {v.DROPPER_WORKING_V.nominal:.0f} V working, {v.DROPPER_SURGE_V.nominal:.0f} V surge (1.2/50 us), "
    "metal glaze"
)
_TAP, _LEAD = "at the tap", "on a lead"


def _presence(refs: tuple[str, str, str, str], name: str, ends: tuple[str, str]) -> tuple[Part, ...]:
    """The isolated half of every presence channel, from the opto's transistor to the Pi's pin."""
    opto, pull, hold, pin = refs
    out = f"{name}_open"
    return (
        _opto(opto, name, ends, ("GND", out)),
        Part(pull, "resistor", v.PULL_UP, _LOW, f"{name}: pull-up; no voltage reads high", "1206", (("VDD", out),)),
        Part(
            hold,
            "capacitor",
            v.HOLD_CAP,
            _CERAMIC,
            f"{name}: holds the pin between half waves",
            "1206",
            ((out, "GND"),),
        ),
        Part(pin, "resistor", v.PIN_SERIES, _LOW, f"{name}: protects the Pi's pin", "1206", ((out, name),)),
    )


def _opto(ref: str, name: str, ends: tuple[str, str], out: tuple[str, str]) -> Part:
    """Pins: diodes, diodes, emitter, collector."""
    role = f"{name}: isolates and senses presence"
    return Part(ref, "opto-isolator, AC input, transistor output", None, _OPTO, role, "DIP4W", ((*ends, *out),))


def _tap_fuse(ref: str, name: str, wires: tuple[str, str]) -> Part:
    return Part(
        ref,
        "fuse, 5 x 20 mm, time-lag, high breaking capacity (IEC 60127-2), in a closed holder on the lead",
        v.TAP_FUSE,
        "250 V, 1500 A",
        f"{name}: at the tap; a fault on the board opens this, never the unit's control fuse",
        _TAP,
        (wires,),
    )


def _clamp_24v(ref: str, name: str, wires: tuple[str, str]) -> Part:
    role = f"{name}: takes what a coil gives back when its circuit opens; blows the fuse on line voltage"
    return Part(ref, "transient suppressor", v.CLAMP_KNEE_V, _CLAMP, role, "SMB", (wires,))


def _input_24v(
    refs: tuple[str, str, str, str], taps: tuple[str, str], name: str, *, bleeder: str = ""
) -> tuple[Part, ...]:
    """The 24 V half of a presence channel: `refs` are fuse, clamp, resistor, zeners; its ends are those that
    `_ends` names. A bleeder where the wire may be left without a load."""
    fuse, clamp, resistor, zeners = refs
    hot, cold = f"{name}_y", f"{name}_c"
    bleeders = (
        Part(
            bleeder,
            "resistor, metal oxide, flame-proof",
            v.CALL_BLEEDER,
            f"{v.BLEEDER_W.nominal:g} W, 350 V",
            f"{name}: bleeder; loads the wire when float switch or coil is open",
            "AXIAL20",
            ((hot, cold),),
        ),
    )
    return (
        _tap_fuse(fuse, name, (taps[0], hot)),
        _clamp_24v(clamp, name, (hot, cold)),
        *(bleeders if bleeder else ()),
        Part(
            resistor,
            "resistor, metal film, flame-proof",
            v.CALL_SERIES,
            "1 W, 350 V",
            f"{name}: sets the opto's current",
            "AXIAL15",
            ((hot, f"{name}_1"),),
        ),
        Part(
            zeners,
            "zener diode",
            v.CALL_ZENER,
            "0.5 W",
            f"{name}: back to back; a few stolen volts pass nothing",
            "SMA",
            ((f"{name}_1", f"{name}_2"), (f"{name}_3", f"{name}_2")),
        ),
    )


def _ends(name: str) -> tuple[str, str]:
    """Where a 24 V channel's opto is joined to it."""
    return f"{name}_3", f"{name}_c"


class _Jack(NamedTuple):
    """A current transformer, the jack it plugs into, and the resistor that tells an empty jack."""

    ct: str
    jack: str
    tell: str


def _bias(reading: str) -> str:
    """The bias that a reading's signal stands on: that of the converter which reads it."""
    return f"BIAS{CHANNELS[reading].address:x}"


def _current(
    plug: _Jack, burden: str, clamps: str, tail: tuple[str, str, str], sense: v.CurrentSense
) -> tuple[Part, ...]:
    """One current transformer with its jack, burden, clamps and filter."""
    name, (series, cap, schottky) = sense.reading, tail
    hot, cold, empty = f"{name}_hot", _bias(name), f"{name}_tell"
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
            _LEAD,
            ((hot, cold),),
        ),
        Part(
            plug.jack,
            "jack, 3.5 mm, with a switch contact",
            None,
            "30 V, 1 A",
            f"{name}: the plug opens the contact",
            "JACK35",
            ((hot, cold, empty),),
        ),
        Part(
            plug.tell,
            "resistor",
            v.PLUG_SENSE,
            _LOW,
            f"{name}: direct voltage on the burden tells an empty jack",
            "1206",
            (("VDD", empty),),
        ),
        Part(
            burden,
            "resistor, metal film",
            sense.burden,
            "0.5 W",
            f"{name}: burden, fixed on the board",
            "AXIAL10",
            ((hot, cold),),
        ),
        _clamps(clamps, name),
        *_filter(series, cap, schottky, name, hot),
    )


def _voltage_sense(
    loop: tuple[str, str, str], clamps: str, tail: tuple[str, str, str], sense: v.VoltageSense, ends: tuple[str, str]
) -> tuple[Part, ...]:
    """One small voltage transformer with what drives it, burden, clamps and filter; of `loop` (series,
    transformer, burden) the first may be several alike, shared between the two leads."""
    series, transformer, burden = loop
    name, (resistor, cap, schottky) = sense.reading, tail
    hot, cold = f"{name}_hot", _bias(name)
    line = sense is v.LINE_V
    each = v.LINE_V_RESISTOR if line else sense.series
    rating = _HIGH_VOLTAGE if line else "0.25 W, 350 V"
    first, second = (f"{name}_in", f"{name}_back") if line else (f"{name}_in", ends[1])
    if line:
        wires = ((ends[0], f"{name}_1"), (f"{name}_1", first), (second, f"{name}_2"), (f"{name}_2", ends[1]))
    else:
        wires = ((ends[0], first),)  # type: ignore[assignment]
    return (
        Part(
            series,
            "resistor, high voltage, flame-proof" if line else "resistor, metal film",
            each,
            rating,
            f"{name}: sets the transformer's current",
            "AXIAL20" if line else "AXIAL10",
            wires,
        ),
        Part(
            transformer,
            "voltage transformer, 2 mA : 2 mA",
            sense.ratio,
            f"isolation {'4 kV RMS, impulse 6 kV (1.2/50 us)' if line else '3 kV RMS'}, 50/60 Hz, class 0.5",
            f"{name}: isolates and measures",
            "VT4",
            ((first, second, hot, cold),),
        ),
        Part(burden, "resistor, metal film", sense.burden, _LOW, f"{name}: burden", "1206", ((hot, cold),)),
        _clamps(clamps, name),
        *_filter(resistor, cap, schottky, name, hot),
    )


def _probe(pull_up: str, tail: tuple[str, str, str], name: str) -> tuple[Part, ...]:
    """What a thermistor on a cable needs at the converter."""
    hot = f"{name}_hot"
    return (
        Part(pull_up, "resistor, metal film", v.NTC_PULL_UP, _LOW, f"{name}: upper resistor", "1206", (("VDD", hot),)),
        *_filter(*tail, name, hot),
    )


def _thermistor(ref: str, name: str, role: str) -> Part:
    kind = "thermistor, 10 kohm, insulated bead on a lead"
    return Part(ref, kind, v.NTC_R25, "-40 to 105 C", f"{name}: {role}", _LEAD, ((f"{name}_hot", "GND"),))


def _clamps(refs: str, name: str) -> Part:
    """Pins: cathode, anode."""
    hot, cold, one, other = f"{name}_hot", _bias(name), f"{name}_down", f"{name}_up"
    wires = ((one, hot), (cold, one), (other, cold), (hot, other))
    role = f"{name}: two each way across the burden, should it open"
    return Part(refs, "rectifier diode", None, _RECTIFIER, role, "SMA", wires)


def _filter(series: str, cap: str, schottky: str, name: str, hot: str) -> tuple[Part, ...]:
    limits, holds = "limits fault current into the converter", "holds the converter's pin to its rails"
    return (
        Part(series, "resistor", v.SERIES, _LOW, f"{name}: {limits}", "1206", ((hot, name),)),
        Part(cap, "capacitor", v.FILTER_CAP, _CERAMIC, f"{name}: filter, to ground", "1206", ((name, "GND"),)),
        Part(schottky, "Schottky diode pair", None, _SCHOTTKY, f"{name}: {holds}", "SOT23", (("GND", "VDD", name),)),
    )


def _converter(halves: tuple[str, str], hold: str, chip: str, decouple: str, address: int) -> tuple[Part, ...]:
    """Bias divider, hold capacitor, chip (pins as its data sheet numbers them) and decoupling."""
    (top, bottom), bias, at = halves, f"BIAS{address:x}", f"bias {address:#x}"
    select = {0x48: "GND", 0x49: "VDD", 0x4A: "SDA", 0x4B: "SCL"}[address]
    inputs = ["GND", "GND", "GND", bias]
    for channel in CHANNELS.values():
        if channel.address == address and channel.mux:
            inputs[channel.mux - 1] = channel.reading
    pins = (select, "", "GND", *inputs, "VDD", "SDA", "SCL")
    role = f"I2C address {address:#04x} (ADDR to {select}); AIN3 on the bias"
    return (
        Part(top, "resistor", v.BIAS_TOP, _LOW, f"{at}: upper half", "1206", (("VDD", bias),)),
        Part(bottom, "resistor", v.BIAS_BOTTOM, _LOW, f"{at}: lower half", "1206", ((bias, "GND"),)),
        Part(hold, "capacitor", v.BIAS_CAP, _CERAMIC, f"{at}: holds it still", "1206", ((bias, "GND"),)),
        Part(chip, "converter, 16 bit, ADS1115", None, "2.0 V to 5.5 V", role, "VSSOP10", (pins,)),
        Part(
            decouple,
            "capacitor",
            v.ADC_SUPPLY_DECOUPLE,
            _CERAMIC,
            f"converter {address:#x}: supply",
            "1206",
            (("VDD", "GND"),),
        ),
    )


def _indoor_inputs() -> tuple[Part, ...]:
    """What each contact that comes by the indoor cable meets on the control board."""
    names = ("control_power", "thermostat", "blower")
    wires = [f"{name}_open" for name in names]
    return (
        Part(
            "D13 D14 D23",
            "transient suppressor",
            None,
            "5 V stand-off, bidirectional, 400 W",
            "indoor cable: surges",
            "SMA",
            tuple((wire, "GND") for wire in wires),
        ),
        Part(
            "R11 R12 R26",
            "resistor",
            v.PULL_UP,
            _LOW,
            "indoor cable: pull-up; a broken cable reads as absent",
            "1206",
            tuple(("VDD", wire) for wire in wires),
        ),
        Part(
            "C6 C7 C14",
            "capacitor",
            v.HOLD_CAP,
            _CERAMIC,
            "indoor cable: holds the pin, shorts what the cable picks up",
            "1206",
            tuple((wire, "GND") for wire in wires),
        ),
        Part(
            "R13 R14 R27",
            "resistor",
            v.PIN_SERIES,
            _LOW,
            "indoor cable: protects the Pi's pins",
            "1206",
            tuple(zip(wires, names, strict=True)),
        ),
    )


def _terminals(ref: str, role: str, nets: tuple[str, ...], *, line: bool = False) -> Part:
    count = len(nets)
    kind = f"terminal block, {count}-way" + (", 10 mm pitch" if line else "")
    rating = "600 V" if line else "300 V, 18 AWG"
    return Part(ref, kind, None, rating, role, f"TB{count}{'L' if line else ''}", (nets,))


def _ribbon(ref: str, board: str) -> Part:
    """The Pi's own header, pin for pin: one flat ribbon with a connector for each board."""
    pins = [""] * 40
    for number in HEADER_GROUND:
        pins[number - 1] = "GND"
    for number in HEADER_3V3:
        pins[number - 1] = "VDD"
    pins[HEADER[2] - 1], pins[HEADER[3] - 1] = "SDA", "SCL"
    for reading, channel in CHANNELS.items():
        owner = "control" if READINGS[reading].board == "indoor" else READINGS[reading].board
        if channel.pin is not None and owner == board:
            pins[HEADER[channel.pin] - 1] = reading
    kind = "pin header, 2 x 20, in a shroud"
    return Part(ref, kind, None, "1 A", "ribbon to the Pi's header, pin for pin", "HDR2X20", (tuple(pins),))


def _test_points(*nets: str) -> Part:
    """Bare copper to put a meter's probe on, one for each net."""
    refs = " ".join(f"TP{number}" for number in range(1, len(nets) + 1))
    rating = "bare copper of the board, nothing to buy"
    return Part(refs, "test point", None, rating, "for a meter's probe", "TP", tuple((net,) for net in nets))


_BETWEEN = ("line_v", _bias("line_v"), "GND")  # by a lead of their own from the line board to the control board
_CABLE = ("GND", "control_power_open", "thermostat_open", "blower_open", "return_air_c_hot", "supply_air_c_hot")

CONTROL = (
    _terminals("J1", "Y and C of the unit, ahead of nothing else", ("call_y", "call_c")),
    *_input_24v(("F1", "D24", "R1", "D1 D2"), ("Y at the unit", ""), "call", bleeder="R28"),
    *_presence(("U1", "R2", "C1", "R3"), "call", _ends("call")),
    *_voltage_sense(("R4", "T1", "R5"), "D3 D4 D5 D6", ("R6", "C2", "D7"), v.CONTROL, ("call_y", "call_c")),
    *_current(_Jack("CT1", "J2", "R15"), "R7", "D8 D9 D10 D11", ("R8", "C3", "D12"), v.COIL),
    *_converter(("R9", "R10"), "C4", "U2", "C5", 0x48),
    *_indoor_inputs(),
    _terminals("J3", "indoor cable: common, three contacts, two probes", _CABLE),
    _ribbon("J4", "control"),
    _terminals("J5", "the contactor coil's own two terminals", ("coil_v_y", "coil_v_c")),
    _tap_fuse("F2", "coil_v", ("coil terminal", "coil_v_y")),
    _clamp_24v("D25", "coil_v", ("coil_v_y", "coil_v_c")),
    *_voltage_sense(("R17", "T2", "R18"), "D16 D17 D18 D19", ("R19", "C9", "D20"), v.COIL_V, ("coil_v_y", "coil_v_c")),
    *_probe("R20", ("R21", "C10", "D21"), "return_air_c"),
    *_probe("R22", ("R23", "C11", "D22"), "supply_air_c"),
    *_converter(("R24", "R25"), "C12", "U3", "C13", 0x4B),
    Part("J6", "pin header, 3-way", None, "1 A", "lead from the line board: line_v", "HDR3", (_BETWEEN,)),
    _test_points(
        "GND", "VDD", "BIAS48", "BIAS4b", "call", "control_v", "coil_a", "coil_v", "return_air_c", "supply_air_c"
    ),
)

_LINE_FUSE = (
    "600 V, 10 x 38 mm, fast, interrupting rating 10 kA or more (UL 248-14, IEC 60269), in a listed closed holder"
)


def _line_input(fuses: str, droppers: str, shunt: str, name: str) -> tuple[Part, ...]:
    """Both legs: fuse at the tap, two droppers; the shunt across the opto's diode between them."""
    one, other, near, far = f"{name}_l1", f"{name}_l2", f"{name}_a", f"{name}_b"
    return (
        Part(
            fuses,
            "fuse",
            v.LINE_FUSE,
            _LINE_FUSE,
            f"{name}: one in each leg, at the tap",
            _TAP,
            ((f"{name} leg 1", one), (f"{name} leg 2", other)),
        ),
        Part(
            droppers,
            "resistor, high voltage, flame-proof",
            v.LINE_SERIES,
            _HIGH_VOLTAGE,
            f"{name}: four in series share voltage, surge and heat; two in each leg",
            "AXIAL20",
            ((one, f"{name}_1"), (f"{name}_1", near), (far, f"{name}_2"), (f"{name}_2", other)),
        ),
        Part(shunt, "resistor", v.LINE_SHUNT, _LOW, f"{name}: no light below about 1.3 mA", "1206", ((near, far),)),
    )


def _line_ends(name: str) -> tuple[str, str]:
    return f"{name}_a", f"{name}_b"


LINE = (
    _terminals("J1", "L1 and L2. Licensed work", ("supply_l1", "supply_l2"), line=True),
    _terminals("J2", "T1 and T2. Licensed work", ("load_l1", "load_l2"), line=True),
    *_line_input("F1 F2", "R1 R2 R3 R4", "R5", "supply"),
    *_presence(("U1", "R6", "C1", "R7"), "supply", _line_ends("supply")),
    *_line_input("F3 F4", "R8 R9 R10 R11", "R12", "load"),
    *_presence(("U2", "R13", "C2", "R14"), "load", _line_ends("load")),
    *_current(_Jack("CT1", "J3", "R23"), "R15", "D1 D2 D3 D4", ("R16", "C3", "D5"), v.COMPRESSOR),
    *_current(_Jack("CT2", "J6", "R24"), "R17", "D6 D7 D8 D9", ("R18", "C4", "D10"), v.FAN),
    _thermistor("RT1", "outdoor_c", "in shade"),
    *_probe("R19", ("R20", "C5", "D11"), "outdoor_c"),
    *_converter(("R21", "R22"), "C6", "U3", "C7", 0x49),
    _terminals("J4", "thermistor", ("outdoor_c_hot", "GND")),
    _ribbon("J5", "line"),
    *_voltage_sense(
        ("R25 R26 R27 R28", "T1", "R29"),
        "D12 D13 D14 D15",
        ("R30", "C8", "D16"),
        v.LINE_V,
        ("supply_l1", "supply_l2"),
    ),
    Part("J10", "pin header, 3-way", None, "1 A", "lead to the control board: line_v", "HDR3", (_BETWEEN,)),
    *_current(_Jack("CT3", "J7", "R31"), "R32", "D17 D18 D19 D20", ("R33", "C9", "D21"), v.START_WINDING),
    _terminals("J8", "probe on the large pipe", ("suction_c_hot", "GND")),
    _terminals("J9", "probe on the small pipe", ("liquid_c_hot", "GND")),
    _thermistor("RT2", "suction_c", "strapped to the large pipe"),
    *_probe("R34", ("R35", "C10", "D22"), "suction_c"),
    _thermistor("RT3", "liquid_c", "strapped to the small pipe"),
    *_probe("R36", ("R37", "C11", "D23"), "liquid_c"),
    *_converter(("R38", "R39"), "C12", "U4", "C13", 0x4A),
    _test_points(
        *("GND", "VDD", "BIAS49", "BIAS4a", "supply", "load", "line_v"),
        *("compressor_a", "fan_a", "start_winding_a", "outdoor_c", "suction_c", "liquid_c"),
    ),
)

INDOOR = (
    _terminals("J1", "R and C behind the control fuse", ("control_power_y", "control_power_c")),
    _terminals("J2", "Y and C", ("thermostat_y", "thermostat_c")),
    *_input_24v(("F1", "D5", "R1", "D1 D2"), ("R at the strip", ""), "control_power"),
    _opto("U1", "control_power", _ends("control_power"), ("GND", "control_power_open")),
    *_input_24v(("F2", "D6", "R2", "D3 D4"), ("Y at the strip", ""), "thermostat", bleeder="R3"),
    _opto("U2", "thermostat", _ends("thermostat"), ("GND", "thermostat_open")),
    _terminals("J3", "cable to the control board: common, three contacts, two probes", _CABLE),
    _terminals("J4", "return duct's probe, passed on to the control board", ("return_air_c_hot", "GND")),
    _terminals("J5", "supply duct's probe, passed on to the control board", ("supply_air_c_hot", "GND")),
    _thermistor("RT1", "return_air_c", "in the return duct"),
    _thermistor("RT2", "supply_air_c", "in the supply duct"),
    _terminals("J6", "the current switch, passed on to the control board", ("blower_open", "GND")),
    Part(
        "S1",
        "current switch, split core, self-powered",
        None,
        "closes from 1 A, 600 V insulation, isolated contact, listed (UL 508)",
        "blower: around one lead of the blower's motor",
        _LEAD,
        (("blower_open", "GND"),),
    ),
)

_RAIL, _CLAMPED, _INDOORS = "on the rail", "in component terminals", "in the indoor box"
_MODULE_OUT = (
    f"isolated transistor output that conducts while voltage is present, drop {v.MODULE_DROP_V.nominal:g} V or less "
    f"at 1 mA, leakage {v.MODULE_LEAK_A.nominal * 1e6:.0f} uA or less, {v.MODULE_OUTPUT_A.nominal * 1e3:.0f} mA; "
    "filtered, so that it is steady on AC; thresholds printed in its sheet; listed (UL 508 or IEC 61131-2)"
)


def _module_input(number: int, name: str, taps: tuple[str, str], where: str, bleeder: bool) -> tuple[Part, ...]:
    """One presence of the ready-made build, from the taps to the Pi's pin. A tap without a name of its own has no
    fuse: the 24 V circuit is fused in one lead."""
    line = name in ("supply", "load")
    module = v.MODULE_LINE if line else v.MODULE_24V
    ends = (f"{name}_l1", f"{name}_l2") if line else (f"{name}_y", f"{name}_c")
    fused = [(tap, end) for tap, end in zip(taps, ends, strict=True) if tap]
    ref = [f"F{number}{letter}" for letter, _ in zip("AB", fused, strict=False)]
    out = f"{name}_out"
    fuse = Part(
        " ".join(ref),
        "fuse" if line else "fuse, 5 x 20 mm, time-lag, high breaking capacity (IEC 60127-2), in a closed holder",
        v.LINE_FUSE if line else v.TAP_FUSE,
        _LINE_FUSE if line else "250 V, 1500 A",
        f"{name}: {'one in each leg, ' if line else ''}at the tap",
        _TAP,
        tuple(fused),
    )
    surge = Part(
        f"D{number}",
        "transient suppressor",
        v.CLAMP_KNEE_V,
        _CLAMP,
        f"{name}: takes what a coil gives back when its circuit opens",
        f"{_CLAMPED}, {where}",
        (ends,),
    )
    load = Part(
        f"R{number}0",
        "resistor, in an aluminium case",
        v.CALL_BLEEDER,
        "10 W or more, screwed to metal",
        f"{name}: bleeder; loads the wire when float switch or coil is open",
        where,
        (ends,),
    )
    off, on = module.off_v.nominal, module.on_v.nominal
    return (
        fuse,
        *(() if line else (surge,)),
        *((load,) if bleeder else ()),
        Part(
            f"K{number}",
            f"input module, {module.rated_v:.0f} V AC",
            None,
            f"no signal up to {off:g} V, a signal from {on:g} V or less, stands {module.most_v:.0f} V for long, "
            f"{module.isolation}; {_MODULE_OUT}",
            f"{name}: isolates and senses presence",
            where,
            ((*ends, "GND", out),),
        ),
        Part(
            f"R{number}1",
            "resistor",
            v.READY_LIMIT,
            "0.25 W",
            f"{name}: spares the module's output",
            _CLAMPED,
            ((out, name),),
        ),
        Part(f"R{number}2", "resistor", v.READY_PULL_UP, "0.25 W", f"{name}: pull-up", _CLAMPED, (("VDD", name),)),
        Part(f"C{number}", "capacitor", v.READY_HOLD, "16 V", f"{name}: holds the pin", _CLAMPED, ((name, "GND"),)),
    )


def _ready_signal(number: int, name: str) -> tuple[Part, ...]:
    """What stands between a transformer's or probe's lead and its converter's input."""
    hot = f"{name}_hot"
    return (
        Part(f"R{number}", "resistor", v.SERIES, "0.25 W", f"{name}: limits current", _CLAMPED, ((hot, name),)),
        Part(f"C{number}", "capacitor", v.FILTER_CAP, "16 V", f"{name}: filter", _CLAMPED, ((name, "GND"),)),
    )


def _ready_transformer(number: int, name: str) -> tuple[Part, ...]:
    """A listed transformer with 333 mV output; the resistor that tells an open lead of a current one."""
    hot, cold = f"{name}_hot", _bias(name)
    if name in v.READY_VOLTS:
        ends = {"line_v": ("supply_l1", "supply_l2"), "control_v": ("call_y", "call_c")}.get(
            name, ("coil_v_y", "coil_v_c")
        )
        rated = v.READY_VOLTS[name].rated
        kind, rating = "voltage transformer, 333 mV output", f"{rated:g} V, class 0.5, listed, isolated 600 V or more"
        turns = Part(
            f"T{number}",
            kind,
            v.CT_VOLT_OUTPUT_V,
            rating,
            f"{name}: isolates and measures",
            _RAIL,
            ((*ends, hot, cold),),
        )
        return (turns, *_ready_signal(number, name))
    sense = v.VOLT_OUTPUT[name]
    loops = "one pass" if sense.passes == 1 else f"{sense.passes} passes of the lead"
    rating = (
        f"{sense.rated:g} A, class 1, burden inside, insulation 600 V or more, listed (UL 2808 or IEC 61010-2-032), "
        f"{v.OPEN_SECONDARY_V.nominal:g} V peak or less should its burden open"
    )
    return (
        Part(
            f"CT{number}",
            "current transformer, split core, 333 mV output",
            v.CT_VOLT_OUTPUT_V,
            rating,
            f"{name}: {loops} through the window",
            _LEAD,
            ((hot, cold),),
        ),
        Part(
            f"R{number}9", "resistor", v.LOOSE_PULL, "0.25 W", f"{name}: tells an open lead", _CLAMPED, (("VDD", hot),)
        ),
        *_ready_signal(number, name),
    )


def _ready_probe(number: int, name: str) -> tuple[Part, ...]:
    place = {
        "outdoor_c": "in shade",
        "suction_c": "strapped to the large pipe",
        "liquid_c": "strapped to the small pipe",
    }
    hot = f"{name}_hot"
    where = place.get(name, "in the duct")
    return (
        _thermistor(f"RT{number}", name, where),
        Part(f"R{number}8", "resistor", v.NTC_PULL_UP, "0.25 W", f"{name}: upper resistor", _CLAMPED, (("VDD", hot),)),
        *_ready_signal(number, name),
    )


def _ready_converter(number: int, address: int) -> tuple[Part, ...]:
    """A converter module with its bias in component terminals; the module brings its own decoupling."""
    bias = f"BIAS{address:x}"
    made = _converter(("", ""), "", f"U{number}", "", address)
    chip = next(row for row in made if row.kind.startswith("converter"))
    at = f"bias {address:#x}"
    return (
        chip._replace(kind="converter module, 16 bit, ADS1115, with screw terminals", package=_RAIL),
        Part(f"R{number}6", "resistor", v.BIAS_TOP, "0.25 W", f"{at}: upper half", _CLAMPED, (("VDD", bias),)),
        Part(f"R{number}7", "resistor", v.BIAS_BOTTOM, "0.25 W", f"{at}: lower half", _CLAMPED, ((bias, "GND"),)),
        Part(f"C{number}6", "capacitor", v.BIAS_CAP, "16 V", f"{at}: holds it still", _CLAMPED, ((bias, "GND"),)),
    )


def _thing(ref: str, kind: str, rating: str, role: str, where: str = _RAIL) -> Part:
    """What is bought and not joined to any signal."""
    return Part(ref, kind, None, rating, role, where, tuple(() for _ in ref.split()))


# Everything of the build for those who order no boards: same nets, same names at the terminals, same places of the Pi.
READY = (
    *_module_input(1, "call", ("Y at the unit", ""), _RAIL, bleeder=True),
    *_module_input(2, "supply", ("supply leg 1", "supply leg 2"), _RAIL, bleeder=False),
    *_module_input(3, "load", ("load leg 1", "load leg 2"), _RAIL, bleeder=False),
    *_module_input(4, "control_power", ("R at the strip", ""), _INDOORS, bleeder=False),
    *_module_input(5, "thermostat", ("Y at the strip", ""), _INDOORS, bleeder=True),
    Part(
        "S6",
        "current switch, split core, self-powered",
        None,
        "closes from 1 A, 600 V insulation, isolated contact, listed (UL 508)",
        "blower: around one lead of the blower's motor",
        _LEAD,
        (("blower_out", "GND"),),
    ),
    Part(
        "R61", "resistor", v.READY_LIMIT, "0.25 W", "blower: spares the contact", _CLAMPED, (("blower_out", "blower"),)
    ),
    Part("R62", "resistor", v.READY_PULL_UP, "0.25 W", "blower: pull-up", _CLAMPED, (("VDD", "blower"),)),
    Part("C6", "capacitor", v.READY_HOLD, "16 V", "blower: holds the pin", _CLAMPED, (("blower", "GND"),)),
    *(
        row
        for number, name in enumerate((*v.VOLT_OUTPUT, *v.READY_VOLTS), start=70)
        for row in _ready_transformer(number, name)
    ),
    *(
        row
        for number, name in enumerate(("outdoor_c", "suction_c", "liquid_c", "return_air_c", "supply_air_c"), start=80)
        for row in _ready_probe(number, name)
    ),
    *(
        row
        for number, address in enumerate((0x48, 0x49, 0x4A, 0x4B), start=90)
        for row in _ready_converter(number, address)
    ),
    _thing("A1", "breakout of the Pi's 40-pin header, screw terminals", "on the rail, 26 AWG to 16 AWG", "Pi's pins"),
    _thing(
        "X1", "component terminals", "two-level, for a resistor or capacitor with leads", "small parts, no soldering"
    ),
    _thing(
        "X2",
        "enclosure, line compartment",
        "listed (UL 508A parts; type 3R or IP54), cover that needs a tool, own cable entries",
        "line modules, their fuses, voltage transformers",
        "the box",
    ),
    _thing(
        "X3",
        "enclosure, low-voltage compartment",
        "the same, beside it, with a rail of 35 mm",
        "Pi and the rest",
        "the box",
    ),
    _thing("X4", "enclosure, indoor", "plastic, with a rail of 35 mm", "24 V modules at the air handler", "indoors"),
    _thing("A2", "power supply, 5 V, class 2 or PoE splitter", "3 A, listed, isolated", "the Pi's supply"),
)

# what stands beside a terminal on the board, by its net
MARKS = {
    **{"supply_l1": "L1", "supply_l2": "L2", "load_l1": "T1", "load_l2": "T2"},
    **{"call_y": "Y", "call_c": "C", "coil_v_y": "COIL", "coil_v_c": "COIL"},
    **{"control_power_y": "R", "control_power_c": "C", "thermostat_y": "Y", "thermostat_c": "C"},
    **{"GND": "0", "control_power_open": "R", "thermostat_open": "Y", "blower_open": "B", "blower_out": "B"},
    **{"return_air_c_hot": "RET", "supply_air_c_hot": "SUP", "outdoor_c_hot": "AIR"},
    **{"suction_c_hot": "BIG", "liquid_c_hot": "SML"},
}

BOARDS: dict[str, tuple[Part, ...]] = {"control": CONTROL, "line": LINE, "indoor": INDOOR}
LISTS = {**BOARDS, "ready-made": READY}


def refs(board: str) -> Iterator[str]:
    """Every reference of a board, or of the ready-made build, in the order of its list."""
    for part in LISTS[board]:
        yield from part.refs


def of(board: str, *names: str) -> list[str]:
    """The references that serve these readings (or `bias 0x48`), in the order of the list."""
    return [ref for row in LISTS[board] if row.role.partition(":")[0] in names for ref in row.refs]


def nets(board: str) -> dict[str, list[tuple[str, int]]]:
    """Each net of a board -> the pins on it (reference, number from 1), what is off the board included."""
    found: dict[str, list[tuple[str, int]]] = {}
    for row in LISTS[board]:
        for ref, wires in zip(row.refs, row.wires, strict=True):
            for number, net in enumerate(wires, start=1):
                if net:
                    found.setdefault(net, []).append((ref, number))
    return found


def part(board: str, ref: str) -> Part:
    """The part of this reference. Raises ContractError where the board has none."""
    for row in LISTS[board]:
        if ref in row.refs:
            return row
    raise ContractError(f"{board} board", ref, "one of " + " ".join(refs(board)))


def value(board: str, ref: str) -> Value:
    """Its value. Raises ContractError for a part that has none."""
    found = part(board, ref).value
    if found is None:
        raise ContractError(f"{board} board: {ref}", None, "a part with a value")
    return found
