"""The engine as a whole: what it forgets and keeps over a restart, its deadlines, its bad input."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings, Unit
from condenser_monitor.monitor.core.errors import ContractError
from condenser_monitor.monitor.core.records import (
    Answer,
    Change,
    CycleState,
    LinkState,
    Request,
    RequestKind,
    Scan,
    UnitStatus,
)
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    SETTINGS,
    UNIT,
    but,
    events,
    scans,
)

NO_PULL = but(RUN, load=False, coil_a=0.0, control_v=26.4, compressor_a=0.0, fan_a=0.0)


def _changes(found: Iterable[object]) -> list[tuple[str, str]]:
    return [(e.change.value, e.finding) for e in found if isinstance(e, Change)]


def test_contracts_example_of_suspects() -> None:
    """26.4 V at the coil circuit and no coil current: coil-open before loose-connection (contract.md, replay)."""
    found = [e for e in events(scans((60, REST), (60, NO_PULL))) if isinstance(e, Change)]
    assert [e.finding for e in found] == ["call-without-pull-in"]
    assert found[0].suspects[:2] == ("coil-open", "loose-connection")
    assert found[0].evidence == {"control_v": 26.4, "coil_a": 0.0, "supply": True}
    line = msgspec.json.decode(msgspec.json.encode(found[0]))
    assert list(line)[:7] == ["t_s", "change", "finding", "severity", "suspects", "evidence", "summary"]


def test_suspects_are_revised_when_new_evidence_has_stood_for_a_while() -> None:
    """The coil current appears while the finding stands: the list changes, once, after five seconds."""
    sealed = but(NO_PULL, coil_a=0.26)
    found = [e for e in events(scans((60, REST), (60, NO_PULL), (60, sealed))) if isinstance(e, Change)]
    assert _changes(found) == [("raised", "call-without-pull-in"), ("revised", "call-without-pull-in")]
    assert "coil-open" not in found[1].suspects
    assert found[1].t_s == pytest.approx(120 + 1 + 5, abs=1)


def test_restart_keeps_what_stands_and_tells_it_only_once() -> None:
    """A new process with the old one's memory does not raise again, and clears when the fault has gone."""
    first = Engine(SETTINGS, fitted=ALL)
    assert _changes(events(scans((60, REST), (60, NO_PULL)), engine=first)) == [("raised", "call-without-pull-in")]
    second = Engine(SETTINGS, fitted=ALL, memory=first.memory())
    assert second.memory_refused == ""
    assert [finding.name for finding in second.standing] == ["call-without-pull-in"]
    assert _changes(events(scans((60, NO_PULL)), engine=second)) == []
    assert _changes(events(scans((60, RUN), from_s=60), engine=second)) == [("cleared", "call-without-pull-in")]


@pytest.mark.parametrize("memory", [b"", b"{", b"[]", b"{}", b'{"version": 99}', b"\xff"])
def test_memory_that_cannot_be_read_is_set_aside_and_said(memory: bytes) -> None:
    """Nothing crashes; the monitor begins afresh and says why."""
    engine = Engine(SETTINGS, memory=memory)
    assert engine.memory_refused
    assert _changes(events(scans((60, REST), (60, NO_PULL)), engine=engine)) == [("raised", "call-without-pull-in")]


def test_time_that_runs_backwards_is_an_error_and_changes_nothing() -> None:
    """A scan older than the last is refused; the engine goes on as if it had not come."""
    engine = Engine(SETTINGS, fitted=ALL)
    events(scans((100, RUN)), engine=engine)
    before = msgspec.json.encode(engine.status())
    with pytest.raises(ContractError, match="99"):
        engine.feed(Scan(t_s=50.0, **REST))
    assert msgspec.json.encode(engine.status()) == before


