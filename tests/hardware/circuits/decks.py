"""What the SPICE netlists of the circuits have in common: device models, sources, and the frame of a deck.

Elements, their nodes and values come from the one description of a board (`parts`), so that what is simulated is what
is drawn and laid out: elements are named as the parts, nodes as the nets. Every deck measures what a test or a page
asks about (`.meas tran NAME`); `{window}` in a body stands for the stretch of time measured. Node 0 is the Pi's
ground.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import cos, exp, pi, sqrt
from typing import NamedTuple

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.circuits import parts
from condenser_monitor.hardware.circuits.assembly import THERMAL_V
from condenser_monitor.monitor.core.errors import ContractError

Change = Mapping[str, float]
NO_CHANGE: Change = {}
OPEN_OHM = 1e9
LED_EMISSION = 2.0

# Silicon rectifier, 1 A: 0.76 V at 0.1 A, 0.53 V at 1 mA (typical sheet curve). Schottky: 0.32 V at 1 mA, the sheet's
# maximum, so that the pins are judged at their worst. Temperature laws are SPICE's own for silicon (EG 1.11, XTI 3).
MODELS = f"""\
.model RECT D(IS=29.5n N=1.96 RS=0.07)
.model SCHOTTKY D(IS=11n N=1.02 RS=5)
.model QOPTO NPN(BF=200 IS=1e-14)
.model CLAMP D(IS=1e-12 N=1 RS={v.CLAMP_SLOPE_OHM.nominal / 2:g} BV={v.CLAMP_KNEE_V.nominal:g} IBV=1m CJO=300p)"""


class Opto(NamedTuple):
    """One sample of the opto and of the Pi: forward voltage, transfer ratio, the Pi's own pull-up (None: off)."""

    forward_v: float = v.LED_V.nominal
    ctr: float = v.OPTO_CTR.nominal
    pi_pull_ohm: float | None = v.PI_PULL_UP.nominal


USUAL_OPTO = Opto()


class Module(NamedTuple):
    """One sample of an input module: where between its sheet's two thresholds it switches (0 to 1), whether its input
    is filtered, the time constant of the filter's two poles, the leakage of its blocking output and the ohms of its
    conducting one."""

    share: float = 0.5
    filtered: bool = True
    filter_s: float = v.MODULE_FILTER_S.nominal
    leak_a: float = 0.0
    ohm: float = v.MODULE_DROP_V.nominal / 1e-3

    def threshold_v(self, kind: v.InputModule) -> float:
        """RMS at which this sample of that kind switches: just within the two that its sheet promises, so that at them
        the filter's ripple no longer matters."""
        first, last = kind.off_v.nominal * 1.03, kind.on_v.nominal * 0.97
        return first + self.share * (last - first)


USUAL_MODULE = Module()


def ohms(board: str, ref: str, change: Change = NO_CHANGE) -> float:
    """A part's value in force: the changed one, else the nominal one of the parts list."""
    return change.get(ref, parts.value(board, ref).nominal)


def node(net: str) -> str:
    """The name of a net in a deck."""
    return "0" if net == "GND" else net.lower().replace(" ", "_")


def elements(
    board: str,
    refs: Iterable[str],
    change: Change = NO_CHANGE,
    *,
    opto: Opto = USUAL_OPTO,
    module: Module = USUAL_MODULE,
) -> str:
    """The elements of these parts, joined as the board joins them. A capacitor starts at the value of `REF.ic` in
    `change`. Raises ContractError for a kind of part that has no model here."""
    return "\n".join(line for ref in refs for line in _element(board, ref, change, opto, module))


