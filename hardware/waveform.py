"""Samples to numbers: true RMS, distortion and start transients. Plain arithmetic, no chip and no clock.

What the converter takes away, and what is given back. An ADS1115 averages its input over one conversion, so a wave of
f Hz comes out lower by sinc(f T), T the conversion time: 0.8 % at 60 Hz, 7 % at its third, 35 % at its seventh one.
The second and the odd harmonics are found by least squares at their own frequencies, which minds neither uneven times
nor samples that are missing, and each is divided by its own sinc. What no harmonic explains (noise, what lies above
the eleventh) keeps its own mean square. Near half the rate the ninth is hard to tell, and beyond it the eleventh shows
as a mirror image that may fall on a lower harmonic: alone at 20 %, measured over clocks 10 % off either way, the ninth
is read up to 1.5 % low and the eleventh up to 1.7 % (0.15 % and 0.3 % in the middle of them), a thirteenth 2 to 3 %.
Fitting the thirteenth too was tried: where its mirror image falls on the fundamental, plain sines suffer.
"""

from __future__ import annotations

from cmath import exp as cexp
from cmath import phase
from collections.abc import Mapping, Sequence
from itertools import pairwise
from math import pi, sin, sqrt
from operator import mul
from typing import NamedTuple

from condenser_monitor.monitor import limits

HARMONICS = (1, 2, 3, 5, 7, 9, 11)
RIDGE = (
    1e-9,
    1e-4,
    1e-5,
    1e-3,
    5e-3,
    2e-2,
    4e-2,
)  # how much each is held back where the samples do not tell it from another
SLIPPED = 3e-4  # of the mean square: what a frequency 0.1 Hz off leaves of a burst of 0.12 s
TUNINGS = 4
TUNED = 0.9  # a step that gains less is one of noise
SURE_ORDER = 3  # harmonics up to here lie far from half the rate at any clock
STALL = 2.2  # beats; a time stamp that jitters by half a conversion never makes a pause this long


class Sample(NamedTuple):
    """One conversion: time in s, volts at the converter."""

    t_s: float
    v: float


class Measured(NamedTuple):
    """What a burst says: RMS (mean removed, filter corrected), mean, fundamental RMS, peak, in the samples' unit."""

    rms: float
    mean: float
    fundamental: float
    peak: float
    cycles: float


def sinc(x: float) -> float:
    """sin(pi x) / (pi x)."""
    return sin(pi * x) / (pi * x) if x else 1.0


def measure(samples: Sequence[Sample], line_hz: float, conversion_s: float = 0.0) -> Measured | None:
    """True RMS of an alternating signal from time-stamped samples, uneven or with gaps; None where they are too few.

    `conversion_s` is the time over which each sample is an average (0: samples of an instant). Times are taken as true
    to a small part of a conversion: stamps that jitter go through even_times first.
    """
    count = len(samples)
    if count < 3:
        return None
    cycles = (samples[-1].t_s - samples[0].t_s) * line_hz * count / (count - 1)
    if cycles < limits.CYCLES_MIN.value or count < limits.CYCLE_SAMPLES.value * cycles:
        return None
    middle = sum(sample.v for sample in samples) / count
    values = [sample.v - middle for sample in samples]
    fit = _tuned([sample.t_s - samples[0].t_s for sample in samples], values, line_hz)
    mean = fit.found[0]
    powers = [(a * a + b * b) / 2 for a, b in zip(fit.found[1::2], fit.found[2::2], strict=True)]
    # What no harmonic explains keeps its own mean square.
    given = [power / sinc(order * fit.hz * conversion_s) ** 2 for order, power in zip(HARMONICS, powers, strict=True)]
    peak = max(abs(value - mean) for value in values)
    return Measured(sqrt(fit.rest + sum(given)), middle + mean, sqrt(given[0]), peak, cycles)


class Power(NamedTuple):
    """What volts and amps taken together say, by the definitions of IEEE Std 1459 for waves that are no sines: `active`
    is the mean of their product, `apparent` the product of their RMS values, `factor` the one over the other;
    `displacement_rad` is by how much the fundamental of the current lags that of the volts. In the samples' units."""

    volts: Measured
    amps: Measured
    active: float
    apparent: float
    factor: float
    displacement_rad: float


