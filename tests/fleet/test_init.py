"""An office begun by one command, tried against a real broker; and the list of customers."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import time
import tomllib
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError, CondenserError, DatabaseError
from condenser_monitor.monitor.fleet import (
    commands,
    customers,
    enroll,
    init,
    setup,
)
from condenser_monitor.monitor.fleet.init import settings_in
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import audit
from condenser_monitor.sim.broker import free_port, mosquitto
from tests.conftest import need
from tests.fleet.office import about


def test_the_fleet_file_is_read_back_as_it_was_meant(tmp_path: Path) -> None:
    """Every key is written, and the reader finds the same settings, with TLS and without."""
    for tls in (False, True):
        settings = settings_in(tmp_path / 'a "folder"', host="broker.test", tls=tls)
        text = init.fleet_file(settings)
        assert setup.parse(text) == settings
        keys = {(table, key) for table, rows in tomllib.loads(text).items() if table != "name" for key in rows}
        every = msgspec.to_builtins(settings)
        wanted = {(table, key) for table in ("database", "broker", "pages") for key in every[table]}
        assert wanted - keys == {("broker", "username"), ("broker", "keepalive_s")}


def _office(tmp_path: Path) -> FleetSettings:
    """An office in a new folder, on a free port."""
    init.begin(str(tmp_path / "office"))
    file = tmp_path / "office" / "fleet.toml"
    port = free_port()
    file.write_text(file.read_text().replace("port = 1883", f"port = {port}"))
    config = tmp_path / "office" / "broker" / "mosquitto.conf"
    config.write_text(config.read_text().replace("listener 1883", f"listener {port}"))
    return setup.load(file)


def test_a_begun_office_has_a_broker_that_takes_it_and_its_sites(tmp_path: Path) -> None:
    """mosquitto runs with the file that was written; `check` is let in; a site enrolled meanwhile too, once revoked
    no more; and without the broker `check` says what fails."""
    need("mosquitto", mosquitto() is not None)
    settings = _office(tmp_path)
    said, status = commands.check(settings)
    assert status == 1
    assert "PROBLEM: broker 127.0.0.1" in said
    program = [mosquitto() or "", "-c", f"{settings.broker.files}/mosquitto.conf"]
    process = subprocess.Popen(program, stderr=subprocess.DEVNULL)
    try:
        said = _until_let_in(settings)
        assert "takes fleet_ingest" in said
        assert "0 sites enrolled" in said
        assert "PROBLEM: no ingest worker lives" in said
        told = commands.enroll_site(settings, "elm-1", to=str(tmp_path / "handed"))
        assert "the broker reads it again" in told
        own = tmp_path / "handed" / "elm-1.password"
        assert own.stat().st_mode & 0o777 == 0o600
        site = msgspec.structs.replace(settings.broker, username="elm-1", password_file=str(own))
        _until_let_in(msgspec.structs.replace(settings, broker=site))
        commands.revoke_site(settings, "elm-1")
        _until_let_in(msgspec.structs.replace(settings, broker=site), refused=True)
    finally:
        process.terminate()
        process.wait(timeout=10)


def _until_let_in(settings: FleetSettings, *, refused: bool = False) -> str:
    """What `check` says, once the broker has started and read its files; with `refused`, once it refuses."""
    until, said = time.monotonic() + 10.0, ""
    while time.monotonic() < until:
        said, _ = commands.check(settings)
        if refused is ("does not let the fleet in" in said):
            return said
        time.sleep(0.05)
    raise AssertionError(said)


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    """Nothing is overwritten."""
    (tmp_path / "mine").write_text("mine")
    with pytest.raises(CommandError, match="empty or new"):
        init.begin(str(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]


def test_the_services_are_units_that_systemd_takes(tmp_path: Path) -> None:
    """systemd-analyze verify finds nothing wrong with them."""
    need("systemd-analyze", shutil.which("systemd-analyze") is not None)
    program = tmp_path / "program"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    for name, text in init.units(tmp_path, settings_in(tmp_path), "daemon").items():
        place = tmp_path / name.replace("@.", "@1.")
        lines = [f"ExecStart={program}" if line.startswith("ExecStart=") else line for line in text.splitlines()]
        place.write_text("\n".join(lines) + "\n")
        done = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", str(place)],
            check=False,
            capture_output=True,
            text=True,
            timeout=60,
        )
        said = [line for line in done.stderr.splitlines() if name.split("@")[0].split(".")[0] in line]
        assert said == [], said


def test_the_site_is_told_where_the_authority_lies_on_its_own_disk(tmp_path: Path) -> None:
    """Not where the office keeps it; the file itself is handed out beside the password."""
    (tmp_path / "ca.crt").write_text("authority")
    broker = Broker(host="broker.test", tls=True, ca_file=str(tmp_path / "ca.crt"))
    settings = FleetSettings(database=Database(url=f"sqlite:///{tmp_path}/fleet.db"), broker=broker)
    commands.migrate(settings)
    commands.enroll_site(settings, "elm-1", to=str(tmp_path / "handed"))
    part = tomllib.loads((tmp_path / "handed" / "elm-1.toml").read_text())
    assert part["mqtt"]["ca_file"] == enroll.SITE_CA
    assert (tmp_path / "handed" / Path(enroll.SITE_CA).name).read_text() == "authority"


def test_a_broker_that_is_not_there_is_no_obstacle_to_enrolment(tmp_path: Path) -> None:
    """No process file, one of a process that has gone, one with nonsense: said, not raised."""
    for text in (None, "999999999", "nonsense"):
        if text is not None:
            (tmp_path / "pid").write_text(text)
        assert "reads" in enroll.reload_broker(str(tmp_path / "pid")) or "could not" in enroll.reload_broker(
            str(tmp_path / "pid")
        )


# ---------------------------------------------------------------- customers


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """An empty database."""
    made = Store(f"sqlite:///{tmp_path}/fleet.db")
    made.migrate()
    return made


def _read(tmp_path: Path, text: str) -> dict[str, dict[str, object]]:
    (tmp_path / "list.csv").write_text(text, encoding="utf-8-sig")
    return customers.read(tmp_path / "list.csv")


def test_a_list_enrols_new_sites_and_changes_known_ones(store: Store, tmp_path: Path) -> None:
    """As spreadsheets write it, with their mark at the beginning; an empty cell changes nothing; twice is as once."""
    text = 'site,name,customer,vulnerability\nelm-1,"Elm, 1",Somebody,2\nelm-2,Two,,\n'
    for expected in ((2, 0), (0, 0)):
        made, changed = customers.enroll_rows(store, _read(tmp_path, text), broker=Broker(), by="test", now=1.0)
        assert (len(made), changed) == expected
    later = "site,phone,name\nelm-1,555-0101,\n"
    assert customers.enroll_rows(store, _read(tmp_path, later), broker=Broker(), by="test", now=2.0) == ([], 1)
    with store.read() as connection:
        row = about(connection, "elm-1")
        did = [line.did for line in connection.execute(sa.select(audit).order_by(audit.c.id))]
    assert (row.name, row.customer, row.phone, row.vulnerability) == ("Elm, 1", "Somebody", "555-0101", 2)
    assert did == ["enrolled", "enrolled", "changed"]


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", "header"),
        ("name\nx\n", "header"),
        ("site,colour\na,red\n", "header"),
        ("site,name\na b,x\n", "line 2"),
        ("site,name\na,x\na,y\n", "line 3"),
        ("site,name\na,x,y\n", "line 2"),
        ("site,name\na\n", "line 2"),
        ("site,vulnerability\na,9\n", "line 2: vulnerability"),
        ("site,plan_visit_due\na,soon\n", "line 2: plan_visit_due"),
        (f"site,name\na,{'x' * 501}\n", "line 2: name"),
    ],
)
def test_a_list_that_cannot_be_used_is_refused_by_line_and_changes_nothing(
    tmp_path: Path, text: str, named: str
) -> None:
    """What was given and what is allowed."""
    with pytest.raises(CommandError, match=named):
        _read(tmp_path, text)


@pytest.mark.parametrize("name", init.units(Path("/office"), settings_in(Path("/office")), "daemon"))
def test_systemd_judges_the_exposure_of_each_service_low(name: str, tmp_path: Path) -> None:
    """systemd-analyze security, offline: as low as the monitor's own units are held to."""
    need("systemd-analyze", shutil.which("systemd-analyze") is not None)
    place = tmp_path / name.replace("@.", "@1.")
    place.write_text(init.units(tmp_path, settings_in(tmp_path), "daemon")[name])
    command = ["systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=16", str(place)]
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout[-300:]


