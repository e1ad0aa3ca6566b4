"""The pages: what they say of a unit that the real engine has judged, and what a person can leave there."""

from __future__ import annotations

import re
import threading
import time
from datetime import UTC, datetime
from html import unescape
from pathlib import Path

import jsonschema
import pytest
from flask import Flask
from flask.testing import FlaskClient

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.records import Request, RequestKind
from condenser_monitor.monitor.drawing import strip_chart, timeline
from condenser_monitor.monitor.page_settings import PageSettings
from condenser_monitor.monitor.storage import models
from condenser_monitor.monitor.storage.models import StoredPoint
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.phone import REFUSED
from condenser_monitor.web.serve import serve
from condenser_monitor.web.view_api import ROUTES
from tests.conftest import set_limit
from tests.monitor import units
from tests.web.conftest import app_of, csrf, technician
from tests.web.filled import NOW_S, Site, from_scans


def page(client: FlaskClient, path: str = "/") -> str:
    answer = client.get(path)
    assert answer.status_code == 200, path
    return answer.get_data(as_text=True)


def test_a_fault_is_told_at_the_top_with_what_to_do(client: FlaskClient) -> None:
    """Headline, advice, suspects in order, and who was ruled out and why."""
    told = page(client)
    text = texts.FINDINGS["call-without-pull-in"]
    assert text.headline in told
    assert texts.CARE["push"] in told
    assert told.index("contactor coil open (burnt out)") < told.index("loose or burnt connection<")
    assert "no time-delay relay is installed" in told
    assert "break here" in told


def test_a_healthy_unit_is_said_to_be_well_and_to_be_cooling(healthy: Site) -> None:
    """One sentence, nothing to do, no flag."""
    told = page(app_of(healthy).test_client())
    assert "All is well. The unit is cooling." in told
    assert 'class="ring"' not in told


