"""The commands of a unit's people: codes for the report, test messages to the phones."""

from __future__ import annotations

import getpass
import http.server
import re
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

import pytest

from condenser_monitor.monitor.cli import main
from condenser_monitor.monitor.clock import wall_clock
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import RequestKind
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.report.share import Shares
from condenser_monitor.monitor.storage.history import History
from tests.monitor.test_config import EXAMPLE


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(f'{EXAMPLE}\n[history]\nfile = "{tmp_path}/history.db"\n')
    return path


def test_a_code_is_made_listed_and_ended_at_the_terminal(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The code that is printed opens the report; the list shows its end and not the code; revoked it opens nothing."""
    shares = Shares(tmp_path / "history.db")
    now_s = wall_clock()
    assert now_s is not None
    assert main(["share", "--site", str(site)]) == 0
    assert "no code is in force" in capsys.readouterr().out
    assert main(["share", "Sam", "--days", "3", "--valid", "2", "--site", str(site)]) == 0
    code, *told = capsys.readouterr().out.splitlines()
    found = shares.check(code, wall_s=now_s + 60)
    assert found is not None
    assert (found.name, found.days, round(found.ends_wall_s - found.made_wall_s)) == ("Sam", 3, 2 * 86400)
    assert any(f"/shared#{code}" in line for line in told)
    assert main(["share", "--site", str(site)]) == 0
    listed = capsys.readouterr().out
    assert listed.startswith("Sam: the last 3 days, until ")
    assert code not in listed
    assert main(["share", "--revoke", "Sam", "--site", str(site)]) == 0
    assert shares.check(code, wall_s=now_s + 60) is None


@pytest.mark.parametrize(
    ("arguments", "why"),
    [(["--revoke", "Kim"], "one in force: Sam"), (["Sam"], "not in use"), (["Kim", "--valid", "999"], "0.04 to 90")],
)
def test_what_cannot_be_shared_is_refused_in_words(
    arguments: list[str], why: str, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2, with what is allowed."""
    assert main(["share", "Sam", "--site", str(site)]) == 0
    capsys.readouterr()
    assert main(["share", *arguments, "--site", str(site)]) == 2
    assert why in capsys.readouterr().err


class Receiver(http.server.BaseHTTPRequestHandler):
    """Takes messages at /good, refuses them elsewhere."""

    bodies: ClassVar[list[str]] = []

    def do_POST(self) -> None:
        Receiver.bodies.append(self.rfile.read(int(self.headers["Content-Length"])).decode())
        self.send_response(200 if self.path == "/good-token" else 500)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Silent."""


@pytest.fixture
def receiver() -> Iterator[int]:
    with http.server.HTTPServer(("127.0.0.1", 0), Receiver) as server:
        Receiver.bodies = []
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server.server_port
        server.shutdown()
        thread.join()


def test_each_phone_is_tried_and_its_answer_said(site: Path, receiver: int, capsys: pytest.CaptureFixture[str]) -> None:
    """One takes the test message, one refuses it: both are said, status 1, and nothing of an address but its kind."""
    good, bad = (f"json://127.0.0.1:{receiver}/{path}" for path in ("good-token", "bad-token"))
    with site.open("a") as file:
        file.write(f'[notify]\nurls = ["{good}", "{bad}"]\n')
    assert main(["phone", "--site", str(site)]) == 1
    told = capsys.readouterr().out
    assert re.findall(r"^  (taken|not taken)", told, re.M) == ["taken", "not taken"]
    assert "token" not in told.replace("taken", "")
    assert len(Receiver.bodies) >= 2
    assert "A test message" in Receiver.bodies[0]


def test_without_a_phone_the_command_says_where_one_is_named(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Status 2."""
    assert main(["phone", "--site", str(site)]) == 2
    assert "[notify]" in capsys.readouterr().err


def test_a_renewed_part_is_told_to_the_monitor_at_the_terminal(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The wish arrives with part and name; its answer is said; without a monitor that works it is said to be left."""
    settings = config.load(site)
    with History(settings.history.file, owner=True, keep=settings.history) as history:
        assert main(["renew", "contactor", "--by", "Ada", "--site", str(site)]) == 1
        assert "has not answered yet" in capsys.readouterr().out
        (wish,) = history.requests()
        assert (wish.request, wish.part, wish.by) == (RequestKind.RENEW, "contactor", "Ada")
        engine = Engine(settings)

        def work() -> None:
            while not done.wait(0.02):
                for request in history.requests():
                    answer, _ = engine.request(request, 0.0, None)
                    step = {"status": engine.status(), "memory": engine.memory, "answers": [answer]}
                    history.step(now_s=0.0, wall_s=None, **step)  # type: ignore[arg-type]

        done = threading.Event()
        worker = threading.Thread(target=work)
        worker.start()
        try:
            assert main(["renew", "contactor", "--by", "Ada", "--site", str(site)]) == 0
        finally:
            done.set()
            worker.join()
        assert "is reset" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "sudo", "login", "by"),
    [
        (["--by", "Ada"], "sam", "root", "Ada"),
        ([], "sam", "root", "sam"),
        ([], None, "sam", "sam"),
        ([], None, "sam\nx", "samx"),
        ([], None, None, "command line"),  # as in a container with a user number that has no name
    ],
)
def test_who_answers_an_alert_is_the_login_unless_named(  # noqa: PLR0917 - a row, and the fixtures
    given: list[str],
    sudo: str | None,
    login: str | None,
    by: str,
    site: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The name as given, else who called sudo, else the login's; the wish is left with it."""

    def user() -> str:
        if login is None:
            raise KeyError("getpwuid(): uid not found: 4711")
        return login

    monkeypatch.setattr(getpass, "getuser", user)
    monkeypatch.delenv("SUDO_USER", raising=False)
    if sudo is not None:
        monkeypatch.setenv("SUDO_USER", sudo)
    settings = config.load(site)
    with History(settings.history.file, owner=True, keep=settings.history) as history:
        assert main(["alerts", "acknowledge", "call-without-run", *given, "--site", str(site)]) == 1
        assert [wish.by for wish in history.requests()] == [by]
