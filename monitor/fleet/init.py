"""(edge) From nothing to an office: the fleet file, the database, the broker's files and the services in one folder.

Everything lies in the folder given, so that a copy of it is a backup and its removal leaves nothing behind. The texts
are plain functions of the settings; `begin` writes them.
"""

from __future__ import annotations

import getpass
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import msgspec

from condenser_monitor.monitor.core.errors import CONTROLS, CommandError, SiteError
from condenser_monitor.monitor.fleet import commands, enroll, health, setup
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings
from condenser_monitor.monitor.hosts import is_everywhere, is_loopback, is_number

LOOPBACK = "127.0.0.1"
_BROKER_UNIT = "condenser-fleet-broker.service"
_LATER = f"network-online.target postgresql.service {_BROKER_UNIT}"
_PORT, _TLS_PORT = 1883, 8883  # registered with IANA for MQTT, without and with TLS


def settings_in(folder: Path, *, host: str = LOOPBACK, tls: bool = False) -> FleetSettings:
    """Settings of an office whose files lie in `folder`; `host` is the broker's name as the sites reach it."""
    broker = Broker(
        host=host,
        port=_TLS_PORT if tls else _PORT,
        password_file=str(folder / "fleet.password"),
        tls=tls,
        ca_file=str(folder / "broker" / "ca.crt") if tls else "",
        files=str(folder / "broker"),
        pid_file=str(folder / "broker" / "mosquitto.pid"),
    )
    return FleetSettings(database=Database(url=f"sqlite:///{folder / 'fleet.db'}"), broker=broker)


def fleet_file(settings: FleetSettings) -> str:
    """The text of a fleet file, every key with what it is for."""
    broker, pages = settings.broker, settings.pages
    rows: tuple[tuple[str, object, str], ...] = (
        ("", "", "Fleet file: the contractor's side of condenser-monitor. A key left out has its default."),
        ("name", settings.name, "heads the pages and the season reports"),
        ("time_zone", settings.time_zone, "of the office, such as America/Chicago; empty: this machine's own"),
        ("[database]", "", ""),
        ("url", settings.database.url, "for more sites: postgresql://USER@HOST/DATABASE, the password in ~/.pgpass"),
        ("[broker]", "", ""),
        ("host", broker.host, "its name as the sites reach it"),
        ("port", broker.port, ""),
        ("password_file", broker.password_file, "of the fleet's own account; `credential` writes it"),
        ("tls", broker.tls, "passwords cross the network readable without it"),
        ("ca_file", broker.ca_file, "the authority that signed the broker's certificate; empty: the system's"),
        ("files", broker.files, "folder of the broker's password and access files; `enroll` writes them"),
        ("pid_file", broker.pid_file, "of the broker, to have it read them again; empty: reload it yourself"),
        ("[pages]", "", ""),
        ("host", pages.host, "another address than this machine's only behind a proxy that speaks TLS"),
        ("port", pages.port, ""),
        ("https", pages.https, "true behind such a proxy"),
        ("proxies", pages.proxies, "how many stand in front and set X-Forwarded-For"),
        ("temperature", pages.temperature, "F or C"),
        ("[on_call]", "", ""),
        ("urls_file", settings.on_call.urls_file, "phones of who is on call, in apprise's form, one a line, mode 600"),
        ("from_hour", settings.on_call.from_hour, "the office is staffed from this hour"),
        ("to_hour", settings.on_call.to_hour, "to this one"),
        ("days", settings.on_call.days, "on the first so many days of the week"),
        ("[dispatch]", "", ""),
        (
            "places_file",
            settings.dispatch.places_file,
            "your own list: CSV of area, latitude, longitude; no service is asked",
        ),
        ("start", settings.dispatch.start, "the area of that list from which the trucks leave"),
    )
    return "\n".join(_line(*row) for row in rows) + "\n"


def _line(key: str, value: object, about: str) -> str:
    if not key:
        return f"# {about}"
    if key.startswith("["):
        return f"\n{key}"
    said = f"{key} = {msgspec.json.encode(value).decode()}"  # a JSON string, number or truth is TOML's too
    return f"# {about}\n{said}" if about else said


