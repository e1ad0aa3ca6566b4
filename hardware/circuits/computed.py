"""What follows from the component values, with its formula and the limit it must keep.

Each row is evaluated from `values.py` alone, at the worst end of every tolerance where a limit is a matter of safety or
of seeing rightly. The netlists check the same figures independently (tests/hardware/circuits).
"""

from __future__ import annotations

from functools import partial
from math import asin, cos, inf, log, pi, sin, sqrt
from typing import NamedTuple

from condenser_monitor.hardware import values as v
from condenser_monitor.monitor import limits

LINE_HIGH_V = limits.LINE_NOMINAL_V.value * 1.10
CONTROL_HIGH_V = limits.CONTROL_HIGH_V.value
SURGES_KV = (1, 2, 4)  # 1.2/50 us from leg to leg; 4 kV is category III at 240 V (IEC 60664-1, table F.1)
SAG_V = 187.0  # the lowest line voltage at which residential units are to run (nameplate range 187 V to 253 V)
CABLE_F_PER_M, CABLE_M = 100e-12, 30.0  # conductor to conductor in a thermostat cable; a long run (common practice)
ADC_CODES = 32768
OFFSET_CODES = 3.0  # ADS1115: offset error, most, at +-2.048 V (data sheet); taken for the finer range as well
_LEAK_V = 27.6  # 24 V and 15 % more, what an unloaded transformer gives (common practice)
_BIAS_GIVES = 0.05  # share; the bias is 110 ohm stiff, and two empty jacks feed 0.35 mA each into it
BEAD_W_PER_K = 1.5e-3  # usual dissipation constant of a small bead in still air (data sheet)


class Computed(NamedTuple):
    """One computed figure. `least` and `most` are the limits it must keep; `why` says whose limits they are."""

    board: str
    name: str
    formula: str
    value: float
    unit: str
    least: float = -inf
    most: float = inf
    why: str = ""

    @property
    def kept(self) -> bool:
        return self.least <= self.value <= self.most


def chopped_rms(peak: float, floor: float) -> float:
    """RMS of max(0, |peak sin| - floor) over whole half waves; closed form."""
    if peak <= floor:
        return 0.0
    start = asin(floor / peak)
    span = pi - 2 * start
    square = peak**2 * (span / 2 + sin(2 * start) / 2) - 4 * peak * floor * cos(start) + floor**2 * span
    return sqrt(square / pi)


def _knee_24v(high: bool) -> float:
    """Peak volts at which a 24 V channel begins to conduct, at the high or low end of its parts."""
    rows = (v.ZENER_FORWARD_V, v.LED_V)
    zener = v.CALL_ZENER.high * v.ZENER_DRIFT.high if high else v.CALL_ZENER.low * v.ZENER_DRIFT.low
    return zener + sum(row.high if high else row.low for row in rows)


def _parallel(one: float, other: float) -> float:
    return one * other / (one + other)


def _presence_24v(board: str) -> tuple[Computed, ...]:
    peak = CONTROL_HIGH_V * sqrt(2)
    tap = chopped_rms(peak, _knee_24v(False)) / v.CALL_SERIES.low
    return (
        Computed(
            board,
            "begins to conduct, earliest",
            "(Vz + Vf + Vled) low, Vz at its coldest / sqrt 2",
            _knee_24v(False) / sqrt(2),
            "V RMS",
            least=limits.CONTROL_GHOST_V.value,
            why="a stealing thermostat or a cable's pick-up stays below",
        ),
        Computed(
            board,
            "begins to conduct, latest",
            "(Vz + Vf + Vled) high, Vz at its hottest / sqrt 2",
            _knee_24v(True) / sqrt(2),
            "V RMS",
            most=limits.CONTROL_PRESENT_V.value,
            why="18 V must be seen",
        ),
        Computed(
            board,
            "opto current, peak, at 30 V",
            "(30 V sqrt 2 - knee low) / R1 low",
            (peak - _knee_24v(False)) / v.CALL_SERIES.low * 1e3,
            "mA",
            most=50.0,
            why="continuous rating of the opto's diode",
        ),
        Computed(
            board,
            "heat in R1 at 30 V",
            "Irms^2 R1, wave chopped at the knee",
            tap**2 * v.CALL_SERIES.low,
            "W",
            most=0.5,
            why="half of its 1 W",
        ),
        Computed(
            board,
            "heat in the bleeder at 30 V",
            "U^2 / R low",
            CONTROL_HIGH_V**2 / v.CALL_BLEEDER.low,
            "W",
            most=v.BLEEDER_W.nominal / 2,
            why="half of its rating, flame-proof",
        ),
        Computed(
            board,
            "clamp's knee, lowest",
            "56 V less 5 %",
            v.CLAMP_KNEE_V.low,
            "V",
            least=peak,
            why="30 V at its peak must not heat it",
        ),
        Computed(
            board,
            "source that a dead wire leaks through, still no call, least",
            "R (27.6 V / 10 V - 1), R high",
            v.CALL_BLEEDER.high * (_LEAK_V / limits.CONTROL_GHOST_V.value - 1),
            "ohm",
            most=1300.0,
            why="stealing thermostats leak through kilohms; without the bleeder 68 kohm reads as a call",
        ),
        Computed(
            board,
            "current of the tap at 30 V",
            "wave chopped at the knee / R1, and U / R of the bleeder",
            (tap + CONTROL_HIGH_V / v.CALL_BLEEDER.low) * 1e3,
            "mA RMS",
            most=v.TAP_FUSE.nominal * 500,
            why="half of the tap's fuse; 2 VA of a 40 VA transformer",
        ),
        Computed(
            board,
            "gone after",
            "R2 C1 ln((VDD - 0.1) / (VDD - 2.0)), high, the Pi's pull-up off",
            v.PULL_UP.high
            * v.HOLD_CAP.high
            * log((v.VDD.nominal - 0.1) / (v.VDD.nominal - v.PIN_HIGH_V.nominal))
            * 1e3,
            "ms",
            most=200.0,
            why="two changes of a chattering contactor, five a second, stay apart",
        ),
    )


