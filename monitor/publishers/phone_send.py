"""(edge) Sends one message to one phone service, in a process of its own.

Run as `python -m condenser_monitor.monitor.publishers.phone_send`.

The order comes as JSON on standard input (`url`, `title`, `body`, `level`, `buttons`), so that the address, which holds
secrets, is in no list of processes. The answer is one JSON object on standard output: `ok`, and `why` in words without
secrets. The process is short-lived because the library takes more memory than the whole monitor, and because a service
may hang.
"""

from __future__ import annotations

import json
import logging
import re
import sys
import unicodedata
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from condenser_monitor.monitor.strings.phone import MISSING, REFUSED, UNKNOWN


def scrubbed(text: str, url: str) -> str:
    """A saying of the library without anything that stands in the address, host and scheme aside."""
    scheme, _, rest = url.partition("://")
    host = re.split(r"[/?]", rest.rpartition("@")[2] if "@" in rest else rest, maxsplit=1)[0]
    parts = [part for part in re.split(r"[/?&=@:,]", rest) if len(part) > 3 and part not in (host, host.split(":")[0])]
    for part in sorted(parts, key=len, reverse=True):
        text = text.replace(part, "…")
    return text.replace(url, f"{scheme}://…")


def with_buttons(url: str, buttons: Sequence[Sequence[str]]) -> str:
    """Return an address that carries the buttons, where its service has them and the owner chose none of his own.

    ntfy (an open service) takes "view, WORDS, LINK; ..." in a header, which holds no letters beyond ASCII."""
    if not buttons or url.partition("://")[0] not in ("ntfy", "ntfys") or "actions=" in url:
        return url
    plain = [unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode() for words, _ in buttons]
    actions = "; ".join(f"view, {words}, {link}" for words, (_, link) in zip(plain, buttons, strict=True))
    return f"{url}{'&' if '?' in url else '?'}actions={quote(actions, safe='')}"


class _Listener(logging.Handler):
    """Keeps what the library complains of."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.heard: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.heard.append(record.getMessage())


def send(order: dict[str, Any]) -> dict[str, Any]:
    """Send what is ordered; what became of it."""
    try:
        import apprise  # noqa: PLC0415 - only this process carries it
    except ImportError:
        return {"ok": False, "why": MISSING}
    listener = _Listener()
    logging.getLogger("apprise").addHandler(listener)
    target = apprise.Apprise.instantiate(with_buttons(order["url"], order.get("buttons", ())))
    if target is None:
        return {"ok": False, "why": UNKNOWN}
    if "overflow=" not in order["url"]:  # a service with short messages gets several, none is cut
        target.overflow_mode = apprise.OverflowMode.SPLIT
    box = apprise.Apprise()
    box.add(target)
    level = apprise.NotifyType(order["level"])
    ok = bool(box.notify(title=order["title"], body=order["body"], notify_type=level, body_format="text"))
    why = "" if ok else scrubbed("; ".join(listener.heard) or REFUSED, order["url"])
    return {"ok": ok, "why": why[:300]}


def main() -> int:
    """One order in, one answer out."""
    json.dump(send(json.load(sys.stdin)), sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main())
