"""(edge) A person's wish, left for the service in the history, and the wait for its answer."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import Answer, Request, RequestKind
from condenser_monitor.monitor.storage.file import History


def leave(history: History, wish: Request, wait_s: float) -> Answer | None:
    """Leave a request and wait for its answer, `wait_s` at most; None when there is none by then."""
    answer = history.add_request(wish)
    ends_s = time.monotonic() + wait_s
    while answer is None and time.monotonic() < ends_s:
        time.sleep(0.1)
        answer = history.answer(wish.id)
    return answer


def renew(history: History, part: str, by: str, say: Callable[[str], object], wait_s: float | None = None) -> int:
    """Say that a part was renewed, and what became of it. Exit status 0 done, 1 not answered yet or refused."""
    wish = Request(id=secrets.token_hex(8), request=RequestKind.RENEW, by=by, part=part)
    answer = leave(history, wish, limits.WEB.answer_wait_s.value if wait_s is None else wait_s)
    if answer is None:
        say("left for the monitor, which has not answered yet")
        return 1
    say(f"what was normal for the {part} is reset" if answer.done else f"not done: {answer.why}")
    return 0 if answer.done else 1
