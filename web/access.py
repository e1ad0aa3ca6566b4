"""Who may, at a unit's page: the owner's password, tokens for programs, sessions that ended. No view, no request.

Kept in one small file beside the history, readable by its owner only: a scrypt hash of the password (werkzeug's), the
SHA-256 of each token, which is long and random, and of each session that was signed out, and the key that signs the
session cookies. None of these, and neither password nor token, is ever logged or shown again.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Literal, TypeVar

import msgspec
from werkzeug.security import check_password_hash, generate_password_hash

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.errors import CommandError, HistoryError
from condenser_monitor.monitor.core.untrusted_input import Digest, WallSeconds
from condenser_monitor.monitor.private_file import read_private, write_private
from condenser_monitor.monitor.sign_in import (
    Throttle,
    TriesInMemory,
    check_password,
    code_letters,
    digest,
    new_code,
    new_secret,
)

Right = Literal["read", "write", "technician"]
_Found = TypeVar("_Found")
_ALLOWED = "the page's access file, as it was written"
# What `set_password` keeps; other factors could ask for more memory than there is.
_Hashed = Annotated[
    str, msgspec.Meta(pattern=r"^(scrypt:(16384|32768|65536|131072):8:1\$[A-Za-z0-9]+\$[0-9a-f]{128})?$")
]
# Checked where no password is set yet, so that an answer takes as long either way.
_NOBODY = "scrypt:32768:8:1$nobody$" + "0" * 128


class Token(msgspec.Struct, frozen=True, kw_only=True):
    """A token for a program, or a technician's code for the guided checks: whose it is, what it may, and the hash by
    which it is known again."""

    name: str
    right: Right
    digest: Digest
    made_wall_s: WallSeconds


class EndedSession(msgspec.Struct, frozen=True, kw_only=True):
    """A session that was signed out, kept until its cookie is too old to be shown again by whoever has a copy."""

    digest: Digest
    until_wall_s: WallSeconds


class StoredAccess(msgspec.Struct, frozen=True, kw_only=True):
    """The file's content. `epoch` grows with each new password: older sessions then end."""

    key: Digest
    password: _Hashed = ""
    epoch: int = 0
    tokens: tuple[Token, ...] = ()
    ended: tuple[EndedSession, ...] = ()


