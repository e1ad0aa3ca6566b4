"""The office's pages: every route is refused without a right, forms cannot be forged, and the lists say what is so."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from condenser_monitor.monitor.core.records import Episode, EpisodeState, Severity
from condenser_monitor.monitor.fleet import enroll, queries, tenants, triage
from condenser_monitor.monitor.fleet import visits as visiting
from condenser_monitor.monitor.fleet.active_alerts import ActiveAlerts
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.slots import Slots
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    asks,
    audit,
    sites,
    standing,
    users,
    visits,
)
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.strings.episodes import headline
from condenser_monitor.web.fleet import guard
from tests.fleet import payloads
from tests.fleet.load import site_name
from tests.fleet.office import (
    NAMES,
    PASSWORD,
    Office,
    post,
    token,
)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    """One office, made once."""
    with_store = Store(f"sqlite:///{tmp_path_factory.mktemp('office')}/fleet.db")
    with_store.migrate()
    yield Office(with_store)
    with_store.close()


@pytest.fixture
def office(whole: Office) -> Office:
    """The office for the tests that change nothing; its clock stands, so each test's requests are counted again."""
    whole.app.extensions["flood"] = guard.Flood(lambda: whole.now)
    return whole


@pytest.fixture
def own_office(office: Office, tmp_path: Path) -> Iterator[Office]:
    """An office of the test's own."""
    made = office.copy(tmp_path / "own.db")
    yield made
    made.store.close()


# ---------------------------------------------------------------- who may open what

_OWN, _FOREIGN = site_name(0), site_name(4)
# endpoint -> (method, a place of kim's, who may); what is not here fails the first test below
_ALL, _OFFICE, _OWNER = set(Role), {Role.OWNER, Role.DISPATCHER}, {Role.OWNER}
ROUTES: dict[str, tuple[str, str, set[Role]]] = {
    "lists.morning": ("GET", "/", _ALL),
    "lists.drifting": ("GET", "/drifting", _ALL),
    "lists.silent": ("GET", "/silent", _ALL),
    "lists.due": ("GET", "/due", _ALL),
    "lists.search": ("GET", "/sites", _ALL),
    "customers.all_": ("GET", "/customers", _OFFICE),
    "customers.one": ("GET", "/customer/1", _OFFICE),
    "customers.change": ("POST", "/customer/1", _OFFICE),
    "customers.export": ("GET", "/customer/1/export.json", _OWNER),
    "customers.erase": ("POST", "/customer/1/erase", _OWNER),
    "sites.site": ("GET", f"/site/{_OWN}", _ALL),
    "sites.cycles": ("GET", f"/site/{_OWN}/cycles", _ALL),
    "sites.season": ("GET", f"/site/{_OWN}/season.pdf", _ALL),
    "sites.about": ("POST", f"/site/{_OWN}/about", _OFFICE),
    "sites.tenant": ("POST", f"/site/{_OWN}/tenant", _OFFICE),
    "sites.ask": ("POST", f"/site/{_OWN}/ask", _OFFICE),
    "sites.home": ("POST", f"/site/{_OWN}/home", _OFFICE),
    "work.visits": ("GET", "/visits", _ALL),
    "work.visit": ("GET", "/visit/1", _ALL),
    "work.finish": ("POST", "/visit/999", _ALL),
    "work.book": ("POST", f"/site/{_OWN}/visits", _OFFICE),
    "work.dispatch": ("POST", "/dispatch", _OFFICE),
    "work.score": ("GET", "/score", _OFFICE),
    "work.plan": ("GET", "/plan.csv", _OFFICE),
    "work.customers": ("GET", "/customers.csv", _OFFICE),
    "work.calendar": ("POST", "/calendar", _ALL),
    "office.ingest": ("GET", "/ingest", _OFFICE),
    "office.people": ("GET", "/people", _OWNER),
    "office.add": ("POST", "/people", _OWNER),
    "office.change": ("POST", "/people/lou", _OWNER),
    "office.audit": ("GET", "/audit", _OWNER),
    "door.password": ("GET", "/password", _ALL),
    "door.logout": ("POST", "/logout", _ALL),
}
_ROLES = {"owner": Role.OWNER, "dispatcher": Role.DISPATCHER, "kim": Role.TECHNICIAN}


