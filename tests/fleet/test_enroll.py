"""Enrolment proved against a real mosquitto: each site writes its own topics, reads its own requests, nothing else."""

from __future__ import annotations

import csv
import io
import queue
import time
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
import sqlalchemy as sa
from paho.mqtt.enums import CallbackAPIVersion

from condenser_monitor.monitor.commands import table
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import CommandError, SiteError
from condenser_monitor.monitor.fleet import (
    commands,
    customers,
    enroll,
    people,
    setup,
)
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit, sites
from condenser_monitor.monitor.publishers.messages import CHANNELS, topic
from condenser_monitor.sim.broker import PrivateBroker
from tests.conftest import need
from tests.fleet.office import about
from tests.fleet.payloads import NOON

_WAIT_S = 10.0
_BROKER = Broker(host="broker.test", port=8883, tls=True)


class Office:
    """A fleet with two sites and a broker that admits by the files which the fleet writes."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.store = Store(f"sqlite:///{home}/fleet.db")
        self.store.migrate()
        self.passwords = {enroll.FLEET_USER: enroll.fleet_password(self.store)}
        for site in ("elm-1", "elm-2"):
            self.passwords[site] = enroll.enroll(self.store, site, broker=_BROKER, by="test", now=0.0).password
        enroll.write_broker_files(self.store, home)
        self._add_observer()
        files = (f"password_file {home}/passwords", f"acl_file {home}/acl")
        self.broker = PrivateBroker(("allow_anonymous false", *files))

    def try_all(self, user: str, topics: Sequence[str]) -> set[str]:
        """Write to each topic, by a connection of its own (mosquitto 2.0.11 ends one at the first refused message);
        those that the broker took."""
        taken = set()
        for name in topics:
            with _peers(self, user) as (peer,):
                taken |= {name} if peer.write(name, "x") else set()
        return taken

    def _add_observer(self) -> None:
        """Somebody who sees every topic, to tell what really came through."""
        password, credential = enroll.new_credential()
        self.passwords["observer"] = password
        for name, line in (("passwords", f"observer:{credential}"), ("acl", "user observer\ntopic read #")):
            with (self.home / name).open("a") as file:
                file.write(line + "\n")

    def connect(self, user: str, password: str | None = None) -> Peer:
        return Peer(self.broker.port, user, self.passwords[user] if password is None else password)


class Peer:
    """A client at the broker: what the broker says to it, and what it receives."""

    def __init__(self, port: int, user: str, password: str) -> None:
        self.received: queue.Queue[tuple[str, bytes]] = queue.Queue()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5, reconnect_on_failure=False)
        self._client.username_pw_set(user, password)
        answers: queue.Queue[str] = queue.Queue()
        self._granted: queue.Queue[bool] = queue.Queue()
        self._taken: queue.Queue[bool] = queue.Queue()
        self.gone: queue.Queue[str] = queue.Queue()
        self._client.on_connect = lambda _c, _d, _f, code, _p: answers.put(str(code))
        self._client.on_subscribe = lambda _c, _d, _m, codes, _p: self._granted.put(not codes[0].is_failure)
        self._client.on_publish = lambda _c, _d, _m, code, _p: self._taken.put(not code.is_failure)
        self._client.on_message = lambda _c, _d, message: self.received.put((message.topic, bytes(message.payload)))
        self._client.on_disconnect = lambda _c, _d, _f, code, _p: self.gone.put(str(code))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.answer = answers.get(timeout=_WAIT_S)

    def listen(self, *topics: str) -> None:
        for name in topics:
            self._client.subscribe(name, 1)
            self._granted.get(timeout=_WAIT_S)

    def write(self, name: str, payload: str) -> bool:
        """Publish; whether the broker took it."""
        self._client.publish(name, payload, qos=1)
        return self._taken.get(timeout=_WAIT_S)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    """The office, closed at the end."""
    need("mosquitto")
    made = Office(tmp_path)
    yield made
    made.broker.close()
    made.store.close()


@contextmanager
def _peers(office: Office, *users: str) -> Iterator[list[Peer]]:
    peers = [office.connect(user) for user in users]
    try:
        yield peers
    finally:
        for peer in peers:
            peer.close()


def _all(peer: Peer, last: tuple[str, bytes]) -> list[tuple[str, bytes]]:
    """Everything received up to a message that surely comes."""
    got: list[Any] = []
    while not got or got[-1] != last:
        got.append(peer.received.get(timeout=_WAIT_S))
    return got


def test_a_site_writes_its_own_topics_and_nobody_elses(office: Office) -> None:
    """Of everything that a site tries to write, only what lies under its own name comes through, and no request."""
    own = {topic("elm-1", name) for name in CHANNELS if name != "requests"}
    with _peers(office, "observer", "elm-1") as (observer, site):
        observer.listen("#")
        assert office.try_all("elm-1", _tried()) == own
        last = topic("elm-1", "availability")
        site.write(last, "end")
        got = _all(observer, (last, b"end"))
    assert {name for name, _ in got} == own


def test_the_fleet_is_given_what_sites_write(office: Office) -> None:
    """Its shared subscriptions pass the ACL; what it reads is every topic that a site writes."""
    shared = ("events", "cycles", "unit", "answers")
    with _peers(office, enroll.FLEET_USER, "elm-1") as (fleet, site):
        fleet.listen(*(f"$share/condenser-fleet/{topic('+', name)}" for name in shared), topic("+", "availability"))
        for name in (*shared, "readings", "availability"):
            site.write(topic("elm-1", name), name)
        got = _all(fleet, (topic("elm-1", "availability"), b"availability"))
    assert {name for name, _ in got} == {topic("elm-1", name) for name in (*shared, "availability")}


def _tried() -> list[str]:
    own = [topic(site, name) for site in ("elm-1", "elm-2", "elm-10", "ELM-1", enroll.FLEET_USER) for name in CHANNELS]
    return [*own, "condenser/v1/elm-1/other", "condenser/v1/elm-1/events/more", "condenser/v2/elm-1/events", "free"]


def test_a_site_reads_its_own_requests_and_unit_and_nothing_else(office: Office) -> None:
    """A site that subscribes to everything is given these two only, though the broker grants the rest."""
    with _peers(office, enroll.FLEET_USER, "elm-1", "elm-2") as (fleet, one, two):
        one.listen(
            "#", "condenser/v1/+/requests", "condenser/v1/elm-2/#", "$share/condenser-fleet/condenser/v1/+/events"
        )
        for name in ("events", "unit", "availability", "answers", "cycles"):
            two.write(topic("elm-2", name), "secret")
            one.write(topic("elm-1", name), "own")
        fleet.write(topic("elm-2", "requests"), "for two")
        fleet.write(topic("elm-1", "requests"), "for one")
        got = _all(one, (topic("elm-1", "requests"), b"for one"))
    assert {name for name, _ in got} == {topic("elm-1", "requests"), topic("elm-1", "unit")}


def test_the_fleet_may_ask_but_not_speak_for_a_site(office: Office) -> None:
    """The office's own account cannot forge what sites say."""
    assert office.try_all(enroll.FLEET_USER, [topic("elm-1", name) for name in CHANNELS]) == {
        topic("elm-1", "requests")
    }


