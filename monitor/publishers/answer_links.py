"""(edge) Links in messages by which a person answers with one tap: I know; a technician comes; it is repaired; where
no call comes, that none was meant to.

A link holds which episode, what, who and until when, in few bytes, signed with a key that lies beside the history
(HMAC-SHA256, cut to 128 bits). It opens nothing else, and a second tap changes nothing. Following one only shows what
it would do: those who look at links in advance must not answer for people. The page answers at /a/TOKEN.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import secrets
import socket
from collections.abc import Callable, Mapping
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import Literal, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.errors import CommandError, HistoryError
from condenser_monitor.monitor.core.findings import can_be_meant
from condenser_monitor.monitor.core.records import Episode, Request, RequestKind
from condenser_monitor.monitor.hosts import is_loopback
from condenser_monitor.monitor.private_file import read_private, write_private

# "look" only shows: what is safe to look at, what not to touch.
Action = Literal["look", "know", "visit", "repaired", "intended"]
ACTIONS: tuple[Action, ...] = ("look", "know", "visit", "repaired", "intended")  # as they are numbered in a link
_REQUESTS = {"repaired": RequestKind.REPAIRED, "intended": RequestKind.INTENDED}
_KEY_BYTES, _SIGN_BYTES = 32, 16


class AnswerLink(NamedTuple):
    """What a link says: which episode, what is answered, by whom ("" for nobody named), and until when it holds."""

    episode: str
    action: Action
    by: str
    ends_wall_s: float


class LinkSigner:
    """Signs and reads links with the key beside the history at `history`; makes the key when there is none."""

    def __init__(self, history: Path) -> None:
        self._path = history.with_name(history.name + ".links")

    def _key(self) -> bytes:
        if not self._path.exists():
            with suppress(OSError):
                write_private(self._path, secrets.token_bytes(_KEY_BYTES))
        return read_private(self._path, HistoryError, "the key of the links in messages")

    def token(self, link: AnswerLink) -> str:
        """Return the signed text of a link. Raises HistoryError where there is no key and none can be made."""
        ends = round(link.ends_wall_s).to_bytes(5, "big")
        body = bytes([ACTIONS.index(link.action)]) + ends + f"{link.episode}\0{link.by}".encode()
        return base64.urlsafe_b64encode(self._sign(body) + body).decode().rstrip("=")

    def read(self, token: str, now_wall_s: float) -> AnswerLink:
        """Return what a token says. Raises CommandError for one that is not ours, and for one that has expired."""
        allowed = "a link of a message of the last days"
        try:
            whole = base64.urlsafe_b64decode(token[:600] + "=" * (-len(token[:600]) % 4))
            sign, body = whole[:_SIGN_BYTES], whole[_SIGN_BYTES:]
            if not hmac.compare_digest(sign, self._sign(body)):
                raise ValueError("not signed by this monitor")
            found = _link(body)
        except (ValueError, binascii.Error, msgspec.DecodeError):
            raise CommandError("link", "one that this monitor has not made", allowed) from None
        if now_wall_s >= found.ends_wall_s:
            raise CommandError("link", "one that has expired", allowed)
        return found

    def _sign(self, body: bytes) -> bytes:
        return hmac.new(self._key(), body, sha256).digest()[:_SIGN_BYTES]


def _link(body: bytes) -> AnswerLink:
    """What a signed text says; those of a message before 2026-12 are JSON."""
    if body.startswith(b"["):
        return AnswerLink(*msgspec.json.decode(body, type=tuple[str, Action, str, float]))
    episode, _, by = body[6:].decode().partition("\0")
    return AnswerLink(episode, ACTIONS[body[0]], by, float(int.from_bytes(body[1:6], "big")))


def request_of(link: AnswerLink, token: str, day: str | None = None) -> Request:
    """Return the request that a link stands for. Its id is made of the token: a second tap changes nothing."""
    kind = _REQUESTS.get(link.action, RequestKind.ACKNOWLEDGE)
    digest = sha256(f"{token}/{day or ''}".encode()).hexdigest()[:24]
    return Request(id=f"link-{digest}", request=kind, by=link.by or "a phone", finding=link.episode, day=day)


def page_address(settings: Settings) -> str:
    """Return where the page is reached from a phone: as the owner set it, else the machine's name on the local network;
    "" where the page listens on this machine alone."""
    if settings.notify.page_url:
        return settings.notify.page_url.rstrip("/")
    if is_loopback(settings.web.host):
        return ""
    return f"http://{socket.gethostname().partition('.')[0]}.local:{settings.web.port}"


def page_links(
    settings: Settings, history: Path, wall: Callable[[], float | None], by: str = ""
) -> Callable[[Episode], Mapping[str, str]]:
    """Return the function that gives the links of an episode, by what they do; none where no address is known."""
    base, signer = page_address(settings), LinkSigner(history)

    def links(episode: Episode) -> Mapping[str, str]:
        now_s = wall()
        if not base or now_s is None:
            return {}
        if not episode.id.startswith("episode-"):  # of the monitor itself: nothing to answer
            return {"page": f"{base}/"}
        ends_s = now_s + limits.NOTIFY.link_s.value
        fits = [action for action in ACTIONS if action != "intended" or can_be_meant(episode.findings)]
        try:
            tokens = {action: signer.token(AnswerLink(episode.id, action, by, ends_s)) for action in fits}
        except HistoryError:
            return {"page": f"{base}/alerts"}
        return {name: f"{base}/a/{token}" for name, token in tokens.items()} | {"page": f"{base}/alerts"}

    return links
