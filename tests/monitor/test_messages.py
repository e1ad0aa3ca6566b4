"""Messages on the broker: what the contractor's side reads of them, and requests that are anything at all."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import Answer, Finding, Severity
from condenser_monitor.monitor.fleet import messages as fleet
from condenser_monitor.monitor.publishers import messages as wire
from condenser_monitor.monitor.publishers.messages import (
    PersonsRequest,
    ResendRequest,
    out_message,
    read_request,
    request_id,
    topic,
    unit_mark,
    unit_message,
)
from condenser_monitor.monitor.storage.models import StoredEvent, Topic
from condenser_monitor.monitor.storage.schema import id_origin, message_id
from tests.monitor.edge_tools import (
    WALL_S,
    alert,
    change,
    cycle,
    status,
)


def kept(body: Any, channel: Topic, seq: int = 7, wall_s: float | None = WALL_S) -> StoredEvent:
    """A row of the outbox."""
    name = message_id("x1", channel, seq)
    return StoredEvent(offset=9, topic=channel, seq=seq, id=name, run=2, t_s=1.0, wall_s=wall_s, body=body)


@pytest.mark.parametrize(
    ("body", "channel"),
    [(change(), "events"), (alert(), "events"), (cycle(), "cycles"), (Answer(id="r", done=True), "answers")],
)
def test_the_fleet_reads_what_a_monitor_sends(body: Any, channel: Topic) -> None:
    """Both ends of the same topic, written apart: nothing is set aside, and origin and number agree."""
    payload = msgspec.json.encode(out_message(kept(body, channel), "site-1"))
    message = fleet.read(topic("site-1", channel), payload, WALL_S)
    assert isinstance(message, fleet.SiteMessage), message
    if channel != "answers":
        assert isinstance(message.body, wire.Event | wire.CycleDone)
        assert fleet.origin(message.body) == "x1"
        assert message.body.seq == 7


def test_the_fleet_reads_the_unit_as_it_stands() -> None:
    """Cycle, findings with their suspects, outdoor temperature, how far the site has numbered."""
    found = Finding(
        name="line-supply-lost",
        severity=Severity.URGENT,
        since_s=1.0,
        raised_s=2.0,
        raised_wall_s=WALL_S,
        suspects=("line-supply-off",),
        evidence={"supply": False},
        summary="No line voltage.",
    )
    payload = msgspec.json.encode(unit_message(status(findings=(found,)), "x1", {"events": 3}))
    message = fleet.read(topic("site-1", "unit"), payload, WALL_S)
    assert isinstance(message, fleet.SiteMessage), message
    assert isinstance(message.body, wire.UnitNow)
    assert message.body.findings[0].suspects == ("line-supply-off",)
    assert message.body.readings.outdoor_c == 33.0
    assert (message.body.origin, message.body.sent) == ("x1", {"events": 3})


def test_ids_of_two_topics_never_meet() -> None:
    """The same number on `events`, `cycles` and `answers` is another id each time; the origin can be read off all."""
    ids = {message_id("x1", channel, seq) for channel in ("events", "cycles", "answers") for seq in range(1, 200)}
    assert len(ids) == 3 * 199
    assert {id_origin(message_id("x1", "cycles", seq), seq) for seq in (1, 10, 111)} == {"x1"}


def test_a_time_that_became_known_later_is_sent() -> None:
    """The row knows the time of day, the body does not yet: the message has it."""
    assert out_message(kept(change(), "events"), "s").wall_s == WALL_S  # type: ignore[union-attr]
    assert out_message(kept(change(), "events", wall_s=None), "s").wall_s is None  # type: ignore[union-attr]


def test_the_unit_message_is_the_same_when_it_says_the_same() -> None:
    """Its id is made of its words; only what is worth telling makes a new one worth sending."""
    first = unit_message(status(5.0), "x1", {})
    assert unit_message(status(5.0), "x1", {}).id == first.id
    assert unit_message(status(5.0), "x1", {"events": 1}).id != first.id
    told = msgspec.structs.replace(status(5.0), uncertainty={"compressor_a": 0.17})
    assert unit_message(told, "x1", {}).uncertainty == {"compressor_a": 0.17}
    quiet = status(6.0, cycle_since_s=5.0, readings={"call": False, "compressor_a": 0.1})
    assert unit_mark(quiet) == unit_mark(status(5.0))
    assert unit_mark(status(5.0, live=("call",))) != unit_mark(status(5.0))
    assert unit_mark(status(5.0, break_at="contacts")) != unit_mark(status(5.0))


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
_NEAR = st.fixed_dictionaries(
    {},
    optional={
        "id": st.text(max_size=130) | _JSON,
        "request": st.sampled_from(["acknowledge", "shelve", "service", "resend", "resume"]) | _JSON,
        "by": st.text(max_size=110) | _JSON,
        "finding": st.text(max_size=20) | _JSON,
        "hours": st.floats() | _JSON,
        "note": st.text(max_size=20),
        "topic": st.sampled_from(["events", "cycles", "answers"]) | _JSON,
        "from_seq": st.integers() | _JSON,
        "to_seq": st.integers() | _JSON,
        "more": _JSON,
    },
)


@given(st.binary(max_size=200) | _NEAR.map(msgspec.json.encode) | _JSON.map(msgspec.json.encode))
def test_any_payload_is_a_request_or_refused_in_words(payload: bytes) -> None:
    """Bytes, JSON, nearly right requests: a typed record within its bounds, or an error of our own; nothing else."""
    request_id(payload)
    try:
        request = read_request(payload)
    except CommandError:
        return
    assert 1 <= len(request.id) <= 120
    if isinstance(request, PersonsRequest):
        assert 1 <= len(request.by) <= 100
        assert request.hours is None or 0 < request.hours < 1e5
    else:
        assert isinstance(request, ResendRequest)
        assert request.from_seq >= 1


def test_a_request_nested_without_end_is_refused() -> None:
    """Deeper than the parser goes."""
    deep = b'{"request":' + b"[" * 100_000 + b"]" * 100_000 + b"}"
    with pytest.raises(CommandError):
        read_request(deep)
    assert request_id(deep) == ""


@pytest.mark.parametrize(
    ("read", "sent"),
    [
        (wire.Event, (wire.ChangeMessage, wire.AlertMessage)),
        (wire.CycleDone, (wire.CycleMessage,)),
        (wire.UnitNow, (wire.UnitMessage,)),
        (wire.UnitFinding, (wire.FindingMessage,)),
        (wire.Answered, (wire.AnswerMessage,)),
    ],
    ids=lambda given: given.__name__ if isinstance(given, type) else None,
)
def test_what_the_office_reads_is_a_part_of_what_a_site_sends(read: type, sent: tuple[type, ...]) -> None:
    """No field is read under a name that nobody sends, and what only one kind of message has may be missing."""
    fields = {field.name: field for field in msgspec.structs.fields(read)}
    names = [{field.name for field in msgspec.structs.fields(kind)} for kind in sent]
    assert set(fields) <= set.union(*names)
    assert {name for name, field in fields.items() if field.required} <= set.intersection(*names)
