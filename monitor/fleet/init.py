"""(edge) From nothing to an office: the fleet file, the database, the broker's files and the services in one folder.

Everything lies in the folder given, so that a copy of it is a backup and its removal leaves nothing behind. The texts
are plain functions of the settings; `begin` writes them.
"""

from __future__ import annotations

import getpass
import os
import shutil
import sys
from pathlib import Path

import msgspec

from condenser_monitor.monitor.core.errors import CONTROLS, CommandError
from condenser_monitor.monitor.fleet import commands, enroll, setup
from condenser_monitor.monitor.fleet.setup import Broker, Database, FleetSettings

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
    where = f" {LOOPBACK}" if broker.host in (LOOPBACK, "localhost") else ""
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


def begin(folder: str, *, host: str = LOOPBACK, tls: bool = False) -> str:
    """Make an office in an empty or new folder; what to do next.

    Raises CommandError when the folder holds something already.
    """
    for name, text in (("folder", folder), ("--host", host)):
        if not text.strip() or CONTROLS.search(text) or text != text.encode(errors="replace").decode():
            raise CommandError(name, text, "a name of letters, in UTF-8, without controls")
    try:
        home = Path(folder).resolve()
    except (OSError, RuntimeError) as error:  # a RuntimeError for a link to itself
        raise CommandError("folder", folder, f"one that can be made and written ({error})") from None
    settings = settings_in(home, host=host, tls=tls)
    _empty(home)
    for place, text in _files(home, settings):
        place.parent.mkdir(exist_ok=True)
        place.write_text(text)
    kept = setup.load(home / "fleet.toml")  # what was written is what is read
    commands.migrate(kept)
    enroll.write_own_password(commands.opened(kept), Path(kept.broker.password_file))
    commands.broker_files(kept, reload=False)
    return _next(home, kept)


def _empty(home: Path) -> None:
    try:
        home.mkdir(mode=0o750, parents=True, exist_ok=True)
        found = sorted(path.name for path in home.iterdir())
    except OSError as error:
        raise CommandError("folder", str(home), f"one that can be made and written ({error.strerror})") from None
    if found:
        raise CommandError("folder", f"{home} with {', '.join(found[:3])}", "an empty or new folder")


def _files(home: Path, settings: FleetSettings) -> list[tuple[Path, str]]:
    own = [(home / "fleet.toml", fleet_file(settings)), (home / "broker" / "mosquitto.conf", broker_file(settings))]
    made = units(home, settings, getpass.getuser())
    return [*own, *((home / "systemd" / name, text) for name, text in made.items())]


def _next(home: Path, settings: FleetSettings) -> str:
    command = f"condenser-monitor fleet --fleet {home}/fleet.toml"
    steps = [
        *([f"put ca.crt, server.crt and server.key into {home}/broker"] if settings.broker.tls else []),
        f"mosquitto -c {home}/broker/mosquitto.conf",
        f"{command} ingest",
        f"{command} add-user LOGIN --role owner",
        f"{command} page",
        f"{command} enroll SITE-ID --name NAME --to {home}/handed-out",
    ]
    numbered = "\n".join(f"  {place}. {step}" for place, step in enumerate(steps, 1))
    return f"{home} holds a new office. Next:\n{numbered}\nServices for systemd are in {home}/systemd."