@pytest.mark.parametrize(("user", "password"), [("elm-1", "wrong"), ("elm-1", ""), ("nobody", "x"), ("", "")])
def test_nobody_comes_in_without_the_right_password(office: Office, user: str, password: str) -> None:
    """A wrong password, none, an unknown name and an anonymous client are refused."""
    peer = office.connect(user, password)
    peer.close()
    assert peer.answer == "Not authorized"


def test_revocation_ends_the_connection_and_the_right_to_come_back(office: Office) -> None:
    """The broker reads its files again, disconnects the site and refuses it; the neighbour stays connected."""
    with _peers(office, "elm-1", "elm-2") as (one, two):
        enroll.revoke(office.store, "elm-1", by="test", now=1.0)
        enroll.write_broker_files(office.store, office.home, office.broker.pid)
        one.gone.get(timeout=_WAIT_S)
        two.write(topic("elm-2", "events"), "still here")
        assert two.gone.empty()
        again = office.connect("elm-1")
        again.close()
        assert again.answer == "Not authorized"


def test_a_new_password_ends_the_old_one(office: Office) -> None:
    """After `renew` only the new password opens."""
    old = office.passwords["elm-1"]
    new = enroll.renew(office.store, "elm-1", broker=_BROKER, by="test", now=1.0).password
    enroll.write_broker_files(office.store, office.home, office.broker.pid)
    until = time.monotonic() + _WAIT_S
    answers: dict[str, Any] = {}
    while answers != {old: "Not authorized", new: "Success"} and time.monotonic() < until:
        for password in (old, new):
            peer = office.connect("elm-1", password)
            answers[password] = peer.answer
            peer.close()
    assert answers == {old: "Not authorized", new: "Success"}


