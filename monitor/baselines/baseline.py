"""What a quantity normally is at an outdoor temperature: learned once, frozen, and widened slowly; one line a stage.

Theory. Running current follows the condensing temperature, which follows the air outdoors; over the range of a summer a
straight line does (a published test house: correlation 0.95, see tests/data/nist-ashp-hilft). In the learning period
points are gathered, spread over the temperatures; a robust line through them is then *frozen*, so that a machine that
fades slowly is measured against what it was and not against last week. Where the learning period shows the line voltage
at work (seen on the 24 V side, which follows it), its effect is taken out as well.

Nothing senses the stage of a two-stage unit, so the stages are found in the points: two lines instead of one, where
they explain the points and one does not. A stage that the learning period did not have shows itself later, by coming
and going: the unit steps up to a new level, stays there, and steps back down, which no fault of a compressor does.
A level that does not come back down is a fault.

A season brings temperatures that the learning period did not have. Below and above a frozen line a wing is put on: from
its end, a slope of its own, from points taken up a few degrees a day, and only where they are near what the line leads
to expect. Outside all that, the normal is not known, and None is returned.

What the nameplate does not allow is never learned, however often it is seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, sqrt
from statistics import fmean, median, pstdev
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.baselines.regression import natural_break, robust_fit, two_lines
from condenser_monitor.monitor.core.config import Unit

_B = limits.BASELINES


class Quantity(NamedTuple):
    """What can be learned of a quantity: its sane range from the nameplate, its slope with the outdoor temperature as a
    share of itself per K (usual, least, most), how much of it a unit of the second number may change, and how many
    stages it may have."""

    least: float
    most: float
    usual_per_k: float
    least_per_k: float
    most_per_k: float
    most_per_second: float
    stages: int = 1


def cooling_amps(unit: Unit) -> Quantity:
    """The compressor's running current while the unit cools, A RMS; the second number is a voltage, 24 V side."""
    return Quantity(
        least=unit.compressor_on_a,
        most=limits.HIGH_RUNNING_CURRENT.rla_ratio.value * unit.compressor_rla_a,
        usual_per_k=_B.slope_per_k.value,
        least_per_k=0.0,
        most_per_k=_B.slope_most_per_k.value,
        most_per_second=_B.volts_most_per_v.value,
        stages=2,
    )


def heating_amps(unit: Unit) -> Quantity:
    """The same while a heat pump heats: colder air outdoors is thinner vapour, and less current."""
    return cooling_amps(unit)._replace(
        usual_per_k=_B.heating_per_k.value, least_per_k=-_B.slope_most_per_k.value, most_per_k=_B.slope_most_per_k.value
    )


def fan_amps(unit: Unit) -> Quantity:
    """The outdoor fan's current, A RMS: as dense as the air is."""
    return Quantity(
        least=unit.fan_on_a,
        most=limits.FAN_STALLED_RATIO.value * unit.fan_fla_a,
        usual_per_k=-_B.fan_per_k.value,
        least_per_k=-_B.fan_most_per_k.value,
        most_per_k=_B.fan_most_per_k.value,
        most_per_second=_B.volts_most_per_v.value,
        stages=2,
    )


def split_k() -> Quantity:
    """Return less supply air at the indoor coil, K; the second number is the return air's temperature."""
    return Quantity(
        least=_B.split_least_k.value,
        most=_B.split_most_k.value,
        usual_per_k=-_B.split_per_k.value,
        least_per_k=-_B.split_most_per_k.value,
        most_per_k=_B.split_most_per_k.value,
        most_per_second=_B.split_most_per_k.value,
        stages=2,
    )


class BaselinePoint(msgspec.Struct, frozen=True, array_like=True):
    """One minute's means kept for the line: outdoor °C, the quantity, and the second number (mostly V)."""

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
        """The line at an outdoor temperature, at the second number of the learning."""
        return self.at_a + self.slope_a_per_k * (c - self.at_c)