@pytest.mark.parametrize("path", ["/", "/alerts", "/checks", "/history", "/cycles", "/trends", "/health", "/settings"])
def test_every_page_opens_in_every_condition(
    path: str, healthy: Site, site: Site, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Healthy, fault, blind, and a history with nothing in it."""
    blank = from_scans(tmp_path_factory.mktemp("blank"), site.settings, [], end_s=0.0)
    for made in (healthy, site, blank):
        page(app_of(made).test_client(), path)
    site.hands.forward(7200)
    page(app_of(site).test_client(), path)
    blank.history.close()


@pytest.mark.parametrize("zoom", ["hour", "quarter-day", "day", "week", "month", "season", "nonsense"])
def test_history_zooms(client: FlaskClient, zoom: str) -> None:
    """Each span gives its plots, also one that lies before anything was recorded."""
    assert page(client, f"/history?zoom={zoom}").count("<svg class=") >= 3
    assert page(client, f"/history?zoom={zoom}&end=86400").count("<svg class=") >= 3


def test_each_day_of_a_season_leads_to_its_own_page(lived: Site) -> None:
    """The table beneath the bars has the days that were recorded, the newest first; each link shows that whole day."""
    client = app_of(lived).test_client()
    told = page(client, "/history?zoom=season").split('id="h-days"')[1]
    links = re.findall(r'href="(/history\?zoom=day[^"]+)"', told)
    assert 1 <= len(links) <= 2  # twelve hours touch one local day or two
    for link in map(unescape, links):
        ends_s = float(link.rpartition("=")[2])
        assert time_format.midnight(ends_s) == ends_s
        assert 'class="l-live"' in page(client, link)


# ---------------------------------------------------------------- stale is never healthy


def test_an_old_status_makes_the_page_blind(healthy: Site) -> None:
    """The healthy unit of a moment ago is no longer said to be well, its ladder is dotted, its lanes end."""
    client = app_of(healthy).test_client()
    healthy.hands.forward(limits.WEB.stale_s.value - 1)
    assert "All is well" in page(client)
    healthy.hands.forward(2)
    told = page(client)
    assert "receiving readings: the last one is" in told
    assert "All is well" not in told
    ladder = told.split('id="part-ladder"')[1].split("</svg>")[0]
    assert "s-live" not in ladder
    assert "There are no fresh readings." in told
    answer = client.get("/api/v1/status").json
    assert answer is not None
    assert answer["blind"] is True


def test_lanes_do_not_go_on_after_the_last_scan(healthy: Site) -> None:
    """What ran when the monitor went blind is hatched from then on."""
    healthy.hands.forward(3600)
    to_s = healthy.hands.wall_s
    open_before = [lane for lane in healthy.history.lanes(to_s - 86400, to_s) if lane.to_wall_s is None]
    assert open_before
    ended = models.ended(open_before, NOW_S)
    assert {(lane.state.value, lane.to_wall_s is None) for lane in ended if lane.from_wall_s >= NOW_S} == {
        ("unknown", True)
    }
    assert all(lane.to_wall_s is not None for lane in ended if lane.state.value != "unknown")


def test_a_page_that_loses_contact_has_a_blind_ladder_to_show(client: FlaskClient) -> None:
    """The ladder kept in the page for that case holds nothing lit."""
    kept = page(client).split('<template id="lost-ladder">')[1].split("</template>")[0]
    assert "<svg" in kept
    assert "s-live" not in kept


# ---------------------------------------------------------------- live


def test_live_answers_not_modified_until_something_changes(client: FlaskClient, site: Site) -> None:
    """The ETag holds while nothing changes; a new state changes exactly the parts that show it."""
    first = client.get("/live.json")
    assert client.get("/live.json", headers={"If-None-Match": first.headers["ETag"]}).status_code == 304
    begin_s = site.now_s + 1
    site.feed(units.scans((5, units.but(units.REST)), from_s=begin_s), NOW_S - site.now_s)
    second = client.get("/live.json", headers={"If-None-Match": first.headers["ETag"]})
    assert second.status_code == 200
    assert first.json is not None
    assert second.json is not None
    changed = {name for name in first.json if first.json[name] != second.json[name]}
    assert {"say", "ladder", "figures"} <= changed
    for name in first.json:
        assert client.get(f"/part/{name}").status_code == 200
    assert client.get("/part/nothing").status_code == 404


# ---------------------------------------------------------------- requests


def ask(client: FlaskClient, site: Site, kind: str, **form: str) -> str:
    """Leave a request, let the service work, and read the alerts page."""
    data = {"csrf": csrf(client), "by": "Sam", **form}
    assert client.post(f"/alerts/{kind}", data=data).status_code == 302
    site.work()
    return page(client, "/alerts")


def test_acknowledge_shelve_service_and_resume_reach_the_engine(client: FlaskClient, site: Site) -> None:
    """Each wish of the page is carried out by the real alert desk, and the page shows it."""
    name = "call-without-pull-in"
    assert "Acknowledged by Sam" in ask(client, site, "acknowledge", finding=name)
    assert "Snoozed until" in ask(client, site, "shelve", finding=name, hours="4", note="part ordered")
    assert "End the snooze" in page(client, "/alerts")
    assert "Snoozed until" not in ask(client, site, "unshelve", finding=name)
    assert "Service mode until" in ask(client, site, "service", hours="2")
    assert "Service mode until" in page(client)
    assert "Service mode until" not in ask(client, site, "resume")


def test_what_is_quiet_is_said_to_be_repaired_where_the_headline_sends_people(client: FlaskClient, site: Site) -> None:
    """The alerts page takes a visit's day and "it is repaired" for an open episode, and shows both."""
    episode = site.engine.status().episodes[0]
    assert "Has it been repaired?" in page(client, "/alerts")
    assert "a technician comes on Thu Jul 16" in ask(client, site, "acknowledge", finding=episode.id, day="2026-07-16")
    assert "Repaired, says" in ask(client, site, "repaired", finding=episode.id)
    assert site.engine.status().episodes[0].repaired_by


def test_a_latched_alert_can_be_reset_when_its_condition_is_gone(site: Site) -> None:
    """Contacts that let go again stay an alert until somebody has looked."""
    welded = units.but(units.REST, load=True, compressor_a=9.0, fan_a=1.0)
    begin_s = site.now_s + 1
    gap_s = site.settings.limit(limits.CONTACTS_STUCK_CLOSED.all_clear_s) + 60
    parts = ((60, units.RUN), (60, welded), (gap_s, units.REST))
    site.feed(units.scans(*parts, every_s=5.0, from_s=begin_s), NOW_S - site.now_s)
    site.engine.tick(site.now_s + gap_s, None)
    site.step()
    client = app_of(site).test_client()
    told = page(client)
    assert "All is well" not in told
    assert "Reset" in page(client, "/alerts")
    assert (
        "contacts-stuck-closed"
        not in ask(client, site, "reset", finding="contacts-stuck-closed").split("Alert history")[0]
    )


def test_the_answer_of_the_service_is_shown(client: FlaskClient, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """A refusal is told in the desk's own words, not guessed by the page."""
    set_limit(monkeypatch, limits.WEB.answer_wait_s, 5.0)
    token = csrf(client)
    done = threading.Event()

    def serve_once() -> None:
        while not done.is_set():
            site.work()
            time.sleep(0.02)

    worker = threading.Thread(target=serve_once)
    worker.start()
    try:
        form = {"csrf": token, "by": "Sam", "finding": "locked-rotor"}
        answer = client.post("/alerts/acknowledge", data=form, follow_redirects=True)
    finally:
        done.set()
        worker.join(timeout=5)
    assert "Not done:" in answer.get_data(as_text=True)
    assert "nothing to acknowledge" in answer.get_data(as_text=True)


def test_one_form_sent_twice_is_one_request(client: FlaskClient, site: Site) -> None:
    """The form carries the request's id, so a double click changes nothing."""
    form = {"csrf": csrf(client), "by": "Sam", "finding": "call-without-pull-in", "id": "twice"}
    for _ in range(2):
        client.post("/alerts/acknowledge", data=form)
    expected = Request(id="twice", request=RequestKind.ACKNOWLEDGE, by="Sam", finding="call-without-pull-in")
    assert site.history.requests() == [expected]


@pytest.mark.parametrize("kind", ["nothing", "on", "../settings"])
def test_an_unknown_request_is_refused(client: FlaskClient, site: Site, kind: str) -> None:
    """And nothing is left for the service."""
    assert client.post(f"/alerts/{kind}", data={"csrf": csrf(client)}).status_code in (404, 405)
    assert site.history.requests() == []


def test_what_a_visit_renewed_begins_anew(client: FlaskClient, site: Site) -> None:
    """A new contactor: its operations are counted from nought, and the answer is told on the page of trends."""
    assert site.engine.status().trends["contactor"]["operations"] == 1
    form = {"csrf": csrf(client), "part": "contactor", "by": "Ada"}
    answer = client.post("/alerts/renew", data=form)
    assert answer.headers["Location"] == "/trends"
    site.work()
    assert site.engine.status().trends["contactor"]["operations"] == 0
    assert "Operations: 0 of about" in page(client, "/trends")
    client.post("/alerts/renew", data={"csrf": csrf(client), "part": "roof", "by": "Ada", "id": "r2"})
    site.work()
    refused = site.history.answer("r2")
    assert refused is not None
    assert not refused.done
    assert "compressor or contactor" in refused.why


def test_what_is_normal_is_drawn_in_the_readers_scale() -> None:
    """Nine amps at 25 °C rising to eleven at 35: from 77 to 95 °F, said in words too; nothing before it is learned."""
    from condenser_monitor.web.view_history import normal_svg

    curve = [(25.0 + place, 9.0 + 0.2 * place) for place in range(11)]
    drawn = str(normal_svg({"curve": curve}, "F"))
    assert "From 9.0 to 11.0 A, last 11.0 A." in drawn
    assert "77 °F" in drawn
    assert "25 °C" in str(normal_svg({"curve": curve}, "C"))
    assert normal_svg({"state": "learning"}, "F") is None
    assert normal_svg({"curve": [(25.0, None), (26.0, None)]}, "F") is None


# ---------------------------------------------------------------- guided checks


def test_a_technician_types_readings_until_one_suspect_is_left(client: FlaskClient, site: Site) -> None:
    """`13.8 ohm` clears the coil, taking it back brings it in again, `OL` leaves only the coil; the outcome is kept."""
    token = csrf(client)

    def send(step: str, **form: str) -> str:
        answer = client.post(f"/checks/{step}", data={"csrf": token, **form}, follow_redirects=True)
        assert answer.status_code == 200
        return answer.get_data(as_text=True)

    begun = send("begin", start="call-without-pull-in", **technician(client), by="Ada")
    assert "contactor coil open (burnt out)" in suspected(begun)
    sound = send("answer", check="coil-ohms", typed="13.8 ohm")
    assert "contactor coil open (burnt out): <span" in sound.split("Ruled out, and why")[1]
    assert suspected(send("back", check="coil-ohms")) == suspected(begun)
    assert "cannot be used" in send("answer", check="coil-ohms", typed="green")
    told = send("answer", check="coil-ohms", typed="OL")
    assert "the coil is open" in told
    assert suspected(told)[0] == "contactor coil open (burnt out)"
    assert "Kept: contactor coil open (burnt out). It was suspected first." in send(
        "found", was="coil-open", note="burnt", finish="yes"
    )
    visit = site.history.visits()[0]
    assert (visit.was, visit.by, visit.finding, visit.first_right) == ("coil-open", "Ada", "call-without-pull-in", True)
    assert [reading.typed for reading in site.history.meter_readings()] == ["OL", "13.8 ohm"]


def test_a_visit_knows_what_stood_before_it_and_not_what_the_visit_itself_does(tmp_path: Path) -> None:
    """The locked rotor of minutes ago counts, as it did for the monitor; the disconnect pulled then does not."""
    from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
    from condenser_monitor.monitor.storage.history import resumed_visit

    locked, tripped = units.but(units.RUN, compressor_a=60.0), units.but(units.RUN, compressor_a=0.0)
    parts = [part for _ in range(4) for part in ((6, locked), (200, tripped))]
    settings = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    made = from_scans(tmp_path, settings, units.scans((60, units.REST), (300, units.RUN), *parts), end_s=1183.0)
    client, status = app_of(made).test_client(), made.history.status()
    assert status is not None
    finding = next(one for one in status.findings if one.name == "overload-cycling")
    wanted = resumed_visit(made.history, settings, finding, status).verdict().suspects
    assert wanted != VisitSession.from_finding(finding, unit=units.UNIT, fitted=units.ALL).verdict().suspects
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "overload-cycling", **technician(client)})
    before = suspected(page(client, "/checks"))
    assert before == [texts.suspect(name) for name in wanted]
    dead = {name: 0.0 if isinstance(value, float) else False for name, value in units.REST.items()}
    made.feed(units.scans((200, dead), from_s=made.now_s + 1), NOW_S - made.now_s)
    assert "line-supply-lost" in [one.name for one in made.engine.status().findings]
    assert suspected(page(client, "/checks")) == before
    made.history.close()