def test_the_table_names_every_route_of_the_app(office: Office) -> None:
    """A new route without a row here, or without a right in guard.RIGHTS, fails."""
    endpoints = {rule.endpoint for rule in office.app.url_map.iter_rules()}
    assert endpoints == ROUTES.keys() | guard.PUBLIC | guard.LINKED | guard.SCOPED.keys()
    assert guard.RIGHTS.keys() == ROUTES.keys()


@pytest.mark.parametrize("endpoint", ROUTES)
def test_without_signing_in_every_route_is_refused(office: Office, endpoint: str) -> None:
    """Reading leads to the sign-in, changing is refused; nothing of a customer is told."""
    method, path, _ = ROUTES[endpoint]
    answer = office.app.test_client().open(path, method=method)
    assert answer.status_code == (302 if method == "GET" else 401)
    assert "Customer" not in answer.text
    if method == "GET":
        assert answer.location.startswith("/login?next=")


@pytest.mark.parametrize("login", _ROLES)
def test_every_route_is_open_to_its_roles_and_to_no_other(own_office: Office, login: str) -> None:
    """For each role: 403 on every route that is not theirs, and not 403 on every route that is."""
    browser = own_office.client(login)
    for endpoint, (method, path, roles) in ROUTES.items():  # the last row signs out
        data = {"csrf": token(browser, "/password")} if method == "POST" else None
        answer = browser.open(path, method=method, data=data)
        assert (answer.status_code != 403) == (_ROLES[login] in roles), (endpoint, answer.status_code)
        assert answer.status_code < 500, (endpoint, answer.text)


def test_a_route_that_is_not_in_the_table_is_closed_to_everybody(own_office: Office) -> None:
    """Forgetting to decide leaves a door shut, for the owner too."""
    own_office.app.add_url_rule("/new", "new", lambda: "open")
    assert own_office.client("owner").get("/new").status_code == 403


@pytest.mark.parametrize("path", ["/nothing", "/site/nobody", "/visit/999", "/site/../etc/passwd"])
def test_places_that_are_none_tell_nothing(office: Office, path: str) -> None:
    """404 when signed in, the sign-in when not."""
    assert office.client("owner").get(path).status_code == 404
    assert office.app.test_client().get(path).status_code == 302


_PATHS_OF_A_SITE: tuple[Callable[[str], str], ...] = (
    lambda site: f"/site/{site}",
    lambda site: f"/site/{site}/cycles",
    lambda site: f"/site/{site}/season.pdf",
)


@pytest.mark.parametrize("path_of", _PATHS_OF_A_SITE)
def test_a_technician_opens_own_sites_only(office: Office, path_of: Callable[[str], str]) -> None:
    """Site 0 is kim's, site 2 has a visit booked for kim; to kim site 4 is as good as none."""
    kim, lou = office.client("kim"), office.client("lou")
    assert [kim.get(path_of(site_name(n))).status_code for n in (0, 2, 4)] == [200, 200, 404]
    assert [lou.get(path_of(site_name(n))).status_code for n in (0, 2, 4)] == [404, 200, 200]


@pytest.mark.parametrize("path", ["/", "/drifting", "/silent", "/due", "/sites", "/sites?q=Customer", "/visits"])
def test_no_list_shows_a_technician_a_foreign_customer(office: Office, path: str) -> None:
    """Whatever kim opens, only names of kim's own sites stand in it."""
    text = office.client("kim").get(path).text
    foreign = [name for number, name in enumerate(NAMES) if number not in (0, 1, 2)]
    assert not [name for name in foreign if name in text]


def test_a_technician_writes_down_own_visits_only(own_office: Office) -> None:
    """A visit of lou's cannot be finished, or opened, by kim."""
    kim, mine, other = own_office.client("kim"), own_office.visits[0], own_office.visits[2]
    assert kim.get(f"/visit/{other}").status_code == 404
    answer = post(kim, "/password", f"/visit/{other}", was="other", outcome="done")
    assert answer.status_code == 400
    answer = post(kim, f"/visit/{mine}", f"/visit/{mine}", was="compressor-locked", parts="start kit\n\ncapacitor")
    assert answer.status_code == 302
    with own_office.store.read() as connection:
        row = connection.execute(sa.select(visits).where(visits.c.id == mine)).one()
    assert (row.status, row.was, row.parts) == ("done", "compressor-locked", ["start kit", "capacitor"])


