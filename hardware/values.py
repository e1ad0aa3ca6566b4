"""Component values of the three boards, each once: for the channel table, the netlists, the drawings and the pages.

A value is `Value(nominal, unit, tolerance, meaning, basis)`; the tolerance is the relative half-width a bought part may
have (0.01 is 1 %), and basis is one of `monitor.limits.BASES`. Light on purpose: the Pi imports this at every start.

The measuring chain in one line a sense (RMS in, RMS at the converter out):

    compressor_a  lead -> CT 2000:1, 1 pass   -> 10 ohm  ->   5.0 mV/A
    fan_a         lead -> CT 2000:1, 3 passes -> 47 ohm  ->  70.5 mV/A
    coil_a        lead -> CT 2000:1, 5 passes -> 47 ohm  -> 117.5 mV/A
    control_v     24 V -> 15 kohm, 2 mA : 2 mA transformer -> 68 ohm -> 4.448 mV/V
    outdoor_c     10 kohm thermistor under 10 kohm to VDD; read as a ratio to the bias (half of VDD)

Every alternating signal stands on the bias (VDD / 2, at AIN3 of each converter), read as AINx minus AIN3. The gain
is chosen by the reader: +-0.256 V for running currents, +-2.048 V for starts and locked rotors.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from condenser_monitor.monitor import sources


class Value(NamedTuple):
    """One component value; `low` and `high` are the limits its tolerance allows."""

    nominal: float
    unit: str
    tolerance: float
    meaning: str
    basis: str = "ours"

    @property
    def low(self) -> float:
        return self.nominal * (1 - self.tolerance)

    @property
    def high(self) -> float:
        return self.nominal * (1 + self.tolerance)


class CurrentSense(NamedTuple):
    """One current transformer with its burden: primary amps (RMS) to volts at the converter."""

    reading: str
    rated_a: float
    ratio: Value
    passes: int
    burden: Value

    @property
    def volts_per_amp(self) -> float:
        """V RMS between AINx and AIN3 for one ampere RMS in the lead."""
        return self.passes / self.ratio.nominal * self.burden.nominal

    def full_scale_a(self, range_v: float) -> float:
        """The largest sine, A RMS in the lead, whose peaks fit a converter range of +-`range_v` V."""
        return range_v / sqrt(2) / self.volts_per_amp


class VoltageSense(NamedTuple):
    """One small voltage transformer, driven by a current through `series`: primary volts (RMS) to volts at the
    converter."""

    reading: str
    series: Value
    windings: Value
    ratio: Value
    burden: Value

    @property
    def volts_per_volt(self) -> float:
        """V RMS between AINx and AIN3 for one volt RMS at the terminals."""
        loop_ohm = self.series.nominal + self.windings.nominal + self.burden.nominal
        return self.ratio.nominal * self.burden.nominal / loop_ohm


# ---------------------------------------------------------------- supply, bias, converter

VDD = Value(3.3, "V", 0.05, "3.3 V of the Pi's header", sources.PI_HEADER.basis)
BIAS_TOP = Value(220, "ohm", 0.01, "upper half of the bias divider; stiff, so that an empty jack hardly moves it")
BIAS_BOTTOM = Value(220, "ohm", 0.01, "lower half of the bias divider")
BIAS_CAP = Value(10e-6, "F", 0.2, "holds the bias still for alternating current")
SERIES = Value(1000, "ohm", 0.01, "in each signal lead to the converter: limits fault current, and filters")
FILTER_CAP = Value(100e-9, "F", 0.1, "with SERIES: corner at 1.6 kHz, above the wave's harmonics on purpose")
ADC_SUPPLY_DECOUPLE = Value(100e-9, "F", 0.1, "at the converter's supply pins")
ADC_INPUT_OHM = {  # differential input resistance by range (V); ADS1115 data sheet SBAS444D, typical
    0.256: 710e3,
    0.512: 710e3,
    1.024: 2.4e6,
    2.048: 4.9e6,
    4.096: 15e6,
    6.144: 22e6,
}
BUS_PULL_UP = Value(1800, "ohm", 0.05, "on the Pi, in SDA and in SCL", sources.PI_HEADER.basis)
BUS_PIN_F = Value(10e-12, "F", 0.0, "of each chip and of the Pi on the bus, at most", sources.CONVERTER_INPUT.basis)
RIBBON_F_PER_M = Value(100e-12, "F/m", 0.0, "conductor of a flat ribbon between two others, at most", "common practice")
RIBBON_M = Value(0.5, "m", 0.0, "longest ribbon from the Pi to the boards")
ADC_PIN_BEYOND_V = Value(0.3, "V", 0.0, "converter's absolute maximum beyond its rails", sources.CONVERTER_INPUT.basis)
ADC_GAIN_TOLERANCE = Value(0.0015, "1", 0.0, "gain error at 25 C, all ranges, maximum", sources.CONVERTER_INPUT.basis)
RANGE_RUNNING_V = 0.256
RANGE_START_V = 2.048

# ---------------------------------------------------------------- currents

CT_RATIO = Value(2000, "1", 0.01, "secondary turns, our choice; within 1 % at rated current: class 1 of IEC 61869-2")
CT_CLASS_1 = (
    (0.05, 0.030),
    (0.20, 0.015),
    (1.00, 0.010),
    (1.20, 0.010),
)  # of rated current: ratio error, sources.CT_CLASS
COMPRESSOR = CurrentSense("compressor_a", 100.0, CT_RATIO, 1, Value(10.0, "ohm", 0.01, "burden of the compressor's CT"))
FAN = CurrentSense("fan_a", 30.0, CT_RATIO, 3, Value(47.0, "ohm", 0.01, "burden of the fan's CT"))
COIL = CurrentSense("coil_a", 30.0, CT_RATIO, 5, Value(47.0, "ohm", 0.01, "burden of the coil lead's CT"))
START_WINDING = CurrentSense(
    "start_winding_a", 30.0, CT_RATIO, 1, Value(22.0, "ohm", 0.01, "burden of the start winding's CT")
)
CURRENT_SENSES = {sense.reading: sense for sense in (COMPRESSOR, FAN, COIL, START_WINDING)}
CT_VOLT_OUTPUT_V = Value(
    0.333, "V", 0.01, "RMS at rated current of a listed CT with its burden inside", "common practice"
)


class VoltOutput(NamedTuple):
    """One transformer with its burden inside, `rated` amps or volts (RMS) to 333 mV; `passes` of the lead."""

    reading: str
    rated: float
    passes: int = 1

    @property
    def rated_a(self) -> float:
        return self.rated

    @property
    def burden(self) -> Value:
        return CT_VOLT_OUTPUT_V

    @property
    def volts_per_amp(self) -> float:
        """V RMS between AINx and AIN3 for one ampere, or one volt, RMS: a channel's `scale` in the site file."""
        return CT_VOLT_OUTPUT_V.nominal * self.passes / self.rated

    @property
    def volts_per_volt(self) -> float:
        return self.volts_per_amp

    def full_scale_a(self, range_v: float) -> float:
        """The largest sine, RMS at the primary, whose peaks fit a converter range of +-`range_v` V."""
        return range_v / sqrt(2) / self.volts_per_amp


