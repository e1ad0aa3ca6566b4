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
from math import pi
from pathlib import Path
from statistics import median
from typing import NamedTuple

import msgspec

from condenser_monitor.hardware.calibration import Calibration, write_whole
from condenser_monitor.hardware.commission_rules import Remark, SensorPicture, judge
from condenser_monitor.hardware.uncertainty import uncertainty
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.errors import CommandError, SiteError
from condenser_monitor.monitor.core.readings import FLAGS, NUMBERS
from condenser_monitor.monitor.core.records import (
    Scan,
    StartTransient,
)

_FILE = "commissioning-"


class Phase(NamedTuple):
    """One step of the walk: what to do, what to mind, how long to watch, and whether the thermostat calls in it."""

    name: str
    do: str
    mind: str
    watch_s: float
    calls: bool = True


_POWER = (
    "Line voltage is behind the service panel: leave it closed. With a one-pole contactor one leg stays live whatever"
    " the contactor does."
)
PHASES: tuple[Phase, ...] = (
    Phase(
        "off",
        "Disconnect in, breaker on; thermostat off, or set so warm that it does not call. Wait until all is quiet.",
        _POWER,
        limits.COMMISSION.watch_s.value,
        calls=False,
    ),
    Phase(
        "called",
        "Pull the disconnect at the unit. Then let the thermostat call for cooling: the contactor closes with a click,"
        " nothing turns.",
        "The compressor needs some minutes of rest before it may start again; the next step waits for them.",
        limits.COMMISSION.watch_s.value,
    ),
    Phase(
        "running",
        "Thermostat off. Disconnect back in. After five minutes let the thermostat call, and wait until compressor and"
        " fan have run for three minutes.",
        _POWER,
        limits.COMMISSION.watch_s.value,
    ),
)


def picture(scans: Sequence[Scan], fitted: Sequence[str]) -> SensorPicture:
    """What a phase shows as a whole: the median of a number, the answer of a flag that nearly all scans give.

    None for a reading missing from more than half of the scans; a flag without a steady answer is left out altogether
    and named in `unsteady`. Raises CommandError for too few scans.
    """
    if len(scans) < limits.COMMISSION.scans.value:
        raise CommandError("commission", len(scans), f"{limits.COMMISSION.scans.value:g} scans of a phase, or more")
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
            if min(share, 1 - share) > 1 - limits.COMMISSION.agree.value:
                unsteady.append(name)
            else:
                values[name] = share > 0.5
    return SensorPicture(values, tuple(unsteady))


class Learned(msgspec.Struct, frozen=True, kw_only=True):
    """What was seen of this unit, to be taken for its usual where the walk found nothing wrong: volts and amperes RMS,
    seconds."""

    standing_a: float | None = None
    coil_a: float | None = None
    compressor_a: float | None = None
    fan_a: float | None = None
    control_v: float | None = None
    outdoor_c: float | None = None
    start_s: float | None = None
    start_peak_a: float | None = None
    apparent_uf: float | None = None
    power_factor: float | None = None


class Commissioning(msgspec.Struct, frozen=True, kw_only=True):
    """The record of one walk. `at` is RFC 3339, empty where the clock was not known; `remarks` are empty where all is
    well. `uncertainty` is that of each number of a phase (k = 2, in its own unit); `uses` says what becomes of what was
    learned, empty where something is wrong."""

    site: str
    by: str
    at: str
    unit: Unit
    fitted: tuple[str, ...]
    phases: dict[str, dict[str, float | bool | None]]
    remarks: tuple[Remark, ...]
    learned: Learned
    note: str = ""
    thermometer_c: float | None = None
    uncertainty: dict[str, dict[str, float]] = {}
    uses: tuple[str, ...] = ()


def learned(
    phases: Mapping[str, SensorPicture], starts: Sequence[StartTransient] = (), line_hz: float = 60.0
) -> Learned:
    """What the walk teaches, phase by phase; a start counts only where it was captured whole."""

    def number(phase: str, name: str) -> float | None:
        value = phases[phase].values.get(name) if phase in phases else None
        return None if value is None else round(float(value), 3)

    volts, amps, watts = (
        number("running", "line_v"),
        number("running", "compressor_a"),
        number("running", "compressor_w"),
    )
    winding_a = number("running", "start_winding_a")
    apparent_uf = round(winding_a / (2 * pi * line_hz * volts) * 1e6, 2) if winding_a and volts else None
    power_factor = round(min(1.0, watts / (volts * amps)), 3) if watts and volts and amps else None
    whole = [start for start in starts if start.duration_s is not None]
    return Learned(
        standing_a=number("off", "compressor_a"),
        coil_a=number("running", "coil_a"),
        compressor_a=number("running", "compressor_a"),
        fan_a=number("running", "fan_a"),
        control_v=number("running", "control_v"),
        outdoor_c=number("running", "outdoor_c"),
        apparent_uf=apparent_uf,
        power_factor=power_factor,
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
    calibrations: Mapping[str, Calibration] | None = None,
    wall_s: float | None = None,
    note: str = "",
) -> Commissioning:
    """The whole walk judged: scans by phase, why readings were missing, captured starts, the air's temperature by a
    thermometer at hand, and the calibrations in force. Raises CommandError for an unknown phase, too few scans or no
    name."""
    if not by.strip():
        raise CommandError("commission: by", by, "the name of who walked through the senses")
    check_thermometer(thermometer_c)
    names = [phase.name for phase in PHASES]
    for name in scans:
        if name not in names:
            raise CommandError("commission: phase", name, "one of " + ", ".join(names))
    fitted = settings.fitted
    phases = {name: picture(scans[name], fitted) for name in names if name in scans}
    taught = learned(phases, starts, settings.unit.line_hz)
    remarks = tuple(judge(phases, settings.unit, fitted, faults or {}, thermometer_c, build=settings.boards.build))
    return Commissioning(
        site=settings.site.id,
        by=by,
        at=moment(wall_s),
        unit=settings.unit,
        fitted=fitted,
        phases={name: _rounded(seen) for name, seen in phases.items()},
        remarks=remarks,
        learned=taught,
        note=note,
        thermometer_c=thermometer_c,
        uncertainty={
            name: _uncertain(seen, calibrations or {}, settings.boards.build) for name, seen in phases.items()
        },
        uses=() if remarks else uses(taught, settings),
    )


