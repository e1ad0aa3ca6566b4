"""What a homeowner is shown on the pages: looks from outside, and no repair orders."""

from __future__ import annotations

import re
from html import unescape

import pytest
from flask.testing import FlaskClient

from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import SITUATIONS
from condenser_monitor.monitor.diagnosis.visit.session import SYMPTOMS
from condenser_monitor.monitor.strings import texts
from tests.size import one_in
from tests.web.conftest import csrf, technician

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


@one_in(4)
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


def test_a_homeowner_confirms_only_what_is_left_or_something_else(client: FlaskClient) -> None:
    """A technician may name any cause in the trade; a list of fifty is no question for a house."""

    def causes() -> list[str]:
        form = unescape(client.get("/checks").get_data(as_text=True)).split('name="was"')[1].split("</select>")[0]
        return re.findall(r'<option value="([^"]+)"', form)

    client.post("/checks/begin", data={"csrf": csrf(client), "start": "no-cooling", "who": "homeowner"})
    assert causes()[-1] == "other"
    assert len(causes()) <= 5
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "no-cooling", **technician(client)})
    assert set(causes()) == {*SUSPECTS, "other"}


def test_a_technicians_visit_prints_what_repairs_each_suspect(client: FlaskClient) -> None:
    """Who begins as a technician reads it."""
    client.post("/checks/begin", data={"csrf": csrf(client), "start": "call-without-pull-in", **technician(client)})
    assert "coil-open" in repairs_on(client, "/checks")


def begun(client: FlaskClient, **form: str) -> str:
    data = {"csrf": csrf(client), "start": "call-without-pull-in", **form}
    answer = client.post("/checks/begin", data=data, follow_redirects=True)
    return unescape(answer.get_data(as_text=True))


def test_nobody_becomes_a_technician_by_saying_so(client: FlaskClient) -> None:
    """Without a code, or with a wrong one, no visit begins; with one, typed in any case, it does, under its name."""
    technician(client)
    for code in ("", "AAAA-BBBB-CCCC"):
        assert "enter the code that the owner gave you" in begun(client, who="technician", code=code)
        assert repairs_on(client, "/checks") == []
    form = technician(client)
    begun(client, who="technician", code=form["code"].lower().replace("-", " "))
    assert "coil-open" in repairs_on(client, "/checks")


def test_a_code_that_is_revoked_ends_a_technicians_rights_at_once(client: FlaskClient) -> None:
    """The visit goes on as a homeowner's: no repairs, and no check inside a cabinet though its address is known."""
    begun(client, **technician(client))
    shown = unescape(client.get("/checks?check=coil-ohms").get_data(as_text=True))
    assert CHECKS["coil-ohms"].steps[1] in shown
    access = client.application.extensions["window"].access
    access.revoke(access.tokens()[0].name)
    shown = unescape(client.get("/checks?check=coil-ohms").get_data(as_text=True))
    assert CHECKS["coil-ohms"].steps[1] not in shown
    assert repairs_on(client, "/checks") == []


def test_codes_cannot_be_guessed(client: FlaskClient) -> None:
    """A few wrong ones, and the right one waits too; a code is no token for programs."""
    form = technician(client)
    for _ in range(8):
        begun(client, who="technician", code="AAAA-BBBB-CCCC")
    assert "Too many wrong codes" in begun(client, **form)
    assert client.application.extensions["window"].access.token_right(form["code"]) is None


def test_a_breaker_is_not_to_be_set_again_behind_a_rotor_that_does_not_turn() -> None:
    """A technician measures to ground first."""
    assert "breakers" not in texts.FINDINGS["locked-rotor"].look
    assert "Leave it alone" in texts.LOOK["breaker-left"]
    for name, text in texts.FINDINGS.items():
        shown = texts.look(name, ("locked-rotor", name))
        assert texts.LOOK["breakers"] not in shown
        assert "on again" not in text.do


def test_a_breaker_that_tripped_under_a_call_is_left_for_a_technician() -> None:
    """A winding to ground trips it at the start; one that went while nothing ran may be set once."""
    assert texts.LOOK["breaker-left"] in texts.look("line-supply-lost", evidence={"supply": False, "call": True})
    assert texts.LOOK["breakers"] in texts.look("line-supply-lost", evidence={"supply": False, "call": False})


def test_the_drain_is_looked_at_first_where_a_float_switch_can_be_it() -> None:
    """Before breakers and thermostats: the usual cause on a humid day, and one that a homeowner may see. Not where it
    is far-fetched but for a mark: of a compressor that stalls after a blink of the call, the stall comes first."""
    usual = {name: [c.suspect for c in row.causes if not c.marks] for name, row in SITUATIONS.items()}
    floats = [name for name, suspects in usual.items() if "float-switch" in suspects]
    assert "call-not-reaching-unit" in floats
    assert [name for name in floats if texts.FINDINGS[name].look[0] != "drain"] == []


def test_ice_is_thawed_before_anything_is_judged() -> None:
    """With the cooling off and the fan on; the charge is never judged on an iced coil."""
    assert "cooling off and the fan on" in texts.LOOK["ice"]
    assert all("iced" in " ".join(CHECKS[name].steps) for name in ("charge", "superheat", "subcooling"))
