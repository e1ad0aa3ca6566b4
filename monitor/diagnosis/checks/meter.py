"""Typed meter readings: "13.8 ohm", "OL", "1.2k", "44.1 uF of 45", "44.1 uF of 45 5%", "15.2 ohm at 60 C", "18 F",
"0.8 in", "6.3 A 370 V of 45"; and which outcome they are.

A reading near a border between two outcomes counts for both, by what a meter may err (limits.READING_ERROR). A reading
over range is a value of its own (`value` None), not a large number, and what a display of nines means. What no part
shows is judged with a `doubt`; a fault that a slip of unit or point would make of a usual reading says so (`slip`). A
missing unit is taken from the check, a wrong one is refused. Every refusal is a CommandError (a ValueError) that says
what was given and what is allowed.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from itertools import pairwise
from math import erf, pi
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.diagnosis.checks.base import Check

_OVER = re.compile(
    r"(?:o\.?l\.?|0\.?l|inf(?:inite|inity)?|over(?: range)?|9{5,})(?: ?[kM]?(?:ohm|Ω|v|f)?)?", re.IGNORECASE
)
_NUMBER = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+))\s*(.*)")
_PARTS = re.compile(r"(?P<main>.*?)(?:\s+of\s+(?P<rated>.*?))?(?:\s+at\s+(?P<temperature>.*?))?")
_TOLERANCE = re.compile(r"(?P<rated>.*?)[\s,]*(?:±|\+/?-)?\s*(?P<percent>\d+(?:[.,]\d+)?)\s*%")
_UNIT_WORDS = {
    "ohm": ("ohm", "ohms", "Ω", "\u2126", "r"),
    "V": ("v", "vac", "volt", "volts", "v ac"),
    "uF": ("f", "farad"),
    "A": ("a", "amp", "amps", "aac"),
    "Pa": ("pa",),
}
# A unit that is another scale: its size in the quantity's own unit. Differences of temperature are in °F where
# nothing is said, static pressure in inches of water.
_SCALES: dict[str, dict[str, float]] = {
    "K": {"": 1 / 1.8, "f": 1 / 1.8, "°f": 1 / 1.8, "k": 1.0, "c": 1.0, "°c": 1.0},
    "Pa": {
        "": 249.089,
        "in": 249.089,
        "in.": 249.089,
        "inwc": 249.089,
        "in wc": 249.089,
        "in. wc": 249.089,
        '"': 249.089,
    },
}
_PREFIXES = {
    "": 1.0,
    "k": 1e3,
    "K": 1e3,
    "M": 1e6,
    "meg": 1e6,
    "m": 1e-3,
    "u": 1e-6,
    "µ": 1e-6,
    "\u03bc": 1e-6,
    "n": 1e-9,
}
_MICROFARADS = ("mfd", "uf", "µf", "\u03bcf", "")
_EXAMPLES = {
    "ohm": "ohms such as '13.8', '13.8 ohm', '1.2k' or 'OL'",
    "V": "volts such as '27 V' or '0'",
    "uF": "microfarads and what is printed on it, such as '44.1 uF of 45' or '44.1 uF of 45 5%'",
    "A": "amperes such as '12.8 A'",
    "K": "a difference of temperatures such as '18 F' or '10 K'; with the chart's or plate's, '12 F of 8'",
    "Pa": "inches of water such as '0.8 in', or '200 Pa'",
    "load-uF": "amperes, volts and label such as '6.3 A 370 V of 45'",
    "windings": "three readings, C-R C-S R-S, such as '0.8 1.9 2.7' or 'OL OL 2.7'",
}

FEW_OHMS = "no multimeter reads so few ohms: another unit"
MANY_OHMS = "no compressor's winding reads so many ohms: another unit, or a wire left on"
NO_TOUCH = "three times over range is a poor touch more often than two open windings"
DOUBTS = (FEW_OHMS, MANY_OHMS, NO_TOUCH)  # beside those of the checks (Check.never)


class MeterInput(NamedTuple):
    """One typed reading in the check's unit (ohm, V, uF, A); `value` None is over range; `at_c` the part's own °C;
    `tolerance_pct` as its label has it."""

    value: float | None
    unit: str
    rated: float | None = None
    at_c: float | None = None
    tolerance_pct: float | None = None

    def borders(self, check: Check, unit: Unit) -> list[float]:
        """The borders between the check's outcomes for this reading."""
        return [bound.at(unit, self.rated, self.tolerance_pct) for bound in check.bounds]

    @property
    def text(self) -> str:
        """The reading as one would write it down."""
        said = "over range" if self.value is None else f"{self.value:g} {self.unit}"
        said += "" if self.rated is None else f" of {self.rated:g}"
        said += "" if self.tolerance_pct is None else f" ± {self.tolerance_pct:g} %"
        return said if self.at_c is None else f"{said} at {self.at_c:g} °C"


