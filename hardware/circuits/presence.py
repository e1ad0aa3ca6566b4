"""Netlists of the presence channels: 24 V (`call`, `control_power`, `thermostat`) and line voltage (`supply`, `load`).

`change` gives other values by reference (`{"R5": 820}`), for tolerances and faults. The isolated side hangs on the Pi's
ground by 1 Gohm only, as it must to be computable. The opto's transistor gets its base current from the
diode's through the transfer ratio, and saturates by itself.
"""

from __future__ import annotations

from math import log
from typing import NamedTuple

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import parts
from condenser_monitor.hardware.circuits.decks import (
    NO_CHANGE,
    OPEN_OHM,
    Change,
    between,
    deck,
    led_model,
    ohms,
    sine,
    steady_sine,
)


class Opto(NamedTuple):
    """One sample of the opto and of the Pi: forward voltage, transfer ratio, the Pi's own pull-up (None: off)."""

    forward_v: float = v.LED_V.nominal
    ctr: float = v.OPTO_CTR.nominal
    pi_pull_ohm: float | None = v.PI_PULL_UP.nominal


# The two ends: an old, hot, poor part against the strongest pull-up; a fresh, good part against the weakest.
USUAL = Opto()
WEAK = Opto(v.LED_V.high, v.OPTO_CTR.low * v.OPTO_LIFE.nominal * v.OPTO_HEAT.nominal, v.PI_PULL_UP.low)
STRONG = Opto(v.LED_V.low, v.OPTO_CTR.high, None)

_STEADY = """
.meas tran pin_max MAX v(pin) {window}
.meas tran pin_min MIN v(pin) {window}
.meas tran led_peak MAX i(Vled) {window}
.meas tran tap_rms RMS i(Vtap) {window}
.meas tran r1_w AVG par('(v(m1)-v(m2))*i(Vtap)') {window}
"""
_STEP_ON_S, _STEP_OFF_S, _STEP_END_S = 0.3, 0.8, 1.4


def _pin_side(board: str, refs: tuple[str, str, str], opto: Opto, change: Change, start_v: float) -> str:
    pull, hold, series = refs
    own = "" if opto.pi_pull_ohm is None else f"Rpi pin vdd {opto.pi_pull_ohm:g}"
    return f"""
Dled1 x y LED
Dled2 y x LED
Bbase 0 base I=abs(i(Vled))*{opto.ctr / 200:g}
Qopto col base 0 QOPTO
{led_model(opto.forward_v)}
Vdd vdd 0 {v.VDD.nominal:g}
{pull} vdd col {ohms(board, pull, change):g}
{hold} col 0 {ohms(board, hold, change):g} IC={start_v:g}
{series} col pin {ohms(board, series, change):g}
Rleak pin 0 100meg
{own}
"""


def _control(opto: Opto, change: Change, start_v: float) -> str:
    return f"""
Vtap l1 m1 0
R1 m1 m2 {ohms("control", "R1", change):g}
D1 b m2 DZ
D2 b c DZ
.model DZ D(IS=1e-12 N=1 RS=5 BV={ohms("control", "D1", change):g} IBV=1m)
Vled c x 0
Vref y l2 0
Rref y 0 {OPEN_OHM:g}
{_pin_side("control", ("R2", "C1", "R3"), opto, change, start_v)}
"""


def _line(opto: Opto, change: Change, start_v: float) -> str:
    r1, r2, r3, r4, shunt = (ohms("line", ref, change) for ref in ("R1", "R2", "R3", "R4", "R5"))
    return f"""
Vtap l1 m1 0
R1 m1 m2 {r1:g}
R2 m2 c {r2:g}
Vled c x 0
R5 c y {shunt:g}
R3 y m3 {r3:g}
R4 m3 l2 {r4:g}
Rref y 0 {OPEN_OHM:g}
{_pin_side("line", ("R6", "C1", "R7"), opto, change, start_v)}
"""


_CHANNELS = {"control": _control, "line": _line}


def steady(
    board: str, volts: float, *, hz: float = 60, opto: Opto = USUAL, start_v: float = 0.0, change: Change = NO_CHANGE
) -> str:
    """`volts` RMS steadily on a channel of the control or the line board (indoor channels are control ones).

    Measures pin_max, pin_min (V), led_peak, tap_rms (A), r1_w (W in R1); for 24 V also zener_w, for the line also r1_v
    (peak V across R1) and shunt_w.
    """
    own = {
        "control": ".meas tran zener_w AVG par('abs((v(m2)-v(b))*i(Vtap))') {window}",
        "line": ".meas tran r1_v MAX par('v(m1)-v(m2)') {window}\n"
        ".meas tran shunt_w AVG par('(v(c)-v(y))*(i(Vtap)-i(Vled))') {window}",
    }
    body = f"Vin l1 l2 {steady_sine(volts, hz)}\n{_CHANNELS[board](opto, change, start_v)}{_STEADY}{own[board]}"
    return deck(f"{board}: presence", body, seconds=0.9, step=50e-6, measure_from=0.8)


def step(board: str, volts: float, *, hz: float = 60, opto: Opto = USUAL) -> str:
    """The voltage comes and goes. Measures came_s, went_s: how long until the pin is surely low, surely high again."""
    source = f"Bin l1 l2 V={between(sine(volts, hz), _STEP_ON_S, _STEP_OFF_S)}"
    body = f"""
{source}
{_CHANNELS[board](opto, NO_CHANGE, v.VDD.nominal)}
.meas tran low_at WHEN v(pin)={v.PIN_LOW_V.nominal:g} CROSS=1
.meas tran high_at WHEN v(pin)={v.PIN_HIGH_V.nominal:g} RISE=LAST
.meas tran came_s PARAM='low_at-{_STEP_ON_S:g}'
.meas tran went_s PARAM='high_at-{_STEP_OFF_S:g}'
"""
    return deck(f"{board}: voltage comes and goes", body, seconds=_STEP_END_S, step=100e-6, measure_from=0.0)


def surge(peak_v: float, *, varistor: bool = True) -> str:
    """A 1.2/50 us surge (IEC 61000-4-5: 2 ohm from leg to leg) on a line channel.

    Measures r1_v (peak V across one dropper), led_peak (A), legs_v (peak V behind the fuses).
    """
    body = f"""
Vsurge s l2 EXP(0 {peak_v * 1.037:g} 0 0.407u 0.1u 68.2u)
Rsource s l1 2
{_varistor() if varistor else ""}
{_line(USUAL, NO_CHANGE, v.VDD.nominal)}
.meas tran r1_v MAX par('v(m1)-v(m2)') {{window}}
.meas tran legs_v MAX par('v(l1)-v(l2)') {{window}}
.meas tran led_peak MAX i(Vled) {{window}}
"""
    return deck("line: surge", body, seconds=200e-6, step=50e-9, measure_from=0.0)


def _varistor() -> str:
    """I = 1 mA (V / Vn)^k through the usual sheet points of a 300 V AC part: 470 V at 1 mA, 775 V at 100 A."""
    scale = parts.value("line", "RV1").nominal / 300
    knee_v, power = 470 * scale, log(100 / 1e-3) / log(775 / 470)
    return f"Bmov l1 l2 I=0.001*sgn(v(l1,l2))*pow(abs(v(l1,l2))/{knee_v:g},{power:.2f})"
