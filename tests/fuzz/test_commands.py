"""Every command as somebody in a hurry calls it: each argument that names a file with what is no such file, each number
and text with what it cannot be; standard streams that are closed, full or of another alphabet.

The table COMMANDS is held against the command line itself: a new command, or a new option that names a file, needs
its row. A refusal is one line that names place, given and allowed (or the command line's own "error: argument ...")."""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor import cli
from condenser_monitor.monitor.cli import FAULT, main
from condenser_monitor.monitor.commands.table import parser
from tests.fuzz.refusals import LINE_MOST, fuzzed, soon
from tests.size import one_in

_SCENARIO = 'claim = "short"\nhours = 0.01\n'
_FLEET = '[database]\nurl = "sqlite:///fleet.db"\n'


class Row(NamedTuple):
    """One command: `call` with everything needed to do something, `files` the arguments that name what is read (`-`
    before an option, else its place in `call`), `written` the same for what is written; `serves`: goes on for ever
    once it has begun, so it is called only with what it must refuse."""

    call: tuple[str, ...]
    files: tuple[str, ...] = ()
    written: tuple[str, ...] = ()
    serves: bool = False


COMMANDS: dict[str, Row] = {
    "demo": Row((), serves=True),
    "workbench": Row((), serves=True),
    "simulate": Row(("short.toml",), ("short.toml",), ("--record",)),
    "accuracy": Row(("--units", "0"), (), ("--page",)),
    "season": Row(("out", "--days", "0.02"), ("--weather", "--fleet"), ("out",)),
    "run": Row((), ("--site",), serves=True),
    "page": Row((), ("--site",), serves=True),
    "status": Row((), ("--site",)),
    "watch": Row(("--seconds", "0"), ("--site",)),
    "report": Row(("r.html",), ("--site",), ("r.html",)),
    "renew": Row(("compressor", "--by", "Ann"), ("--site",)),
    "share": Row(("Bo",), ("--site",)),
    "phone": Row((), ("--site",)),
    "explain": Row(("locked-rotor",), ("--site",)),
    "diagnose": Row(("no-cooling",), ("--site",)),
    "replay": Row(("r.csv",), ("--site", "r.csv")),
    "record": Row(("new.csv", "--seconds", "0"), ("--site",)),
    "commission": Row(("--by", "Ann", "--simulated", "short.toml"), ("--site", "short.toml"), ("--record",)),
    "calibrate": Row(("coil_a", "1", "--by", "Ann", "--simulated", "short.toml"), ("--site", "short.toml")),
    "alerts": Row((), ("--site",)),
    "watchdog": Row(("watched.toml",), ("watched.toml",), serves=True),
    "asyncapi": Row((), ("--site",)),
    "installer": Row(("out",), (), ("out",)),
    "manual": Row(()),
    "completion": Row(("bash",)),
    "fleet begin": Row(("office",), (), ("office",)),
    "fleet init": Row(("office",), (), ("office",)),
    "fleet migrate": Row((), ("--fleet",)),
    "fleet copy-from": Row(("sqlite:///other.db",), ("--fleet",)),
    "fleet check": Row((), ("--fleet",)),
    "fleet on-call": Row((), ("--fleet",)),
    "fleet tidy": Row((), ("--fleet",)),
    "fleet credential": Row((), ("--fleet",)),
    "fleet broker-files": Row((), ("--fleet",)),
    "fleet broker-config": Row((), ("--fleet",)),
    "fleet ingest": Row((), ("--fleet",), serves=True),
    "fleet page": Row((), ("--fleet",), serves=True),
    "fleet enroll": Row(("site-1",), ("--fleet", "--site-file"), ("--to",)),
    "fleet customers": Row(("list.csv", "--to=handed"), ("--fleet", "list.csv"), ("--to",)),
    "fleet customer-csv": Row((), ("--fleet",)),
    "fleet renew": Row(("site-1",), ("--fleet",), ("--to",)),
    "fleet revoke": Row(("site-1",), ("--fleet",)),
    "fleet export": Row(("site-1",), ("--fleet",)),
    "fleet erase": Row(("site-1",), ("--fleet",)),
    "fleet tenants": Row(("site-1",), ("--fleet",)),
    "fleet change-tenant": Row(("site-1", "Somebody"), ("--fleet",)),
    "fleet add-token": Row(("reader",), ("--fleet",)),
    "fleet drop-token": Row(("reader",), ("--fleet",)),
    "fleet webhooks": Row((), ("--fleet",)),
    "fleet add-webhook": Row(("hook", "https://receiver.test/in"), ("--fleet",)),
    "fleet drop-webhook": Row(("hook",), ("--fleet",)),
    "fleet resume-webhook": Row(("hook",), ("--fleet",)),
    "fleet add-user": Row(("ann",), ("--fleet",)),
    "fleet password": Row(("ann",), ("--fleet",)),
}
_NO_SITE = {"commission", "calibrate"}  # --simulated takes the scenario's unit instead
# Options that name files but are looked at only together with others.
_WITH_OTHERS = {"--passwords", "--password-file", "--ca-file"}