def test_the_part_of_the_site_file_is_one_that_the_monitor_takes(tmp_path: Path) -> None:
    """What `enroll` prints is a valid site file, whatever is in the name, and holds no password."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    made = enroll.enroll(store, "elm-9", broker=_BROKER, by="test", now=0.0, name='Elm "9" \\ ü\n[mqtt]')
    settings = config.parse(made.site_file)
    assert (settings.site.id, settings.site.name) == ("elm-9", 'Elm "9" \\ ü\n[mqtt]')
    assert (settings.mqtt.host, settings.mqtt.port, settings.mqtt.username) == ("broker.test", 8883, "elm-9")
    assert settings.mqtt.tls
    assert made.password not in made.site_file
    with store.read() as connection:
        assert made.password not in str(connection.execute(sa.select(sites)).all())
        assert [row.did for row in connection.execute(sa.select(audit))] == ["enrolled"]


@pytest.mark.parametrize("site", ["", "a b", "a/b", "+", "#", "-a", "a-", "fleet_ingest", "ä", "a" * 65])
def test_a_name_that_cannot_be_in_a_topic_is_refused(tmp_path: Path, site: str) -> None:
    """Nothing that would reach beyond a site's own topics becomes a site; nothing is written."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    with pytest.raises(CommandError):
        enroll.enroll(store, site, broker=_BROKER, by="test", now=0.0)
    assert enroll.broker_files(store)[0] == ""


def test_the_command_enrols_and_says_what_to_put_where(tmp_path: Path) -> None:
    """`fleet enroll` prints the site's part of the site file; a second time it refuses; the fleet's password is in a
    file that only its owner may read."""
    settings = FleetSettings(
        database=Database(url=f"sqlite:///{tmp_path}/fleet.db"),
        broker=Broker(files=str(tmp_path), password_file=str(tmp_path / "own")),
    )
    commands.migrate(settings)
    said = commands.enroll_site(settings, "elm-1", customer="A customer", phone="")
    assert tomllib.loads(said)["site"]["id"] == "elm-1"
    with pytest.raises(CommandError, match="renew"):
        commands.enroll_site(settings, "elm-1")
    commands.own_credential(settings)
    assert (tmp_path / "own").stat().st_mode & 0o777 == 0o600
    users = [line.split(":")[0] for line in (tmp_path / "passwords").read_text().splitlines()]
    assert users == ["fleet_ingest", "elm-1"]
    assert commands.revoke_site(settings, "elm-1").startswith("elm-1 is revoked")
    assert "elm-1" not in (tmp_path / "acl").read_text()


def _fleet(arguments: list[str]) -> int:
    args = table.parser().parse_args(["fleet", *arguments])
    status: int = args.run(args)
    return status


def test_an_office_is_set_up_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """From nothing to a site and a person: database, the fleet's own password, enrolment with a nameplate, sign-in."""
    site, fleet = tmp_path / "site.toml", tmp_path / "fleet.toml"
    site.write_text("[unit]\ncompressor_rla_a = 12.8\ncompressor_lra_a = 68.0\n")
    fleet.write_text(
        f'name = "Our plan"\n[database]\nurl = "sqlite:///{tmp_path}/fleet.db"\n'
        f'[broker]\nfiles = "{tmp_path}"\npassword_file = "{tmp_path}/own"\n'
    )
    at = ["--fleet", str(fleet)]
    for arguments in (["migrate"], ["credential"], ["enroll", "elm-1", "--name", "Elm", "--site-file", str(site)]):
        assert _fleet([*at, *arguments]) == 0
    monkeypatch.setattr("sys.stdin", io.StringIO("long enough words\n"))
    monkeypatch.setattr(
        "condenser_monitor.monitor.commands.shared.serve_until_interrupted",
        lambda _app, pages, _words: print("page", pages.port),
    )
    assert _fleet([*at, "add-user", "Robin", "--role", "owner"]) == 0
    for arguments in (["renew", "elm-1"], ["revoke", "elm-1"], ["broker-files"], ["broker-config"], ["tidy"], ["page"]):
        assert _fleet([*at, *arguments]) == 0
    said = capsys.readouterr().out
    assert "robin" in said.casefold()
    assert f"acl_file {tmp_path}/acl" in said
    assert "page 8126" in said
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    with store.read() as connection:
        assert connection.scalars(sa.select(sites.c.unit)).one()["compressor_rla_a"] == 12.8
    token = people.sign_in(store, "robin", "long enough words", address="", now=time.time())
    assert token is not None


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[broker]\nport = 70000", "broker.port"),
        ("[broker]\nhots = 'x'", "broker.hots"),
        ("[pages]\ntemperature = 'K'", "pages.temperature"),
        ("database = 3", "database"),
        ("[", "TOML"),
    ],
)
def test_a_fleet_file_that_cannot_be_used_is_refused_by_name(text: str, named: str) -> None:
    """As strict as a site file: key, what was given, what is allowed."""
    with pytest.raises(SiteError, match=named):
        setup.parse(text)


