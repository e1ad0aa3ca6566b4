"""What each finding means for the house: the ladder by which people are told that something got worse."""

from __future__ import annotations

from enum import IntEnum

from condenser_monitor.monitor.core.findings import ROWS
from condenser_monitor.monitor.core.records import Severity


class Cooling(IntEnum):
    """What a finding means for the house. Higher is worse."""

    UNKNOWN = 0  # the finding says nothing of it
    WORKS = 1
    POOR = 2  # it cools, but badly or not for long
    DAMAGE = 3  # it cools or not, and something is being damaged
    NONE = 4


# What a finding means is what its severity says, but for these.
_OTHERWISE: dict[str, Cooling] = {
    "fan-not-running": Cooling.DAMAGE,
    "overload-cycling": Cooling.DAMAGE,
    "contacts-stuck-closed": Cooling.DAMAGE,
    "contactor-chatter": Cooling.DAMAGE,
    "long-run": Cooling.POOR,
    "no-call-in-heat": Cooling.UNKNOWN,
    "sensing-disagrees": Cooling.UNKNOWN,
    "sensor-silent": Cooling.UNKNOWN,
    "high-line-voltage": Cooling.WORKS,
    "run-capacitor-weak": Cooling.WORKS,
    "call-without-thermostat": Cooling.WORKS,
    "overdue-call": Cooling.NONE,
}
_BY_SEVERITY = {Severity.URGENT: Cooling.NONE, Severity.SOON: Cooling.POOR, Severity.WATCH: Cooling.WORKS}
COOLING: dict[str, Cooling] = {row.name: _OTHERWISE.get(row.name, _BY_SEVERITY[row.severity]) for row in ROWS}


def cooling(finding: str) -> Cooling:
    """Return what a finding means for the house; one that this program does not know counts as damage."""
    return COOLING.get(finding, Cooling.DAMAGE)
