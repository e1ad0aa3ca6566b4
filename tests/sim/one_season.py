"""One unit of a design as it stands, for tests of seasons."""

from __future__ import annotations

from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.season import FIRST_DAY, UnitSeason
from condenser_monitor.sim.timeline import Planned


def one_unit(*, seed: int = 1, days: float, causes: tuple[Planned, ...] = ()) -> UnitSeason:
    """Return a sound three-ton unit, or one with `causes`, for `days` from the first day of a season."""
    return UnitSeason(
        site_id=f"unit-{seed:04d}",
        design=DESIGNS["three-ton"],
        seed=seed,
        days=days,
        first_day=FIRST_DAY,
        causes=causes,
        weather_file="",
    )
