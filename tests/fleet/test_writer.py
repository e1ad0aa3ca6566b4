"""A batch is written once, whole, in whatever order and however often its messages come; on both databases."""

from __future__ import annotations

import json
import random
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.records import AlertState
from condenser_monitor.monitor.fleet import enroll
from condenser_monitor.monitor.fleet.reducer import Writes
from condenser_monitor.monitor.fleet.setup import Broker
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    asks,
    cycles,
    events,
    set_aside,
    site_days,
    sites,
    standing,
    state,
)
from condenser_monitor.monitor.fleet.writer import IngestWriter, writer
from tests.fleet import payloads
from tests.fleet.payloads import NOON, Raw, received


def _enroll(store: Store, *names: str) -> None:
    for name in names:
        enroll.enroll(store, name, broker=Broker(), by="test", now=NOON - 86400)


def _write(to: IngestWriter, raws: list[Raw], at: float = NOON + 5) -> Writes:
    return to.write(received(raws, at), at)


def _rows(store: Store, table: sa.Table, *columns: str) -> list[Any]:
    picked = [table.c[name] for name in columns]
    with store.read() as connection:
        return [tuple(row) for row in connection.execute(sa.select(*picked).order_by(*picked))]


def _story(site: str, rng: random.Random) -> list[Raw]:
    """A site's events in order: findings come, change and go, alerts are acknowledged, cycles end."""
    raws: list[Raw] = []
    up: set[str] = set()
    for seq in range(1, 60):
        name = rng.choice(["locked-rotor", "short-cycling", "low-control-voltage", "fan-not-running"])
        step = rng.choice(["revised", "cleared"]) if name in up else "raised"
        up = up - {name} if step == "cleared" else up | {name}
        raws.append(payloads.finding(site, seq, step, name, wall_s=NOON - 6000 + 60 * seq))
    return raws + [payloads.cycle(site, seq, wall_s=NOON - 86400 + 1800 * seq, run_s=600 + seq) for seq in range(1, 80)]


@pytest.mark.parametrize("seed", range(3))
def test_shuffled_doubled_and_split_messages_leave_the_same_database_as_in_order(store: Store, seed: int) -> None:
    """Whatever the order, the repeats and the cutting into batches: each message counts once, and what stands at the
    end is what stands after the story told in order."""
    rng = random.Random(seed)
    names = [f"{kind}-{number}" for kind in ("told", "mixed") for number in range(3)]
    _enroll(store, *names)
    stories = {number: _story("SITE", random.Random(number)) for number in range(3)}
    to = writer(store)
    mixed: list[Raw] = []
    for number, story in stories.items():
        _write(to, [(topic.replace("SITE", f"told-{number}"), payload) for topic, payload in story])
        mixed += [(topic.replace("SITE", f"mixed-{number}"), payload) for topic, payload in story] * 2
    rng.shuffle(mixed)
    taken = 0
    while mixed:
        cut = rng.randrange(1, 90)
        taken += _write(to, mixed[:cut]).taken
        mixed = mixed[cut:]
    assert taken == sum(len(story) for story in stories.values())
    ids = dict(_rows(store, sites, "id", "site"))
    for table, columns in _COMPARED.items():
        rows = [(ids[row[0]], *row[1:]) for row in _rows(store, table, "site_id", *columns)]
        told = sorted((name[5:], *rest) for name, *rest in rows if name.startswith("told-"))
        assert sorted((name[6:], *rest) for name, *rest in rows if name.startswith("mixed-")) == told != []
    assert {json.dumps(json.loads(books), sort_keys=True) for (books,) in _rows(store, state, "books")} == {
        '{"cycles": {"o1": ["1-79", 0]}, "events": {"o1": ["1-59", 0]}}'
    }


_COMPARED = {
    events: ("origin", "seq", "at", "finding", "step", "body"),
    cycles: ("origin", "seq", "at", "run_s", "compressor_a"),
    standing: ("finding", "active", "changed_at", "rank"),
    site_days: ("day", "cycles", "starts", "run_s"),
    state: ("hole_since",),
}


def test_daily_sums_are_the_sums_of_the_cycles(store: Store) -> None:
    """Counts, run time and the run-weighted means agree with the cycles, summed by hand here."""
    _enroll(store, "a")
    to = writer(store)
    runs = [(1, 600.0, 10.0, 30.0), (2, 1200.0, 12.0, 36.0), (3, 300.0, None, 38.0)]
    for seq, run_s, amps, degrees in runs:
        _write(to, [payloads.cycle("a", seq, run_s=run_s, compressor_a=amps, outdoor_c=degrees)])
    (row,) = _rows(
        store, site_days, "day", "cycles", "starts", "run_s", "amp_s", "degree_s", "measured_s", "outdoor_max_c"
    )
    assert row == ("2026-07-14", 3, 3, 2100.0, 10 * 600 + 12 * 1200, 30 * 600 + 36 * 1200, 1800.0, 38.0)


