"""Commissioning: the walk through every sense with the unit off, called and running, and the record of it.

Three phases tell the senses apart. *off*: disconnect in, thermostat off. *called*: disconnect pulled, thermostat
calling: 24 V and the coil alone, nothing can turn, so that a current on a line sense is one of a wrong conductor.
*running*: disconnect in, thermostat calling, some minutes on. What is wrong is judged in hardware/commission_rules.py;
this file makes one picture of a phase out of its scans, learns what is usual for this unit, and keeps the record with
its date.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import NamedTuple

import msgspec

from hardware.calibration import write_whole
from hardware.commission_rules import Picture, Remark, judge
from monitor import limits
from monitor.config import Settings, Unit
from monitor.errors import CommandError, SiteError
from monitor.records import FLAGS, NUMBERS, Scan, StartTransient

_N = limits.COMMISSION


class Phase(NamedTuple):
    """One step of the walk: what to do, what to mind, and how long to watch."""

    name: str
    do: str
    mind: str
    watch_s: float


_POWER = (
    "Line voltage is behind the service panel: leave it closed. With a one-pole contactor one leg stays live whatever"
    " the contactor does."
)
PHASES: tuple[Phase, ...] = (
    Phase(
        "off",
        "Disconnect in, breaker on; thermostat off, or set so warm that it does not call. Wait until all is quiet.",
        _POWER,
        _N["watch_s"].value,
    ),
    Phase(
        "called",
        "Pull the disconnect at the unit. Then let the thermostat call for cooling: the contactor closes with a click,"
        " nothing turns.",
        "The compressor needs some minutes of rest before it may start again; the next step waits for them.",
        _N["watch_s"].value,
    ),
    Phase(
        "running",
        "Thermostat off. Disconnect back in. After five minutes let the thermostat call, and wait until compressor and"
        " fan have run for three minutes.",
        _POWER,
        _N["watch_s"].value,
    ),
)


def picture(scans: Sequence[Scan], fitted: Sequence[str]) -> Picture:
    """What a phase shows as a whole: the median of a number, the answer of a flag that nearly all scans give.

    None for a reading missing from more than half of the scans; a flag without a steady answer is left out altogether
    and named in `unsteady`. Raises CommandError for too few scans.
    """
    if len(scans) < _N["scans"].value:
        raise CommandError("commission", len(scans), f"{_N['scans'].value:g} scans of a phase, or more")
    values: dict[str, float | bool | None] = {}
    unsteady = []
    for name in fitted:
        seen = [value for scan in scans if (value := getattr(scan, name)) is not None]
        if 2 * len(seen) <= len(scans):
            values[name] = None
        elif name in NUMBERS:
            values[name] = float(median(seen))
        else:
            share = sum(seen) / len(seen)
            if min(share, 1 - share) > 1 - _N["agree"].value:
                unsteady.append(name)
            else:
                values[name] = share > 0.5
    return Picture(values, tuple(unsteady))


class Learned(msgspec.Struct, frozen=True, kw_only=True):
    """What is usual for this unit, from a walk that found nothing wrong: volts and amperes RMS, seconds."""

    standing_a: float | None = None
    coil_a: float | None = None
    compressor_a: float | None = None
    fan_a: float | None = None
    control_v: float | None = None
    outdoor_c: float | None = None
    start_s: float | None = None
    start_peak_a: float | None = None


class Commissioning(msgspec.Struct, frozen=True, kw_only=True):
    """The record of one walk. `at` is RFC 3339, empty where the clock was not known; `remarks` are empty where all is
    well."""

    site: str
    by: str
    at: str
    unit: Unit
    fitted: tuple[str, ...]
    phases: dict[str, dict[str, float | bool | None]]
    remarks: tuple[Remark, ...]
    learned: Learned
    note: str = ""


def learned(phases: Mapping[str, Picture], starts: Sequence[StartTransient] = ()) -> Learned:
    """What the walk teaches, phase by phase; a start counts only where it was captured whole."""

    def number(phase: str, name: str) -> float | None:
        value = phases[phase].values.get(name) if phase in phases else None
        return None if value is None else round(float(value), 3)

    whole = [start for start in starts if start.duration_s is not None]
    return Learned(
        standing_a=number("off", "compressor_a"),
        coil_a=number("running", "coil_a"),
        compressor_a=number("running", "compressor_a"),
        fan_a=number("running", "fan_a"),
        control_v=number("running", "control_v"),
        outdoor_c=number("running", "outdoor_c"),
        start_s=round(median(start.duration_s for start in whole if start.duration_s is not None), 3)
        if whole
        else None,
        start_peak_a=round(median(start.peak_a for start in whole), 2) if whole else None,
    )


def commission(
    settings: Settings,
    scans: Mapping[str, Sequence[Scan]],
    *,
    by: str,
    faults: Mapping[str, str] | None = None,
    starts: Sequence[StartTransient] = (),
    thermometer_c: float | None = None,
    wall_s: float | None = None,
    note: str = "",
) -> Commissioning:
    """The whole walk judged: scans by phase, why readings were missing, captured starts, and the air's temperature by a
    thermometer at hand. Raises CommandError for an unknown phase, too few scans or no name."""
    if not by.strip():
        raise CommandError("commission: by", by, "the name of who walked through the senses")
    names = [phase.name for phase in PHASES]
    for name in scans:
        if name not in names:
            raise CommandError("commission: phase", name, "one of " + ", ".join(names))
    fitted = settings.fitted
    phases = {name: picture(scans[name], fitted) for name in names if name in scans}
    at = "" if wall_s is None else datetime.fromtimestamp(wall_s, UTC).isoformat(timespec="seconds")
    return Commissioning(
        site=settings.site.id,
        by=by,
        at=at.replace("+00:00", "Z"),
        unit=settings.unit,
        fitted=fitted,
        phases={name: _rounded(seen) for name, seen in phases.items()},
        remarks=tuple(judge(phases, settings.unit, fitted, faults or {}, thermometer_c)),
        learned=learned(phases, starts),
        note=note,
    )


def _rounded(seen: Picture) -> dict[str, float | bool | None]:
    return {
        name: value if value is None or name in FLAGS else round(float(value), 3) for name, value in seen.values.items()
    }


def keep(path: str | Path, record: Commissioning) -> None:
    """Write the record as a file of its own. Raises SiteError."""
    write_whole(path, msgspec.json.format(msgspec.json.encode(record), indent=2) + b"\n")


def read(path: str | Path) -> Commissioning:
    """A record kept earlier. Raises SiteError."""
    try:
        return msgspec.json.decode(Path(path).read_bytes(), type=Commissioning)
    except (OSError, msgspec.DecodeError) as error:
        raise SiteError(str(path), str(error), "a record that `commission` wrote") from None
