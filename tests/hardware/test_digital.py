"""Presence of voltage over gpiozero: bounce is not a change, chatter is, a lost event heals, sites keep apart."""

from __future__ import annotations

import gc
from itertools import pairwise

import pytest

from condenser_monitor.hardware.boards import channels
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.digital import Presence
from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import BoardSettings as Wiring
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import WiringError
from condenser_monitor.monitor.core.readings import FLAGS
from condenser_monitor.sim.bus import VirtualClock, drive, pin_factory
from tests.hardware.bench import BASIC, MOST_S, Bench, Wave

PINS = tuple(name for name in FLAGS if name in BASIC)


def test_low_is_present_and_a_broken_wire_absent() -> None:
    """The opto pulls the pin down; nothing connected leaves it to the pull-up."""
    factory, clock = pin_factory(), VirtualClock()
    presence = Presence("call", 17, factory, clock)
    assert presence.present is False
    drive(factory, 17, high=False)
    assert presence.present is True
    drive(factory, 17, high=True)
    assert presence.present is False


def test_bounce_of_a_closing_counts_once_from_its_last_edge() -> None:
    """Five bounces within 3 ms: one change, and only once it has stood."""
    factory, clock = pin_factory(), VirtualClock()
    presence = Presence("load", 22, factory, clock)
    for place in range(11):
        drive(factory, 22, high=bool(place % 2))
        clock.sleep(0.0003)
    assert presence.drain_edges() == []
    clock.sleep(limits.DEBOUNCE_S.value)
    edges = presence.drain_edges()
    assert edges == [(pytest.approx(0.003), True)]
    assert presence.drain_edges() == []


def test_a_spike_is_no_change() -> None:
    """1 ms of the other level leaves no trace."""
    factory, clock = pin_factory(), VirtualClock()
    presence = Presence("call", 17, factory, clock)
    drive(factory, 17, high=False)
    clock.sleep(0.001)
    drive(factory, 17, high=True)
    clock.sleep(1.0)
    assert presence.drain_edges() == []


@pytest.mark.parametrize("chatter_hz", [10, 25, 50])
def test_chatter_is_seen_change_by_change(chatter_hz: int) -> None:
    """Contacts that open and close 10 to 50 times a second while scans go on: every change, in order, at its time."""
    bench = Bench({"compressor_a": Wave(12.0)})
    half_s = 0.5 / chatter_hz
    count = 2 * chatter_hz
    bench.at([(0.2 + half_s * k, lambda k=k: bench.present("load", k % 2 == 0)) for k in range(count)])  # type: ignore[misc]
    began_s, seen = bench.clock(), []
    while bench.clock() < began_s + 2.5:
        bench.boards.scan()
        seen += bench.boards.changes()
        bench.boards.idle(0.4)
    seen += bench.boards.changes()
    assert [scan.load for scan in seen] == [k % 2 == 0 for k in range(count)]
    assert all(after.t_s - before.t_s == pytest.approx(half_s, abs=0.002) for before, after in pairwise(seen))


def test_chatter_does_not_keep_the_bus_from_the_numbers() -> None:
    """Half a minute of chatter at 20 Hz: one start capture in CAPTURE_REST_S, and most scans have their current."""
    bench = Bench({"compressor_a": Wave(12.0)})
    bench.at([(0.025 * k, lambda k=k: bench.present("load", k % 2 == 0)) for k in range(1200)])  # type: ignore[misc]
    began_s, read, scans = bench.clock(), 0, 0
    while bench.clock() < began_s + 28.0:
        at_s = bench.clock()
        scan = bench.boards.scan()
        assert bench.clock() - at_s < MOST_S
        scans += 1
        read += scan.compressor_a is not None
        bench.boards.changes()
        bench.boards.idle(0.3)
    assert read / scans > 0.7
    assert len(bench.boards.starts()) <= 28 / limits.CAPTURE_REST_S.value + 1


def test_flicker_at_the_knee_costs_no_more_than_a_scan_now_and_then() -> None:
    """A voltage at the opto's knee flickers twice a line cycle, too fast to be a change: the numbers are still read."""
    bench = Bench({"compressor_a": Wave(12.0)})
    bench.at([(0.002 * k, lambda k=k: bench.present("load", k % 2 == 0)) for k in range(7000)])  # type: ignore[misc]
    scans = []
    for _ in range(12):
        scans.append(bench.boards.scan())
        bench.boards.idle(0.4)
    assert sum(scan.compressor_a is not None for scan in scans) >= 8