def test_a_hole_is_known_until_it_is_filled(store: Store) -> None:
    """A number that is missing marks the site from the moment it was noticed; filling it takes the mark away."""
    _enroll(store, "a")
    to = writer(store)
    _write(to, [payloads.finding("a", 1, "raised"), payloads.finding("a", 3, "cleared")], NOON + 5)
    _write(to, [payloads.cycle("a", 1)], NOON + 50)
    assert _rows(store, state, "hole_since") == [(NOON + 5,)]
    _write(to, [payloads.finding("a", 2, "revised")], NOON + 99)
    assert _rows(store, state, "hole_since") == [(None,)]


def test_what_the_site_says_it_sent_shows_a_missing_last_message(store: Store) -> None:
    """The newest message lost leaves no gap behind it; the `unit` message tells how far the site has numbered."""
    _enroll(store, "a")
    to = writer(store)
    _write(to, [payloads.finding("a", 1, "raised"), payloads.unit("a", origin="o1", sent={"events": 2, "cycles": 0})])
    assert _rows(store, state, "hole_since") == [(NOON + 5,)]


def test_a_monitor_with_a_new_disk_counts_from_one_again_and_is_believed(store: Store) -> None:
    """Its new numbers are not taken for old ones, and its new events outrank all of the old disk's."""
    _enroll(store, "a")
    to = writer(store)
    _write(to, [payloads.finding("a", seq, "raised" if seq == 1 else "revised") for seq in range(1, 9)])
    after = _write(to, [payloads.finding("a", 1, "cleared", origin="o2", wall_s=NOON + 60)], NOON + 61)
    assert (after.taken, after.known) == (1, 0)
    assert _rows(store, standing, "active") == [(False,)]


def test_the_unit_message_corrects_what_events_did_not_say(store: Store) -> None:
    """A finding that the unit no longer shows is closed, one it shows is raised; an older unit message, or a late
    event of before, changes nothing. What is older is told by the site's own numbers: an alarm counts though the Pi's
    clock fell back by weeks in a power cut, or is not set."""
    _enroll(store, "a")
    to = writer(store)
    _write(to, [payloads.finding("a", 1, "raised", "locked-rotor", wall_s=NOON)])
    _write(
        to,
        [payloads.unit("a", wall_s=NOON + 100, findings=("line-supply-lost",), origin="o1", sent={"events": 2})],
        NOON + 300,
    )
    assert _rows(store, standing, "finding", "active") == [("line-supply-lost", True), ("locked-rotor", False)]
    _write(
        to,
        [payloads.unit("a", wall_s=NOON + 50, findings=("locked-rotor",), origin="o1", sent={"events": 1})],
        NOON + 300,
    )
    _write(to, [payloads.finding("a", 2, "revised", "locked-rotor", wall_s=NOON + 60)], NOON + 300)
    assert _rows(store, standing, "finding", "active") == [("line-supply-lost", True), ("locked-rotor", False)]
    _write(to, [payloads.finding("a", 3, "raised", "locked-rotor", wall_s=NOON - 30 * 86400)], NOON + 300)
    assert _rows(store, standing, "finding", "active") == [("line-supply-lost", True), ("locked-rotor", True)]
    cleared = payloads.unit("a", wall_s=NOON - 30 * 86400, origin="o1", sent={"events": 4})
    _write(to, [cleared, payloads.finding("a", 5, "raised", "fan-not-running", wall_s=None)], NOON + 400)
    assert _rows(store, standing, "finding", "active") == [
        ("fan-not-running", True),
        ("line-supply-lost", False),
        ("locked-rotor", False),
    ]
    assert _rows(store, state, "clock_off_s") == [(-30 * 86400 - 400.0,)]


def test_an_alert_that_was_acknowledged_keeps_the_newest_word(store: Store) -> None:
    """Steps of an alert's life arriving out of order leave the last one."""
    _enroll(store, "a")
    to = writer(store)
    _write(to, [payloads.finding("a", 1, "raised"), payloads.alert("a", 3, AlertState.ACKED, by="Robin")])
    _write(to, [payloads.alert("a", 2, AlertState.UNACKED)])
    assert _rows(store, standing, "active", "alert_state", "alert_by") == [(True, "acknowledged", "Robin")]


