"""Links in messages: what they hold is signed and ends, and following one twice does it once."""

from __future__ import annotations

import base64
import hmac
import json
import stat
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Notify, Person, SensorSettings, Settings, Site, Web
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import Episode, EpisodeState, Request, RequestKind, Severity
from condenser_monitor.monitor.engine import Engine
from condenser_monitor.monitor.publishers.answer_links import (
    ACTIONS,
    AnswerLink,
    LinkSigner,
    page_address,
    page_links,
    request_of,
)
from condenser_monitor.monitor.publishers.notification_policy import NotificationItem
from condenser_monitor.monitor.publishers.phone_text import MessageWriter
from tests.monitor import units

NOON = datetime(2026, 7, 14, 12, tzinfo=UTC).timestamp()
LINK = AnswerLink("episode-1", "know", "Alex", NOON + 3600.0)
SETTINGS = Settings(
    site=Site(name="Elm 4"),
    unit=units.UNIT,
    senses=SensorSettings(fitted=units.ALL),
    notify=Notify(page_url="http://pi.local:8124/"),
)
OPEN = Episode(
    id="episode-1",
    lead="call-without-pull-in",
    findings=("call-without-pull-in",),
    severity=Severity.URGENT,
    level=34,
    state=EpisodeState.ACTIVE,
    since_s=0.0,
    since_wall_s=NOON,
    suspects=("coil-open", "loose-connection"),
)


def test_a_link_is_read_by_its_own_monitor_alone(tmp_path: Path) -> None:
    """Another house's key refuses it; the key is made once, for its owner alone."""
    signer = LinkSigner(tmp_path / "a.db")
    token = signer.token(LINK)
    assert LinkSigner(tmp_path / "a.db").read(token, NOON) == LINK
    with pytest.raises(CommandError, match="has not made"):
        LinkSigner(tmp_path / "b.db").read(token, NOON)
    assert stat.S_IMODE((tmp_path / "a.db.links").stat().st_mode) == 0o600


def test_a_link_is_short_and_one_of_an_older_message_is_read_as_well(tmp_path: Path) -> None:
    """Three of them stand in each message. What was signed before the short form holds on until it expires."""
    signer = LinkSigner(tmp_path / "a.db")
    assert len(signer.token(LINK)) <= 50
    body = json.dumps(["episode-1", "repaired", "Alex", NOON + 60.0]).encode()
    key = (tmp_path / "a.db.links").read_bytes()
    older = base64.urlsafe_b64encode(hmac.new(key, body, sha256).digest()[:16] + body).decode().rstrip("=")
    assert signer.read(older, NOON) == AnswerLink("episode-1", "repaired", "Alex", NOON + 60.0)
    odd = AnswerLink("episode-12", "look", "Zoë \U0001f600", NOON + 1.0)
    assert signer.read(signer.token(odd), NOON) == odd


@pytest.mark.parametrize("place", range(0, 48, 6))
def test_a_link_that_was_changed_is_refused(tmp_path: Path, place: int) -> None:
    """Any letter of it."""
    signer = LinkSigner(tmp_path / "a.db")
    token = signer.token(LINK)
    other = "A" if token[place] != "A" else "B"
    with pytest.raises(CommandError, match="has not made"):
        signer.read(token[:place] + other + token[place + 1 :], NOON)


def test_a_body_of_ones_own_under_an_old_signature_is_refused(tmp_path: Path) -> None:
    """ "I know" is not made into "repaired"; neither is rubbish read."""
    signer = LinkSigner(tmp_path / "a.db")
    whole = base64.urlsafe_b64decode(signer.token(LINK) + "==")
    forged = whole[:16] + json.dumps(["episode-1", "repaired", "Alex", NOON + 9e9]).encode()
    other = whole[:16] + b"\3" + whole[17:]
    for token in (
        *(base64.urlsafe_b64encode(one).decode() for one in (forged, other, whole[:16])),
        "",
        "x",
        "ä",
        "A" * 5000,
    ):
        with pytest.raises(CommandError):
            signer.read(token, NOON)


def test_a_link_holds_a_week(tmp_path: Path) -> None:
    """To the second; then it says that it has expired."""
    links = page_links(SETTINGS, tmp_path / "a.db", lambda: NOON, "Alex")(OPEN)
    assert set(links) == {"look", "know", "visit", "repaired", "page"}
    token = links["know"].removeprefix("http://pi.local:8124/a/")
    signer, week_s = LinkSigner(tmp_path / "a.db"), limits.NOTIFY.link_s.value
    assert signer.read(token, NOON + week_s - 1.0) == AnswerLink("episode-1", "know", "Alex", NOON + week_s)
    with pytest.raises(CommandError, match="expired"):
        signer.read(token, NOON + week_s)


@pytest.mark.parametrize(
    ("findings", "meant"),
    [(("overdue-call",), True), (("no-call-in-heat",), True), (("overdue-call", "call-without-run"), False)],
)
def test_only_a_call_that_does_not_come_is_asked_whether_it_is_meant(
    tmp_path: Path, findings: tuple[str, ...], meant: bool
) -> None:
    """A household may be away; nobody means a fault. The link asks what it says, in the name of whom it was sent to."""
    episode = msgspec.structs.replace(OPEN, lead=findings[0], findings=findings)
    links = page_links(SETTINGS, tmp_path / "a.db", lambda: NOON, "Alex")(episode)
    assert ("intended" in links) is meant
    if meant:
        token = links["intended"].removeprefix("http://pi.local:8124/a/")
        found = request_of(LinkSigner(tmp_path / "a.db").read(token, NOON), token)
        assert (found.request, found.by, found.finding) == (RequestKind.INTENDED, "Alex", "episode-1")


