"""A sensor and a finding as a package of their own: an energy meter in the panel, and the power factor that it tells.

Installed beside the monitor, two tables in the site file switch them on:

    [plugins.energy-meter]
    file = "/run/meter.json"    # {"line_v": 238.1, "compressor_w": 2140.0}, written by whatever reads the meter

    [plugins.power-factor]
    least = 0.75
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.core.findings import Answer, FindingRow
from condenser_monitor.monitor.core.records import Scan, Severity
from condenser_monitor.monitor.diagnosis.predictions import cause
from condenser_monitor.monitor.plugins import AddedFinding, FindingPlugin, SensorPlugin
from condenser_monitor.monitor.strings.findings import FindingText
from condenser_monitor.monitor.strings.phone import LockText

# ---------------------------------------------------------------- the sensor


class MeterSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The table `[plugins.energy-meter]`."""

    file: str = "/run/meter.json"


class Meter(msgspec.Struct):
    """What the meter's file holds."""

    line_v: float
    compressor_w: float


class EnergyMeter:
    """Reads the file; one that is not there or holds something else raises, and the readings are missing."""

    readings: tuple[str, ...] = ("line_v", "compressor_w")

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> dict[str, float | bool | None]:
        """Return the meter's two readings."""
        meter = msgspec.json.decode(self.path.read_bytes(), type=Meter)
        return {"line_v": meter.line_v, "compressor_w": meter.compressor_w}

    def close(self) -> None:
        """Hold nothing."""


SENSOR = SensorPlugin(MeterSettings, lambda _site, own: EnergyMeter(Path(own.file)))

# ---------------------------------------------------------------- the finding


class FactorSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The table `[plugins.power-factor]`; `hold_s` is how long it must be low."""

    least: float = 0.75
    hold_s: float = 600.0


class PowerFactor:
    """Answers whether the running compressor's power factor is below `least`; nothing where a reading is missing."""

    def __init__(self, least: float, running_a: float) -> None:
        self.least, self.running_a = least, running_a

    def update(self, scan: Scan) -> Answer:
        """Hear a scan."""
        amps, volts, watts = scan.compressor_a, scan.line_v, scan.compressor_w
        if amps is None or volts is None or watts is None:
            return None
        return amps >= self.running_a and watts < self.least * volts * amps


def _finding(_site: Settings, own: FactorSettings) -> AddedFinding:
    if not 0.0 < own.least < 1.0:
        raise SiteError("site file: plugins.power-factor.least", own.least, "more than 0 and less than 1")
    row = FindingRow(
        "power-factor",
        Severity.WATCH,
        "compressor",
        "The compressor draws far more current than its power explains.",
        needs=("compressor",),
        evidence=("compressor_a", "line_v", "compressor_w"),
        pattern=True,
        counter=lambda site: PowerFactor(own.least, 0.25 * site.unit.compressor_rla_a),
    )
    return AddedFinding(
        row,
        own.hold_s,
        causes=(cause("run-capacitor", 6), cause("compressor-not-pumping", 2)),
        base={"supply": "on", "compressor_a": "running"},
        text=FindingText(
            headline="The compressor draws more current than it should for its power.",
            means="It cools as before. Often its run capacitor is getting weak.",
            do="Have it looked at on the next visit.",
            look=("sound",),
            avoid=("cabinet", "capacitor"),
            tell="Low power factor of the running compressor: measure the run capacitor.",
        ),
        lock=LockText(
            "Cooling works.", "For the next visit: check the run capacitor.", "The compressor runs as before."
        ),
    )


FINDING = FindingPlugin(FactorSettings, _finding)