def suspected(told: str) -> list[str]:
    """The suspects of the page of checks, in their order."""
    found = re.findall(r"<li><strong>([^<]+)</strong>", re.split('id="h-left"|id="h-was"', told)[1])
    return [unescape(name) for name in found]


def test_what_was_measured_for_a_finding_before_is_there_again_on_another_device(
    client: FlaskClient, app: Flask
) -> None:
    """A reading typed on one phone is among the answers when the checks are begun on another, and can be taken back."""
    begin = {"start": "call-without-pull-in", **technician(client)}
    client.post("/checks/begin", data={"csrf": csrf(client), **begin})
    client.post("/checks/answer", data={"csrf": csrf(client), "check": "coil-ohms", "typed": "13.8 ohm"})
    other = app.test_client()
    other.post("/checks/begin", data={"csrf": csrf(other), **begin})
    assert "Answers so far" in page(other, "/checks")
    assert "13.8 ohm" in page(other, "/checks")
    other.post("/checks/back", data={"csrf": csrf(other), "check": "coil-ohms"})
    assert "13.8 ohm" not in page(other, "/checks").split('id="h-left"')[1]


def test_a_homeowner_is_offered_only_what_is_safe(client: FlaskClient) -> None:
    """No check with a meter, an open cabinet or line voltage is offered to a homeowner."""
    from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS

    form = {"csrf": csrf(client), "start": "cools-poorly", "who": "homeowner"}
    told = client.post("/checks/begin", data=form, follow_redirects=True).get_data(as_text=True)
    assert "Next check" in told
    for check in CHECKS.values():
        if check.who == "technician":
            assert f">{check.title}<" not in told