VOLT_OUTPUT = {  # such a transformer plugs into the same jack, with no burden on the board
    row.reading: row
    for row in (
        VoltOutput("compressor_a", 100.0),
        VoltOutput("fan_a", 5.0),
        VoltOutput("coil_a", 5.0, passes=2),
        VoltOutput("start_winding_a", 30.0),
    )
}


CT_PHASE_CLASS_1 = ((0.05, 3.0), (0.20, 1.5), (1.00, 1.0), (1.20, 1.0))  # of rated current: degrees, sources.CT_CLASS
CLAMP_V = Value(
    1.1, "V", 0.0, "peak across a burden at which its clamps take about 1 % of the current", sources.DIODES.basis
)
LOCKED_ROTOR_DESIGN_A = Value(150.0, "A", 0.0, "largest locked-rotor current the line board is computed for")

PLUG_SENSE = Value(4700, "ohm", 0.01, "from VDD through the jack's switch contact: without a plug, DC on the burden")

# ---------------------------------------------------------------- control voltage

CONTROL_SERIES = Value(15e3, "ohm", 0.01, "sets about 1.6 mA through the voltage transformer at 24 V")
CONTROL_WINDINGS = Value(
    220.0, "ohm", 0.3, "both windings of the 2 mA : 2 mA transformer together", sources.VOLTAGE_TRANSFORMER.basis
)
CONTROL_RATIO = Value(1.0, "1", 0.005, "turns ratio of the 2 mA : 2 mA transformer", sources.VOLTAGE_TRANSFORMER.basis)
CONTROL_BURDEN = Value(68.0, "ohm", 0.01, "burden of the voltage transformer")
CONTROL = VoltageSense("control_v", CONTROL_SERIES, CONTROL_WINDINGS, CONTROL_RATIO, CONTROL_BURDEN)
CONTROL_VOLTS_PER_VOLT = CONTROL.volts_per_volt
LINE_V_RESISTOR = Value(33e3, "ohm", 0.01, "each of four in series: 1.8 mA through the transformer at 240 V")
LINE_V_COUNT = 4
LINE_V_SERIES = Value(LINE_V_COUNT * LINE_V_RESISTOR.nominal, "ohm", 0.01, "the four together")
LINE_V_BURDEN = Value(75.0, "ohm", 0.01, "burden of the line's voltage transformer: 318 V fit the fine range")
LINE_V = VoltageSense("line_v", LINE_V_SERIES, CONTROL_WINDINGS, CONTROL_RATIO, LINE_V_BURDEN)
COIL_V = VoltageSense("coil_v", CONTROL_SERIES, CONTROL_WINDINGS, CONTROL_RATIO, CONTROL_BURDEN)
VOLTAGE_SENSES = {sense.reading: sense for sense in (CONTROL, LINE_V, COIL_V)}
VT_PHASE_DEG = Value(
    1.5, "deg", 0.0, "lead of the 2 mA transformer at most, not calibrated", sources.VOLTAGE_TRANSFORMER.basis
)

