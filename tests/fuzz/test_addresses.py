"""Addresses and small files that name something else: the office's database, a broker, its certificates, a process."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.errors import BrokerError, CommandError, DatabaseError
from condenser_monitor.monitor.fleet.enroll import reload_broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.publishers.broker import tls_context
from condenser_monitor.monitor.service.run_loop import ServiceWatchdog
from condenser_monitor.sim.season_broker import broker_at
from tests.fuzz.damage import ODD_TEXTS
from tests.fuzz.refusals import (
    fuzzed,
    looked_at,
    soon,
    tried,
)

_HOST = st.one_of(
    st.sampled_from(
        ["localhost", "[::1]", "[::1", "h:", "h:0", "h:65536", "h:-1", "h:1:2", "@h", "a@h", "h/x", "h?x", "h#x", "%00"]
    ),
    ODD_TEXTS,
)
_URL = st.one_of(
    st.tuples(
        st.sampled_from(["sqlite://", "sqlite:///", "postgresql://", "mysql://", "://", "sqlite+x:///"]), _HOST
    ).map("".join),
    ODD_TEXTS,
)


@fuzzed(150)
@given(url=_URL)
def test_a_database_is_named_or_refused(tmp_path_factory: pytest.TempPathFactory, url: str) -> None:
    """An address of any letters: a store, or a refusal in words. No server is called; files go to a folder of ours."""
    was = Path.cwd()
    os.chdir(tmp_path_factory.getbasetemp())
    try:
        with soon():
            store = tried(lambda: Store(url), DatabaseError)
            if store is not None and not store.postgres and "/" not in str(store.url.database):
                tried(store.check, DatabaseError)
                store.close()
    finally:
        os.chdir(was)


@pytest.mark.parametrize("content", [bytes(range(256)) * 20, b"", b"SQLite format 3\x00" + b"\xff" * 2000])
def test_a_file_that_is_no_database_is_refused(tmp_path: Path, content: bytes) -> None:
    """Binaries, nothing, a header without a body."""
    (tmp_path / "fleet.db").write_bytes(content)
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    with pytest.raises(DatabaseError) as caught:
        store.check()
    looked_at(caught.value)
    store.close()


@fuzzed(150)
@given(place=_HOST)
def test_a_broker_is_named_or_refused(place: str) -> None:
    """HOST or HOST:PORT of any letters."""
    made = tried(lambda: broker_at(place), CommandError)
    assert made is None or (made.host and 0 < made.port < 65536)


@pytest.mark.parametrize(
    "text", ["0", "-1", "1", "-" + "9" * 30, "9" * 30, "", "x", "1 2", "\x00", "9" * 5000, "-0", "٠"]
)
def test_no_file_of_a_process_number_signals_many(tmp_path: Path, text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """0 and below mean a whole group, or every process there is: never signalled, told in words."""
    signalled: list[int] = []

    def kill(pid: int, number: int) -> None:
        signalled.append(pid)
        raise OverflowError("too large")

    monkeypatch.setattr(os, "kill", kill)
    (tmp_path / "pid").write_text(text)
    assert "could not be told" in reload_broker(str(tmp_path / "pid"))
    assert all(pid > 1 for pid in signalled)


@pytest.mark.parametrize("path", [".", "/dev/zero", "missing", "binary", "half"])
def test_certificates_that_are_none_are_refused(path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder, a device without end, names that no file can have, other bytes."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "binary").write_bytes(bytes(range(256)) * 20)
    (tmp_path / "half").write_text("-----BEGIN CERTIFICATE-----\nAAAA")
    with soon(), pytest.raises(BrokerError) as caught:
        tls_context(path)
    looked_at(caught.value)


@fuzzed(100)
@given(address=st.one_of(st.binary(max_size=150), st.just(b"@" + b"x" * 200)))
def test_a_service_manager_of_any_address_is_told_or_not(address: bytes) -> None:
    """NOTIFY_SOCKET may be anything that an environment holds: no error of ours."""
    ServiceWatchdog(os.fsdecode(address.replace(b"\x00", b""))).notify("READY=1")
