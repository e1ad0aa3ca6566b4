"""The terminal: one look, following, explanations, the guided diagnosis; into a pipe and onto a terminal of a size."""

from __future__ import annotations

import io
import os
import pty
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC
from pathlib import Path
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.monitor.strings.calm import calm
from condenser_monitor.monitor.terminal import say as terminal
from condenser_monitor.monitor.terminal import text as terminal_text
from condenser_monitor.monitor.terminal.text import explain
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
    but,
    scans,
)
from tests.web import filled

DEAD = but(RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
SETTINGS = Settings(unit=UNIT, senses=SensorSettings(fitted=ALL))


@pytest.fixture
def site(tmp_path: Path) -> Iterator[filled.Site]:
    """A unit with a call that its open coil does not follow."""
    made = filled.from_scans(tmp_path / "site", SETTINGS, scans((60, REST), (120, DEAD)), end_s=179.0)
    yield made
    made.history.close()


@pytest.fixture
def healthy(tmp_path: Path) -> Iterator[filled.Site]:
    made = filled.from_scans(tmp_path / "fine", SETTINGS, scans((60, REST), (300, RUN)), end_s=359.0)
    yield made
    made.history.close()


def said(run: Callable[..., int], *given: Any, **more: Any) -> tuple[int, str]:
    """Exit status and output."""
    out = io.StringIO()
    return run(*given, out, **more), out.getvalue()


# ---------------------------------------------------------------- status


def test_status_shows_chain_break_what_to_do_and_what_to_say(site: filled.Site) -> None:
    """One look: exit status 1 as something stands."""
    code, text = said(terminal.status, site.history, SETTINGS, zone=UTC)
    assert code == 1
    assert "  [#] Call at unit    arrives       25.4 V" in text
    assert "  [ ] Contactor coil  no current    0.00 A  <-- the break" in text
    assert "URGENT: The outdoor unit is asked to cool, but its contactor does not switch it on." in text
    assert "contactor coil open (burnt out)" in text
    assert "Do not touch:" in text
    assert "Read this to the technician:" in text
    assert "alert call-without-pull-in: not acknowledged" in text


def test_status_of_a_healthy_unit_is_short(healthy: filled.Site) -> None:
    """Exit status 0; all is well; nothing about the monitor, as nothing is wrong with it."""
    code, text = said(terminal.status, healthy.history, SETTINGS, zone=UTC)
    assert code == 0
    assert "All is well. The unit is cooling." in text
    assert "The monitor itself" not in text
    assert text.splitlines()[0].startswith("Unnamed unit: cooling")


def test_status_asks_about_what_the_unit_seems_to_do_by_design(tmp_path: Path) -> None:
    """A wait of three minutes in each cycle: the question, and the line of the site file that answers it."""
    waits = scans(*[(300, REST), (180, DEAD), (300, RUN)] * 5)
    made = filled.from_scans(tmp_path / "waits", SETTINGS, waits, end_s=3899.0)
    _, text = said(terminal.status, made.history, SETTINGS)
    made.history.close()
    assert "It looks as if a timer holds this unit off" in text
    assert "If so, write [unit] delay_on_make_s = 180 in the site file." in text


def test_status_that_is_old_is_not_the_state_now(site: filled.Site) -> None:
    """Exit status 4; every link unknown, no reading, no break."""
    site.hands.forward(600)
    code, text = said(terminal.status, site.history, SETTINGS)
    assert code == 4
    assert "The monitor isn't receiving readings: the last one is 10 min old." in text
    assert text.count("[?]") == 8
    assert "<-- the break" not in text
    assert not any("25.4 V" in line for line in text.splitlines() if "[" in line)


def test_status_before_anything_was_seen(history: History) -> None:
    """Exit status 4, and no claim."""
    assert said(terminal.status, history, SETTINGS) == (4, "The monitor has not seen the unit yet.\n")


def test_status_says_what_is_wrong_with_the_monitor(site: filled.Site) -> None:
    """A missing reading with its reason, a phone that does not take messages."""
    site.history.note("faults", '{"fan_a": "no answer from 0x49"}')
    site.history.register("phone", begin=False)
    site.history.note_error("phone", "NotifyError: json: down")
    _, text = said(terminal.status, site.history, SETTINGS)
    assert "no reading of fan current: no answer from 0x49" in text
    assert "phone: NotifyError: json: down" in text


# ---------------------------------------------------------------- watch


def test_watch_tells_each_change_once_with_its_time(healthy: filled.Site) -> None:
    """Into a pipe: the first look, then a line a change; nothing where nothing changes."""
    steps = iter(
        [
            lambda: None,
            lambda: healthy.feed(scans((60, DEAD), from_s=360.0), filled.NOW_S - 359.0),
            lambda: None,
            lambda: healthy.feed(scans((60, REST), from_s=420.0), filled.NOW_S - 359.0),
        ]
    )
    code, text = said(
        *(terminal.watch, healthy.history, SETTINGS),
        every_s=1.0,
        seconds=4.0,
        sleep=lambda _: next(steps)(),
        wall=lambda: filled.NOW_S,
        zone=UTC,
    )
    assert code == 1  # what came and went is not known to be repaired
    lines = text.splitlines()
    after = lines[lines.index("Following; each change is one line. Ctrl-C ends.") + 1 :]
    assert "6:00:00 PM  Contactor coil: no current, 0.00 A" in after
    # stopped in a run with 24 V at Y: a switch between there and the coil opens by itself, a coil seldom does
    assert any(
        "URGENT call-without-pull-in:" in line and "first:" in line and "pressure switch" in line for line in after
    )
    assert after[-2:] == [
        "6:00:00 PM  over: call-without-pull-in",
        "6:00:00 PM  now: quiet, not known to be repaired",
    ]
    assert len(after) == len(set(after))
    assert "\r" not in text


def test_watch_says_when_the_monitor_goes_blind_and_sees_again(healthy: filled.Site) -> None:
    """Once each; exit status 4 where it ends blind."""
    steps = iter([lambda: healthy.hands.forward(60), lambda: None])
    code, text = said(
        *(terminal.watch, healthy.history, SETTINGS), seconds=2.0, sleep=lambda _: next(steps)(), wall=lambda: 0.0
    )
    assert code == 4
    assert text.count("the monitor isn't receiving readings") == 1


def test_watch_ends_in_order_when_interrupted(healthy: filled.Site) -> None:
    """Ctrl-C is how it ends, not an error."""

    def interrupt(_: float) -> None:
        raise KeyboardInterrupt

    assert said(terminal.watch, healthy.history, SETTINGS, sleep=interrupt)[0] == 0
    with pytest.raises(CommandError):
        said(terminal.watch, healthy.history, SETTINGS, every_s=0.0)


def heard(master: int) -> str:
    """All that came to a terminal whose other side is closed."""
    got = b""
    with suppress(OSError):  # Linux says the end so
        while part := os.read(master, 65536):
            got += part
    os.close(master)
    return got.decode()


def test_watch_on_a_terminal_shows_the_readings_in_its_last_line(healthy: filled.Site) -> None:
    """On a terminal (a pty) one line is written over and over, and taken away at the end."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as out:
        terminal.watch(healthy.history, SETTINGS, out, seconds=2.0, sleep=lambda _: None, zone=UTC)
    text = heard(master)
    assert "cooling, compressor 9.0 A, fan 1.0 A, control 25.4 V, 88 °F, all is well" in text
    assert text.rstrip(" ").endswith("\r")


def test_lines_are_wrapped_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """At 60 columns: continued under their own text; a pipe gets the whole line."""
    monkeypatch.setenv("COLUMNS", "60")
    line = "  - " + "word " * 30
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as out:
        terminal.show([line], out)
    rows = heard(master).splitlines()
    assert len(rows) > 2
    assert max(map(len, rows)) <= 60
    assert all(row.startswith("    word") for row in rows[1:])
    piped = io.StringIO()
    terminal.show([line], piped)
    assert piped.getvalue() == line + "\n"


# ---------------------------------------------------------------- explain


@pytest.mark.parametrize("name", [*CATALOGUE, *SUSPECTS, *CHECKS])
def test_every_name_of_the_catalogues_is_explained(name: str) -> None:
    """Findings, suspects and checks alike, each saying what it is."""
    kind = "finding" if name in CATALOGUE else "suspect" if name in SUSPECTS else "check"
    lines = explain(name, UNIT)
    assert lines[0].startswith(f"{name}: a {kind}")
    assert len(lines) > 2


def test_explanation_of_a_check_gives_its_cautions_before_its_steps() -> None:
    """What can kill is read first; the caution for one pole only where the unit has one."""
    lines = explain("coil-ohms", UNIT)
    first_step = next(place for place, line in enumerate(lines) if line.startswith("  1. "))
    cautions = [place for place, line in enumerate(lines) if line.startswith("  ! ")]
    assert cautions
    assert max(cautions) < first_step


def test_name_that_is_nearly_right_is_answered_with_the_near_ones() -> None:
    """'coil' names the checks and suspects that hold it, not the whole catalogue; no name lists all."""
    with pytest.raises(CommandError, match="coil-open") as caught:
        explain("coil", UNIT)
    assert "fan-not-running" not in str(caught.value)
    with pytest.raises(CommandError, match="fan-not-running"):
        explain("nonsense-name", UNIT)
    out = io.StringIO()
    assert terminal.explained(None, UNIT, out) == 0
    assert all(name in out.getvalue() for name in (*CATALOGUE, *SUSPECTS, *CHECKS))


# ---------------------------------------------------------------- diagnose


def talked(site: filled.Site, *lines: str, **more: Any) -> str:
    """A talk with these lines typed, then the end of input."""
    source = io.StringIO("".join(f"{line}\n" for line in lines))
    out = io.StringIO()
    given = {"ask": terminal.asker(source, out), "wall": lambda: filled.NOW_S} | more
    assert terminal.diagnose(site.history, SETTINGS, out, **given) == 0
    return out.getvalue()


def test_diagnosis_begins_where_the_monitor_left_off_and_is_kept(site: filled.Site) -> None:
    """The finding that stands; an open coil on the meter; what it was: reading and visit are in the history."""
    text = talked(site, "coil-ohms: OL", "found coil-open", by="Sam")
    assert "contactor coil open (burnt out)" in text
    assert "First suspects so far: 1 right, 0 wrong; 0 not counted." in text
    (reading,) = site.history.meter_readings()
    assert (reading.check, reading.typed, reading.by) == ("coil-ohms", "OL", "Sam")
    assert reading.finding == "call-without-pull-in"
    (visit,) = site.history.visits()
    assert visit.was == "coil-open"


def test_readings_given_as_arguments_are_kept_also_when_the_talk_breaks_off(site: filled.Site) -> None:
    """CHECK=READING; nothing more is typed; a wrong form is an error that says the right one."""
    text = talked(site, readings=["coil-ohms=13.8 ohm"])
    assert "Still suspected" in text
    assert [reading.typed for reading in site.history.meter_readings()] == ["13.8 ohm"]
    with pytest.raises(CommandError, match="CHECK=READING"):
        talked(site, readings=["coil-ohms"])
    with pytest.raises(CommandError, match="coil-ohms"):
        talked(site, readings=["no-such-check=1"])


def test_talk_that_is_killed_loses_no_reading_and_the_next_goes_on_from_it(site: filled.Site) -> None:
    """Each reading is kept before the next is asked for; a later talk knows it and does not keep it twice."""

    lines = iter(["coil-ohms: 14.2"])

    def interrupted() -> str | None:
        for line in lines:
            return line
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        talked(site, ask=interrupted)
    assert len(site.history.meter_readings()) == 1
    text = talked(site, "quit")
    assert "loose or burnt connection" in text
    assert "contactor coil open (burnt out)" not in text
    assert len(site.history.meter_readings()) == 1


def test_diagnosis_without_a_finding_begins_with_a_symptom(healthy: filled.Site) -> None:
    """No finding stands: 'no cooling'; a symptom or a finding may be named; another name is an error."""
    assert "Still suspected" in talked(healthy, "quit")
    assert "fan" in talked(healthy, "quit", about="only-the-compressor-runs")
    with pytest.raises(CommandError, match="only-the-fan-runs"):
        talked(healthy, about="makes-coffee")


def test_history_that_cannot_be_written_ends_no_talk(tmp_path: Path) -> None:
    """On a laptop without a history: the talk helps all the same and says that nothing is kept."""
    with History(tmp_path / "none" / "history.db") as history:
        out = io.StringIO()
        source = io.StringIO("coil-ohms: OL\nfound coil-open\n")
        code = terminal.diagnose(
            *(history, SETTINGS, out), about="call-without-pull-in", ask=terminal.asker(source, out)
        )
    assert code == 0
    assert out.getvalue().count("This cannot be kept in the history") == 1


def test_each_number_is_shown_with_its_uncertainty(healthy: filled.Site) -> None:
    """Where it is known, as the boards state it; a difference of temperature has no 32 degrees in Fahrenheit."""
    seen = healthy.history.status()
    assert seen is not None
    told = msgspec.structs.replace(
        seen,
        readings={**seen.readings, "compressor_a": 20.52, "control_v": 26.4, "outdoor_c": 35.0},
        uncertainty={"compressor_a": 0.44, "control_v": 0.5, "outdoor_c": 0.7},
    )
    lines = "\n".join(terminal_text.look(told, 0.0, SETTINGS, calm(told), UTC))
    assert "20.52 A ± 0.44 A" in lines
    assert "26.40 V ± 0.50 V" in lines
    assert "outdoors 95 °F ± 1.3 °F" in lines
    assert "±" not in "\n".join(terminal_text.look(seen, 0.0, SETTINGS, calm(seen), UTC))
