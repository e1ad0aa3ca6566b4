"""The lists of the office, on both databases: the right sites, in the right order, seen by the right people."""

from __future__ import annotations

import importlib
import random
from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest
import scipy.stats
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.findings import CATALOGUE, cooling
from condenser_monitor.monitor.core.records import Episode, EpisodeState, Severity
from condenser_monitor.monitor.fleet import (
    people,
    queries,
    season,
    tenants,
    visits,
)
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.retention import coming_months, ensure_months
from condenser_monitor.monitor.fleet.season import SeasonSpan
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import ABOUT, sites, standing, state
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.monitor.report.blocks import Table
from condenser_monitor.monitor.strings import texts
from tests.fleet import payloads
from tests.fleet.office import put_sites
from tests.fleet.payloads import NOON, received
from tests.fleet.test_triage import place

_TOLD_LONG_AGO = (NOON - 27 * 3600, None)  # a temperature from then is no temperature of now
OWNER = Viewer(id=0, login="owner", name="Owner", role=Role.OWNER)


def _fill(store: Store, rows: list[dict[str, Any]]) -> None:
    """Sites with their state and what stands there, written straight into the tables."""
    with store.write() as connection:
        for number, row in enumerate(rows, 1):
            about = {"id": number, "name": row["site"], "enrolled_at": NOON - 1e6, "unit": None}
            put_sites(connection, [about | {key: row[key] for key in row if key in ABOUT}])
            now = {key: row[key] for key in row if key in state.c}
            connection.execute(sa.insert(state).values(**{"site_id": number, "heard_at": NOON - 60, **now}))
            for finding, since_at in row.get("stands", ()):
                connection.execute(sa.insert(standing).values(**_stand(number, finding, since_at)))


def _stand(number: int, finding: str, since_at: float) -> dict[str, Any]:
    severity = CATALOGUE[finding].severity.value if finding in CATALOGUE else "urgent"
    text = {"summary": finding, "suspects": '["coil-open"]', "evidence": "{}", "alert_state": "", "alert_by": ""}
    head = {"site_id": number, "finding": finding, "active": True, "severity": severity}
    return {**head, **text, "since_at": since_at, "changed_at": since_at, "rank": 1.0, "alert_rank": 0.0}


def test_morning_list_is_in_the_order_that_triage_says(store: Store) -> None:
    """The database's order of some hundred random sites is that of `place`, computed one by one."""
    rng = random.Random(5)
    urgent = [name for name, row in CATALOGUE.items() if row.severity == "urgent"]
    rows = []
    for number in range(150):
        stands = [(name, NOON - rng.randrange(1, 10**6)) for name in rng.sample(urgent, rng.randrange(0, 3))]
        known = {
            "outdoor_c": rng.choice([None, *range(15, 46)]),
            "unit_received_at": rng.choice([NOON - 60, *_TOLD_LONG_AGO]),
        }
        rows.append({"site": f"s{number:03d}", "vulnerability": rng.randrange(3), "stands": stands, **known})
    _fill(store, rows)
    expected = []
    for row in rows:
        if row["stands"]:
            finding, since = min(row["stands"], key=lambda item: (-int(cooling(item[0])), item[1]))
            outdoor_c = None if row["unit_received_at"] in _TOLD_LONG_AGO else row["outdoor_c"]
            order = place(finding, outdoor_c, row["vulnerability"], since)
            expected.append((*order, row["site"], finding))
    expected.sort()
    with store.read() as connection:
        first = queries.morning(connection, OWNER, NOON, limit=40)
        rest = queries.morning(connection, OWNER, NOON, offset=40, limit=1000)
    assert first.total == len(expected)
    got = [(case.site, case.finding) for case in [*first.rows, *rest.rows]]
    assert got == [row[-2:] for row in expected]


def test_case_says_part_and_load() -> None:
    """A row of the list carries what the dispatcher reads out."""
    fields: dict[str, Any] = dict.fromkeys(queries.Case.__struct_fields__)
    case = queries.Case(**{**fields, "finding": "call-without-pull-in", "suspects": ("coil-open",), "outdoor_c": 35.0})
    assert (case.cooling, case.heat, case.part) == ("no cooling", "hot", "contactor")
    assert case.load