# ---------------------------------------------------------------- forged forms, floods, cookies

_CHANGES = [path for path, (method, _, _) in ROUTES.items() if method == "POST"]


@pytest.mark.parametrize("endpoint", [*_CHANGES, "door.login"])
@pytest.mark.parametrize("forged", ["", "wrong", "other-session"])
def test_no_change_is_made_without_the_form_s_own_token(office: Office, endpoint: str, forged: str) -> None:
    """A missing token, a made-up one and one of another session are refused, and nothing is changed."""
    browser = office.app.test_client() if endpoint == "door.login" else office.client("owner")
    given = token(office.client("dispatcher"), "/password") if forged == "other-session" else forged
    before = office.count(), office.count(asks), office.count(visits), office.site(0)
    path = "/login" if endpoint == "door.login" else ROUTES[endpoint][1]
    answer = browser.post(path, data={"csrf": given, "login": "owner", "password": PASSWORD})
    assert answer.status_code == 400
    assert (office.count(), office.count(asks), office.count(visits), office.site(0)) == before


def test_a_form_sent_by_another_site_is_refused_even_with_a_token(office: Office) -> None:
    """What the browser says of where a form came from is listened to (Fetch Metadata)."""
    browser = office.client("owner")
    data = {"csrf": token(browser, "/password")}
    assert browser.post("/logout", data=data, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert browser.get("/").status_code == 200


def test_cookies_are_out_of_reach_of_scripts_and_other_sites(own_office: Office) -> None:
    """HttpOnly and SameSite always, Secure behind https; the session's cookie holds a random token only."""
    browser = own_office.app.test_client()
    answer = post(browser, "/login", "/login", login="owner", password=PASSWORD)
    cookies = [line for line in answer.headers.getlist("Set-Cookie") if line.startswith(guard.SESSION_COOKIE)]
    assert len(cookies) == 1
    assert "HttpOnly" in cookies[0]
    assert "SameSite=Lax" in cookies[0]
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert answer.headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("to", ["//evil.example", "https://evil.example/", "/\\evil.example"])
def test_signing_in_never_leads_to_a_foreign_place(office: Office, to: str) -> None:
    """Only a page of our own is gone on to."""
    browser = office.app.test_client()
    answer = post(browser, "/login", f"/login?next={to}", login="owner", password=PASSWORD)
    assert answer.location == "/"


def test_after_a_few_wrong_passwords_the_door_stays_shut_for_a_while(own_office: Office) -> None:
    """429 with the right password too, until the time is over."""
    browser = own_office.app.test_client()
    for _ in range(int(FLEET.login_tries.value)):
        assert post(browser, "/login", "/login", login="owner", password="wrong").status_code == 401
    assert post(browser, "/login", "/login", login="owner", password=PASSWORD).status_code == 429
    own_office.now += FLEET.login_window_s.value + 1
    assert post(browser, "/login", "/login", login="owner", password=PASSWORD).status_code == 302


def test_a_flood_of_requests_is_turned_away_and_forgotten_after_a_minute(own_office: Office) -> None:
    """Counted by address, before anything is looked up; addresses kept are bounded."""
    browser = own_office.app.test_client()
    codes = [browser.get("/login").status_code for _ in range(int(FLEET.requests_per_min.value) + 1)]
    assert set(codes[:-1]) == {200}
    assert codes[-1] == 429
    own_office.now += 60
    assert browser.get("/login").status_code == 200
    flood = guard.Flood(lambda: 0.0)
    for number in range(guard._ADDRESSES_MOST + 50):
        flood.is_one(str(number))
    assert len(flood._counts) == guard._ADDRESSES_MOST


def test_signing_out_ends_the_session_also_for_a_copied_cookie(own_office: Office) -> None:
    """The token is of no more use to whoever has kept it."""
    browser = own_office.client("owner")
    cookie = browser.get_cookie(guard.SESSION_COOKIE)
    assert cookie is not None
    post(browser, "/password", "/logout")
    thief = own_office.app.test_client()
    thief.set_cookie(guard.SESSION_COOKIE, cookie.value)
    assert thief.get("/").status_code == 302


# ---------------------------------------------------------------- what the pages say


def _page(office: Office, path: str, login: str = "dispatcher") -> str:
    answer = office.client(login).get(path)
    assert answer.status_code == 200
    return answer.text


def test_morning_page_names_who_what_part_and_load(office: Office) -> None:
    """Each case with the customer, the plain sentence, the note on who lives there, the part and the truck's load."""
    text = _page(office, "/")
    assert "sites need somebody now" in text
    assert "oxygen concentrator in the house" in text
    assert "DANGER without cooling" in text
    assert "contactor, 1-pole, 30 A, 24 V coil" in text
    assert "run capacitors" in text
    assert "booked Sun May 17" in text
    assert "Kim" in text[text.index(">Hill Road 12</a>") :].split("</tr>")[0]  # Lou's site, Kim's visit
    places = [text.index(name) for name in ("Waiting for somebody", ">Orchard Lane 9</a>", "A visit is booked")]
    assert places == sorted(places)
    assert places[-1] < text.index(">Elm Street 4</a>")


def test_morning_page_says_who_is_quiet_and_not_known_to_be_repaired(own_office: Office) -> None:
    """In the words that the household was told, with what people answered."""
    told = Episode(
        id="episode-1",
        lead="locked-rotor",
        findings=("locked-rotor",),
        severity=Severity.URGENT,
        level=2,
        state=EpisodeState.QUIET,
        since_s=0.0,
        since_wall_s=own_office.now - 3600.0,
        answered_by="Sam",
    )
    stories = [msgspec.to_builtins(told)]
    now = {"events": 500, "cycles": 500}  # all that the site has told, and more
    raw = payloads.unit(site_name(3), wall_s=own_office.now, origin="3.load", sent=now, episodes=stories)
    assert "Quiet, not known to be repaired" not in _page(own_office, "/")
    writer(own_office.store).write(payloads.received([raw], own_office.now), own_office.now)
    text = _page(own_office, "/")
    row = text[text.index("Quiet, not known to be repaired") :]
    assert ">Mill Close 3</a>" in row
    assert headline(told) in row
    assert "answered by Sam" in row


def test_several_sites_are_booked_moved_and_canceled_at_once(own_office: Office) -> None:
    """One form for the chosen rows: who has no visit gets one, who has is moved, none is booked twice; the suspects are
    kept as they stand; where one of them cannot be, nothing is done."""
    desk, names = own_office.client("dispatcher"), [site_name(0), site_name(1), site_name(3)]

    def booked() -> list[tuple[str, str, str]]:
        with own_office.store.read() as connection:
            query = sa.select(sites.c.site, visits.c.due_day, users.c.name).select_from(visits)
            query = query.join(sites, sites.c.id == visits.c.site_id).join(users, users.c.id == visits.c.technician_id)
            query = query.where(visits.c.status == "booked", sites.c.site.in_(names)).order_by(sites.c.site)
            return [tuple(row) for row in connection.execute(query)]

    def send(chosen: list[str], **fields: str) -> TestResponse:
        data = {"csrf": token(desk, "/password"), "site": chosen, **fields}
        return desk.post("/dispatch", data=data, follow_redirects=True)

    with own_office.store.read() as connection:
        lou = str(connection.scalar(sa.select(users.c.id).where(users.c.login == "lou")))
    assert "2 booked, 1 moved" in send(names, what="put", technician=lou, due_day="2026-05-19").text
    assert booked() == [(name, "2026-05-19", "Lou") for name in names]
    assert "0 booked, 3 moved" in send(names, what="put", technician="keep", due_day="2026-05-20").text
    assert booked() == [(name, "2026-05-20", "Lou") for name in names]
    again = post(desk, "/password", f"/site/{names[1]}/visits", kind="repair", due_day="2026-05-21", technician=lou)
    assert again.status_code == 400
    assert "one at a time" in again.text
    for wrong in ([], [*names, "nobody"]):
        assert send(wrong, what="put", technician="", due_day="2026-05-22").status_code == 400
    assert booked() == [(name, "2026-05-20", "Lou") for name in names]
    with own_office.store.read() as connection:
        called = connection.scalar(sa.select(sites.c.name).where(sites.c.site == names[0]))
    stale = {f"seen-{names[0]}": "2026-05-19 Lou", f"seen-{names[1]}": "2026-05-20 Lou"}  # an older list, still open
    for what in ("put", "cancel"):
        said = send(names, what=what, technician="", due_day="2026-05-22", **stale).text
        assert f"Nothing was done. Booked, moved or canceled since this list was shown: {called}." in said
    assert booked() == [(name, "2026-05-20", "Lou") for name in names]
    page = desk.get("/").text
    fresh = {f"seen-{name}": "2026-05-20 Lou" for name in names}
    listed = [name for name in names if f'name="site" value="{name}"' in page]
    assert listed
    assert all(f'name="seen-{name}" value="2026-05-20 Lou"' in page for name in listed)
    assert "2 visits canceled" in send(names[:2], what="cancel", **fresh).text
    assert [row[0] for row in booked()] == names[2:]


def test_a_visit_s_cause_is_chosen_and_a_made_one_does_not_wait_for_somebody(own_office: Office) -> None:
    """Nothing is preselected, nothing chosen is refused; `not found` counts for no suspect; the site then stands among
    those visited."""
    desk, key = own_office.client("dispatcher"), own_office.visits[0]
    page = desk.get(f"/visit/{key}").text
    assert '<option value="" selected disabled>' in page
    assert page.count("selected") == 1
    assert post(desk, f"/visit/{key}", f"/visit/{key}", was="", outcome="done").status_code == 400
    own_office.now += 60
    assert post(desk, f"/visit/{key}", f"/visit/{key}", was="not-found", outcome="done").status_code == 302
    text = desk.get("/").text
    assert text.index("Visited, and it still stands") < text.index(">Elm Street 4</a>")
    with own_office.store.read() as connection:
        assert (
            sum(
                row.visits
                for row in visiting.score(connection, Viewer(id=0, login="", name="", role=Role.OWNER))
                if not row.finding
            )
            == 1
        )


def test_site_page_draws_the_ladder_and_what_stands(office: Office) -> None:
    """The same ladder as on the monitor's own page, with what is suspected, the checks and the history."""
    text = _page(office, f"/site/{site_name(0)}")
    assert '<svg class="ladder"' in text
    assert "Suspected, the likeliest first" in text
    assert "Checks, the least hazard first" in text
    assert "Acknowledge the alert" in text
    assert "Acknowledge the alert" not in _page(office, f"/site/{site_name(0)}", "kim")


def test_a_silent_monitor_s_ladder_is_not_believed(office: Office) -> None:
    """Its links are drawn as not known, however they were when it was last heard of."""
    text = _page(office, f"/site/{site_name(5)}")
    assert "monitor off since" in text
    assert "s-live" not in text[text.index('<svg class="ladder"') : text.index("</svg>", text.index("</desc>"))]


def test_nothing_that_a_site_sends_becomes_markup(office: Office) -> None:
    """A script in a message set aside is shown as text."""
    text = _page(office, "/ingest")
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert "<script>" not in text


@pytest.mark.parametrize("path", ["/drifting", "/silent", "/due", "/sites?q=elm", "/visits", "/score", "/ingest"])
def test_every_list_opens_and_names_a_site_or_says_that_there_is_none(office: Office, path: str) -> None:
    """No page is empty without a word."""
    text = _page(office, path)
    assert any(name in text for name in NAMES) or "No " in text or "soft" in text


def test_owner_pages_show_people_and_what_they_did(office: Office) -> None:
    """Everybody is listed, never a hash; the log names the booking."""
    text = _page(office, "/people", "owner")
    assert all(login in text for login in ("kim", "lou", "dispatcher"))
    assert "argon2" not in text
    assert "booked a visit to" in _page(office, "/audit", "owner")


def test_plan_is_a_csv_with_a_line_for_each_site(office: Office) -> None:
    """A header and six sites, in the columns that the header names."""
    lines = office.client("owner").get("/plan.csv?from=2026-05-01&to=2026-05-31").text.splitlines()
    assert len(lines) == 1 + len(NAMES)
    assert lines[0].startswith("site,name,customer")
    assert lines[1].split(",")[0] == site_name(0)


def test_season_report_is_a_pdf(office: Office) -> None:
    """The file begins as PDF files do (ISO 32000)."""
    answer = office.client("kim").get(f"/site/{_OWN}/season.pdf?from=2026-05-01&to=2026-05-31")
    assert answer.mimetype == "application/pdf"
    assert answer.data.startswith(b"%PDF-")


@pytest.mark.parametrize(
    "path", ["/?from=x", "/?from=-1", "/plan.csv?from=2026-01-01&to=1999-01-01", "/sites?from=99999999999999"]
)
def test_bad_input_is_said_in_words(office: Office, path: str) -> None:
    """400 with what was given and what is allowed."""
    answer = office.client("owner").get(path)
    assert answer.status_code == 400
    assert "allowed:" in answer.text


# ---------------------------------------------------------------- what the forms do


def _submit(office: Office, path: str, who: str = "dispatcher", /, **fields: str) -> int:
    browser: FlaskClient = office.client(who)
    return post(browser, "/password", path, **fields).status_code


def test_booking_keeps_the_suspects_as_they_stand(own_office: Office) -> None:
    """The form's word for the suspects is not asked; a finding that does not stand is no reason."""
    path = f"/site/{site_name(1)}/visits"
    with own_office.store.read() as connection:
        key = connection.scalar(sa.select(sites.c.id).where(sites.c.site == site_name(1)))
    assert _submit(own_office, path, kind="repair", due_day="2026-05-18", finding="call-not-reaching-unit") == 302
    assert _submit(own_office, path, kind="plan", due_day="2026-05-18", finding="slow-start") == 302
    with own_office.store.read() as connection:
        rows = connection.execute(sa.select(visits).where(visits.c.site_id == key).order_by(visits.c.id)).all()
    stood = [(row.finding, row.suspects) for row in rows]
    assert ("", []) in stood
    assert all(bool(finding) == bool(suspects) for finding, suspects in stood)


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("visits", {"kind": "holiday", "due_day": "2026-05-18"}),
        ("visits", {"kind": "repair", "due_day": "tomorrow"}),
        ("visits", {"kind": "repair", "due_day": "2026-05-18", "technician": "999"}),
        ("about", {"vulnerability": "9"}),
        ("about", {"vulnerability_note": "x" * 501}),
        ("about", {"technician": "999"}),
        ("about", {"plan_visit_due": "soon"}),
        ("ask", {"request": "resend"}),
        ("ask", {"request": ""}),
    ],
)
def test_forms_refuse_what_cannot_be(office: Office, path: str, fields: dict[str, str]) -> None:
    """Refused in words, and nothing is written."""
    before = office.count(visits), office.count(asks), office.site(0), office.count(audit)
    assert _submit(office, f"/site/{site_name(0)}/{path}", **fields) == 400
    after = office.count(visits), office.count(asks), office.site(0), office.count(audit)
    assert after == (*before[:3], before[3] + 1)  # the sign-in


