"""Moments, temperatures and readings as people write them. Pure; `zone` None is the machine's own."""

from __future__ import annotations

from datetime import datetime, tzinfo

from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import stated
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.translate import reader

_DAYS = {
    "en": ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"],
    "es": ["lun", "mar", "mié", "jue", "vie", "sáb", "dom"],
}
_MONTHS = {
    "en": ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"],
    "es": ["ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sep", "oct", "nov", "dic"],
}
_HALVES = {"en": ("AM", "PM"), "es": ("a.\u00a0m.", "p.\u00a0m.")}  # never parted
_AHEAD_S = 60.0  # two clocks of one machine need not agree better


def local(wall_s: float, zone: tzinfo | None = None) -> datetime:
    """A moment in the zone."""
    return datetime.fromtimestamp(wall_s, zone).astimezone(zone)


def moment(wall_s: float | None, now_wall_s: float | None = None, zone: tzinfo | None = None) -> str:
    """A moment in words: the time alone for today, else with the day."""
    if wall_s is None:
        return texts.WORDS["time-unknown"]
    at = datetime.fromtimestamp(wall_s, zone)
    same = now_wall_s is not None and datetime.fromtimestamp(now_wall_s, zone).date() == at.date()
    return clock(at) if same else f"{_date(at)} {clock(at)}"


def clock(at: datetime, *, seconds: bool = False) -> str:
    """The time of day as the reader has it: '3:45 PM', '3:45 p. m.' (its halves never parted) or '15:45'."""
    rest = at.strftime(":%M:%S" if seconds else ":%M")
    if reader().clock == "24":
        return f"{at:%H}{rest}"
    return f"{at.hour % 12 or 12}{rest} {_HALVES[reader().language][at.hour // 12]}"


def _date(at: datetime, *, weekday: bool = True, year: bool = False) -> str:
    """The day: 'Sat Nov 28, 2026', or 'sáb 28 nov 2026' in Spanish."""
    spoken = reader().language
    day, month = _DAYS[spoken][at.weekday()], _MONTHS[spoken][at.month - 1]
    if spoken == "es":
        return f"{day} " * weekday + f"{at.day} {month}" + f" {at.year}" * year
    return f"{day} " * weekday + f"{month} {at.day}" + f", {at.year}" * year


def iso(wall_s: float, zone: tzinfo | None = None) -> str:
    """RFC 3339, to the second."""
    return local(wall_s, zone).isoformat(timespec="seconds")


def ago(wall_s: float | None, now_wall_s: float) -> str:
    """How long ago, in words; empty when not known, and for what lies ahead."""
    known = wall_s is not None and wall_s <= now_wall_s + _AHEAD_S
    return texts.WORDS["ago"].format(span=texts.span(now_wall_s - wall_s)) if known and wall_s is not None else ""


def day(wall_s: float, zone: tzinfo | None = None) -> str:
    """The day of a moment: 'Tue Jul 14, 2026'."""
    return _date(local(wall_s, zone), year=True)


def short_day(wall_s: float, zone: tzinfo | None = None) -> str:
    """The day of a moment, for an axis: 'Jul 14'."""
    return _date(local(wall_s, zone), weekday=False)


def named_day(date: str) -> str:
    """A local date as it is kept, '2026-07-14', as people say it: 'Tue Jul 14'; a text that is no date stays."""
    try:
        return _date(datetime.fromisoformat(date))
    except ValueError:
        return date


def midnight(wall_s: float, zone: tzinfo | None = None) -> float:
    """The local midnight before a moment."""
    # Made again from the date: the offset at midnight is not always that of later in the day.
    date = local(wall_s, zone).date()
    naive = datetime(date.year, date.month, date.day)
    return (naive if zone is None else naive.replace(tzinfo=zone)).timestamp()


def degrees(celsius: float, scale: str) -> str:
    """A temperature in the reader's scale, "F" or "C"."""
    return f"{celsius * 9 / 5 + 32:.0f} °F" if scale == "F" else f"{celsius:.1f} °C"