_BAD: list[tuple[str, bytes, str]] = [
    ("condenser/v1/a/events", b"{", "truncated"),
    ("condenser/v1/a/events", b"[1]", "Expected `object`"),
    ("condenser/v1/a/events", b'{"id":"o-1","seq":0,"finding":"x","severity":"urgent","change":"raised"}', ">= 1"),
    ("condenser/v1/a/events", b'{"id":"o-1","seq":1,"finding":"x","severity":"dire","change":"raised"}', "dire"),
    ("condenser/v1/a/events", b'{"id":"o-1","seq":1,"finding":"x","severity":"urgent"}', "exactly one"),
    ("condenser/v1/a/events", b'{"id":"o-1","seq":1,"finding":"x\\u0000"}', "NUL"),
    ("condenser/v1/a/cycles", b'{"id":"o-1","seq":1,"run_s":-5}', ">= 0"),
    ("condenser/v1/a/cycles", b"\xff\xfe", "utf-8"),
    ("condenser/v1/a/unit", b"x" * 70_000, "70000 bytes"),
    ("condenser/v1/a/availability", b"perhaps", "online"),
    ("condenser/v1/a/other", b"", "not a topic"),
    ("condenser/v1/a b/events", b"", "not a topic"),
    ("elsewhere", b"", "not a topic"),
    ("condenser/v1/nobody/availability", b"online", "no such site"),
    ("condenser/v1/nobody/unit", payloads.unit("nobody")[1], "no such site"),
    ("condenser/v1/gone/availability", b"online", "revoked"),
]


def test_a_bad_message_is_set_aside_with_the_reason_and_its_neighbours_are_written(store: Store) -> None:
    """Each kind of bad message is kept with why; the good ones of the same batch count as ever."""
    _enroll(store, "a", "gone")
    enroll.revoke(store, "gone", by="test", now=NOON)
    good = [payloads.finding("a", 1, "raised"), payloads.cycle("a", 1)]
    done = _write(writer(store), [good[0], *((topic, payload) for topic, payload, _ in _BAD), good[1]])
    assert done.taken == 2
    kept = _rows(store, set_aside, "id", "topic", "reason")
    assert [topic for _, topic, _ in kept] == [topic for topic, _, _ in _BAD]
    assert all(why in reason for (_, _, reason), (_, _, why) in zip(kept, _BAD, strict=True))


def test_what_an_erased_site_still_says_is_not_kept(store: Store) -> None:
    """The broker has its last status still: that it came is noted, and nothing of what it says."""
    _write(writer(store), [payloads.finding("erased", 1, "raised"), payloads.cycle("erased", 1)])
    assert _rows(store, set_aside, "payload") == [(b"",), (b"",)]


def test_a_message_that_the_database_itself_refuses_is_set_aside_alone(fresh_store: Store) -> None:
    """What slips through every check and cannot be stored does not hold up the others for ever."""
    _enroll(fresh_store, "a")
    to = writer(fresh_store)
    batch = received([payloads.finding("a", seq, "revised") for seq in range(1, 8)])
    with fresh_store.write() as connection:  # a rule of the database that the program does not know of
        if fresh_store.postgres:
            connection.exec_driver_sql("ALTER TABLE events ADD CHECK (seq <> 5)")
        else:
            rule = "SELECT RAISE(ABORT, 'not 5')"
            connection.exec_driver_sql(f"CREATE TRIGGER t BEFORE INSERT ON events WHEN new.seq = 5 BEGIN {rule}; END")
    assert to.write(batch, NOON).taken == 6
    assert [row[0] for row in _rows(fresh_store, events, "seq")] == [1, 2, 3, 4, 6, 7]
    (aside,) = _rows(fresh_store, set_aside, "reason")
    assert "refused" in aside[0]


def test_messages_without_a_right_clock_are_filed_under_their_receipt(store: Store) -> None:
    """No clock, one years behind or one ahead: the instant of receipt stands in."""
    _enroll(store, "a")
    clocks = [None, 0.0, NOON + 9e6, NOON - 60]
    _write(writer(store), [payloads.finding("a", seq, "revised", wall_s=at) for seq, at in enumerate(clocks, 1)])
    assert [at for _, at in _rows(store, events, "seq", "at")] == [NOON + 5, NOON + 5, NOON + 5, NOON - 60]