class Wing(msgspec.Struct):
    """What was learned beyond one end of the line: how far it reaches, and since when it has reached there today."""

    reach_c: float
    slope_a_per_k: float
    points: list[BaselinePoint] = []
    day: int = -1
    day_from_c: float = 0.0


class Stage(msgspec.Struct):
    """One frozen line and its two wings."""

    line: FittedLine
    low: Wing
    high: Wing

    @classmethod
    def of(cls, line: FittedLine) -> Stage:
        """Freeze a line: wings that reach no further than it does."""
        return cls(line, Wing(line.low_c, line.slope_a_per_k), Wing(line.high_c, line.slope_a_per_k))

    def knows(self, c: float) -> bool:
        """Whether this temperature, or one a little nearer, was seen."""
        margin_k = _B.margin_k.value
        return self.low.reach_c - margin_k <= c <= self.high.reach_c + margin_k

    def amps(self, c: float, v: float | None = None) -> float:
        """Expect this much at an outdoor temperature, also where it is not known."""
        line = self.line
        inner_c = min(max(c, line.low_c), line.high_c)
        amps = line.amps(inner_c) + (self.low if c < line.low_c else self.high).slope_a_per_k * (c - inner_c)
        return amps if v is None or line.at_v is None else amps + line.a_per_v * (v - line.at_v)

    def sd_a(self, c: float) -> float:
        """Standard deviation of one minute about the expectation: the scatter of the points and, as in any regression,
        the doubt about the line itself, which grows with the distance from the middle of what was seen."""
        line = self.line
        half_k = max((line.high_c - line.low_c) / 2.0, _B.margin_k.value)
        away = (c - line.at_c) / half_k
        return line.sd_a * sqrt(1.0 + (1.0 + 3.0 * away * away) / line.points)


