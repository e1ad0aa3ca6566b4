"""What the compressor normally draws at an outdoor temperature: learned once, frozen, and widened slowly.

Theory. Running current follows the condensing temperature, which follows the air outdoors; over the range of a summer a
straight line does (a published test house: correlation 0.95, see tests/data/nist-ashp-hilft). In the learning period
points are gathered, spread over the temperatures; a robust line through them is then *frozen*, so that a machine that
fades slowly is measured against what it was and not against last week. Where the learning period shows the line voltage
at work (seen on the 24 V side, which follows it), its effect is taken out as well.

A season brings temperatures that the learning period did not have. Below and above the frozen line a wing is put on:
from its end, a slope of its own, from points taken up a few degrees a day, and only where they are near what the line
leads to expect. Outside all that, the normal is not known, and None is said.
"""

from __future__ import annotations

from statistics import fmean, median, pstdev

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.regression import residuals, robust_fit


class BaselinePoint(msgspec.Struct, frozen=True, array_like=True):
    """One minute's means kept for the line: °C, A, V."""

    c: float
    a: float
    v: float | None


class FittedLine(msgspec.Struct, frozen=True, kw_only=True):
    """The frozen line: amps = at_a + slope_a_per_k (c - at_c) + a_per_v (v - at_v), for c within low_c..high_c."""

    at_c: float
    at_a: float
    slope_a_per_k: float
    at_v: float | None
    a_per_v: float
    low_c: float
    high_c: float
    sd_a: float
    points: int

    def amps(self, c: float) -> float:
        return self.at_a + self.slope_a_per_k * (c - self.at_c)


class Wing(msgspec.Struct):
    """What was learned beyond one end of the line: how far it reaches, and since when it has reached there today."""

    reach_c: float
    slope_a_per_k: float
    points: list[BaselinePoint] = []
    day: int = -1
    day_from_c: float = 0.0


class BaselineMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """All that is kept of the learning."""

    minutes: int = 0
    days: dict[int, int] = {}
    points: list[BaselinePoint] = []
    last_point_x: float | None = None
    line: FittedLine | None = None
    wings: dict[str, Wing] = {}


def _bin(c: float) -> int:
    return round(c / limits.BASELINES.bin_k.value)


class Baseline:
    """Learns the line from minutes of settled run, then answers amps()."""

    def __init__(self, memory: BaselineMemory | None = None) -> None:
        self.kept = memory or BaselineMemory()

    @property
    def line(self) -> FittedLine | None:
        return self.kept.line

    @property
    def days_seen(self) -> int:
        """Days with enough settled minutes to count."""
        return sum(count >= limits.BASELINES.day_minutes.value for count in self.kept.days.values())

    def amps(self, c: float | None, v: float | None = None) -> float | None:
        """The normal current at this outdoor temperature, A; None until learned and outside what was seen."""
        line = self.kept.line
        if line is None or c is None:
            return None
        margin_k = limits.BASELINES.margin_k.value
        if not self.kept.wings["low"].reach_c - margin_k <= c <= self.kept.wings["high"].reach_c + margin_k:
            return None
        amps = self._along(line, c)
        if v is not None and line.at_v is not None:
            amps += line.a_per_v * (v - line.at_v)
        return amps if amps > 0 else None

    def _along(self, line: FittedLine, c: float) -> float:
        inner_c = min(max(c, line.low_c), line.high_c)
        wing = self.kept.wings["low" if c < line.low_c else "high"]
        return line.amps(inner_c) + wing.slope_a_per_k * (c - inner_c)

    # ------------------------------------------------------------ learning

    def learn(self, c: float, a: float, v: float | None, x_s: float, day: int, *, steady: bool) -> None:
        """One minute of settled run. `steady`: no drift is seen, so new temperatures may be taken up."""
        point = BaselinePoint(round(c, 2), round(a, 4), None if v is None else round(v, 3))
        if self.kept.line is not None:
            if steady:
                self._widen(self.kept.line, point, x_s, day)
            return
        self.kept.minutes += 1
        self.kept.days[day] = self.kept.days.get(day, 0) + 1
        while len(self.kept.days) > limits.BASELINES.days.high:
            del self.kept.days[next(iter(self.kept.days))]
        self._keep(self.kept.points, point, x_s)
        if self.days_seen >= limits.BASELINES.days.value and self.kept.minutes >= limits.BASELINES.minutes.value:
            self._freeze()

    def _keep(self, points: list[BaselinePoint], point: BaselinePoint, x_s: float) -> bool:
        """Keep a point, if the last one is long enough ago and its degree is not full."""
        last_x = self.kept.last_point_x
        if last_x is not None and 0 <= x_s - last_x < limits.BASELINES.point_every_s.value:
            return False
        if sum(_bin(old.c) == _bin(point.c) for old in points) >= limits.BASELINES.bin_points.value:
            return False
        points.append(point)
        self.kept.last_point_x = x_s
        return True

    def _freeze(self) -> None:
        line = fit_line(self.kept.points)
        self.kept.line, self.kept.points, self.kept.days = line, [], {}
        self.kept.wings = {
            "low": Wing(reach_c=line.low_c, slope_a_per_k=line.slope_a_per_k),
            "high": Wing(reach_c=line.high_c, slope_a_per_k=line.slope_a_per_k),
        }

    # ------------------------------------------------------------ widening

    def _widen(self, line: FittedLine, point: BaselinePoint, x_s: float, day: int) -> None:
        if line.low_c <= point.c <= line.high_c:
            return
        side = "low" if point.c < line.low_c else "high"
        wing, sign = self.kept.wings[side], -1.0 if side == "low" else 1.0
        if wing.day != day:
            wing.day, wing.day_from_c = day, wing.reach_c
        if sign * (point.c - wing.day_from_c) > limits.BASELINES.widen_k_per_day.value:
            return
        expected_a = self._along(line, point.c)
        plain_a = point.a
        if point.v is not None and line.at_v is not None:
            plain_a -= line.a_per_v * (point.v - line.at_v)
        if expected_a <= 0 or abs(plain_a / expected_a - 1.0) > limits.BASELINES.widen_ratio.value:
            return
        if self._keep(wing.points, BaselinePoint(point.c, plain_a, None), x_s):
            self._reach(line, wing, sign)

    def _reach(self, line: FittedLine, wing: Wing, sign: float) -> None:
        """The wing reaches as far as enough points lie at or beyond; its slope is that from the end of the line."""
        beyond = sorted((point.c for point in wing.points), key=lambda c: -sign * c)
        needed = int(limits.BASELINES.widen_points.value)
        if len(beyond) >= needed and sign * (beyond[needed - 1] - wing.reach_c) > 0:
            wing.reach_c = beyond[needed - 1]
        end_c = line.low_c if sign < 0 else line.high_c
        steps = [(point.c - end_c, point.a - line.amps(end_c)) for point in wing.points]
        # Two K of the frozen slope weigh in as if they had been seen, so that the first points do not swing the wing.
        anchor = (limits.BASELINES.bin_points.value / 2) * 2.0**2
        weight = anchor + sum(dc * dc for dc, _ in steps)
        slope = (anchor * line.slope_a_per_k + sum(dc * da for dc, da in steps)) / weight
        usual = limits.BASELINES.slope_per_k.value * line.at_a
        wing.slope_a_per_k = min(max(slope, line.slope_a_per_k - usual), line.slope_a_per_k + usual)


