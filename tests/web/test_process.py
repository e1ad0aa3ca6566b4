"""The page as a process of its own beside the service: it reads what the service writes, and its wishes arrive."""

from __future__ import annotations

import http.cookiejar
import json
import re
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.storage.history import History
from tests.monitor import units

SITE = """
[unit]
compressor_rla_a = 12.8
compressor_lra_a = 68.0
fan_fla_a = 1.1
[web]
port = 0
[history]
file = "{folder}/history.db"
live_dir = "{folder}/live"
"""


def test_the_page_reads_and_asks_from_another_process(tmp_path: Path) -> None:
    """A scan of this process is on the other one's page; a request left there is here."""
    file = tmp_path / "site.toml"
    file.write_text(SITE.format(folder=tmp_path))
    settings = config.load(file)
    engine = Engine(settings)
    with History(settings.history.file, owner=True, keep=settings.history) as history:
        for second in range(4):
            scan = Scan(t_s=float(second), wall_s=time.time(), **units.RUN)
            events = engine.feed(scan)
            history.step(
                now_s=scan.t_s,
                wall_s=scan.wall_s,
                status=engine.status(),
                memory=engine.memory,
                scan=scan,
                events=events,
            )
        command = [sys.executable, "-m", "condenser_monitor.monitor.cli", "page", "--site", str(file)]
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
            try:
                assert process.stderr is not None
                url = process.stderr.readline().split()[-1]
                told = json.loads(ask(url + "api/v1/status"))
                assert told["blind"] is False
                assert told["status"]["cycle"] == "running"
                leave(url)
                found = history.requests()
            finally:
                process.terminate()
                process.wait(timeout=10)
    assert [(request.request.value, request.by) for request in found] == [("service", "Sam")]


def ask(url: str) -> str:
    with urllib.request.urlopen(url, timeout=10) as answer:
        return answer.read().decode()  # type: ignore[no-any-return]


def leave(url: str) -> None:
    """Begin service mode through the form, with the form's own token and cookie."""
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))
    with opener.open(url + "alerts", timeout=10) as answer:
        token = re.search(r'name="csrf" value="([^"]+)"', answer.read().decode())
    assert token is not None
    with opener.open(url + "alerts/service", data=f"csrf={token[1]}&by=Sam&hours=1".encode(), timeout=20) as answer:
        assert "Pending" in answer.read().decode()
