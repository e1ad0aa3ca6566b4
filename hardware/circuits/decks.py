"""What the SPICE netlists of the circuits have in common: device models, sources, and the frame of a deck.

Element names are the parts' references and their values come from the parts lists. Every deck measures what a test or a
page asks about (`.meas tran NAME`); `{window}` in a body stands for the stretch of time measured. Node 0 is the Pi's
ground.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, pi, sqrt

from condenser_monitor.hardware.circuits import parts

Change = Mapping[str, float]
NO_CHANGE: Change = {}
OPEN_OHM = 1e9
THERMAL_V = 0.025852  # kT/q at 27 C, the simulator's nominal temperature
LED_EMISSION = 2.0

# Silicon rectifier, 1 A: 0.76 V at 0.1 A, 0.53 V at 1 mA (typical sheet curve). Schottky: 0.32 V at 1 mA, the sheet's
# maximum, so that the pins are judged at their worst. Temperature laws are SPICE's own for silicon (EG 1.11, XTI 3).
MODELS = """\
.model RECT D(IS=29.5n N=1.96 RS=0.07)
.model SCHOTTKY D(IS=11n N=1.02 RS=5)
.model QOPTO NPN(BF=200 IS=1e-14)"""


def ohms(board: str, ref: str, change: Change = NO_CHANGE) -> float:
    """A part's value in force: the changed one, else the nominal one of the parts list."""
    return change.get(ref, parts.value(board, ref).nominal)


def led_model(forward_v: float) -> str:
    """A diode of this forward voltage at 1 mA."""
    saturation = 1e-3 / exp(forward_v / (LED_EMISSION * THERMAL_V))
    return f".model LED D(IS={saturation:.4e} N={LED_EMISSION} RS=2 CJO=30p)"


def sine(rms: float, hz: float) -> str:
    """The expression of a sine of this RMS value."""
    return f"{rms * sqrt(2):.6g}*sin({2 * pi * hz:.6f}*time)"


def steady_sine(rms: float, hz: float) -> str:
    """An independent source of that sine, from time zero on."""
    return f"SIN(0 {rms * sqrt(2):.6g} {hz:g})"


def between(expression: str, on_s: float, off_s: float) -> str:
    """`expression` from one time to another, zero before and after."""
    return f"({expression})*u(time-{on_s:g})*u({off_s:g}-time)"


def deck(title: str, body: str, *, seconds: float, step: float, measure_from: float, temp_c: float = 27.0) -> str:
    """A whole deck: models, body, and a transient run of `seconds` that starts from the initial values given in it."""
    window = f"from={measure_from:g} to={seconds:g}"
    return f"""\
* {title}
{MODELS}
.options temp={temp_c:g} method=gear
{body.replace("{window}", window).strip()}
.tran {step:g} {seconds:g} 0 {step:g} uic
.end
"""