def test_status_shows_the_chain_the_break_and_what_stands() -> None:
    """A broken chain: the break is named while an urgent finding stands; a healthy one has none."""
    engine = Engine(SETTINGS, fitted=ALL)
    events(scans((60, REST), (60, NO_PULL)), engine=engine)
    status = engine.status()
    assert status.break_at == "coil-current"
    assert status.cycle is CycleState.CALLED
    assert [finding.name for finding in status.findings] == ["call-without-pull-in"]
    assert msgspec.json.decode(msgspec.json.encode(status), type=UnitStatus) == status
    healthy = Engine(SETTINGS, fitted=ALL)
    events(scans((60, RUN)), engine=healthy)
    assert healthy.status().break_at is None


def test_blind_engine_shows_nothing_as_live() -> None:
    """When every sense is silent, every link is unknown and the cycle too; a stale reading never looks healthy."""
    engine = Engine(SETTINGS, fitted=ALL)
    events(scans((60, RUN), (120, dict.fromkeys(ALL))), engine=engine)
    status = engine.status()
    assert {link.state for link in status.links} == {LinkState.UNKNOWN}
    assert status.cycle is CycleState.UNKNOWN
    assert [finding.name for finding in status.findings] == ["sensor-silent"]


def test_deadline_is_when_the_engine_wants_to_be_asked() -> None:
    """While a condition holds, the next deadline is no later than the end of its delay."""
    engine = Engine(SETTINGS, fitted=ALL)
    events(scans((60, REST), (3, NO_PULL)), engine=engine)
    deadline_s = engine.next_deadline()
    assert deadline_s is not None
    assert deadline_s <= 70.0


def test_a_gap_soon_after_a_gap_is_heard_too() -> None:
    """An hour unseen, half a minute seen, half an hour unseen: the run is not known to have gone on."""
    engine = Engine(SETTINGS, fitted=ALL)
    events(scans((100, RUN)), engine=engine)
    events(scans((30, RUN), from_s=3700), engine=engine)
    assert engine.status().cycle is CycleState.RUNNING
    engine.feed(Scan(t_s=5500.0, **RUN))
    assert engine.status().cycle is CycleState.UNKNOWN
    events(scans((5, RUN), from_s=5501), engine=engine)
    assert engine.status().cycle is CycleState.RUNNING


def test_low_running_current_is_judged_against_the_units_own_normal() -> None:
    """After days of normal running, two thirds of the usual current for ten minutes is told; before, it is not."""
    settings = Settings(unit=UNIT, senses=SensorSettings(fitted=("call", "load", "compressor_a", "fan_a", "outdoor_c")))

    def day(number: int) -> list[tuple[float, dict[str, object]]]:
        parts: list[tuple[float, dict[str, object]]] = []
        for hour in range(24):
            warm = 25.0 + 10.0 * (1 - abs(hour - 15) / 15)
            amps = 6.0 + 0.1 * warm
            running = but(RUN, outdoor_c=warm, compressor_a=amps)
            parts += [(1500, running), (2100, but(REST, outdoor_c=warm))]
        return parts

    weak = [(1500, but(RUN, outdoor_c=32.0, compressor_a=0.6 * 9.2)), (2100, but(REST, outdoor_c=32.0))]
    engine = Engine(settings)
    wall_0 = 1_783_000_000.0

    def run(parts: Sequence[tuple[float, dict[str, Any]]], from_s: float) -> list[object]:
        return [
            event
            for scan in scans(*parts, every_s=10, from_s=from_s)
            for event in engine.feed(msgspec.structs.replace(scan, wall_s=wall_0 + scan.t_s))
        ]

    learnt = [part for number in range(14) for part in day(number)]
    assert _changes(run(learnt, 0.0)) == []
    assert _changes(run(weak * 2, 14 * 86400.0)) == [("raised", "low-running-current")]
    fresh = Engine(settings)
    found = [event for scan in scans(*weak, *weak, every_s=10) for event in fresh.feed(scan)]
    assert _changes(found) == []


def test_delay_relay_does_not_contradict_itself() -> None:
    """With a delay relay, an energised call without coil current is waiting, not a sensing fault."""
    settings = Settings(unit=Unit(compressor_rla_a=12.8, compressor_lra_a=68, fan_fla_a=1.1, delay_on_make_s=300))
    waiting = but(NO_PULL, control_v=25.0)
    assert _changes(events(scans((60, REST), (295, waiting), (300, RUN), (60, REST)), settings)) == []


