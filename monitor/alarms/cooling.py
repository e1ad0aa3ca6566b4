"""What each finding means for the house: the ladder by which people are told that something got worse."""

from __future__ import annotations

from enum import IntEnum


class Cooling(IntEnum):
    """What a finding means for the house. Higher is worse."""

    UNKNOWN = 0  # the finding says nothing of it
    WORKS = 1
    POOR = 2  # it cools, but badly or not for long
    DAMAGE = 3  # it cools or not, and something is being damaged
    NONE = 4


COOLING: dict[str, Cooling] = {
    "call-without-pull-in": Cooling.NONE,
    "call-without-run": Cooling.NONE,
    "pull-in-without-run": Cooling.NONE,
    "compressor-not-running": Cooling.NONE,
    "fan-not-running": Cooling.DAMAGE,
    "locked-rotor": Cooling.NONE,
    "overload-cycling": Cooling.DAMAGE,
    "contacts-stuck-closed": Cooling.DAMAGE,
    "contactor-chatter": Cooling.DAMAGE,
    "low-control-voltage": Cooling.POOR,
    "line-supply-lost": Cooling.NONE,
    "control-power-lost": Cooling.NONE,
    "call-not-reaching-unit": Cooling.NONE,
    "short-cycling": Cooling.POOR,
    "high-running-current": Cooling.POOR,
    "low-running-current": Cooling.POOR,
    "slow-start": Cooling.WORKS,
    "long-run": Cooling.POOR,
    "no-call-in-heat": Cooling.UNKNOWN,
    "sensing-disagrees": Cooling.UNKNOWN,
    "sensor-silent": Cooling.UNKNOWN,
    "low-line-voltage": Cooling.POOR,
    "high-line-voltage": Cooling.WORKS,
    "run-capacitor-weak": Cooling.WORKS,
    "not-cooling": Cooling.NONE,
    "low-split": Cooling.POOR,
    "high-split": Cooling.POOR,
    "call-without-thermostat": Cooling.WORKS,
    "overdue-call": Cooling.NONE,
}


def cooling(finding: str) -> Cooling:
    """Return what a finding means for the house; one that this program does not know counts as damage."""
    return COOLING.get(finding, Cooling.DAMAGE)
