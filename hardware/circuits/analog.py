"""Netlists of the measuring channels: current transformers with burden and clamps, control voltage, thermistor.

The current transformer is an ideal ratio feeding its winding's resistance and the burden, with a magnetising inductance
beside it that saturates at a stated secondary voltage: so an open burden raises a voltage that is high but finite. A
start with a displaced first wave can be tried. Temperature moves the clamps: cold raises them, heat makes them leak.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import NamedTuple

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import parts
from condenser_monitor.hardware.circuits.decks import (
    NO_CHANGE,
    Change,
    deck,
    ohms,
    sine,
    steady_sine,
)

# reference of the sense's parts: burden, the two clamps of each way, series, filter, bias divider
_REFS = {
    "compressor_a": ("line", "R15", ("D1", "D2", "D3", "D4"), "R16", "C3"),
    "fan_a": ("line", "R17", ("D6", "D7", "D8", "D9"), "R18", "C4"),
    "coil_a": ("control", "R7", ("D8", "D9", "D10", "D11"), "R8", "C3"),
    "control_v": ("control", "R5", ("D3", "D4", "D5", "D6"), "R6", "C2"),
}
_TELL = {"compressor_a": ("line", "R23"), "fan_a": ("line", "R24"), "coil_a": ("control", "R15")}
_BIAS = {"control": ("R9", "R10", "C4"), "line": ("R21", "R22", "C6")}


class Core(NamedTuple):
    """A current transformer's own part: winding resistance, inductance, and the RMS voltage at which it saturates."""

    winding_ohm: float = 100.0
    inductance_h: float = 20.0
    saturates_v: float = 9.0


USUAL_CORE = Core()
_RANGE_SETTLE_S = 0.4


def _frame(reading: str, source: str, *, range_v: float, change: Change, clamps: bool) -> str:
    """What lies between the source (nodes `hot` and `bias`) and the converter's pin, and the bias itself."""
    board, burden, diodes, series, cap = _REFS[reading]
    top, bottom, hold = _BIAS[board]
    d1, d2, d3, d4 = diodes
    strings = f"{d1} hot k1 RECT\n{d2} k1 bias RECT\n{d3} bias k2 RECT\n{d4} k2 hot RECT" if clamps else ""
    half = v.VDD.nominal / 2
    return f"""
Vdd vdd 0 {v.VDD.nominal:g}
{top} vdd bias {ohms(board, top, change):g}
{bottom} bias 0 {ohms(board, bottom, change):g}
{hold} bias 0 {ohms(board, hold, change):g} IC={half:g}
{source}
{burden} hot bias {ohms(board, burden, change):g}
{strings}
{series} hot pin {ohms(board, series, change):g}
{cap} pin 0 {ohms(board, cap, change):g} IC={half:g}
Dup pin vdd SCHOTTKY
Ddown 0 pin SCHOTTKY
Radc pin bias {v.ADC_INPUT_OHM[range_v]:g}
.meas tran pin_max MAX v(pin) {{window}}
.meas tran pin_min MIN v(pin) {{window}}
.meas tran bias_max MAX v(bias) {{window}}
.meas tran bias_min MIN v(bias) {{window}}
.meas tran out_v RMS par('v(pin)-v(bias)') {{window}}
.meas tran burden_w AVG par('(v(hot)-v(bias))*(v(hot)-v(bias))/{ohms(board, burden, change):g}') {{window}}
"""


def _transformer(ratio: float, wave: str, core: Core) -> str:
    """The secondary: current in proportion, magnetising branch (`phi` is 100 times the linked flux), winding."""
    knee = 100 * core.saturates_v * sqrt(2) / (2 * pi * 60)
    return f"""\
Bsec bias emf I=({wave})/{ratio:g}
Bphi 0 phi I=v(emf,bias)
Cphi phi 0 0.01 IC=0
Rphi phi 0 100meg
Bmag emf bias I=v(phi)/{100 * core.inductance_h:g}*(1+pow(abs(v(phi))/{knee:g},20))
Remf emf bias 10meg
Rwinding emf hot {core.winding_ohm:g}"""