def test_a_check_shows_its_cautions_and_who_may(client: FlaskClient) -> None:
    """Live line voltage is for qualified people, with the cautions of the catalogue."""
    from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS

    token = csrf(client)
    client.post("/checks/begin", data={"csrf": token, "start": "call-without-pull-in", **technician(client)})
    told = page(client, "/checks?check=coil-volts")
    assert "qualified people only" in told
    assert CAUTIONS["live"].split(":")[0] in told


# ---------------------------------------------------------------- units, past, health


def test_temperatures_in_the_readers_scale(client: FlaskClient) -> None:
    """31 °C is 88 °F; the choice holds on this device."""
    assert "88 °F" in page(client)
    client.post("/settings/scale", data={"csrf": csrf(client), "scale": "C"})
    assert "31.0 °C" in page(client)
    assert client.post("/settings/scale", data={"csrf": csrf(client), "scale": "K"}).status_code == 400


def test_a_run_under_way_counts_until_now_and_not_until_midnight(healthy: Site) -> None:
    """Ten minutes of a run in the middle of a day are two tenths of an hour."""
    table = page(app_of(healthy).test_client(), "/history?zoom=month").split("Day by day")[1]
    assert re.findall(r'<td class="n">(\d+\.\d)</td>', table)[0] == "0.2"


