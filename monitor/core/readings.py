"""What can be sensed: one row for each reading, from which all that is common to readings is derived.

A row says what a reading is, what it can say, on which bands it is believed, which link of the chain it belongs to and
how it is shown. Whatever can be derived from it is: the fields of a Scan are checked against it, and recording columns,
history columns, inputs, words, plots, curves, discovery and pages are made from it. What is left for a new reading is
its field of `Scan`, and a row each of hardware (`channels.CHANNELS`) and of the simulated world (`senses.WIRES`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import inf
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from condenser_monitor.monitor import limits

if TYPE_CHECKING:
    from condenser_monitor.monitor.core.config import Settings, Unit


# ---------------------------------------------------------------- bands of a number: what it is taken to say


class Edge(NamedTuple):
    """The border between a band and the next higher one: up at `rise` and over, down again below `fall`."""

    rise: float
    fall: float


class Bands:
    """Names for the stretches of a number, lowest first, with hysteresis at each border.

    `start` is the band taken as the last one before anything was seen. `full_rise`: what jumps over a band needs the
    rise of each border too, else the rise of the first only.
    """

    __slots__ = ("edges", "full_rise", "names", "start")

    def __init__(self, names: Sequence[Any], edges: Sequence[Edge], start: int = 0, *, full_rise: bool = False) -> None:
        self.names = tuple(names)
        self.edges = tuple(edges)
        self.start = start
        self.full_rise = full_rise

    def place(self, value: float, was: int | None) -> int:
        """The band of `value`, given the band it was in (None: none yet). Only leaving a band upwards needs `rise`."""
        was = self.start if was is None else was
        band = 0
        for index, edge in enumerate(self.edges):
            if value >= (edge.rise if was == index or (self.full_rise and was < index) else edge.fall):
                band = index + 1
        return band

    def stay(self, band: int) -> tuple[float, float]:
        """The half-open stretch [low, high) within which a number keeps this band."""
        low = self.edges[band - 1].fall if band else -inf
        high = self.edges[band].rise if band < len(self.edges) else inf
        return low, high


AS_IT_IS = Bands(("normal",), ())  # one band for all: a number that is taken as it is


def sharp(value: float) -> Edge:
    """A border without hysteresis."""
    return Edge(value, value)


def volt_bands() -> Bands:
    """Bands of the control voltage, V RMS; `weak` is what cannot be relied on to close a contactor."""
    closing = limits.CONTROL_NOMINAL_V.value * limits.CLOSING_RATIO.value
    return Bands(
        ("dead", "ghost", "weak", "normal", "high"),
        (
            sharp(limits.CONTROL_DEAD_V.value),
            sharp(limits.CONTROL_GHOST_V.value),
            Edge(closing + limits.CONTROL_HYSTERESIS_V.value, closing),
            sharp(limits.CONTROL_HIGH_V.value),
        ),
        start=3,
    )


def line_bands(settings: Settings) -> Bands:
    """Bands of the line voltage, V RMS, about the unit's nominal one."""
    nominal_v, slack = settings.unit.line_v, limits.LINE_HYSTERESIS_RATIO.value
    low_v = nominal_v * settings.limit(limits.LOW_LINE_VOLTAGE.ratio)
    high_v = nominal_v * settings.limit(limits.HIGH_LINE_VOLTAGE.ratio)
    edges = (
        sharp(limits.LINE_ABSENT_V.value),
        Edge(low_v + slack * nominal_v, low_v),
        Edge(high_v, high_v - slack * nominal_v),
    )
    return Bands(("dead", "low", "normal", "high"), edges, start=2)


def coil_bands() -> Bands:
    """Bands of the coil current, A RMS."""
    edges = (limits.COIL_NONE_A, limits.COIL_UNSEALED_A, limits.COIL_SHORT_A)
    return Bands(("none", "sealed", "unsealed", "short"), [sharp(edge.value) for edge in edges])


def resting_bands(rated_a: float) -> Bands:
    """Running or not with no call in a one-pole unit: a run capacitor's current past the open pole is no run."""
    on = limits.RUNNING_ON_RATIO.value * rated_a
    trickle_a = max(on, min(limits.TRICKLE_A.value, limits.TRICKLE_RATIO.value * rated_a))
    return Bands((False, True), (Edge(trickle_a, trickle_a),))


def compressor_bands(unit: Unit) -> Bands:
    """Return whether the compressor runs, by its current; behind a drive that slows it down, little is running too."""
    if unit.kind == "variable-speed":
        return run_bands(unit.compressor_rla_a, limits.DRIVE_ON_RATIO, limits.DRIVE_OFF_RATIO)
    return run_bands(unit.compressor_rla_a, limits.RUNNING_ON_RATIO, limits.RUNNING_OFF_RATIO)


