"""Requests of people: what is refused says why and changes nothing; a repeat is harmless."""

from __future__ import annotations

from math import inf, nan
from typing import Any

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import AlertState
from tests.monitor.alarm_tools import Bench

FAN, LOCKED, SUPPLY = "fan-not-running", "locked-rotor", "line-supply-lost"


def _bench(story: str) -> Bench:
    bench = Bench()
    for word in story.split():
        verb, _, finding = word.partition(":")
        if verb in ("raised", "cleared"):
            bench.change(verb, finding)
        elif verb == "wait":
            bench.wait(4 * 3600)
        else:
            assert bench.ask(verb, finding or None, 2.0 if verb in ("shelve", "service") else None).done
    return bench


REFUSED = [
    # story, request, finding, hours, word in the answer
    ("", "acknowledge", FAN, None, "nothing to acknowledge"),
    ("", "acknowledge", None, None, "got None"),
    ("", "acknowledge", "fan-not-runing", None, "one of sensor-silent"),
    (f"raised:{FAN} acknowledge:{FAN}", "acknowledge", FAN, None, "already acknowledged (by Sam)"),
    (f"raised:{FAN} shelve:{FAN}", "acknowledge", FAN, None, "unshelve"),
    (f"raised:{FAN} service", "acknowledge", FAN, None, "resume"),
    (f"raised:{LOCKED} raised:compressor-not-running", "acknowledge", "compressor-not-running", None, "follows from"),
    ("", "shelve", FAN, None, "0.1 to 168 hours"),
    ("", "shelve", FAN, 0.0, "0.1 to 168 hours"),
    ("", "shelve", FAN, -2.0, "got -2.0"),
    ("", "shelve", FAN, 169.0, "got 169.0"),
    ("", "shelve", FAN, nan, "got nan"),
    ("", "shelve", FAN, inf, "got inf"),
    ("", "shelve", None, 2.0, "the name of a finding"),
    ("", "unshelve", FAN, None, "not shelved"),
    (f"raised:{FAN}", "unshelve", FAN, None, "not shelved"),
    ("", "reset", LOCKED, None, "nothing to reset"),
    (f"raised:{LOCKED}", "reset", LOCKED, None, "still stands"),
    (f"raised:{LOCKED} acknowledge:{LOCKED}", "reset", LOCKED, None, "still stands"),
    (f"raised:{LOCKED} service", "reset", LOCKED, None, "still stands|resume"),
    (f"raised:{LOCKED} cleared:{LOCKED} service", "reset", LOCKED, None, "resume"),
    ("", "service", None, None, "0.1 to 24 hours"),
    ("", "service", None, 25.0, "got 25.0"),
    ("", "resume", None, None, "service mode"),
]


@pytest.mark.parametrize(("story", "kind", "finding", "hours", "word"), REFUSED)
def test_a_bad_request_is_answered_with_the_reason_and_changes_nothing(
    story: str, kind: str, finding: str | None, hours: float | None, word: str
) -> None:
    """The answer names what is the case or what is allowed; state, alerts and tellings stay as they were."""
    bench = _bench(story)
    alerts, steps, due_s = bench.desk.alerts(), len(bench.steps), bench.desk.next_deadline()
    answer = bench.ask(kind, finding, hours)
    assert not answer.done
    assert any(part in answer.why for part in word.split("|")), answer.why
    assert (bench.desk.alerts(), len(bench.steps), bench.desk.next_deadline()) == (alerts, steps, due_s)


@pytest.mark.parametrize(
    ("field", "text"),
    [
        *(("by", ""), ("by", "   "), ("by", "x" * 129), ("by", "Robin\x1b[2J"), ("by", "Robin\nalert: over")),
        *(("id", ""), ("id", "x" * 129), ("id", "1\x07"), ("note", "x" * 501), ("note", "a\x1b]0;b\x07")),
    ],
)
def test_texts_have_bounds(field: str, text: str) -> None:
    """Empty and overlong texts are refused, so that what is kept stays small; so is what a terminal would obey."""
    bench = Bench()
    bench.raised(FAN)
    more: dict[str, Any] = {field: text}
    answer = bench.ask("acknowledge", FAN, **more)
    assert not answer.done
    assert f"acknowledge: {field}" in answer.why
    assert bench.state(FAN) is AlertState.UNACKED


def test_a_repeated_request_gets_the_first_answer_and_does_nothing() -> None:
    """The broker may bring a request twice: after a resume, the repeat of an old `service` does not start it again."""
    bench = Bench()
    assert bench.ask("service", hours=1.0, id="a1").done
    assert bench.ask("resume", id="a2").done
    assert bench.ask("service", hours=1.0, id="a1").done
    assert not bench.desk.in_service
    bench.restart()
    assert bench.ask("service", hours=1.0, id="a1").done
    assert not bench.desk.in_service


def test_only_so_many_answers_are_kept() -> None:
    """A flood of requests does not fill the memory."""
    bench = Bench()
    for number in range(2000):
        bench.ask("acknowledge", FAN, id=f"{number:0128d}")
    most = int(limits.ALARMS.answers_kept.value)
    assert len(bench.desk.memory().answers) == most


def test_shelving_anew_moves_the_end() -> None:
    """A second shelving replaces the first, longer or shorter."""
    bench = Bench()
    bench.raised(FAN)
    bench.ask("shelve", FAN, 10.0)
    bench.ask("shelve", FAN, 1.0)
    bench.wait(3600)
    assert bench.notified(FAN) == [(FAN, "alarm")] * 2


def test_unshelving_in_service_mode_ends_the_shelving_not_the_service() -> None:
    """Service mode lasts; when it ends nothing is shelved any more."""
    bench = _bench(f"raised:{FAN} shelve:{FAN} service")
    assert bench.ask("unshelve", FAN).done
    assert bench.notified(FAN) == [(FAN, "alarm")]
    bench.ask("resume")
    assert bench.notified(FAN) == [(FAN, "alarm")] * 2


def test_note_and_name_are_shown_until_the_next_alarm() -> None:
    """Who acknowledged and what they wrote belongs to this alarm, not to the next one."""
    bench = Bench()
    bench.raised(SUPPLY)
    bench.ask("acknowledge", SUPPLY, by="Robin", note="breaker off\nfor the painters")
    alert = bench.alert(SUPPLY)
    assert alert is not None
    assert (alert.acked_by, alert.note) == ("Robin", "breaker off\nfor the painters")
    bench.cleared(SUPPLY)
    bench.wait(bench.delay_s(SUPPLY))
    bench.raised(SUPPLY)
    alert = bench.alert(SUPPLY)
    assert alert is not None
    assert (alert.acked_by, alert.note) == (None, "")
