"""Signing in, the same for a unit's page and for the office: secrets, what a password must be, and wrong tries.

Page and office differ in where they keep this (a file, a database), in the hash of the password and in the roles; what
is a good password, how a token is known again and how tries are counted is said here once.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol, TypeVar

from condenser_monitor.monitor.core.errors import CommandError

_Found = TypeVar("_Found")


def new_secret() -> str:
    """Return a fresh random secret of 256 bits, fit for cookies, headers and addresses."""
    return secrets.token_urlsafe(32)


# No 0, O, 1, I, L, U: what is read out on the phone must not be taken for another letter.
CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"


def new_code(letters: int) -> str:
    """Return a fresh random code that a person can read out and type, such as 'K7MP-2XQ9-VWDR'."""
    code = "".join(secrets.choice(CODE_LETTERS) for _ in range(letters))
    return "-".join(code[at : at + 4] for at in range(0, letters, 4))


def code_letters(text: str) -> str:
    """Return the letters of a typed code alone, whatever its case, hyphens and spaces."""
    return "".join(one for one in text[:100].upper() if one in CODE_LETTERS)


def digest(secret: str) -> str:
    """Return the SHA-256 by which a long random secret is known again; a stolen copy of it opens nothing."""
    return hashlib.sha256(secret.encode()).hexdigest()


def check_password(password: str, *, least: int, most: int, login: str = "") -> None:
    """Raise CommandError for a password too short or too long, or one that holds the login."""
    if not least <= len(password) <= most:
        raise CommandError("password", f"{len(password)} characters", f"{least} to {most} characters")
    if login and login in password.casefold():
        raise CommandError("password", "one that holds the login", "one that does not")


class TryStore(Protocol):
    """Keeps wrong tries: `add` gives the keys by which `remove` takes them back."""

    def add(self, subjects: Sequence[str], at: float) -> Sequence[int]: ...

    def remove(self, keys: Sequence[int]) -> None: ...

    def newest(self, subject: str, since: float, most: int, leave: Sequence[int]) -> Sequence[float]:
        """Return when the newest `most` tries of a subject after `since` were, the newest first, but for `leave`."""
        ...


class Throttle:
    """Counts wrong tries by subject, such as an address and a login, within a window of time.

    A try is counted as wrong before it is judged, and taken back when it was right: of many at once each then sees
    the others, in other processes too where they share the store.
    """

    def __init__(self, store: TryStore, *, tries: Mapping[str, int], window_s: float) -> None:
        """`tries` says how many each kind of subject has."""
        self._store, self._tries, self._window_s = store, tries, window_s
        self._one = threading.Lock()

    def attempt(
        self, subjects: Mapping[str, str], now: float, judge: Callable[[], _Found]
    ) -> tuple[float, _Found | None]:
        """Make one try: 0 and what `judge` made of it, or the seconds to wait, and it was not judged. What is false
        counts as wrong. `subjects` are given by kind."""
        with self._one:
            wait_s = self.wait_s(subjects, now)  # whoever is held off already costs no writing
            if wait_s > 0:
                return wait_s, None
            keys = self._store.add(list(subjects.values()), now)
            wait_s = self.wait_s(subjects, now, leave=keys)
            found = judge() if wait_s <= 0 else None
            if wait_s > 0 or found:
                self._store.remove(keys)
            return max(wait_s, 0.0), found

    def wait_s(self, subjects: Mapping[str, str], now: float, *, leave: Sequence[int] = ()) -> float:
        """Return how long these subjects must wait before another try; 0 when they may now."""
        waits = [0.0]
        for kind, subject in subjects.items():
            times = self._store.newest(subject, now - self._window_s, self._tries[kind], leave)
            if len(times) >= self._tries[kind]:
                waits.append(times[-1] + self._window_s - now)
        return max(waits)


class TriesInMemory:
    """A store of tries for one process; what is past its window is forgotten."""

    def __init__(self, window_s: float) -> None:
        self._window_s, self._lock, self._next = window_s, threading.Lock(), 0
        self._tries: dict[int, tuple[float, str]] = {}

    def add(self, subjects: Sequence[str], at: float) -> list[int]:
        with self._lock:
            self._tries = {key: one for key, one in self._tries.items() if one[0] >= at - self._window_s}
            keys = list(range(self._next, self._next + len(subjects)))
            self._next += len(subjects)
            self._tries.update({key: (at, subject) for key, subject in zip(keys, subjects, strict=True)})
            return keys

    def remove(self, keys: Sequence[int]) -> None:
        with self._lock:
            for key in keys:
                self._tries.pop(key, None)

    def newest(self, subject: str, since: float, most: int, leave: Sequence[int]) -> list[float]:
        with self._lock:
            found = [
                at for key, (at, who) in self._tries.items() if who == subject and at >= since and key not in leave
            ]
        return sorted(found, reverse=True)[:most]
