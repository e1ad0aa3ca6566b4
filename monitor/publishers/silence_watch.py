"""Who has gone silent: the dead man's switch, apart from the monitor itself. Pure.

A monitor without power, or without a network, cannot say so. Somebody else must: the office, or a second Pi in the
house. Each site is heard of now and then; after half an hour of silence its household is told, once, and again when it
is back, with from when to when. Neighbours that fell silent together are one outage, and are told so.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.phone import SILENCE
from condenser_monitor.monitor.strings.translate import Reader, one_stop, reading, translator

_N = limits.SILENCE


class WatchedSite(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One site to be listened for. `area` joins neighbours; `page` is asked as well as the broker, if given."""

    id: str
    name: str = ""
    area: str = ""
    urls: tuple[str, ...] = ()
    page: str = ""
    language: str = "en"


class Heard(msgspec.Struct, kw_only=True):
    """What is known of one site: when it was last heard of, and whether its household was told of its silence."""

    last_wall_s: float
    notified: bool = msgspec.field(default=False, name="told")


class SilenceMemory(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What outlives a restart. `down_wall_s`: since when the watchdog itself has not been able to hear anybody."""

    version: int = 1
    heard: dict[str, Heard] = {}
    tick_wall_s: float | None = None


class SilenceNotice(NamedTuple):
    """A message for the household of one site."""

    site: WatchedSite
    message: PhoneMessage
    back: bool


class SilenceWatch:
    """Listens for some sites. `zone` is the local zone of the households, None the machine's own; after `after_s` of
    silence a household is told."""

    def __init__(
        self,
        sites: Sequence[WatchedSite],
        memory: SilenceMemory | None = None,
        *,
        zone: tzinfo | None = None,
        after_s: float = _N.after_s.value,
    ) -> None:
        self.sites = {site.id: site for site in sites}
        self.memory = memory or SilenceMemory()
        self._zone, self._after_s = zone, after_s

    def due(self, alive: Iterable[str], now_wall_s: float) -> list[SilenceNotice]:
        """Return who is to be told now. `alive` are the sites heard of at this moment.

        A watchdog that was off itself has heard nobody meanwhile, which is no silence of theirs: the time is taken off.
        """
        last_s, self.memory.tick_wall_s = self.memory.tick_wall_s, now_wall_s
        if last_s is not None and not 0 <= now_wall_s - last_s <= _N.own_gap_s.value:
            for known in self.memory.heard.values():
                known.last_wall_s += 0.0 if known.notified else now_wall_s - last_s
        living = set(alive)
        notices = [self._back(site, now_wall_s) for site in self.sites if site in living and self._notified(site)]
        for site in self.sites:
            if site in living:
                self.memory.heard[site] = Heard(last_wall_s=now_wall_s, notified=self._notified(site))
            else:
                self.memory.heard.setdefault(site, Heard(last_wall_s=now_wall_s))
        silent = [site for site in self.sites if site not in living and not self._notified(site)]
        return notices + [
            self._gone(site, silent, now_wall_s) for site in silent if self._age_s(site, now_wall_s) >= self._after_s
        ]

    def sent(self, notices: Iterable[SilenceNotice]) -> None:
        """These messages have been taken (or go to nobody)."""
        for site, _, back in notices:
            self.memory.heard[site.id].notified = not back

    def _notified(self, site: str) -> bool:
        known = self.memory.heard.get(site)
        return known is not None and known.notified

    def _age_s(self, site: str, now_wall_s: float) -> float:
        return now_wall_s - self.memory.heard[site].last_wall_s

    def _gone(self, name: str, silent: Sequence[str], now_wall_s: float) -> SilenceNotice:
        site, since_s = self.sites[name], self.memory.heard[name].last_wall_s
        told = [one for one, known in self.memory.heard.items() if known.notified]
        together = [
            one
            for one in {*silent, *told}
            if site.area
            and self.sites[one].area == site.area
            and abs(self.memory.heard[one].last_wall_s - since_s) <= _N.together_s.value
        ]
        key = "area" if len(together) > 1 else "gone"
        return self._notice(site, key, since_s, now_wall_s, count=len(together), area=site.area)

    def _back(self, name: str, now_wall_s: float) -> SilenceNotice:
        return self._notice(self.sites[name], "back", self.memory.heard[name].last_wall_s, now_wall_s)

    def _notice(self, site: WatchedSite, key: str, since_s: float, now_s: float, **values: object) -> SilenceNotice:
        text = translator(site.language)
        with reading(Reader(site.language)):
            body = text(SILENCE[key]).format(
                since=time_format.moment(since_s, now_s, self._zone),
                now=time_format.moment(now_s, now_s, self._zone),
                span=texts.span(now_s - since_s),
                **values,
            )
        title = f"{site.name or site.id}: {text(SILENCE[f'{key}-title'])}"
        level = "success" if key == "back" else "warning"
        return SilenceNotice(site, PhoneMessage(title, one_stop(body), level), key == "back")
