"""Decks of the ready-made build: input modules by their ratings, 333 mV transformers, component terminals.

The elements come from `parts.READY`; here stand what is put on the terminals and what is measured. What is inside a
module is its maker's: it is modelled by what its sheet must promise (`values.MODULE_24V`, `MODULE_LINE`), at both ends
of it.
"""

from __future__ import annotations

from math import pi

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.circuits import parts
from tests.hardware.circuits.decks import (
    NO_CHANGE,
    USUAL_MODULE,
    Change,
    Module,
    comes_and_goes,
    deck,
    elements,
    fuse_heat,
    node,
    opening_coil,
    sine,
    steady_sine,
)

BUILD = "ready-made"
# The module that conducts earliest, and the one that conducts latest, with an output as poor as its sheet allows.
EARLY = Module(0.0, leak_a=v.MODULE_LEAK_A.nominal, filter_s=v.MODULE_FILTER_S.low)
LATE = Module(1.0, filter_s=v.MODULE_FILTER_S.low)


def _ends(name: str) -> tuple[str, str]:
    """The nodes that the tapped circuit is joined to, ahead of the fuses."""
    fuse = next(row for row in parts.READY if row.kind.startswith("fuse") and row.role.startswith(f"{name}:"))
    taps = [node(wires[0]) for wires in fuse.wires]
    return (taps[0], taps[1]) if len(taps) == 2 else (taps[0], f"{name}_c")


def _channel(name: str, module: Module, change: Change, start_v: float, leave: str = "") -> str:
    refs = [ref for ref in parts.of(BUILD, name) if not leave or not parts.part(BUILD, ref).kind.startswith(leave)]
    hold = next(ref for ref in refs if parts.part(BUILD, ref).value is v.READY_HOLD)
    return f"""
Vdd vdd 0 {v.VDD.nominal:g}
{elements(BUILD, refs, {f"{hold}.ic": start_v, **change}, module=module)}
Rpi {name} vdd {v.PI_PULL_UP.nominal:g}
"""


def steady(
    name: str,
    volts: float,
    *,
    hz: float = 60,
    module: Module = USUAL_MODULE,
    start_v: float = 0.0,
    change: Change = NO_CHANGE,
    source_ohm: float = 0.1,
    source_f: float = 0.0,
    leave: str = "",
) -> str:
    """`volts` RMS steadily on the taps of a presence, behind `source_ohm` or `source_f`, a kind of part left out.

    Measures pin_max, pin_min (V), tap_rms (A through the first fuse).
    """
    one, other = _ends(name)
    fuse = next(row for row in parts.READY if row.kind.startswith("fuse") and row.role.startswith(f"{name}:")).refs[0]
    through = f"Csource source {one} {source_f:g}" if source_f else f"Rsource source {one} {source_ohm:g}"
    body = f"""
Vin source {other} {steady_sine(volts, hz)}
{through}
{_channel(name, module, change, start_v, leave)}
.meas tran pin_max MAX v({name}) {{window}}
.meas tran pin_min MIN v({name}) {{window}}
.meas tran tap_rms RMS i(V{fuse}) {{window}}
"""
    return deck(f"ready-made: {name}", body, seconds=0.9, step=100e-6, measure_from=0.8, loose=True)


def step(name: str, volts: float, *, hz: float = 60, module: Module = USUAL_MODULE) -> str:
    """The voltage comes and goes. Measures came_s, went_s: how long until the pin is surely low, surely high again."""
    channel = _channel(name, module, NO_CHANGE, v.VDD.nominal)
    title = f"ready-made: {name} comes and goes"
    return comes_and_goes(title, sine(volts, hz), name, _ends(name), channel, step=200e-6)


def coil_opens(*, clamp: bool = True, coil_h: float = 0.15, coil_ohm: float = 15.0, volts: float = 30.0) -> str:
    """A contactor's coil at `volts` whose circuit opens at the peak of its current. Measures tap_v (peak V across the
    module's input), fuse_i2t (A2s)."""
    body = f"""
{opening_coil(_ends("call"), coil_h=coil_h, coil_ohm=coil_ohm, volts=volts)}
{_channel("call", USUAL_MODULE, NO_CHANGE, 0.0, "" if clamp else "transient")}
{fuse_heat("VF1A")}
.meas tran tap_v MAX par('abs(v(call_y)-v(call_c))') {{window}}
"""
    return deck("ready-made: the coil's circuit opens", body, seconds=20e-3, step=1e-6, measure_from=0.0, loose=True)


def signal(
    reading: str, amount: float, *, hz: float = 60, range_v: float = v.RANGE_RUNNING_V, ohm: float = 20.0
) -> str:
    """`amount` (A or V RMS) at the primary of a 333 mV transformer, whose secondary has `ohm`.

    Measures out_v (RMS between pin and bias), mean_v (V, direct), pin_max, pin_min (V to ground).
    """
    sense = v.VOLT_OUTPUT.get(reading) or v.READY_VOLTS[reading]
    bias = f"bias{CHANNELS[reading].address:x}"
    source = f"Vct ct {bias} {steady_sine(amount * sense.volts_per_amp, hz)}\nRct ct {reading}_hot {ohm:g}"
    return _signal(reading, source, range_v)


def loose(reading: str, range_v: float = v.RANGE_START_V) -> str:
    """A current transformer's lead is off. Measures as `signal`."""
    return _signal(reading, f"Rdamp {reading}_hot 0 1e12", range_v)


def open_burden(reading: str) -> str:
    """The burden inside is open: the transformer's own clamp holds its peaks. Measures as `signal`, and pin_a (peak A)
    through the series resistor into a pin whose diodes hold it at the rails."""
    bias = f"bias{CHANNELS[reading].address:x}"
    peak = v.OPEN_SECONDARY_V.nominal
    clamped = f"""\
Bct {reading}_hot {bias} V={peak:g}*tanh(10*sin({2 * pi * 60:.6f}*time))
Dup {reading} vdd RECT
Ddown 0 {reading} RECT
.meas tran pin_a MAX par('abs(v({reading}_hot)-v({reading}))/{v.SERIES.low:g}') {{window}}"""
    return _signal(reading, clamped, v.RANGE_START_V)


def _signal(reading: str, source: str, range_v: float) -> str:
    kinds = ("resistor", "capacitor")
    refs = [ref for ref in parts.of(BUILD, reading) if parts.part(BUILD, ref).kind.startswith(kinds)]
    address = CHANNELS[reading].address
    divider = [ref for ref in parts.of(BUILD, f"bias {address:#x}") if parts.part(BUILD, ref).kind.startswith(kinds)]
    half = v.VDD.nominal / 2
    starts = {f"{ref}.ic": half for ref in (*refs, *divider) if parts.part(BUILD, ref).kind == "capacitor"}
    bias = f"bias{address:x}"
    body = f"""
Vdd vdd 0 {v.VDD.nominal:g}
{source}
{elements(BUILD, (*refs, *divider), starts)}
Radc {reading} {bias} {v.ADC_INPUT_OHM[range_v]:g}
.meas tran out_v RMS par('v({reading})-v({bias})') {{window}}
.meas tran mean_v AVG par('v({reading})-v({bias})') {{window}}
.meas tran pin_max MAX v({reading}) {{window}}
.meas tran pin_min MIN v({reading}) {{window}}
"""
    return deck(f"ready-made: {reading}", body, seconds=0.5, step=50e-6, measure_from=0.4)
