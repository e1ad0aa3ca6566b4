"""People of the contractor's office: owner, dispatcher, technician; passwords, sessions, and who did what.

Passwords are hashed with Argon2id; a session's token is kept only as a hash, so that a stolen database opens nothing.
Every input carries its instant (`now`, seconds since 1970).
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from enum import StrEnum
from functools import cache
from typing import Any, NamedTuple

import msgspec
import sqlalchemy as sa
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from condenser_monitor.monitor.core.errors import CONTROLS, CommandError
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import (
    api_tokens,
    audit,
    calendars,
    login_failures,
    sessions,
    settings,
    sites,
    users,
    visits,
)
from condenser_monitor.monitor.limits import FLEET
from condenser_monitor.monitor.sign_in import Throttle, check_password, digest, new_secret

_IDLE_S, _MOST_S = FLEET.session_idle_s.value, FLEET.session_most_s.value
_WINDOW_S = FLEET.login_window_s.value
_TRIES = {"login": int(FLEET.login_tries.value), "from": int(FLEET.login_tries_from.value)}
_LEAST, _MOST = int(FLEET.password_least.value), 1000
_BRANCH_MOST = 64
_PAGE_KEY = "page-key"
UNLOGGED = ("vulnerability", "vulnerability_note", "away_until")
_USED_STEP_S = 60.0  # a session's last use is written no more often than this


class Role(StrEnum):
    """owner: everything, people too; dispatcher: sites and visits; technician: the sites and visits assigned."""

    OWNER = "owner"
    DISPATCHER = "dispatcher"
    TECHNICIAN = "technician"


class Viewer(msgspec.Struct, frozen=True, kw_only=True):
    """Who is asking: everything that is shown or changed is shown to, or changed by, one of these."""

    id: int
    login: str
    name: str
    role: Role
    branch: str = ""  # whose sites alone are seen; "": all


class OfficeSession(msgspec.Struct, frozen=True, kw_only=True):
    """A signed-in viewer and the token that each of their forms must carry."""

    viewer: Viewer
    form_token: str


class TooManyTries(CommandError):
    """Too many wrong passwords: `retry_s` until another try counts."""

    def __init__(self, retry_s: float) -> None:
        self.retry_s = retry_s
        super().__init__("sign in", "too many wrong passwords", f"another try in {retry_s / 60:.0f} min")


# ---------------------------------------------------------------- who did what


def note(connection: sa.Connection, now: float, who: str, did: str, what: str, **detail: Any) -> None:
    """Write one line of the audit log, in the transaction of the change itself. What is said of people's health is
    never copied there: only that it was changed."""
    detail = {key: "(changed)" if key in UNLOGGED else value for key, value in detail.items()}
    connection.execute(sa.insert(audit).values(at=now, who=who, did=did, what=what, detail=detail or None))


# ---------------------------------------------------------------- users


@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher(
        time_cost=int(FLEET.argon2_passes.value),
        memory_cost=int(FLEET.argon2_kib.value),
        parallelism=1,
    )


@cache
def _nobodys_hash() -> str:
    return _hasher().hash(secrets.token_urlsafe(16))


def add_user(
    store: Store, login: str, name: str, role: Role, password: str, *, branch: str = "", by: str, now: float
) -> int:
    """A new person; the id. Raises CommandError for a login in use, a password too short, or an owner of a branch: the
    owner sees the log and the people, which know no branches."""
    if not login.strip() or len(login) > 64:
        raise CommandError("login", login, "1 to 64 characters")
    if role is Role.OWNER and branch:
        raise CommandError("branch", branch, "none for an owner; a dispatcher or technician may be of one")
    row = {"login": _fold(login), "name": name or login, "role": role.value, "active": True, "made_at": now}
    row["branch"] = checked_branch(branch)
    hashed = _hash(password, login)
    with store.write() as connection:
        if connection.scalar(sa.select(users.c.id).where(users.c.login == row["login"])) is not None:
            raise CommandError("login", login, "a login not in use")
        change = sa.insert(users).values(password_hash=hashed, **row).returning(users.c.id)
        user_id: int = connection.execute(change).scalar_one()
        note(connection, now, by, "added", f"user {row['login']}", role=role.value)
    return user_id


class Technician(NamedTuple):
    """Somebody who can be sent."""

    id: int
    login: str
    name: str


def technicians(connection: sa.Connection, viewer: Viewer) -> list[Technician]:
    """Return whom the viewer can send, by name: of a branch, its own people and those of no branch."""
    query = sa.select(users.c.id, users.c.login, users.c.name)
    query = query.where(users.c.active, users.c.role == Role.TECHNICIAN.value).order_by(users.c.name)
    query = query.where(colleagues(viewer))
    return [Technician(*row) for row in connection.execute(query)]


def set_password(store: Store, login: str, password: str, *, by: str, now: float) -> None:
    """A new password; all sessions of that person end."""
    _change_user(store, login, {"password_hash": _hash(password, login)}, by=by, now=now, did="set the password of")


def set_active(store: Store, login: str, active: bool, *, by: str, now: float) -> None:
    """Let a person in again, or out for good; all their sessions end."""
    did = "let in again" if active else "shut out"
    _change_user(store, login, {"active": active}, by=by, now=now, did=did)


def _change_user(store: Store, login: str, values: dict[str, Any], *, by: str, now: float, did: str) -> None:
    change = sa.update(users).where(users.c.login == _fold(login)).values(values).returning(users.c.id)
    with store.write() as connection:
        user_id = connection.execute(change).scalar()
        if user_id is None:
            raise CommandError("login", login, "the login of a person known here")
        connection.execute(sa.delete(sessions).where(sessions.c.user_id == user_id))
        note(connection, now, by, did, f"user {_fold(login)}")


def _fold(login: str) -> str:
    return login.strip().casefold()


def _hash(password: str, login: str) -> str:
    check_password(password, least=_LEAST, most=_MOST, login=_fold(login))
    return _hasher().hash(password)


# ---------------------------------------------------------------- signing in


def sign_in(store: Store, login: str, password: str, *, address: str, now: float) -> str | None:
    """The token of a new session, or None for a wrong login or password (which of the two is not told).

    Raises TooManyTries when wrong passwords for this login, or from this address, have been too many.
    """
    subjects = {"login": f"login:{_fold(login)[:64]}", "from": f"from:{address}"}
    throttle = Throttle(_TriesInDatabase(store), tries=_TRIES, window_s=_WINDOW_S)
    wait_s, user_id = throttle.attempt(subjects, now, lambda: _known(store, login, password))
    if wait_s > 0:
        raise TooManyTries(wait_s)
    if user_id is None:
        return None
    with store.write() as connection:
        connection.execute(sa.delete(login_failures).where(login_failures.c.subject == subjects["login"]))
        note(connection, now, _fold(login), "signed in", f"from {address}")
        return _open_session(connection, user_id, now)


def _known(store: Store, login: str, password: str) -> int | None:
    """The key of who has this login and password and may sign in; a wrong login takes as long as a right one."""
    with store.read() as connection:
        query = sa.select(users.c.id, users.c.password_hash, users.c.active).where(users.c.login == _fold(login))
        row = connection.execute(query).one_or_none()
    right = _matches(row.password_hash if row else _nobodys_hash(), password)
    return int(row.id) if row is not None and right and row.active else None


class _TriesInDatabase:
    """Wrong tries in the table `login_failures`, shared by all processes of the pages."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(self, subjects: Sequence[str], at: float) -> list[int]:
        count = sa.insert(login_failures).returning(login_failures.c.id)
        with self._store.write() as connection:
            return [connection.execute(count.values(subject=subject, at=at)).scalar_one() for subject in subjects]

    def remove(self, keys: Sequence[int]) -> None:
        with self._store.write() as connection:
            connection.execute(sa.delete(login_failures).where(login_failures.c.id.in_(keys)))

    def newest(self, subject: str, since: float, most: int, leave: Sequence[int]) -> list[float]:
        c = login_failures.c
        others = sa.select(c.at).where(c.subject == subject, c.at > since, c.id.not_in(leave))
        with self._store.read() as connection:
            return list(connection.scalars(others.order_by(c.at.desc()).limit(most)))


