"""What an engine remembers can be read by the next one, whatever had happened or had not, part by part."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condenser_monitor.monitor.core.load_state import EngineMemory, MemoryPart
from condenser_monitor.monitor.core.records import AlertChange, AlertState, Request, RequestKind, Scan, StartTransient
from condenser_monitor.monitor.engine import FINDINGS_MEMORY, Engine
from tests.monitor.units import ALL, REST, RUN, SETTINGS, Readings, but, events, scans

NO_PULL = but(RUN, load=False, coil_a=0.0, compressor_a=0.0, fan_a=0.0)
WORLDS: tuple[Readings, ...] = (
    REST,
    RUN,
    NO_PULL,
    but(REST, supply=False),
    but(RUN, fan_a=0.0),
    but(RUN, compressor_a=45.0),
    but(REST, outdoor_c=36.0),
    but(REST, compressor_a=9.0),
    dict.fromkeys(REST),
)
WALL_S = 1_783_000_000.0
_FINDINGS = ("call-without-pull-in", "line-supply-lost", "fan-not-running")
_ops = st.one_of(
    st.tuples(st.just("world"), st.sampled_from(range(len(WORLDS)))),
    st.tuples(st.just("scans"), st.sampled_from((1, 2, 20, 90)), st.sampled_from((0.5, 1.0, 30.0, 60.0))),
    st.tuples(st.just("pass"), st.sampled_from((1.0, 400.0, 9000.0, 2e5))),
    st.tuples(st.just("tick")),
    st.tuples(st.just("start"), st.sampled_from((10.0, 1000.0))),
    st.tuples(st.just("clock"), st.sampled_from((None, WALL_S, WALL_S - 1e6, WALL_S + 1e8))),
    st.tuples(st.just("ask"), st.sampled_from(list(RequestKind)), st.sampled_from(_FINDINGS)),
    st.tuples(st.just("restart")),
)


@dataclass
class House:
    """An engine and what happens to it; after each event its memory is given to another one."""

    engine: Engine = field(default_factory=lambda: Engine(SETTINGS, fitted=ALL))
    now_s: float = 0.0
    wall_less_now_s: float | None = None
    world: Readings = field(default_factory=lambda: REST)
    asked: int = 0

    @property
    def wall_s(self) -> float | None:
        return None if self.wall_less_now_s is None else self.wall_less_now_s + self.now_s

    def play(self, verb: str, *given: Any) -> None:
        if verb == "world":
            self.world = WORLDS[given[0]]
        elif verb == "scans":
            for _ in range(given[0]):
                self.now_s += given[1]
                self.engine.feed(Scan(t_s=self.now_s, wall_s=self.wall_s, **self.world))
        elif verb == "pass":
            self.now_s += given[0]
        elif verb == "tick":
            self.engine.tick(self.now_s, self.wall_s)
        elif verb == "start":
            self.engine.feed_start(
                StartTransient(t_s=self.now_s, duration_s=0.2, peak_a=60.0, rate_hz=given[0], settled_a=9.0)
            )
        elif verb == "clock":
            self.wall_less_now_s = None if given[0] is None else given[0] - self.now_s
        elif verb == "ask":
            self.asked += 1
            request = Request(id=f"q{self.asked}", request=given[0], by="Ann", finding=given[1], hours=2.0)
            self.engine.request(request, self.now_s, self.wall_s)
        else:
            self.engine, self.now_s = Engine(SETTINGS, fitted=ALL, memory=self.engine.memory()), 0.0


def stands(engine: Engine) -> tuple[set[str], set[tuple[str, AlertState]]]:
    """What a person would be shown: findings and the states of alerts."""
    status = engine.status()
    return {found.name for found in status.findings}, {(alert.finding, alert.state) for alert in status.alerts}


@settings(max_examples=120, deadline=None)
@given(st.lists(_ops, max_size=25))
def test_every_reachable_state_is_read_back_whole(story: list[tuple[Any, ...]]) -> None:
    """No scan yet, no clock, a gap, a restart in between: nothing is refused, and the next engine knows the same."""
    house = House()
    for op in story:
        house.play(*op)
        memory = house.engine.memory()
        assert house.engine.memory_faults == {}
        second = Engine(SETTINGS, fitted=ALL, memory=memory)
        assert second.memory_refused == ""
        assert stands(second) == stands(house.engine)
        # And so does the one after that, though nothing was seen in between.
        assert lasting(second.memory()) == lasting(memory)


def lasting(memory: bytes) -> dict[str, Any]:
    """A memory without the moments of the findings, which count in the seconds of the process that wrote it."""
    found: dict[str, Any] = msgspec.json.decode(memory)
    found["findings"] = {name: row | {"since_s": 0, "raised_s": 0} for name, row in found["findings"].items()}
    return found


def test_a_life_without_a_scan_forgets_nothing() -> None:
    """Shelved, latched and standing alarms, and how long ago things worked, outlive a run whose boards gave nothing."""
    first = Engine(SETTINGS, fitted=ALL)
    events(scans((60, REST), (60, NO_PULL), (60, RUN), (120, NO_PULL)), engine=first)
    shelve = Request(id="s", request=RequestKind.SHELVE, by="Ann", finding="call-without-pull-in", hours=2.0)
    assert first.request(shelve, 300.0, None)[0].done
    blind = Engine(SETTINGS, fitted=ALL, memory=first.memory())
    blind.tick(300.0, None)  # before any scan
    third = Engine(SETTINGS, fitted=ALL, memory=blind.memory())
    assert third.memory_refused == ""
    assert stands(third) == ({"call-without-pull-in"}, {("call-without-pull-in", AlertState.SHELVED)})
    told = [e for e in events(scans((120, NO_PULL)), engine=third) if isinstance(e, AlertChange)]
    assert told == []
    kept, before = (msgspec.json.decode(engine.memory()) for engine in (blind, first))
    assert kept["worked_ages_s"] == before["worked_ages_s"] != {}


# ---------------------------------------------------------------- parts


class Small(msgspec.Struct, frozen=True):
    """A part for these tests."""

    level: float
    names: tuple[str, ...] = ()


SMALL = MemoryPart("small", 1, Small, what="small things")
OTHER = MemoryPart("other", 1, dict[str, float])


def kept(small: Small, other: dict[str, float]) -> bytes:
    memory = EngineMemory(None)
    memory.keep(SMALL, small)
    memory.keep(OTHER, other)
    return memory.to_json()


def test_a_part_that_cannot_be_read_costs_that_part_alone() -> None:
    """The other one is loaded, and what was refused is named with the reason."""
    spoilt = msgspec.json.decode(kept(Small(1.0), {"a": 2.0})) | {"small": {"level": None}}
    memory = EngineMemory(msgspec.json.encode(spoilt))
    assert memory.load(SMALL) is None
    assert memory.load(OTHER) == {"a": 2.0}
    assert "small things" in memory.why_refused()
    assert "begun afresh" in memory.why_refused()


def test_a_part_that_cannot_be_read_is_taken_from_the_last_good_memory() -> None:
    """And the newest of the others stays the newest."""
    good = kept(Small(1.0), {"a": 2.0})
    spoilt = msgspec.json.decode(kept(Small(3.0), {"a": 4.0})) | {"small": {"level": None}}
    memory = EngineMemory(msgspec.json.encode(spoilt), good)
    assert memory.load(SMALL) == Small(1.0)
    assert memory.load(OTHER) == {"a": 4.0}
    assert "the last good one is used" in memory.why_refused()
    whole = EngineMemory(b"\x00", good)
    assert (whole.load(SMALL), whole.load(OTHER)) == (Small(1.0), {"a": 2.0})
    assert "the last good one is used" in whole.why_refused()


@pytest.mark.parametrize("level", [float("inf"), float("-inf"), float("nan")])
def test_what_json_cannot_hold_stays_as_it_was_kept_last(level: float, caplog: pytest.LogCaptureFixture) -> None:
    """It is noticed in the process that has it, logged once, and what was good is written."""
    memory = EngineMemory(None)
    memory.keep(SMALL, Small(1.0))
    for _ in range(3):
        memory.keep(SMALL, Small(level))
    assert EngineMemory(memory.to_json()).load(SMALL) == Small(1.0)
    assert set(memory.faults) == {"small"}
    assert len(caplog.records) == 1
    memory.keep(SMALL, Small(2.0))
    assert memory.faults == {}


def test_an_older_version_is_brought_up_and_a_newer_one_refused() -> None:
    """Version by version; one that nobody knows costs the part."""
    newer = MemoryPart("small", 3, Small, upgrades={1: lambda old: {**old, "names": ["x"]}, 2: lambda old: old})
    memory = EngineMemory(kept(Small(1.0), {}))
    assert memory.load(newer) == Small(1.0, ("x",))
    assert EngineMemory(memory.to_json()).load(newer) == Small(1.0, ("x",))
    old_program = EngineMemory(memory.to_json())
    assert old_program.load(SMALL) is None
    assert "of version 3, not 1" in old_program.why_refused()
    failing = MemoryPart("small", 2, Small, upgrades={1: lambda old: old["nothing"]})
    assert EngineMemory(kept(Small(1.0), {})).load(failing) is None


def test_a_memory_of_version_0_1_0_is_read_and_what_it_reads_stays_there() -> None:
    """Its parts stood at the top as they do now; it asks for these names and version 1."""
    first = Engine(SETTINGS, fitted=ALL)
    events(scans((60, REST), (60, NO_PULL)), engine=first)
    now = msgspec.json.decode(first.memory())
    names = {"version", "findings", "recent_ages_s", "worked_ages_s", "called_in_heat_ages_s", "alerts", "trends"}
    assert now["version"] == 1
    assert now.keys() >= names
    old = msgspec.json.encode({name: now[name] for name in names})
    second = Engine(SETTINGS, fitted=ALL, memory=old)
    assert second.memory_refused == ""
    assert stands(second) == stands(first)


def test_a_finding_of_a_newer_version_is_left_out() -> None:
    """After a downgrade nothing here could ever clear it."""
    first = Engine(SETTINGS, fitted=ALL)
    events(scans((60, REST), (60, NO_PULL)), engine=first)
    memory = msgspec.json.decode(first.memory())
    memory["findings"]["of-next-year"] = memory["findings"]["call-without-pull-in"] | {"name": "of-next-year"}
    second = Engine(SETTINGS, fitted=ALL, memory=msgspec.json.encode(memory))
    assert [found.name for found in second.standing] == ["call-without-pull-in"]
    assert FINDINGS_MEMORY.name not in second.memory_refused