def test_asking_the_monitor_leaves_a_request_in_the_dispatcher_s_name(own_office: Office) -> None:
    """It waits in `asks` as the contract's message, and in the log."""
    fields = {"request": "acknowledge", "finding": "locked-rotor"}
    assert _submit(own_office, f"/site/{site_name(0)}/ask", **fields) == 302
    with own_office.store.read() as connection:
        (row,) = connection.execute(sa.select(asks)).all()
    from condenser_monitor.monitor.publishers.messages import PersonsRequest, read_request

    wish = read_request(row.body.encode())
    assert isinstance(wish, PersonsRequest)
    assert (wish.request, wish.by, wish.finding, row.sent_at) == ("acknowledge", "Dispatcher", "locked-rotor", None)


def test_owner_adds_people_and_shuts_them_out_but_not_themselves(own_office: Office) -> None:
    """A person shut out is out at once, with the session that was open."""
    lou = own_office.client("lou")
    assert lou.get("/").status_code == 200
    assert _submit(own_office, "/people/lou", "owner", what="shut") == 302
    assert lou.get("/").status_code == 302
    assert _submit(own_office, "/people/owner", "owner", what="shut") == 400
    assert _submit(own_office, "/people", "owner", login="new", role="technician", password=PASSWORD) == 302
    assert own_office.client("new").get("/").status_code == 200
    assert _submit(own_office, "/people", "owner", login="new2", role="king", password=PASSWORD) == 400