def _matches(hashed: str, password: str) -> bool:
    try:
        return _hasher().verify(hashed, password[:_MOST])
    except (VerificationError, InvalidHashError):
        return False


def _open_session(connection: sa.Connection, user_id: int, now: float) -> str:
    token = new_secret()
    row = {"token_hash": digest(token), "user_id": user_id, "form_token": secrets.token_urlsafe(24)}
    connection.execute(sa.insert(sessions).values(**row, made_at=now, used_at=now))
    connection.execute(sa.delete(sessions).where(_ended(now)))
    return token


def _ended(now: float) -> sa.ColumnElement[bool]:
    return sa.or_(sessions.c.used_at < now - _IDLE_S, sessions.c.made_at < now - _MOST_S)


def session(store: Store, token: str, now: float) -> OfficeSession | None:
    """Who holds this token; None when it is unknown, has ended or its person was shut out."""
    columns = (*_WHO, sessions.c.form_token, sessions.c.used_at)
    query = sa.select(*columns).join(users).where(sessions.c.token_hash == digest(token), users.c.active)
    with store.read() as connection:
        row = connection.execute(query.where(sa.not_(_ended(now)))).one_or_none()
    if row is None:
        return None
    if row.used_at < now - _USED_STEP_S:
        with store.write() as connection:
            used = sa.update(sessions).where(sessions.c.token_hash == digest(token))
            connection.execute(used.values(used_at=now))
    return OfficeSession(viewer=_viewer(row), form_token=row.form_token)


_WHO = (users.c.id, users.c.login, users.c.name, users.c.role, users.c.branch)


def _viewer(row: Any) -> Viewer:
    return Viewer(id=row.id, login=row.login, name=row.name, role=Role(row.role), branch=row.branch)


def sign_out(store: Store, token: str) -> None:
    """End a session."""
    with store.write() as connection:
        connection.execute(sa.delete(sessions).where(sessions.c.token_hash == digest(token)))