def run_bands(rated_a: float, on: limits.Limit, off: limits.Limit) -> Bands:
    """False below, True from `on` times the rated current; falls again below `off` times it."""
    return Bands((False, True), (Edge(rated_a * on.value, rated_a * off.value),))


def draw_bands(settings: Settings, lowest_a: float | None = None, highest_a: float | None = None) -> Bands:
    """Bands of the running current: low and high against the lowest and the highest that is normal for this unit (each
    None where it is not known) and against rated load, A. A compressor that is held for running in the band between
    stopped and running, day-old units' too, is not moving what it should."""
    high_a = settings.unit.compressor_rla_a * settings.limit(limits.HIGH_RUNNING_CURRENT.rla_ratio)
    if highest_a is not None:
        high_a = min(high_a, highest_a * settings.limit(limits.HIGH_RUNNING_CURRENT.ratio))
    low_a = 0.0 if lowest_a is None else min(lowest_a * settings.limit(limits.LOW_RUNNING_CURRENT.ratio), high_a)
    if settings.unit.kind != "variable-speed":
        low_a = max(low_a, settings.unit.compressor_on_a)
    slack = limits.DRAW_HYSTERESIS_RATIO.value
    edges = (Edge(low_a * (1 + slack), low_a), Edge(high_a, high_a * (1 - slack)))
    return Bands(("low", "normal", "high"), edges, start=1, full_rise=True)  # at rest it lies in the lowest


def discharge_bands(settings: Settings) -> Bands:
    """Bands of the discharge line's temperature, °C."""
    hot_c = settings.limit(limits.HOT_DISCHARGE.hot_c)
    return Bands(("usual", "hot"), (Edge(hot_c, hot_c - limits.HOT_DISCHARGE.back_k.value),))


# ---------------------------------------------------------------- the readings

AIR_MOST_C = 90.0  # no air and no pipe of a cooling unit is farther from 0 °C, but for the discharge line
PROBE_MOST_C = 125.0  # highest that a probe on the 1-Wire bus measures
_MOST = 1e6


class Reading(NamedTuple):
    """One reading.

    meaning: what is measured and where; title: its name in running text. says: what a believed one can say, lowest
    first, each in one clause (empty: it is taken as it is). inputs: the debounced inputs made of a number, by name,
    with their bands; the first gives the word for it, and one whose name is itself a word takes its place while it
    holds. least, most: what a number can be. link: the link that a flag tells, or beside which a number is shown.
    plot: a curve of its own, a curve on its link's lane, or none. digits: decimals that are worth showing.
    device_class: what kind of sensor home automation takes it for. hottest_c: the most that a temperature can be.
    probe: on the Pi's 1-Wire bus; it touches no board, and `board` says only beside which wires it is mounted.
    either_way: its sign tells only which way round a clamp sits, so that its size alone counts.
    """

    name: str
    unit: Literal["", "V", "A", "W", "°C"]
    board: Literal["control", "line", "indoor"]
    meaning: str
    title: str
    link: str = ""
    says: Mapping[str, str] = {}
    inputs: Callable[[Settings], Mapping[str, Bands]] | None = None
    digits: int = 1
    plot: Literal["", "own", "lane"] = ""
    device_class: str = ""
    hottest_c: float = AIR_MOST_C
    probe: bool = False
    either_way: bool = False

    @property
    def read_by(self) -> Literal["control", "line", "indoor", "probe"]:
        """The board that reads it, or that none does."""
        return "probe" if self.probe else self.board

    @property
    def kind(self) -> Literal["flag", "number"]:
        """A flag has no unit."""
        return "number" if self.unit else "flag"

    @property
    def least(self) -> float:
        """The lowest value that it can have."""
        return -AIR_MOST_C if self.unit == "°C" else 0.0

    @property
    def most(self) -> float:
        """The highest value that it can have."""
        return self.hottest_c if self.unit == "°C" else _MOST

    def taken(self, value: float) -> float:
        """Return what counts of a number as a board, a sensor or a recording gives it."""
        return abs(value) if self.either_way else value

    @property
    def allowed(self) -> str:
        """What it can be, in words."""
        if not self.unit:
            return "0 or 1"
        return f"a temperature from {self.least:g} to {self.most:g} °C" if self.unit == "°C" else "a number from 0 up"

    @property
    def words(self) -> tuple[str, ...]:
        """What a believed one can say, lowest first."""
        return tuple(self.says)


