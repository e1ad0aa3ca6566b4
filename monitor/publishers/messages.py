"""Messages on the broker (contract.md, Broker), typed once: what goes out, what comes in, on which topic.

The AsyncAPI document, the broker client, the office and the tests all read these types. Pure.
"""

from __future__ import annotations

from hashlib import blake2b
from typing import Annotated, Any, Literal, NamedTuple

import msgspec

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import (
    Alert,
    AlertChange,
    AlertState,
    Answer,
    Change,
    ChangeKind,
    Cycle,
    Episode,
    Evidence,
    LinkState,
    Request,
    Severity,
    UnitStatus,
)
from condenser_monitor.monitor.storage.models import StoredEvent
from condenser_monitor.monitor.strings.calm import Reason, calm, sentence

ROOT = "condenser/v1"
ONLINE, OFFLINE = "online", "offline"


class BrokerChannel(NamedTuple):
    """One topic below `condenser/v1/SITE-ID/`: who sends, quality of service, whether the broker keeps the last."""

    name: str
    sender: Literal["monitor", "office"]
    qos: int
    retained: bool
    meaning: str


CHANNELS: dict[str, BrokerChannel] = {
    row.name: row
    for row in (
        BrokerChannel(
            "availability", "monitor", 1, True, "whether the monitor is connected and sees; also the last will"
        ),
        BrokerChannel("unit", "monitor", 1, True, "the unit as it stands: cycle, links, findings, alerts, since when"),
        BrokerChannel("events", "monitor", 1, False, "one change of a finding or of an alert, unbroken `seq`"),
        BrokerChannel("readings", "monitor", 0, False, "readings as a SenML pack (RFC 8428)"),
        BrokerChannel("cycles", "monitor", 1, False, "one finished cooling cycle, unbroken `seq`"),
        BrokerChannel("requests", "office", 1, False, "a request of a person, or for messages to be sent again"),
        BrokerChannel("answers", "monitor", 1, False, "what became of a request"),
    )
}


def topic(site: str, name: str) -> str:
    """The full topic of a site's channel."""
    return f"{ROOT}/{site}/{name}"


# ---------------------------------------------------------------- out

Id = Annotated[str, msgspec.Meta(min_length=1, max_length=120)]
Seq = Annotated[int, msgspec.Meta(ge=1)]


class ChangeMessage(Change, frozen=True, kw_only=True, tag_field="kind", tag="change"):
    """On `events`: one change of a finding. `run` counts starts of the monitor: `t_s` of two runs do not compare."""

    id: Id
    seq: Seq
    site: str
    run: int


class AlertMessage(AlertChange, frozen=True, kw_only=True, tag_field="kind", tag="alert"):
    """On `events`: one step of an alert's life."""

    id: Id
    seq: Seq
    site: str
    run: int


class CycleMessage(Cycle, frozen=True, kw_only=True):
    """On `cycles`: one finished cooling cycle. `stopped_wall_s` is None where the clock was not known."""

    id: Id
    seq: Seq
    site: str
    run: int
    stopped_wall_s: float | None = None


class AnswerMessage(Answer, frozen=True, kw_only=True):
    """On `answers`. `id` is the request's; `first_seq` answers a resend: the oldest number still row."""

    site: str
    first_seq: Seq | None = None


class LinkMessage(msgspec.Struct, frozen=True, kw_only=True):
    """One link within `unit`."""

    name: str
    state: LinkState
    since_wall_s: float | None
    inferred: bool


class FindingMessage(msgspec.Struct, frozen=True, kw_only=True):
    """One standing finding within `unit`."""

    name: str
    severity: Severity
    since_wall_s: float | None
    raised_wall_s: float | None
    suspects: tuple[str, ...]
    evidence: Evidence
    summary: str
    wanted_senses: tuple[str, ...] = ()


class UnitMessage(msgspec.Struct, frozen=True, kw_only=True):
    """On `unit`, retained. `sent` says how far each numbered topic has been delivered, `origin` what numbered it; a
    changed origin begins at 1 (a new history). `readings` are those of the moment the message was made. `calm` says
    that all is well; else `reason` and `headline` are the worst of the `open` reasons why not."""

    id: Id
    site: str
    name: str
    wall_s: float | None
    cycle: str
    cycle_since_wall_s: float | None
    links: tuple[LinkMessage, ...]
    findings: tuple[FindingMessage, ...]
    alerts: tuple[Alert, ...]
    break_at: str | None
    service_until_wall_s: float | None
    readings: dict[str, float | bool | None]
    origin: str
    sent: dict[str, int]
    calm: bool = False
    reason: Reason = Reason.UNSURE
    headline: str = ""
    open: int = 0
    episodes: tuple[Episode, ...] = ()
    uncertainty: dict[str, float] = {}  # of each number in `readings`: expanded, k = 2, in its own unit; if known
    own_faults: dict[str, int] = {}  # how often each part of the monitor's program failed, until a person has seen it
    numbered: dict[str, int] = {}  # how far each topic has been numbered: said before a message bears the number