def power(
    volts: Sequence[Sample],
    amps: Sequence[Sample],
    line_hz: float,
    conversions_s: tuple[float, float] = (0.0, 0.0),
    lag_rad: float = 0.0,
) -> Power | None:
    """Power from samples of volts and amps on one clock, each at the middle of the time it averages; None where they
    are too few.

    `conversions_s` are as in `measure`; `lag_rad` is by how much the current's channel lags the volts' one at the
    fundamental, more than the waves do: what a calibration found. Harmonics add the product of their own two phasors;
    what no harmonic explains is taken to be without part in the product.
    """
    first, second = measure(volts, line_hz, conversions_s[0]), measure(amps, line_hz, conversions_s[1])
    if first is None or second is None:
        return None
    zero_s = volts[0].t_s
    fit = _tuned([sample.t_s - zero_s for sample in volts], _centred(volts), line_hz)
    other = _at([sample.t_s - zero_s for sample in amps], _centred(amps), fit.hz)
    active, lag = 0.0, 0.0
    for order, u, i in zip(HARMONICS, _phasors(fit, conversions_s[0]), _phasors(other, conversions_s[1]), strict=True):
        turned = i * cexp(1j * lag_rad) if order == 1 else i
        active += (u * turned.conjugate()).real
        if order == 1:
            lag = phase(u * turned.conjugate()) if abs(u * i) > 0.0 else 0.0
    apparent = first.rms * second.rms
    return Power(first, second, active, apparent, active / apparent if apparent > 0.0 else 0.0, lag)


def _centred(samples: Sequence[Sample]) -> list[float]:
    middle = sum(sample.v for sample in samples) / len(samples)
    return [sample.v - middle for sample in samples]


def _phasors(fit: _Fit, conversion_s: float) -> list[complex]:
    """RMS phasor of each of HARMONICS, the converter's filter taken away."""
    pairs = zip(HARMONICS, fit.found[1::2], fit.found[2::2], strict=True)
    return [complex(a, -b) / sqrt(2) / sinc(order * fit.hz * conversion_s) for order, a, b in pairs]


class _Fit(NamedTuple):
    """A fit of the wave at `hz`: parameters as _fit has them, the mean square that they leave, and the samples used."""

    hz: float
    found: list[float]
    rest: float
    times: Sequence[float]
    values: Sequence[float]


def _at(times: Sequence[float], values: Sequence[float], hz: float) -> _Fit:
    return _Fit(hz, *_fit(times, values, hz), times, values)


def _tuned(times: Sequence[float], values: Sequence[float], line_hz: float) -> _Fit:
    """The fit at the line's own frequency, near `line_hz`, found from what a fit there leaves, as in the four-parameter
    fit of IEEE Std 1057. A fit that leaves next to nothing, or that finds no wave, stays as it is."""
    best = _at(times, values, line_hz)
    total = sum(map(mul, values, values)) / len(values)
    for _ in range(TUNINGS):
        if not SLIPPED * total < best.rest < total / 2:
            return best
        hz = best.hz + _slip_hz(best)
        if abs(hz / line_hz - 1) > limits.LINE_HZ_RATIO.value:
            return best
        new = _at(times, values, hz)
        if new.rest >= best.rest * TUNED:
            return best
        best = new
    return best


def _slip_hz(fit: _Fit) -> float:
    """How far the frequency is off: one step of Gauss and Newton along the fitted wave's change with frequency, which
    about the middle of the burst is square to the columns of the fit."""
    wave, rise = _wave(fit)
    middle_s = sum(fit.times) / len(fit.times)
    steps = [2 * pi * (t_s - middle_s) * value for t_s, value in zip(fit.times, rise, strict=True)]
    left = [value - part for value, part in zip(fit.values, wave, strict=True)]
    square = sum(map(mul, steps, steps))
    return sum(map(mul, left, steps)) / square if square > 0.0 else 0.0


