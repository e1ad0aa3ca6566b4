"""Episodes follow the one diagnosis: one thread for what it puts down to one cause, and no headline against another."""

from __future__ import annotations

from datetime import UTC, datetime

import msgspec
import pytest

from condenser_monitor.monitor.alarms.episodes import EpisodeBook, EpisodesMemory, by_cause
from condenser_monitor.monitor.core.config import Notify, SensorSettings, Settings
from condenser_monitor.monitor.core.records import Episode
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.publishers.notification_policy import NotificationPolicy
from tests.monitor import units

SETTINGS = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
NOON = datetime(2026, 7, 14, 12, tzinfo=UTC).timestamp()
NO_FAN = units.but(units.RUN, fan_a=0.0)
TRIPPED = units.but(units.RUN, fan_a=0.0, compressor_a=0.0)
WELDED = units.but(units.RUN, call=False, thermostat=False, control_v=0.0, coil_a=0.0)
OFF = units.but(units.REST, supply=False)


@pytest.mark.parametrize(
    ("shares", "explained", "parts"),
    [
        ({"a": 0.6, "b": 0.3}, {"x": ("a", "b"), "y": ("b",)}, [{"x", "y"}]),
        ({"a": 0.6, "b": 0.3}, {"x": ("a",), "y": ("b",)}, [{"x"}, {"y"}]),
        ({"a": 0.5, "b": 0.2, "c": 0.1}, {"x": ("a",), "y": ("a", "c"), "z": ("b", "c")}, [{"x", "y"}, {"z"}]),
        ({"a": 0.5, "loose-connection": 0.1}, {"x": ("a",), "y": ("loose-connection",)}, [{"x"}, {"y"}]),
        (
            {"a": 0.4, "loose-connection": 0.3},
            {"x": ("a", "loose-connection"), "y": ("loose-connection",)},
            [{"x", "y"}],
        ),
        ({}, {"x": (), "y": ()}, [{"x"}, {"y"}]),
    ],
)
def test_findings_are_put_down_to_as_few_causes_as_explain_them(
    shares: dict[str, float], explained: dict[str, tuple[str, ...]], parts: list[set[str]]
) -> None:
    """A joint that anything can be put down to joins two findings only where it is likely."""
    assert by_cause(shares, explained) == parts


def played(*parts: tuple[float, units.Readings]) -> tuple[list[Episode], list[tuple[str, str]]]:
    """Play some readings from noon on; the episodes at the end, and what a phone was told (kind, heading)."""
    engine, policy = Engine(SETTINGS), NotificationPolicy(Notify(proof_of_life="off"), zone=UTC)
    told: list[tuple[str, str]] = []
    for scan in units.scans(*parts):
        wall_s = NOON + scan.t_s
        engine.feed(msgspec.structs.replace(scan, wall_s=wall_s))
        items = policy.due(engine.status().episodes, wall_s)
        policy.sent(items, wall_s)
        told += [(item.kind, item.episode.heading) for item in items]
    return list(engine.status().episodes), told


def test_a_dead_fan_is_one_thread_until_the_compressor_trips() -> None:
    """Its headline gets worse once; the clock is that of the first finding."""
    (found,), told = played((20, units.REST), (300, NO_FAN), (120, TRIPPED), (120, units.REST))
    assert told == [("alarm", "fan-not-running"), ("worse", found.heading)]
    assert found.since_s < 120.0


def test_a_breaker_switched_off_as_asked_makes_nothing_worse() -> None:
    """Welded contacts: "turn its breaker off" is never followed by "no power: check its breaker"."""
    (found,), told = played((20, units.REST), (60, units.RUN), (120, WELDED), (600, OFF))
    assert "line-supply-lost" in found.findings
    assert told == [("alarm", "contacts-stuck-closed")]
    assert found.heading == "contacts-stuck-closed"


def test_episodes_of_a_newer_version_are_kept_as_far_as_they_are_known() -> None:
    """After a downgrade nothing stops on a finding that this version does not know."""
    engine = Engine(SETTINGS)
    for scan in units.scans((20, units.REST), (60, NO_FAN)):
        engine.feed(scan)
    memory = msgspec.json.encode(engine._alarms.episodes_memory())
    newer = memory.replace(b"fan-not-running", b"of-tomorrow")
    assert EpisodeBook(msgspec.json.decode(newer, type=EpisodesMemory)).open_ids() == []