def test_drifting_units_are_those_that_still_cool_and_have_no_visit(store: Store) -> None:
    """Not urgent, nothing urgent beside it, nothing booked; what is to be booked soon before what may wait."""
    _fill(
        store,
        [
            {"site": "watch", "stands": [("slow-start", NOON - 9)]},
            {"site": "soon", "stands": [("high-running-current", NOON - 5), ("slow-start", NOON - 9)]},
            {"site": "urgent-too", "stands": [("high-running-current", NOON), ("locked-rotor", NOON)]},
            {"site": "booked", "stands": [("short-cycling", NOON)]},
            {"site": "sound"},
        ],
    )
    with store.write() as connection:
        visits.book(connection, OWNER, "booked", kind="drift", due_day="2026-07-15", technician_id=None, now=NOON)
    with store.read() as connection:
        rows = queries.drifting(connection, OWNER, NOON).rows
    assert [(case.site, case.finding) for case in rows] == [("soon", "high-running-current"), ("watch", "slow-start")]


def test_silent_monitors_are_off_or_unheard_too_long(store: Store) -> None:
    """A monitor just restarting is not silent; one off for long, one quiet for over a day and one never heard are."""
    _fill(
        store,
        [
            {"site": "fine", "online": True},
            {"site": "restarting", "online": False, "online_at": NOON - 60},
            {"site": "off", "online": False, "online_at": NOON - 7200, "heard_at": NOON - 7200},
            {"site": "quiet", "online": True, "heard_at": NOON - 30 * 3600},
            {"site": "never", "heard_at": None, "enrolled_at": NOON - 3 * 86400},
            {"site": "new", "heard_at": None, "enrolled_at": NOON - 3600},
            {"site": "revoked", "online": False, "online_at": 0.0, "revoked_at": 1.0},
        ],
    )
    with store.read() as connection:
        assert [row.site for row in queries.silent(connection, OWNER, NOON).rows] == ["never", "quiet", "off"]


def test_plan_visits_due_within_a_month_are_listed_and_move_on_by_a_year(store: Store) -> None:
    """Overdue first, far ones not at all; a finished plan visit is due again a year later."""
    _fill(
        store,
        [
            {"site": "overdue", "plan_visit_due": "2026-05-01"},
            {"site": "soon", "plan_visit_due": "2026-08-13"},
            {"site": "later", "plan_visit_due": "2026-08-14"},
            {"site": "none"},
        ],
    )
    with store.read() as connection:
        assert [row.site for row in queries.due(connection, OWNER, NOON).rows] == ["overdue", "soon"]
    with store.write() as connection:
        booked = visits.book(
            connection, OWNER, "overdue", kind="plan", due_day="2026-07-20", technician_id=None, now=NOON
        )
    with store.read() as connection:
        assert [row.site for row in queries.due(connection, OWNER, NOON).rows] == ["soon"]
    with store.write() as connection:
        visits.finish(connection, OWNER, booked, was="", used=[], text="cleaned", now=NOON)
    with store.read() as connection:
        assert connection.scalar(sa.select(sites.c.plan_visit_due).where(sites.c.site == "overdue")) == "2027-07-14"


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("elm", ["elm-1", "elm-2"]),
        ("ELM second", ["elm-2"]),
        ("555-01", ["oak-1"]),
        ("%", ["elm-2"]),
        ("_", []),
        ("elm oak", []),
        ("", ["elm-1", "elm-2", "oak-1"]),
    ],
)
def test_search_finds_sites_that_hold_every_word(store: Store, words: str, found: list[str]) -> None:
    """Upper and lower case alike, in any column, and signs of the database's own language are only signs."""
    _fill(
        store,
        [
            {"site": "elm-1", "customer": "First person", "phone": "555-77"},
            {"site": "elm-2", "customer": "Second person 100%", "address": "Elm Street 2"},
            {"site": "oak-1", "phone": "555-01"},
        ],
    )
    with store.read() as connection:
        page = queries.search(connection, OWNER, words)
    assert [row.site for row in page.rows] == found
    assert page.total == len(found)


