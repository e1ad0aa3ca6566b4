"""Alerts on the command line, over a history that a service answers."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.records import EpisodeState
from condenser_monitor.monitor.terminal import alerts, say
from tests.monitor import units
from tests.web import filled
from tests.web.conftest import app_of

SETTINGS = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
DEAD = units.but(units.RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[filled.Site]:
    """A unit that does not pull in; the service answers each request as soon as it is left."""
    made = filled.from_scans(tmp_path / "site", SETTINGS, units.scans((20, units.REST), (60, DEAD)), end_s=79.0)
    put = made.history.add_request

    def answered(request: object, source: str = "page") -> object:
        put(request, source)  # type: ignore[arg-type]
        made.work()
        return made.history.answer(request.id)  # type: ignore[attr-defined]

    monkeypatch.setattr(made.history, "add_request", answered)
    yield made
    made.history.close()


def said(site: filled.Site, what: str = "", name: str = "episode-1", **more: object) -> tuple[int, str]:
    out = io.StringIO()
    if not what:
        return alerts.listed(site.history, out), out.getvalue()
    return alerts.answer(site.history, out, what, name, by="Sam", **more), out.getvalue()  # type: ignore[arg-type]


def test_the_list_names_what_can_be_answered(site: filled.Site) -> None:
    """The episode with what it is; exit status 1 as it is open."""
    code, text = said(site)
    assert code == 1
    assert text.startswith("episode-1 (urgent, active")
    assert "contactor does not switch it on" in text


def test_answers_are_done_and_shown(site: filled.Site) -> None:
    """Acknowledged with the day of the visit; snoozed; said to be repaired."""
    assert said(site, "acknowledge", day="2026-07-16") == (0, "Done.\n")
    assert "answered by Sam; a technician comes on Thu Jul 16" in said(site)[1]
    assert said(site, "snooze", hours=24.0) == (0, "Done.\n")
    assert said(site, "repaired", "call-without-pull-in") == (0, "Done.\n")
    status = site.history.status()
    assert status is not None
    assert status.episodes[0].repaired_by == "Sam"
    assert status.episodes[0].state is EpisodeState.ACTIVE  # it stands; the word waits for the next call


def test_what_cannot_be_done_is_refused_with_the_reason(site: filled.Site) -> None:
    """An unknown name, a day that is none."""
    code, text = said(site, "repaired", "episode-9")
    assert code == 1
    assert "episode-9" in text
    assert "a date as YYYY-MM-DD" in said(site, "acknowledge", day="Thursday")[1]


def test_a_long_line_is_told_to_its_end(site: filled.Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of what belongs to an episode is left out; a terminal wraps it."""
    told = "With it: " + "; ".join(["the signal isn't reaching the outdoor unit"] * 12)
    monkeypatch.setattr(alerts, "besides", lambda _: [told])
    assert f"  {told}\n" in said(site)[1]


def test_who_acknowledged_an_alert_is_not_said_to_have_snoozed_it(site: filled.Site) -> None:
    """Sam acknowledged, Ada snoozed: neither the terminal nor the report says that Sam did it."""
    said(site, "acknowledge")
    assert alerts.answer(site.history, io.StringIO(), "snooze", "episode-1", by="Ada", hours=24.0) == 0
    status = site.history.status()
    assert status is not None
    assert status.alerts[0].acked_by == "Sam"
    out = io.StringIO()
    say.status(site.history, site.settings, out)
    assert "snoozed" in out.getvalue()
    assert "snoozed by Sam" not in out.getvalue()
    read = app_of(site).test_client().get("/report/read").get_data(as_text=True)
    assert "snoozed" in read
    assert "snoozed, by Sam" not in read
