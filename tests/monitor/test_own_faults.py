"""Faults of the program itself: an exception injected into the engine cannot be overlooked, anywhere a person looks."""

from __future__ import annotations

import io
import json
import logging
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import Notify, Settings, Site
from condenser_monitor.monitor.core.errors import BrokerError
from condenser_monitor.monitor.core.records import OWN_FAULT, RequestKind
from condenser_monitor.monitor.publishers.base import EventPublisher
from condenser_monitor.monitor.publishers.messages import unit_message
from condenser_monitor.monitor.publishers.phone import Target
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage
from condenser_monitor.monitor.service.run_loop import Service
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.storage.models import StoredEvent
from condenser_monitor.monitor.terminal.say import status
from condenser_monitor.web.app import create_app
from tests.monitor.edge_tools import WALL_S, Hand, ReplayBoards, until
from tests.monitor.test_service import SETTINGS, made, request
from tests.monitor.units import REST, UNIT, scans

LOG = "condenser_monitor"


def broken(*_: Any, **__: Any) -> Any:
    raise KeyError("injected")


def break_for_good(service: Service) -> None:
    """Every engine that the service makes fails at its first scan."""
    made_engine = service._engine

    def make() -> Any:
        engine = made_engine()
        engine.feed = broken  # type: ignore[method-assign]
        return engine

    service._engine = make  # type: ignore[method-assign]
    service.engine.feed = broken  # type: ignore[method-assign]


def test_one_injected_exception_is_told_everywhere_until_somebody_acknowledges_it(
    keep: config.HistorySettings, caplog: pytest.LogCaptureFixture
) -> None:
    """Half a minute of sound scans later the log, health, `status`, page and broker still tell of it, as does the next
    run of the program; a request that acknowledges it ends that."""
    service = made(keep, ReplayBoards(scans((120, REST))))
    service.run(steps=10)
    service.engine.feed = broken  # type: ignore[method-assign]
    with caplog.at_level(logging.INFO, LOG):
        service.run(steps=30)
    [record] = [one for one in caplog.records if one.levelno == logging.ERROR]
    assert record.exc_info is not None
    assert record.exc_info[0] is KeyError
    assert "in broken" in caplog.text, "the traceback names the place"
    service.close()

    again = made(keep, ReplayBoards(scans((60, REST))))
    again.run(steps=20)
    [fault] = again.history.health().own_faults
    assert (fault.part, fault.error, fault.times) == ("engine", "KeyError: 'injected'", 1)
    out = io.StringIO()
    assert status(again.history, SETTINGS, out) == 1
    assert "a fault of its own in engine, once" in " ".join(out.getvalue().split())
    seen = again.history.status()
    assert seen is not None
    assert unit_message(seen, "x", {}, {fault.part: fault.times}).own_faults == {"engine": 1}
    page = create_app(again.history, SETTINGS, wall=lambda: WALL_S + 40).test_client()
    assert "The monitor has a fault of its own." in page.get("/").get_data(as_text=True)
    health = page.get("/health").get_data(as_text=True)
    assert "KeyError: &#39;injected&#39;" in health
    assert f'value="{OWN_FAULT}"' in health

    again.history.add_request(request("seen", RequestKind.ACKNOWLEDGE, finding=OWN_FAULT))
    again.run(steps=2)
    answer = again.history.answer("seen")
    assert answer is not None
    assert answer.done
    assert again.history.own_faults() == ()
    assert status(again.history, SETTINGS, io.StringIO()) == 0
    assert "fault of its own" not in page.get("/").get_data(as_text=True)
    again.close()


def test_an_engine_that_keeps_failing_is_not_taken_for_a_box_without_power(keep: config.HistorySettings) -> None:
    """Page and phone say that the monitor has a fault of its own, never "look whether the box has power"; each failure
    is counted, and the disk hears of few of them."""
    clock = Hand()
    service = made(keep, ReplayBoards(scans((3000, REST))), clock)
    writes: list[int] = []
    keep_fault = service.history._keep_fault
    service.history._keep_fault = lambda one: (writes.append(one.times), keep_fault(one))[1]  # type: ignore[method-assign]
    sent: list[PhoneMessage] = []
    settings = Settings(site=Site(name="Orchard House"), unit=UNIT, notify=Notify())
    phone = Target(settings, "json://one", send=sent.append, wall=lambda: WALL_S + clock(), clock=clock)
    phone.open(service.history)
    service.history.register("phone", begin=False)
    service.run(steps=20)
    break_for_good(service)
    service.run(steps=1200)
    [fault] = service.history.own_faults()
    assert fault.times == 1200
    assert writes == [1 << bit for bit in range(11)]
    page = create_app(service.history, SETTINGS, wall=lambda: WALL_S + clock()).test_client()
    shown = page.get("/").get_data(as_text=True)
    while phone.poll() == 0.0:
        pass
    [message] = sent
    assert message.title == "Orchard House: The monitor has a fault of its own"
    for text in (shown, message.body):
        assert "fault of its own" in text
        assert "has power" not in text
    service.close()