def test_cycles_of_a_lived_day_are_listed(lived: Site) -> None:
    """Each finished cycle of the simulated afternoon is a row."""
    told = page(app_of(lived).test_client(), "/cycles")
    kept = lived.history.cycles(0.0, NOW_S + 1)
    assert len(kept) >= 5
    assert f"{len(kept)} finished cycles" in told
    assert told.count("<tr>") == len(kept) + told.count("<thead>")


def test_health_says_why_a_sense_is_missing(client: FlaskClient, site: Site) -> None:
    """The boards' own reason stands beside the sense, and a failing publisher is seen."""
    scan = units.but(units.RUN, fan_a=None)
    site.feed(units.scans((10, scan), from_s=site.now_s + 1), NOW_S - site.now_s)
    site.history.note("faults", '{"fan_a": "no plug in the jack"}')
    site.history.register("notify", begin=False)
    site.history.note_error("notify", "the phone service refused the message")
    told = page(client, "/health")
    assert "no plug in the jack" in told
    assert "was not delivered. Reason: the phone service refused the message" in told
    site.history.note_error("notify", REFUSED)
    told = client.get("/health", headers={"Accept-Language": "es"}).get_data(as_text=True)
    assert "el último mensaje no se entregó. Motivo: el servicio no lo aceptó" in told


# ---------------------------------------------------------------- the interface for programs


def test_the_openapi_document_is_one_and_every_answer_fits_it(client: FlaskClient) -> None:
    """Each call's answer is valid by the schema that the document gives for it (JSON Schema 2020-12, by jsonschema)."""
    document = client.get("/api/v1/openapi.json").json
    assert document is not None
    assert document["openapi"].startswith("3.1")
    for route in ROUTES:
        operation = document["paths"]["/api/v1" + route.path][route.method.lower()]
        schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
        query = {"name": "compressor_a"} if route.name == "readings" else {}
        if route.method == "GET":
            answer = client.get("/api/v1" + route.path, query_string=query)
        else:
            body = {"id": "a1", "request": "service", "by": "house", "hours": 1}
            answer = client.post("/api/v1" + route.path, json=body, headers={"X-CSRF-Token": csrf(client)})
        assert answer.status_code == 200, route.path
        jsonschema.Draft202012Validator({**schema, "components": document["components"]}).validate(answer.json)


@pytest.mark.parametrize(
    "path",
    ["/readings?name=nonsense", "/readings", "/cycles?from=soon", "/lanes?to=inf", "/events?after=x"],
)
def test_what_cannot_be_used_is_refused_with_a_reason(client: FlaskClient, path: str) -> None:
    """Given and allowed are said; the status is 400."""
    answer = client.get("/api/v1" + path)
    assert answer.status_code == 400
    assert answer.json is not None
    assert "allowed" in answer.json["why"]


# ---------------------------------------------------------------- drawing and serving


def test_a_day_of_the_clocks_change_is_counted_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """In New York 2026-03-08 has 23 hours and 2026-11-01 has 25 (IANA time zone database)."""
    from condenser_monitor.web.view_history import day_spans

    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    try:
        for day, hours in (((2026, 3, 8), 23), ((2026, 11, 1), 25)):
            noon_s = datetime(*day, 17, tzinfo=UTC).timestamp()
            spans = day_spans(strip_chart.StripSpan(noon_s - 60, noon_s, str))
            assert [(span.to_s - span.from_s) / 3600 for span in spans] == [hours]
    finally:
        monkeypatch.undo()
        time.tzset()