def _wave(fit: _Fit) -> tuple[list[float], list[float]]:
    """The fitted wave at its samples, and its rise with phase, of the orders that no clock can confuse."""
    turns = [cexp(2j * pi * fit.hz * t_s) for t_s in fit.times]
    wave, rise = [fit.found[0]] * len(turns), [0.0] * len(turns)
    power = turns
    for order in range(1, HARMONICS[-1] + 1):
        if order in HARMONICS:
            place = 2 * HARMONICS.index(order) + 1
            one = complex(fit.found[place], -fit.found[place + 1])
            parts = [one * turn for turn in power]
            wave = [value + part.real for value, part in zip(wave, parts, strict=True)]
            if order <= SURE_ORDER:
                rise = [value - order * part.imag for value, part in zip(rise, parts, strict=True)]
        power = list(map(mul, power, turns))
    return wave, rise


def _fit(times: Sequence[float], values: Sequence[float], line_hz: float) -> tuple[list[float], float]:
    """Least squares at a known frequency, as in IEEE Std 1057, with harmonics: constant, then cosine and sine amplitude
    of each of HARMONICS; and the mean square of what they leave."""
    turns = [cexp(2j * pi * line_hz * t_s) for t_s in times]
    sums = {0: complex(len(times))}
    right = [sum(values)]
    power = turns
    for order in range(1, 2 * HARMONICS[-1] + 1):
        sums[order] = sum(power)
        if order in HARMONICS:
            along = sum(map(mul, power, values))
            right += [along.real, along.imag]
        power = list(map(mul, power, turns))
    found = _solve(_normal(sums), right)
    held = sum(ridge * (a * a + b * b) for ridge, a, b in zip(RIDGE, found[1::2], found[2::2], strict=True))
    explained = sum(map(mul, found, right)) / len(times) + held
    return found, max(0.0, sum(map(mul, values, values)) / len(times) - explained)


def _normal(sums: Mapping[int, complex]) -> list[list[float]]:
    """The normal matrix of _fit, from the sums of exp(j order w t): products of two waves are sums of two others."""
    count = sums[0].real
    rows = [[count], *([] for _ in range(2 * len(HARMONICS)))]
    for place, high in enumerate(HARMONICS):
        cosine, sine = rows[2 * place + 1], rows[2 * place + 2]
        cosine.append(sums[high].real)
        sine.append(sums[high].imag)
        for low in HARMONICS[: place + 1]:
            plus, minus = sums[high + low], sums[high - low]
            cosine += [(plus.real + minus.real) / 2, (plus.imag - minus.imag) / 2]
            sine += [(plus.imag + minus.imag) / 2, (minus.real - plus.real) / 2]
        cosine.pop()
        # Near half the rate a harmonic looks like another one, or has no sine to tell: the lower order is the likelier.
        cosine[-1] += count * RIDGE[place]
        sine[-1] += count * RIDGE[place]
    return rows


def _solve(rows: list[list[float]], right: Sequence[float]) -> list[float]:
    """Solve a symmetric positive system, given its lower triangle, by Cholesky's method."""
    low: list[list[float]] = []
    half: list[float] = []
    for row, value in zip(rows, right, strict=True):
        new: list[float] = []
        for other, entry in zip([*low, new], row, strict=True):
            left = entry - sum(map(mul, new, other))
            new.append(left / other[-1] if other is not new else sqrt(max(left, 1e-12)))
        half.append((value - sum(map(mul, new, half))) / new[-1])
        low.append(new)
    found = [0.0] * len(half)
    for place in range(len(half) - 1, -1, -1):
        above = sum(low[later][place] * found[later] for later in range(place + 1, len(half)))
        found[place] = (half[place] - above) / low[place][place]
    return found


