"""Completion in the shells themselves: the printed script is sourced, and the shell asked what it would offer."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Collection
from pathlib import Path

import pytest

from condenser_monitor.monitor.cli import main
from condenser_monitor.monitor.commands.table import parser
from condenser_monitor.monitor.terminal import completion
from condenser_monitor.sim import scenario
from tests.conftest import need

# what was typed, its last word being begun -> what must be offered, and what must not
CASES = [
    ("st", {"status"}, {"watch"}),
    ("explain coil-", {"coil-open", "coil-ohms"}, {"float-switch"}),
    ("diagnose no-c", {"no-cooling", "no-call-in-heat"}, {"coil-open"}),
    ("calibrate comp", {"compressor_a"}, {"fan_a"}),
    ("report --da", {"--days"}, {"--site"}),
    ("status --site si", {"site.toml"}, set()),
    ("fleet enr", {"enroll"}, {"ingest"}),
    ("simulate --level r", {"readings", "registers"}, set()),
    ("simulate si", {"site.toml"}, set()),
]
# The same of a script that was given the names of scenarios: they and files are offered wherever one is asked for.
SCENARIOS = [
    ("simulate coil-", {"coil-burns-open", "coil-notes.toml"}, {"call-wire-cut"}),
    ("simulate si", {"site.toml"}, {"coil-burns-open"}),
    ("calibrate --simulated arm", {"armature-jams"}, {"coil-burns-open"}),
]
BASH = """
source "$1"; shift
COMP_WORDS=("$@"); COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
made=$(complete -p condenser-monitor | sed 's/.*-F \\([^ ]*\\).*/\\1/')
$made condenser-monitor "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD - 1]}"
printf '%s\\n' "${COMPREPLY[@]}"
"""
# What a shell's profile would hold; the prompt says when all of it is in force.
ZSH = (
    "fpath=({folder} $fpath); autoload -Uz compinit; compinit -u -d {folder}/dump;"
    " bindkey '^I' list-choices; PS1='re''ady>'\n"
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("site.toml", "coil-notes.toml"):
        (tmp_path / name).touch()
    monkeypatch.chdir(tmp_path)
    return tmp_path


def script(shell: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    assert main(["completion", shell]) == 0
    made = folder / "_script"
    made.write_text(capsys.readouterr().out)
    return made


def with_scenarios(shell: str, folder: Path) -> Path:
    made = folder / "_script"
    made.write_text(completion.script(parser(), shell, scenario.names()))
    return made


def offered(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=True).stdout


def in_bash(made: Path, typed: str) -> set[str]:
    need("bash", shutil.which("bash") is not None)
    return set(offered("bash", "-c", BASH, "bash", str(made), "condenser-monitor", *typed.split(" ")).split())


def in_fish(made: Path, typed: str) -> set[str]:
    need("fish", shutil.which("fish") is not None)
    asked = f"source {made}; complete -C 'condenser-monitor {typed}'"
    return {line.split("\t")[0] for line in offered("fish", "--no-config", "-c", asked).splitlines()}


@pytest.mark.parametrize(("typed", "wanted", "other"), CASES)
def test_bash_completes(
    typed: str, wanted: set[str], other: set[str], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Commands, options, names of the catalogues, choices and files."""
    told = in_bash(script("bash", folder, capsys), typed)
    assert wanted <= told
    assert not told & other


def test_fish_completes(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same cases, asked of fish's own `complete -C`."""
    made = script("fish", folder, capsys)
    for typed, wanted, other in CASES:
        told = in_fish(made, typed)
        assert wanted <= told, typed
        assert not told & other, typed


@pytest.mark.parametrize(("shell", "ask"), [("bash", in_bash), ("fish", in_fish)])
def test_a_scenario_is_completed_by_name_and_as_a_file(
    shell: str, ask: Callable[[Path, str], set[str]], folder: Path
) -> None:
    """Both, as `simulate` takes both; also behind the option --simulated."""
    made = with_scenarios(shell, folder)
    for typed, wanted, other in SCENARIOS:
        told = ask(made, typed)
        assert wanted <= told, typed
        assert not told & other, typed


@pytest.mark.parametrize("given", [False, True], ids=["as printed", "with scenarios"])
def test_zsh_completes(given: bool, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """At a terminal made for it, TAB pressed: zsh completes nowhere else."""
    need("zsh", shutil.which("zsh") is not None)
    made = with_scenarios("zsh", folder) if given else script("zsh", folder, capsys)
    made.rename(folder / "_condenser-monitor")
    child, terminal = pty.fork()
    if child == 0:
        os.environ.update(TERM="dumb", COLUMNS="200")
        os.execvp("zsh", ["zsh", "-f", "-i"])
    try:
        os.write(terminal, ZSH.format(folder=folder).encode())
        assert "ready>" in heard(terminal, ("ready>",), 20)
        for typed, wanted, other in SCENARIOS if given else CASES[:4]:
            told = pressed(terminal, typed, wanted)
            assert all(word in told for word in wanted), told
            assert not any(word in told for word in other)
    finally:
        os.close(terminal)
        os.waitpid(child, 0)


def pressed(terminal: int, typed: str, wanted: set[str]) -> str:
    """What is shown after TAB; pressed again where the shell was not listening yet."""
    told = ""
    for _ in range(5):
        os.write(terminal, f"\x15condenser-monitor {typed}\t".encode())
        told = heard(terminal, wanted, 3)
        if all(word in told for word in wanted):
            break
    return told


def heard(terminal: int, wanted: Collection[str], seconds: float) -> str:
    """What a terminal shows until all that is wanted has come, or for some seconds."""
    told, ends_s = "", time.monotonic() + seconds
    while time.monotonic() < ends_s and not all(word in told for word in wanted):
        if select.select([terminal], [], [], 0.1)[0]:
            told += os.read(terminal, 65536).decode(errors="replace")
    return told


def test_the_installer_is_written_without_the_extra_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """From a wheel alone: the services install, and what makes manual page and completion is named."""
    for name in ("argparse_manpage", *(one for one in sys.modules if one.startswith("argparse_manpage."))):
        monkeypatch.setitem(sys.modules, name, None)
    assert main(["installer", str(tmp_path)]) == 0
    names = {path.name for path in tmp_path.iterdir()}
    assert {"install.sh", "condenser-monitor.service", "site.toml"} <= names
    assert "__pycache__" not in names
    assert "condenser-monitor.1" not in names
    assert "pip install 'condenser-monitor[completion]'" in capsys.readouterr().err