def _element(board: str, ref: str, change: Change, opto: Opto, module: Module) -> list[str]:
    row = parts.part(board, ref)
    pins = [node(net) for net in row.nets(ref)]
    kind = row.kind.partition(",")[0]
    match kind:
        case "resistor":
            return [f"{ref} {pins[0]} {pins[1]} {ohms(board, ref, change):g}"]
        case "capacitor":
            start = f" IC={change[f'{ref}.ic']:g}" if f"{ref}.ic" in change else ""
            return [f"{ref} {pins[0]} {pins[1]} {ohms(board, ref, change):g}{start}"]
        case "fuse":
            ohm = v.TAP_FUSE_OHM.nominal
            return [f"V{ref} {pins[0]} {ref.lower()}_in 0", f"R{ref} {ref.lower()}_in {pins[1]} {ohm:g}"]
        case "zener diode":
            model = f".model DZ{ref} D(IS=1e-12 N=1 RS=5 BV={ohms(board, ref, change):g} IBV=1m)"
            return [f"{ref} {pins[1]} {pins[0]} DZ{ref}", model]
        case "transient suppressor":
            middle = f"{ref.lower()}_mid"
            return [f"{ref}a {middle} {pins[0]} CLAMP", f"{ref}b {middle} {pins[1]} CLAMP"]
        case "rectifier diode":
            return [f"{ref} {pins[1]} {pins[0]} RECT"]
        case "Schottky diode pair":
            return [f"{ref}a {pins[2]} {pins[1]} SCHOTTKY", f"{ref}b {pins[0]} {pins[2]} SCHOTTKY"]
        case "opto-isolator":
            return _opto_elements(ref, pins, opto)
        case "input module":
            return _module_elements(ref, pins, v.MODULE_24V if " 24 V" in row.kind else v.MODULE_LINE, module)
        case "voltage transformer":
            turns = change.get(ref, row.value.nominal if row.value else 1.0)
            winding = change.get(f"{ref}.winding", v.CONTROL_WINDINGS.nominal)
            low, sense, back = (f"{ref.lower()}_{name}" for name in ("low", "sense", "back"))
            return [
                f"V{ref} {pins[0]} {sense} 0",
                f"R{ref} {sense} {back} {winding:g}",
                f"E{ref} {back} {pins[1]} {pins[2]} {pins[3]} {1 / turns:g}",
                f"F{ref} {pins[3]} {pins[2]} V{ref} {1 / turns:g}",
                f"R{low} {pins[1]} 0 {OPEN_OHM:g}",
            ]
    raise ContractError(f"{board} board: {ref}", row.kind, "a part with a model")


def _opto_elements(ref: str, pins: list[str], opto: Opto) -> list[str]:
    """Two diodes against each other; their current times the transfer ratio is the transistor's."""
    first, second, emitter, collector = pins
    inner, base = f"{ref.lower()}_in", f"{ref.lower()}_base"
    saturation = 1e-3 / exp(opto.forward_v / (LED_EMISSION * THERMAL_V))
    return [
        f"V{ref} {first} {inner} 0",
        f"D{ref}a {inner} {second} LED{ref}",
        f"D{ref}b {second} {inner} LED{ref}",
        f".model LED{ref} D(IS={saturation:.4e} N={LED_EMISSION} RS=2 CJO=30p)",
        f"B{ref} {emitter} {base} I=abs(i(V{ref}))*{opto.ctr / 200:g}",
        f"Q{ref} {collector} {base} {emitter} QOPTO",
        f"R{ref} {second} 0 {OPEN_OHM:g}",
    ]


def _module_elements(ref: str, pins: list[str], kind: v.InputModule, module: Module) -> list[str]:
    """A load at the input, what its filter makes of the wave (V RMS), and an output that conducts above the threshold.
    Without a filter it conducts in the middle third of each half wave when it just switches."""
    first, second, emitter, collector = pins
    low = ref.lower()
    envelope, wave = f"{low}_env", f"abs(v({first})-v({second}))"
    threshold = module.threshold_v(kind)
    ohm = kind.rated_v / kind.input_a.nominal
    switch = f"0.5*(1+tanh((v({envelope})-{threshold:g})/{threshold / 300:g}))"
    share = pi / (2 * sqrt(2)) if module.filtered else 1 / (sqrt(2) * cos(pi / 6))
    across = f"(v({collector})-v({emitter}))"
    lines = [
        f"R{ref} {first} {second} {ohm:g}",
        f"B{ref}e {low}_src 0 V={wave}*{share:.6g}",
        f"B{ref}o {collector} {emitter} I={across}/{module.ohm:g}*{switch}+{module.leak_a:g}*tanh({across}/0.1)",
        f"R{ref}i {second} 0 {OPEN_OHM:g}",
    ]
    if not module.filtered:
        return [*lines, f"R{ref}e {low}_src {envelope} 1k"]
    poles = [f"R{ref}e {low}_src {low}_mid 1k", f"C{ref}e {low}_mid 0 {module.filter_s / 1e3:g} IC=0"]
    poles += [f"R{ref}f {low}_mid {envelope} 100k", f"C{ref}f {envelope} 0 {module.filter_s / 1e5:g} IC=0"]
    return [*lines, *poles]