def _flag(off: str, on: str) -> dict[str, str]:
    return {"off": off, "on": on}


def _compressor(settings: Settings) -> dict[str, Bands]:
    unit = settings.unit
    return {
        "compressor": compressor_bands(unit),
        "locked": Bands((False, True), (sharp(unit.locked_a),)),
        "draw": AS_IT_IS,  # its bands move with what is normal at the temperature
    }


def _fan(settings: Settings) -> dict[str, Bands]:
    unit = settings.unit
    slow = unit.kind == "variable-speed"
    on, off = (
        (limits.SLOW_FAN_ON_RATIO, limits.SLOW_FAN_OFF_RATIO) if slow else (limits.FAN_ON_RATIO, limits.FAN_OFF_RATIO)
    )
    return {
        "fan": run_bands(unit.fan_fla_a, on, off),
        "stalled": Bands((False, True), (sharp(unit.fan_fla_a * limits.FAN_STALLED_RATIO.value),)),
    }


def _start_winding(settings: Settings) -> dict[str, Bands]:
    return {"start_winding_a": Bands(("none", "flows"), (sharp(limits.START_WINDING_NONE_A.value),))}


def _power(settings: Settings) -> dict[str, Bands]:
    rated_w = settings.unit.compressor_rla_a * settings.unit.line_v
    edges = [sharp(ratio.value * rated_w) for ratio in (limits.POWER_NONE_RATIO, limits.POWER_RUNNING_RATIO)]
    return {"compressor_w": Bands(("none", "little", "draws"), edges)}


_WARMTH: dict[str, Any] = {"plot": "own", "device_class": "temperature"}