def test_a_technician_sees_only_assigned_sites_and_booked_visits(store: Store) -> None:
    """Their own sites and those with a visit booked for them; a dropped or finished visit no longer opens a site."""
    ids = {
        login: people.add_user(store, login, login, Role.TECHNICIAN, "long enough words", by="test", now=NOON)
        for login in ("kim", "lou")
    }
    kim = Viewer(id=ids["kim"], login="kim", name="Kim", role=Role.TECHNICIAN)
    stands = [("locked-rotor", NOON)]
    _fill(
        store,
        [
            {"site": "own", "technician_id": ids["kim"], "stands": stands, "plan_visit_due": "2026-07-01"},
            {"site": "visit", "technician_id": ids["lou"], "stands": stands, "plan_visit_due": "2026-07-01"},
            {"site": "other", "technician_id": ids["lou"], "stands": stands, "plan_visit_due": "2026-07-01"},
        ],
    )
    with store.write() as connection:
        booked = visits.book(
            connection, OWNER, "visit", kind="repair", due_day="2026-07-14", technician_id=kim.id, now=NOON
        )
    later = NOON + 10 * 86400

    def seen() -> list[set[str]]:
        with store.read() as connection:
            return [
                {case.site for case in queries.morning(connection, kim, NOON).rows},
                {row.site for row in queries.search(connection, kim, "").rows},
                {row.site for row in queries.due(connection, kim, NOON).rows},
                {row.site for row in queries.silent(connection, kim, later).rows},
                {name for name in ("own", "visit", "other") if queries.site(connection, kim, name)},
                {line.split(",")[0] for line in list(season.plan_csv(connection, kim, _SPAN, later))[1:]},
                {n for n in ("own", "visit", "other") if _document(connection, kim, n)},
            ]

    assert seen() == [{"own", "visit"}] * 7
    with store.write() as connection:
        visits.drop(connection, kim, booked, text="", now=NOON)
    assert seen() == [{"own"}] * 7
    with store.write() as connection:
        other = visits.book(
            connection, OWNER, "other", kind="repair", due_day="2026-07-14", technician_id=ids["lou"], now=NOON
        )
    with store.read() as connection:
        assert visits.one(connection, kim, other) is None
    with pytest.raises(CommandError, match="yours"), store.write() as connection:
        visits.drop(connection, kim, other, text="", now=NOON)
    with pytest.raises(CommandError, match="may see"), store.read() as connection:
        queries.site_id(connection, kim, "other")


_SPAN = SeasonSpan.of("2026-07-01", "2026-07-31")


def _document(connection: sa.Connection, viewer: Viewer, site: str) -> Any:
    return season.customer_document(connection, viewer, site, _SPAN, company="Test", scale="C", now=NOON + 1e6)


def test_site_page_has_what_the_monitor_said(store: Store) -> None:
    """State, what stands, history, days and the newest unit message come together."""
    ensure_months(store, coming_months(NOON))
    _fill(store, [{"site": "a", "unit": {"compressor_rla_a": 12.8, "compressor_lra_a": 68.0}}])
    raws = [payloads.finding("a", 1, "raised"), payloads.cycle("a", 1), payloads.unit("a", break_at="contacts")]
    writer(store).write(received(raws), NOON)
    with store.read() as connection:
        page = queries.site(connection, OWNER, "a")
        assert queries.site(connection, OWNER, "b") is None
    assert page is not None
    assert page.unit is not None
    assert (page.unit.compressor_rla_a, page.outdoor_c, page.cycle) == (12.8, 34.5, "idle")
    assert [row.finding for row in page.stands] == ["call-without-pull-in"]
    assert [row.seq for row in page.history] == [1]
    assert [row.cycles for row in page.days] == [1]
    assert msgspec.json.decode(page.snapshot or "")["break_at"] == "contacts"