def test_lines_for_the_broker_are_lines_that_the_broker_takes(tmp_path: Path) -> None:
    """mosquitto starts with them, and admits by the files they name."""
    need("mosquitto")
    for name in ("passwords", "acl"):
        (tmp_path / name).write_text("")
    lines = enroll.broker_config(tmp_path).splitlines()
    with PrivateBroker([line for line in lines if not line.startswith("persistence")]) as broker:
        peer = Peer(broker.port, "elm-1", "x")
        peer.close()
    assert peer.answer == "Not authorized"


def _listed(tmp_path: Path, text: str) -> tuple[FleetSettings, Path]:
    settings = FleetSettings(
        database=Database(url=f"sqlite:///{tmp_path}/fleet.db"),
        broker=Broker(files=str(tmp_path), password_file=str(tmp_path / "own")),
    )
    commands.migrate(settings)
    (tmp_path / "list.csv").write_text(text)
    return settings, tmp_path / "list.csv"


def test_a_list_brings_nameplates_under_its_own_names_of_columns(tmp_path: Path) -> None:
    """The right contactor is loaded from the first day on."""
    text = "site,Client,Rated amps,Locked rotor\nelm-1,Ada,12.8,68\nelm-2,Bob,,\n"
    settings, file = _listed(tmp_path, text)
    columns = ("customer=Client", "compressor_rla_a=Rated amps", "compressor_lra_a=Locked rotor")
    assert "2 enrolled" in commands.customers(settings, str(file), to=str(tmp_path / "out"), columns=columns)
    with commands.opened(settings).read() as connection:
        rows = [about(connection, name) for name in ("elm-1", "elm-2")]
    assert [(row.customer, row.unit) for row in rows] == [
        ("Ada", {"compressor_rla_a": 12.8, "compressor_lra_a": 68.0}),
        ("Bob", None),
    ]


@pytest.mark.parametrize(
    ("line", "place"),
    [
        ("elm-1,soon,12.8", "line 3: plan_visit_due"),
        ("elm-1,2026-07-01,much", "line 3: nameplate"),
        ("elm-1,2026-07-01,-4", "line 3: nameplate"),
    ],
)
def test_a_bad_line_of_a_list_is_named_and_nobody_is_enrolled(tmp_path: Path, line: str, place: str) -> None:
    """With its number and its column."""
    settings, file = _listed(tmp_path, f"site,plan_visit_due,compressor_rla_a\nelm-0,2026-07-01,12.8\n{line}\n")
    with pytest.raises(CommandError, match=place):
        commands.customers(settings, str(file), to=str(tmp_path / "out"))
    with commands.opened(settings).read() as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(sites)) == 0


def test_a_folder_that_cannot_be_written_enrolls_nobody(tmp_path: Path) -> None:
    """Or their passwords would be lost."""
    settings, file = _listed(tmp_path, "site\nelm-1\n")
    (tmp_path / "out").write_text("a file")
    with pytest.raises(CommandError, match="--to"):
        commands.customers(settings, str(file), to=str(tmp_path / "out"))
    (tmp_path / "out").unlink()
    assert "1 enrolled" in commands.customers(settings, str(file), to=str(tmp_path / "out"))
    assert (tmp_path / "out" / "elm-1.password").exists()


def test_the_list_that_comes_out_goes_in_again_unchanged(tmp_path: Path) -> None:
    """Under the list's own names of columns, nameplate and all; a text that a spreadsheet would take for a formula is
    marked, and read back as it was."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    known = {"name": "=SUM(A1)", "customer": 'Rowan, "R"', "phone": "+1 555 0101", "vulnerability": 1}
    plate = {"compressor_rla_a": 14.1, "contactor_poles": 2}
    enroll.enroll(store, "elm", broker=Broker(), by="test", now=NOON, **known, unit=plate)
    enroll.enroll(store, "gone", broker=Broker(), by="test", now=NOON)
    enroll.revoke(store, "gone", by="test", now=NOON)
    text = "".join(customers.lines(store, {"customer": "Client"}))
    header, line = csv.reader(text.splitlines())
    row = dict(zip(header, line, strict=True))
    assert (row["site"], row["Client"], row["name"], row["compressor_rla_a"]) == (
        "elm",
        'Rowan, "R"',
        "'=SUM(A1)",
        "14.1",
    )
    (tmp_path / "out.csv").write_text(text, encoding="utf-8")
    read = customers.read(tmp_path / "out.csv", {"Client": "customer"})
    assert read == {"elm": {**known, "unit": plate}}
    with pytest.raises(CommandError, match="--column"):
        next(customers.lines(store, {"nothing": "x"}))
    store.close()