READINGS: dict[str, Reading] = {
    row.name: row
    for row in (
        Reading(
            "call",
            "",
            "control",
            "24 V AC across the contactor's coil circuit at the unit (Y to C)",
            "call at the unit",
            "call",
            _flag("there is no call at the unit", "the call is there at the unit"),
        ),
        Reading(
            "control_v",
            "V",
            "control",
            "the voltage there, RMS",
            "control voltage",
            "call",
            {
                "dead": "there is no control voltage at the unit",
                "ghost": "only a few volts are at the unit",
                "weak": "the control voltage is weak",
                "normal": "the control voltage is normal",
                "high": "the control voltage is high",
            },
            lambda settings: {"control_v": volt_bands()},
            plot="own",
            device_class="voltage",
        ),
        Reading(
            "coil_a",
            "A",
            "control",
            "current in the coil lead, RMS",
            "coil current",
            "coil-current",
            {
                "none": "the coil draws no current",
                "sealed": "the coil draws its sealed current, so the armature has closed",
                "unsealed": "the coil keeps drawing its inrush current",
                "short": "the coil draws a short circuit's current",
            },
            lambda settings: {"coil_a": coil_bands()},
            digits=2,
            plot="own",
            device_class="current",
        ),
        Reading(
            "supply",
            "",
            "line",
            "line voltage ahead of the contactor (L1 to L2)",
            "line supply",
            "line-supply",
            _flag("there is no line voltage ahead of the contactor", "line voltage is there ahead of it"),
        ),
        Reading(
            "load",
            "",
            "line",
            "line voltage behind it (T1 to T2): the contacts have closed",
            "line voltage behind the contacts",
            "contacts",
            _flag("there is no line voltage behind the contacts", "the contacts have closed"),
        ),
        Reading(
            "compressor_a",
            "A",
            "line",
            "current in the compressor's common lead, RMS",
            "compressor current",
            "compressor",
            {
                "still": "the compressor draws no current",
                "running": "the compressor runs",
                "locked": "the compressor draws locked-rotor current",
            },
            _compressor,
            plot="lane",
            device_class="current",
        ),
        Reading(
            "fan_a",
            "A",
            "line",
            "current in the condenser fan's lead, RMS",
            "fan current",
            "fan",
            {"still": "the fan draws no current", "running": "the fan runs"},
            _fan,
            plot="lane",
            device_class="current",
        ),
        Reading(
            "outdoor_c",
            "°C",
            "line",
            "air temperature at the unit, in shade",
            "outdoor temperature",
            plot="own",
            device_class="temperature",
        ),
        Reading(
            "control_power",
            "",
            "indoor",
            "24 V AC behind the control fuse indoors (R to C)",
            "24 V behind the fuse",
            "control-power",
            _flag("there is no 24 V behind the control fuse", "24 V is there behind the control fuse"),
        ),
        Reading(
            "thermostat",
            "",
            "indoor",
            "the thermostat's cooling output, ahead of the safeties (Y to C)",
            "thermostat's call",
            "thermostat-call",
            _flag("the thermostat does not call", "the thermostat calls"),
        ),
        Reading(
            "line_v",
            "V",
            "line",
            "line voltage ahead of the contactor (L1 to L2), RMS, isolated",
            "line voltage",
            "line-supply",
            {
                "dead": "there is no line voltage at the unit",
                "low": "the line voltage is low",
                "normal": "the line voltage is normal",
                "high": "the line voltage is high",
            },
            lambda settings: {"line_v": line_bands(settings)},
            digits=0,
            plot="own",
            device_class="voltage",
        ),
        Reading(
            "compressor_w",
            "W",
            "line",
            "real power in the compressor's lead, from bursts of volts and amps taken at the same time",
            "compressor power",
            says={
                "none": "the compressor takes no power",
                "little": "the compressor takes as little power as a heater does",
                "draws": "the compressor takes the power of a run",
            },
            inputs=_power,
            digits=0,
            plot="own",
            device_class="power",
            either_way=True,  # a motor takes power whichever way round its transformer sits
        ),
        Reading(
            "start_winding_a",
            "A",
            "line",
            "current in the lead from run capacitor to start winding, RMS",
            "start winding current",
            says={
                "none": "no current flows through capacitor and start winding",
                "flows": "current flows through capacitor and start winding",
            },
            inputs=_start_winding,
            plot="own",
            device_class="current",
        ),
        Reading("suction_c", "°C", "line", "large refrigerant pipe at the outdoor unit", "large pipe", **_WARMTH),
        Reading("liquid_c", "°C", "line", "small refrigerant pipe at the outdoor unit", "small pipe", **_WARMTH),
        Reading("return_air_c", "°C", "indoor", "air before the indoor coil", "return air", **_WARMTH),
        Reading("supply_air_c", "°C", "indoor", "air after the indoor coil", "supply air", **_WARMTH),
        Reading(
            "coil_v",
            "V",
            "control",
            "voltage at the contactor coil's own terminals, behind switches, delay and boards, RMS",
            "voltage at the coil",
            "coil-current",
            {
                "dead": "there is no voltage at the coil's own terminals",
                "ghost": "only a few volts are at the coil's own terminals",
                "weak": "the voltage at the coil is weak",
                "normal": "the voltage at the coil is normal",
                "high": "the voltage at the coil is high",
            },
            lambda settings: {"coil_v": volt_bands()},
            plot="own",
            device_class="voltage",
        ),
        Reading(
            "blower",
            "",
            "indoor",
            "the indoor blower's motor draws current",
            "indoor blower",
            says=_flag("the indoor blower does not run", "the indoor blower runs"),
        ),
        Reading(
            "discharge_c",
            "°C",
            "line",
            "the compressor's discharge line, 15 cm from the compressor",
            "discharge line",
            "compressor",
            {"usual": "the discharge line is as warm as it should be", "hot": "the discharge line is too hot"},
            lambda settings: {"discharge_c": discharge_bands(settings)},
            plot="own",
            device_class="temperature",
            hottest_c=PROBE_MOST_C,
            probe=True,
        ),
    )
}
FLAGS = tuple(name for name, row in READINGS.items() if row.kind == "flag")
NUMBERS = tuple(name for name, row in READINGS.items() if row.kind == "number")
# What a believed reading can say, from low to high; one that is taken as it is has no row.
SYMBOLS: dict[str, tuple[str, ...]] = {name: row.words for name, row in READINGS.items() if row.says}
# link -> the numbers shown beside it, the most telling first
SHOWN: dict[str, tuple[str, ...]] = {
    row.link: tuple(other.name for other in READINGS.values() if other.unit and other.link == row.link)
    for row in READINGS.values()
    if row.unit and row.link
}
PLOTTED = tuple(name for name, row in READINGS.items() if row.plot == "own")
CURVES: dict[str, str] = {row.link: name for name, row in READINGS.items() if row.plot == "lane"}  # by lane


def word(reading: str, inputs: Mapping[str, object]) -> str | None:
    """What a reading says, given the values of its debounced inputs, the first one first; None while unknown."""
    words = READINGS[reading].words
    value = next(iter(inputs.values()))
    if value is None or not words:
        return None
    said = words[value] if isinstance(value, bool) else str(value)
    if said == words[0]:
        return said
    return next((name for name, holds in inputs.items() if holds is True and name in words), said)