TAP_FUSE = Value(0.25, "A", 0.0, "in each 24 V tap, so that a fault here never opens the unit's own control fuse")
TAP_FUSE_OHM = Value(2.0, "ohm", 0.5, "cold resistance of that fuse", sources.FUSES.basis)

# ---------------------------------------------------------------- outdoor temperature

NTC_R25 = Value(10e3, "ohm", 0.01, "thermistor at 25 C", sources.THERMISTOR.basis)
NTC_PULL_UP = Value(10e3, "ohm", 0.001, "thermistor's upper resistor, to VDD")
STEINHART_HART = (0.001129148, 0.000234125, 8.76741e-8)  # A, B, C of the usual 10 kohm curve (K); data sheet

# ---------------------------------------------------------------- temperature probes on the 1-Wire bus (DS18B20)

PROBE_LEAST_C = Value(-55.0, "°C", 0.0, "lowest that a probe measures", sources.ONE_WIRE_PROBE.basis)
PROBE_MOST_C = Value(125.0, "°C", 0.0, "highest that a probe measures", sources.ONE_WIRE_PROBE.basis)
PROBE_ERROR_K = ((-10.0, 85.0, 0.5), (-55.0, 125.0, 2.0))  # from, to (°C), error within it (K); the same data sheet
PROBE_STEP_K = Value(0.0625, "K", 0.0, "one step of a conversion of 12 bits", sources.ONE_WIRE_PROBE.basis)

# ---------------------------------------------------------------- presence of voltage

LED_V = Value(
    1.1,
    "V",
    0.182,
    "forward voltage of the opto's diode at 1 mA, over parts and temperature",
    sources.OPTOCOUPLER.basis,
)
LED_SLOPE_V = Value(0.0517, "V", 0.0, "the diode's volts per factor e of current: 2 kT/q", sources.DIODES.basis)
LED_DIM_A = Value(50e-6, "A", 0.0, "current of the diode at which the dimmest useful light begins")
OPTO_CTR = Value(1.0, "1", 0.5, "current transfer ratio at 1 mA, ranked part: 50 % to 150 %", sources.OPTOCOUPLER.basis)
OPTO_LIFE = Value(0.70, "1", 0.0, "of the transfer ratio left at the end of its life", "common practice")
OPTO_HEAT = Value(0.80, "1", 0.0, "of the transfer ratio left at 70 C", sources.OPTOCOUPLER.basis)
CALL_SERIES = Value(1000, "ohm", 0.05, "sets the opto's current on a 24 V channel")
CALL_BLEEDER = Value(680, "ohm", 0.05, "from Y to C: loads the call wire when float switch or coil is open")
BLEEDER_W = Value(3.0, "W", 0.0, "rating of the bleeder, flame-proof: twice what 30 V put into it")
CLAMP_KNEE_V = Value(
    56.0, "V", 0.05, "breakdown at 1 mA of the clamp across each 24 V input; 48 V stand-off", sources.SUPPRESSORS.basis
)
CLAMP_SLOPE_OHM = Value(
    1.0, "ohm", 0.5, "of that clamp, 600 W (10/1000 us), when it conducts", sources.SUPPRESSORS.basis
)
CALL_ZENER = Value(15.0, "V", 0.05, "two back to back: nothing flows below about 16 V peak")
ZENER_DRIFT = Value(1.0, "1", 0.05, "a 15 V zener from -40 C to 70 C: 0.075 %/K", sources.SUPPRESSORS.basis)
ZENER_FORWARD_V = Value(0.7, "V", 0.2, "forward voltage of the other of the two", "common practice")
LINE_SERIES = Value(18e3, "ohm", 0.05, "each of the four resistors in series on a line channel")
LINE_SERIES_COUNT = 4
LINE_SHUNT = Value(820, "ohm", 0.01, "across the opto's diode: it lights only above about 1.3 mA")
LINE_FUSE = Value(0.5, "A", 0.0, "in each leg of each line tap")
LINE_FUSE_I2T = Value(0.05, "A2s", 0.0, "melts such a fuse, fast one at the least", sources.FUSES.basis)
DROPPER_WORKING_V = Value(
    1600.0,
    "V",
    0.0,
    "working voltage, DC, of a high-voltage dropper (metal glaze)",
    sources.HIGH_VOLTAGE_RESISTORS.basis,
)
DROPPER_SURGE_V = Value(
    2500.0, "V", 0.0, "1.2/50 us pulse it stands again and again", sources.HIGH_VOLTAGE_RESISTORS.basis
)
OPTO_SURGE_V = Value(
    10e3, "V", 0.0, "surge across the opto, 1.2/50 us, reinforced (IEC 60747-5-5)", sources.OPTO_INSULATION.basis
)
PULL_UP = Value(47e3, "ohm", 0.05, "collector to VDD")
PI_PULL_UP = Value(50e3, "ohm", 0.34, "the Pi's own pull-up, where switched on", sources.PI_PINS.basis)
HOLD_CAP = Value(2.2e-6, "F", 0.2, "bridges the gaps between the half waves")
PIN_SERIES = Value(1000, "ohm", 0.05, "between the hold capacitor and the Pi's pin")
PIN_LOW_V = Value(0.8, "V", 0.0, "at or below this the pin surely reads low", sources.PI_PINS.basis)
PIN_HIGH_V = Value(2.0, "V", 0.0, "at or above this the pin surely reads high", sources.PI_PINS.basis)

