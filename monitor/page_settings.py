"""(edge) Settings that people make on the page: a private file of its own beside the history, laid over the site file.

The owner's site file is never written. Every value is held to the bounds of a site file before it is kept, and again
when it is read: one that no longer fits (the site file has changed) is left out, said, and the monitor goes on.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.config import Settings, checked, convert_tables
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.core.untrusted_input import WallSeconds
from condenser_monitor.monitor.private_file import read_private, write_private

_log = logging.getLogger(__name__)
_ALLOWED = "the page's settings, as it wrote them"
# What may be set on the page; where it listens, what it keeps and how boards hang on the Pi stay with the site file.
SETTABLE: dict[str, frozenset[str]] = {
    "site": frozenset({"name", "id"}),
    "unit": frozenset(name for name in Settings().unit.__struct_fields__ if name != "profile"),
    "senses": frozenset({"fitted"}),
    "mqtt": frozenset({"host", "port", "username", "password_file", "tls", "version", "discovery"}),
    "notify": frozenset({"urls", "least", "quiet_from", "quiet_to", "language", "page_url", "proof_of_life"})
    | {"contractor_name", "contractor_phone"},
    "web": frozenset({"temperature", "language", "clock"}),
}
SECRET = frozenset({"notify.urls", "mqtt.password_file"})  # not told in the list of changes


class SettingChange(msgspec.Struct, frozen=True, kw_only=True):
    """Who changed what; `was` and `now` are empty for a secret."""

    wall_s: WallSeconds
    by: str
    key: str
    was: str = ""
    now: str = ""


class StoredSettings(msgspec.Struct, frozen=True, kw_only=True):
    """The file's content: values by table and key, the steps of the set-up that are done, and the newest changes."""

    tables: dict[str, dict[str, Any]] = {}
    steps: tuple[str, ...] = ()
    changes: tuple[SettingChange, ...] = ()


class PageSettings:
    """The settings file of the page that belongs to a history."""

    def __init__(self, history: Path) -> None:
        self.path = history.with_name(history.name + ".settings")
        self.password_path = history.with_name(history.name + ".broker-password")

    def stamp(self) -> tuple[int, int] | None:
        """Return what changes whenever the file does; None where there is none."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino

    def stored(self) -> StoredSettings:
        """Return the content; an empty one where there is no file. Raises SiteError for one that cannot be used."""
        if self.stamp() is None:
            return StoredSettings()
        data = read_private(self.path, SiteError, _ALLOWED)
        try:
            return untrusted_input.from_json(data, StoredSettings)
        except ValueError as error:
            raise SiteError(str(self.path), untrusted_input.why(error), _ALLOWED) from None

    def over(self, site: Settings) -> tuple[Settings, tuple[str, ...]]:
        """Return the settings in force, and why values of the page are not; `[web] setup = false` leaves out all."""
        if not site.web.setup:
            return site, ()
        try:
            tables = self.stored().tables
        except SiteError as error:
            _log.warning("%s", error)
            return site, (str(error),)
        problems: list[str] = []
        for table, values in tables.items():
            for one in (values, *({key: value} for key, value in values.items())):
                try:
                    site = _laid_over(site, table, one)
                except SiteError as error:
                    if len(one) == 1:
                        problems.append(str(error))
                        _log.warning("a setting of the page is not in force: %s", error)
                else:
                    if one is values:
                        break
        return site, tuple(dict.fromkeys(problems))

    def change(self, site: Settings, values: Mapping[str, Any], *, by: str, wall_s: float, step: str = "") -> None:
        """Keep new values, "table.key" each, after holding them to the bounds of the site file `site`.

        Raises SiteError naming the key that cannot be used, and keeps none then; or the file that cannot be written.
        """
        stored = self.stored()
        before, _ = self.over(site)
        after = before
        tables = {table: dict(kept) for table, kept in stored.tables.items()}
        for table in dict.fromkeys(key.partition(".")[0] for key in values):
            new = {key.partition(".")[2]: value for key, value in values.items() if key.startswith(f"{table}.")}
            after = _laid_over(after, table, new)
            tables.setdefault(table, {}).update(new)
        changes = [
            SettingChange(wall_s=wall_s, by=by, key=key, **_told(key, before, after))
            for key in values
            if _value(before, key) != _value(after, key)
        ]
        most = int(limits.WEB.changes_most.value)
        self._write(
            StoredSettings(
                tables=tables,
                steps=(*(one for one in stored.steps if one != step), *([step] if step else [])),
                changes=(*stored.changes, *changes)[-most:],
            )
        )

    def write_broker_password(self, password: str) -> str:
        """Keep the broker's password in a private file of its own; return the file's path."""
        self._put(self.password_path, password.encode())
        return str(self.password_path)

    def _write(self, stored: StoredSettings) -> None:
        self._put(self.path, msgspec.json.encode(stored))

    def _put(self, path: Path, data: bytes) -> None:
        try:
            write_private(path, data)
        except OSError as error:
            raise SiteError(str(path), untrusted_input.why(error), "a place that can be written") from None


class SettingsWatch:
    """Knows when the settings that a monitor runs with are no longer those in force. `site`: the site file's."""

    def __init__(self, site: Settings, running: Settings) -> None:
        self._site, self._running = site, running
        self._page = PageSettings(Path(site.history.file))
        self._stamp: object = running  # no file's: the first look compares

    def outdated(self) -> bool:
        """Return whether they have changed; how the page shows things is no matter to the monitor."""
        stamp = self._page.stamp()
        if stamp == self._stamp:
            return False
        self._stamp = stamp
        found, _ = self._page.over(self._site)
        return msgspec.structs.replace(found, web=self._running.web) != self._running


def _laid_over(site: Settings, table: str, values: Mapping[str, Any]) -> Settings:
    """Return settings with values of one table in place of its own. Raises SiteError."""
    for key in values:
        if key not in SETTABLE.get(table, ()):
            raise SiteError(f"page: {table}.{key}", "a key that the page does not set", "those of its forms")
    tables = msgspec.to_builtins(site)
    tables[table].update(values)
    return checked(convert_tables(tables, Settings, "page"), "page")


def _value(settings: Settings, key: str) -> Any:
    table, _, name = key.partition(".")
    return getattr(getattr(settings, table), name)


def _told(key: str, before: Settings, after: Settings) -> dict[str, str]:
    """Return both values as text, nothing of a secret."""
    if key in SECRET:
        return {}
    return {"was": _text(_value(before, key)), "now": _text(_value(after, key))}


def _text(value: Any) -> str:
    return ", ".join(value) if isinstance(value, tuple) else str(value)