def _control_voltage() -> tuple[Computed, ...]:
    rms_limit = v.RANGE_RUNNING_V / sqrt(2) / v.CONTROL_VOLTS_PER_VOLT
    ghost = CABLE_F_PER_M * CABLE_M * 2 * pi * 60 * v.CONTROL_SERIES.nominal * limits.CONTROL_NOMINAL_V.value
    return (
        Computed(
            "control",
            "control_v: scale",
            "R5 / (R4 + Rw + R5)",
            v.CONTROL_VOLTS_PER_VOLT * 1e3,
            "mV/V",
        ),
        Computed(
            "control",
            "control_v: largest on +-0.256 V",
            "0.256 V / sqrt 2 / scale",
            rms_limit,
            "V RMS",
            least=CONTROL_HIGH_V * 1.1,
            why="the highest class 2 voltage and a tenth over",
        ),
        Computed(
            "control",
            "control_v: heat in R4 at 30 V",
            "U^2 R4 / (R4 + Rw + R5)^2",
            CONTROL_HIGH_V**2 / v.CONTROL_SERIES.low,
            "W",
            most=0.125,
            why="half of its 0.25 W",
        ),
        Computed(
            "control",
            "control_v: picked up by 30 m of cable, wire open",
            "24 V x 2 pi f C R4",
            ghost,
            "V RMS",
            most=limits.CONTROL_DEAD_V.value,
            why="reads as dead, not as a weak call",
        ),
    )


def _current(
    board: str, sense: v.CurrentSense, *, least_a: float, most_a: float, running_a: float
) -> tuple[Computed, ...]:
    step_a = v.RANGE_RUNNING_V / ADC_CODES / sense.volts_per_amp
    name = sense.reading
    return (
        Computed(board, f"{name}: scale", "passes / ratio x burden", sense.volts_per_amp * 1e3, "mV/A"),
        Computed(
            board,
            f"{name}: largest on +-0.256 V",
            "0.256 V / sqrt 2 / scale",
            sense.full_scale_a(v.RANGE_RUNNING_V),
            "A RMS",
            least=running_a,
            why=f"running stays on the fine range up to {running_a:g} A",
        ),
        Computed(
            board,
            f"{name}: largest on +-2.048 V",
            "2.048 V / sqrt 2 / scale, or where the clamps take 1 % (1.1 V)",
            min(sense.full_scale_a(v.RANGE_START_V), v.CLAMP_V.nominal / sqrt(2) / sense.volts_per_amp),
            "A RMS",
            least=most_a,
            why=f"{most_a:g} A must be told from less",
        ),
        Computed(
            board,
            f"{name}: smallest to tell, in steps of the converter",
            f"{least_a:g} A / step",
            least_a / step_a,
            "steps RMS",
            least=20.0,
            why="well above the converter's noise of one or two steps",
        ),
        Computed(
            board,
            f"{name}: peak at {most_a:g} A",
            "sqrt 2 x I x scale, high",
            sqrt(2) * most_a * sense.volts_per_amp * 1.02,
            "V",
            most=v.VDD.low / 2 - 0.1,
            why="within the rails about the bias, lowest VDD",
        ),
        *_empty_jack(board, sense),
    )


