"""The feed of a technician's visits, read by hand against RFC 5545, and who may open it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import icalendar
import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.fleet import people
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import calendars, visits
from tests.fleet.office import Office, post


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    """An office of the test's own; its first visit, kim's, has a note with everything that is escaped."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    made = Office(store)
    with store.write() as connection:
        text = "gate code; 4, then\n\\ring " + "älter " * 30
        connection.execute(sa.update(visits).where(visits.c.id == made.visits[0]).values(note=text))
    yield made
    store.close()


def _address(office: Office, login: str) -> str:
    answer = post(office.client(login), "/visits", "/calendar")
    found = re.search(r"http://localhost(/calendar/[^<]+\.ics)", answer.text)
    assert found is not None
    return found[1]


def test_a_technicians_booked_visits_are_whole_days_of_a_calendar(office: Office) -> None:
    """Lines of at most 75 octets that end in CRLF (3.1), whole days that end on the day after (3.6.1), one UID each
    (3.8.4.7), text that comes back as it was (3.3.11); no visit of somebody else's, and no note on health."""
    answer = office.app.test_client().get(_address(office, "kim"))
    assert answer.content_type == "text/calendar; charset=utf-8"
    lines = answer.data.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    assert b"\n" not in answer.data.replace(b"\r\n", b"")
    assert (lines[0], lines[-2], lines[-1]) == (b"BEGIN:VCALENDAR", b"END:VCALENDAR", b"")
    assert lines.count(b"DTSTART;VALUE=DATE:20260517") == lines.count(b"DTEND;VALUE=DATE:20260518") == 2
    unfolded = answer.data.replace(b"\r\n ", b"").decode()
    assert "gate code\\; 4\\, then\\n\\\\ring älter" in unfolded
    events = icalendar.Calendar.from_ical(answer.data).walk("VEVENT")
    assert len({str(event["uid"]) for event in events}) == 2
    assert {str(event["location"]) for event in events} == {"Elm Street 4", "Hill Road 12"}
    assert "oxygen" not in unfolded
    assert "Quay 7" not in unfolded


def test_an_address_opens_one_feed_until_it_is_made_again_or_its_person_is_shut_out(office: Office) -> None:
    """The secret is kept as a hash; it opens nothing else."""
    first = _address(office, "kim")
    second = _address(office, "kim")
    browser = office.app.test_client()
    assert [browser.get(path).status_code for path in (first, second, "/calendar/wrong.ics")] == [401, 200, 401]
    assert browser.get("/visits").status_code == 302
    with office.store.read() as connection:
        assert second[10:-4] not in str(connection.execute(sa.select(calendars)).all())
    people.set_active(office.store, "kim", False, by="owner", now=office.now)
    assert browser.get(second).status_code == 401