def current(
    reading: str,
    amps: float,
    *,
    hz: float = 60,
    displaced: float = 0.0,
    range_v: float = v.RANGE_START_V,
    core: Core = USUAL_CORE,
    temp_c: float = 27.0,
    clamps: bool = True,
    change: Change = NO_CHANGE,
) -> str:
    """`amps` RMS in the lead of a current sense. `displaced` (0 to 1) shifts the first wave: a start's DC part, 50 ms.

    Measures from the start when displaced, else settled: pin_max, pin_min, bias_max, bias_min (V to ground), out_v (RMS
    between pin and bias), burden_w (W).
    """
    sense = v.CURRENT_SENSES[reading]
    wave = sine(amps, hz)
    if displaced:
        peak, speed = amps * sqrt(2), 2 * pi * hz
        wave = f"{peak:.6g}*({displaced:g}*exp(-time/0.05)-cos({speed:.6f}*time))"
    source = _transformer(sense.ratio.nominal / sense.passes, wave, core)
    body = _frame(reading, source, range_v=range_v, change=change, clamps=clamps)
    first = 0.0 if displaced else _RANGE_SETTLE_S
    return deck(f"{reading}", body, seconds=0.5, step=50e-6, measure_from=first, temp_c=temp_c)


def unplugged(reading: str) -> str:
    """No transformer in the jack: its switch puts VDD on the burden through the telling resistor.

    Measures as `current`, and mean_v, the direct voltage between pin and bias.
    """
    board, tell = _TELL[reading]
    source = f"{tell} vdd hot {ohms(board, tell):g}"
    body = _frame(reading, source, range_v=v.RANGE_RUNNING_V, change=NO_CHANGE, clamps=True)
    own = ".meas tran mean_v AVG par('v(pin)-v(bias)') {window}\n"
    return deck(f"{reading}, no plug", body + own, seconds=0.5, step=1e-3, measure_from=_RANGE_SETTLE_S)


def control_voltage(
    volts: float, *, hz: float = 60, range_v: float = v.RANGE_RUNNING_V, clamps: bool = True, change: Change = NO_CHANGE
) -> str:
    """`volts` RMS across the control circuit. Measures as `current`, and series_w (W in R4)."""
    source = f"""\
Vin in 0 {steady_sine(volts, hz)}
Vsense in s 0
R4 s w {ohms("control", "R4", change):g}
Rwindings w p {change.get("windings", v.CONTROL_WINDINGS.nominal):g}
Eback p 0 hot bias {1 / v.CONTROL_RATIO.nominal:g}
Fout bias hot Vsense {1 / v.CONTROL_RATIO.nominal:g}
"""
    body = _frame("control_v", source, range_v=range_v, change=change, clamps=clamps)
    own = ".meas tran series_w AVG par('(v(s)-v(w))*i(Vsense)') {window}\n"
    return deck("control_v", body + own, seconds=0.5, step=50e-6, measure_from=_RANGE_SETTLE_S)


def thermistor(resistance_ohm: float, *, change: Change = NO_CHANGE) -> str:
    """The thermistor at `resistance_ohm`. Measures pin_v and bias_v, V to ground, and bead_w, its own heat (W)."""
    pull, series = ohms("line", "R19", change), ohms("line", "R20", change)
    top, bottom = ohms("line", "R21", change), ohms("line", "R22", change)
    body = f"""
Vdd vdd 0 {change.get("VDD", v.VDD.nominal):g}
R19 vdd t {pull:g}
RT1 t 0 {resistance_ohm:g}
R20 t pin {series:g}
C5 pin 0 {parts.value("line", "C5").nominal:g} IC=0
Radc pin bias {v.ADC_INPUT_OHM[v.RANGE_START_V]:g}
R21 vdd bias {top:g}
R22 bias 0 {bottom:g}
.meas tran pin_v AVG v(pin) {{window}}
.meas tran bias_v AVG v(bias) {{window}}
.meas tran bead_w AVG par('v(t)*v(t)/{resistance_ohm:g}') {{window}}
"""
    return deck("outdoor_c", body, seconds=0.02, step=100e-6, measure_from=0.01)