def check_thermometer(shown_c: float | None) -> None:
    """Raise CommandError for a temperature of the outdoor air that no thermometer shows."""
    if shown_c is not None and not -60.0 <= shown_c <= 70.0:
        raise CommandError("commission: thermometer", shown_c, "-60 to 70")


def moment(wall_s: float | None) -> str:
    """RFC 3339 to the second, UTC; empty where the clock was not known."""
    at = "" if wall_s is None else datetime.fromtimestamp(wall_s, UTC).isoformat(timespec="seconds")
    return at.replace("+00:00", "Z")


def _uncertain(seen: SensorPicture, calibrations: Mapping[str, Calibration], build: str) -> dict[str, float]:
    return {
        name: round(uncertainty(name, float(value), calibrations.get(name), build).expanded, 4)
        for name, value in seen.values.items()
        if name in NUMBERS and value is not None
    }


def uses(taught: Learned, settings: Settings) -> tuple[str, ...]:
    """What becomes of what was learned, in plain words; where the site file should say something, the very lines."""
    rows = []
    if taught.standing_a is not None:
        rows.append(
            f"Standing current without a call: {taught.standing_a:.2f} A. The program takes up to"
            f" {limits.TRICKLE_A.value:g} A there for a run capacitor's, and calls it neither running nor stuck."
        )
    if taught.start_s is not None and taught.start_peak_a is not None:
        rows.append(_start_used(taught.start_s, taught.start_peak_a, settings))
    elif taught.compressor_a is not None:
        rows.append("No start was captured: the compressor ran already, or its capture was spoilt.")
    label_uf = settings.unit.run_capacitor_uf
    if taught.apparent_uf is not None and label_uf and not settings.unit.capacitor_volts_ratio:
        rows.append(
            f"The start winding's current at the line's volts is that of {taught.apparent_uf:.1f} uF; the label says"
            f" {label_uf:g} uF. If a meter on the capacitor, disconnected and discharged, confirms the label,"
            f" write in the site file: [unit] capacitor_volts_ratio = {taught.apparent_uf / label_uf:.2f}"
        )
    if taught.power_factor is not None:
        rows.append(f"The compressor runs at a power factor of {taught.power_factor:.2f}.")
    if taught.compressor_a is not None and taught.outdoor_c is not None:
        rows.append(
            f"The compressor draws {taught.compressor_a:.1f} A at {taught.outdoor_c:.0f} C. What is normal at each"
            " temperature the program learns by itself, over days; this is the first point to hold it against."
        )
    return tuple(rows)


def _start_used(start_s: float, peak_a: float, settings: Settings) -> str:
    slow_s = settings.limit(limits.SLOW_START.slow_s)
    told = f"A start takes {start_s:.2f} s, at most {peak_a:.0f} A."
    if start_s < slow_s:
        return f"{told} The program takes the unit's first starts for its usual ones; this one is their measure."
    longer_s = start_s * settings.limit(limits.SLOW_START.ratio)
    return (
        f"{told} That is longer than the {slow_s:g} s from which a start counts as slow. If this unit is sound, write"
        f" in the site file: [limits.slow-start] slow_s = {longer_s:.1f}"
    )


def _rounded(seen: SensorPicture) -> dict[str, float | bool | None]:
    return {
        name: value if value is None or name in FLAGS else round(float(value), 3) for name, value in seen.values.items()
    }


def place(folder: Path, record: Commissioning) -> Path:
    """Where a record is kept: a file of its own in `folder`, named by its date; one without a date gets a number."""
    if record.at:
        return folder / f"{_FILE}{record.at.replace(':', '').replace('-', '')}.json"
    numbers = (number for number in range(1, 10_000) if not (folder / f"{_FILE}undated-{number}.json").exists())
    return folder / f"{_FILE}undated-{next(numbers)}.json"


def keep(path: str | Path, record: Commissioning) -> None:
    """Write the record as a file of its own. Raises SiteError."""
    write_whole(path, msgspec.json.format(msgspec.json.encode(record), indent=2) + b"\n")


def read(path: str | Path) -> Commissioning:
    """A record kept earlier. Raises SiteError."""
    try:
        return untrusted_input.from_json(untrusted_input.read_bytes(path, untrusted_input.KEPT_MOST), Commissioning)
    except (OSError, ValueError) as error:
        raise SiteError(str(path), untrusted_input.why(error), "a record that `commission` wrote") from None