@pytest.mark.parametrize(
    ("answer", "left"),
    [
        ({"done": False, "why": "nothing of that is kept"}, None),
        ({"done": True, "first_seq": 4}, NOON + 5),
        ({"done": True}, NOON + 5),
    ],
)
def test_numbers_that_a_site_no_longer_keeps_are_given_up_with_a_note(
    store: Store, answer: dict[str, Any], left: float | None
) -> None:
    """An answer closes what the site cannot send any more, and only of its own request; a note says what is lost."""
    _enroll(store, "a", "b")
    to = writer(store)
    _write(to, [payloads.finding("a", 7, "raised"), payloads.finding("b", 7, "raised")])
    ids = {name: key for key, name in _rows(store, sites, "id", "site")}
    body = '{"id":"r1","request":"resend","topic":"events","origin":"o1","from_seq":1,"to_seq":6}'
    with store.write() as connection:
        row = {"id": "r1", "site_id": ids["a"], "request": "resend", "body": body, "asked_by": "fleet", "made_at": NOON}
        connection.execute(sa.insert(asks), [row])
    reply = msgspec.json.encode({"id": "r1", **answer})
    _write(to, [(f"condenser/v1/{name}/answers", reply) for name in ("b", "a")])
    holes = dict(_rows(store, state, "site_id", "hole_since"))
    assert holes == {ids["a"]: left, ids["b"]: NOON + 5}
    lost = [reason for (reason,) in _rows(store, set_aside, "reason")]
    assert len(lost) == (0 if answer == {"done": True} else 1)
    assert _rows(store, asks, "done") == [(answer["done"],)]


def _undone(store: Store, to: IngestWriter) -> None:
    with store.write() as connection:
        found = to.lock_sites(connection, ["a"])
        found[0].books.record("events", "o1", 500)
        to.save(connection, Writes(), found, NOON)
        raise ZeroDivisionError


def test_a_writer_that_remembers_its_sites_sees_what_others_changed(fresh_store: Store) -> None:
    """Three writers take a story in turns, with transactions undone between; a hand changes a row. Each number counts
    once, and what is left is what one writer alone leaves that remembers nothing."""
    _enroll(fresh_store, "a", "b")
    writers, rng = [writer(fresh_store) for _ in range(3)], random.Random(5)
    story = _story("a", random.Random(9))
    parts = [story[at : at + 7] for at in range(0, len(story), 7)]
    taken = 0
    for number, part in enumerate(parts):
        to = rng.choice(writers)
        if number % 3 == 0:
            with pytest.raises(ZeroDivisionError):
                _undone(fresh_store, to)
        if number == 4:
            with fresh_store.write() as connection:
                connection.execute(sa.update(state).values(break_at="by hand"))
        taken += _write(to, part).taken
    assert taken == len(story)
    assert _write(writers[0], story).taken == 0
    _write(writer(fresh_store), [(topic.replace("/a/", "/b/"), payload) for topic, payload in story])
    books, breaks = (_rows(fresh_store, state, "site_id", name) for name in ("books", "break_at"))
    assert books[0][1] == books[1][1]
    assert breaks == [(1, "by hand"), (2, "by hand")]


def test_unit_messages_of_one_batch_leave_what_they_leave_one_by_one(store: Store) -> None:
    """Those that a later one of the batch outdates are passed over; the outcome is the same, also where they come in
    the wrong order, are of two disks, or do not know the time."""
    rng = random.Random(3)
    for number in range(40):
        at = [None if rng.random() < 0.1 else NOON - rng.randrange(100) for _ in range(6)]
        sent = sorted(rng.randrange(4) for _ in at) if number % 2 else [rng.randrange(4) for _ in at]
        origins = ["o2" if place > 3 and number % 3 == 0 else "o1" for place in range(6)]
        raws = [
            payloads.unit("SITE", wall_s=wall, origin=origin, sent={"events": seq}, cycle=f"cycle-{place}")
            for place, (wall, seq, origin) in enumerate(zip(at, sent, origins, strict=True))
        ]
        _enroll(store, f"one-{number}", f"all-{number}")
        for raw in raws:
            _write(writer(store), [(raw[0].replace("SITE", f"one-{number}"), raw[1])])
        _write(writer(store), [(topic.replace("SITE", f"all-{number}"), payload) for topic, payload in raws])
    columns = ("cycle", "unit_at", "unit_rank", "clock_off_s", "heard_at", "books")
    ends = [row[1:] for row in _rows(store, state, "site_id", *columns)]
    assert ends[::2] == ends[1::2]