class Access:
    """The access file at `path`; it is made when it does not exist. Raises HistoryError when it cannot be read."""

    def __init__(self, path: Path) -> None:
        self._path, self._lock = path, threading.Lock()
        # One at a time: each takes 32 MB, and anybody may send eight passwords at once.
        self._hashing = threading.Lock()
        self._stamp: tuple[int, int] | None = None
        self._kept = StoredAccess(key=secrets.token_hex(32))
        if not self._reread():
            self._change(lambda kept: kept)

    # ------------------------------------------------------------ password

    @property
    def key(self) -> str:
        return self._now().key

    @property
    def epoch(self) -> int:
        return self._now().epoch

    @property
    def has_password(self) -> bool:
        return bool(self._now().password)

    def set_password(self, password: str, *, first: bool = False) -> None:
        """Set a new password; all sessions end. Raises CommandError for one too short or too long, and for the `first`
        where there is one already: of two visitors at once only one may set it."""
        least, most = int(limits.WEB.password_least.value), int(limits.WEB.password_most.value)
        check_password(password, least=least, most=most)
        with self._hashing:
            hashed = generate_password_hash(password, method="scrypt")

        def renewed(kept: StoredAccess) -> StoredAccess:
            if first and kept.password:
                raise CommandError("password", "a first one", "to sign in: it is set already")
            return msgspec.structs.replace(kept, password=hashed, epoch=kept.epoch + 1, ended=())

        self._change(renewed)

    def is_password(self, password: str) -> bool:
        """Whether it is the owner's password; takes as long where none is set."""
        kept = self._now().password
        try:
            with self._hashing:
                right = check_password_hash(kept or _NOBODY, password[: int(limits.WEB.password_most.value) + 1])
        except ValueError as error:
            raise self._damaged(error) from None
        return right and bool(kept)

    # ------------------------------------------------------------ tokens

    def tokens(self) -> tuple[Token, ...]:
        return self._now().tokens

    def make_token(self, name: str, right: Right, wall_s: float) -> str:
        """A new token or code, given out this once. Raises CommandError for a name in use, or when there are too
        many."""
        code = right == "technician"
        secret = new_code(int(limits.REPORT.share_letters.value)) if code else new_secret()

        def with_it(kept: StoredAccess) -> StoredAccess:
            taken = [token.name for token in kept.tokens]
            untrusted_input.check_name("token: name", name, taken)
            if len(taken) >= limits.WEB.tokens_most.value:
                raise CommandError("token", f"{len(taken)} tokens", "revoke one that is no longer used first")
            known = digest(code_letters(secret) if code else secret)
            made = Token(name=name, right=right, digest=known, made_wall_s=wall_s)
            return msgspec.structs.replace(kept, tokens=(*kept.tokens, made))

        self._change(with_it)
        return secret

    def revoke(self, name: str) -> None:
        """Take a token's rights away; one that does not exist is none."""
        self._change(lambda kept: msgspec.structs.replace(kept, tokens=tuple(t for t in kept.tokens if t.name != name)))

    def token_right(self, secret: str) -> Right | None:
        """What a program with this token may; None for no token of ours, and for a technician's code."""
        found = self._by(secret)
        return None if found is None or found.right == "technician" else found.right

    def technician(self, code: str) -> Token | None:
        """Whose code this is, as a technician typed it; None for nobody's."""
        found = self._by(code_letters(code))
        return found if found is not None and found.right == "technician" else None

    def _by(self, secret: str) -> Token | None:
        given = digest(secret)
        return next((token for token in self._now().tokens if hmac.compare_digest(token.digest, given)), None)

    # ------------------------------------------------------------ sessions

    def end_session(self, sign: str, wall_s: float) -> None:
        """Sign a session out for good: a copy of its cookie opens nothing either. Where very many were signed out, all
        that stand are, so that none of those can come back."""
        lasts = EndedSession(digest=digest(sign), until_wall_s=wall_s + limits.WEB.session_h.value * 3600.0)

        def without(kept: StoredAccess) -> StoredAccess:
            ended = (*(one for one in kept.ended if one.until_wall_s > wall_s), lasts)
            if len(ended) > limits.WEB.ended_most.value:
                return msgspec.structs.replace(kept, epoch=kept.epoch + 1, ended=())
            return msgspec.structs.replace(kept, ended=ended)

        self._change(without)

    def is_ended(self, sign: str) -> bool:
        """Whether the session of this sign was signed out."""
        given = digest(sign)
        return any(one.digest == given for one in self._now().ended)

    # ------------------------------------------------------------ the file

    def _now(self) -> StoredAccess:
        """The content as it is now: another process may have set a password."""
        with self._lock:
            self._reread()
            return self._kept

    def _reread(self) -> bool:
        try:
            found = self._path.stat()
        except FileNotFoundError:
            return False
        except OSError as error:
            raise self._damaged(error) from None
        stamp = (found.st_mtime_ns, found.st_ino)
        if stamp != self._stamp:
            data = read_private(self._path, HistoryError, _ALLOWED, most=untrusted_input.KEPT_MOST)
            try:
                self._kept = untrusted_input.from_json(data, StoredAccess)
            except ValueError as error:
                # Never fall back to no password: that would open the page.
                raise self._damaged(error) from None
            self._stamp = stamp
        return True

    def _damaged(self, error: Exception) -> HistoryError:
        return HistoryError(str(self._path), untrusted_input.why(error), _ALLOWED)

    def _change(self, change: Callable[[StoredAccess], StoredAccess]) -> None:
        """Keep what becomes of the content. One change at a time, or of two at once one would be lost."""
        with self._lock:
            self._reread()
            kept = change(self._kept)
            try:
                write_private(self._path, msgspec.json.encode(kept))
            except OSError as error:
                raise HistoryError(str(self._path), str(error), "a place that can be written") from None
            self._kept, self._stamp = kept, None


class SignInTries:
    """Counts wrong passwords, by address and in all, over the last minutes; `clock` never runs back."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        window_s = limits.WEB.login_window_s.value
        tries = {"from": int(limits.WEB.login_tries.value), "all": int(limits.WEB.login_tries_all.value)}
        self._kept = TriesInMemory(window_s)
        self._throttle = Throttle(self._kept, tries=tries, window_s=window_s)

    def attempt(self, address: str, judge: Callable[[], _Found]) -> tuple[float, _Found | None]:
        """Make one try: nothing to wait and what `judge` made of it, or the seconds to wait, and it was not judged."""
        return self._throttle.attempt(_subjects(address), self._clock(), judge)

    def wait_s(self, address: str) -> float:
        """Return how long this address must wait before it may try again; 0 when it may now."""
        return self._throttle.wait_s(_subjects(address), self._clock())

    def wrong(self, address: str) -> None:
        """Count one wrong try."""
        self._kept.add(list(_subjects(address).values()), self._clock())


def _subjects(address: str) -> dict[str, str]:
    return {"from": f"from:{address}", "all": "all"}