def test_parts_renewed_at_a_visit_begin_anew() -> None:
    """A request counts the new contactor from nothing; a repeated id changes nothing; other parts are refused."""
    engine = Engine(SETTINGS, fitted=ALL)
    events(scans(*((60, REST), (600, RUN)) * 4, (60, REST)), engine=engine)

    def operations() -> int:
        return int(engine.status().trends["contactor"]["operations"])

    def renew(id_: str, part: str | None) -> Answer:
        request = Request(id=id_, request=RequestKind.RENEW, by="Sam", part=part)
        return engine.request(request, engine.now_s, None)[0]

    assert operations() == 4
    assert renew("1", "contactor") == Answer(id="1", done=True)
    assert operations() == 0
    events(scans((600, RUN), (60, REST), from_s=2700), engine=engine)
    assert operations() == 1
    assert renew("1", "contactor").done
    assert operations() == 1
    for number, wrong in enumerate((None, "fan")):
        assert "compressor or contactor" in renew(f"wrong-{number}", wrong).why
    assert renew("2", "compressor").done


def test_memory_of_alerts_or_trends_that_is_refused_is_said() -> None:
    """Each part of the memory that cannot be used is named; the rest is kept."""
    first = Engine(SETTINGS, fitted=ALL)
    events(scans((60, REST), (60, NO_PULL)), engine=first)
    kept = msgspec.json.decode(first.memory())
    for part, word in (("alerts", "alerts"), ("trends", "trends")):
        engine = Engine(SETTINGS, fitted=ALL, memory=msgspec.json.encode(kept | {part: {"version": 99}}))
        assert word in engine.memory_refused
        assert [finding.name for finding in engine.standing] == ["call-without-pull-in"]


def test_engine_and_records_show_themselves_in_a_debugger() -> None:
    """A repr says what is the case, and of a scan only what was read."""
    engine = Engine(Settings())
    for second in range(20):
        engine.feed(Scan(t_s=float(second), call=True, supply=True, load=False))
    assert repr(engine) == "<Engine unit-1 at 19 s: called, raised: call-without-pull-in>"
    assert repr(Scan(t_s=1.0, call=True)) == "Scan(t_s=1.0, call=True)"
    assert repr(engine._cycle).startswith("<CycleWatch called since")
    assert repr(engine._alarms) == "<AlarmManager {'call-without-pull-in': 'unacknowledged'}>"
    assert repr(engine._inputs.by_name["call"]) == "<DebouncedInput call = True since 1 s>"


def test_what_is_shown_is_the_same_whether_it_was_asked_for_before_or_not() -> None:
    """What a status keeps until something changes is never older than what is believed: through a call that is not
    read, a lost line, a dead fan, a stuck sensor, a delay each time, and an hour unseen."""
    wait = but(RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
    story = [
        *((300, REST), (120, wait), (600, RUN)) * 4,
        *((60, but(RUN, call=None)), (60, RUN), (90, but(RUN, supply=False, load=False, compressor_a=0.0, fan_a=0.0))),
        *((400, REST), (300, but(REST, thermostat=None, load=None)), (400, but(RUN, fan_a=0.0, compressor_a=9.02))),
        *((300, but(REST, supply=False)), (400, but(RUN, supply=False)), (300, REST)),
    ]
    stream = [*scans(*story, every_s=5.0)]
    stream += [
        msgspec.structs.replace(scan, t_s=scan.t_s + 3600.0) for scan in scans((900, RUN), from_s=stream[-1].t_s)
    ]
    asked = Engine(SETTINGS, fitted=ALL)
    shown = []
    for scan in stream:
        asked.feed(scan)
        shown.append(asked.status())
    for end in range(40, len(stream), len(stream) // 12):
        fresh = Engine(SETTINGS, fitted=ALL)
        for scan in stream[:end]:
            fresh.feed(scan)
        assert fresh.status() == shown[end - 1], stream[end - 1].t_s