def _empty_jack(board: str, sense: v.CurrentSense) -> tuple[Computed, ...]:
    """Direct voltage on the burden, in mV: without a plug through R, the telling resistor, and with one."""
    burden, tell = sense.burden, v.PLUG_SENSE
    nominal = burden.nominal / (burden.nominal + tell.nominal)
    told = v.VDD.nominal / 2 * nominal * limits.UNPLUGGED_RATIO.value * 1e3
    least = v.VDD.nominal / 2 * burden.low / (burden.low + tell.high) * (1 - _BIAS_GIVES) * 1e3
    offset = OFFSET_CODES * v.RANGE_RUNNING_V / ADC_CODES * 1e3
    return (
        Computed(
            board,
            f"{sense.reading}: empty jack, least",
            "VDD / 2 x burden low / (burden low + R high), less what the bias gives",
            least,
            "mV",
            least=told,
            why=f"from {told:.3g} mV on the program says that nothing is plugged in",
        ),
        Computed(
            board,
            f"{sense.reading}: plugged in, most",
            "the converter's own offset, 3 steps",
            offset,
            "mV",
            most=told / 10,
            why="the plug opens the contact and a transformer gives no direct voltage: far below the same line",
        ),
    )


def _line_presence() -> tuple[Computed, ...]:
    total = v.LINE_SERIES_COUNT * v.LINE_SERIES.low
    dim = v.LED_V.low - v.LED_SLOPE_V.nominal * log(1e-3 / v.LED_DIM_A.nominal)
    earliest = dim * (1 + v.LINE_SERIES_COUNT * v.LINE_SERIES.low / v.LINE_SHUNT.high) / sqrt(2)
    latest = v.LED_V.high * (1 + v.LINE_SERIES_COUNT * v.LINE_SERIES.high / v.LINE_SHUNT.low) / sqrt(2)
    each = LINE_HIGH_V / v.LINE_SERIES_COUNT
    heat = (LINE_HIGH_V / total) ** 2 * v.LINE_SERIES.low
    three = LINE_HIGH_V / (v.LINE_SERIES_COUNT - 1)
    return (
        Computed(
            "line",
            "begins to conduct, earliest",
            "Vled low, at 50 uA, x (1 + 4 R / Rshunt) / sqrt 2",
            earliest,
            "V RMS",
            least=40.0,
            why="what a heater or capacitor across an open pole leaves on the load side stays below",
        ),
        Computed(
            "line",
            "begins to conduct, latest",
            "Vled high x (1 + 4 R / Rshunt) / sqrt 2",
            latest,
            "V RMS",
            most=SAG_V / 2,
            why="half of the lowest voltage a unit runs on",
        ),
        Computed(
            "line",
            "voltage on each dropper at 264 V",
            "240 V x 1.1 / 4",
            each,
            "V RMS",
            most=v.DROPPER_WORKING_V.nominal / sqrt(2) / 2,
            why="half of its working voltage, as a peak",
        ),
        Computed(
            "line",
            "the same with one dropper shorted",
            "240 V x 1.1 / 3",
            three,
            "V RMS",
            most=v.DROPPER_WORKING_V.nominal / sqrt(2) / 2,
            why="half of its working voltage, as a peak",
        ),
        Computed("line", "heat in each dropper at 264 V", "(U / 4R)^2 R", heat, "W", most=0.5, why="half of its 1 W"),
        Computed(
            "line",
            "the same with one dropper shorted",
            "(U / 3R)^2 R",
            (LINE_HIGH_V / (3 * v.LINE_SERIES.low)) ** 2 * v.LINE_SERIES.low,
            "W",
            most=1.0,
            why="its 1 W",
        ),
        Computed(
            "line",
            "opto current, peak, at 264 V",
            "264 V sqrt 2 / 4R",
            LINE_HIGH_V * sqrt(2) / total * 1e3,
            "mA",
            most=50.0,
            why="continuous rating of the opto's diode, the shunt left out",
        ),
        Computed(
            "line",
            "current of the tap at 264 V",
            "U / 4R",
            LINE_HIGH_V / total * 1e3,
            "mA RMS",
            most=v.LINE_FUSE.nominal * 500,
            why="half of the fuse",
        ),
        *(
            Computed(
                "line",
                f"surge of {kv} kV: voltage on each dropper",
                f"{kv} kV / 4, one low and three high",
                kv * 1e3 * v.LINE_SERIES.high / (v.LINE_SERIES.low + 3 * v.LINE_SERIES.high),
                "V",
                most=v.DROPPER_SURGE_V.nominal,
                why="what it stands again and again; no varistor, so no fuse opens",
            )
            for kv in SURGES_KV
        ),
        Computed(
            "line",
            "surge of 4 kV: heat in a fuse",
            "(U / 4R low)^2 x 68 us / (2 ln 2)",
            (SURGES_KV[-1] * 1e3 / total) ** 2 * 68e-6 / (2 * log(2)) * 1e6,
            "uA2s",
            most=v.LINE_FUSE_I2T.nominal / 10 * 1e6,
            why="a tenth of what melts it",
        ),
    )


