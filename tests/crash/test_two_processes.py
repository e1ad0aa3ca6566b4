"""Monitor and page as two processes on one history: what a person was told is kept, is kept, whatever the owner does
to the file meanwhile."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.records import Answer
from condenser_monitor.monitor.storage import recovery
from tests import ROOT, SOURCES
from tests.monitor.edge_tools import change
from tests.monitor.test_history_disk import Desk

# Writes visits and requests as fast as it can, and says what it was told is kept; reads between. Ends with its input.
PAGE = """
import sys, threading
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import HistoryError
from condenser_monitor.monitor.core.records import Request, RequestKind, StoredVisit
from condenser_monitor.monitor.storage.history import History
from tests.size import long_one

pytestmark = long_one
ended = threading.Event()
threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
keep = config.HistorySettings(file=sys.argv[1], live_dir=sys.argv[2])
number = 0
with History(keep.file, keep=keep) as history:
    while not ended.is_set():
        number += 1
        try:
            history.add_visit(StoredVisit(was=f"v{number}", by="Sam"))
            print(f"v{number}", flush=True)
            if history.add_request(Request(id=f"r{number}", request=RequestKind.RESUME, by="Sam")) is None:
                print(f"r{number}", flush=True)
        except HistoryError:
            continue
        history.latest_events()
"""
ROUNDS = 12


def test_what_the_page_was_told_is_kept_outlives_each_restoring_under_it(tmp_path: Path) -> None:
    """The owner finds its file damaged again and again while the page writes into it. Each visit that the page was told
    is kept is there in the end, each request is answered, and the file is sound: no log was taken for another's."""
    keep = config.HistorySettings(file=str(tmp_path / "h.db"), live_dir=str(tmp_path / "live"))
    desk = Desk(keep)
    writer = desk.history._owned()
    command = [sys.executable, "-c", PAGE, keep.file, keep.live_dir]
    env = {**os.environ, "PYTHONPATH": SOURCES}
    page = subprocess.Popen(
        command, cwd=ROOT, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert page.stdout is not None
    told = [page.stdout.readline().strip()]

    def step() -> None:
        answers = [Answer(id=request.id, done=True) for request in desk.history.requests()]
        desk.step(change(), answers=answers)
        desk.clock.sleep(6.0)

    for turn in range(ROUNDS):
        step()
        if turn % 4 == 3:
            writer._back_up()
        writer._spoilt, writer._refusals = "database disk image is malformed", 2
        writer._drop()
        step()
        told += [page.stdout.readline().strip() for _ in range(10)]
    said, complaint = page.communicate("")
    told += said.split()
    assert page.returncode == 0, complaint
    while desk.history.requests() or desk.history.health().held:  # a busy disk may put a restoring off
        step()
    visits = {visit.was for visit in desk.history.visits(limit=-1)}
    assert {name for name in told if name.startswith("v")} <= visits
    unanswered = [name for name in told if name.startswith("r") and desk.history.answer(name) is None]
    assert not unanswered
    assert [row.seq for row in desk.history.events()] == list(range(1, len(desk.history.events()) + 1))
    desk.history.close()
    assert recovery.inspect(tmp_path / "h.db") == ("", True)
    assert len(list(tmp_path.glob("h.corrupt-*.db"))) > 1
