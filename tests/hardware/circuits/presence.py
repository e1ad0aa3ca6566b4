"""Decks of the presence channels: 24 V (`call`, `control_power`, `thermostat`) and line voltage (`supply`, `load`).

The elements come from the boards' one description; here stand what is put on their terminals and what is measured.
`change` gives other values by reference (`{"R5": 820}`), for tolerances and faults. The isolated side hangs on the Pi's
ground by 1 Gohm only, as it must to be computable.
"""

from __future__ import annotations

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import parts
from tests.hardware.circuits.decks import (
    NO_CHANGE,
    USUAL_OPTO,
    Change,
    Opto,
    comes_and_goes,
    deck,
    elements,
    fuse_heat,
    node,
    opening_coil,
    sine,
    steady_sine,
)

# The two ends: an old, hot, poor part against the strongest pull-up; a fresh, good part against the weakest.
USUAL = USUAL_OPTO
WEAK = Opto(v.LED_V.high, v.OPTO_CTR.low * v.OPTO_LIFE.nominal * v.OPTO_HEAT.nominal, v.PI_PULL_UP.low)
STRONG = Opto(v.LED_V.low, v.OPTO_CTR.high, None)
CHANNEL = {"control": "call", "line": "supply"}  # the one that is simulated of those alike


def terminals(board: str) -> tuple[str, str]:
    """The nodes that the tapped circuit is joined to: ahead of the fuses, where there is one in that leg."""
    fuses = [ref for ref in parts.of(board, CHANNEL[board]) if parts.part(board, ref).kind.startswith("fuse")]
    ends = [node(parts.part(board, ref).nets(ref)[0]) for ref in fuses]
    return (ends[0], ends[1]) if len(ends) == 2 else (ends[0], "call_c")


def _channel(board: str, opto: Opto, change: Change, start_v: float, *, bleeder: bool = True) -> str:
    """The whole channel, from the tap to the Pi's pin."""
    name = CHANNEL[board]
    refs = [ref for ref in parts.of(board, name) if bleeder or parts.part(board, ref).value is not v.CALL_BLEEDER]
    hold = next(ref for ref in refs if parts.part(board, ref).kind == "capacitor")
    own = "" if opto.pi_pull_ohm is None else f"Rpi {name} vdd {opto.pi_pull_ohm:g}"
    return f"""
Vdd vdd 0 {v.VDD.nominal:g}
{elements(board, refs, {f"{hold}.ic": start_v, **change}, opto=opto)}
Rleak {name} 0 100meg
{own}
"""


def _measures(board: str, change: Change) -> str:
    name, fuse, opto = CHANNEL[board], "VF1", "VU1"
    one, other = (node(net) for net in parts.part(board, "R1").nets("R1"))
    r1 = change.get("R1", parts.value(board, "R1").nominal)
    return f"""
.meas tran pin_max MAX v({name}) {{window}}
.meas tran pin_min MIN v({name}) {{window}}
.meas tran led_peak MAX i({opto}) {{window}}
.meas tran tap_rms RMS i({fuse}) {{window}}
.meas tran r1_w AVG par('(v({one})-v({other}))*(v({one})-v({other}))/{r1:g}') {{window}}
"""


def _own_measures(board: str, change: Change) -> str:
    if board == "line":
        one, other = (node(net) for net in parts.part(board, "R1").nets("R1"))
        near, far = (node(net) for net in parts.part(board, "R5").nets("R5"))
        return f"""
.meas tran r1_v MAX par('v({one})-v({other})') {{window}}
.meas tran shunt_w AVG par('(v({near})-v({far}))*(v({near})-v({far}))/{parts.value(board, "R5").nominal:g}') {{window}}
"""
    r1 = change.get("R1", parts.value(board, "R1").nominal)
    bleeder = change.get("R28", parts.value(board, "R28").nominal)
    return f"""
.meas tran zener_w AVG par('abs((v(call_1)-v(call_2))*(v(call_y)-v(call_1))/{r1:g})') {{window}}
.meas tran bleeder_w AVG par('(v(call_y)-v(call_c))*(v(call_y)-v(call_c))/{bleeder:g}') {{window}}
"""


