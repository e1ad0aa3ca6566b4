"""`commission` and `calibrate` from the command line: exit statuses, what is printed, what is kept and where."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TextIO

import pytest

from condenser_monitor.monitor.cli import main
from condenser_monitor.monitor.commands import shared
from tests.hardware.bench import (
    Bench,
    Wave,
    ohm_at,
    steady,
)
from tests.hardware.test_commission import UNIT


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site file with a history of its own."""
    path = tmp_path / "site.toml"
    nameplate = "[unit]\ncompressor_rla_a = 12.8\ncompressor_lra_a = 68.0\nfan_fla_a = 1.1\n"
    history = f'[history]\nfile = "{tmp_path / "monitor.db"}"\n'
    path.write_text('[site]\nid = "mill-row-2"\n' + nameplate + history + "[boards]\nscan_s = 4.0\n")
    return path


@pytest.fixture
def boards(monkeypatch: pytest.MonkeyPatch) -> None:
    """The real boards, each time on a bench in the place of a Pi."""

    def fresh(settings: object, *, trimmed: bool = True) -> object:
        return Bench({"compressor_a": Wave(9.6), "outdoor_c": steady(ohm_at(31.0))}, unit=UNIT).boards

    monkeypatch.setattr(shared, "boards", fresh)


Typed = Callable[..., None]


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Typed]:
    """Puts lines into standard input, which then ends."""
    opened: list[TextIO] = []

    def given(*lines: str) -> None:
        out, typing = os.pipe()
        os.write(typing, "".join(f"{line}\n" for line in lines).encode())
        os.close(typing)
        opened.append(os.fdopen(out))
        monkeypatch.setattr("sys.stdin", opened[-1])

    yield given
    for stdin in opened:
        stdin.close()


def test_a_walk_in_software_names_the_mistake_and_keeps_nothing(
    typed: Typed, capsys: pytest.CaptureFixture[str], tmp_path: Path, site: Path
) -> None:
    """Exit status 1 as something is wrong; no file beside the history."""
    typed("", "", "", "")
    command = ["commission", "--by", "R. Vale", "--simulated", "--mistake", "fan-unplugged", "--site", str(site)]
    assert main(command) == 1
    assert "nothing is plugged into its jack" in capsys.readouterr().out
    assert [path.name for path in tmp_path.iterdir()] == ["site.toml"]


def test_a_walk_in_software_on_another_scenarios_unit(
    typed: Typed, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A unit whose run capacitor keeps a winding warm: its standing current is learned; the record is where asked."""
    typed("", "", "", "")
    record = tmp_path / "walk.json"
    assert main(["commission", "--by", "R. Vale", "--simulated", "healthy-trickle", "--record", str(record)]) == 0
    assert "Standing current without a call: " in capsys.readouterr().out
    kept: dict[str, Any] = json.loads(record.read_text())
    assert 0.5 < kept["learned"]["standing_a"] < 4.2


def test_a_walk_on_the_boards_is_kept_beside_the_history(
    typed: Typed, boards: None, tmp_path: Path, site: Path
) -> None:
    """Dated in its name; the end of input ends it with what was seen."""
    typed("", "stop", "31")
    assert main(["commission", "--by", "R. Vale", "--note", "after the move", "--site", str(site)]) == 1
    (kept,) = tmp_path.glob("commissioning-*.json")
    told = json.loads(kept.read_text())
    assert (told["by"], told["note"], tuple(told["phases"])) == ("R. Vale", "after the move", ("off",))
    assert told["at"].endswith("Z")


def test_a_calibration_on_the_boards_is_kept_and_in_force(
    typed: Typed, boards: None, capsys: pytest.CaptureFixture[str], tmp_path: Path, site: Path
) -> None:
    """Asked for, or with the meter's value as an argument; both stay in the file, the last one counts."""
    typed("9.8", "")
    command = ["calibrate", "compressor_a", "--by", "R. Vale", "--meter-error", "1", "--site", str(site)]
    assert main(command) == 0
    assert "as calibrated 9.80 A ± 0.13 A" in capsys.readouterr().out
    assert main([*command[:2], "9.7", *command[2:]]) == 0
    rows = json.loads((tmp_path / "calibration.json").read_text())
    assert [row["points"][0]["meter"] for row in rows] == [9.8, 9.7]
    assert rows[-1]["meter_share"] == 0.01
    uncertainty = shared.uncertainty(shared.site(type("Args", (), {"site": site})()))
    assert uncertainty("compressor_a", 9.7) == pytest.approx(0.13, abs=0.01)


def test_a_calibration_in_software_says_what_its_meter_shows(
    typed: Typed, capsys: pytest.CaptureFixture[str], tmp_path: Path, site: Path
) -> None:
    """For a person to type; nothing is kept."""
    typed("35.1", "")
    assert main(["calibrate", "outdoor_c", "--by", "R. Vale", "--simulated", "--site", str(site)]) == 0
    said = capsys.readouterr().out
    assert "in software: the meter shows 3" in said
    assert "outdoor_c: offset +0.1" in said
    assert [path.name for path in tmp_path.iterdir()] == ["site.toml"]


@pytest.mark.parametrize(
    "args",
    [
        ["commission", "--by", "x", "--simulated", "no-such-scenario"],
        ["commission", "--by", "x", "--mistake", "no-such-mistake"],
        ["calibrate", "load", "--by", "x", "--simulated"],
    ],
)
def test_what_cannot_be_is_refused(args: list[str], typed: Typed, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit status 2, in words on stderr."""
    typed()
    assert main(args) == 2
    assert "allowed: " in capsys.readouterr().err
