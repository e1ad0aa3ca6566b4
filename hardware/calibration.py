"""Calibration against a clamp meter, a voltmeter or a thermometer: gains and offsets, kept with the date and who.

A current or a voltage is a sine seen through a chain of ratios (transformer, burden, divider), so its calibration is a
gain alone; noise adds in squares and is no offset. A temperature is read as a ratio of resistances, and its calibration
is an offset alone. Points are taken with the reading as it was before any earlier calibration.

The file is JSON, newest last; nothing is dropped from it, and the last of a reading is in force.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from math import acos, degrees
from pathlib import Path
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.errors import CommandError, SiteError
from condenser_monitor.monitor.core.readings import NUMBERS, READINGS


class Trim(NamedTuple):
    """What a calibration does: reading = gain * raw + offset."""

    gain: float = 1.0
    offset: float = 0.0


class CalibrationPoint(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One comparison: what the board read, uncorrected, and what the meter showed, in the reading's unit. For power
    also the apparent power (VA) and by how much the board saw the current lag the volts."""

    raw: float
    meter: float
    apparent: float = 0.0
    displacement_deg: float = 0.0


class Calibration(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One calibration of one reading. `meter` names the instrument, `meter_share` is its own stated error as a share of
    what it shows (for a thermometer in K); `at` is RFC 3339, empty where the clock was not known."""

    reading: str
    gain: float
    offset: float
    points: tuple[CalibrationPoint, ...]
    meter: str
    meter_share: float
    by: str
    at: str = ""

    @property
    def trim(self) -> Trim:
        return Trim(self.gain, self.offset)


def calibrate(
    reading: str,
    points: Sequence[CalibrationPoint],
    *,
    by: str,
    meter: str = "",
    meter_share: float | None = None,
    wall_s: float | None = None,
) -> Calibration:
    """The calibration that a set of comparisons gives.

    Raises CommandError for a reading that is no number, comparisons too small to tell anything, ones that do not agree
    with each other, and a correction so large that the wiring is to be looked at first.
    """
    place = f"calibrate {reading}"
    if reading not in NUMBERS:
        raise CommandError(place, reading, "one of " + ", ".join(NUMBERS))
    if not points:
        raise CommandError(place, 0, "one comparison with a meter, or more")
    if not by.strip():
        raise CommandError(f"{place}: by", by, "the name of who held the meter")
    share = METER_ERROR[READINGS[reading].unit].value if meter_share is None else meter_share
    check_meter(reading, share)
    trim = {"°C": _offset, "W": _angle}.get(READINGS[reading].unit, _gain)(place, points)
    at = "" if wall_s is None else datetime.fromtimestamp(wall_s, UTC).isoformat(timespec="seconds")
    return Calibration(
        reading=reading,
        gain=trim.gain,
        offset=trim.offset,
        points=tuple(points),
        meter=meter,
        meter_share=share,
        by=by,
        at=at.replace("+00:00", "Z"),
    )


def check_meter(reading: str, share: float) -> None:
    """Raise CommandError for a meter's own error that none has."""
    if not 0.0 <= share <= limits.CALIBRATION.meter_most.value:
        raise CommandError(f"calibrate {reading}: meter error", share, f"0 to {limits.CALIBRATION.meter_most.value:g}")


# unit -> the usual meter's own error
METER_ERROR: dict[str, limits.Limit] = {
    "V": limits.CALIBRATION.voltmeter,
    "A": limits.CALIBRATION.clamp_meter,
    "°C": limits.CALIBRATION.thermometer_k,
    "W": limits.CALIBRATION.power_meter,
}


def _offset_only(reading: str) -> bool:
    """Return whether a reading is set right by an offset; all others are by a gain."""
    return READINGS[reading].unit == "°C"


def _gain(place: str, points: Sequence[CalibrationPoint]) -> Trim:
    """Least squares of the relative error, so that a small current weighs as much as a large one."""
    least = limits.CALIBRATION.least.value
    for point in points:
        for value in (point.raw, point.meter):
            if not least <= value < 1e6:
                raise CommandError(place, value, f"{least:g} or more, on the board and on the meter")
    ratios = [point.raw / point.meter for point in points]
    gain = sum(ratios) / sum(ratio * ratio for ratio in ratios)
    most = limits.CALIBRATION.gain_most.value
    if not 1 / most <= gain <= most:
        wanted = f"{1 / most:.2f} to {most:.2f} times what the board read" + _turns(gain)
        raise CommandError(place, round(gain, 3), wanted)
    worst = max(abs(gain * ratio - 1) for ratio in ratios)
    if worst > limits.CALIBRATION.spread.value:
        raise CommandError(
            place, f"comparisons {worst:.1%} apart", f"ones that agree within {limits.CALIBRATION.spread.value:.0%}"
        )
    return Trim(gain, 0.0)


def _turns(gain: float) -> str:
    """A hint where the ratio is that of conductors led through a transformer too often or too seldom."""
    for times in (2, 3, 5):
        for ratio, what in ((times, f"1 of {times}"), (1 / times, f"{times} instead of 1")):
            if abs(gain / ratio - 1) <= limits.CALIBRATION.turns.value:
                return f"; a ratio near {ratio:.2g} is that of passes through the transformer: {what}"
    return "; farther off, look at the transformer's ratio, its passes and the conductor first"


def _angle(place: str, points: Sequence[CalibrationPoint]) -> Trim:
    """The angle by which the current's channel lags the volts' one more than the waves do, in degrees.

    The best comparison is a resistive load, where there is none; a motor's is the angle whose cosine is the meter's
    watts over volts and amps. Near 1 a cosine tells no angle, and such a comparison is refused.
    """
    resistive, least = limits.CALIBRATION.resistive.value, limits.CALIBRATION.factor_most.value
    steps = []
    for point in points:
        factor = point.meter / point.apparent if point.apparent > 0.0 else 0.0
        if not 0.0 < factor <= 1.05:
            raise CommandError(place, point.meter, f"above 0 and up to the {point.apparent:.0f} VA of volts and amps")
        if least < factor < resistive:
            wanted = (
                f"a resistive load ({resistive:g} or more), or a motor at up to {least:g}: between them no angle shows"
            )
            raise CommandError(place, f"a power factor of {factor:.3f}", wanted)
        true_deg = 0.0 if factor >= resistive else degrees(acos(factor))
        steps.append(point.displacement_deg - true_deg)
    offset = sum(steps) / len(steps)
    most = limits.CALIBRATION.lag_most_deg.value
    if not abs(offset) <= most:
        raise CommandError(place, round(offset, 1), f"-{most:g} to {most:g} degrees; farther off, look at the lead")
    return Trim(1.0, offset)


def _offset(place: str, points: Sequence[CalibrationPoint]) -> Trim:
    steps = [point.meter - point.raw for point in points]
    offset = sum(steps) / len(steps)
    most = limits.CALIBRATION.offset_most_k.value
    if not abs(offset) <= most:
        raise CommandError(place, round(offset, 2), f"-{most:g} to {most:g} K; farther off, look at the sensor's place")
    worst = max(abs(step - offset) for step in steps)
    if worst > limits.CALIBRATION.spread_k.value:
        raise CommandError(
            place, f"comparisons {worst:.1f} K apart", f"within {limits.CALIBRATION.spread_k.value:g} K of each other"
        )
    return Trim(1.0, offset)


# ---------------------------------------------------------------- the file


def load(path: str | Path) -> tuple[Calibration, ...]:
    """All calibrations of a file, oldest first; none where there is no file. Raises SiteError for one that cannot be
    used: a wrong calibration is worse than a stop."""
    try:
        found = untrusted_input.from_json(
            untrusted_input.read_bytes(path, untrusted_input.KEPT_MOST), tuple[Calibration, ...]
        )
    except FileNotFoundError:
        return ()
    except (OSError, ValueError) as error:
        raise SiteError(str(path), untrusted_input.why(error), "a file as `calibrate` writes it") from None
    for row in found:
        _refuse_odd(str(path), row)
    return found


def _refuse_odd(place: str, row: Calibration) -> None:
    if row.reading not in NUMBERS:
        raise SiteError(f"{place}: reading", row.reading, "one of " + ", ".join(NUMBERS))
    most, most_k = limits.CALIBRATION.gain_most.value, limits.CALIBRATION.offset_most_k.value
    if READINGS[row.reading].unit == "W":
        most_k = limits.CALIBRATION.lag_most_deg.value
    if not (1 / most <= row.gain <= most and abs(row.offset) <= most_k):
        wanted = f"a gain of {1 / most:.2f} to {most:.2f} and an offset within {most_k:g}"
        raise SiteError(f"{place}: {row.reading}", (row.gain, row.offset), wanted)
    least = -90.0 if _offset_only(row.reading) else limits.CALIBRATION.least.value
    if not row.points or not all(least <= value < 1e6 for point in row.points for value in (point.raw, point.meter)):
        raise SiteError(f"{place}: {row.reading}", row.points, f"comparisons of numbers from {least:g} up")
    if not 0.0 <= row.meter_share <= limits.CALIBRATION.meter_most.value:
        raise SiteError(
            f"{place}: {row.reading}", row.meter_share, f"0 to {limits.CALIBRATION.meter_most.value:g} for the meter"
        )


def in_force(calibrations: Iterable[Calibration]) -> dict[str, Calibration]:
    """The last calibration of each reading."""
    return {row.reading: row for row in calibrations}


def trims(calibrations: Iterable[Calibration]) -> Mapping[str, Trim]:
    """What Boards takes: the trim in force of each calibrated reading."""
    return {name: row.trim for name, row in in_force(calibrations).items()}


def add(path: str | Path, calibration: Calibration) -> tuple[Calibration, ...]:
    """Keep one more calibration; the file as it now stands. Raises SiteError where it cannot be read or written."""
    rows = (*load(path), calibration)
    text = msgspec.json.format(msgspec.json.encode(rows), indent=2) + b"\n"
    write_whole(path, text)
    return rows


def write_whole(path: str | Path, data: bytes) -> None:
    """Put a file in place as a whole or not at all, power cut or not. Raises SiteError."""
    path = Path(path)
    new = path.with_name(f".{path.name}.new")
    try:
        with new.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
        _sync_directory(path.parent)
    except OSError as error:
        with suppress(OSError):
            new.unlink(missing_ok=True)
        raise SiteError(str(path), str(error), "a place that can be written") from None


def _sync_directory(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def one_line(row: Calibration) -> str:
    """One line for people."""
    unit = READINGS[row.reading].unit
    what = {"°C": f"offset {row.offset:+.2f} K", "W": f"angle {row.offset:+.2f} degrees"}.get(
        unit, f"gain {row.gain:.4f}"
    )
    pairs = ", ".join(f"{point.raw:.4g} {unit} read, {point.meter:.4g} {unit} on the meter" for point in row.points)
    return f"{row.reading}: {what} ({pairs}); {row.meter or 'meter not named'}, {row.by}, {row.at or 'date not known'}"
