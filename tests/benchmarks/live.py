"""The live monitor: processor time for each monitored second, memory, and the way of an alert to a subscriber."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from adafruit_ads1x15.ads1x15 import Mode
from adafruit_ads1x15.ads1115 import ADS1115
from paho.mqtt.enums import CallbackAPIVersion

from condenser_monitor.hardware.boards import BIAS_MUX
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.publishers.broker import BrokerPublisher
from condenser_monitor.monitor.publishers.messages import topic
from condenser_monitor.monitor.service.run_loop import Service, ServiceWatchdog
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.sim.broker import PrivateBroker
from tests.benchmarks.table import Row, cost, took_each_s
from tests.monitor.edge_tools import ReplayBoards
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
    Readings,
    but,
)
from tests.simulation.plant import ADDRESSES, Plant

SECONDS = 60
DEAF = but(RUN, load=False, compressor_a=0.0, fan_a=0.0, coil_a=0.0)
_MUXES = [
    (row.address, row.mux)
    for row in CHANNELS.values()
    if row.kind in ("current", "voltage") and row.address in ADDRESSES
]


# ---------------------------------------------------------------- processor


def service_on(plant: Plant, folder: Path, publishers: tuple[Any, ...] = ()) -> Service:
    """The shipped service over the shipped drivers on the plant's wires, at the default scan rate."""
    keep = config.HistorySettings(file=str(folder / "h.db"), live_dir=str(folder / "live"))
    settings = config.Settings(unit=UNIT, senses=config.SensorSettings(fitted=ALL), history=keep)
    wall = lambda: 1_784_000_000.0 + plant.clock()  # noqa: E731 - two lines more would say no more
    history = History(keep.file, owner=True, keep=keep, clock=plant.clock, wall=wall)
    boards = plant.boards(settings, wall)
    return Service(settings, boards, history, publishers, clock=plant.clock, wall=wall, watchdog=ServiceWatchdog(""))


def driver_loop(plant: Plant) -> Callable[[], None]:
    """What a scan asks of the bus and no more: the driver reads as many conversions and does nothing with them."""
    drivers = {address: ADS1115(plant.bus, data_rate=860, address=address) for address in ADDRESSES}
    pause_s = limits.ADC_READ_RATIO.value / limits.ADC_RATE_HZ.value
    reads = int(limits.BURST_S.value / pause_s)

    def loop() -> None:
        for _ in range(SECONDS):
            began_s = plant.clock()
            for driver in drivers.values():
                driver.mode = Mode.SINGLE
                driver.read(BIAS_MUX)
            for address, mux in _MUXES:
                driver = drivers[address or 0]
                driver.mode = Mode.SINGLE
                driver.read(mux or 0)
                driver.mode = Mode.CONTINUOUS
                for _ in range(reads):
                    plant.sleep(pause_s)
                    driver.get_last_result(True)
            plant.sleep(began_s + 1.0 - plant.clock())

    return loop


def processor(folder: Path) -> list[Row]:
    """ms of processor for each monitored second, at rest and running."""
    found = []
    for name, readings in (("at rest", REST), ("running", RUN)):
        plant, bare = Plant(1), Plant(1)
        plant.show(readings)
        bare.show(readings)
        service = service_on(plant, folder / name)
        service.run(steps=5)
        live_s, bare_s = took_each_s((lambda: service.run(steps=SECONDS), driver_loop(bare)))  # noqa: B023
        service.close()
        floor = ("no-op loop over the driver", 1000 * bare_s / SECONDS)
        share = 0.1 * 1000 * live_s / SECONDS
        what = f"one second {name}, bus and chips simulated"
        found.append(cost(what, 1000 * live_s / SECONDS, "ms", floor, f"10 ms, 1 % of a core; is {share:.2f} %"))
        own = 1000 * (live_s - bare_s) / SECONDS
        found.append(cost("  of it beyond that loop", own, "ms", floor))
    return found


# ---------------------------------------------------------------- memory

_PROGRAMS = {
    "bare Python": "",
    "monitor, drivers, broker's client": """
from pathlib import Path
from tests.benchmarks.live import *
plant = Plant(1); plant.show(RUN)
service = service_on(plant, Path(folder), ())
import condenser_monitor.monitor.publishers.broker
service.run(steps=120)
""",
}
_PAGE = """
from condenser_monitor.web.app import create_app
import waitress
page = create_app(service.history, service.settings)
client = page.test_client()
assert all(client.get(path).status_code == 200 for path in ("/", "/alerts", "/history", "/cycles", "/health"))
"""
_RSS = "\nprint(int(open('/proc/self/statm').read().split()[1]))"