# ---------------------------------------------------------------- tokens of programs

SCOPES = ("metrics", "read", "write")


def add_token(store: Store, name: str, scopes: Sequence[str], *, branch: str = "", by: str, now: float) -> str:
    """Return a new token for a program; only its hash is kept. Raises CommandError for a name in use, or for metrics,
    which are the whole office's, of a branch."""
    if not name.strip() or len(name) > 64:
        raise CommandError("token: name", name, "1 to 64 characters")
    if not scopes or not set(scopes) <= set(SCOPES):
        raise CommandError("token: scopes", " ".join(scopes), f"any of {', '.join(SCOPES)}")
    if branch and "metrics" in scopes:
        raise CommandError("token: scopes", " ".join(scopes), "no `metrics` for a branch: they are the whole office's")
    secret = new_secret()
    with store.write() as connection:
        if connection.scalar(sa.select(api_tokens.c.name).where(api_tokens.c.name == name)) is not None:
            raise CommandError("token: name", name, "a name not in use")
        row = {"name": name, "digest": digest(secret), "scopes": " ".join(scopes), "made_at": now}
        connection.execute(sa.insert(api_tokens).values(**row, branch=checked_branch(branch)))
        note(connection, now, by, "made a token", name, scopes=row["scopes"])
    return secret


def drop_token(store: Store, name: str, *, by: str, now: float) -> None:
    """End a token. Raises CommandError for one that there is not."""
    with store.write() as connection:
        if not connection.execute(sa.delete(api_tokens).where(api_tokens.c.name == name)).rowcount:
            raise CommandError("token: name", name, "the name of a token")
        note(connection, now, by, "ended a token", name)


class Program(NamedTuple):
    """A program with a token: its name, what it may (of SCOPES), and of which branch it is."""

    name: str
    scopes: frozenset[str]
    branch: str = ""

    @property
    def viewer(self) -> Viewer:
        """Who a program is to the queries and in the log: it sees what a dispatcher sees."""
        about = {"login": f"program {self.name}", "name": self.name, "branch": self.branch}
        return Viewer(id=0, role=Role.DISPATCHER, **about)


def program(store: Store, secret: str) -> Program | None:
    """Return whose token this is; None for no token of ours."""
    query = sa.select(api_tokens).where(api_tokens.c.digest == digest(secret))
    with store.read() as connection:
        row = connection.execute(query).one_or_none()
    return None if row is None else Program(row.name, frozenset(row.scopes.split()), row.branch)


# ---------------------------------------------------------------- addresses of calendar feeds


def make_calendar(store: Store, viewer: Viewer, *, now: float) -> str:
    """Return the secret of a new address for a person's feed of visits; the one before opens nothing any more."""
    secret = new_secret()
    with store.write() as connection:
        connection.execute(sa.delete(calendars).where(calendars.c.user_id == viewer.id))
        connection.execute(sa.insert(calendars).values(user_id=viewer.id, digest=digest(secret), made_at=now))
        note(connection, now, viewer.login, "made a calendar feed for", f"user {viewer.login}")
    return secret


def calendar_viewer(store: Store, secret: str) -> Viewer | None:
    """Return whose feed this is; None for no secret of ours, or a person who was shut out."""
    query = sa.select(users).join(calendars, calendars.c.user_id == users.c.id)
    with store.read() as connection:
        row = connection.execute(query.where(calendars.c.digest == digest(secret), users.c.active)).one_or_none()
    return None if row is None else _viewer(row)


def page_key(store: Store) -> str:
    """The key by which the pages sign cookies, the same for all of their processes; made on first use."""
    query = sa.select(settings.c.value).where(settings.c.key == _PAGE_KEY)
    with store.write() as connection:
        found = connection.scalar(query)
        if found is None:
            found = secrets.token_hex(32)
            connection.execute(sa.insert(settings).values(key=_PAGE_KEY, value=found))
    return str(found)


# ---------------------------------------------------------------- who may see what


def checked_branch(branch: str) -> str:
    """Return the name of a branch as it is kept. Raises CommandError."""
    if len(branch) > _BRANCH_MOST or CONTROLS.search(branch):
        raise CommandError("branch", branch, f"at most {_BRANCH_MOST} characters, none of them a control character")
    return branch.strip()


def colleagues(viewer: Viewer) -> sa.ColumnElement[bool]:
    """The condition on `users` of who works with the viewer: of a branch, its own people and those of no branch."""
    return users.c.branch.in_(("", viewer.branch)) if viewer.branch else sa.true()


def visible(viewer: Viewer) -> sa.ColumnElement[bool]:
    """The condition on `sites` that every query of the pages carries: of a branch, its own sites; a technician only
    sites that are theirs, or where a visit booked for them is still to be made."""
    own = sites.c.branch == viewer.branch if viewer.branch else sa.true()
    if viewer.role is not Role.TECHNICIAN:
        return own
    booked = sa.select(visits.c.site_id).where(visits.c.technician_id == viewer.id, visits.c.status == "booked")
    return sa.and_(own, sa.or_(sites.c.technician_id == viewer.id, sites.c.id.in_(booked)))
