"""(edge) The office's days: dates in its own time zone (`time_zone` in the fleet file), else the machine's."""

from __future__ import annotations

import os
import time
from datetime import date, datetime, timedelta


def use_zone(name: str) -> None:
    """Have this process reckon its local time in a zone of the tz database; "" leaves the machine's own."""
    if name:
        os.environ["TZ"] = name
        time.tzset()


def office_day(at: float) -> str:
    """Return the office's date of an instant, as `2026-07-14`."""
    return datetime.fromtimestamp(at).date().isoformat()


def begins_at(day: str) -> float:
    """Return the instant at which a day of the office begins."""
    return datetime.fromisoformat(day).timestamp()


def later(day: str, days: int) -> str:
    """Return the date so many days later."""
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()