def fit_line(points: list[BaselinePoint]) -> FittedLine:
    """The robust line through the points (at least one), within the bounds of what a compressor can do."""
    at_c, at_a = fmean(p.c for p in points), median(p.a for p in points)
    volts = [p.v for p in points if p.v is not None]
    at_v = fmean(volts) if len(volts) == len(points) and pstdev(volts) >= limits.BASELINES.volts_sd.value else None
    usual, most = limits.BASELINES.slope_per_k.value * at_a, limits.BASELINES.slope_most_per_k.value * at_a
    low_c, high_c = min(p.c for p in points), max(p.c for p in points)
    wide = high_c - low_c >= limits.BASELINES.span_k.value
    rows = [_row(p, at_c, at_v, wide=wide) for p in points]
    values = [p.a if wide else p.a - usual * (p.c - at_c) for p in points]
    found = robust_fit(rows, values)
    if found is None:
        # The voltage moved in step with the temperature: the two cannot be told apart, and temperature has it.
        without = [BaselinePoint(p.c, p.a, None) for p in points]
        return fit_line(without) if at_v is not None else _flat(points, at_c, at_a, usual)
    coefficients = found[0]
    slope = min(max(coefficients[1], 0.0), most) if wide else usual
    per_v = coefficients[-1] if at_v is not None else 0.0
    most_v = limits.BASELINES.volts_most_per_v.value * at_a
    left = residuals(rows, values, coefficients)
    return FittedLine(
        at_c=at_c,
        at_a=coefficients[0],
        slope_a_per_k=slope,
        at_v=at_v,
        a_per_v=min(max(per_v, -most_v), most_v),
        low_c=low_c,
        high_c=high_c,
        sd_a=pstdev(left) if len(left) > 1 else 0.0,
        points=len(points),
    )


def _flat(points: list[BaselinePoint], at_c: float, at_a: float, slope: float) -> FittedLine:
    """The middle of the points, with a given slope."""
    low_c, high_c = min(p.c for p in points), max(p.c for p in points)
    sd_a = pstdev(p.a for p in points) if len(points) > 1 else 0.0
    return FittedLine(
        at_c=at_c,
        at_a=at_a,
        slope_a_per_k=slope,
        at_v=None,
        a_per_v=0.0,
        low_c=low_c,
        high_c=high_c,
        sd_a=sd_a,
        points=len(points),
    )


def _row(point: BaselinePoint, at_c: float, at_v: float | None, *, wide: bool) -> list[float]:
    row = [1.0]
    if wide:
        row.append(point.c - at_c)
    if at_v is not None and point.v is not None:
        row.append(point.v - at_v)
    return row