def sine(rms: float, hz: float) -> str:
    """The expression of a sine of this RMS value."""
    return f"{rms * sqrt(2):.6g}*sin({2 * pi * hz:.6f}*time)"


def steady_sine(rms: float, hz: float) -> str:
    """An independent source of that sine, from time zero on."""
    return f"SIN(0 {rms * sqrt(2):.6g} {hz:g})"


def between(expression: str, on_s: float, off_s: float) -> str:
    """`expression` from one time to another, zero before and after."""
    return f"({expression})*u(time-{on_s:g})*u({off_s:g}-time)"


def deck(
    title: str,
    body: str,
    *,
    seconds: float,
    step: float,
    measure_from: float,
    temp_c: float = 27.0,
    loose: bool = False,
) -> str:
    """A whole deck: models, body, and a transient run of `seconds` that starts from the initial values given in it.

    `loose` is for knees and surges, where a microvolt does not matter and the solver would step on the spot."""
    tolerances = " reltol=0.003 abstol=1e-9 vntol=1e-5" if loose else ""
    window = f"from={measure_from:g} to={seconds:g}"
    return f"""\
* {title}
{MODELS}
.options temp={temp_c:g} method=gear{tolerances}
{body.replace("{window}", window).strip()}
.tran {step:g} {seconds:g} 0 {step:g} uic
.end
"""


_STEP_ON_S, _STEP_OFF_S, _STEP_END_S = 0.3, 0.8, 1.4


def comes_and_goes(title: str, source: str, pin: str, ends: tuple[str, str], channel: str, *, step: float) -> str:
    """A deck in which `source` (V) is on the taps of a presence channel for half a second.

    Measures came_s, went_s: how long until the pin is surely low, surely high again."""
    one, other = ends
    body = f"""
Bin {one} {other} V={between(source, _STEP_ON_S, _STEP_OFF_S)}
{channel}
.meas tran low_at WHEN v({pin})={v.PIN_LOW_V.nominal:g} CROSS=1
.meas tran high_at WHEN v({pin})={v.PIN_HIGH_V.nominal:g} RISE=LAST
.meas tran came_s PARAM='low_at-{_STEP_ON_S:g}'
.meas tran went_s PARAM='high_at-{_STEP_OFF_S:g}'
"""
    return deck(title, body, seconds=_STEP_END_S, step=step, measure_from=0.0, loose=True)


def fuse_heat(fuse: str) -> str:
    """Measure fuse_i2t (A2s) through the fuse of this source."""
    return f"""
Bheat 0 heat I=i({fuse})*i({fuse})
Cheat heat 0 1 IC=0
.meas tran fuse_i2t MAX v(heat) {{window}}
"""


def opening_coil(ends: tuple[str, str], *, coil_h: float, coil_ohm: float, volts: float) -> str:
    """A contactor's coil at `volts` whose circuit opens at the peak of its current, with the tap across the coil."""
    one, other = ends
    peak_a = volts * sqrt(2) / sqrt(coil_ohm**2 + (2 * pi * 60 * coil_h) ** 2)
    return f"""
Lcoil {one} coil {coil_h:g} IC={-peak_a:g}
Rcoil coil {other} {coil_ohm:g}
Ccoil {one} {other} 200p IC=0
Rwire {other} 0 1
"""
