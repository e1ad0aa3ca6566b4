"""(edge) Share codes: a short code that the owner gives to a technician, who may read the report with it until it ends.

Kept in one small file beside the history, readable by its owner only; of each code only the hash is kept, so that the
file gives none away. A code opens the report and nothing else. Whoever asks for a code must limit the tries.
"""

from __future__ import annotations

import hmac
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import untrusted_input
from condenser_monitor.monitor.core.errors import CommandError, HistoryError
from condenser_monitor.monitor.core.untrusted_input import Digest, WallSeconds
from condenser_monitor.monitor.private_file import read_private, write_private
from condenser_monitor.monitor.sign_in import code_letters, digest, new_code
from condenser_monitor.monitor.strings import texts, time_format

_DAY_S = 86400.0
ENTRANCE = "/shared"  # the page on which a code is entered


class Share(msgspec.Struct, frozen=True, kw_only=True):
    """One code in force: for whom it is, how far back the report goes, when it was made and when it ends."""

    name: str
    days: Annotated[int, msgspec.Meta(ge=1, le=limits.REPORT.days_most.value)]
    made_wall_s: WallSeconds
    ends_wall_s: WallSeconds
    digest: Digest


class Shares:
    """The share codes of the history at `history`. Any process and any thread may ask."""

    def __init__(self, history: Path) -> None:
        self._path = history.with_name(history.name + ".shares.json")
        self._lock = threading.Lock()

    def make(self, name: str, *, wall_s: float, days: int | None = None, valid_days: float | None = None) -> str:
        """A new code such as 'K7MP-2XQ9-VWDR', given out this once. `days` is how far back its report goes.

        Raises CommandError for a name in use or too many codes, HistoryError where nothing can be written.
        """
        days = int(limits.REPORT.days.value) if days is None else days
        valid_days = limits.REPORT.share_days.value if valid_days is None else valid_days
        bounds = limits.REPORT.share_days
        if not 1 <= days <= limits.REPORT.days_most.value:
            raise CommandError("share: days", days, f"1 to {limits.REPORT.days_most.value:.0f}")
        if not bounds.low <= valid_days <= bounds.high:
            raise CommandError("share: valid days", valid_days, f"{bounds.low:g} to {bounds.high:g}")
        code = new_code(int(limits.REPORT.share_letters.value))
        with self._lock:
            standing = self._standing(wall_s)
            untrusted_input.check_name("share: name", name, [share.name for share in standing])
            if len(standing) >= limits.REPORT.shares_most.value:
                raise CommandError("share", f"{len(standing)} codes", "revoke one that is no longer used first")
            ends_s = wall_s + valid_days * _DAY_S
            made = Share(
                name=name, days=days, made_wall_s=wall_s, ends_wall_s=ends_s, digest=digest(code_letters(code))
            )
            self._put((*standing, made))
        return code

    def check(self, code: str, *, wall_s: float) -> Share | None:
        """The share that a code opens; None for a wrong, revoked or ended one. Case, blanks, hyphens are no matter."""
        given = digest(code_letters(code))
        found = [share for share in self.standing(wall_s) if hmac.compare_digest(share.digest, given)]
        return found[0] if found else None

    def revoke(self, name: str, *, wall_s: float) -> bool:
        """End a code at once; whether there was one of that name. Raises HistoryError where nothing can be written."""
        with self._lock:
            standing = self._standing(wall_s)
            kept = tuple(share for share in standing if share.name != name)
            if len(kept) != len(standing):
                self._put(kept)
            return len(kept) != len(standing)

    def standing(self, wall_s: float) -> tuple[Share, ...]:
        """The codes in force, the oldest first. Raises HistoryError for a file that cannot be read."""
        with self._lock:
            return self._standing(wall_s)

    def _standing(self, wall_s: float) -> tuple[Share, ...]:
        if not self._path.exists():
            return ()
        allowed = "the file of share codes, as it was written"
        data = read_private(self._path, HistoryError, allowed, most=untrusted_input.KEPT_MOST)
        try:
            found = untrusted_input.from_json(data, tuple[Share, ...])
        except ValueError as error:
            raise HistoryError(str(self._path), str(error), allowed) from None
        # A clock set back must not give a code a longer life than it was made for.
        return tuple(share for share in found if share.made_wall_s - _DAY_S <= wall_s < share.ends_wall_s)

    def _put(self, shares: tuple[Share, ...]) -> None:
        try:
            write_private(self._path, msgspec.json.encode(shares))
        except OSError as error:
            raise HistoryError(str(self._path), error.strerror or str(error), "a place that can be written") from None


# ---------------------------------------------------------------- at the terminal


def give(
    shares: Shares,
    name: str,
    *,
    wall_s: float,
    say: Callable[[str], object],
    days: int | None = None,
    valid_days: float | None = None,
    address: str = "",
) -> int:
    """Make a code and say it with what it opens, as a link where the page's `address` is known; exit status 0.

    Raises as `Shares.make`.
    """
    code = shares.make(name, wall_s=wall_s, days=days, valid_days=valid_days)
    made = next(share for share in shares.standing(wall_s) if share.name == name)
    say(code)
    say(
        f"for {name}: the report of the last {texts.span(made.days * _DAY_S)}, "
        f"until {time_format.moment(made.ends_wall_s)}"
    )
    place = address or "the page's address, "
    say(f"entered at {ENTRANCE} of the page, or sent as a link: {place}{ENTRANCE}#{code}")
    say("It is not shown again.")
    return 0


def end(shares: Shares, name: str, *, wall_s: float, say: Callable[[str], object]) -> int:
    """End a code at once and say so; exit status 0. Raises CommandError where there is none of that name."""
    if not shares.revoke(name, wall_s=wall_s):
        known = ", ".join(share.name for share in shares.standing(wall_s))
        raise CommandError("share: name", name[:80], f"one in force: {known}" if known else "none is in force")
    say(f"the code of {name} no longer works")
    return 0


def print_codes(shares: Shares, *, wall_s: float, say: Callable[[str], object]) -> int:
    """Print the codes in force, a line each; return exit status 0."""
    standing = shares.standing(wall_s)
    for share in standing:
        ends = time_format.moment(share.ends_wall_s, wall_s)
        say(f"{share.name}: the last {texts.span(share.days * _DAY_S)}, until {ends}")
    if not standing:
        say("no code is in force")
    return 0