class Judged(NamedTuple):
    """An answer put to a check: the outcome's symbol, the reading as written down ("" for a look by eye), its value,
    and how likely each outcome is, the meter's error counted in. `doubt`: why no part
    shows that, "" if one may; `slip`: whether a slip of the unit or the point makes it so of a usual reading."""

    check: str
    outcome: str
    text: str = ""
    value: float | None = None
    shares: tuple[tuple[str, float], ...] = ()
    doubt: str = ""
    slip: bool = False


def at_20c(ohm: float, at_c: float) -> float:
    """A copper winding's resistance taken to 20 °C (IEC 60028: 0.00393 per K)."""
    return ohm / (1.0 + limits.COPPER_PER_K.value * (at_c - limits.COPPER_AT_C.value))


def classify(check: Check, text: str, unit: Unit) -> Judged:
    """Which outcome of `check` a typed answer is. Raises CommandError when it is none."""
    if check.quantity == "eye":
        return Judged(check.name, _by_eye(check, text))
    if check.quantity == "windings":
        return _windings(check, text)
    if check.absent is not None and text.strip().lower() == check.absent:
        return Judged(check.name, check.absent)
    if check.quantity == "load-uF":
        text = _under_load(text, unit, f"check {check.name}")
    quantity = "uF" if check.quantity == "load-uF" else check.quantity
    reading = parse(text, quantity, f"check {check.name}")
    if unit.run_capacitor_uf and any(bound.times == "run-capacitor" for bound in check.bounds):
        reading = reading._replace(rated=unit.run_capacitor_uf)  # a wrong part reads well against its own label
    if reading.rated is None and any(bound.times == "rated" for bound in check.bounds):
        raise CommandError(f"check {check.name}", text, _EXAMPLES[check.quantity])
    if unit.metering == check.wants_target and reading.rated is None:
        allowed = "the reading and its target, such as '12 F of 8': with a fixed orifice one alone says nothing"
        raise CommandError(f"check {check.name}", text, allowed)
    outcome = _outcome(check, reading, unit)
    doubt = _doubt(check, reading, unit, outcome)
    slip = not doubt and _slip(check, reading, unit, outcome, text)
    return Judged(check.name, outcome, reading.text, reading.value, _shares(check, reading, unit), doubt, slip)


_FACTORS = {  # a digit, a prefix
    "ohm": (10.0, 0.1, 1e3, 1e-3),
    "V": (10.0, 0.1, 1e3),
    "uF": (10.0, 0.1, 1e3),
    "load-uF": (10.0, 0.1, 1e3),
    "A": (10.0, 0.1, 1e3),
    "Pa": (10.0, 0.1, 249.089),
}


def _doubt(check: Check, reading: MeterInput, unit: Unit, outcome: str) -> str:
    """Why no part shows a reading, in one clause; "" if one may."""
    if reading.value is None:
        return ""
    for never in check.never:
        if never.has(reading.value, unit, reading.rated):
            return never.why
    if outcome in check.innocent:
        return ""
    if check.quantity == "ohm" and 0.0 < reading.value < limits.IMPOSSIBLE.least_ohm.value:
        return FEW_OHMS
    return ""


def _slip(check: Check, reading: MeterInput, unit: Unit, outcome: str, text: str) -> bool:
    """Whether a reading is a fault that a slip of the unit or the point makes of a usual one. Where what is usual has
    no lower or no upper end, nearly every fault would be."""
    usual = check.sound or "normal"
    inner = [border[0] for border in zip(check.symbols[1:], check.bounds[1:], strict=False)]
    if reading.value is None or outcome == usual or usual not in inner:
        return False
    factors = _FACTORS.get(check.quantity, ())
    if check.quantity == "K":  # °C for °F, and the other way where no unit was typed: one is taken for °F then
        scale = text.partition(" of ")[0].strip()[-1:].lower()
        factors = (1 / 1.8,) if scale in ("c", "k") else (1.8,) if scale.isdigit() else ()
    for factor in factors:
        slipped = reading._replace(value=reading.value * factor)
        if _outcome(check, slipped, unit) == usual and not any(
            never.has(reading.value * factor, unit, reading.rated) for never in check.never
        ):
            return True
    return False