class NumbersGiven(msgspec.Struct, frozen=True):
    """What a monitor reads of the `unit` message that the broker kept from its last life."""

    origin: str
    numbered: dict[str, int] = {}


OutMessage = ChangeMessage | AlertMessage | CycleMessage | AnswerMessage


def out_message(row: StoredEvent, site: str) -> OutMessage:
    """The message of one row of the outbox; a time of day that became known later is put in."""
    body = row.body
    head: dict[str, Any] = {"id": row.id, "seq": row.seq, "site": site, "run": row.run}
    if isinstance(body, Answer):
        return AnswerMessage(**msgspec.structs.asdict(body), site=site)
    if isinstance(body, Cycle):
        return CycleMessage(**msgspec.structs.asdict(body), **head, stopped_wall_s=row.wall_s)
    known = msgspec.structs.asdict(body) | {"wall_s": row.wall_s if body.wall_s is None else body.wall_s}
    if isinstance(body, Change):
        return ChangeMessage(**known, **head)
    return AlertMessage(**known, **head)


def unit_message(
    status: UnitStatus,
    origin: str,
    sent: dict[str, int],
    own_faults: dict[str, int] | None = None,
    *,
    faults: int = 0,
    numbered: dict[str, int] | None = None,
) -> UnitMessage:
    """Return the `unit` message of a status; `own_faults` are those of the program, by part; `faults` counts all
    that is wrong with the monitor itself; `numbered` is how far each topic has been numbered. Its id is made of what it
    says: the same message has the same id."""
    answer = calm(status, faults=max(faults, len(own_faults or ())))

    def wall(t_s: float) -> float | None:
        return None if status.wall_s is None else round(status.wall_s - (status.t_s - t_s), 3)

    message = UnitMessage(
        id="-",
        site=status.site,
        name=status.name,
        wall_s=status.wall_s,
        cycle=status.cycle.value,
        cycle_since_wall_s=wall(status.cycle_since_s),
        links=tuple(
            LinkMessage(name=link.name, state=link.state, since_wall_s=wall(link.since_s), inferred=link.inferred)
            for link in status.links
        ),
        findings=tuple(
            FindingMessage(
                name=found.name,
                severity=found.severity,
                since_wall_s=wall(found.since_s),
                raised_wall_s=found.raised_wall_s,
                suspects=found.suspects,
                evidence=found.evidence,
                summary=found.summary,
                wanted_senses=found.wanted_senses,
            )
            for found in status.findings
        ),
        alerts=status.alerts,
        break_at=status.break_at,
        service_until_wall_s=status.service_until_wall_s,
        readings=status.readings,
        origin=origin,
        sent=sent,
        calm=answer.calm,
        reason=answer.reason,
        headline=sentence(answer, status.cycle, "en"),
        open=answer.open,
        episodes=status.episodes,
        uncertainty=status.uncertainty,
        own_faults=own_faults or {},
        numbered=numbered or {},
    )
    digest = blake2b(msgspec.json.encode(message), digest_size=9).hexdigest()
    return msgspec.structs.replace(message, id=f"unit-{digest}")


def unit_mark(status: UnitStatus) -> tuple[object, ...]:
    """What must change for a new `unit` message to be worth sending: all but times and readings."""
    return (
        status.cycle,
        tuple((link.name, link.state, link.inferred) for link in status.links),
        tuple((f.name, f.severity, f.suspects, f.summary) for f in status.findings),
        status.alerts,
        status.break_at,
        status.service_until_wall_s,
        tuple(
            getattr(episode, name)
            for episode in status.episodes
            for name in episode.__struct_fields__
            if not name.endswith("_s")
        ),
    )


# ---------------------------------------------------------------- as the office reads it
# Of each message only what the office uses, with bounds: a newer monitor may say more, in words that this office does
# not know, and what a site sends is not to be trusted. Every field is one of the message above, under the same name.

TOP_SEQ = 2**40  # a number no site reaches by counting; above it the counter is broken
_NumberedSeq = Annotated[int, msgspec.Meta(ge=1, le=TOP_SEQ)]
_Name = Annotated[str, msgspec.Meta(pattern="^[a-z0-9][a-z0-9-]{0,63}$")]
_Seconds = Annotated[float, msgspec.Meta(ge=0, le=1e8)]
_Names = Annotated[tuple[_Name, ...], msgspec.Meta(max_length=64)]


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """One change of a finding (`change` given) or of its alert (`state` given), numbered by the site."""

    id: Id
    seq: _NumberedSeq
    finding: _Name
    severity: Severity
    summary: str = ""
    suspects: _Names = ()
    wall_s: float | None = None
    change: ChangeKind | None = None
    evidence: msgspec.Raw = msgspec.Raw(b"{}")
    state: AlertState | None = None
    by: str | None = None


