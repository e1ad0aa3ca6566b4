"""(edge) The dead man's switch at work: listens for sites on a broker and asks their pages; tells their households.

Runs in the office or on a second Pi, from a file of its own. What was told is kept beside that file, so that a restart
tells nobody twice.
"""

from __future__ import annotations

import contextlib
import json
import logging
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config, untrusted_input
from condenser_monitor.monitor.core.config import Mqtt
from condenser_monitor.monitor.core.errors import NotifyError, SiteError
from condenser_monitor.monitor.private_file import read_private, write_private
from condenser_monitor.monitor.publishers.messages import ONLINE, ROOT
from condenser_monitor.monitor.publishers.phone import Send, sender
from condenser_monitor.monitor.publishers.silence_watch import SilenceMemory, SilenceNotice, SilenceWatch, WatchedSite

_log = logging.getLogger(__name__)
_N = limits.SILENCE


class WatchdogSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The watchdog's file: where to listen, for whom, and after how many minutes of silence they are told."""

    mqtt: Mqtt = Mqtt()
    sites: tuple[WatchedSite, ...] = ()
    silent_min: float = _N.after_s.value / 60.0


def load(path: Path) -> WatchdogSettings:
    """Read the watchdog's file. Raises SiteError; addresses are secrets, so that others may not read it."""
    text = read_private(path, SiteError, "a readable TOML file, mode 600").decode("utf-8", "replace")
    settings = config.convert(text, WatchdogSettings, str(path))
    if not settings.sites:
        raise SiteError(f"{path}: sites", "none", "at least one table [[sites]] with an id")
    if not 1.0 <= settings.silent_min <= 1440.0:
        raise SiteError(f"{path}: silent_min", settings.silent_min, "1 to 1440 minutes")
    for number, site in enumerate(settings.sites):
        if not config.ID_PATTERN.fullmatch(site.id):
            raise SiteError(f"{path}: sites[{number}].id", site.id, "the id of a site, as in its site file")
        if not (settings.mqtt.host or site.page):
            raise SiteError(f"{path}: sites[{number}].page", "", "an address, as no [mqtt] host is set either")
    return settings


class SilenceWatchdog:
    """Looks once a while who is alive, and tells whom it concerns. `send_to` gives the sender of an address."""

    def __init__(
        self,
        settings: WatchdogSettings,
        memory_file: Path,
        *,
        wall: Callable[[], float] = time.time,
        send_to: Callable[[str], Send] = sender,
        ask: Callable[[str], bool] | None = None,
    ) -> None:
        self._settings, self._file, self._wall, self._send_to = settings, memory_file, wall, send_to
        self._ask = ask or page_is_alive
        self.watch = SilenceWatch(settings.sites, self._remembered(), after_s=settings.silent_min * 60.0)
        self._online: dict[str, bool] = {}
        self._client: paho.Client | None = None

    def _remembered(self) -> SilenceMemory:
        with contextlib.suppress(OSError, ValueError):
            data = untrusted_input.read_bytes(self._file, untrusted_input.KEPT_MOST)
            return untrusted_input.from_json(data, SilenceMemory)
        return SilenceMemory()

    def start(self) -> None:
        """Connect to the broker, if there is one; it is connected again by itself."""
        mqtt = self._settings.mqtt
        if not mqtt.host:
            return
        client = self._client = paho.Client(CallbackAPIVersion.VERSION2)
        if mqtt.username:
            password = ""
            if mqtt.password_file:
                password = read_private(mqtt.password_file, SiteError, "a readable file").decode().strip()
            client.username_pw_set(mqtt.username, password)
        if mqtt.tls:
            client.tls_set(ca_certs=mqtt.ca_file or None)
        client.on_connect = lambda client, *_: client.subscribe(f"{ROOT}/+/availability", qos=1)
        client.on_disconnect = lambda *_: self._online.clear()
        client.on_message = self._on_message
        client.connect_async(mqtt.host, mqtt.port, mqtt.keepalive_s)
        client.loop_start()

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        self._online[message.topic.split("/")[-2]] = message.payload == ONLINE.encode()

    def step(self) -> list[SilenceNotice]:
        """Look who is alive, tell whom it concerns; return what was sent. A service that fails is tried again."""
        online = dict(self._online)
        alive = {site.id for site in self._settings.sites if online.get(site.id) or self._page(site)}
        sent = []
        for notice in self.watch.due(alive, self._wall()):
            if self._notify(notice):
                sent.append(notice)
        self.watch.sent(sent)
        with contextlib.suppress(OSError):
            write_private(self._file, msgspec.json.encode(self.watch.memory))
        return sent

    def _page(self, site: WatchedSite) -> bool:
        return bool(site.page) and self._ask(site.page)

    def _notify(self, notice: SilenceNotice) -> bool:
        """Whether anybody has taken it; a household without an address is noted here, once."""
        _log.warning("%s %s", notice.message.title, notice.message.body)
        taken = not notice.site.urls
        for url in notice.site.urls:
            try:
                self._send_to(url)(notice.message)
                taken = True
            except NotifyError as error:
                _log.warning("%s: %s", notice.site.id, error)
        return taken

    def run(self, stop: Callable[[], bool]) -> None:
        """Go on until `stop` says so."""
        self.start()
        try:
            while not stop():
                self.step()
                time.sleep(_N.look_s.value)
        finally:
            if self._client is not None:
                self._client.loop_stop()
                self._client.disconnect()


def page_is_alive(page: str) -> bool:
    """Ask a monitor's page whether the monitor sees its unit; a page that does not answer is no sign of life."""
    address = page.rstrip("/") + "/alive"
    if not address.startswith(("http://", "https://")):
        return False
    try:
        with urllib.request.urlopen(address, timeout=_N.ask_s.value) as answer:  # noqa: S310 - checked above
            return bool(json.loads(answer.read(1000)).get("alive"))
    except (OSError, ValueError, AttributeError):
        return False