def test_an_office_is_changed_to_tls_and_another_host_by_the_same_command(tmp_path: Path) -> None:
    """Database, passwords and other keys stay; an authority and a certificate are made that mosquitto and the fleet
    take; sites enrolled afterwards get the new host; `check` says when the certificate ends."""
    need("mosquitto", mosquitto() is not None)
    need("openssl", shutil.which("openssl") is not None)
    home = tmp_path / "office"
    said = init.begin(str(home))
    assert "WARNING: no Pi can reach 127.0.0.1" in said
    file = home / "fleet.toml"
    file.write_text(file.read_text().replace('temperature = "F"', 'temperature = "C"'))
    password = (home / "fleet.password").read_text()
    port = free_port()
    said = init.begin(str(home), init.Wishes(host="localhost", tls=True, port=port, time_zone="Australia/Sydney"))
    assert "ends in 825 days" in said
    settings = setup.load(file)
    assert (settings.broker.host, settings.broker.tls, settings.broker.port) == ("localhost", True, port)
    assert (settings.time_zone, settings.pages.temperature) == ("Australia/Sydney", "C")
    assert (home / "fleet.password").read_text() == password
    assert 'temperature = "C"' in (home / "fleet.toml.before").read_text()
    assert (home / "broker" / "ca.key").stat().st_mode & 0o077 == 0
    process = subprocess.Popen([mosquitto() or "", "-c", f"{home}/broker/mosquitto.conf"], stderr=subprocess.DEVNULL)
    try:
        said = _until_let_in(settings)
        assert re.search(r"certificate: 82[45] days left", said)
        assert 'host = "localhost"' in commands.enroll_site(settings, "elm-1")
    finally:
        process.terminate()
        process.wait(timeout=10)