def _under_load(text: str, unit: Unit, place: str) -> str:
    """Amperes and volts across a capacitor as microfarads: I / (2 pi f V)."""
    found = re.fullmatch(r"\s*([\d.,]+)\s*a\w*[\s,;]+([\d.,]+)\s*v\w*(\s+of\s+.+)?\s*", text, re.IGNORECASE)
    amps, volts = (None, None) if found is None else (_value(found[n], q, place, text) for n, q in ((1, "A"), (2, "V")))
    if found is None or amps is None or not volts:
        raise CommandError(place, text, _EXAMPLES["load-uF"])
    return f"{1e6 * amps / (2 * pi * unit.line_hz * volts):.1f} uF{found[3] or ''}"


def _shares(check: Check, reading: MeterInput, unit: Unit) -> tuple[tuple[str, float], ...]:
    """How likely each outcome is: the reading spread by the meter's standard error over the borders."""
    if reading.value is None:
        return ()
    value = _taken_to_20c(check, reading)
    errors = limits.READING_ERROR
    sigma = max(value * errors.rows()[check.quantity.replace("-", "_")].value, 1e-9)
    if check.quantity == "K":
        sigma = errors.K.value
    elif check.quantity == "ohm":
        sigma = max(sigma, errors.ohm_least.value)
    below = [0.5 * (1.0 + erf((border - value) / (sigma * 2**0.5))) for border in reading.borders(check, unit)]
    parts = [high - low for low, high in pairwise((0.0, *below, 1.0))]
    return tuple((symbol, share) for symbol, share in zip(check.symbols, parts, strict=False) if share > 1e-4)


def _taken_to_20c(check: Check, reading: MeterInput) -> float:
    assert reading.value is not None
    warm = reading.at_c is not None and check.quantity == "ohm"
    return at_20c(reading.value, reading.at_c or 0.0) if warm else reading.value


def parse(text: str, quantity: str, place: str = "reading") -> MeterInput:
    """One reading of a quantity (ohm, V, uF, A), with `of RATED`, its tolerance and `at TEMPERATURE` where given."""
    parts = _PARTS.fullmatch(text.strip())
    if parts is None:  # a line break inside
        raise CommandError(place, text, _EXAMPLES[quantity])
    label, tolerance_pct = parts["rated"], None
    if label is not None and quantity == "uF" and (printed := _TOLERANCE.fullmatch(label)):
        label, tolerance_pct = printed["rated"], float(printed["percent"].replace(",", "."))
        if not 1.0 <= tolerance_pct <= 20.0:
            raise CommandError(place, text, "a label's tolerance from 1 to 20 %, such as '44.1 uF of 45 5%'")
    rated = None if label is None else _value(label, quantity, place, text)
    if label is not None and not rated:
        raise CommandError(place, text, _EXAMPLES[quantity])
    at_c = _celsius(parts["temperature"], place) if parts["temperature"] is not None else None
    return MeterInput(_value(parts["main"], quantity, place, text), quantity, rated, at_c, tolerance_pct)


def _value(word: str, quantity: str, place: str, text: str) -> float | None:
    """The number in the quantity's unit; None over range."""
    if _OVER.fullmatch(word.strip()):
        return None
    found = _NUMBER.fullmatch(word.strip())
    factor = None if found is None else _factor(found[2].strip(), quantity)
    if found is None or factor is None:
        raise CommandError(place, text, _EXAMPLES[quantity])
    value = float(found[1].replace(",", ".")) * factor
    if value < 0.0:
        raise CommandError(place, text, "a reading from 0 up: resistance, RMS voltage and current are never negative")
    return value + 0.0  # -0.00 is 0


