"""Commands by hand run as the services do, and the watch goes on afterwards, whatever became of the command.

The script itself runs; systemctl, runuser and the like are stand-ins on the path that write down what they are asked.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "hardware" / "install" / "by-hand.sh"
STAND_INS = {
    "id": "echo ${WHO:-0}",
    "chown": "true",
    "systemctl": 'echo "systemctl $*" >>"$LOG"; case $1 in is-active) exit ${ACTIVE:-0} ;; esac',
    "runuser": 'echo "runuser $* in $PWD" >>"$LOG"; exit ${ENDS:-0}',
}


@pytest.fixture
def run(tmp_path: Path) -> object:
    """Call the script; its exit status and what it asked of the system, line by line."""
    tools, data = tmp_path / "bin", tmp_path / "data"
    for folder in (tools, data):
        folder.mkdir()
    for name, does in STAND_INS.items():
        (tools / name).write_text(f"#!/bin/bash\n{does}\n")
        (tools / name).chmod(0o755)
    script = tmp_path / "by-hand.sh"
    script.write_text(SCRIPT.read_text().replace("DATA=/var/lib/$NAME", f"DATA={data}"))

    def called(*args: str, **more: str) -> tuple[int, list[str], str]:
        log = tmp_path / "log"
        log.write_text("")
        env = {**os.environ, "PATH": f"{tools}:{os.environ['PATH']}", "LOG": str(log), "TMPDIR": str(tmp_path), **more}
        done = subprocess.run(["bash", script, *args], env=env, check=False, capture_output=True, text=True, timeout=20)
        assert not list(tmp_path.glob("tmp.*")), "the directory for pipes is left behind"
        return done.returncode, log.read_text().splitlines(), done.stderr

    return called


def test_the_boards_are_had_alone_and_given_back(run: object, tmp_path: Path) -> None:
    """Stop, the command as the services' user with their site file and directory, start."""
    status, asked, _ = run("commission", "--by", "R. Vale")  # type: ignore[operator]
    assert status == 0
    assert [line.split(" --")[0] for line in asked] == [
        "systemctl is-active",
        "systemctl stop condenser-monitor.service",
        "runuser -u condenser-monitor",
        "systemctl start condenser-monitor.service",
    ]
    command = "/opt/condenser-monitor/current/bin/condenser-monitor commission --site /etc/condenser-monitor/site.toml"
    assert f"{command} --by R. Vale in {tmp_path / 'data'}" in asked[2]
    assert "LG_WD=" in asked[2]


def test_the_watch_goes_on_when_the_command_fails(run: object) -> None:
    """Its exit status is the command's."""
    status, asked, _ = run("calibrate", "fan_a", "--by", "x", ENDS="1")  # type: ignore[operator]
    assert status == 1
    assert asked[-1] == "systemctl start condenser-monitor.service"


def test_a_watch_that_was_stopped_stays_so(run: object) -> None:
    """Somebody stopped it on purpose."""
    _, asked, _ = run("commission", "--by", "x", ACTIVE="3")  # type: ignore[operator]
    assert [line.split(" -")[0] for line in asked] == ["systemctl is-active", "runuser"]


@pytest.mark.parametrize("args", [("status",), ("commission", "--by", "x", "--simulated"), ("explain", "coil-open")])
def test_what_needs_no_boards_leaves_the_watch_alone(run: object, args: tuple[str, ...]) -> None:
    """A look, and a walk in software."""
    _, asked, _ = run(*args)  # type: ignore[operator]
    assert [line.split()[0] for line in asked] == ["runuser"]


def test_refusals(run: object) -> None:
    """Not root, no command: said, and nothing asked of the system."""
    for args, more in (((), {}), (("status",), {"WHO": "1000"})):
        status, asked, said = run(*args, **more)  # type: ignore[operator]
        assert (status, asked) == (2, [])
        assert said.startswith("condenser-monitor-by-hand: ")
