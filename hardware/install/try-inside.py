"""What try-system-inside.sh asks Python for, run with the program's own libraries.

- `rate BUS COUNT`: how fast the shipped driver reads a converter here
- `watch [no-page]`: say what the broker is told, and what the page then says, until ended; a page whose headline has
  changed is sent out of the machine (PAGES). Makes the file HEARD when the broker has a reading of the bus; without a
  page, a line on ASKED has it say, under that title, what the running monitor says: findings, and why readings are
  missing
- `reads NAME LOW HIGH SECONDS`: whether the running monitor's last reading comes to lie there by then (exit status)
- `recorded FINDING`: whether the history on the card has it as raised (exit status)
- `kept SECONDS`: whether the running monitor by then goes on with the history of tests/monitor/history-0.1.0.sql (exit
  status)
"""

# ruff: noqa: PLC0415  # each command imports only what it needs: under emulation an import takes seconds

from __future__ import annotations

import html
import json
import os
import re
import sys
import time
from pathlib import Path
from statistics import median
from typing import Any
from urllib.request import urlopen

HEARD = Path("/run/condenser-monitor/heard")
ASKED = Path("/run/condenser-monitor/asked")
# a folder, or what leads out of the machine: there a line for each page, its title and its HTML, as JSON
PAGES = Path(os.environ.get("TRY_PAGES", "/dev/virtio-ports/pages"))
ASK_AGAIN = 4  # times; the page is some seconds behind the broker
HISTORY = "/var/lib/condenser-monitor/condenser-monitor.db"


def rate(bus: int, count: int) -> None:
    """Read the first converter as a burst does, without pauses."""
    from adafruit_ads1x15.ads1x15 import Mode
    from adafruit_extended_bus import ExtendedI2C

    from condenser_monitor.hardware.analog import Converter

    driver = Converter(ExtendedI2C(bus), 0x48, time.monotonic, time.sleep).ready(4.096)
    driver.read(4)
    driver.mode = Mode.CONTINUOUS
    driver.get_last_result(False)
    took = []
    for _ in range(count):
        began_s = time.monotonic()
        driver.get_last_result(True)
        took.append((time.monotonic() - began_s) * 1000)
    took.sort()
    most = took[int(0.95 * count)]
    print(
        f"{1000 * count / sum(took):.0f} reads a second; median {median(took):.2f} ms, 95 of 100 within {most:.2f} ms"
    )


def fetched(path: str) -> str:
    """What the page answers there."""
    with urlopen(f"http://127.0.0.1:8124{path}", timeout=60) as answer:
        text: str = answer.read().decode()
    return text


def headline(page: str) -> str:
    """The first heading of the page."""
    found = re.search(r"<h1[^>]*>(.*?)</h1>", page, re.DOTALL)
    return "" if found is None else html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", found[1]))).strip()


class Shown:
    """The page as a person sees it: its headline where that has changed, and itself, sent out in one piece."""

    def __init__(self) -> None:
        self._last = self._style = ""
        self._count = 0

    def look(self, title: str) -> bool:
        """Whether the headline is another now than when this was last asked."""
        page = fetched("/")
        now = headline(page)
        if now == self._last:
            return False
        self._last = now
        print(f"TRY page {now}", flush=True)
        self._count += 1
        page = self._in_one_piece(page)
        if PAGES.is_dir():
            (PAGES / f"{self._count}-{title}.html").write_text(page, encoding="utf-8")
        else:
            with PAGES.open("a", encoding="utf-8") as out:
                out.write(json.dumps([title, page]) + "\n")
        return True

    def _in_one_piece(self, page: str) -> str:
        """With its style inside and without its scripts, which ask the machine for what is new."""
        link = re.search(r'<link rel="stylesheet" href="([^"]+)">', page)
        if link is None:
            return page
        self._style = self._style or fetched(html.unescape(link[1]))
        page = page.replace(link[0], f"<style>{self._style}</style>")
        return re.sub(r"<script src=[^>]*></script>", "", page)


def title_of(news: list[str]) -> str:
    """What a page is named after: the last finding raised among the news, or the last of them."""
    return next((one for one in reversed(news) if one.endswith("-raised")), news[-1])