def test_first_suspects_are_scored_by_what_it_really_was(store: Store) -> None:
    """Right, among the suspects, and neither, by finding and together; a plan visit does not count."""
    _fill(store, [{"site": "a"}])
    cases = [
        ("locked-rotor", ("run-capacitor", "compressor-locked"), "run-capacitor"),
        ("locked-rotor", ("run-capacitor", "compressor-locked"), "compressor-locked"),
        ("locked-rotor", ("run-capacitor",), visits.OTHER),
        ("short-cycling", ("thermostat",), "thermostat"),
        ("short-cycling", ("thermostat",), ""),
        ("", (), "coil-open"),
    ]
    with store.write() as connection:
        for finding, suspects, was in cases:
            booked = visits.book(
                connection,
                OWNER,
                "a",
                kind="repair",
                due_day="2026-07-14",
                technician_id=None,
                finding=finding,
                suspects=suspects,
                now=NOON,
            )
            visits.finish(connection, OWNER, booked, was=was, used=["a part"], text="", now=NOON)
        rows = {row.finding: row[1:4] for row in visits.score(connection, OWNER)}
        assert rows == {"locked-rotor": (3, 1, 2), "short-cycling": (1, 1, 1), "": (4, 2, 3)}
        assert visits.score(connection, OWNER, since=NOON + 1) == []


@pytest.mark.parametrize(("right", "of"), [(81, 263), (15, 148), (0, 20), (1, 29), (7, 7)])
def test_interval_of_a_share_is_wilsons(right: int, of: int) -> None:
    """Against scipy's own, on the cases of R. G. Newcombe, Statistics in Medicine 17 (1998) 857."""
    expected = scipy.stats.binomtest(right, of).proportion_ci(method="wilson")
    assert visits.wilson(right, of) == pytest.approx((expected.low, expected.high), abs=1e-6)


_STEPS = [
    ("raised", "line-supply-lost", 0.0),
    ("raised", "locked-rotor", 1.0),
    ("cleared", "line-supply-lost", 3.0),
    ("cleared", "locked-rotor", 5.0),
    ("raised", "high-running-current", 6.0),
    ("cleared", "high-running-current", 30.0),
    ("raised", "high-running-current", 35.0),
    ("cleared", "high-running-current", 36.0),
    ("raised", "control-power-lost", 40.0),
]


def test_season_of_a_site_in_a_document_and_in_the_plan(store: Store) -> None:
    """Runs, hours, findings and the hours without cooling (overlaps once, one still standing up to now) agree with the
    same sums made by hand, in the CSV and in the customer's document; no cell can be a formula."""
    ensure_months(store, coming_months(NOON))
    _fill(store, [{"site": "a", "name": "=1+1", "customer": "A person"}, {"site": "b"}])
    hour = 3600.0
    raws = [
        payloads.finding("a", seq, change, finding, wall_s=NOON + hours * hour)
        for seq, (change, finding, hours) in enumerate(_STEPS, 1)
    ]
    raws += [payloads.cycle("a", seq, wall_s=NOON - seq * hour, run_s=1800.0) for seq in range(1, 5)]
    now = NOON + 42 * hour
    writer(store).write(received(raws, now), now)
    span = SeasonSpan.of("2026-07-01", "2026-07-31")
    with store.read() as connection:
        lines = list(season.plan_csv(connection, OWNER, span, now))
        document = season.customer_document(connection, OWNER, "a", span, company="Test", scale="F", now=now)
    values = dict(zip(season.HEADER, lines[1].strip().split(","), strict=True))
    assert values["name"] == "'=1+1"
    assert (values["cycles"], values["run_h"], values["findings"]) == ("4", "2.0", "5")
    assert float(values["hours_without_cooling"]) == 5.0 + 2.0
    assert lines[2].startswith("b,b,")
    assert document is not None
    assert "4 times on 1 days, 2 hours" in str(document)
    assert "could not cool for 7 h" in str(document)
    found = [block for block in document.blocks if isinstance(block, Table)]
    assert len(found[1].rows) == 4
    assert [row[2] for row in found[1].rows] == ["1", "1", "2", "1"]
    assert found[1].rows[2][3] == texts.span(25 * hour)
    assert found[1].rows[-1][3] == f"{texts.span(2 * hour)}, still stands"