def _factor(word: str, quantity: str) -> float | None:
    """What a unit as typed multiplies by, in the quantity's unit; None for a unit of something else."""
    if word.lower() in _SCALES.get(quantity, {}):
        return _SCALES[quantity][word.lower()]
    if quantity == "K":
        return None
    if quantity == "uF" and word.lower() in _MICROFARADS:
        return 1.0
    scale = 1e6 if quantity == "uF" else 1.0
    if word in _PREFIXES:
        return _PREFIXES[word] * (scale if word and quantity == "uF" else 1.0)
    for name in sorted(_UNIT_WORDS[quantity], key=len, reverse=True):
        if word.lower().endswith(name.lower()) and word[: -len(name)].strip() in _PREFIXES:
            return _PREFIXES[word[: -len(name)].strip()] * scale
    return None


def _celsius(word: str, place: str) -> float:
    found = re.fullmatch(r"(-?\d+(?:[.,]\d+)?)\s*°?\s*([CFcf]?)", word.strip())
    allowed = "a temperature from -40 to 150 °C, such as 'at 60 C' or 'at 140 F'"
    if found is None:
        raise CommandError(place, word, allowed)
    value = float(found[1].replace(",", "."))
    at_c = (value - 32.0) / 1.8 if found[2].upper() == "F" else value
    if not -40.0 <= at_c <= 150.0:
        raise CommandError(place, word, allowed)
    return round(at_c, 1)


def _outcome(check: Check, reading: MeterInput, unit: Unit) -> str:
    if reading.value is None:
        if check.over is None:
            raise CommandError(
                f"check {check.name}", "OL", f"{_EXAMPLES[check.quantity]}; set the meter's range higher"
            )
        return check.over
    value = _taken_to_20c(check, reading)
    return check.symbols[bisect_right(reading.borders(check, unit), value)]


def _by_eye(check: Check, text: str) -> str:
    """An outcome's symbol, or the start of one that fits no other."""
    word = "-".join(text.lower().replace("-", " ").split())
    fitting = [symbol for symbol in check.symbols if word and symbol.startswith(word)]
    if word in check.symbols:
        return word
    if len(fitting) != 1:
        raise CommandError(f"check {check.name}", text, " or ".join(check.symbols))
    return fitting[0]


def _windings(check: Check, text: str) -> Judged:
    place = f"check {check.name}"
    words = [
        word for word in re.split(r"\s*[/;]\s*|\s+", re.sub(r"(?<=\d)\s+(?=[a-zA-ZΩ]*ohm)", "", text.strip())) if word
    ]
    if len(words) != 3:
        raise CommandError(place, text, _EXAMPLES["windings"])
    readings = [parse(word, "ohm", place) for word in words]
    common_run, common_start, run_start = (_finite(reading.value) for reading in readings)
    outcome = _winding_outcome(common_run, common_start, run_start)
    if outcome is None:
        raise CommandError(place, text, "one open path opens two of the three readings; check the leads, measure again")
    finite = [reading.value for reading in readings if reading.value is not None]
    doubt = ""
    if any(value > limits.IMPOSSIBLE.winding_ohm.value for value in finite):
        doubt = MANY_OHMS
    elif not finite:
        doubt = NO_TOUCH
    names = ("C-R", "C-S", "R-S")
    text = ", ".join(f"{n} {r.text}" for n, r in zip(names, readings, strict=True))
    return Judged(check.name, outcome, text, doubt=doubt)


def _finite(ohm: float | None) -> float | None:
    return None if ohm is None or ohm >= limits.METER.fan_open.value else ohm


def _winding_outcome(common_run: float | None, common_start: float | None, run_start: float | None) -> str | None:
    """What three readings between Common, Run and Start say; None where no wiring gives them."""
    opened = (common_run is None, common_start is None, run_start is None)
    if opened == (True, True, False):
        return "overload-open"
    if opened in ((True, False, True), (False, True, True), (True, True, True)):
        return "winding-open"
    if common_run is None or common_start is None or run_start is None:
        return None
    limit = limits.METER
    allowed = max(limit.winding_step.value, limit.winding_sum.value * run_start)
    adds_up = abs(run_start - common_run - common_start) <= allowed
    less, more = sorted((common_run, common_start))  # S and R are easily taken for each other
    digit = limit.winding_digit.value
    between = more + digit >= limit.winding_ratio_least.value * (less - digit)
    between = between and more - digit <= limit.winding_ratio_most.value * (less + digit)
    return "balanced" if adds_up and between else "unequal"