def leaves(at: argparse.ArgumentParser, name: str = "") -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """Every command of the command line, by its words."""
    below = [action for action in at._actions if isinstance(action, argparse._SubParsersAction)]
    for action in below:
        for word, sub in action.choices.items():
            yield from leaves(sub, f"{name} {word}".strip())
    if not below:
        yield name, at


def options(name: str, kinds: tuple[object, ...]) -> list[str]:
    """The options of a command whose values are read by one of the kinds (None: texts)."""
    at = dict(leaves(parser()))[name]
    takes = [act for act in at._actions if act.option_strings and act.nargs != 0 and not act.choices]
    return [act.option_strings[-1] for act in takes if act.type in kinds]


def test_the_table_is_of_all_commands_and_their_files() -> None:
    """A command, or an option that names a file, that is not in the table is not tried below."""
    assert set(COMMANDS) == {name for name, _ in leaves(parser())}
    for name, at in leaves(parser()):
        for action in at._actions:
            if action.metavar in ("SITE", "FILE", "FLEET", "FOLDER") and action.option_strings:
                known = {*COMMANDS[name].files, *COMMANDS[name].written, *_WITH_OTHERS}
                assert action.option_strings[-1] in known, (name, action)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A place to work in, with one good file of each kind, and others that are none."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO())
    for name, text in {
        "short.toml": _SCENARIO,
        "fleet.toml": _FLEET,
        "site.toml": "",
        "r.csv": "t_s,call\n0,1\n1,0\n",
        "list.csv": "site,name\nsite-2,Two\n",
    }.items():
        (tmp_path / name).write_text(text)
    return tmp_path


@pytest.fixture
def wrong(folder: Path) -> dict[str, str]:
    """Paths of what is no file of ours."""
    (folder / "binary").write_bytes(bytes(range(256)) * 20)
    (folder / "deep").write_text("a = " + "[" * 50_000)
    (folder / "long-line").write_text("x" * 10_000_000)
    (folder / "nul").write_bytes(b"\x00" * 100)
    (folder / "a-folder").mkdir()
    (folder / "loop").symlink_to(folder / "loop")
    (folder / "utf-16").write_text("t_s,call\n0,1\n[site]\nname = 'x'\n", encoding="utf-16")
    paths = {path: path for path in ("binary", "deep", "long-line", "nul", "a-folder", "loop", "utf-16")}
    return paths | {
        **{"missing": "missing", "in-a-file": "binary/x", "too-long": "y" * 300, "endless": "/dev/zero"},
        **{"memory": "/proc/self/mem", "not-utf-8": os.fsdecode(b"\xff\xfe"), "terminal": "\x1b[2J\u202e", "none": ""},
    }