def broker_file(settings: FleetSettings) -> str:
    """A whole mosquitto.conf for a broker of the fleet's own, kept in `[broker] files`."""
    broker = settings.broker
    if not broker.files:
        raise CommandError("[broker] files", "", "the folder of the broker's files")
    at = Path(broker.files)
    where = f" {LOOPBACK}" if is_loopback(broker.host) else ""
    lines = [f"listener {broker.port}{where}", f"persistence_location {at}/", "log_dest stderr"]
    lines += ["user root"] if os.geteuid() == 0 else []  # else it takes another user, who may not read these files
    lines += [f"pid_file {broker.pid_file}"] if broker.pid_file else []
    lines += [f"certfile {at}/server.crt", f"keyfile {at}/server.key"] if broker.tls else []
    return "\n".join([*lines, enroll.broker_config(at)]) + "\n"


def units(folder: Path, settings: FleetSettings, user: str) -> dict[str, str]:
    """systemd units by file name: the broker, an ingest worker (as many as there is load for), the pages."""
    program = shutil.which("condenser-monitor") or f"{Path(sys.executable).parent}/condenser-monitor"
    command = f"{program} fleet --fleet {folder}/fleet.toml"
    broker = f"{shutil.which('mosquitto') or '/usr/sbin/mosquitto'} -c {settings.broker.files}/mosquitto.conf"
    kinds = {
        _BROKER_UNIT: ("broker of the fleet", broker, "network-online.target"),
        "condenser-fleet-ingest@.service": ("ingest worker %i of the fleet", f"{command} ingest", _LATER),
        "condenser-fleet-page.service": ("pages of the fleet", f"{command} page", _LATER),
    }
    return {name: _unit(*kind, folder, user) for name, kind in kinds.items()}


# What none of them needs is closed, as in the monitor's own units; `systemd-analyze security` says what is left.
_CLOSED = """\
DevicePolicy=closed
PrivateDevices=yes
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateMounts=yes
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectProc=invisible
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
CapabilityBoundingSet=
AmbientCapabilities=
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM"""


def _unit(text: str, start: str, after: str, folder: Path, user: str) -> str:
    return f"""[Unit]
Description=condenser-monitor: {text}
After={after}
Wants=network-online.target

[Service]
User={user}
WorkingDirectory={folder}
ExecStart={start}
Restart=always
RestartSec=2
UMask=0077
LimitCORE=0
ReadWritePaths={folder}
{_CLOSED}

[Install]
WantedBy=multi-user.target
"""


class Wishes(msgspec.Struct, frozen=True, kw_only=True):
    """What is asked of an office; None keeps what is so, or takes the default."""

    host: str | None = None
    tls: bool | None = None
    port: int | None = None
    name: str | None = None
    time_zone: str | None = None
    database: str | None = None
    pages: str | None = None


def begin(folder: str, wishes: Wishes | None = None) -> str:
    """Make an office in an empty or new folder, or change the one that is there; what to do next. What the fleet file
    says besides is kept, and so are database and passwords; the file as it was stays beside it.

    Raises CommandError when the folder holds something else.
    """
    home, there, settings = _checked(folder, wishes or Wishes())
    file = home / "fleet.toml"
    if there is not None:
        shutil.copy(file, file.with_suffix(".toml.before"))
    for place, text in _files(home, settings):
        place.parent.mkdir(exist_ok=True)
        place.write_text(text)
    made = _certificates(Path(settings.broker.files), settings.broker.host) if settings.broker.tls else ""
    kept = setup.load(file)  # what was written is what is read
    commands.migrate(kept)
    if not Path(kept.broker.password_file).exists():  # a new office, or one whose database could not be reached then
        enroll.write_own_password(commands.opened(kept), Path(kept.broker.password_file))
    commands.broker_files(kept, reload=False)
    return _next(home, kept, changed=there is not None, made=made)


