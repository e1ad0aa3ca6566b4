"""What a homeowner is shown on the pages: looks from outside, and no repair orders."""

from __future__ import annotations

from html import unescape

import pytest
from flask.testing import FlaskClient

from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.visit.session import SYMPTOMS
from condenser_monitor.monitor.strings import texts
from tests.web.conftest import csrf

REPAIRS = {name: suspect.repair for name, suspect in SUSPECTS.items()}
PAGES = ("/", "/alerts", "/checks", "/history", "/cycles", "/trends", "/health", "/settings")


def repairs_on(client: FlaskClient, path: str) -> list[str]:
    """The suspects whose repair is printed on a page."""
    shown = unescape(client.get(path, follow_redirects=True).get_data(as_text=True))
    return [name for name, repair in REPAIRS.items() if repair in shown]


@pytest.mark.parametrize("path", PAGES)
def test_no_page_prints_a_repair_before_anybody_has_begun_a_visit(client: FlaskClient, path: str) -> None:
    """The house reads these pages, with a finding standing."""
    assert repairs_on(client, path) == []


@pytest.mark.parametrize("start", [*SYMPTOMS, "call-without-pull-in"])
def test_a_homeowners_visit_prints_no_repair_and_no_check_that_opens_anything(client: FlaskClient, start: str) -> None:
    """From each symptom, through every check that is offered."""
    client.post("/checks/begin", data={"csrf": csrf(client), "start": start, "who": "homeowner"})
    for _ in CHECKS:
        shown = unescape(client.get("/checks").get_data(as_text=True))
        assert not [name for name, repair in REPAIRS.items() if repair in shown]
        offered = [name for name, check in CHECKS.items() if f'name="check" value="{name}"' in shown]
        asked = [name for name in offered if "/checks/answer" in shown.split(f'value="{name}"')[0][-400:]]
        if not asked:
            return
        assert all(CHECKS[name].who == "homeowner" for name in asked)
        check = CHECKS[asked[0]]
        data = {"csrf": csrf(client), "check": check.name, "typed": check.sound or check.symbols[0]}
        client.post("/checks/answer", data=data)


def test_a_technicians_visit_prints_what_repairs_each_suspect(client: FlaskClient) -> None:
    """Who begins as a technician reads it."""
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-without-pull-in", "who": "technician"})
    assert "coil-open" in repairs_on(client, "/checks")


def test_a_breaker_is_not_to_be_set_again_behind_a_rotor_that_does_not_turn() -> None:
    """A technician measures to ground first."""
    assert "breakers" not in texts.FINDINGS["locked-rotor"].look
    assert "Leave it alone" in texts.LOOK["breaker-left"]