# ---------------------------------------------------------------- ready-made parts in the place of the boards


class InputModule(NamedTuple):
    """One kind of input module on a rail: AC in, isolated transistor out that conducts while voltage is present."""

    rated_v: float
    off_v: Value  # V RMS up to which its output surely blocks
    on_v: Value  # V RMS from which its output surely conducts
    most_v: float
    input_a: Value  # RMS at rated volts
    isolation: str


MODULE_24V = InputModule(
    24.0,
    Value(9.6, "V", 0.0, "no signal up to 0.4 of 24 V", "common practice"),
    Value(19.2, "V", 0.0, "a signal from 0.8 of 24 V", "common practice"),
    30.0,
    Value(8e-3, "A", 0.6, "what such a module takes at 24 V", "common practice"),
    "2.5 kV RMS between input and output",
)
MODULE_LINE = InputModule(
    230.0,
    Value(40.0, "V", 0.0, "no signal up to 40 V: digital input, type 1, 230 V AC", sources.MODULE_INPUTS.basis),
    Value(164.0, "V", 0.0, "a signal from 164 V: digital input, type 1, 230 V AC", sources.MODULE_INPUTS.basis),
    264.0,
    Value(4e-3, "A", 0.6, "what such a module takes at 230 V", "common practice"),
    "4 kV RMS between input and output, reinforced, overvoltage category III",
)
MODULE_DROP_V = Value(0.4, "V", 0.0, "across its output at 1 mA, most: a plain transistor, no Darlington", "ours")
MODULE_LEAK_A = Value(50e-6, "A", 0.0, "through its blocking output, most", "common practice")
MODULE_OUTPUT_A = Value(50e-3, "A", 0.0, "its output's rating, at least", "common practice")
MODULE_FILTER_S = Value(12e-3, "s", 0.35, "time constant of each of two poles of its input's filter", "common practice")
READY_PULL_UP = Value(10e3, "ohm", 0.05, "output to 3.3 V: enough current for a contactless output")
READY_HOLD = Value(10e-6, "F", 0.2, "bridges the gaps of a module without a filter, shorts what a long cable picks up")
READY_LIMIT = Value(100.0, "ohm", 0.05, "between the hold capacitor and the module: spares its transistor")
LOOSE_PULL = Value(1e6, "ohm", 0.01, "from 3.3 V to a transformer's lead: an open one reads as direct voltage")
BREAKOUT_PULL_UP = Value(10e3, "ohm", 0.05, "on a converter module, in SDA and in SCL", "common practice")
OPEN_SECONDARY_V = Value(8.0, "V", 0.0, "peak of a listed 333 mV transformer whose burden is open: its own clamp")
ADC_PIN_A = Value(10e-3, "A", 0.0, "into a converter's pin for long, at most", sources.CONVERTER_INPUT.basis)
VT_CLASS_FROM = Value(0.8, "1", 0.0, "of rated volts: from here its class holds", sources.VT_CLASS.basis)
READY_VOLTS = {  # listed voltage transformers with 333 mV output; 24 V is a fifth of 120 V, so calibrated on site
    row.reading: row
    for row in (VoltOutput("line_v", 277.0), VoltOutput("control_v", 120.0), VoltOutput("coil_v", 120.0))
}


def current_sense(reading: str, build: str = "boards") -> CurrentSense | VoltOutput:
    """Return the transformer of a current reading in this build (`[boards] build`)."""
    return CURRENT_SENSES[reading] if build == "boards" else VOLT_OUTPUT[reading]