def _called(argv: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """Exit status and what stands on standard error."""
    with soon(60):
        try:
            status = main(argv)
        except SystemExit as end:  # argparse's own refusals, and help
            status = int(end.code or 0)
    return status, capsys.readouterr().err


def _with(row: Row, name: str, place: str, value: str) -> list[str]:
    """A call in which `place` is given as `value`."""
    words = name.split()
    call = [value if word == place else word for word in row.call]
    if place == "--site" and name in _NO_SITE:
        call = [word for word in call if word not in ("--simulated", "short.toml")]
    office = words[0] == "fleet" and not {"begin", "init"} & set(words)
    begin = ["--fleet", value if place == "--fleet" else "fleet.toml"] if office else []
    option = [f"{place}={value}"] if place.startswith("--") and not (office and place == "--fleet") else []
    return [words[0], *begin, *words[1:], *call, *option]


def _looked_at(status: int, said: str, argv: list[str]) -> None:
    assert status != FAULT, (argv, said)
    assert "Traceback" not in said, (argv, said)
    lines = said.splitlines()
    assert all(len(line) < LINE_MOST for line in lines), argv
    assert "\x1b" not in said, (argv, said)
    if status == 2:
        assert any("allowed:" in line or "error: " in line for line in lines), (argv, said)


@one_in(6)
@pytest.mark.parametrize("name", COMMANDS)
def test_a_file_that_is_none_is_used_or_refused(
    name: str, wrong: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Folders, binaries, devices, loops, other alphabets, names that no file has: in every place of every command."""
    row = COMMANDS[name]
    places = [place for place in (*row.files, *row.written) if not (place in row.written and row.serves)]
    for place in places:
        for kind, value in wrong.items():
            named = f"{value}.html" if place == "r.html" else value
            argv = _with(row, name, place, named)
            status, said = _called(argv, capsys)
            _looked_at(status, said, argv)
            if place in row.files and kind != "none":
                assert status in (2, 3), (argv, status, said)


_NUMBERS = ["nan", "inf", "-inf", "-1", "0", "1e999", "9" * 400, "-" + "9" * 400, "x", "", "0x10", "½", "1e-320"]


@one_in(5)
@pytest.mark.parametrize("name", [name for name in COMMANDS if options(name, (int, float))])
def test_a_number_that_cannot_be_is_refused(name: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each option that takes a number, with what is none or is out of all bounds; those that go on for ever once they
    begin get only what can never be a number of theirs."""
    row = COMMANDS[name]
    for option in options(name, (int, float)):
        for value in _NUMBERS if not row.serves else ["nan", "-1", "1e999", "9" * 400, "x", ""]:
            if (name, option, value) in _GOES_ON:
                continue
            argv = [*name.split(), *row.call, f"{option}={value}"]
            status, said = _called(argv, capsys)
            _looked_at(status, said, argv)
            if row.serves:
                assert status == 2, (argv, status, said)


# what is allowed and does not end by itself
_GOES_ON = {("watch", "--seconds", value) for value in ("inf", "1e999", "9" * 400)}

_TEXTS = st.binary(max_size=12).map(lambda data: os.fsdecode(data.replace(b"\x00", b"")))


@one_in(6)
@pytest.mark.parametrize(
    "name", [name for name, row in COMMANDS.items() if not row.serves and name not in ("season", "watch")]
)
def test_texts_of_any_bytes_are_used_or_refused(name: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each word of a call and each option that takes a text, with bytes of any kind."""
    row = COMMANDS[name]
    given_options = options(name, (None,))
    places = [*row.call, *given_options]

    @fuzzed(15)
    @given(
        place=st.sampled_from([*places, "nothing"]),
        text=st.one_of(_TEXTS, st.text(st.characters(exclude_characters="\x00"), max_size=12)),
    )
    def run(place: str, text: str) -> None:
        argv = _with(row, name, place, text)
        with contextlib.suppress(UnicodeEncodeError):  # no argument can be half a character
            os.fsencode(text)
            _looked_at(*_called(argv, capsys), argv)

    run()


# ---------------------------------------------------------------- standard streams, in processes of their own


def _process(arguments: list[str], wiring: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """A command in a shell, its streams wired as said."""
    line = f'"{sys.executable}" -m condenser_monitor.monitor.cli {" ".join(arguments)} {wiring}'
    return subprocess.run(
        ["bash", "-o", "pipefail", "-c", line],
        env={**os.environ, **environment},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize(
    ("wiring", "status"),
    [
        ("| head -1", 0),
        ("| true", 0),
        (">&-", 0),
        (">&- 2>&-", 0),
        ("<&-", 0),
        ("> /dev/full", 2),
        ("2> /dev/full", 0),
    ],
)
def test_output_that_nobody_takes_is_no_traceback(wiring: str, status: int) -> None:
    """A reader that goes away, closed streams, a full disk; a reader that goes away is no failure."""
    done = _process(["explain"], wiring)
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert "fault" not in done.stderr


@one_in(4)
@pytest.mark.parametrize(
    "environment",
    [
        {"PYTHONIOENCODING": "ascii"},
        {"PYTHONIOENCODING": "latin-1"},
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
        {"LANG": "no_such", "LANGUAGE": "xx", "TZ": "../../etc/passwd"},
        {"COLUMNS": "nan", "LINES": "-1", "TERM": "\udcff"},
        {"COLUMNS": "1"},
        {"HOME": "", "USER": "", "TMPDIR": "/nowhere", "XDG_RUNTIME_DIR": "/nowhere"},
        {"NOTIFY_SOCKET": "/nowhere", "WATCHDOG_USEC": "x"},
    ],
    ids="-".join,
)
def test_an_environment_of_nonsense_is_borne(environment: dict[str, str], tmp_path: Path) -> None:
    """Other alphabets, zones, widths and homes: what is asked for is said."""
    for arguments in (
        ["explain", "outdoor_c"],
        ["explain", "coil-ohms"],
        ["asyncapi"],
        ["--help"],
        ["diagnose", "no-cooling"],
    ):
        done = _process(arguments, "", **environment)
        assert done.returncode in (0, 2), done.stderr
        assert "Traceback" not in done.stderr, (arguments, done.stderr)
        assert "fault of the program" not in done.stderr, (arguments, done.stderr)


def test_a_pipe_is_read_as_a_file(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A site file and a recording that come through a named pipe."""
    for name, text in (("pipe-1", "[unit]\nline_hz = 50\n"), ("pipe-2", "t_s,call\n0,1\n")):
        os.mkfifo(folder / name)
        threading.Thread(target=Path(folder / name).write_text, args=(text,), daemon=True).start()
    assert main(["replay", "pipe-2", "--site", "pipe-1"]) == 0
    assert capsys.readouterr().err == ""


def test_a_fault_of_the_program_is_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What nobody foresaw is told in one line with the places in the code, exit status 70."""

    def broken() -> Callable[[], int]:
        raise RuntimeError("a\x1b[2J" + "b" * 10_000)

    monkeypatch.setattr(cli, "parser", broken)
    assert main(["status"]) == FAULT
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert len(said) < LINE_MOST
    assert "\x1b" not in said
    assert "RuntimeError" in said
    assert "test_commands.py:" in said