def watch(*, page: bool) -> None:
    """`TRY told CHANGE FINDING SUSPECTS` for each change of a finding; `TRY page SENTENCE` where the page's changed."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    news: list[str] = []

    def joined(client: Any, *_: Any) -> None:
        client.subscribe([("condenser/v1/+/events", 1), ("condenser/v1/+/readings", 0)])

    def heard(_client: Any, _data: Any, message: Any) -> None:
        body = json.loads(message.payload)
        if message.topic.endswith("/readings"):  # RFC 8428
            if any(row.get("n", "").endswith("outdoor_c") for row in body) and not HEARD.exists():
                print("TRY ok the broker has a reading of the bus", flush=True)
                HEARD.touch()
        elif body.get("kind") == "change":
            suspects = ",".join(body["suspects"][:3]) or "-"
            print(f"TRY told {body['change']} {body['finding']} {suspects}", flush=True)
            news.append(f"{body['finding']}-{body['change']}")

    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = heard
    client.on_connect = joined
    client.connect("127.0.0.1")
    client.loop_start()
    if not page:
        while True:
            with ASKED.open() as asked:  # until who asks has closed it
                for title in asked:
                    says(title.strip())
    shown = Shown()
    shown.look("before")
    while True:
        time.sleep(1)
        title, left = (title_of(news), ASK_AGAIN) if news else ("", 0)
        news.clear()
        while left and not news and not shown.look(title):
            left -= 1
            time.sleep(1)


def status() -> Any:
    """What the running monitor last wrote, and how it does itself."""
    from condenser_monitor.monitor.storage.history import History

    with History(HISTORY) as history:
        return history.status(), history.health()


def reads(name: str, low: float, high: float, within_s: float) -> bool:
    """Whether the running monitor's last reading comes to lie there in time; False counts as 0, True as 1."""
    until_s = time.monotonic() + within_s
    while True:
        seen, _ = status()
        value = None if seen is None else seen.readings.get(name)
        if value is not None and low <= value <= high:
            return True
        if time.monotonic() > until_s:
            print(f"{name} is {value}", flush=True)
            return False
        time.sleep(1)


def says(title: str) -> None:
    """One line for the matrix."""
    seen, health = status()
    if seen is None:
        from condenser_monitor.monitor.storage.status_cache import live_path

        live = live_path(Path(HISTORY), "")
        print("no status in", live, sorted(live.parent.glob("*")), sorted(Path(HISTORY).parent.glob("*")), flush=True)
    found = [f"{one.name}: {one.summary}" for one in seen.findings] if seen else ["nothing yet"]
    why = sorted({*health.faults.values(), *health.notes.values(), health.disk_error} - {""})
    why += [f"own fault in {fault.part}: {fault.error}" for fault in health.own_faults]
    print("TRY says", title, "|", "; ".join(found) or "no finding", "|", "; ".join(why) or "no fault", flush=True)


def recorded(finding: str) -> bool:
    """Whether the history on the card has it as raised."""
    from condenser_monitor.monitor.core.records import Change
    from condenser_monitor.monitor.storage.history import History

    with History(HISTORY) as history:
        bodies = [kept.body for kept in history.latest_events(1000)]
    changes = [body.change.value for body in bodies if isinstance(body, Change) and body.finding == finding]
    print(f"{finding}: {', '.join(changes) or 'not there'}", flush=True)
    return "raised" in changes


def kept(within_s: float) -> bool:
    """Whether events, cycles and meter reading are those of the release before, and the history is written to, in
    time."""
    from condenser_monitor.monitor.storage.history import History

    until_s = time.monotonic() + within_s
    while True:
        with History(HISTORY) as history:
            typed = [reading.typed for reading in history.meter_readings()]
            age_s = history.health().status_age_s
            cycles = history.cycles(0.0, 1_784_060_000.0)
            told = {event.id for event in history.latest_events(1000)}
        there = len(cycles) == 3 and "x76080ac8-7" in told and typed == ["25.1 V"]
        alive = age_s is not None and age_s < 30
        if (there and alive) or time.monotonic() > until_s:
            print(f"{len(cycles)} cycles, {len(told)} events, typed {typed}, status {age_s} s old", flush=True)
            return there and alive
        time.sleep(1)


def main() -> int:
    """Do what the arguments say."""
    match sys.argv[1:]:
        case ["rate", bus, count]:
            rate(int(bus), int(count))
        case ["watch"]:
            watch(page=True)
        case ["watch", "no-page"]:
            watch(page=False)
        case ["reads", name, low, high, within_s]:
            return not reads(name, float(low), float(high), float(within_s))
        case ["recorded", finding]:
            return not recorded(finding)
        case ["kept", within_s]:
            return not kept(float(within_s))
        case _:
            print(__doc__)
            return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