def test_a_name_that_the_office_itself_does_not_find_is_said_with_what_to_do(tmp_path: Path) -> None:
    """`.invalid` is never found (RFC 2606, 2): `init` warns, and `check` names the name and not the certificate; one
    that is found is not warned of."""
    home = tmp_path / "office"
    said = init.begin(str(home), init.Wishes(host="broker.invalid", tls=True))
    wanted = "a line `127.0.0.1 broker.invalid` in /etc/hosts"
    assert "WARNING: broker.invalid is not found from here, and ingest asks for it: a name" in said
    assert wanted in said
    problems, status = commands.check(setup.load(home / "fleet.toml"))
    assert status == 1
    assert wanted in problems
    said = init.begin(str(home), init.Wishes(host="192.0.2.1", pages="0.0.0.0"))
    assert "WARNING" not in said
    assert "http://127.0.0.1:8126/" in said


def test_what_init_says_of_the_services_is_what_the_readme_says(tmp_path: Path) -> None:
    """Word by word, for the folder of the README; and the copy needs no look into the folder, which only its owner
    has: a pattern would be expanded by whoever calls sudo, and match nothing."""
    said = init.begin(str(tmp_path / "office")).replace(str(tmp_path), "/srv/fleet")
    readme = (Path(init.__file__).parent / "README.md").read_text().splitlines()
    lines = [line.strip() for line in said.splitlines() if line.startswith("  sudo ")]
    assert [line.split()[1] for line in lines] == ["cp", "systemctl"]
    assert set(lines) <= set(readme)
    assert "*" not in lines[0]
    copied = tmp_path / "system"
    copied.mkdir()
    source = shlex.split(lines[0])[3].replace("/srv/fleet", str(tmp_path))
    subprocess.run(["cp", "-r", source, f"{copied}/"], check=True)
    started = shlex.split(lines[1])[4:]
    assert {f"{name.replace('@1', '@')}.service" for name in started} == {path.name for path in copied.iterdir()}