def even_times(samples: Sequence[Sample]) -> list[Sample]:
    """Put conversions, none of them missed, back on an even beat: it is steadier than the reader's time stamps.

    A pause of more than STALL beats holds conversions that were missed, and leaves their places empty.
    """
    if len(samples) < 3:
        return list(samples)
    gaps = sorted(after.t_s - before.t_s for before, after in pairwise(samples))
    beat_s = max(gaps[len(gaps) // 2], 1e-9)
    places = [0]
    for before, after in pairwise(samples):
        beats = (after.t_s - before.t_s) / beat_s
        places.append(places[-1] + (round(beats) if beats > STALL else 1))
    start_s, beat_s = _line(places, [sample.t_s for sample in samples])
    return [Sample(start_s + place * beat_s, sample.v) for place, sample in zip(places, samples, strict=True)]


def _line(x: Sequence[int], y: Sequence[float]) -> tuple[float, float]:
    """Least-squares straight line through (x, y): value at 0, slope."""
    count = len(x)
    mean_x, mean_y = sum(x) / count, sum(y) / count
    slope = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / sum((a - mean_x) ** 2 for a in x)
    return mean_y - slope * mean_x, slope


# ---------------------------------------------------------------- starts


class Transient(NamedTuple):
    """A start: how long until the current had settled (None: it never did), highest and settled one-cycle RMS."""

    duration_s: float | None
    peak: float
    settled: float | None


def transient(
    samples: Sequence[Sample],
    line_hz: float,
    began_s: float,
    locked: float,
    conversion_s: float = 0.0,
    *,
    off: float = 0.0,
) -> Transient | None:
    """The start in a capture that holds it whole; `began_s` is when the contacts closed, `locked` the RMS from which a
    current that stays counts as that of a locked rotor, `off` the RMS below which nothing runs: a start that ends there
    was cut short, and has not settled. None for a capture too short to tell.

    Where the capture itself begins without current (it was triggered by the call, say), the start counts from the first
    current. A duration is known to half a cycle.
    """
    if len(samples) < 3:
        return None
    rows = [(at_s, rms / sinc(line_hz * conversion_s)) for at_s, rms in cycles(samples, line_hz)]
    last = round(2 * limits.CYCLES_MIN.value)
    if len(rows) < 2 * last:
        return None
    peak = max(rms for _, rms in rows)
    settled = sorted(rms for _, rms in rows[-last:])[last // 2]
    if settled >= locked or settled < off:
        return Transient(None, peak, None)
    bound = settled * limits.TRANSIENT_SETTLED_RATIO.value
    late = [at_s for at_s, rms in rows if rms > bound]
    if late and late[-1] >= rows[-last][0]:
        return Transient(None, peak, None)
    onset_s = next((sample.t_s for sample in samples if abs(sample.v) > settled / 2), began_s)
    if onset_s - samples[0].t_s > 0.5 / line_hz:
        began_s = max(began_s, onset_s)
    return Transient(max(0.0, late[-1] - began_s) if late else 0.0, peak, settled)


def cycles(samples: Sequence[Sample], line_hz: float) -> list[tuple[float, float]]:
    """(time of its middle, RMS of the fundamental) of each stretch of one cycle, every half cycle.

    A fit with a constant, so that neither the direct part of a start nor a sample that is missing counts as current.
    """
    width_s = 1 / line_hz
    rows, first, last = [], 0, 0
    end_s = samples[0].t_s + width_s
    while end_s <= samples[-1].t_s:
        while samples[last].t_s < end_s:
            last += 1
        while samples[first].t_s < end_s - width_s:
            first += 1
        if last - first >= limits.CYCLE_SAMPLES.value:
            rows.append((end_s - width_s / 2, _fundamental(samples[first:last], line_hz)))
        end_s += width_s / 2
    return rows


def _fundamental(samples: Sequence[Sample], line_hz: float) -> float:
    """RMS of the sine at `line_hz`, by a fit with a constant (IEEE Std 1057, three parameters)."""
    turns = [cexp(2j * pi * line_hz * (sample.t_s - samples[0].t_s)) for sample in samples]
    values = [sample.v for sample in samples]
    count, once, twice = len(turns), sum(turns), sum(map(mul, turns, turns))
    along = sum(map(mul, turns, values))
    rows = [
        [float(count)],
        [once.real, (count + twice.real) / 2],
        [once.imag, twice.imag / 2, (count - twice.real) / 2],
    ]
    _, cosine, sine = _solve(rows, [sum(values), along.real, along.imag])
    return sqrt((cosine * cosine + sine * sine) / 2)