def steady(
    board: str,
    volts: float,
    *,
    hz: float = 60,
    opto: Opto = USUAL,
    start_v: float = 0.0,
    change: Change = NO_CHANGE,
    source_ohm: float = 0.0,
    source_f: float = 0.0,
    bleeder: bool = True,
) -> str:
    """`volts` RMS steadily on a channel of the control or the line board (indoor channels are control ones).

    `source_ohm` or `source_f` lies between the source and the tap: what leaks on to a wire that nothing else loads.
    Measures pin_max, pin_min (V), led_peak, tap_rms (A), r1_w (W in R1); for 24 V also zener_w and bleeder_w, for the
    line also r1_v (peak V across R1) and shunt_w.
    """
    one, other = terminals(board)
    through = f"Rsource source {one} {max(source_ohm, 0.1):g}" if not source_f else f"Csource source {one} {source_f:g}"
    measured = _measures(board, change) + (_own_measures(board, change) if bleeder else "")
    body = f"""
Vin source {other} {steady_sine(volts, hz)}
{through}
{_channel(board, opto, change, start_v, bleeder=bleeder)}{measured}"""
    return deck(f"{board}: presence", body, seconds=0.9, step=50e-6, measure_from=0.8, loose=True)


def step(board: str, volts: float, *, hz: float = 60, opto: Opto = USUAL) -> str:
    """The voltage comes and goes. Measures came_s, went_s: how long until the pin is surely low, surely high again."""
    channel = _channel(board, opto, NO_CHANGE, v.VDD.nominal)
    title = f"{board}: voltage comes and goes"
    return comes_and_goes(title, sine(volts, hz), CHANNEL[board], terminals(board), channel, step=100e-6)


def surge(peak_v: float, *, varistor_v: float = 0.0, change: Change = NO_CHANGE) -> str:
    """A 1.2/50 us surge (IEC 61000-4-5: 2 ohm from leg to leg) on a line channel, with the line's own transformer input
    beside it; the source's ohms alone hold it back.

    `varistor_v`: what a varistor of that AC rating behind the fuses would do, which the board does not have. Measures
    r1_v (peak V across one dropper), led_peak (A), legs_v (peak V behind the fuses), fuse_i2t (A2s through one fuse).
    """
    one, other = terminals("line")
    varistor = ""
    if varistor_v:  # the usual sheet points of a 300 V AC part, in proportion: 470 V at 1 mA, 775 V at 100 A
        scale = varistor_v / 300
        across = "v(supply_l1,supply_l2)"
        flow = f"sgn({across})*max(abs({across})-{470 * scale:g},0)/{3 * scale:g}"
        varistor = f"Bmov supply_l1 supply_l2 I={flow}"
    body = f"""
Vsurge surge {other} EXP(0 {peak_v * 1.037:g} 0 0.407u 0.1u 68.2u)
Rsource surge {one} 2
{varistor}
{_channel("line", USUAL, change, v.VDD.nominal)}
{fuse_heat("VF1")}
.meas tran r1_v MAX par('v(supply_l1)-v(supply_1)') {{window}}
.meas tran legs_v MAX par('v(supply_l1)-v(supply_l2)') {{window}}
.meas tran led_peak MAX i(VU1) {{window}}
"""
    return deck("line: surge", body, seconds=300e-6, step=50e-9, measure_from=0.0, loose=True)


def coil_opens(*, coil_h: float = 0.15, coil_ohm: float = 15.0, clamp: bool = True, volts: float = 30.0) -> str:
    """A contactor's coil at `volts` whose circuit opens at the peak of its current, with the tap across the coil.

    Measures tap_v (peak V across the input, either way), led_peak (A, either way), r1_v (peak V across R1),
    fuse_i2t (A2s).
    """
    one, other = terminals("control")
    refs = [ref for ref in parts.of("control", "call") if clamp or ref != "D24"]
    body = f"""
{opening_coil((one, other), coil_h=coil_h, coil_ohm=coil_ohm, volts=volts)}
Vdd vdd 0 {v.VDD.nominal:g}
{elements("control", refs, {"C1.ic": 0.0})}
Rleak call 0 100meg
{fuse_heat("VF1")}
.meas tran high_v MAX par('abs(v({one})-v({other}))') {{window}}
.meas tran tap_v MAX par('abs(v(call_y)-v(call_c))') {{window}}
.meas tran led_peak MAX par('abs(i(VU1))') {{window}}
.meas tran r1_v MAX par('abs(v(call_y)-v(call_1))') {{window}}
"""
    return deck("control: the coil's circuit opens", body, seconds=20e-3, step=1e-6, measure_from=0.0, loose=True)
