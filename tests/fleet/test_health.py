"""That the office says when it cannot be trusted: stopped or lagging ingest, silent monitors, disk; in words, as an
exit status, and as numbers that another program reads."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import msgspec
import pytest
import sqlalchemy as sa
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from condenser_monitor.monitor.fleet import enroll, health, people
from condenser_monitor.monitor.fleet.health import Freshness
from condenser_monitor.monitor.fleet.setup import Broker, FleetSettings
from condenser_monitor.monitor.fleet.slots import Slots
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import api_tokens, sites, state
from condenser_monitor.monitor.limits import FLEET
from tests.fleet.office import Office
from tests.fleet.payloads import NOON

WELL = Freshness(workers=1, lag_s=0.1, heard_at=NOON, sites=200, silent=0)


@pytest.mark.parametrize(
    ("change", "trusted"),
    [
        ({}, True),
        ({"workers": 0}, False),
        ({"lag_s": FLEET.lag_s.value + 1}, False),
        ({"silent": 4}, True),  # each one's own fault
        ({"silent": 12}, False),
        ({"silent": 5, "sites": 1000}, True),
        ({"lag_s": None}, True),  # a worker of the version before does not say
    ],
    ids=str,
)
def test_a_list_may_be_calm_only_while_ingest_is_and_the_monitors_speak(
    change: dict[str, object], trusted: bool
) -> None:
    """Neither dead, nor late, nor deaf to a part of the plan."""
    assert msgspec.structs.replace(WELL, **change).trusted is trusted


def test_freshness_counts_who_is_silent_and_how_far_ingest_is_behind(store: Store) -> None:
    """Off for longer than a restart takes, or not heard of for longer than a working monitor stays quiet; revoked sites
    are not counted."""
    for name in ("well", "off", "restarting", "quiet", "revoked"):
        enroll.enroll(store, name, broker=Broker(), by="test", now=NOON)
    late = NOON + 3 * 86400
    enroll.revoke(store, "revoked", by="test", now=late)
    keys = {"well": (True, late), "off": (False, late), "restarting": (False, late), "quiet": (None, NOON)}
    at = {"well": NOON, "off": late - FLEET.silent_s.value - 1, "restarting": late - 5, "quiet": NOON}
    with store.write() as connection:
        for name, (online, heard_at) in keys.items():
            key = sa.select(sites.c.id).where(sites.c.site == name).scalar_subquery()
            change = sa.update(state).where(state.c.site_id == key)
            connection.execute(change.values(online=online, online_at=at[name], heard_at=heard_at))
    with Slots(store) as slots:
        slots.beat([0], late, {}, late - 40.0)
        with store.read() as connection:
            found = health.freshness(connection, late + 1)
            later = health.freshness(connection, late + 3600)
    assert found == Freshness(workers=1, lag_s=40.0, heard_at=late, sites=4, silent=2)
    assert found.behind
    assert (later.workers, later.trusted) == (0, False)


def test_a_disk_nearly_full_is_a_problem_named_with_its_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """free_least_mb is what `check` wants."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    usage = SimpleNamespace(free=150e6)
    monkeypatch.setattr("shutil.disk_usage", lambda _place: usage)
    found = health.health(store, FleetSettings(), NOON, ask_broker=False)
    assert [problem for problem in found.problems if "150 MB are free" in problem]
    usage.free = 1e9
    assert not [p for p in health.health(store, FleetSettings(), NOON, ask_broker=False).problems if "disk" in p]
    store.close()


@pytest.fixture
def office(tmp_path: Path) -> Office:
    """An office of the test's own; no worker lives."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    return Office(store)


def test_every_page_says_that_ingest_has_stopped_and_none_is_calm(office: Office) -> None:
    """And, once a worker lives, how fresh the news is and what share of monitors is silent."""
    browser = office.client("owner")
    pages = ("/", "/visits", "/drifting", "/silent", "/due", "/sites", "/site/load-000001", "/ingest", "/people")
    for page in pages:
        assert "Ingest has stopped" in browser.get(page).text, page
    assert "No monitor reports" not in browser.get("/").text
    with Slots(office.store) as slots:
        slots.beat([0], office.now, {}, office.now)
        for page in pages:
            assert "Ingest is up to date" in browser.get(page).text, page
            assert "of 6 monitors silent" in browser.get(page).text, page
        assert office.app.test_client().get("/healthz").status_code == 200


def test_metrics_are_open_metrics_and_for_the_scope_alone(office: Office) -> None:
    """Read by the reference parser of the format; a token without the scope is refused, and no session will do."""
    reads = people.add_token(office.store, "reader", ["read"], by="test", now=NOON)
    measures = people.add_token(office.store, "grafana", ["metrics"], by="test", now=NOON)
    program = office.app.test_client()
    for token, status in (("", 401), ("wrong", 401), (reads, 403)):
        assert program.get("/metrics", headers={"Authorization": f"Bearer {token}"}).status_code == status
    assert office.client("owner").get("/metrics").status_code == 401
    answer = program.get("/metrics", headers={"Authorization": f"Bearer {measures}"})
    assert answer.content_type.startswith("application/openmetrics-text; version=1.0.0")
    found = {family.name: family for family in text_string_to_metric_families(answer.text)}
    assert found["condenser_fleet_sites"].samples[0].value == 6
    assert found["condenser_fleet_workers"].samples[0].value == 0
    assert found["condenser_fleet_problems"].samples[0].value >= 1
    assert {sample.labels["severity"] for sample in found["condenser_fleet_findings"].samples} <= {
        "urgent",
        "soon",
        "watch",
    }
    assert program.get("/healthz").status_code == 503
    with office.store.read() as connection:
        assert measures not in str(connection.execute(sa.select(api_tokens)).all())
    people.drop_token(office.store, "grafana", by="test", now=NOON)
    assert program.get("/metrics", headers={"Authorization": f"Bearer {measures}"}).status_code == 401