def test_it_is_served_on_a_free_port_and_ends(app: Flask) -> None:
    """Port 0 takes a free one; after close nothing answers there."""
    import urllib.error
    import urllib.request

    with serve(app) as serving:
        with urllib.request.urlopen(serving.url + "live.json", timeout=5) as answer:
            assert answer.status == 200
            assert "Server" not in answer.headers or "waitress" not in answer.headers["Server"]
        url = serving.url
    with pytest.raises((urllib.error.URLError, OSError)):
        urllib.request.urlopen(url, timeout=1)


def test_a_curve_lies_over_the_stretch_that_it_is_the_mean_of() -> None:
    """A mean of minutes 30 to 31 of an hour is drawn from 30 to 31, with an upright edge at each end: no ramp."""
    span = strip_chart.StripSpan(0.0, 3600.0, str)
    points = [StoredPoint(60.0 * at, float(at == 30), 1.0, 1.0) for at in range(60)]
    drawn = strip_chart.path(points, span, 1.0, timeline.step_s(points))
    assert "L" not in drawn
    begins, ends = re.findall(r"H([\d.]+)V4\.0H([\d.]+)", drawn)[0]
    assert (float(begins), float(ends)) == pytest.approx((1000 * 30 / 60, 1000 * 31 / 60), abs=0.1)


@pytest.mark.parametrize("path", ["/", "/alerts", "/checks", "/history", "/cycles", "/trends", "/health", "/settings"])
def test_what_is_not_known_is_never_written_as_none(path: str, healthy: Site, site: Site) -> None:
    """A missing value is said in words: no template prints Python's name for it (a first day has no weekly mean)."""
    for made in (healthy, site):
        shown = re.sub(r"<[^>]+>", " ", page(app_of(made).test_client(), path))
        assert not re.search(r"\b(None|nan|inf)\b", shown)


def test_a_refusal_is_said_in_the_pages_own_words(client: FlaskClient) -> None:
    """No such page, no such diagnosis, a form grown old: each in the catalogue's words, a view's reason beside it."""
    token = csrf(client)
    for answer, title, why in (
        (client.get("/nothing"), "There is no such page", ""),
        (client.post("/checks/found", data={"csrf": token}), "Not now", "No diagnosis is under way"),
        (client.post("/alerts/acknowledge"), "That cannot be used", "This form is no longer valid."),
    ):
        told = answer.get_data(as_text=True)
        assert f"<h1>{title}</h1>" in told
        assert why in told
        assert "URL" not in told


# ---------------------------------------------------------------- a visit


def test_warnings_come_before_everything_else_of_a_check_and_nothing_takes_the_focus(client: FlaskClient) -> None:
    """A check on live line voltage: its cautions stand right under its title, ahead of steps, tools and the form."""
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-without-pull-in", **technician(client)})
    told = page(client, "/checks?check=coil-volts")
    card = told.split('id="h-check"')[1]
    assert card.index('id="cautions"') < min(card.index(mark) for mark in ('class="chip', "<ol>", "<form"))
    assert "autofocus" not in told


def test_nothing_is_preselected_and_a_cause_needs_a_reading_or_a_word(client: FlaskClient, site: Site) -> None:
    """No suspect, no role is chosen beforehand; Enter presses a button that does nothing; without a reading only
    "nothing was measured" ends the visit, and such a visit does not count as the first suspect being right."""
    begin = page(client, "/checks")
    assert "checked" not in begin
    assert '<option value="" selected>' in begin
    assert client.post("/checks/begin", data={"csrf": csrf(client), "start": "no-cooling"}).status_code == 400
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-without-pull-in", **technician(client)})
    told = page(client, "/checks")
    form = told.split('id="h-was"')[1]
    assert '<option value="" selected>' in form
    assert form.index("disabled") < form.index('name="finish"')
    first = {"csrf": csrf(client), "was": "coil-open"}
    for more in ({}, {"finish": "yes"}, {"unmeasured": "yes"}, {"finish": "yes", "unmeasured": "yes", "was": ""}):
        client.post("/checks/found", data=first | more)
        assert not site.history.visits()
    client.post("/checks/found", data={**first, "finish": "yes", "unmeasured": "yes"})
    assert [(one.was, one.measured, one.first_right) for one in site.history.visits()] == [("coil-open", False, None)]