def _checked(folder: str, wishes: Wishes) -> tuple[Path, FleetSettings | None, FleetSettings]:
    """The folder, the office that is there, and the one that is wished for; nothing is written."""
    for name, text in (
        ("folder", folder),
        ("--host", wishes.host or LOOPBACK),
        ("--name", wishes.name or "office"),
        ("--pages", wishes.pages or LOOPBACK),
    ):
        if not text.strip() or CONTROLS.search(text) or text != text.encode(errors="replace").decode():
            raise CommandError(name, text, "a name of letters, in UTF-8, without controls")
    try:
        home = Path(folder).resolve()
        file = home / "fleet.toml"
        there = setup.load(file) if file.exists() else None
    except (OSError, RuntimeError) as error:  # a RuntimeError for a link to itself
        raise CommandError("folder", folder, f"one that can be made and written ({error})") from None
    if there is None:
        _empty(home)
    settings = _wished(there or settings_in(home), home, wishes)
    setup.parse(fleet_file(settings), "what was asked for")
    return home, there, settings


def asked(folder: str, answer: Callable[[str], str], say: Callable[[str], None]) -> Wishes:
    """Ask a person for what an office needs, each until the answer can be used; an empty one keeps what is so, which
    each question shows. Raises CommandError as `begin`."""
    wishes = Wishes()
    for name, question, shown in _QUESTIONS:
        while True:
            present = shown(_checked(folder, wishes)[2])
            text = answer(f"{question} (empty: {present}): ").strip()
            if not text:
                break
            try:
                wished = msgspec.convert({**msgspec.structs.asdict(wishes), name: _read(name, text)}, Wishes)
                _checked(folder, wished)
            except (CommandError, SiteError) as error:
                say(str(error))
            else:
                wishes = wished
                break
    return wishes


_QUESTIONS: tuple[tuple[str, str, Callable[[FleetSettings], object]], ...] = (
    ("name", "Name of the office, on its pages", lambda now: now.name),
    (
        "host",
        "This machine's name, as the monitors in the houses reach it",
        lambda now: f"{now.broker.host}, this machine alone" if is_loopback(now.broker.host) else now.broker.host,
    ),
    (
        "tls",
        "Encrypt what they send, as is needed over the internet? yes or no",
        lambda now: "yes" if now.broker.tls else "no",
    ),
    ("port", "Port on which they reach it", lambda now: now.broker.port),
    (
        "time_zone",
        "Time zone of the office, such as America/Chicago",
        lambda now: now.time_zone or "this machine's",
    ),
)


def _read(name: str, text: str) -> object:
    """An answer as `Wishes` has it."""
    if name == "port":
        if not (text.isascii() and text.isdigit() and len(text) < 6 and 0 < int(text) < 65536):
            raise CommandError("port", text, "1 to 65535")
        return int(text)
    if name == "tls":
        if text.lower() not in ("y", "yes", "n", "no"):
            raise CommandError("encrypt", text, "yes or no")
        return text.lower() in ("y", "yes")
    return text


def _wished(settings: FleetSettings, home: Path, wishes: Wishes) -> FleetSettings:
    broker = settings.broker
    tls = broker.tls if wishes.tls is None else wishes.tls
    port = wishes.port or (broker.port if tls is broker.tls else _TLS_PORT if tls else _PORT)
    ca_file = (broker.ca_file or str(home / "broker" / "ca.crt")) if tls else ""
    broker = msgspec.structs.replace(broker, host=wishes.host or broker.host, tls=tls, port=port, ca_file=ca_file)
    name, zone = wishes.name or settings.name, wishes.time_zone or settings.time_zone
    database = Database(url=wishes.database or settings.database.url)
    pages = msgspec.structs.replace(settings.pages, host=wishes.pages or settings.pages.host)
    return msgspec.structs.replace(settings, broker=broker, name=name, time_zone=zone, database=database, pages=pages)


