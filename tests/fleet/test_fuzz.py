"""Whatever a site sends, nothing breaks: it is set aside or written, its neighbour is written, and the pages open."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from condenser_monitor.monitor.core.records import AlertState, ChangeKind, Severity
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import events
from condenser_monitor.monitor.fleet.writer import writer
from condenser_monitor.monitor.publishers.messages import topic
from condenser_monitor.web.fleet import guard
from tests.fleet import payloads
from tests.fleet.bench import make_sites
from tests.fleet.load import site_name
from tests.fleet.office import Office
from tests.fleet.payloads import NOON, received

_NUMBERS = st.one_of(
    st.none(),
    st.integers(-(2**70), 2**70),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([0, -1, 1e308, -1e308, NOON, NOON + 60, 2**63, 1e15]),
)
_WORDS = st.one_of(
    st.text(max_size=30), st.sampled_from(["", "<b>&\"'", "coil-open", "locked-rotor", "\\", "%s", "{}"])
)
_NAMES = st.one_of(_WORDS, st.sampled_from(["locked-rotor", "no-such-finding", "slow-start"]))
_ANY = st.recursive(st.one_of(_NUMBERS, _WORDS, st.booleans()), lambda inner: st.lists(inner, max_size=3), max_leaves=5)
_FINDING = st.fixed_dictionaries(
    {"name": _NAMES, "severity": st.sampled_from(list(Severity))},
    optional={"suspects": st.lists(_NAMES, max_size=3), "raised_wall_s": _NUMBERS, "evidence": _ANY, "summary": _WORDS},
)
_SEQ = st.integers(1, 2**41)
_BODIES = {
    "events": st.fixed_dictionaries(
        {"seq": _SEQ, "finding": _NAMES, "severity": st.sampled_from(list(Severity))},
        optional={
            "change": st.sampled_from(list(ChangeKind)),
            "state": st.sampled_from(list(AlertState)),
            "wall_s": _NUMBERS,
            "summary": _WORDS,
            "suspects": st.lists(_NAMES, max_size=3),
            "evidence": _ANY,
            "by": _WORDS,
        },
    ),
    "cycles": st.fixed_dictionaries(
        {"seq": _SEQ, "run_s": _NUMBERS},
        optional=dict.fromkeys(("started_wall_s", "compressor_a", "outdoor_c", "compressor_starts"), _NUMBERS),
    ),
    "unit": st.fixed_dictionaries(
        {"cycle": st.sampled_from(["idle", "running", "dancing"])},
        optional={
            "wall_s": _NUMBERS,
            "break_at": _WORDS,
            "service_until_wall_s": _NUMBERS,
            "readings": st.dictionaries(st.sampled_from(["outdoor_c", "call"]), _NUMBERS),
            "findings": st.lists(_FINDING, max_size=3),
            "origin": _WORDS,
            "sent": st.dictionaries(st.sampled_from(["events", "cycles", "x"]), st.integers(-1, 2**41)),
            "links": _ANY,
        },
    ),
    "answers": st.fixed_dictionaries({"id": _WORDS, "done": st.booleans()}, optional={"first_seq": _NUMBERS}),
}
_MESSAGE = st.one_of(
    *(st.tuples(st.just(name), body) for name, body in _BODIES.items()), st.tuples(st.sampled_from(["events"]), _ANY)
)


def _raw(name: str, body: Any) -> tuple[str, bytes]:
    if isinstance(body, dict) and "seq" in body:
        body = {"id": f"o-{body['seq']}", **body}
    return topic(site_name(0), name), msgspec.json.encode(body)


@pytest.fixture(scope="module")
def listener(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Office, FlaskClient]]:
    """An office to which the first site then talks nonsense, and its owner's browser."""
    store = Store(f"sqlite:///{tmp_path_factory.mktemp('fuzz')}/fleet.db")
    store.migrate()
    office = Office(store)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(guard, "_PER_MIN", 10**9)
        yield office, office.client("owner")
    store.close()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(_MESSAGE, min_size=1, max_size=8))
def test_pages_open_whatever_a_site_has_sent(
    listener: tuple[Office, FlaskClient], messages: list[tuple[str, Any]]
) -> None:
    """After any batch of messages: morning list, site, cycles and season report come without an error of ours."""
    office, browser = listener
    batch = received([_raw(*message) for message in messages], office.now)
    writer(office.store).write(batch, office.now)
    for path in ("/", f"/site/{site_name(0)}", f"/site/{site_name(0)}/cycles", f"/site/{site_name(0)}/season.pdf"):
        assert browser.get(path).status_code == 200, path


def test_a_neighbour_is_written_whatever_a_site_has_sent(store: Store) -> None:
    """On both databases, fifty batches of nonsense each with one good message of another site: all good ones are
    there, and the nonsense never makes the writer fail."""
    make_sites(store, 2)
    to = writer(store)
    done = 0

    @settings(max_examples=50, deadline=None, database=None, suppress_health_check=[HealthCheck.too_slow])
    @given(st.lists(_MESSAGE, min_size=1, max_size=8))
    def write(messages: list[tuple[str, Any]]) -> None:
        nonlocal done
        done += 1
        good = payloads.finding(site_name(1), done, "revised")
        to.write(received([*(_raw(*message) for message in messages), good]), NOON)

    write()
    with store.read() as connection:
        query = sa.select(sa.func.count()).select_from(events).where(events.c.site_id == 2)
        assert connection.scalar(query) == done >= 50
