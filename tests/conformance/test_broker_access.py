"""Passwords, access lists, TLS, an older protocol: a monitor against brokers that are set up with care."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

import condenser_monitor.sim.broker
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import BrokerError
from condenser_monitor.monitor.publishers.broker import read_password, session_id
from condenser_monitor.sim.broker import PrivateBroker
from tests.conformance.mqtt_tools import Listener
from tests.conformance.stations import Station, site
from tests.conftest import need
from tests.monitor.edge_tools import change, until

pytestmark = pytest.mark.usefixtures("impatient_publishers")
SECRET = "correct horse battery"
OFFICE = ("-V", "5", "-u", "office", "-P", SECRET)


def secret_file(folder: Path, text: str = SECRET + "\n", mode: int = 0o600) -> str:
    """A password file."""
    path = folder / "password"
    path.write_text(text)
    path.chmod(mode)
    return str(path)


def passwords(folder: Path, *names: str) -> str:
    """mosquitto's own password file, all with the same password."""
    path = folder / "passwords"
    path.touch()
    for name in names:
        command = ["mosquitto_passwd", "-b", str(path), name, SECRET]
        subprocess.run(command, check=True, timeout=20, capture_output=True)
    path.chmod(0o644)
    return str(path)


def guarded(folder: Path, acl: str) -> PrivateBroker:
    """A broker with passwords and an access list; the office may do everything."""
    need("mosquitto")
    need("mosquitto_passwd", shutil.which("mosquitto_passwd") is not None)
    rules = folder / "acl"
    rules.write_text(f"user office\ntopic readwrite #\n\n{acl}\n")
    rules.chmod(0o644)
    files = passwords(folder, "office", "site-a")
    return PrivateBroker(["allow_anonymous false", f"password_file {files}", f"acl_file {rules}"])


SITE_RULES = """pattern write condenser/v1/%u/#
pattern read condenser/v1/%u/requests
"""


@pytest.fixture
def open_folder(tmp_path: Path) -> Path:
    """A directory that a broker running as another user can read."""
    for parent in (tmp_path, *tmp_path.parents[:2]):
        parent.chmod(0o755)
    return tmp_path


def test_a_site_with_its_password_writes_its_own_topics(open_folder: Path, keep: config.HistorySettings) -> None:
    """User name, password from a file, and an access list of one site's topics are all that is needed."""
    with guarded(open_folder, SITE_RULES) as broker:
        settings = site(broker, username="site-a", password_file=secret_file(open_folder), site="site-a")
        with Listener(broker, "condenser/#", options=OFFICE) as client:
            station = Station(settings, keep)
            station.step(change())
            client.wait_named("events")
            client.wait_named("unit")
            assert station.error == ""
            station.stop()


def test_a_wrong_password_is_said_without_telling_it(open_folder: Path, keep: config.HistorySettings) -> None:
    """The broker's refusal is on the health page; the password is not."""
    with guarded(open_folder, SITE_RULES) as broker:
        wrong = secret_file(open_folder, "let me in")
        station = Station(site(broker, username="site-a", password_file=wrong), keep)
        until(lambda: "Not authorized" in station.error)
        assert "let me in" not in station.error
        station.stop()


def test_another_account_cannot_end_the_monitors_session(open_folder: Path, keep: config.HistorySettings) -> None:
    """A second client of the same name ends the session of the first (MQTT 5, 3.1.4), so the name is not to be guessed:
    who connects under the site's plain name is another client, and the monitor stays online."""
    with guarded(open_folder, SITE_RULES) as broker:
        settings = site(broker, username="site-a", password_file=secret_file(open_folder), site="site-a")
        with Listener(broker, "condenser/#", options=OFFICE) as client:
            station = Station(settings, keep)
            station.step()
            client.wait(lambda heard: [one.payload for one in heard if one.name == "availability"] == ["online"])
            with Listener(broker, "none", options=OFFICE, session=("-i", "condenser-monitor-site-a")):
                station.step(change())
                client.wait_named("events")
            assert [one.payload for one in client.named("availability")] == ["online"]
            assert station.error == ""
            station.stop()


def test_the_name_of_a_session_stays_and_tells_no_password() -> None:
    """The same each time, as what waits at the broker is found by it; another password or site, another name."""
    names = {session_id("condenser-monitor-a", SECRET), session_id("condenser-monitor-a", SECRET)}
    assert len(names | {session_id("condenser-monitor-a", "other"), session_id("condenser-monitor-b", SECRET)}) == 3
    assert all(SECRET not in name and name.startswith("condenser-monitor-a-") for name in names)
    assert session_id("condenser-monitor-a", None) == "condenser-monitor-a"


def test_a_message_the_broker_refuses_is_not_taken_for_sent(open_folder: Path, keep: config.HistorySettings) -> None:
    """The access list forbids another site's topics: mosquitto acknowledges with "Not authorized" (MQTT 5, 3.4.2.1);
    the row waits, and goes out when the list has been mended."""
    with guarded(open_folder, SITE_RULES) as broker:
        settings = site(broker, username="site-a", password_file=secret_file(open_folder), site="site-b")
        station = Station(settings, keep)
        station.step(change())
        until(lambda: "Not authorized" in station.error)
        assert station.waiting == 1
        broker.stop()
        (open_folder / "acl").write_text(
            "user office\ntopic readwrite #\nuser site-a\ntopic readwrite condenser/v1/site-b/#\n"
        )
        broker.start()
        with Listener(broker, "condenser/#", options=OFFICE) as client:
            client.wait(lambda _: station.waiting == 0)
            station.step(change())
            client.wait_named("events")
            assert client.named("events")[-1].body["seq"] in (1, 2)
            until(lambda: station.waiting == 0)
        station.stop()