@pytest.mark.parametrize(("language", "line"), [("en", "We are away"), ("es", "Estamos fuera")])
def test_a_message_of_a_call_that_does_not_come_asks_whether_it_is_meant(
    tmp_path: Path, language: str, line: str
) -> None:
    """The link stands in the body and on the first button, of which no service shows more than three."""
    episode = msgspec.structs.replace(OPEN, lead="overdue-call", findings=("overdue-call",), severity=Severity.SOON)
    links = page_links(SETTINGS, tmp_path / "a.db", lambda: NOON, "Alex")
    person = Person(name="Alex", language=language)
    made = MessageWriter(SETTINGS, UTC, person=person, links=links)
    found = made.message([NotificationItem("alarm", episode)], None, NOON)
    asked = links(episode)["intended"]
    assert [row for row in found.body.splitlines() if row.startswith(line) and row.endswith(asked)]
    assert [link for _, link in found.buttons] == [links(episode)[name] for name in ("intended", "visit", "repaired")]


def test_no_links_without_an_address_or_a_clock(tmp_path: Path) -> None:
    """A page on this machine alone cannot be reached from a phone; a page of the house is named by the machine."""
    local = Settings(unit=units.UNIT)
    assert page_address(local) == ""
    assert page_links(local, tmp_path / "a.db", lambda: NOON)(OPEN) == {}
    assert page_links(SETTINGS, tmp_path / "a.db", lambda: None)(OPEN) == {}
    assert page_address(Settings(web=Web(host="0.0.0.0", port=81))).endswith(".local:81")


def test_a_second_tap_changes_nothing(tmp_path: Path) -> None:
    """Repaired, and it failed again: the same link, tapped again, does not say it once more."""
    engine = Engine(SETTINGS)
    dead = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
    for scan in units.scans((20, units.REST), (60, dead), (30, units.REST)):
        engine.feed(scan)
    token = LinkSigner(tmp_path / "a.db").token(LINK._replace(action="repaired"))
    wish = request_of(LINK._replace(action="repaired"), token)
    assert (wish.request, wish.by, wish.finding) == (RequestKind.REPAIRED, "Alex", "episode-1")
    assert engine.request(wish, 110.0, NOON)[0].done
    assert engine.status().episodes[0].state is EpisodeState.REPAIRED
    for scan in units.scans((60, dead), from_s=110.0):
        engine.feed(scan)
    again: Request = request_of(LINK._replace(action="repaired"), token)
    assert again.id == wish.id
    engine.request(again, 170.0, NOON)
    assert engine.status().episodes[0].state is EpisodeState.ACTIVE
    assert request_of(LINK, token, "2026-07-16").id != request_of(LINK, token, "2026-07-17").id


def message(role: str, language: str = "en") -> tuple[str, tuple[tuple[str, str], ...]]:
    person = Person(name="Alex", role=role, language=language)
    links: dict[str, str] = {name: f"http://pi.local/a/{name}" for name in ACTIONS if name != "intended"}
    made = MessageWriter(SETTINGS, UTC, person=person, links=lambda episode: links)
    found = made.message([NotificationItem("alarm", OPEN)], None, NOON)
    return found.body, found.buttons


@pytest.mark.parametrize(
    ("name", "language", "line"),
    [
        ("Sam's Cooling", "en", "Sam's Cooling: tel:555-0100"),
        ("", "en", "Your contractor: tel:555-0100"),
        ("", "es", "Su contratista: tel:555-0100"),
    ],
)
def test_the_contractors_number_stands_under_their_name(
    monkeypatch: pytest.MonkeyPatch, name: str, language: str, line: str
) -> None:
    """As it was set up; without a name, in the reader's words. The contractor is not told their own number."""
    told = Notify(page_url="http://pi.local:8124/", contractor_name=name, contractor_phone="555-0100")
    monkeypatch.setattr(f"{__name__}.SETTINGS", Settings(site=Site(name="Elm 4"), unit=units.UNIT, notify=told))
    assert line in message("homeowner", language)[0].splitlines()
    assert "tel:" not in message("contractor", language)[0]


def test_a_contractor_reads_a_technicians_words() -> None:
    """The finding in the trade's words and the suspects; a homeowner reads neither, but what is safe to look at."""
    trade, home = message("contractor")[0], message("homeowner")[0]
    assert "24 V call is at the unit, contactor does not pull in." in trade
    assert "Suspected" in trade
    assert "coil" in trade
    assert "Safe to look at" not in trade
    assert "Suspected" not in home
    assert "What is safe to look at, step by step: http://pi.local/a/look" in home


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_service_with_buttons_is_given_them(language: str) -> None:
    """Three, each a link of the message; none with its end."""
    body, buttons = message("homeowner", language)
    assert [link for _, link in buttons] == [f"http://pi.local/a/{name}" for name in ("know", "visit", "repaired")]
    assert all(link in body for _, link in buttons)
    assert len({words for words, _ in buttons}) == 3
