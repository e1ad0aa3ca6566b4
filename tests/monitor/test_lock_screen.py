"""Lock-screen texts at their cut: what it means and what to do, whole, in English and Spanish, for every kind."""

from __future__ import annotations

import re
import string
from datetime import UTC, datetime
from statistics import median

import msgspec
import pytest

from condenser_monitor.monitor.core.config import Person, Settings, Site, Unit
from condenser_monitor.monitor.core.findings import CATALOGUE, can_be_meant
from condenser_monitor.monitor.core.records import Episode, EpisodeState, Severity
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.publishers.answer_links import ACTIONS
from condenser_monitor.monitor.publishers.notification_policy import Kind, NotificationItem
from condenser_monitor.monitor.publishers.phone_text import MessageWriter
from condenser_monitor.monitor.strings import build_catalogues, texts
from condenser_monitor.monitor.strings.findings import BRIEF, CARE, LOOK
from condenser_monitor.monitor.strings.phone import BEGIN, CUT, DO_FOR
from condenser_monitor.monitor.strings.texts import LOCK
from condenser_monitor.monitor.strings.translate import LANGUAGES, Reader, reading, translator

NOON = datetime(2026, 7, 14, 12, tzinfo=UTC).timestamp()
KINDS: tuple[Kind, ...] = ("alarm", "worse", "back", "often", "reminder", "check", "over", "missed")


def episode(finding: str, **changed: object) -> Episode:
    made = Episode(
        id="episode-1",
        lead=finding,
        findings=(finding,),
        severity=Severity.URGENT,
        level=34,
        worst=finding,
        state=EpisodeState.ACTIVE,
        since_s=0.0,
        since_wall_s=NOON - 3600,
        over_wall_s=NOON,
        returns=11,
    )
    return msgspec.structs.replace(made, **changed)


def writer(language: str) -> MessageWriter:
    return MessageWriter(Settings(site=Site(name="Elm 4")), UTC, person=Person(language=language))


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", KINDS)
def test_what_it_means_and_what_to_do_stand_before_the_cut(language: str, kind: Kind) -> None:
    """The whole first line of every finding fits the 90 characters that every lock screen shows."""
    for finding in LOCK:
        suspects = ["", *(suspect for name, suspect in DO_FOR if name == finding)]
        for suspect in suspects:
            one = episode(finding, suspects=(suspect,) if suspect else ())
            for shape in (one, episode(finding, state=EpisodeState.QUIET), episode(finding, visit_day="2026-07-13")):
                line = writer(language).begin(NotificationItem(kind, shape), NOON)
                assert len(line) <= CUT, (len(line), line)
                assert line.endswith((".", "?", ")", "!")), line
                message = writer(language).message([NotificationItem(kind, shape)], None, NOON)
                assert message.body.startswith(line)
                assert ".." not in message.body


def test_every_finding_has_its_lock_screen_and_the_example_of_the_promise() -> None:
    """None is missing; a drain pan is named in the first words."""
    assert CATALOGUE.keys() <= LOCK.keys()
    first = writer("en").begin(NotificationItem("alarm", episode("call-not-reaching-unit")), NOON)
    assert first == "No cooling. Check the drain pan under the indoor unit."


@pytest.mark.parametrize("suspect", ["fan-capacitor", "fan-motor", "condenser-dirty", "high-pressure-cutout"])
def test_behind_a_dead_fan_nobody_is_sent_to_the_drain_pan(suspect: str) -> None:
    """Its pressure switch breaks the call's wire: the finding alone would say what an open float says."""
    assert suspect in SUSPECTS
    first = writer("en").begin(NotificationItem("alarm", episode("call-not-reaching-unit", suspects=(suspect,))), NOON)
    assert first == "No cooling. A safety switch has opened. Call a technician."


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_end_cannot_be_taken_for_a_beginning(language: str) -> None:
    """Cut after its first words, an end is not how any trouble begins, and says nothing of "no"."""
    begins = {writer(language).begin(NotificationItem("alarm", episode(name)), NOON)[:20] for name in LOCK}
    for finding in LOCK:
        end = writer(language).begin(NotificationItem("over", episode(finding)), NOON)
        assert end[:20] not in begins
        assert not re.search(r"\b(no cooling|has no|no enfría|sin)\b", end.lower()), end


def test_the_spanish_catalogue_is_complete_and_its_placeholders_are_alike() -> None:
    """Every marked text has a translation with the same places to fill; the compiled file is of the text's version."""
    text = translator("es")
    for message in build_catalogues.collect():
        translated = text(message)
        assert _fields(translated) == _fields(message), message
        if len(re.findall(r"\b[a-z]{4,}", re.sub(r"\{\w+\}", "", message))) > 1:
            assert translated != message, message


def _fields(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_begins_are_all_of_known_kinds() -> None:
    """No beginning is left over."""
    assert set(BEGIN) == {*KINDS, "quiet", "visit", "off"}


LINKS: dict[str, str] = dict.fromkeys(ACTIONS, f"http://pi.local:8124/a/{'x' * 50}") | {"page": "http://pi.local"}


def links_of(told: Episode) -> dict[str, str]:
    """As many as a message of this episode has."""
    return {name: link for name, link in LINKS.items() if name != "intended" or can_be_meant(told.findings)}


@pytest.mark.parametrize("poles", [1, 2])
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_message_is_short_and_loses_no_caution(language: str, poles: int) -> None:
    """What is to be looked at is behind its link; each caution of the page stands in the message, those of the cabinet
    in one line; what to heed of the looks too. Half of all messages stay under 1,150 characters, links and all."""
    settings = Settings(site=Site(name="Elm 4"), unit=Unit(contactor_poles=poles))
    made = MessageWriter(settings, UTC, person=Person(language=language), links=links_of)
    plain = MessageWriter(settings, UTC, person=Person(language=language))
    lengths = []
    for finding in CATALOGUE:
        item = NotificationItem("alarm", episode(finding))
        body = made.message([item], None, NOON).body
        lengths.append(len(body))
        with reading(Reader(language)):
            for caution in texts.avoid(finding, settings.unit):
                assert caution in plain.message([item], None, NOON).body
                key = next(key for key in CARE if CARE[key] == caution)
                if key in CABINET:
                    assert CABINET[key][LANGUAGES.index(language)] in body, (finding, caution)
                else:
                    assert caution in body, (finding, caution)
            looks = {key for key in ("smell", "breaker-left") if LOOK[key] in texts.look(finding, (finding,))}
            assert all(BRIEF[key] in body for key in looks), finding
        assert LINKS["look"] in body.splitlines()[4]
    assert median(lengths) < 1150
    assert max(lengths) < 1500


# What of each caution of the cabinet is left in the line that holds all of them.
CABINET = {
    "cabinet": ("Do not open the outdoor unit: even when it's off,", "No abra la unidad exterior: aun apagada,"),
    "one-pole": (
        "one line is live inside (only the breaker or the disconnect makes it dead)",
        "hay una línea viva (solo",
    ),
    "capacitor": ("a capacitor can hold more than 300 V", "un capacitor puede guardar más de 300 V"),
}