def test_a_reading_that_cannot_be_is_asked_for_again_with_its_reason(client: FlaskClient) -> None:
    """What was typed and what is wrong with it, above the form for another; nobody is found by it. In Spanish too."""
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-without-pull-in", **technician(client)})
    wrong = {"csrf": csrf(client), "check": "coil-ohms", "typed": "13.8 k"}
    told = client.post("/checks/answer", data=wrong, follow_redirects=True).text
    assert "Measure this again. You entered 13.8 k: no coil, sound or open, reads so" in told
    assert "Found:" not in told
    spanish = client.get("/checks", headers={"Accept-Language": "es"}).text
    assert "Ha escrito 13.8 k: ninguna bobina" in spanish
    right = client.post("/checks/answer", data=wrong | {"typed": "13.8"}, follow_redirects=True).text
    assert "Measure this again" not in right


def test_a_visit_goes_on_to_what_is_still_wrong(client: FlaskClient, site: Site) -> None:
    """The first cause is kept; what was measured at rest is in the visit that follows, the repaired part is not."""
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-without-pull-in", **technician(client)})
    for check, typed in (("control-fuse", "0.1"), ("coil-volts", "26 V"), ("coil-ohms", "OL")):
        client.post("/checks/answer", data={"csrf": csrf(client), "check": check, "typed": typed})
    cause = {"csrf": csrf(client), "was": "coil-open", "finish": "yes", "still": "only-the-fan-runs"}
    told = client.post("/checks/found", data=cause, follow_redirects=True).text
    assert [one.was for one in site.history.visits()] == ["coil-open"]
    assert "Now for what is still wrong" in told
    assert 'name="check" value="control-fuse"' in told
    assert "contactor coil open" not in told.split('id="h-left"')[1].split('id="h-was"')[0].split("<details")[0]
    assert "Now for" not in client.post("/checks/found", data=cause | {"still": ""}, follow_redirects=True).text


def test_a_symptom_that_a_finding_explains_begins_with_the_finding(client: FlaskClient) -> None:
    """Who cannot name the fault still gets all that the monitor knows; what it does not explain begins by itself."""
    form = {"csrf": csrf(client), "who": "homeowner"}
    explained = client.post("/checks/begin", data={**form, "start": "no-cooling"}, follow_redirects=True).text
    assert "The monitor has found something that explains it" in explained
    assert len(suspected(explained)) < 10
    assert "its contactor does not switch it on" in explained
    other = client.post("/checks/begin", data={**form, "start": "does-not-stop"}, follow_redirects=True).text
    assert "The monitor has found something" not in other


def test_a_homeowner_is_told_what_to_do_about_what_they_saw(client: FlaskClient, site: Site) -> None:
    """Each look that shows something says what follows; the cause is kept on a technician's word only."""
    from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS

    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-not-reaching-unit", "who": "homeowner"})
    form, check = {"csrf": csrf(client)}, "drain-pan"
    told = client.post("/checks/answer", data={**form, "check": check, "typed": "wet"}, follow_redirects=True).text
    assert "so that the pan does not overflow" in told
    while asked := re.search(r'name="check" value="([^"]+)">\n<fieldset>', told):
        sound = {"check": asked[1], "typed": str(CHECKS[asked[1]].sound)}
        told = client.post("/checks/answer", data={**form, **sound}, follow_redirects=True).text
    assert "Looked at: water stands in the condensate pan" in told.split('class="tell"')[1]
    cause = {"csrf": csrf(client), "was": "float-switch", "finish": "yes", "unmeasured": "yes"}
    client.post("/checks/found", data=cause)
    assert not site.history.visits()
    client.post("/checks/found", data={**cause, "known": "yes"})
    assert [one.was for one in site.history.visits()] == ["float-switch"]


def test_every_look_that_shows_something_says_what_a_homeowner_does() -> None:
    """No homeowner is left alone with what they saw, but where the check itself goes on."""
    from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
    from condenser_monitor.monitor.strings.lookup import ALL

    looks = [check for check in CHECKS.values() if check.who == "homeowner" and check.sound is not None]
    shown = {f"seen-{check.name}-{symbol}" for check in looks for symbol in check.symbols if symbol != check.sound}
    assert shown == {key for key in ALL if key.startswith("seen-") and key != "seen-or-heard"}


