"""Who comes first: the tables behind the morning list, and their order.

The order is plain and can be said in words: first who has no cooling at all, then damage under way; within these, the
higher sum of heat and of how hard heat is on somebody there; within that, who has waited longest. Pure.
"""

from __future__ import annotations

from typing import NamedTuple

from condenser_monitor.monitor.core.findings import CATALOGUE, Cooling, cooling
from condenser_monitor.monitor.limits import FLEET_HEAT_C

COOLING_WORDS = {
    Cooling.UNKNOWN: "not known",
    Cooling.WORKS: "cools",
    Cooling.POOR: "cools badly",
    Cooling.DAMAGE: "damage under way",
    Cooling.NONE: "no cooling",
}
# What the office found itself: a unit that stopped may not cool; a change is a thing to look at, and whether somebody
# is home a thing to ask.
STOPPED, NOT_RUN = "office-unit-stopped", "office-not-run"
_OFFICE = {
    STOPPED: Cooling.NONE,
    NOT_RUN: Cooling.UNKNOWN,
    "office-restarts": Cooling.POOR,
    "office-hours-up": Cooling.POOR,
    "office-starts-up": Cooling.POOR,
    "office-amps-up": Cooling.WORKS,
    "office-amps-down": Cooling.WORKS,
}
MEANS: dict[str, Cooling] = {**{name: cooling(name) for name in CATALOGUE}, **_OFFICE}


def means(finding: str) -> Cooling:
    """Return what a finding means for the house, a monitor's or the office's own."""
    return _OFFICE.get(finding, cooling(finding))


def cooling_words(finding: str) -> str:
    """Return the same in words."""
    return "probably no cooling" if finding == STOPPED else COOLING_WORDS[means(finding)]


NO_COOLING = tuple(name for name in CATALOGUE if cooling(name) is Cooling.NONE)


STAGES = (
    "Waiting for somebody",
    "A visit is booked",
    "Visited, and it still stands",
    "Lost their line supply together: a power cut, nothing to repair there as far as is known",
)
POWER_CUT = len(STAGES) - 1


class Vulnerable(NamedTuple):
    """One level of the note on who lives there: its weight beside the bands of heat, and its words."""

    weight: int
    words: str
    short: str


VULNERABILITY: dict[int, Vulnerable] = {
    0: Vulnerable(0, "nothing noted", ""),
    1: Vulnerable(2, "heat is hard on somebody here (old age, an infant, an illness)", "heat is hard"),
    2: Vulnerable(4, "somebody here is in danger without cooling (medical need)", "DANGER without cooling"),
}

# Bands of heat, by outdoor temperature alone: lower bound in °C, weight, words.
HEAT: tuple[tuple[float, int, str], ...] = tuple(
    (limit.value, weight, words)
    for weight, (limit, words) in enumerate(
        zip(FLEET_HEAT_C, ("no heat", "warm", "hot", "dangerous heat"), strict=True)
    )
)


def heat_weight(outdoor_c: float | None) -> int:
    """The band of a temperature; where it is not known, the middle one is assumed rather than none."""
    return 1 if outdoor_c is None else max(weight for low, weight, _ in HEAT if outdoor_c >= low or weight == 0)


def heat_words(outdoor_c: float | None) -> str:
    """The band in words."""
    return "heat not known" if outdoor_c is None else HEAT[heat_weight(outdoor_c)][2]
