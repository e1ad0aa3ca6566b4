"""The talks of a visit, without a terminal: the walk through the senses, and the comparison with a meter.

Whoever talks gives `say` (a line to the person) and `answer` (the line typed since last asked, None while there is
none; EOFError at the end of input). The boards are watched while the person works, so that a start that comes then is
captured and each change of a presence channel is told as it happens.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from math import nan
from statistics import median
from typing import Protocol

from condenser_monitor.hardware import calibration
from condenser_monitor.hardware.calibration import Calibration, CalibrationPoint
from condenser_monitor.hardware.commission import (
    PHASES,
    Commissioning,
    Phase,
    check_thermometer,
    commission,
    picture,
)
from condenser_monitor.hardware.commission_rules import SensorPicture
from condenser_monitor.hardware.uncertainty import uncertainty
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.errors import shown as printable
from condenser_monitor.monitor.core.readings import FLAGS, NUMBERS, READINGS
from condenser_monitor.monitor.core.records import (
    Scan,
    StartTransient,
    stated,
)

Say = Callable[[str], object]
Answer = Callable[[], str | None]
SKIP, STOP = "skip", "stop"


class Watched(Protocol):
    """What a talk needs of hardware.boards.Boards."""

    def scan(self) -> Scan: ...
    def changes(self) -> list[Scan]: ...
    def starts(self) -> list[StartTransient]: ...

    @property
    def displacement_deg(self) -> float | None: ...

    def faults(self) -> dict[str, str]: ...
    def idle(self, seconds: float, stop: Callable[[], bool] = ...) -> None: ...


class _Eye:
    """Looks at the boards and forgets nothing: starts, and why readings were missing, over the whole talk."""

    def __init__(self, boards: Watched, scan_s: float, say: Say) -> None:
        self._boards, self._scan_s, self._say = boards, scan_s, say
        self.starts: list[StartTransient] = []
        self.faults: dict[str, str] = {}
        self._shown: dict[str, bool | None] | None = None

    def look(self) -> Scan:
        """One scan, and the pause to the next one; a start that comes in either is kept."""
        scan = self._boards.scan()
        self.faults |= self._boards.faults()
        self._tell(scan)
        self._boards.idle(self._scan_s)
        self._boards.changes()
        self.starts += self._boards.starts()
        return scan

    def _tell(self, scan: Scan) -> None:
        now = {name: getattr(scan, name) for name in FLAGS if getattr(scan, name) is not None}
        if self._shown is not None:
            for name, value in now.items():
                if self._shown.get(name) is not value:
                    self._say(f"  {name} goes {_state(value)}")
        self._shown = now

    def until(self, answer: Answer) -> str:
        """Look until the person answers. The end of input is taken for `stop`."""
        try:
            while (line := answer()) is None:
                self.look()
        except EOFError:
            return STOP
        return line.strip().lower()

    def watch(self, seconds: float, least: int) -> list[Scan]:
        """The scans of a stretch of time."""
        return [self.look() for _ in range(max(least, round(seconds / self._scan_s)))]


def _state(value: object) -> str:
    return "on" if value else "off"


# ---------------------------------------------------------------- the walk


def walk(
    settings: Settings,
    boards: Watched,
    say: Say,
    answer: Answer,
    *,
    by: str,
    thermometer_c: float | None = None,
    calibrations: Mapping[str, Calibration] | None = None,
    begin: Callable[[Phase], object] = lambda phase: None,
    wall: Callable[[], float | None] = lambda: None,
    note: str = "",
) -> Commissioning:
    """Lead a person through the phases, watch each, judge them all; the record, with what is wrong told in words.

    `begin` is told of each phase after the person is. `skip` leaves a phase out, `stop` (or the end of input) ends the
    walk with what was seen. Raises CommandError for no name, and where no phase was walked.
    """
    if not by.strip():
        raise CommandError("commission: by", by, "the name of who walked through the senses")
    check_thermometer(thermometer_c)
    eye = _Eye(boards, settings.boards.scan_s, say)
    scans: dict[str, list[Scan]] = {}
    for phase in PHASES:
        say(f"\n{phase.name}: {phase.do}{_delay(settings, phase)}\n  mind: {phase.mind}")
        say(f"  Press Enter when it is so ({SKIP}, {STOP}).")
        begin(phase)
        word = eye.until(answer)
        if word == STOP:
            break
        if word != SKIP:
            scans[phase.name] = eye.watch(phase.watch_s, int(limits.COMMISSION.scans.value))
            say("  seen: " + _seen(picture(scans[phase.name], settings.fitted), settings, calibrations or {}))
    if not scans:
        raise CommandError("commission", "no phase walked through", "one or more of " + _phases())
    if thermometer_c is None and "outdoor_c" in settings.fitted:
        thermometer_c = _thermometer(eye, say, answer)
    record = commission(
        settings,
        scans,
        by=by,
        faults=eye.faults,
        starts=eye.starts,
        thermometer_c=thermometer_c,
        calibrations=calibrations,
        wall_s=wall(),
        note=note,
    )
    for line in outcome_lines(record):
        say(line)
    return record


def _delay(settings: Settings, phase: Phase) -> str:
    """A person who knows of the time-delay relay waits for it."""
    delay_s = settings.unit.delay_on_make_s
    return (
        f" With this unit's time-delay relay that comes {delay_s:g} s after the call."
        if delay_s and phase.calls
        else ""
    )


def _phases() -> str:
    return ", ".join(phase.name for phase in PHASES)


def _seen(seen: SensorPicture, settings: Settings, calibrations: Mapping[str, Calibration]) -> str:
    """A phase in one line: each sense with what it says, numbers with their uncertainty."""
    return ", ".join(_sense(name, seen, calibrations, settings.boards.build) for name in settings.fitted)


def _sense(name: str, seen: SensorPicture, calibrations: Mapping[str, Calibration], build: str) -> str:
    if name in seen.unsteady:
        return f"{name} flickers"
    value = seen.values.get(name)
    if value is None:
        return f"{name} cannot be read"
    if name in FLAGS:
        return f"{name} {_state(value)}"
    return f"{name} {with_uncertainty(name, float(value), calibrations.get(name), build)}"


def with_uncertainty(name: str, value: float, row: Calibration | None = None, build: str = "boards") -> str:
    """A number with its uncertainty, as people read it: `9.58 A ± 0.21 A`."""
    return stated(value, uncertainty(name, value, row, build).expanded, READINGS[name].unit)


def _thermometer(eye: _Eye, say: Say, answer: Answer) -> float | None:
    say("What does a thermometer show in the air beside the outdoor sensor, in degrees C? Enter alone: none at hand.")
    while (word := eye.until(answer)) not in ("", SKIP, STOP):
        number = _number(word)
        try:
            check_thermometer(nan if number is None else number)
        except CommandError as error:
            say(f"{printable(word)} is no temperature in degrees C ({error.allowed}); again, or Enter alone.")
        else:
            return number
    return None


def _number(word: str) -> float | None:
    try:
        return float(word.replace(",", "."))
    except ValueError:
        return None


def outcome_lines(record: Commissioning) -> Iterator[str]:
    """The outcome of a walk, in lines."""
    missed = [phase.name for phase in PHASES if phase.name not in record.phases]
    yield "All is as it should be in what was seen." if not record.remarks else "Not all is in order:"
    yield from (f"- {remark.text}" for remark in record.remarks)
    if missed:
        yield f"Not walked through: {', '.join(missed)}. What only those can tell is not judged."
    yield from record.uses


# ---------------------------------------------------------------- the comparison with a meter

_HOLD: dict[str, str] = {
    "A": "Clamp the meter round the very lead that goes through this transformer, once, and let it settle.",
    "W": "Clamp the power meter round the compressor's lead, its volts on L1 and L2; or put a resistive load alone"
    " through the transformer, and type its volts times amps.",
    "V": "Put the voltmeter, on AC volts, across the two terminals of this sense.",
    "°C": "Hold the thermometer in the air beside the sensor, in shade, for some minutes.",
}
_MIND = "A cover off with the unit running is live work: for qualified people only."


def compare(
    settings: Settings,
    boards: Watched,
    reading: str,
    say: Say,
    answer: Answer,
    *,
    by: str,
    meter: str = "",
    meter_share: float | None = None,
    shown: Sequence[float] = (),
    begin: Callable[[str], object] = lambda reading: None,
    wall: Callable[[], float | None] = lambda: None,
) -> Calibration:
    """Compare a reading with a meter, once or at several loads; the calibration. The boards must be without trims.

    `shown` is what the meter shows where that is known already: one is taken at once, several one after the other.
    Without it the person is asked. Raises CommandError for a sense that gives no reading, or as `calibrate` does.
    """
    _refuse(settings, reading, by)
    if meter_share is not None:
        calibration.check_meter(reading, meter_share)
    eye = _Steady(boards, settings.boards.scan_s, say, reading)
    say(f"{_HOLD[READINGS[reading].unit]}\n  mind: {_MIND}")
    begin(reading)

    def calibrated(points: Sequence[CalibrationPoint]) -> Calibration:
        return calibration.calibrate(reading, points, by=by, meter=meter, meter_share=meter_share, wall_s=wall())

    points = list(_given(eye, shown, say, answer)) if shown else _asked(eye, say, answer, calibrated)
    row = calibrated(points)
    say(calibration.one_line(row))
    for line in _gained(row, settings.boards.build):
        say(line)
    return row


def _gained(row: Calibration, build: str) -> Iterator[str]:
    """What the comparison is worth: the uncertainty before and after."""
    at = row.points[-1].meter
    parts = uncertainty(row.reading, at, row, build).parts
    built, now = (uncertainty(row.reading, at, one, build).expanded for one in (None, row))
    as_built, calibrated = (with_uncertainty(row.reading, at, one, build) for one in (None, row))
    yield f"As built {as_built}, as calibrated {calibrated} (k = 2)."
    yield (
        "In it, half-widths: "
        + ", ".join(f"{name} {half:.2g}" for name, half in parts.items())
        + f" {READINGS[row.reading].unit}."
    )
    if now > built:
        yield (
            "The meter's own error is the larger one: the reading now agrees with this meter, and is no surer than"
            " before. A better meter, or its true error, would tell more."
        )


def _refuse(settings: Settings, reading: str, by: str) -> None:
    fitted = [name for name in settings.fitted if name in NUMBERS]
    if reading not in fitted:
        raise CommandError(f"calibrate {reading}", reading, "a fitted sense that is a number: " + ", ".join(fitted))
    if not by.strip():
        raise CommandError(f"calibrate {reading}: by", by, "the name of who held the meter")


class _Steady(_Eye):
    """Follows one reading: the median of its last few scans, if they stand still."""

    def __init__(self, boards: Watched, scan_s: float, say: Say, reading: str) -> None:
        super().__init__(boards, scan_s, say)
        self.reading = reading
        self._scans: deque[Scan] = deque(maxlen=int(limits.COMMISSION.scans.value))
        self._last: deque[float | None] = deque(maxlen=int(limits.COMMISSION.scans.value))

    def look(self) -> Scan:
        scan = super().look()
        self._scans.append(scan)
        self._last.append(getattr(scan, self.reading))
        return scan

    def value(self) -> float:
        """As it stands now. Raises CommandError where it cannot be read."""
        while len(self._last) < (self._last.maxlen or 0):
            self.look()
        known = [value for value in self._last if value is not None]
        if 2 * len(known) <= len(self._last):
            reason = self.faults.get(self.reading, "no reading")
            raise CommandError(f"calibrate {self.reading}", reason, "a sense that gives a reading")
        return float(median(known))

    def point(self, raw: float, shown: float) -> CalibrationPoint:
        """A comparison as it stands now; of power with volts times amps and their angle."""
        if READINGS[self.reading].unit != "W":
            return CalibrationPoint(raw=raw, meter=shown)
        pairs = [(scan.line_v, scan.compressor_a) for scan in self._scans]
        apparent = [volts * amps for volts, amps in pairs if volts is not None and amps is not None]
        angle_deg = self._boards.displacement_deg or 0.0
        return CalibrationPoint(
            raw=raw, meter=shown, apparent=median(apparent) if apparent else 0.0, displacement_deg=angle_deg
        )

    def moves(self) -> bool:
        """Its last scans are farther apart than comparisons may be."""
        known = [value for value in self._last if value is not None]
        most = (
            limits.CALIBRATION.spread_k.value
            if READINGS[self.reading].unit == "°C"
            else limits.CALIBRATION.spread.value * max(known)
        )
        return max(known) - min(known) > most


def _given(eye: _Steady, shown: Sequence[float], say: Say, answer: Answer) -> Iterator[CalibrationPoint]:
    for value in shown:
        if len(shown) > 1:
            say(f"Bring the meter to {value:g}, then press Enter.")
            if eye.until(answer) == STOP:
                return
        yield eye.point(eye.value(), value)


def _asked(
    eye: _Steady, say: Say, answer: Answer, calibrated: Callable[[Sequence[CalibrationPoint]], object]
) -> list[CalibrationPoint]:
    """Comparisons until the person has no more; one that cannot be used is told at once, and left out."""
    unit = READINGS[eye.reading].unit
    points: list[CalibrationPoint] = []
    say(f"The board reads {eye.value():.4g} {unit}. Type what the meter shows.")
    while (word := eye.until(answer)) not in ("", STOP):
        number, raw = _number(word), eye.value()
        if number is None:
            say(f"{printable(word)} is no number; what the meter shows, in {unit}, or Enter alone to end.")
        elif eye.moves():
            say(f"{eye.reading} does not stand still: wait, and type it again.")
        else:
            point = eye.point(raw, number)
            try:
                calibrated([*points, point])
            except CommandError as error:
                say(f"{error}. It is left out; type it again, or Enter alone to end.")
                continue
            points.append(point)
            say(
                f"{len(points)}: {raw:.4g} {unit} read, {number:.4g} {unit} on the meter. Another load, or Enter alone."
            )
    return points