def change(ratio: float) -> str:
    """By how much something has changed, in whole percent with its sign: "+12 %"; "0 %" where that is none."""
    percent = round((ratio - 1) * 100)
    return f"{percent:+d} %" if percent else "0 %"


def reading(name: str, value: float | bool | None, scale: str, uncertainty: float | None = None) -> str:
    """A reading in words, a temperature in the reader's scale; with its uncertainty (k = 2, in the reading's own unit)
    where that is known. A missing one is said to be missing."""
    if value is None:
        return texts.WORDS["no-reading-now"]
    if uncertainty is None or isinstance(value, bool):
        return degrees(value, scale) if READINGS[name].unit == "°C" else texts.value_words(name, value)
    if READINGS[name].unit == "°C" and scale == "F":
        return stated(value * 9 / 5 + 32, uncertainty * 9 / 5, "°F")
    return stated(value, uncertainty, READINGS[name].unit)


_STEPS_S = (60, 300, 900, 1800, 3600, 2 * 3600, 3 * 3600, 6 * 3600, 12 * 3600, 86400, 2 * 86400, 7 * 86400, 30 * 86400)


def ticks(from_s: float, to_s: float, zone: tzinfo | None = None, *, most: int = 8) -> tuple[tuple[float, str], ...]:
    """Round local moments within a span, at most about `most`, with their words: an axis of time."""
    step = next((step for step in _STEPS_S if (to_s - from_s) / step <= most), _STEPS_S[-1])
    start_s = midnight(from_s, zone)
    first = start_s + -(-(from_s - start_s) // step) * step
    count = int((to_s - first) // step) + 1
    found = [first + at * step for at in range(max(0, count))]
    if step >= 86400:  # days of 23 and 25 hours: the midnight that is nearest
        found = [midnight(wall_s + 43200, zone) for wall_s in found]
    words = [_tick(wall_s, step, zone) for wall_s in found]
    if step < 3600 and reader().clock == "12":  # side by side: only the first of a half of the day says which it is
        halves = [local(wall_s, zone).hour // 12 for wall_s in found]
        same = [place > 0 and half == halves[place - 1] for place, half in enumerate(halves)]
        words = [_bare(wall_s, zone) if same[place] else words[place] for place, wall_s in enumerate(found)]
    return tuple(zip(found, words, strict=True))


def _bare(wall_s: float, zone: tzinfo | None) -> str:
    at = local(wall_s, zone)
    return f"{at.hour % 12 or 12}:{at:%M}"


def utc_offsets(from_s: float, to_s: float, zone: tzinfo | None = None) -> tuple[tuple[float, float], ...]:
    """Local time less UTC in a span, s, each with the moment from which it holds, to the hour of a clock's change."""
    first, last = (local(wall_s, zone).utcoffset() for wall_s in (from_s, to_s))
    if first is not None and first == last and to_s - from_s < 8 * 86400:
        return ((from_s, first.total_seconds()),)
    found: list[tuple[float, float]] = []
    at_s = from_s
    while at_s <= to_s:
        offset = local(at_s, zone).utcoffset()
        assert offset is not None
        if not found or found[-1][1] != offset.total_seconds():
            found.append((at_s, offset.total_seconds()))
        at_s = (at_s // 3600 + 1) * 3600
    return tuple(found)


def _tick(wall_s: float, step_s: float, zone: tzinfo | None) -> str:
    at = local(wall_s, zone)
    if step_s >= 86400:
        return _date(at, weekday=step_s < 7 * 86400)
    if (at.hour, at.minute) == (0, 0) and step_s >= 6 * 3600:
        return f"{_DAYS[reader().language][at.weekday()]} {at.day}"
    said = clock(at)
    return said.replace(":00", "", 1) if reader().clock == "12" and at.minute == 0 else said