@pytest.mark.parametrize(
    ("text", "mode", "says"),
    [(SECRET, 0o604, "everybody may read"), ("\xff", 0o600, "password"), (None, 0o600, "No such file")],
)
def test_a_password_file_that_will_not_do_is_refused(tmp_path: Path, text: str | None, mode: int, says: str) -> None:
    """Readable by all, no text, or not there: named with place, given and allowed."""
    path = str(tmp_path / "password")
    if text is not None:
        path = secret_file(tmp_path, mode=mode)
        Path(path).write_bytes(text.encode("latin-1"))
    with pytest.raises(BrokerError, match=says):
        read_password(path)


def test_a_password_keeps_its_spaces_and_loses_its_line_end(tmp_path: Path) -> None:
    """What an editor adds at the end is no part of it."""
    assert read_password(secret_file(tmp_path, " a b \r\n")) == " a b "
    assert read_password("") is None


def authority(folder: Path) -> tuple[Path, Path, Path]:
    """An own certificate authority and a certificate for localhost: (ca, certificate, key), by the openssl command."""
    need("openssl", shutil.which("openssl") is not None)
    ca, ca_key, cert, key = (folder / name for name in ("ca.pem", "ca.key", "server.pem", "server.key"))

    def run(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], check=True, timeout=60, capture_output=True)

    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2")
    run("req", "-x509", *curve, "-keyout", str(ca_key), "-out", str(ca), "-subj", "/CN=test authority")
    request = folder / "server.csr"
    run("req", "-new", *curve[:-2], "-keyout", str(key), "-out", str(request), "-subj", "/CN=localhost")
    names = folder / "names"
    names.write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    signed = ("-CA", str(ca), "-CAkey", str(ca_key), "-CAcreateserial", "-days", "2", "-extfile", str(names))
    run("x509", "-req", "-in", str(request), "-out", str(cert), *signed)
    for path in (ca, cert, key):
        path.chmod(0o644)
    return ca, cert, key


def test_tls_with_an_own_authority(open_folder: Path, keep: config.HistorySettings) -> None:
    """The connection is encrypted and the broker's certificate checked against the named authority."""
    need("mosquitto")
    ca, cert, key = authority(open_folder)
    with PrivateBroker(["allow_anonymous true", f"cafile {ca}", f"certfile {cert}", f"keyfile {key}"]) as broker:
        options = ("-V", "5", "--cafile", str(ca), "-h", "localhost")
        with Listener(broker, "condenser/#", options=options) as client:
            station = Station(site(broker, tls=True, ca_file=str(ca)), keep)
            station.step(change())
            client.wait_named("events")
            station.stop()


def test_a_broker_with_a_certificate_of_nobody_we_know_is_not_trusted(
    open_folder: Path, keep: config.HistorySettings
) -> None:
    """Without the authority the connection is refused, and nothing is sent."""
    need("mosquitto")
    ca, cert, key = authority(open_folder)
    with PrivateBroker(["allow_anonymous true", f"cafile {ca}", f"certfile {cert}", f"keyfile {key}"]) as broker:
        station = Station(site(broker, tls=True), keep)
        station.step(change())
        until(lambda: "certificate" in station.error)
        assert station.waiting == 1
        station.stop()


def test_an_authority_file_that_is_not_there_is_said(
    shared_broker: PrivateBroker, keep: config.HistorySettings
) -> None:
    """The health page names the broker and the reason."""
    station = Station(site(shared_broker, tls=True, ca_file="/nowhere/ca.pem"), keep)
    until(lambda: "No such file" in station.error)
    station.stop()


def test_an_older_broker_is_served_in_its_own_version(
    shared_broker: PrivateBroker, keep: config.HistorySettings
) -> None:
    """With `version = "3.1.1"` the same messages arrive (mosquitto speaks both)."""
    station = Station(site(shared_broker, version="3.1.1"), keep)
    with Listener(shared_broker, f"{station.root}/#") as client:
        station.step(change())
        client.wait_named("events")
        client.wait_named("unit")
    station.stop()


def test_the_demo_without_mosquitto(keep: config.HistorySettings, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where mosquitto is not installed the private broker is amqtt, which speaks 3.1.1; a standard client hears the
    event."""
    need("amqtt")
    monkeypatch.setattr(condenser_monitor.sim.broker, "mosquitto", lambda: None)
    with PrivateBroker() as broker:
        assert broker.version == "3.1.1"
        station = Station(site(broker, version=broker.version), keep)
        with Listener(broker, f"{station.root}/events", options=("-V", "311")) as client:
            station.step(change())
            client.wait_named("events")
        station.stop()


def test_no_broker_at_all_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither program is there: the error names what would do."""
    monkeypatch.setattr(condenser_monitor.sim.broker, "mosquitto", lambda: None)
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(BrokerError, match=r"mosquitto, or: pip install 'condenser-monitor\[demo\]'"):
        PrivateBroker()
