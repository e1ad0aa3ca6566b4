"""What comes and goes: told once with its counts, then once an hour, over when quiet or standing for an hour."""

from __future__ import annotations

import msgspec

from condenser_monitor.monitor.core.patterns import FlapFilter
from condenser_monitor.monitor.core.records import Change, ChangeKind, Finding
from condenser_monitor.monitor.engine import Engine
from tests.monitor import edge_tools
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


# ---------------------------------------------------------------- sensors


def test_a_sensor_that_lies_again_and_again_is_named_three_times_and_then_every_four_hours() -> None:
    """FLAPPING.sensor_raises, sensor_s: it waits for one visit."""
    flaps = FlapFilter()
    told = [kind for at_h in range(12) for kind in _step(flaps, at_h * 1800.0, raised=at_h % 2 == 0)]
    assert told == ["raised", "cleared", "raised", "cleared", "raised"]
    later = [row.change.value for row in flaps.tick(10 * 3600.0, None)]
    assert later == ["cleared"]


def test_another_sensor_that_lies_meanwhile_is_told() -> None:
    """A new one is news, however often the first has come and gone."""
    flaps = FlapFilter()
    for at in range(6):
        _step(flaps, at * 1800.0, raised=at % 2 == 0)
    assert _step(flaps, 11000.0, raised=True) == []
    assert _step(flaps, 12000.0, raised=True, sensor="supply") == ["raised"]


def test_the_next_process_knows_which_sensor_comes_and_goes() -> None:
    """One that was named before is no news after a restart."""
    first = FlapFilter()
    for at in range(6):
        _step(first, at * 1800.0, raised=at % 2 == 0)
    again = FlapFilter(first.memory(9100.0))
    assert _step(again, 1800.0, raised=True) == []
    assert _step(again, 3600.0, raised=True, sensor="supply") == ["raised"]


def test_what_lies_once_a_morning_is_told_each_time() -> None:
    """FLAPPING.sensor_s."""
    flaps = FlapFilter()
    told = [kind for at in range(8) for kind in _step(flaps, at * 9000.0, raised=at % 2 == 0)]
    assert told == ["raised", "cleared"] * 4


def _step(flaps: FlapFilter, at_s: float, *, raised: bool, sensor: str = "call") -> list[str]:
    """Raise or clear a lying sensor; return what is told."""
    kind = ChangeKind.RAISED if raised else ChangeKind.CLEARED
    made = msgspec.structs.replace(
        edge_tools.change(at_s, kind.value, "sensing-disagrees"), evidence={"distrusted": [sensor]}
    )
    standing = Finding(
        name="sensing-disagrees",
        severity=made.severity,
        since_s=at_s,
        raised_s=at_s,
        raised_wall_s=None,
        summary=made.summary,
        suspects=(),
        evidence=made.evidence,
    )
    row = {"sensing-disagrees": standing}
    return [one.change.value for one in flaps.update([made], row if raised else {}, {} if raised else row)]