def test_a_publisher_that_fails_by_itself_is_a_fault_and_a_network_that_fails_is_not(
    keep: config.HistorySettings, caplog: pytest.LogCaptureFixture, impatient_publishers: None
) -> None:
    """What nobody foresaw is counted; an outage is shown while it lasts, and logged once with its traceback."""

    class Fails(EventPublisher):
        def __init__(self, name: str, error: Exception) -> None:
            self.name, self.error, self.turns = name, error, 0
            super().__init__()

        def poll(self) -> float:
            self.turns += 1
            raise self.error

        def deliver(self, kept: StoredEvent, status: Any) -> None: ...

    ours, outage = (
        Fails("ours", ZeroDivisionError("by zero")),
        Fails("outage", BrokerError("lan", "refused", "a broker")),
    )
    with History(keep.file, owner=True, keep=keep) as history, caplog.at_level(logging.WARNING, LOG):
        for publisher in (ours, outage):
            publisher.start(history)
        until(lambda: min(ours.turns, outage.turns) > 4)
        for publisher in (ours, outage):
            publisher.close()
        assert [one.part for one in history.own_faults()] == ["ours"]
        assert history.own_faults()[0].times >= 4
    assert [one.exc_info is not None for one in caplog.records if "refused" in one.getMessage()] == [True]


def test_a_fault_of_the_page_is_counted_beside_those_of_the_service(keep: config.HistorySettings) -> None:
    """The page is another process: its faults reach the same place, and the service's acknowledgement ends them."""
    with History(keep.file, owner=True, keep=keep) as owner, History(keep.file, keep=keep) as reader:
        app = create_app(reader, SETTINGS)
        app.view_functions["health.shown"] = broken
        assert app.test_client().get("/health").status_code == 500
        assert [(one.part, one.times) for one in owner.own_faults()] == [("page", 1)]
        assert owner.acknowledge_faults() == 1
        assert reader.own_faults() == ()


def test_a_disk_that_takes_nothing_keeps_no_fault_from_being_counted(
    keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The live file alone then knows of it."""
    with History(keep.file, owner=True, keep=keep) as history:
        monkeypatch.setattr(history, "_keep_fault", lambda _one: None)
        for _ in range(3):
            history.fault("engine", ValueError("x" * 5000))
        [fault] = history.own_faults()
        assert fault.times == 3
        assert len(fault.error) < 300


_LOGS = """
import logging
from condenser_monitor.monitor.service import logs
logs.set_up()
log = logging.getLogger("condenser_monitor.x")
try:
    {}["gone"]
except KeyError as error:
    log.error("engine: a fault", exc_info=error, extra={"part": "engine"})
"""


def test_outside_the_journal_the_log_is_lines_on_standard_error() -> None:
    """Level, logger, message and traceback."""
    env = {name: value for name, value in os.environ.items() if name != "JOURNAL_STREAM"}
    done = subprocess.run([sys.executable, "-c", _LOGS], env=env, capture_output=True, text=True, check=True)
    assert "ERROR condenser_monitor.x: engine: a fault" in done.stderr
    assert "KeyError: 'gone'" in done.stderr


def test_the_journal_gets_one_entry_with_fields(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the journal's native protocol: FIELD=value lines, or for values of many lines the name, their length as 64 bit
    little-endian, and the value (systemd.io/JOURNAL_NATIVE_PROTOCOL)."""
    from logging_journald import JournaldLogHandler

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as journal:
        journal.bind(str(tmp_path / "journal"))
        from condenser_monitor.monitor.service import logs

        monkeypatch.setattr(logs, "check_journal_stream", lambda: True)
        monkeypatch.setattr(JournaldLogHandler, "SOCKET_PATH", tmp_path / "journal")
        log = logging.Logger("condenser_monitor.x")
        handler = logs.handler()
        assert isinstance(handler, JournaldLogHandler)
        log.addHandler(handler)
        try:
            json.loads("{")
        except ValueError as error:
            log.error("engine: a fault", exc_info=error, extra={"part": "engine"})
        entry = fields(journal.recv(1 << 20))
        handler.transport.socket.close()
    assert entry["MESSAGE"].startswith("engine: a fault")
    assert (entry["PRIORITY"], entry["LOGGER_NAME"], entry["EXTRA_PART"]) == ("3", "condenser_monitor.x", "engine")
    assert entry["CODE_FUNC"] == "test_the_journal_gets_one_entry_with_fields"
    assert "json.loads" in entry["TRACEBACK"]


def fields(data: bytes) -> dict[str, str]:
    """The fields of one datagram of the journal's native protocol."""
    found: dict[str, str] = {}
    while data:
        line, _, data = data.partition(b"\n")
        name, equals, value = line.partition(b"=")
        if not equals:
            size = int.from_bytes(data[:8], "little")
            value, data = data[8 : 8 + size], data[8 + size + 1 :]
        found[name.decode()] = value.decode()
    return found