def _thermistor() -> tuple[Computed, ...]:
    heat = v.VDD.high**2 / 4 / v.NTC_R25.nominal
    return (
        Computed(
            "line",
            "outdoor_c: the bead's own heating, most",
            "VDD^2 / (4 R) / 1.5 mW/K",
            heat / BEAD_W_PER_K,
            "K",
            most=0.3,
            why="small beside the spread of a shaded spot",
        ),
    )


def _bus() -> tuple[Computed, ...]:
    """The I2C bus in fast mode, 400 kHz; limits of UM10204, table 10."""
    farad = 3 * v.BUS_PIN_F.nominal + v.RIBBON_M.nominal * v.RIBBON_F_PER_M.nominal
    return (
        Computed(
            "control",
            "I2C bus: rise at 400 kHz, most",
            "0.8473 R high x (3 pins + 0.5 m of ribbon)",
            0.8473 * v.BUS_PULL_UP.high * farad * 1e9,
            "ns",
            most=300.0,
            why="fast mode, UM10204; both converters and the Pi on one ribbon",
        ),
        Computed(
            "control",
            "I2C bus: current of a pin that pulls low, most",
            "(VDD high - 0.4 V) / R low",
            (v.VDD.high - 0.4) / v.BUS_PULL_UP.low * 1e3,
            "mA",
            most=3.0,
            why="what a pin of the bus must sink, UM10204",
        ),
    )


_ready = partial(Computed, "ready-made")


def _ready_inputs() -> tuple[Computed, ...]:
    """Input modules by their ratings, and what stands between them and the Pi's pins."""
    low, line, pull = v.MODULE_24V, v.MODULE_LINE, v.READY_PULL_UP
    on_ohm = v.MODULE_DROP_V.nominal / 1e-3 + v.READY_LIMIT.high
    fed = _parallel(pull.low, v.PI_PULL_UP.low)
    tap = CONTROL_HIGH_V / v.CALL_BLEEDER.low + low.input_a.high * CONTROL_HIGH_V / low.rated_v
    gone = pull.high * v.READY_HOLD.high * log((v.VDD.nominal - 0.1) / (v.VDD.nominal - v.PIN_HIGH_V.nominal))
    ghost, present = limits.CONTROL_DEAD_V.value, limits.CONTROL_NOMINAL_V.value * limits.CLOSING_RATIO.value
    return (
        _ready("24 V: no call up to, least", "sheet", low.off_v.nominal, "V RMS", ghost, inf, "what a dead wire shows"),
        _ready(
            "24 V: a call from, most",
            "sheet",
            low.on_v.nominal,
            "V RMS",
            -inf,
            present,
            "a contactor closes from there",
        ),
        _ready(
            "24 V: source that a dead wire leaks through, still no call, least",
            "R (27.6 V / 9.6 V - 1), R high",
            v.CALL_BLEEDER.high * (_LEAK_V / low.off_v.nominal - 1),
            "ohm",
            -inf,
            1400.0,
            "stealing thermostats leak through kilohms",
        ),
        _ready(
            "24 V: current of the tap at 30 V",
            "U / R of the bleeder, and the module's own",
            tap * 1e3,
            "mA RMS",
            -inf,
            v.TAP_FUSE.nominal * 500,
            "half of the tap's fuse",
        ),
        _ready(
            "line: none up to, least", "sheet", line.off_v.nominal, "V RMS", 40.0, inf, "what leaks past an open pole"
        ),
        _ready(
            "line: there from, most",
            "sheet",
            line.on_v.nominal,
            "V RMS",
            -inf,
            SAG_V,
            "the lowest voltage a unit runs on",
        ),
        _ready(
            "line: stands for long, least", "sheet", line.most_v, "V RMS", LINE_HIGH_V, inf, "240 V and a tenth more"
        ),
        _ready(
            "pin while the module conducts, most",
            "VDD high x (400 ohm + R limit) / (that + pull-up low, the Pi's own beside it)",
            v.VDD.high * on_ohm / (on_ohm + fed),
            "V",
            -inf,
            v.PIN_LOW_V.nominal,
            "surely low",
        ),
        _ready(
            "pin while it blocks, least",
            "VDD low - leakage x pull-up high",
            v.VDD.low - v.MODULE_LEAK_A.nominal * pull.high,
            "V",
            v.PIN_HIGH_V.nominal,
            inf,
            "surely high",
        ),
        _ready(
            "gone after, the module's own delay left out",
            "R C ln(3.2 / 1.3), high",
            gone * 1e3,
            "ms",
            -inf,
            200.0,
            "two changes of a chattering contactor, five a second, stay apart",
        ),
        _ready(
            "current as the module empties the hold capacitor, peak",
            "VDD high / R limit low",
            v.VDD.high / v.READY_LIMIT.low * 1e3,
            "mA",
            -inf,
            v.MODULE_OUTPUT_A.nominal * 1e3,
            "its output's rating",
        ),
        *(
            _ready(
                f"I2C bus with {count} converter modules: current of a pin that pulls low",
                "(VDD high - 0.4 V) x (1 / 1.8 kohm + n / 10 kohm), R low",
                (v.VDD.high - 0.4) * (1 / v.BUS_PULL_UP.low + count / v.BREAKOUT_PULL_UP.low) * 1e3,
                "mA",
                -inf,
                3.0 if count < 4 else inf,
                "what a pin of the bus must sink, UM10204" if count < 4 else "too much: take the pull-ups off one",
            )
            for count in (3, 4)
        ),
    )