class _Transient(msgspec.Struct, frozen=True):
    duration_s: float | None = None


class CycleDone(msgspec.Struct, frozen=True, kw_only=True):
    """One finished cooling cycle, numbered by the site; fields as in monitor.core.records.Cycle."""

    id: Id
    seq: _NumberedSeq
    run_s: _Seconds
    started_wall_s: float | None = None
    pull_in_s: float | None = None
    run_delay_s: float | None = None
    compressor_a: float | None = None
    compressor_max_a: float | None = None
    fan_a: float | None = None
    control_v: float | None = None
    coil_a: float | None = None
    outdoor_c: float | None = None
    compressor_starts: Annotated[int, msgspec.Meta(ge=0, le=100_000)] = 1
    transient: _Transient | None = None


class UnitFinding(msgspec.Struct, frozen=True, kw_only=True):
    """A finding as it stands in the `unit` message."""

    name: _Name
    severity: Severity
    suspects: _Names = ()
    summary: str = ""
    evidence: msgspec.Raw = msgspec.Raw(b"{}")
    raised_wall_s: float | None = None


class _UnitReadings(msgspec.Struct, frozen=True):
    outdoor_c: float | None = None


class UnitNow(msgspec.Struct, frozen=True, kw_only=True):
    """The retained `unit` message. `sent` says how far the site has numbered, by topic (`{"events": 812}`)."""

    cycle: _Name
    wall_s: float | None = None
    break_at: str | None = None
    service_until_wall_s: float | None = None
    readings: _UnitReadings = _UnitReadings()
    findings: tuple[UnitFinding, ...] = ()
    origin: str = ""
    sent: dict[str, Annotated[int, msgspec.Meta(ge=0, le=TOP_SEQ)]] = {}
    episodes: msgspec.Raw = msgspec.Raw(b"[]")  # read apart: a newer monitor's cost no more than themselves


class Answered(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to a request. `first_seq` of a resend: the oldest number the site still keeps."""

    id: Id
    done: bool
    why: str = ""
    first_seq: _NumberedSeq | None = None


class Online(msgspec.Struct, frozen=True):
    """The `availability` of a site."""

    online: bool


Body = Event | CycleDone | UnitNow | Answered | Online


# ---------------------------------------------------------------- in

_Text = Annotated[str, msgspec.Meta(max_length=100)]
_Wanted = Annotated[int, msgspec.Meta(ge=1, le=2**53 - 1)]  # RFC 8259, section 6: what every reader of JSON agrees on


class PersonsRequest(Request, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """On `requests`: acknowledge, shelve, unshelve, reset, service, resume, renew."""

    id: Id
    by: Annotated[str, msgspec.Meta(min_length=1, max_length=100)]
    finding: _Text | None = None
    hours: Annotated[float, msgspec.Meta(gt=0, le=24 * 366)] | None = None
    note: Annotated[str, msgspec.Meta(max_length=1000)] = ""


class ResendRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """On `requests`: send numbers `from_seq`..`to_seq` of a topic again (their ids stay); `origin` is that of the
    numbers wanted."""

    id: Id
    request: Literal["resend"]
    topic: Literal["events", "cycles"]
    from_seq: _Wanted
    to_seq: _Wanted
    origin: _Text = ""
    by: _Text = ""


class _Kind(msgspec.Struct):
    request: str


def read_request(payload: bytes) -> PersonsRequest | ResendRequest:
    """A payload of `requests`. Raises CommandError (a ValueError) saying what is wrong with it."""
    try:
        kind = msgspec.json.decode(payload, type=_Kind)
        if kind.request == "resend":
            return msgspec.json.decode(payload, type=ResendRequest)
        return msgspec.json.decode(payload, type=PersonsRequest)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise CommandError("request", _shown(payload), f"a request as described: {error}") from None
    except RecursionError:
        raise CommandError("request", _shown(payload), "a request as described: this is nested too deep") from None


def _shown(payload: bytes) -> str:
    """The beginning of a payload, to show what was given."""
    return payload[:60].decode("utf-8", "replace")


class _OnlyId(msgspec.Struct):
    id: str = ""


def request_id(payload: bytes) -> str:
    """The id of a request that cannot be read otherwise; "" where there is none."""
    try:
        return msgspec.json.decode(payload, type=_OnlyId).id[:120]
    except (msgspec.DecodeError, ValueError, RecursionError):
        return ""