def test_a_stuck_pin_says_what_it_hangs_at() -> None:
    """No change, no start, and every other reading goes on."""
    bench = Bench({"compressor_a": Wave(12.0)})
    bench.present("load", True)
    bench.boards.idle(2.0)
    bench.boards.changes()
    bench.boards.starts()
    for _ in range(5):
        scan = bench.boards.scan()
        assert scan.load is True
        assert scan.compressor_a == pytest.approx(12.0, rel=0.01)
    assert bench.boards.changes() == []
    assert bench.boards.starts() == []


def test_an_event_that_got_lost_heals() -> None:
    """A change whose event never came (the kernel drops them in a flood) is found at the next look, and counts."""
    factory, clock = pin_factory(), VirtualClock()
    presence = Presence("load", 22, factory, clock)
    presence._device.when_activated = None
    drive(factory, 22, high=False)
    assert presence.drain_edges() == []
    clock.sleep(limits.DEBOUNCE_S.value)
    assert [present for _, present in presence.drain_edges()] == [True]


def test_callbacks_outlive_the_garbage_collector() -> None:
    """gpiozero keeps weak references to pins' callbacks: after a collection changes are still seen, on every pin."""
    bench = Bench()
    gc.collect()
    for name in PINS:
        bench.present(name, True)
    bench.boards.idle(0.1)
    gc.collect()
    for name in PINS:
        bench.present(name, False)
    bench.boards.idle(0.1)
    changes = bench.boards.changes()
    assert len(changes) == 2 * len(PINS)
    last = changes[-1]
    assert [getattr(last, name) for name in PINS] == [False] * len(PINS)


def test_several_sites_in_one_process() -> None:
    """Three sites with their own factories and buses: each sees its own pins and currents."""
    sites = [Bench({"compressor_a": Wave(amps)}, seed=place) for place, amps in enumerate((5.0, 10.0, 15.0))]
    sites[1].present("call", True)
    scans = [site.boards.scan() for site in sites]
    assert [scan.call for scan in scans] == [False, True, False]
    assert [scan.compressor_a for scan in scans] == [pytest.approx(amps, rel=0.01) for amps in (5.0, 10.0, 15.0)]


def test_edges_are_bounded() -> None:
    """Ten thousand changes that nobody asks for leave a bounded list behind."""
    bench = Bench()
    for k in range(10_000):
        bench.present("call", k % 2 == 0)
        bench.clock.sleep(0.01)
    assert 0 < len(bench.boards.changes()) <= limits.QUICK_SCANS.value


# ---------------------------------------------------------------- the channel table


def wired(fitted: tuple[str, ...] = FLAGS, **tables: dict[str, object]) -> Settings:
    return Settings(senses=SensorSettings(fitted=fitted), boards=Wiring(channels=tables))


@pytest.mark.parametrize(
    ("settings", "place"),
    [
        (wired(call={"pin": 27}), "boards.channels.supply"),
        (wired(call={"pin": 2}), "boards.channels.call"),
        (wired(call={"pin": 40}), "boards.channels.call.pin"),
        (wired(call={"pin": True}), "boards.channels.call.pin"),
        (wired(call={"mux": 1}), "boards.channels.call.mux"),
        (wired(hall={"pin": 5}), "boards.channels.hall"),
        (wired(("fan_a",), fan_a={"address": 0x47}), "boards.channels.fan_a.address"),
        (wired(("fan_a",), fan_a={"address": 72.5}), "boards.channels.fan_a.address"),
        (wired(("fan_a", "compressor_a"), fan_a={"mux": 1}), "boards.channels.fan_a"),
        (wired(("fan_a",), fan_a={"scale": 0.0}), "boards.channels.fan_a.scale"),
        (wired(("outdoor_c",), outdoor_c={"scale": 1.0}), "boards.channels.outdoor_c.scale"),
    ],
)
def test_wiring_that_cannot_be_is_refused(settings: Settings, place: str) -> None:
    """Two senses on one place, the bus's own pins, numbers no chip has: WiringError that names the key."""
    with pytest.raises(WiringError) as caught:
        channels(settings)
    assert caught.value.place == place


def test_the_table_as_it_stands_has_no_doubles() -> None:
    """All sensors fitted at once."""
    assert list(channels(Settings(senses=SensorSettings(fitted=tuple(CHANNELS))))) == list(CHANNELS)


def test_a_site_may_move_a_channel() -> None:
    """The override is what is read."""
    bench = Bench(fitted=("call",))
    moved = channels(wired(("call",), call={"pin": 5}))
    assert moved["call"].pin == 5
    assert bench.boards.scan().call is False