def test_own_password_is_changed_with_the_old_one_only(own_office: Office) -> None:
    """Wrong old one, two different new ones: refused; then all sessions end."""
    browser = own_office.client("kim")
    new = PASSWORD + " new"
    assert post(browser, "/password", "/password", old="wrong", new=new, again=new).status_code == 403
    assert post(browser, "/password", "/password", old=PASSWORD, new=new, again="x").status_code == 400
    assert post(browser, "/password", "/password", old=PASSWORD, new=new, again=new).status_code == 302
    assert browser.get("/").status_code == 302


def test_what_the_office_knows_is_changed_by_its_form(own_office: Office) -> None:
    """Every field of the form is kept, emptied ones too, and the log says who changed what; a name there must be."""
    path = f"/site/{site_name(1)}/about"
    fields = {"name": "New name", "customer": "Somebody", "address": "", "phone": "555-9999", "plan": "basic"}
    rest = {"vulnerability": "1", "vulnerability_note": "infant", "plan_visit_due": ""}
    assert _submit(own_office, path, **fields, **rest) == 302
    row = own_office.site(1)
    assert {key: getattr(row, key) for key in fields} == fields
    assert (row.vulnerability, row.vulnerability_note, row.plan_visit_due, row.technician_id) == (
        1,
        "infant",
        None,
        None,
    )
    assert _submit(own_office, path, **{**fields, "name": " "}) == 400
    with own_office.store.read() as connection:
        last = connection.execute(sa.select(audit).where(audit.c.did == "changed").order_by(audit.c.id)).all()[-1]
    assert (last.who, last.what, last.detail["customer"]) == ("dispatcher", site_name(1), "Somebody")


