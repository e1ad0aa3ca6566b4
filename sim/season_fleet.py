"""A season's units as sites of a fleet: enrolled with their nameplates and made-up people, their passwords kept beside
their histories."""

from __future__ import annotations

import time
from collections.abc import Iterable
from pathlib import Path

import msgspec

from condenser_monitor.monitor.core.config import Mqtt
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import commands, enroll
from condenser_monitor.monitor.fleet.days import later, office_day
from condenser_monitor.monitor.fleet.setup import FleetSettings
from condenser_monitor.monitor.private_file import write_private
from condenser_monitor.sim.season import UnitSeason

_WHO = "a simulated season"
TRIAL_UNITS, TRIAL_DAYS = 8, 14.0
TRIAL_SEED = 230  # two of these units do not cool, one is being damaged, one is to be booked, the others run
_STREETS = ("Alder Street", "Birch Lane", "Cedar Court")


def enroll_units(settings: FleetSettings, units: Iterable[UnitSeason], folder: str | Path) -> int:
    """Enrol each unit that has no SITE-ID.password in the folder yet, and write the broker's files once; how many.

    Raises CommandError for a unit that is enrolled already, with a password that is not here; DatabaseError.
    """
    store, place = commands.opened(settings), Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    count = 0
    for number, unit in enumerate(units):
        secret = place / f"{unit.site_id}.password"
        if secret.exists():
            continue
        about = {**household(number, time.time()), "unit": msgspec.to_builtins(unit.settings.unit)}
        try:
            made = enroll.enroll(store, unit.site_id, broker=settings.broker, by=_WHO, now=time.time(), **about)
        except CommandError as error:
            raise CommandError(str(secret), error.given, f"its password here, or {error.allowed}") from None
        write_private(secret, f"{made.password}\n".encode())
        count += 1
    if count:
        commands.broker_files(settings)
    return count


def household(number: int, now: float) -> dict[str, object]:
    """The made-up people of a unit, by its place in the season; telephone numbers are of the range kept for fiction."""
    street = f"{10 + 7 * number} {_STREETS[number % len(_STREETS)]}"
    due = later(office_day(now), 11 * number - 20) if number % 3 == 0 else None
    return {
        "name": street,
        "customer": f"Household {number + 1}",
        "address": f"{street}, Townley",
        "phone": f"555-{100 + number % 100:04d}",
        "plan": ("basic", "gold")[number % 2],
        "plan_visit_due": due,
        "vulnerability": 2 if number % 6 == 1 else 1 if number % 4 == 2 else 0,
    }


def broker_of(settings: FleetSettings) -> Mqtt:
    """Where the fleet's sites connect to; each by an account of its own."""
    broker = settings.broker
    return Mqtt(host=broker.host, port=broker.port, tls=broker.tls, ca_file=broker.ca_file)
