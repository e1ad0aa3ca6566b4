"""The office as containers: what the compose file says is what the program, the broker and the source have."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml  # type: ignore[import-untyped]

from condenser_monitor.monitor.commands import table
from condenser_monitor.monitor.fleet import commands, setup
from tests.fleet.servers import Postgres
from tests.size import long_one

_TOP = Path(__file__).parents[2]
_FOLDER = _TOP / "monitor" / "fleet" / "deploy"
_WISHES = {
    "FLEET_HOST": "office.test",
    "FLEET_DATABASE_PASSWORD": "a long word",
    "FLEET_TIME_ZONE": "America/Chicago",
    "FLEET_NAME": "Our plan",
}
_OFFICE = "/srv/fleet/office"


def _compose() -> dict[str, Any]:
    """The file with what a person has put into `.env`; an unknown name fails."""
    text = (_FOLDER / "compose.yaml").read_text()
    found: dict[str, Any] = yaml.safe_load(re.sub(r"\$\{(\w+)[^}]*\}", lambda name: _WISHES[name[1]], text))
    return found


@pytest.mark.parametrize("service", ["init", "ingest", "page"])
def test_every_command_is_one_of_the_program_with_options_it_knows(service: str) -> None:
    """The program's own parser takes it; an option that it does not know would end it with status 2."""
    program, *arguments = _compose()["services"][service]["command"]
    assert program == "condenser-monitor"
    parsed = table.parser().parse_args(arguments)
    assert callable(parsed.run)
    assert parsed.fleet in (None, f"{_OFFICE}/fleet.toml")


@long_one
def test_the_office_that_it_makes_is_the_one_that_it_starts(postgres: Postgres, tmp_path: Path) -> None:
    """`init` with the options of the file, twice as each start does it, on a real PostgreSQL: files, ports, names that
    the other services use are those that it wrote."""
    services = _compose()["services"]
    home, url = tmp_path / "office", postgres.database("composed")
    arguments = services["init"]["command"][1:]
    assert (arguments[2], arguments[-2]) == (_OFFICE, "--database=postgresql://fleet@database/fleet")
    command = [*arguments[:2], str(home), *arguments[3:-2], f"--database={url}", arguments[-1]]
    for _ in range(2):
        subprocess.run([sys.executable, "-m", "condenser_monitor.monitor.cli", *command], check=True, timeout=60)
    settings = setup.load(home / "fleet.toml")
    commands.opened(settings).close()
    assert settings.database.url == url
    assert (settings.name, settings.time_zone) == (_WISHES["FLEET_NAME"], _WISHES["FLEET_TIME_ZONE"])
    port = settings.broker.port
    assert services["broker"]["ports"] == [f"{port}:{port}"]
    assert services["broker"]["networks"]["default"]["aliases"] == [settings.broker.host]
    mosquitto, option, config = services["broker"]["command"]
    assert (mosquitto, option) == ("mosquitto", "-c")
    assert (home / Path(config).relative_to(_OFFICE)).is_file()
    assert f"listener {port}\n" in (home / "broker" / "mosquitto.conf").read_text()
    assert settings.pages.host == "0.0.0.0"
    assert services["page"]["ports"] == [f"127.0.0.1:{settings.pages.port}:{settings.pages.port}"]
    assert services["page"]["pid"] == "service:broker"  # the broker is told by signal to read its files again


def test_services_volumes_and_conditions_are_there() -> None:
    """Nothing depends on a service that is not there or on a health that nobody checks; every volume is declared; the
    database's account is the one in the URL."""
    found = _compose()
    services = found["services"]
    for service in services.values():
        for name, how in service.get("depends_on", {}).items():
            assert how["condition"] != "service_healthy" or "healthcheck" in services[name]
            assert how["condition"] != "service_completed_successfully" or services[name]["restart"] == "on-failure"
        assert {volume.partition(":")[0] for volume in service["volumes"]} <= found["volumes"].keys()
    assert services["database"]["environment"]["POSTGRES_USER"] == services["database"]["environment"]["POSTGRES_DB"]
    for service in ("init", "broker", "ingest", "page"):
        assert services[service]["environment"] == {"PGPASSWORD": _WISHES["FLEET_DATABASE_PASSWORD"]}


def test_the_image_is_made_of_what_the_source_has() -> None:
    """Build context, file and extras are there; the user owns the folder of the office."""
    build = _compose()["services"]["page"]["build"]
    context = (_FOLDER / build["context"]).resolve()
    assert context == _TOP
    lines = (context / build["dockerfile"]).read_text().splitlines()
    installed = next(shlex.split(line) for line in lines if "pip install" in line)
    extras = re.search(r"\[([\w,]+)\]", " ".join(installed))
    assert extras is not None
    declared = tomllib.loads((_TOP / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    assert set(extras[1].split(",")) <= declared.keys()
    assert any(line.startswith("RUN useradd") and "/srv/fleet" in line for line in lines)
