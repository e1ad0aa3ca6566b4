"""What every view needs: the history, the settings, and whether what it says is fresh enough to be believed."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import NamedTuple

from flask import current_app, request

from condenser_monitor.monitor.core.config import Settings, Site
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.core.records import Offer, UnitStatus
from condenser_monitor.monitor.page_settings import PageSettings, StoredSettings
from condenser_monitor.monitor.report.share import Shares
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.calm import Calm, calm
from condenser_monitor.monitor.strings.translate import LANGUAGES, Reader
from condenser_monitor.web.access import Access
from condenser_monitor.web.headline import Headline, headline

SCALE_COOKIE, LANGUAGE_COOKIE = "temperature", "language"


class PageSnapshot(NamedTuple):
    """The status as the page may show it, and whether all is well. `blind`: it is too old, or there is none."""

    status: UnitStatus | None
    age_s: float | None
    blind: bool
    calm: Calm


class PageContext:
    """One unit's page. `wall` gives seconds since 1970."""

    def __init__(self, history: History, settings: Settings, access: Access, wall: Callable[[], float]) -> None:
        self.history, self.access, self.wall = history, access, wall
        self.site_file, self.page_settings = settings, PageSettings(history.path)
        self._in_force: tuple[object, Settings, tuple[str, ...]] | None = None
        self.day: tuple[object, str] | None = (
            None  # the picture of the last day as last drawn, and what it was drawn from
        )
        self.shares = Shares(history.path)
        self.reporting = threading.Lock()  # one report is made at a time: a Pi has other work

    @property
    def settings(self) -> Settings:
        """The settings in force: of the site file, and over them those made here, by whichever process."""
        return self._settings()[1]

    def setup_wanted(self) -> bool:
        """Whether nobody has told yet what unit this is: neither the site file nor a finished set-up."""
        named = self.settings.site.name != Site().name
        return self.site_file.web.setup and not named and not self.stored_settings().steps

    def setting_problems(self) -> tuple[str, ...]:
        """Why settings made here are not in force."""
        return self._settings()[2]

    def stored_settings(self) -> StoredSettings:
        """What was set here, steps done and changes; empty where the file cannot be used (`setting_problems`)."""
        try:
            return self.page_settings.stored()
        except SiteError:
            return StoredSettings()

    def _settings(self) -> tuple[object, Settings, tuple[str, ...]]:
        found, stamp = self._in_force, self.page_settings.stamp()
        if found is None or found[0] != stamp:
            found = self._in_force = (stamp, *self.page_settings.over(self.site_file))
        return found

    def look(self) -> PageSnapshot:
        """The status, how old it is, and whether it is too old."""
        status, age_s = self.history.status(), self.history.status_age_s()
        blind = status is None or age_s is None or age_s > self.settings.stale_s
        return PageSnapshot(status, age_s, blind, calm(status, stale=blind, faults=self.history.fault_count()))

    def offers(self, status: UnitStatus | None) -> tuple[Offer, ...]:
        """What the unit seems to do by design and nobody has answered yet; the monitor may not have heard of it."""
        unit = self.settings.unit
        return tuple(
            offer
            for offer in (() if status is None else status.offers)
            if offer.name not in unit.not_by_design and getattr(unit, offer.setting.partition(".")[2]) != offer.value
        )

    def saying(self, seen: PageSnapshot) -> Headline:
        """The first sentence for what is seen."""
        age = texts.WORDS["time-unknown"] if seen.age_s is None else texts.span(seen.age_s)
        wall_s = None if seen.status is None else seen.status.wall_s
        when = time_format.moment(wall_s, self.wall())
        stopped = seen.blind and any(one.explains_blindness(self.wall()) for one in self.history.own_faults())
        return headline(seen.status, seen.calm, age=age, when=when, unit=self.settings.unit, stopped=stopped)

    def reader(self) -> Reader:
        """Who reads: the language chosen on this device, else the settings', else the browser's."""
        chosen = request.cookies.get(LANGUAGE_COOKIE, "")
        language = chosen if chosen in LANGUAGES else self.settings.web.language
        if language == "auto":
            language = request.accept_languages.best_match(LANGUAGES) or LANGUAGES[0]
        return Reader(language, self.settings.web.clock, self.scale())

    def scale(self) -> str:
        """The reader's scale of temperature: the cookie's, else the site file's."""
        chosen = request.cookies.get(SCALE_COOKIE, "")
        return chosen if chosen in ("F", "C") else self.settings.web.temperature


def page_context() -> PageContext:
    """The window of the app that answers this request."""
    found = current_app.extensions["window"]
    assert isinstance(found, PageContext)
    return found