def test_a_site_that_was_never_heard_of_is_not_said_to_have_nothing(own_office: Office) -> None:
    """With ingest at work and up to date: nothing stands there because nothing is known."""
    enroll.enroll(own_office.store, "fresh", broker=Broker(), by="test", now=own_office.now)
    with Slots(own_office.store) as slots:
        slots.beat([0], own_office.now, {}, own_office.now)
        assert "Nothing is known: not seen yet" in own_office.client("dispatcher").get("/site/fresh").text


@pytest.mark.parametrize("home", [True, False])
def test_a_unit_that_has_not_run_is_asked_about_and_the_answer_makes_it_a_case_or_ends_it(
    own_office: Office, home: bool
) -> None:
    """It stands apart, with the customer's number and two answers, for those who may note one; drifting has no such
    thing. A wrong day is refused. Nothing of who is away goes into the log."""
    office, summary = own_office, "No run since then, by its neighbors 20 were due."
    about: dict[str, Any] = {"finding": triage.NOT_RUN, "severity": "watch", "summary": summary, "active": True}
    with office.store.write() as connection:
        key = queries.site_id(connection, tenants.WHOLE, _OWN)
        connection.execute(sa.update(standing).where(standing.c.site_id == key).values(active=False))
        row = ActiveAlerts(site_id=key, since_at=office.now - 9e4, changed_at=office.now, **about)
        writer(office.store).put_standing(connection, [row])
    browser = office.client("dispatcher")
    page = browser.get("/").text
    assert "To ask: is somebody home?" in page
    assert summary in page
    assert f'action="/site/{_OWN}/home"' in page
    assert "/home" not in office.client("kim").get("/").text
    assert summary not in browser.get("/drifting").text
    assert post(browser, "/", f"/site/{_OWN}/home", away_until="2026-13-40").status_code == 400
    given = {"home": "yes"} if home else {"away_until": "2026-06-30"}
    page = browser.get(post(browser, "/", f"/site/{_OWN}/home", **given).location).text
    assert "To ask" not in page
    with office.store.read() as connection:
        stands = [one.finding for one in queries.stands_at(connection, key)]
        said = [row.detail for row in connection.execute(sa.select(audit).where(audit.c.what == _OWN))]
    assert stands == [triage.STOPPED] * home
    assert (summary in page) is home  # among those who need somebody now
    assert office.site(0).away_until == given.get("away_until")
    assert "2026-06-30" not in str(said)
