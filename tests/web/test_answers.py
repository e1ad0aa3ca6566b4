"""A link of a message on the page: without a password, from a phone; it says what it does, does it once, and ends."""

from __future__ import annotations

import re

import msgspec
import pytest
from flask import Flask
from flask.testing import FlaskClient
from markupsafe import escape

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.records import Answer, EpisodeState, Request, RequestKind
from condenser_monitor.monitor.publishers.answer_links import Action, AnswerLink, LinkSigner
from condenser_monitor.monitor.strings import texts
from condenser_monitor.web import view_answer
from tests.web.conftest import FAR
from tests.web.filled import Site


@pytest.fixture
def phone(app: Flask) -> FlaskClient:
    return app.test_client()


def link(site: Site, action: Action, episode: str = "episode-1") -> str:
    ends_s = site.hands.wall_s + limits.NOTIFY.link_s.value
    return "/a/" + LinkSigner(site.history.path).token(AnswerLink(episode, action, "Alex", ends_s))


def tap(phone: FlaskClient, site: Site, place: str, **form: str) -> str:
    """Follow a link and press its button, as its script does; the monitor answers meanwhile."""
    shown = phone.get(place, environ_base=FAR).get_data(as_text=True)
    token = re.search(r'name="csrf" value="([^"]+)"', shown)
    assert token, shown
    phone.post(place, data={"csrf": token[1], **form}, environ_base=FAR)
    site.work()
    return phone.post(place, data={"csrf": token[1], **form}, environ_base=FAR).get_data(as_text=True)


def test_looking_at_a_link_answers_nothing(site: Site, phone: FlaskClient) -> None:
    """Services look at links in advance. It shows what it would do, and the page opens nothing else to the phone."""
    shown = phone.get(link(site, "know"), environ_base=FAR)
    assert shown.status_code == 200
    assert "its contactor does not switch it on" in shown.get_data(as_text=True)
    assert site.history.requests() == []
    assert phone.get("/", environ_base=FAR).status_code in (302, 303, 401, 403)


def test_each_answer_says_what_it_did_and_does_it_once(site: Site, phone: FlaskClient) -> None:
    """I know; a technician comes on a day; it is repaired: the episode holds each, with the name in the link."""
    assert "three days" in tap(phone, site, link(site, "know"))
    assert site.engine.status().episodes[0].answered_by == "Alex"
    assert "Thu Jul 16" in tap(phone, site, link(site, "visit"), day="2026-07-16")
    assert site.engine.status().episodes[0].visit_day == "2026-07-16"
    tap(phone, site, link(site, "repaired"))
    found = site.engine.status().episodes[0]
    assert found.repaired_by == "Alex"
    assert found.state is not EpisodeState.OVER
    assert site.history.requests() == []


def test_that_it_is_meant_is_said_by_one_tap(site: Site, phone: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """The link says what follows, asks the monitor once in the household's name, and says what it did. Of a fault the
    monitor takes no such word."""
    place = link(site, "intended")
    shown = phone.get(place, environ_base=FAR).get_data(as_text=True)
    assert "watched again" in shown
    assert site.history.requests() == []
    assert "The monitor did not take this answer" in tap(phone, site, place)  # the contactor does not switch it on
    assert site.engine.status().episodes[0].intended_by is None
    asked: list[Request] = []
    monkeypatch.setattr(view_answer, "put", lambda wish: asked.append(wish) or Answer(id=wish.id, done=True))
    assert "no call is expected" in tap(phone, site, place)
    assert {(one.request, one.by, one.finding) for one in asked} == {(RequestKind.INTENDED, "Alex", "episode-1")}


def test_the_page_offers_it_for_a_call_that_does_not_come_alone(
    site: Site, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under Alerts: a button for an episode of nothing but that, none for a fault; said once, it is shown instead."""
    button = "/alerts/intended"
    assert button not in client.get("/alerts").get_data(as_text=True)
    status = site.engine.status()
    meant = {"lead": "overdue-call", "worst": "overdue-call", "findings": ("overdue-call",)}
    for by, shown in ((None, True), ("Ada", False)):
        episode = msgspec.structs.replace(status.episodes[0], **meant, intended_by=by, state=EpisodeState.QUIET)
        with_it = msgspec.structs.replace(status, episodes=(episode,))
        monkeypatch.setattr(site.history, "status", lambda with_it=with_it: with_it)
        text = client.get("/alerts").get_data(as_text=True)
        assert (button in text) is shown
        assert ("no call by intent" in text) is not shown


def test_what_to_look_at_is_shown_without_a_password_and_answers_nothing(site: Site, phone: FlaskClient) -> None:
    """The link of a message to what is safe: the looks, what not to touch, what to read out; no button, no answer."""
    place = link(site, "look")
    text = phone.get(place, environ_base=FAR).get_data(as_text=True)
    assert "What to do now" in text
    for line in (*texts.look("call-without-pull-in"), *texts.avoid("call-without-pull-in", site.settings.unit)):
        assert str(escape(line)) in text
    assert "24 V call is at the unit" in text
    assert "<form" not in text
    known = phone.get(link(site, "know"), environ_base=FAR).get_data(as_text=True)
    token = re.search(r'name="csrf" value="([^"]+)"', known)
    assert token
    assert phone.post(place, data={"csrf": token[1]}, environ_base=FAR).status_code == 200
    assert site.history.requests() == []


def test_a_visit_needs_its_day(site: Site, phone: FlaskClient) -> None:
    """None, or no date: asked again, nothing done."""
    assert "Choose the day" in tap(phone, site, link(site, "visit"))
    assert site.engine.status().episodes[0].answered_by is None


def test_a_link_that_has_expired_or_is_not_ours_does_nothing(site: Site, phone: FlaskClient) -> None:
    """It says in a plain sentence why and what to do instead; no words of the program are shown to a household."""
    place = link(site, "repaired")
    shown = phone.get(place, environ_base=FAR).get_data(as_text=True)
    token = re.search(r'name="csrf" value="([^"]+)"', shown)
    assert token
    site.hands.forward(limits.NOTIFY.link_s.value + 1.0)
    for bad in (place, place[:-4] + "AAAA", place[:20], "/a/x"):
        for answer in (
            phone.get(bad, environ_base=FAR),
            phone.post(bad, data={"csrf": token[1]}, environ_base=FAR),
        ):
            assert answer.status_code == 410
            text = answer.get_data(as_text=True)
            assert "This link no longer works" in text
            assert "works for 7 days" in text
            assert 'href="/alerts"' in text
            assert "allowed:" not in text
    assert site.history.requests() == []


def test_an_answer_that_the_monitor_refuses_says_what_to_do(
    site: Site, phone: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """First what it means and where to go on; the monitor's own reason after it."""
    refused = Answer(id="1", done=False, why="repaired episode-1: got 'x'; allowed: y")
    monkeypatch.setattr(view_answer, "put", lambda _: refused)
    text = tap(phone, site, link(site, "repaired"))
    assert "nothing was changed. Try again" in text
    assert text.index("nothing was changed") < text.index("got &#39;x&#39;")
    assert 'href="/alerts"' in text


def test_what_has_ended_asks_for_nothing(site: Site, phone: FlaskClient) -> None:
    """A link of an earlier episode."""
    assert "nothing to answer" in phone.get(link(site, "know", "episode-9"), environ_base=FAR).get_data(as_text=True)
