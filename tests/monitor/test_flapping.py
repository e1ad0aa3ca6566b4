"""What comes and goes: told once with its counts, then once an hour, over when quiet or standing for an hour."""

from __future__ import annotations

from condenser_monitor.monitor.core.records import Change
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import ALL, REST, RUN, SETTINGS, but, events, scans
from tests.size import long_one

OFF = but(RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)


def told(engine: Engine, *parts: tuple[float, dict[str, object]], from_s: float = 0.0) -> list[Change]:
    """Every change of call-without-pull-in."""
    found = events(scans(*parts, from_s=from_s, every_s=2.0), engine=engine)
    return [e for e in found if isinstance(e, Change) and e.finding == "call-without-pull-in"]


@long_one
def test_a_day_of_flapping_is_told_by_the_hour_and_then_over() -> None:
    """Twice a minute for six hours: seven times raised, one line an hour, an hour of quiet clears it."""
    engine = Engine(SETTINGS, fitted=ALL)
    found = told(engine, (600, REST), *((16, OFF), (14, RUN)) * 720)
    assert [e.change.value for e in found].count("raised") == 7
    assert len(found) <= 13 + 6
    counted = [e for e in found if e.evidence.get("comes_and_goes")]
    assert counted[0].evidence["times"] == 7.0
    last = counted[-1].evidence["times"]
    assert isinstance(last, float)
    assert last > 500
    assert "call-without-pull-in" in {finding.name for finding in engine.standing}
    end = told(engine, (5000, RUN), from_s=22300.0)
    assert [e.change.value for e in end][-1] == "cleared"
    assert "call-without-pull-in" not in {finding.name for finding in engine.standing}


def test_flapping_ends_when_it_stands_for_an_hour() -> None:
    """From then on it is told as it is, and cleared at once."""
    engine = Engine(SETTINGS, fitted=ALL)
    told(engine, (600, REST), *((16, OFF), (14, RUN)) * 20)
    found = told(engine, (5000, OFF), (100, RUN), from_s=1300.0)
    assert [e.change.value for e in found] == ["revised", "cleared"]


def test_flapping_survives_a_restart() -> None:
    """The next process goes on counting, and tells no new alarm."""
    first = Engine(SETTINGS, fitted=ALL)
    told(first, (600, REST), *((16, OFF), (14, RUN)) * 20)
    second = Engine(SETTINGS, fitted=ALL, memory=first.memory())
    assert told(second, *((16, OFF), (14, RUN)) * 20) == []


def test_six_times_an_hour_is_told_each_time() -> None:
    """Within the budget nothing is held back."""
    engine = Engine(SETTINGS, fitted=ALL)
    found = told(engine, (600, REST), *((60, OFF), (620, RUN)) * 10)
    assert [e.change.value for e in found] == ["raised", "cleared"] * 10