def test_the_last_answer_can_be_undone_and_a_contradiction_is_to_be_measured_again(client: FlaskClient) -> None:
    """24 V at R and C, and none at the transformer that feeds them: both readings cannot be right."""
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-without-pull-in", **technician(client)})
    for check, typed in (("rc-volts", "27 V"), ("transformer-volts", "0 V")):
        client.post("/checks/answer", data={"csrf": csrf(client), "check": check, "typed": typed})
    assert "Undo last answer" in page(client, "/checks")
    again = re.search(r"Measure this again: (.+?) contradicts", page(client, "/checks"))
    client.post("/checks/back", data={"csrf": csrf(client), "check": "transformer-volts"})
    assert "Measure this again" not in page(client, "/checks")
    client.post("/checks/back", data={"csrf": csrf(client), "check": "rc-volts"})
    assert "Undo last answer" not in page(client, "/checks")
    assert again is not None


def test_every_check_has_its_page(client: FlaskClient) -> None:
    """Each row of the catalogue opens, with an example of what to type where something is typed."""
    from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS

    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-without-pull-in", **technician(client)})
    for check in CHECKS.values():
        told = page(client, f"/checks?check={check.name}")
        assert (check.quantity == "eye") == ('name="typed" required maxlength' not in told), check.name


def test_checks_start_from_an_open_alert_between_calls(tmp_path: Path) -> None:
    """The call has ended and nothing stands; the alert that nobody has closed is still a place to start."""
    dead = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
    settings = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    parts = ((60, units.REST), (300, units.RUN), (60, units.REST), (120, dead), (300, units.REST))
    made = from_scans(tmp_path, settings, units.scans(*parts), end_s=839.0)
    status = made.history.status()
    assert status is not None
    assert not status.findings
    client = app_of(made).test_client()
    assert "/checks?begin=call-without-pull-in" in page(client, "/alerts")
    assert '<option value="call-without-pull-in" selected>' in page(client, "/checks?begin=call-without-pull-in")
    form = {"csrf": csrf(client), "start": "call-without-pull-in", **technician(client)}
    told = client.post("/checks/begin", data=form, follow_redirects=True).get_data(as_text=True)
    assert "Next check" in told
    made.history.close()


def waiting_for_a_timer(folder: Path) -> Site:
    """A unit whose timer held each of five starts back for three minutes."""
    waiting = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
    settings = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    scans = units.scans(*[(300, units.REST), (180, waiting), (300, units.RUN)] * 5)
    return from_scans(folder, settings, scans, end_s=3899.0)


def test_what_the_unit_seems_to_do_by_design_is_asked(tmp_path: Path) -> None:
    """A timer that showed in every cycle: the question, and what to write where it is so."""
    waits = waiting_for_a_timer(tmp_path / "waits")
    told = page(app_of(waits).test_client())
    assert "It looks as if a timer holds this unit off" in told
    assert "[unit] delay_on_make_s = 180 in the site file" in told
    spanish = app_of(waits).test_client().get("/", headers={"Accept-Language": "es"}).get_data(as_text=True)
    assert "Parece que un temporizador retiene esta unidad 180 s" in spanish
    waits.history.close()


@pytest.mark.parametrize(
    ("answer", "kept"),
    [("yes", ("unit.delay_on_make_s", 180.0)), ("no", ("unit.not_by_design", ("delay_on_make_s",)))],
)
def test_an_answer_to_it_is_kept_and_it_is_asked_no_more(tmp_path: Path, answer: str, kept: tuple[str, object]) -> None:
    """Under Settings, by who may change them; a second answer finds nothing asked, and nonsense changes nothing."""
    waits = waiting_for_a_timer(tmp_path / "waits")
    client = app_of(waits).test_client()
    assert "a timer holds this unit off" in page(client, "/settings")
    form = {"csrf": csrf(client), "name": "delay_on_make_s", "answer": "perhaps"}
    assert client.post("/settings/design", data=form).status_code == 400
    assert client.post("/settings/design", data={**form, "answer": answer}).status_code == 302
    assert client.post("/settings/design", data={**form, "answer": answer}).status_code == 409
    settings, problems = PageSettings(waits.history.path).over(waits.settings)
    table, key = kept[0].split(".")
    assert (getattr(getattr(settings, table), key), problems) == (kept[1], ())
    for path in ("/", "/settings"):
        assert "a timer holds this unit off" not in page(client, path)
    waits.history.close()
