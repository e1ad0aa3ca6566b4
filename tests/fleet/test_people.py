"""People: passwords, sessions, floods of wrong ones, and the log of who did what; on both databases."""

from __future__ import annotations

import threading
from contextlib import suppress

import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import people
from condenser_monitor.monitor.fleet.people import Role, TooManyTries
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    audit,
    login_failures,
    sessions,
    users,
)
from condenser_monitor.monitor.limits import FLEET

_NOW = 1_000_000.0
_PASSWORD = "correct horse battery"


@pytest.fixture
def office(store: Store) -> Store:
    """A store with one dispatcher."""
    people.add_user(store, "Robin", "Robin R.", Role.DISPATCHER, _PASSWORD, by="test", now=_NOW)
    return store


def _sign_in(store: Store, password: str = _PASSWORD, login: str = "robin", now: float = _NOW) -> str | None:
    return people.sign_in(store, login, password, address="192.0.2.1", now=now)


def test_signing_in_opens_a_session_and_signing_out_ends_it(office: Store) -> None:
    """The login may be written any way; the token says who it is, until it is given back."""
    token = _sign_in(office, login=" ROBIN ")
    assert token is not None
    held = people.session(office, token, _NOW + 1)
    assert held is not None
    assert (held.viewer.login, held.viewer.name, held.viewer.role) == ("robin", "Robin R.", Role.DISPATCHER)
    people.sign_out(office, token)
    assert people.session(office, token, _NOW + 2) is None


@pytest.mark.parametrize(("login", "password"), [("robin", "wrong"), ("robin", ""), ("nobody", _PASSWORD), ("", "")])
def test_a_wrong_login_or_password_opens_nothing(office: Store, login: str, password: str) -> None:
    """Which of the two was wrong is not told."""
    assert _sign_in(office, password, login) is None


def test_neither_password_nor_token_lies_in_the_database(office: Store) -> None:
    """The password as Argon2id (RFC 9106), the token as a digest only."""
    token = _sign_in(office)
    with office.read() as connection:
        rows = str(connection.execute(sa.select(users)).all()) + str(connection.execute(sa.select(sessions)).all())
    assert _PASSWORD not in rows
    assert token is not None
    assert token not in rows
    assert f"$argon2id$v=19$m={int(FLEET.argon2_kib.value)},t={int(FLEET.argon2_passes.value)},p=1$" in rows


def test_sessions_end_when_idle_and_after_a_week_of_use(office: Store) -> None:
    """Used now and then it lasts to the bound and no longer; unused it ends within the day."""
    idle, most = FLEET.session_idle_s.value, FLEET.session_most_s.value
    quiet, busy = _sign_in(office), _sign_in(office)
    assert quiet is not None
    assert busy is not None
    now = _NOW
    while now < _NOW + most:
        assert people.session(office, busy, now) is not None
        now += idle / 2
    assert people.session(office, quiet, _NOW + idle + 1) is None
    assert people.session(office, busy, _NOW + most + 1) is None


def test_wrong_passwords_are_too_many_after_a_few_and_forgotten_after_a_while(office: Store) -> None:
    """The right password is refused too while the count stands; another login from another place is not."""
    people.add_user(office, "kim", "", Role.TECHNICIAN, _PASSWORD, by="test", now=_NOW)
    for _ in range(int(FLEET.login_tries.value)):
        assert _sign_in(office, "wrong") is None
    with pytest.raises(TooManyTries) as caught:
        _sign_in(office)
    assert 0 < caught.value.retry_s <= FLEET.login_window_s.value
    assert people.sign_in(office, "kim", _PASSWORD, address="192.0.2.9", now=_NOW) is not None
    assert _sign_in(office, now=_NOW + FLEET.login_window_s.value + 1) is not None


def test_passwords_tried_all_at_once_are_counted_before_they_are_judged(
    office: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve at once: no more are judged than may be wrong, and those refused are not held against the login."""
    judged: list[str] = []
    together = threading.Barrier(12)
    monkeypatch.setattr(people, "_matches", lambda _, password: judged.append(password) is not None)

    def one() -> None:
        together.wait(10)
        with suppress(TooManyTries):
            assert _sign_in(office, "wrong") is None

    threads = [threading.Thread(target=one) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert len(judged) <= FLEET.login_tries.value
    with office.read() as connection:
        kept = connection.scalar(sa.select(sa.func.count()).select_from(login_failures))
    assert kept == 2 * len(judged)


def test_the_right_password_is_held_against_nobody(office: Store) -> None:
    """Signing in over and over leaves nothing counted, of the login or of where it came from."""
    for _ in range(int(FLEET.login_tries.value) + 1):
        assert _sign_in(office) is not None
    with office.read() as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(login_failures)) == 0


def test_one_address_trying_many_logins_is_held_off(office: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A list of names with one password each is counted by where it comes from."""
    monkeypatch.setitem(people._TRIES, "from", 6)
    for number in range(6):
        assert people.sign_in(office, f"name{number}", "guess", address="192.0.2.1", now=_NOW) is None
    with pytest.raises(TooManyTries):
        _sign_in(office)
    assert people.sign_in(office, "robin", _PASSWORD, address="192.0.2.2", now=_NOW) is not None


def test_a_new_password_and_a_shut_door_end_all_sessions(office: Store) -> None:
    """Whoever holds an old session is out at once."""
    for change in (
        lambda: people.set_password(office, "robin", _PASSWORD + " new", by="test", now=_NOW),
        lambda: people.set_active(office, "robin", False, by="test", now=_NOW),
    ):
        token = _sign_in(office) or _sign_in(office, _PASSWORD + " new")
        assert token is not None
        change()
        assert people.session(office, token, _NOW + 1) is None
    assert _sign_in(office, _PASSWORD + " new") is None


@pytest.mark.parametrize("password", ["", "short", "a" * 11, "robin is my name", "x" * 1001])
def test_a_password_too_short_or_holding_the_login_is_refused(office: Store, password: str) -> None:
    """Length counts (NIST SP 800-63B, from memory); nothing is changed by a refusal, and the password is not shown."""
    with pytest.raises(CommandError) as caught:
        people.set_password(office, "robin", password, by="test", now=_NOW)
    assert not password or password not in str(caught.value)
    assert _sign_in(office) is not None


def test_logins_are_unique_however_they_are_written(office: Store) -> None:
    """A second ROBIN is refused."""
    with pytest.raises(CommandError, match="not in use"):
        people.add_user(office, "ROBIN", "", Role.OWNER, _PASSWORD, by="test", now=_NOW)


def test_what_people_do_is_in_the_log(office: Store) -> None:
    """Who, what, to whom, in order."""
    _sign_in(office)
    people.set_active(office, "robin", False, by="owner", now=_NOW + 1)
    with office.read() as connection:
        rows = [(row.who, row.did, row.what) for row in connection.execute(sa.select(audit).order_by(audit.c.id))]
    assert rows == [
        ("test", "added", "user robin"),
        ("robin", "signed in", "from 192.0.2.1"),
        ("owner", "shut out", "user robin"),
    ]