@pytest.mark.parametrize(
    "wishes",
    [init.Wishes(time_zone="Mars/Olympus"), init.Wishes(port=70_000), init.Wishes(host="a\nb"), init.Wishes(name=" ")],
    ids=repr,
)
def test_what_cannot_be_wished_leaves_the_office_as_it_was(tmp_path: Path, wishes: init.Wishes) -> None:
    """Nothing is written before everything asked for has been found good."""
    init.begin(str(tmp_path / "office"))
    before = (tmp_path / "office" / "fleet.toml").read_text()
    with pytest.raises(CondenserError):
        init.begin(str(tmp_path / "office"), wishes)
    assert (tmp_path / "office" / "fleet.toml").read_text() == before


def test_a_person_is_asked_until_each_answer_can_be_used_and_an_empty_one_keeps_what_is_so(tmp_path: Path) -> None:
    """Name, host, encryption, port and time zone, each with what holds now; a wrong answer is named and asked again,
    and encryption is not lost where the office is gone through once more with empty lines."""
    folder = str(tmp_path / "office")

    def gone_through(*answers: str) -> tuple[init.Wishes, list[str], list[str]]:
        left, questions, refused = list(answers), list[str](), list[str]()

        def answer(question: str) -> str:
            questions.append(question)
            return left.pop(0)

        wishes = init.asked(folder, answer, refused.append)
        assert not left
        return wishes, questions, refused

    wishes, questions, refused = gone_through(
        *("Fern & Sons", "office.example", "1883", "Yes", "883x", "70000", "8884", "Chicago", "America/Chicago")
    )
    assert wishes == init.Wishes(
        name="Fern & Sons", host="office.example", tls=True, port=8884, time_zone="America/Chicago"
    )
    assert [text.rpartition("(empty: ")[2] for text in questions[:2]] == [
        "Maintenance plan): ",
        "127.0.0.1, this machine alone): ",
    ]
    assert "(empty: 8883)" in questions[4]  # what is usual with the encryption just chosen
    assert [
        next(part for part in ("yes or no", "1 to 65535", "America/Chicago") if part in text) for text in refused
    ] == ["yes or no", "1 to 65535", "1 to 65535", "America/Chicago"]
    init.begin(folder, wishes)
    before = setup.load(Path(folder) / "fleet.toml")
    again, questions, _ = gone_through(*[""] * 5)
    assert again == init.Wishes()
    assert "(empty: yes)" in questions[2]
    init.begin(folder, again)
    assert setup.load(Path(folder) / "fleet.toml") == before


def test_an_office_whose_database_could_not_be_reached_is_finished_the_next_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its files were written before the database failed; the fleet's own password is not left out then."""

    def unreachable(_: FleetSettings) -> None:
        raise DatabaseError("postgresql://fleet@database/fleet", "connection refused", "a reachable database")

    with monkeypatch.context() as failing:
        failing.setattr(commands, "migrate", unreachable)
        with pytest.raises(DatabaseError):
            init.begin(str(tmp_path / "office"))
    init.begin(str(tmp_path / "office"))
    password = (tmp_path / "office" / "fleet.password").read_text()
    assert len(password) > 20
    init.begin(str(tmp_path / "office"))
    assert (tmp_path / "office" / "fleet.password").read_text() == password
    assert "fleet_ingest:" in (tmp_path / "office" / "broker" / "passwords").read_text()


@pytest.mark.parametrize(("first", "told"), [("mosquitto", True), ("systemd", False)])
def test_the_first_process_is_told_only_where_it_is_the_broker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, first: str, told: bool
) -> None:
    """In a container of its own the broker is process 1; anywhere else that is the system's."""
    (tmp_path / "comm").write_text(f"{first}\n")
    (tmp_path / "pid").write_text("1\n")
    sent: list[tuple[int, int]] = []
    monkeypatch.setattr(enroll, "_FIRST_PROCESS", tmp_path / "comm")
    monkeypatch.setattr(os, "kill", lambda pid, number: sent.append((pid, number)))
    words = enroll.reload_broker(str(tmp_path / "pid"))
    assert sent == [(1, signal.SIGHUP)] * told
    assert ("could not be told" in words) is not told