def _ready_signals() -> tuple[Computed, ...]:
    """Transformers of 333 mV, rated for a unit of this size."""
    needs = {
        "compressor_a": (0.2, v.LOCKED_ROTOR_DESIGN_A.nominal),
        "fan_a": (0.1, 5.0),
        "coil_a": (0.05 * 4 / 24, limits.COIL_SHORT_A.value),
        "start_winding_a": (0.5, 30.0),
    }
    told = v.VDD.nominal / 2 * limits.UNPLUGGED_RATIO.value
    adc = v.ADC_INPUT_OHM[v.RANGE_START_V]
    loose = v.VDD.nominal / 2 * adc / (adc + v.LOOSE_PULL.high)
    still = told * adc / (adc + v.LOOSE_PULL.nominal)
    found = []
    for name, (least_a, most_a) in needs.items():
        sense = v.VOLT_OUTPUT[name]
        step_a = v.RANGE_RUNNING_V / ADC_CODES / sense.volts_per_amp
        peak = sqrt(2) * most_a * sense.volts_per_amp * 1.02
        found += [
            _ready(
                f"{name}: smallest to tell, in steps of the converter",
                f"{least_a:.3g} A / step",
                least_a / step_a,
                "steps RMS",
                20.0,
                inf,
                "well above the converter's noise",
            ),
            _ready(
                f"{name}: peak at {most_a:g} A",
                "sqrt 2 x I x scale, high",
                peak,
                "V",
                -inf,
                v.VDD.low / 2 - 0.1,
                "within the rails about the bias, lowest VDD",
            ),
        ]
    return (
        *found,
        _ready(
            "open lead of a current transformer, least",
            "VDD / 2 x Radc / (Radc + 1 Mohm high)",
            loose,
            "V",
            still,
            inf,
            f"from {still:.2g} V on the program says that nothing is joined",
        ),
        _ready(
            "current into a pin should a burden open, most",
            "(VDD / 2 + 8 V - VDD - 0.3 V) / R low",
            (v.OPEN_SECONDARY_V.nominal - v.VDD.nominal / 2 - v.ADC_PIN_BEYOND_V.nominal) / v.SERIES.low * 1e3,
            "mA",
            -inf,
            v.ADC_PIN_A.nominal * 1e3,
            "the converter's own limit",
        ),
    )


def rows() -> tuple[Computed, ...]:
    """Every computed figure of the three boards and of the ready-made build."""
    return (
        *_presence_24v("control"),
        *_control_voltage(),
        *_current("control", v.COIL, least_a=0.05 * 4 / 24, most_a=limits.COIL_SHORT_A.value, running_a=10 / 24),
        *_bus(),
        *_line_presence(),
        *_current("line", v.COMPRESSOR, least_a=0.2, most_a=v.LOCKED_ROTOR_DESIGN_A.nominal, running_a=30.8 * 1.1),
        *_current("line", v.FAN, least_a=0.1, most_a=5.0, running_a=1.5 * 1.1),
        *_thermistor(),
        *_presence_24v("indoor"),
        *_ready_inputs(),
        *_ready_signals(),
    )