def _certificates(at: Path, host: str) -> str:
    """Make an authority of the office's own and the broker's certificate by it, where there is none; words about it.
    The authority stays when the host changes, so that the sites need no other one."""
    if (at / "server.crt").exists() and (at / "server.host").exists() and (at / "server.host").read_text() == host:
        return ""
    if (at / "server.crt").exists() and not (at / "ca.key").exists():
        return f"{at}/server.crt is not of the office's own authority: see that it is for {host}. "
    program = shutil.which("openssl")
    if program is None:
        return f"There is no openssl here: put ca.crt, server.crt and server.key into {at}. "
    steps: list[list[str]] = []
    if not (at / "ca.key").exists():
        authority = ["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "3650", "-subj", "/CN=Fleet authority"]
        steps.append([*authority, "-addext", "keyUsage=critical,keyCertSign", "-keyout", "ca.key", "-out", "ca.crt"])
    wanted = ["req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=fleet broker"]
    steps.append([*wanted, "-keyout", "server.key", "-out", "server.csr"])
    signed = ["x509", "-req", "-in", "server.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial"]
    steps.append([*signed, "-days", "825", "-extfile", "server.ext", "-out", "server.crt"])
    kind = "IP" if is_number(host) else "DNS"
    (at / "server.ext").write_text(f"subjectAltName={kind}:{host}\n")
    for step in steps:
        done = subprocess.run([program, *step], cwd=at, capture_output=True, text=True, check=False, timeout=120)
        if done.returncode:
            raise CommandError("openssl", done.stderr.strip().splitlines()[-1:], "a certificate that can be made")
    for name in ("ca.key", "server.key"):
        (at / name).chmod(0o600)
    (at / "server.host").write_text(host)
    return f"{at} holds an authority and a certificate for {host}, which ends in 825 days. "


def _empty(home: Path) -> None:
    try:
        home.mkdir(mode=0o750, parents=True, exist_ok=True)
        found = sorted(path.name for path in home.iterdir())
    except OSError as error:
        raise CommandError("folder", str(home), f"one that can be made and written ({error.strerror})") from None
    if found:
        raise CommandError("folder", f"{home} with {', '.join(found[:3])}", "an empty or new folder, or an office")


def _files(home: Path, settings: FleetSettings) -> list[tuple[Path, str]]:
    own = [(home / "fleet.toml", fleet_file(settings)), (home / "broker" / "mosquitto.conf", broker_file(settings))]
    made = units(home, settings, getpass.getuser())
    return [*own, *((home / "systemd" / name, text) for name, text in made.items())]


def _next(home: Path, settings: FleetSettings, *, changed: bool, made: str) -> str:
    command = f"condenser-monitor fleet --fleet {home}/fleet.toml"
    services = (
        f"sudo cp -r {home}/systemd/. /etc/systemd/system/"  # no pattern: only its owner may look into the folder
    )
    started = "sudo systemctl enable --now condenser-fleet-broker condenser-fleet-ingest@1 condenser-fleet-page"
    again = "sudo systemctl daemon-reload && sudo systemctl restart 'condenser-fleet-*'"
    at = LOOPBACK if is_everywhere(settings.pages.host) else settings.pages.host
    by_hand = f"mosquitto -c {home}/broker/mosquitto.conf", f"{command} ingest", f"{command} page"
    lines = [
        f"{home} holds {'the changed' if changed else 'a new'} office. {made}".rstrip(),
        "Next, as an administrator, so that it runs as services:",
        f"  {services}",
        f"  {started}",
        *(["or, where they run already:", f"  {again}"] if changed else []),
        f"Or by hand as {getpass.getuser()}, each in a terminal of its own:",
        *(f"  {line}" for line in by_hand),
        f"Then as {getpass.getuser()}:",
        f"  {command} add-user LOGIN --role owner",
        f"  {command} check",
        f"  {command} enroll SITE-ID --name NAME --to {home}/handed-out",
        f"The pages will be at http://{at}:{settings.pages.port}/.",
    ]
    lines += ["Sites that were enrolled keep the host they were given."] if changed else []
    host = settings.broker.host
    if is_loopback(host):
        lines.append(
            f"WARNING: no Pi can reach {host}: it means the Pi itself. For monitors in houses run"
            f" `condenser-monitor fleet init {home} --host NAME --tls` with this machine's name in their network."
        )
    elif not _found(host):
        lines.append(f"WARNING: {host} is not found from here, and ingest asks for it: {health.name_wanted(host)}.")
    return "\n".join(lines)


def _found(host: str) -> bool:
    try:
        socket.getaddrinfo(host, None)
    except (OSError, UnicodeError):
        return False
    return True