def _episode(number: int, lead: str, since_h: float, over_h: float | None = None, **more: Any) -> dict[str, Any]:
    """An episode as a monitor tells it in its `unit` message."""
    story = Episode(
        id=f"episode-{number}",
        lead=lead,
        findings=(lead, *more.pop("with_", ())),
        severity=Severity.URGENT,
        level=2,
        state=EpisodeState.ACTIVE if over_h is None else EpisodeState.OVER,
        since_s=0.0,
        since_wall_s=NOON + since_h * 3600.0,
        over_wall_s=None if over_h is None else NOON + over_h * 3600.0,
    )
    return {**msgspec.to_builtins(story), **more}


def _told(store: Store, now: float, tenant: int | None = None) -> list[list[str]]:
    with store.read() as connection:
        span = SeasonSpan.of("2026-07-01", "2026-07-31")
        document = season.customer_document(
            connection, OWNER, "a", span, company="Test", scale="C", now=now, tenant=tenant
        )
    assert document is not None
    tables = [block.rows for block in document.blocks if isinstance(block, Table) and block.head[0] == "What"]
    return [[" / ".join(row) for row in rows] for rows in tables]


def test_season_is_told_by_the_episodes_that_the_household_was_told(store: Store) -> None:
    """A line an episode: with what joined it and what people said; merged ones and the same one under a new origin
    once; beside it only findings that belong to none. What the newest message does not speak of any more stays."""
    _fill(store, [{"site": "a", "customer": "A person"}])
    ensure_months(store, coming_months(NOON))
    hour = 3600.0
    steps = [("raised", "locked-rotor", 1.0), ("raised", "overload-cycling", 2.0), ("raised", "short-cycling", 2.5)]
    raws = [
        payloads.finding("a", seq, change, finding, wall_s=NOON + at_h * hour)
        for seq, (change, finding, at_h) in enumerate(steps, 1)
    ]
    first = _episode(1, "locked-rotor", 1.0, with_=("overload-cycling",))
    units: list[tuple[float, str, list[dict[str, Any]]]] = [
        (1.5, "o1", [_episode(1, "locked-rotor", 1.0), _episode(2, "overload-cycling", 2.0)]),
        (3.0, "o1", [{**first, "merged": ["episode-2"], "answered_by": "Sam", "visit_day": "2026-07-16"}]),
        (30.0, "o2", [{**first, "merged": ["episode-2"], "over_wall_s": NOON + 29 * hour, "state": "over"}]),
        (90.0, "o2", [_episode(3, "a-finding-to-come", 80.0)]),
    ]
    for at_h, origin, stories in units:
        raws.append(payloads.unit("a", wall_s=NOON + at_h * hour, origin=origin, sent={}, episodes=stories))
        writer(store).write(received(raws, NOON + at_h * hour), NOON + at_h * hour)
        raws = []
    told, besides = _told(store, NOON + 91 * hour)
    assert len(told) == 2
    assert texts.TOLD["locked-rotor"].headline in told[0]
    assert texts.TOLD["overload-cycling"].headline.rstrip(".") in told[0]
    assert "A finding to come." in told[1]
    assert told[1].endswith("/ Active")
    assert [line.split(" / ")[0] for line in besides] == [texts.FINDINGS["short-cycling"].headline]
    with store.read() as connection:
        lines = list(season.plan_csv(connection, OWNER, SeasonSpan.of("2026-07-01", "2026-07-31"), NOON + 91 * hour))
    assert dict(zip(season.HEADER, lines[1].strip().split(","), strict=True))["episodes"] == "2"


def test_season_of_a_former_tenant_says_nothing_of_the_next_ones_answers(store: Store) -> None:
    """What was open when the house changed hands is told to the former as it was; to the next, what began since."""
    _fill(store, [{"site": "a", "customer": "The first"}])
    day_h = 24.0
    old, new = _episode(1, "locked-rotor", 1.0), _episode(2, "fan-not-running", 3 * day_h)
    writer(store).write(received([payloads.unit("a", wall_s=NOON + 7200, episodes=[old])], NOON + 7200), NOON)
    with store.write() as connection:
        tenants.change(connection, OWNER, "a", customer="The next", phone="", plan="", now=NOON + day_h * 3600)
    later = NOON + 4 * day_h * 3600
    raw = payloads.unit("a", wall_s=later, episodes=[{**old, "answered_by": "Next of kin"}, new])
    writer(store).write(received([raw], later), later)
    with store.read() as connection:
        former = tenants.of_site(connection, 1)
    number = next(one.number for one in former if one.customer == "The first")
    ((before,),) = _told(store, later, tenant=number)
    assert texts.TOLD["locked-rotor"].headline in before
    assert "Next of kin" not in before
    ((since,),) = _told(store, later)
    assert texts.TOLD["fan-not-running"].headline in since


