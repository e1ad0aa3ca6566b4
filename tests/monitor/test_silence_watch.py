"""The dead man's switch: half an hour of silence is told once, neighbours as one outage, the return with its times."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest

from condenser_monitor.monitor.core.errors import NotifyError, SiteError
from condenser_monitor.monitor.publishers.phone import Send
from condenser_monitor.monitor.publishers.phone_text import PhoneMessage
from condenser_monitor.monitor.publishers.silence_watch import SilenceMemory, SilenceWatch, WatchedSite
from condenser_monitor.monitor.publishers.watchdog import SilenceWatchdog, WatchdogSettings, load

NOON = datetime(2026, 7, 14, 12, tzinfo=UTC).timestamp()
ELM, OAK, FAR = (
    WatchedSite(id="elm", name="Elm 4", area="Elm Street", urls=("json://elm",)),
    WatchedSite(id="oak", name="Elm 9", area="Elm Street", urls=("json://oak",)),
    WatchedSite(id="far", name="Quay 7", area="Quay", urls=("json://far",)),
)


def lived(watch: SilenceWatch, from_s: float, minutes: int, alive: set[str]) -> list[tuple[int, str, str]]:
    """What is told over some minutes: (minute, title, body)."""
    found = []
    for minute in range(minutes):
        notices = watch.due(alive, from_s + minute * 60.0)
        watch.sent(notices)
        found += [(minute, notice.message.title, notice.message.body) for notice in notices]
    return found


def test_a_house_that_goes_dark_is_told_after_half_an_hour_and_once() -> None:
    """And once more when it is back, with from when to when."""
    watch = SilenceWatch([ELM], zone=UTC)
    assert lived(watch, NOON, 5, {"elm"}) == []
    found = lived(watch, NOON + 300, 600, set())
    assert [(minute, title) for minute, title, _ in found] == [(29, "Elm 4: No news from the monitor")]
    assert found[0][2].startswith("Your air conditioner isn't watched. Check the monitor's plug and the router.")
    (back,) = lived(watch, NOON + 36300, 10, {"elm"})
    assert back[1] == "Elm 4: The monitor is back"
    assert "from 12:04 PM to 10:05 PM" in back[2]


def test_a_household_reads_of_it_in_its_own_language() -> None:
    """The times and how long it was as well, with one full stop at the end."""
    watch = SilenceWatch([msgspec.structs.replace(ELM, language="es")], zone=UTC)
    lived(watch, NOON, 5, {"elm"})
    ((_, _, gone),) = lived(watch, NOON + 300, 600, set())
    assert gone.endswith("12:04 p.\xa0m.")
    ((_, _, back),) = lived(watch, NOON + 36300, 10, {"elm"})
    assert "de 12:04 p.\xa0m. a 10:05 p.\xa0m. (10 h 1 min)." in back


def test_a_short_silence_is_no_news() -> None:
    """An update or a restart."""
    watch = SilenceWatch([ELM], zone=UTC)
    lived(watch, NOON, 5, {"elm"})
    assert lived(watch, NOON + 300, 25, set()) == []
    assert lived(watch, NOON + 1800, 60, {"elm"}) == []


def test_neighbours_that_fall_silent_together_are_one_outage() -> None:
    """Each household is told that it is not alone; the house elsewhere hears nothing."""
    watch = SilenceWatch([ELM, OAK, FAR], zone=UTC)
    lived(watch, NOON, 5, {"elm", "oak", "far"})
    found = lived(watch, NOON + 300, 60, {"far"})
    assert sorted(title for _, title, _ in found) == [
        "Elm 4: No news from the monitor",
        "Elm 9: No news from the monitor",
    ]
    assert all("2 homes in Elm Street" in body for _, _, body in found)


def test_a_watchdog_that_was_off_itself_accuses_nobody() -> None:
    """What it could not hear is not their silence; and a restart tells nobody twice."""
    watch = SilenceWatch([ELM], zone=UTC)
    lived(watch, NOON, 5, {"elm"})
    memory = msgspec.json.decode(msgspec.json.encode(watch.memory), type=SilenceMemory)
    watch = SilenceWatch([ELM], memory, zone=UTC)
    assert lived(watch, NOON + 7200, 20, set()) == []
    assert len(lived(watch, NOON + 8400, 60, set())) == 1
    memory = msgspec.json.decode(msgspec.json.encode(watch.memory), type=SilenceMemory)
    assert lived(SilenceWatch([ELM], memory, zone=UTC), NOON + 12000, 60, set()) == []


def test_a_service_that_fails_is_tried_again(tmp_path: Path) -> None:
    """The household is told when its phone's service works again; an answering page is a sign of life."""
    now, taken, down, alive = [NOON], [], [True], [True]

    def send_to(_url: str) -> Send:
        def send(message: PhoneMessage) -> None:
            if down[0]:
                raise NotifyError("json", "down", "up")
            taken.append(message.title)

        return send

    site = msgspec.structs.replace(ELM, page="http://elm.local:8124")
    made = SilenceWatchdog(
        WatchdogSettings(sites=(site,)),
        tmp_path / "state.json",
        wall=lambda: now[0],
        send_to=send_to,
        ask=lambda _page: alive[0],
    )
    made.step()
    alive[0] = False
    for _ in range(40):
        now[0] += 60.0
        made.step()
    assert taken == []
    down[0] = False
    made.step()
    made.step()
    assert taken == ["Elm 4: No news from the monitor"]


def test_its_file_is_read_strictly(tmp_path: Path) -> None:
    """No site, no place to listen at, a file that others may read: refused with the place."""
    file = tmp_path / "watchdog.toml"
    for text, why in (("", "at least one"), ('[[sites]]\nid = "elm"\n', "page"), ('[[sites]]\nid = "a b"\n', "id")):
        file.write_text(text)
        file.chmod(0o600)
        with pytest.raises(SiteError, match=why):
            load(file)
    file.write_text('[mqtt]\nhost = "broker.lan"\n[[sites]]\nid = "elm"\nurls = ["json://x"]\n')
    assert load(file).sites[0].id == "elm"
    file.chmod(0o644)
    with pytest.raises(SiteError, match="600"):
        load(file)