class NewLevel(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """A level that no stage explains: its points, how long the unit has run at it since it last came back to a known
    one, how many of those minutes were clean, and how often it has come back."""

    points: list[BaselinePoint] = []
    minutes: int = 0
    clean: int = 0
    returns: int = 0


class BaselineMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """All that is kept of the learning. `stages` are the frozen lines, that of the most points first, none while
    learning; `recent` are the last minutes' ratios to the nearest stage."""

    minutes: int = 0
    days: dict[int, int] = {}
    points: list[BaselinePoint] = []
    last_point_x: float | None = None
    stages: list[Stage] = []
    new_level: NewLevel | None = None
    recent: list[float] = []


class NormalRange(NamedTuple):
    """The lowest and the highest that is normal at a temperature, widened where it is not known well; None: any."""

    low_a: float | None
    high_a: float | None


ANY = NormalRange(None, None)


def _bin(c: float) -> int:
    return round(c / _B.bin_k.value)


class Baseline:
    """Learns the lines of one quantity from minutes of settled run, then answers what is normal.

    `expected_stages`: what the unit is declared to have; None: nothing is known of that.
    """

    def __init__(
        self, quantity: Quantity, memory: BaselineMemory | None = None, *, expected_stages: int | None = None
    ) -> None:
        self.quantity, self.expected_stages = quantity, expected_stages
        self.kept = memory or BaselineMemory()

    @property
    def days_seen(self) -> int:
        """Days with enough settled minutes to count."""
        return sum(count >= _B.day_minutes.value for count in self.kept.days.values())

    # ------------------------------------------------------------ answers

    def amps(self, c: float | None, v: float | None = None, *, near_a: float | None = None) -> float | None:
        """The normal value at this outdoor temperature, of the stage nearest to `near_a` (else the usual one); None
        until learned and outside what was seen."""
        stage = None if c is None else self._nearest(c, v, near_a)
        if c is None or stage is None or not stage.knows(c):
            return None
        amps = stage.amps(c, v)
        return amps if amps > 0 else None

    def sd_a(self, c: float, near_a: float | None = None) -> float | None:
        """How sure `amps` is, as the standard deviation of one minute; None where it is not known."""
        stage = self._nearest(c, None, near_a)
        return None if stage is None or not stage.knows(c) else stage.sd_a(c)

    def range(self, c: float | None) -> NormalRange:
        """What is normal in any stage at this temperature. Where a stage may be running of which nothing is known yet,
        that side is open."""
        if c is None or not self.kept.stages or self._holding:
            return ANY
        lines = sorted((stage.amps(c), stage.sd_a(c), stage.knows(c)) for stage in self.kept.stages)
        fewer = self.expected_stages is not None and len(lines) < self.expected_stages
        (low_a, low_sd, low_known), (high_a, high_sd, high_known) = lines[0], lines[-1]
        widest = _B.sure_sd.value
        ratios = limits.LOW_RUNNING_CURRENT.ratio.value, limits.HIGH_RUNNING_CURRENT.ratio.value
        return NormalRange(
            min(low_a, (low_a - widest * low_sd) / ratios[0]) if low_known and not fewer else None,
            max(high_a, (high_a + widest * high_sd) / ratios[1]) if high_known and not fewer else None,
        )

    def _nearest(self, c: float, v: float | None, near_a: float | None) -> Stage | None:
        if near_a is None or len(self.kept.stages) < 2:
            return self.kept.stages[0] if self.kept.stages else None
        return min(self.kept.stages, key=lambda stage: abs(stage.amps(c, v) - near_a))

    # ------------------------------------------------------------ learning

    def sane(self, a: float) -> bool:
        """Whether the nameplate allows this value."""
        return self.quantity.least <= a <= self.quantity.most

    def learn(self, c: float, a: float, v: float | None, x_s: float, day: int, *, steady: bool) -> None:
        """Learn one clean minute of settled run. `steady`: no drift is seen, so new temperatures may be taken up."""
        if not self.sane(a):
            return
        point = BaselinePoint(round(c, 2), round(a, 4), None if v is None else round(v, 3))
        if self.kept.stages:
            self._place(point, x_s, day, steady=steady)
            return
        self.kept.minutes += 1
        self.kept.days[day] = self.kept.days.get(day, 0) + 1
        while len(self.kept.days) > _B.days.high:
            del self.kept.days[next(iter(self.kept.days))]
        self._keep(self.kept.points, point, x_s)
        if self.days_seen >= _B.days.value and self.kept.minutes >= _B.minutes.value:
            self._freeze()

    def _keep(self, points: list[BaselinePoint], point: BaselinePoint, x_s: float) -> bool:
        """Keep a point, if the last one is long enough ago, or of another stage, and its degree is not full."""
        last_x, step = self.kept.last_point_x, _B.stage_step.value
        other = bool(points) and abs(point.a / points[-1].a - 1.0) > step
        if last_x is not None and 0 <= x_s - last_x < _B.point_every_s.value and not other:
            return False
        degree = _bin(point.c)
        alike = (abs(point.a / old.a - 1.0) <= step for old in points if _bin(old.c) == degree)
        if sum(alike) >= _B.bin_points.value:
            return False
        points.append(point)
        self.kept.last_point_x = x_s
        return True

    def _freeze(self) -> None:
        points = self.kept.points
        groups = part_stages(points, self.quantity) if self.quantity.stages > 1 else [points]
        self.kept.stages = [Stage.of(fit_line(group, self.quantity)) for group in groups]
        self.kept.points, self.kept.days = [], {}
        ratios = [point.a / self._expected(point) for point in points]
        self.kept.recent = [round(ratio, 4) for ratio in ratios if self._near(ratio)][-int(_B.recent_minutes.value) :]
        # Too few points for a stage: it has come and gone already.
        odd = [point for point, ratio in zip(points, ratios, strict=True) if self._is_new(ratio)]
        if odd and len(groups) < self.quantity.stages:
            self.kept.new_level = NewLevel(points=odd, returns=1)

    # ------------------------------------------------------------ after the learning

    def _place(self, point: BaselinePoint, x_s: float, day: int, *, steady: bool) -> None:
        stage = self._nearest(point.c, point.v, point.a)
        expected_a = self._expected(point)
        if stage is None or expected_a <= 0:
            return
        ratio = point.a / expected_a
        self.kept.recent = [*self.kept.recent, round(ratio, 4)][-int(_B.recent_minutes.value) :]
        if self._near(ratio):
            self._returned()
            if steady:
                self._widen(stage, point, x_s, day)
        elif self.kept.new_level is not None and self._is_new(ratio):
            self.kept.new_level.clean += 1
            self._keep(self.kept.new_level.points, point, x_s)

    def _expected(self, point: BaselinePoint) -> float:
        stage = self._nearest(point.c, point.v, point.a)
        return 0.0 if stage is None else stage.amps(point.c, point.v)

    def _near(self, ratio: float) -> bool:
        return abs(ratio - 1.0) <= _B.widen_ratio.value

    def _is_new(self, ratio: float) -> bool:
        """As far from a stage as another stage would be. One that draws less is looked for only where it is declared: a
        compressor that does not pump draws less as well."""
        step, most = 1.0 + _B.stage_step.value, _B.stage_most.value
        return step <= ratio <= most or (self.expected_stages is not None and 1.0 / most <= ratio <= 1.0 / step)

    def _widen(self, stage: Stage, point: BaselinePoint, x_s: float, day: int) -> None:
        line = stage.line
        if line.low_c <= point.c <= line.high_c:
            return
        wing, sign = (stage.low, -1.0) if point.c < line.low_c else (stage.high, 1.0)
        if wing.day != day:
            wing.day, wing.day_from_c = day, wing.reach_c
        if sign * (point.c - wing.day_from_c) > _B.widen_k_per_day.value:
            return
        plain_a = point.a
        if point.v is not None and line.at_v is not None:
            plain_a -= line.a_per_v * (point.v - line.at_v)
        if self._keep(wing.points, BaselinePoint(point.c, plain_a, None), x_s):
            _reach(line, wing, sign)

    # ------------------------------------------------------------ a level that no stage explains

    def look(self, c: float | None, a: float) -> None:
        """Look at a minute of settled run before it is known to be clean: whether a new level must be waited for."""
        stage = None if c is None else self._nearest(c, None, a)
        expected_a = 0.0 if stage is None or c is None else stage.amps(c)
        if expected_a <= 0 or not self._is_new(a / expected_a) or self.quantity.stages <= len(self.kept.stages):
            return
        if self.kept.new_level is None and self._comes_at_once():
            self.kept.new_level = NewLevel()
        if self.kept.new_level is not None:
            self.kept.new_level.minutes += 1

    def _comes_at_once(self) -> bool:
        """A second stage comes at once; what creeps up to it is a fault."""
        recent, step = self.kept.recent, _B.stage_step.value
        between = sum(1.0 + step / 2 < old < 1.0 + step for old in recent)
        return len(recent) >= _B.recent_minutes.value / 3 and between <= _B.recent_between.value

    @property
    def _holding(self) -> bool:
        """Whether a level that may be a stage is waited for: as long as it stays clean, and not for ever."""
        new = self.kept.new_level
        if new is None or not new.minutes:
            return False
        wait = _B.stage_wait_min.value if new.clean else _B.stage_look_min.value
        return new.minutes <= wait

    def _returned(self) -> None:
        new = self.kept.new_level
        if new is None:
            return
        new.returns += new.clean > 0
        new.minutes = new.clean = 0
        if new.returns >= _B.stage_returns.value and len(new.points) >= _B.stage_points.value:
            self.kept.stages.append(Stage.of(fit_line(part_stages(new.points, self.quantity)[0], self.quantity)))
            self.kept.new_level = None


def _reach(line: FittedLine, wing: Wing, sign: float) -> None:
    """The wing reaches as far as enough points lie at or beyond; its slope is that from the end of the line."""
    beyond = sorted((point.c for point in wing.points), key=lambda c: -sign * c)
    needed = int(_B.widen_points.value)
    if len(beyond) >= needed and sign * (beyond[needed - 1] - wing.reach_c) > 0:
        wing.reach_c = beyond[needed - 1]
    end_c = line.low_c if sign < 0 else line.high_c
    steps = [(point.c - end_c, point.a - line.amps(end_c)) for point in wing.points]
    # Two K of the frozen slope weigh in as if they had been seen, so that the first points do not swing the wing.
    anchor = (_B.bin_points.value / 2) * 2.0**2
    weight = anchor + sum(dc * dc for dc, _ in steps)
    slope = (anchor * line.slope_a_per_k + sum(dc * da for dc, da in steps)) / weight
    usual = _B.slope_per_k.value * line.at_a
    wing.slope_a_per_k = min(max(slope, line.slope_a_per_k - usual), line.slope_a_per_k + usual)


# ---------------------------------------------------------------- lines


def part_stages(points: list[BaselinePoint], quantity: Quantity) -> list[list[BaselinePoint]]:
    """The points of each stage, that of the most points first: two groups only where two lines stand clear of each
    other, measured by the scatter about them."""
    at_c, at_a = fmean(p.c for p in points), median(p.a for p in points)
    flat = [p.a / (1.0 + quantity.usual_per_k * (p.c - at_c)) for p in points]
    border = natural_break(flat) if len(points) > 1 else inf
    rows = [[1.0, p.c - at_c] for p in points]
    upper = two_lines(rows, [p.a for p in points], [value > border for value in flat])
    if upper is None:
        return [points]
    groups = [[p for p, at in zip(points, upper, strict=True) if at is side] for side in (False, True)]
    if min(map(len, groups)) < _B.stage_points.value:
        return [points]
    low, high = (fit_line(group, quantity) for group in groups)
    middle_c = (max(low.low_c, high.low_c) + min(low.high_c, high.high_c)) / 2.0
    gap_a = high.amps(middle_c) - low.amps(middle_c)
    scatter_a = max(low.sd_a, high.sd_a)
    if gap_a < _B.stage_step.value * min(low.amps(middle_c), at_a) or gap_a < _B.stage_clear_sd.value * scatter_a:
        return [points]
    return sorted(groups, key=len, reverse=True)


def fit_line(points: Sequence[BaselinePoint], quantity: Quantity) -> FittedLine:
    """The robust line through the points (at least one), within the bounds of what the quantity can do."""
    at_c, at_a = fmean(p.c for p in points), median(p.a for p in points)
    volts = [p.v for p in points if p.v is not None]
    at_v = fmean(volts) if len(volts) == len(points) and pstdev(volts) >= _B.volts_sd.value else None
    usual = quantity.usual_per_k * at_a
    low_c, high_c = min(p.c for p in points), max(p.c for p in points)
    wide = high_c - low_c >= _B.span_k.value
    rows = [_row(p, at_c, at_v, wide=wide) for p in points]
    values = [p.a if wide else p.a - usual * (p.c - at_c) for p in points]
    found = robust_fit(rows, values)
    scale = pstdev(values)
    if found is None and at_v is not None:
        # The voltage moved in step with the temperature: the two cannot be told apart, and temperature has it.
        return fit_line([BaselinePoint(p.c, p.a, None) for p in points], quantity)
    if found is None:  # all at one temperature: the middle, with the usual slope
        wide, rows, values = False, [[1.0]] * len(points), [p.a - usual * (p.c - at_c) for p in points]
        coefficients = [at_a]
    else:
        coefficients, scale = found
    slope = min(max(coefficients[1], quantity.least_per_k * at_a), quantity.most_per_k * at_a) if wide else usual
    per_v = coefficients[-1] if at_v is not None else 0.0
    most_v = quantity.most_per_second * at_a
    return FittedLine(
        at_c=at_c,
        at_a=coefficients[0],
        slope_a_per_k=slope,
        at_v=at_v,
        a_per_v=min(max(per_v, -most_v), most_v),
        low_c=low_c,
        high_c=high_c,
        sd_a=scale,
        points=len(points),
    )


def _row(point: BaselinePoint, at_c: float, at_v: float | None, *, wide: bool) -> list[float]:
    row = [1.0]
    if wide:
        row.append(point.c - at_c)
    if at_v is not None and point.v is not None:
        row.append(point.v - at_v)
    return row
