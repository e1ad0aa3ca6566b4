"""Netlists of the measuring channels: current transformers with burden and clamps, control voltage, thermistor.

The current transformer is an ideal ratio feeding its winding's resistance and the burden, with a magnetising inductance
beside it that saturates at a stated secondary voltage: so an open burden raises a voltage that is high but finite. A
start with a displaced first wave can be tried. Temperature moves the clamps: cold raises them, heat makes them leak.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import NamedTuple

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.circuits import parts
from tests.hardware.circuits.decks import (
    NO_CHANGE,
    OPEN_OHM,
    Change,
    deck,
    elements,
    node,
    sine,
    steady_sine,
)


class Core(NamedTuple):
    """A current transformer's own part: winding resistance, inductance, and the RMS voltage at which it saturates."""

    winding_ohm: float = 100.0
    inductance_h: float = 20.0
    saturates_v: float = 9.0


USUAL_CORE = Core()
_RANGE_SETTLE_S = 0.4


def _board(reading: str) -> str:
    return next(
        board
        for board in parts.BOARDS
        if any(": burden" in parts.part(board, r).role for r in parts.of(board, reading))
    )


def _bias(reading: str) -> str:
    return f"bias {CHANNELS[reading].address:#x}"


def _burden(reading: str) -> str:
    """The reference of a sense's burden."""
    board = _board(reading)
    return next(ref for ref in parts.of(board, reading) if ": burden" in parts.part(board, ref).role)


def _frame(
    reading: str, source: str, *, range_v: float, change: Change, clamps: bool = True, leave: tuple[str, ...] = ()
) -> str:
    """Return what lies between terminal and converter's pin, but for what `leave` says, with its bias and `source`."""
    board, burden = _board(reading), _burden(reading)
    left = ("current transformer", "jack", "thermistor", *leave, *(() if clamps else ("rectifier diode",)))
    refs = [ref for ref in parts.of(board, reading) if not parts.part(board, ref).kind.startswith(left)]
    owner = next(one for one in parts.BOARDS if parts.of(one, _bias(reading)))  # line_v's bias is on the control board
    top, bottom, hold = parts.of(owner, _bias(reading))
    half = v.VDD.nominal / 2
    starts = {f"{ref}.ic": half for ref in refs if parts.part(board, ref).kind == "capacitor"}
    hot, bias, pin = f"{reading}_hot", _bias(reading).replace(" 0x", ""), reading
    ohm = change.get(burden, parts.value(board, burden).nominal)
    return f"""
Vdd vdd 0 {v.VDD.nominal:g}
{source}
{elements(board, refs, {**starts, **change})}
{elements(owner, (top, bottom, hold), {f"{hold}.ic": half, **(change if owner == board else {})})}
Radc {pin} {bias} {v.ADC_INPUT_OHM[range_v]:g}
.meas tran pin_max MAX v({pin}) {{window}}
.meas tran pin_min MIN v({pin}) {{window}}
.meas tran bias_max MAX v({bias}) {{window}}
.meas tran bias_min MIN v({bias}) {{window}}
.meas tran out_v RMS par('v({pin})-v({bias})') {{window}}
.meas tran burden_w AVG par('(v({hot})-v({bias}))*(v({hot})-v({bias}))/{ohm:g}') {{window}}
"""


def _transformer(reading: str, wave: str, core: Core) -> str:
    """The secondary: current in proportion, magnetising branch (`phi` is 100 times the linked flux), winding."""
    sense = v.CURRENT_SENSES[reading]
    knee = 100 * core.saturates_v * sqrt(2) / (2 * pi * 60)
    bias = _bias(reading).replace(" 0x", "")
    return f"""\
Bsec {bias} emf I=({wave})/{sense.ratio.nominal / sense.passes:g}
Bphi 0 phi I=v(emf,{bias})
Cphi phi 0 0.01 IC=0
Rphi phi 0 100meg
Bmag emf {bias} I=v(phi)/{100 * core.inductance_h:g}*(1+pow(abs(v(phi))/{knee:g},20))
Remf emf {bias} 10meg
Rwinding emf {reading}_hot {core.winding_ohm:g}"""


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
    wave = sine(amps, hz)
    if displaced:
        peak, speed = amps * sqrt(2), 2 * pi * hz
        wave = f"{peak:.6g}*({displaced:g}*exp(-time/0.05)-cos({speed:.6f}*time))"
    source = _transformer(reading, wave, core)
    body = _frame(reading, source, range_v=range_v, change=change, clamps=clamps)
    first = 0.0 if displaced else _RANGE_SETTLE_S
    return deck(f"{reading}", body, seconds=0.5, step=50e-6, measure_from=first, temp_c=temp_c)