def test_what_went_quiet_unrepaired_stays_in_sight(store: Store) -> None:
    """Urgent, nothing of it stands any more, not over: listed, by age; not where something urgent stands, not what the
    monitor has ended or forgotten, and only to who may see the site."""
    names = ["quiet", "said", "stands", "over", "forgotten", "mild", "other"]
    _fill(store, [{"site": name, "customer": f"Of {name}"} for name in names])
    quiet = {"state": "quiet-not-repaired"}
    told: dict[str, list[dict[str, Any]]] = {
        "quiet": [{**_episode(1, "locked-rotor", 2.0), **quiet}],
        "said": [{**_episode(1, "fan-not-running", 1.0), "state": "said-to-be-repaired", "repaired_by": "Sam"}],
        "stands": [_episode(1, "locked-rotor", 1.0), {**_episode(2, "fan-not-running", 1.0), **quiet}],
        "over": [_episode(1, "locked-rotor", 1.0, over_h=2.0)],
        "forgotten": [{**_episode(1, "locked-rotor", 1.0), **quiet}],
        "mild": [{**_episode(1, "long-run", 1.0), **quiet, "severity": "watch"}],
    }
    raws = [payloads.unit(name, wall_s=NOON + 9000, episodes=stories) for name, stories in told.items()]
    raws.append(payloads.finding("stands", 1, "raised", "locked-rotor", wall_s=NOON + 3600))
    raws.append(payloads.unit("forgotten", wall_s=NOON + 9060, origin="o2"))
    for raw in raws:
        ensure_months(store, coming_months(NOON))
        writer(store).write(received([raw], NOON + 9100), NOON + 9100)
    with store.read() as connection:
        assert [case.site for case in queries.quiet(connection, OWNER)] == ["said", "quiet"]
        assert queries.quiet(connection, OWNER)[0].episode.repaired_by == "Sam"
        nobody = Viewer(id=77, login="kim", name="Kim", role=Role.TECHNICIAN)
        assert queries.quiet(connection, nobody) == []


@pytest.mark.parametrize("told", [[{"id": "episode-1"}], "none", [[[]]], [{"id": 7}]])
def test_episodes_that_cannot_be_read_cost_nothing_else(store: Store, told: Any) -> None:
    """The rest of the `unit` message is taken."""
    _fill(store, [{"site": "a"}])
    writes = writer(store).write(received([payloads.unit("a", break_at="contacts", episodes=told)]), NOON)
    assert not writes.asides
    assert not writes.episodes
    with store.read() as connection:
        assert connection.scalar(sa.select(state.c.break_at)) == "contacts"


def test_season_as_pdf_can_be_read_again(store: Store) -> None:
    """pypdf, which nobody here made, finds the words in the file."""
    pypdf = importlib.import_module("pypdf")
    pdf = importlib.import_module("condenser_monitor.monitor.report.pdf")
    from io import BytesIO

    _fill(store, [{"site": "a", "customer": "A person"}])
    with store.read() as connection:
        document = _document(connection, OWNER, "a")
    text = pypdf.PdfReader(BytesIO(pdf.pdf(document))).pages[0].extract_text()
    assert "Your air conditioner" in text
    assert "Nothing was recorded" in text


@pytest.mark.parametrize(
    ("first", "last"), [("x", "2026-01-01"), ("2026-02-01", "2026-01-01"), ("2024-01-01", "2026-01-01")]
)
def test_seasons_that_are_none_are_refused(first: str, last: str) -> None:
    """No day, the wrong way round, too long."""
    with pytest.raises(CommandError):
        SeasonSpan.of(first, last)


def test_season_of_this_year_ends_today() -> None:
    """From the first of January, in UTC."""
    assert SeasonSpan.this_year(datetime(2026, 7, 14, 1, tzinfo=UTC).timestamp()) == ("2026-01-01", "2026-07-14")
