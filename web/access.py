"""Who may: the owner's password, tokens for programs, and the count of wrong tries. No view, no request.

Kept in one small file beside the history, readable by its owner only: a scrypt hash of the password (werkzeug's), the
SHA-256 of each token, which is long and random, and the key that signs the session cookies. None of these, and neither
password nor token, is ever logged or shown again.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import msgspec
from werkzeug.security import check_password_hash, generate_password_hash

from monitor import foreign, limits
from monitor.errors import CommandError, HistoryError
from monitor.foreign import Digest, WallSeconds
from monitor.private_file import write_private

Right = Literal["read", "write"]
_W = limits.WEB
# Checked where no password is set yet, so that an answer takes as long either way.
_NOBODY = "scrypt:32768:8:1$nobody$" + "0" * 128


class Token(msgspec.Struct, frozen=True, kw_only=True):
    """A token for a program: what it is for, what it may, and the hash by which it is known again."""

    name: str
    right: Right
    digest: Digest
    made_wall_s: WallSeconds


class Kept(msgspec.Struct, frozen=True, kw_only=True):
    """The file's content. `epoch` grows with each new password: older sessions then end."""

    key: Digest
    password: str = ""
    epoch: int = 0
    tokens: tuple[Token, ...] = ()


class Access:
    """The access file at `path`; it is made when it does not exist. Raises HistoryError when it cannot be read."""

    def __init__(self, path: Path) -> None:
        self._path, self._lock = path, threading.Lock()
        self._stamp: tuple[int, int] | None = None
        self._kept = Kept(key=secrets.token_hex(32))
        if not self._reread():
            self._put(self._kept)

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

    def set_password(self, password: str) -> None:
        """Set a new password; all sessions end. Raises CommandError for one too short or too long."""
        least, most = int(_W["password_least"].value), int(_W["password_most"].value)
        if not least <= len(password) <= most:
            raise CommandError("password", f"{len(password)} characters", f"{least} to {most} characters")
        now = self._now()
        hashed = generate_password_hash(password, method="scrypt")
        self._put(msgspec.structs.replace(now, password=hashed, epoch=now.epoch + 1))

    def is_password(self, password: str) -> bool:
        """Whether it is the owner's password; takes as long where none is set."""
        kept = self._now().password
        try:
            right = check_password_hash(kept or _NOBODY, password[: int(_W["password_most"].value) + 1])
        except ValueError as error:
            raise self._damaged(error) from None
        return right and bool(kept)

    # ------------------------------------------------------------ tokens

    def tokens(self) -> tuple[Token, ...]:
        return self._now().tokens

    def make_token(self, name: str, right: Right, wall_s: float) -> str:
        """A new token, given out this once. Raises CommandError for a name in use, or when there are too many."""
        now = self._now()
        taken = [token.name for token in now.tokens]
        if not name.strip() or len(name) > 64 or foreign.CONTROLS.search(name) or name in taken:
            raise CommandError("token: name", name[:80], "1 to 64 characters, none a control, not in use")
        if len(taken) >= _W["tokens_most"].value:
            raise CommandError("token", f"{len(taken)} tokens", "revoke one that is no longer used first")
        secret = secrets.token_urlsafe(32)
        made = Token(name=name, right=right, digest=_digest(secret), made_wall_s=wall_s)
        self._put(msgspec.structs.replace(now, tokens=(*now.tokens, made)))
        return secret

    def revoke(self, name: str) -> None:
        """Take a token's rights away; one that does not exist is none."""
        now = self._now()
        self._put(msgspec.structs.replace(now, tokens=tuple(t for t in now.tokens if t.name != name)))

    def token_right(self, secret: str) -> Right | None:
        """What the bearer of a token may; None for no token of ours."""
        given = _digest(secret)
        return next((t.right for t in self._now().tokens if hmac.compare_digest(t.digest, given)), None)

    # ------------------------------------------------------------ the file

    def _now(self) -> Kept:
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
            try:
                self._kept = foreign.from_json(foreign.read_bytes(self._path, foreign.KEPT_MOST), Kept)
            except (OSError, ValueError) as error:
                # Never fall back to no password: that would open the page.
                raise self._damaged(error) from None
            self._stamp = stamp
        return True

    def _damaged(self, error: Exception) -> HistoryError:
        return HistoryError(str(self._path), foreign.why(error), "the page's access file, as it was written")

    def _put(self, kept: Kept) -> None:
        with self._lock:
            try:
                write_private(self._path, msgspec.json.encode(kept))
            except OSError as error:
                raise HistoryError(str(self._path), str(error), "a place that can be written") from None
            self._kept, self._stamp = kept, None


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


class Tries:
    """Counts wrong passwords, by address and in all, over the last minutes."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._wrong: deque[tuple[float, str]] = deque()

    def wait_s(self, address: str) -> float:
        """How long this address must wait before it may try again; 0 when it may now."""
        with self._lock:
            self._forget()
            own = [at_s for at_s, who in self._wrong if who == address]
            ends = []
            if len(own) >= _W["login_tries"].value:
                ends.append(own[0])
            if len(self._wrong) >= _W["login_tries_all"].value:
                ends.append(self._wrong[0][0])
            return max((at_s + _W["login_window_s"].value - self._clock() for at_s in ends), default=0.0)

    def wrong(self, address: str) -> None:
        """Count one wrong try."""
        with self._lock:
            self._forget()
            self._wrong.append((self._clock(), address))

    def _forget(self) -> None:
        while self._wrong and self._wrong[0][0] < self._clock() - _W["login_window_s"].value:
            self._wrong.popleft()