def volt_output(reading: str, amps: float, *, hz: float = 60, source_ohm: float = 20.0) -> str:
    """The variant with a 333 mV transformer: its burden is inside, the board's is left out. Measures as `current`."""
    bias = _bias(reading).replace(" 0x", "")
    volts = amps * v.VOLT_OUTPUT[reading].volts_per_amp
    source = f"Vct ct {bias} {steady_sine(volts, hz)}\nRct ct {reading}_hot {source_ohm:g}"
    body = _frame(reading, source, range_v=v.RANGE_RUNNING_V, change={_burden(reading): OPEN_OHM})
    return deck(f"{reading}, 333 mV", body, seconds=0.5, step=50e-6, measure_from=_RANGE_SETTLE_S)


def unplugged(reading: str, *, volt_output: bool = False) -> str:
    """No transformer in the jack: its switch puts VDD on the burden through the telling resistor; no burden with
    `volt_output`. Measures as `current`, and mean_v, the direct voltage between pin and bias."""
    bias = _bias(reading).replace(" 0x", "")
    source = f"Rswitch {reading}_tell {reading}_hot 0.05"
    change = {_burden(reading): OPEN_OHM} if volt_output else NO_CHANGE
    body = _frame(reading, source, range_v=v.RANGE_RUNNING_V, change=change)
    own = f".meas tran mean_v AVG par('v({reading})-v({bias})') {{window}}\n"
    return deck(f"{reading}, no plug", body + own, seconds=0.5, step=1e-3, measure_from=_RANGE_SETTLE_S)


def voltage(
    reading: str,
    volts: float,
    *,
    hz: float = 60,
    range_v: float = v.RANGE_RUNNING_V,
    clamps: bool = True,
    change: Change = NO_CHANGE,
) -> str:
    """`volts` RMS on the board's terminals of `control_v`, `coil_v` or (behind the fuses) `line_v`.

    Measures as `current`, and series_w (W in the first resistor).
    """
    board = _board(reading)
    series = next(ref for ref in parts.of(board, reading) if "sets the transformer" in parts.part(board, ref).role)
    hot, inner = (node(net) for net in parts.part(board, series).nets(series))
    cold = hot.replace("_l1", "_l2").replace("_y", "_c")
    source = f"Vin {hot} {cold} {steady_sine(volts, hz)}"
    leave = ("fuse", "transient suppressor")
    body = _frame(reading, source, range_v=range_v, change=change, clamps=clamps, leave=leave)
    ohm = change.get(series, parts.value(board, series).nominal)
    own = f".meas tran series_w AVG par('(v({hot})-v({inner}))*(v({hot})-v({inner}))/{ohm:g}') {{window}}\n"
    return deck(reading, body + own, seconds=0.5, step=50e-6, measure_from=_RANGE_SETTLE_S)


def thermistor(resistance_ohm: float, *, change: Change = NO_CHANGE) -> str:
    """The thermistor at `resistance_ohm`. Measures pin_v and bias_v, V to ground, and bead_w, its own heat (W)."""
    refs = [ref for ref in parts.of("line", "bias 0x49", "outdoor_c") if not ref.startswith(("RT", "C6"))]
    body = f"""
Vdd vdd 0 {change.get("VDD", v.VDD.nominal):g}
RT1 outdoor_c_hot 0 {resistance_ohm:g}
{elements("line", refs, {"C5.ic": 0.0, **change})}
Radc outdoor_c bias49 {v.ADC_INPUT_OHM[v.RANGE_START_V]:g}
.meas tran pin_v AVG v(outdoor_c) {{window}}
.meas tran bias_v AVG v(bias49) {{window}}
.meas tran bead_w AVG par('v(outdoor_c_hot)*v(outdoor_c_hot)/{resistance_ohm:g}') {{window}}
"""
    return deck("outdoor_c", body, seconds=0.02, step=100e-6, measure_from=0.01)
