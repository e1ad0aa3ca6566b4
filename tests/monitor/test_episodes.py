"""Episodes follow the one diagnosis: one thread for what it puts down to one cause, and no headline against another."""

from __future__ import annotations

from datetime import UTC, datetime

import msgspec
import pytest

from condenser_monitor.monitor.alarms.episodes import EpisodeBook, EpisodesMemory, Stands, by_cause
from condenser_monitor.monitor.core.config import Notify, SensorSettings, Settings
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.load_state import MonotonicTime
from condenser_monitor.monitor.core.records import ChangeKind, Diagnosed, Episode
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
    memory = msgspec.json.encode(engine._alarms.episode_book.memory)
    newer = memory.replace(b"fan-not-running", b"of-tomorrow")
    assert EpisodeBook(MonotonicTime(), msgspec.json.decode(newer, type=EpisodesMemory)).open_ids() == []


def diagnosed(**shares: float) -> Diagnosed:
    """The unit's diagnosis of the two findings below, with these shares."""
    suspects = tuple((name.replace("_", "-"), share) for name, share in shares.items())
    return Diagnosed(
        t_s=0.0,
        change=ChangeKind.DIAGNOSED,
        findings=("high-running-current", "overload-cycling"),
        suspects=suspects,
        because=(),
        distrusted=(),
        next_check=None,
        summary="",
    )


class House:
    """A book of episodes and a phone that is told of it, from noon on."""

    def __init__(self) -> None:
        self.line = MonotonicTime()
        self.book = EpisodeBook(self.line)
        self.policy = NotificationPolicy(Notify(proof_of_life="off"), zone=UTC)
        self.told: list[tuple[str, str, str]] = []

    def stand(self, finding: str, x_s: float, *suspects: str) -> None:
        row = CATALOGUE[finding]
        self.book.stand(
            Stands(finding, row.severity, suspects, x_s, NOON + x_s, Facts(), 35.0), told=True, paused=False
        )

    def look(self, x_s: float) -> tuple[Episode, ...]:
        """What the phone is told at `x_s`; the open episodes."""
        self.line.advance(x_s, NOON + x_s)
        episodes = self.book.episodes()
        items = self.policy.due(episodes, NOON + x_s)
        self.policy.sent(items, NOON + x_s)
        self.told += [(item.kind, item.episode.id, item.episode.heading) for item in items]
        return episodes


def two_that_are_one() -> House:
    """A dirty condenser is suspected of the current, an open overload of the trips; a weak capacitor could be both."""
    house = House()
    house.book.diagnose(diagnosed(condenser_dirty=0.6, compressor_overload_open=0.3))
    house.stand("high-running-current", 0.0, "condenser-dirty", "run-capacitor")
    house.look(0.0)
    house.stand("overload-cycling", 600.0, "compressor-overload-open", "run-capacitor")
    assert len(house.look(600.0)) == 2
    return house


def test_two_open_episodes_that_turn_out_to_be_one_cause_are_merged() -> None:
    """One thread, under the name and the clock of the first: nothing more is told, reminders come once, and one answer
    ends them, also by the link that the other's message carried."""
    house = two_that_are_one()
    house.book.diagnose(diagnosed(run_capacitor=0.7, compressor_overload_open=0.2))
    (one,) = house.look(660.0)
    assert (one.id, one.merged, one.since_s) == ("episode-1", ("episode-2",), 0.0)
    assert (one.heading, set(one.findings)) == ("overload-cycling", {"high-running-current", "overload-cycling"})
    for hour in range(1, 24):
        house.look(hour * 3600.0)
    alarms = [("alarm", "episode-1", "high-running-current"), ("alarm", "episode-2", "overload-cycling")]
    assert house.told[:2] == alarms
    assert all(told == ("reminder", "episode-1", "overload-cycling") for told in house.told[2:])
    assert len(house.told) <= 3  # the budget of a first day
    assert "episode-2" in house.book.open_ids()
    story = house.book.find("episode-2")
    assert story is not None
    house.book.answer(story, "Sam", 86400.0)
    assert house.look(86400.0)[0].answered_by == "Sam"


@pytest.mark.parametrize("share", [0.2, 0.49])
def test_a_common_cause_that_is_not_the_likely_one_merges_nothing(share: float) -> None:
    """Two faults at once are the rule in the trade: what could be behind both is no reason yet."""
    house = two_that_are_one()
    house.book.diagnose(diagnosed(run_capacitor=share, compressor_overload_open=0.1))
    assert [one.id for one in house.look(660.0)] == ["episode-1", "episode-2"]


def test_an_answer_to_the_lesser_of_two_does_not_answer_for_the_worse() -> None:
    """Somebody knows of the current; that the compressor trips by it is still brought up."""
    house = two_that_are_one()
    lesser = house.book.find("episode-1")
    assert lesser is not None
    house.book.answer(lesser, "Sam", 630.0)
    house.book.diagnose(diagnosed(run_capacitor=0.7))
    (one,) = house.look(660.0)
    assert one.answered_by is None
    assert msgspec.json.decode(msgspec.json.encode(house.book.memory), type=EpisodesMemory).stories[0].merged == [
        "episode-2"
    ]
