"""The commands as a user meets them: output, exit status, errors in words."""

from __future__ import annotations

import io
import json
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from condenser_monitor.monitor.cli import main
from condenser_monitor.monitor.recording.csv_file import RecordingWriter
from tests.monitor.test_config import EXAMPLE
from tests.monitor.units import (
    REST,
    RUN,
    but,
    scans,
)

NO_PULL = but(RUN, load=False, coil_a=0.0, control_v=26.4, compressor_a=0.0, fan_a=0.0)
COLUMNS = ("call", "control_v", "coil_a", "supply", "load", "compressor_a", "fan_a", "outdoor_c")


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """A unit at rest, called without pull-in for two minutes, then mended."""
    path = tmp_path / "r.csv"
    with path.open("w") as file:
        writer = RecordingWriter(file, COLUMNS, 1_784_052_000.0)
        for scan in scans((60, REST), (120, NO_PULL), (60, RUN)):
            writer.write(scan)
    return path


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The contract's example."""
    path = tmp_path / "site.toml"
    path.write_text(EXAMPLE)
    return path


def test_replay_prints_one_json_object_a_line_for_each_change(
    recording: Path, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The keys, values and order of the contract's section 4; nothing else on standard output; status 0."""
    assert main(["replay", str(recording), "--site", str(site), "--json"]) == 0
    out = capsys.readouterr()
    printed = [json.loads(line) for line in out.out.splitlines()]
    lines = [line for line in printed if line["change"] != "diagnosed"]
    assert [(line["t_s"], line["change"], line["finding"]) for line in lines] == [
        (70.0, "raised", "call-without-pull-in"),
        (181.0, "cleared", "call-without-pull-in"),
    ]
    first = lines[0]
    assert list(first)[:7] == ["t_s", "change", "finding", "severity", "suspects", "evidence", "summary"]
    assert first["severity"] == "urgent"
    assert first["suspects"][:2] == ["coil-open", "loose-connection"]
    assert first["evidence"]["control_v"] == 26.4
    assert first["evidence"]["coil_a"] == 0.0
    assert first["summary"].count(".") == 1
    diagnosed = next(line for line in printed if line["change"] == "diagnosed")
    assert list(diagnosed)[:8] == [
        *("t_s", "change", "findings", "suspects", "because", "distrusted", "next_check", "summary"),
    ]
    assert diagnosed["t_s"] == 70.0
    assert diagnosed["findings"] == ["call-without-pull-in"]
    assert diagnosed["suspects"][0][0] == "coil-open"
    assert 0.0 < sum(share for _, share in diagnosed["suspects"]) <= 1.0
    assert out.err == ""


def test_refused_rows_are_named_counted_and_give_status_3(
    recording: Path, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The rest is still read; --strict stops at the first one."""
    lines = recording.read_text().splitlines()
    lines[100] = "garbage"
    lines[150] = lines[150] + ",1"
    recording.write_text("\n".join(lines) + "\n")
    assert main(["replay", str(recording), "--site", str(site), "--json"]) == 3
    out = capsys.readouterr()
    assert len([line for line in out.out.splitlines() if "diagnosed" not in line]) == 2
    assert "line 101" in out.err
    assert "2 rows refused" in out.err
    assert main(["replay", str(recording), "--site", str(site), "--json", "--strict"]) == 3
    out = capsys.readouterr()
    assert "1 row refused" in out.err
    assert len([line for line in out.out.splitlines() if "diagnosed" not in line]) == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ["replay", "nowhere.csv", "--json"],
        ["replay", "RECORDING", "--site", "nowhere.toml"],
        ["simulate", "no-such-scenario"],
        ["explain", "no-such-thing"],
        ["season", "FOLDER", "--units", "0"],
    ],
)
def test_what_cannot_be_used_is_said_in_words_with_status_2(
    arguments: list[str], recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Place, given and allowed; no traceback; nothing on standard output."""
    told = [str(recording) if a == "RECORDING" else str(tmp_path) if a == "FOLDER" else a for a in arguments]
    assert main(told) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert "got" in out.err
    assert "allowed" in out.err
    assert "Traceback" not in out.err


def test_a_package_that_is_missing_is_told_with_the_extra_that_brings_it(tmp_path: Path) -> None:
    """An installation without the extra `fleet`: what to install, and not a fault of the program. In a process of its
    own, as what is imported once stays."""
    without = (
        "import sys; sys.modules['sqlalchemy'] = None;"
        " from condenser_monitor.monitor.cli import main; sys.exit(main(sys.argv[1:]))"
    )
    command = [sys.executable, "-c", without, "fleet", "begin", str(tmp_path / "office")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    said = "Missing package sqlalchemy. Install it with: pip install 'condenser-monitor[fleet]'"
    assert done.stderr == f"condenser-monitor: {said}\n"


def test_an_unknown_scenario_is_answered_with_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody must know where they lie."""
    assert main(["simulate", "no-such-scenario"]) == 2
    assert "coil-burns-open" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["demo", "workbench"])
def test_a_port_that_is_taken_is_told_before_anything_is_lived_through(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """At once, with the option that names another."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        assert main([command, "--port", str(taken.getsockname()[1])]) == 2
    said = capsys.readouterr().err
    assert "--port" in said
    assert "lived through" not in said


def test_simulate_writes_a_recording_that_replays_to_the_same_findings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Simulated live and replayed from the file, the same is found at the same times."""
    path = tmp_path / "story.csv"
    assert main(["simulate", "story", "--record", str(path)]) == 0
    live = [line.split()[0:4] for line in capsys.readouterr().out.splitlines()]
    site = tmp_path / "site.toml"
    site.write_text(
        "[unit]\ncompressor_rla_a = 26.4\ncompressor_lra_a = 134.0\nfan_fla_a = 1.5\ncontactor_poles = 2\n"
        "[limits.short-cycling]\noff_s = 10\nrun_s = 10\nstarts = 60\n"
    )
    assert main(["replay", str(path), "--site", str(site)]) == 0
    again = [line.split()[0:4] for line in capsys.readouterr().out.splitlines() if " diagnosed " not in line]
    assert [row[2:] for row in again] == [row[2:] for row in live]
    assert [float(row[0]) for row in again] == pytest.approx([float(row[0]) for row in live], abs=1.1)


@pytest.mark.parametrize("name", ["call-without-pull-in", "coil-open", "coil-ohms"])
def test_explain_tells_findings_suspects_and_checks(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """From the catalogues, with cautions where somebody could be hurt."""
    assert main(["explain", name]) == 0
    text = capsys.readouterr().out
    assert text.startswith(name)
    assert "capacitor" in text or name == "coil-open"


def test_fleet_is_set_up_from_the_command_line(
    tmp_path: Path, site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Database, a person, a site with its credentials, revocation: on SQLite, with nothing to install."""
    (tmp_path / "broker").mkdir()
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(f'[database]\nurl = "sqlite:///{tmp_path}/fleet.db"\n[broker]\nfiles = "{tmp_path}/broker"\n')

    def does(*words: str, typed: str = "") -> int:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        return main(["fleet", "--fleet", str(fleet), *words])

    assert does("migrate") == 0
    assert does("add-user", "pat", "--role", "owner", typed="a long enough secret\n") == 0
    assert does("add-user", "sam", "--role", "king", typed="a long enough secret\n") == 2
    capsys.readouterr()
    assert does("enroll", "orchard-lane-4", "--site-file", str(site)) == 0
    assert 'id = "orchard-lane-4"' in capsys.readouterr().out
    assert "orchard-lane-4" in (tmp_path / "broker" / "passwords").read_text()
    assert does("revoke", "orchard-lane-4") == 0
    assert "orchard-lane-4:" not in (tmp_path / "broker" / "passwords").read_text()
    assert does("revoke", "nobody") == 2