def memory(folder: Path) -> list[Row]:
    """Resident memory of processes of their own, MB."""
    programs = dict(_PROGRAMS)
    programs["the same with the page"] = programs["monitor, drivers, broker's client"] + _PAGE
    sizes = {}
    for name, program in programs.items():
        text = f"folder = {str(folder / name)!r}\n{program}{_RSS}"
        ran = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True, timeout=120)
        sizes[name] = int(ran.stdout.split()[-1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    floor = ("bare Python", sizes.pop("bare Python"))
    return [cost(f"resident memory: {name}", size, "MB", floor) for name, size in sizes.items()]


# ---------------------------------------------------------------- the way of an alert


class Ear:
    """A subscriber of paho; `wait` gives the moment at which a message came."""

    def __init__(self, port: int, name: str) -> None:
        self._came, self._ready = threading.Event(), threading.Event()
        self._at_s = 0.0
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_message = self._take
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(name, 1)
        self._client.loop_start()
        assert self._ready.wait(10)

    def _take(self, *_: object) -> None:
        self._at_s = time.perf_counter()
        self._came.set()

    def wait(self) -> float:
        """The moment of the next message."""
        assert self._came.wait(10)
        self._came.clear()
        return self._at_s

    def close(self) -> None:
        """Go."""
        self._client.disconnect()
        self._client.loop_stop()


def alert_delay(folder: Path, turns: int = 15) -> list[Row]:
    """ms from the scan that shows a fault to the message at a subscriber; median and longest."""
    with PrivateBroker() as broker:
        floor_ms = statistics.median(_round_trips(broker.port, turns))
        found = sorted(_alerts(broker.port, folder, turns))
    floor = ("publish to subscriber by the broker", floor_ms)
    return [
        cost("scan to alert at a subscriber, median", statistics.median(found), "ms", floor),
        cost("scan to alert at a subscriber, longest", found[-1], "ms", floor),
    ]


def _round_trips(port: int, turns: int) -> list[float]:
    ear = Ear(port, "bench/x")
    speaker = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    speaker.connect("127.0.0.1", port)
    speaker.loop_start()
    found = []
    for _ in range(turns):
        began_s = time.perf_counter()
        speaker.publish("bench/x", b"x" * 300, qos=1)
        found.append(1000 * (ear.wait() - began_s))
        time.sleep(0.05)
    speaker.disconnect()
    speaker.loop_stop()
    ear.close()
    return found


def _alerts(port: int, folder: Path, turns: int) -> list[float]:
    keep = config.HistorySettings(file=str(folder / "a.db"), live_dir=str(folder / "live"))
    mqtt = config.Mqtt(host="127.0.0.1", port=port)
    settings = config.Settings(unit=UNIT, senses=config.SensorSettings(fitted=ALL), history=keep, mqtt=mqtt)
    history = History(keep.file, owner=True, keep=keep)
    pending: list[Scan] = []
    boards = ReplayBoards(iter(pending.pop, None))
    service = Service(settings, boards, history, [BrokerPublisher(settings)], watchdog=ServiceWatchdog(""))
    ear = Ear(port, topic(settings.site.id, "events"))
    now_s, found = 0.0, []

    def scan(readings: Readings) -> bool:
        nonlocal now_s
        now_s += 1.0
        pending.append(Scan(t_s=now_s, **readings))
        before = len(history.latest_events(1000))
        service.step()
        return len(history.latest_events(1000)) > before

    online = Ear(port, topic(settings.site.id, "availability"))
    scan(REST)
    online.wait()  # an alert in the moments before the broker has answered waits for the broker
    online.close()
    for turn in range(turns):
        while scan(REST):
            pass
        for _ in range(20):
            scan(REST)
        time.sleep(0.3 + 0.037 * turn)  # not in step with the publisher's own turns
        _drain(ear)
        began_s = time.perf_counter()
        while not scan(DEAF):
            began_s = time.perf_counter()
        found.append(1000 * (ear.wait() - began_s))
    service.close()
    ear.close()
    return found


def _drain(ear: Ear) -> None:
    ear._came.clear()
