"""Every error this program raises on purpose, grouped by who can mend it.

Each says where, what was given and what is allowed, in that order, and each is also the built-in error a caller
would expect, so `except ValueError` keeps working.
"""

from __future__ import annotations

import re

CONTROLS = re.compile(r"[\x00-\x1f\x7f-\x9f]")  # what no name holds, and a terminal would obey
_MOST = {"place": 300, "given": 200, "allowed": 3000}  # characters; paths and lists of names are long


class CondenserError(Exception):
    """Parent of all errors below; `place`, `given` and `allowed` are kept for programs that show them apart.

    The message is one line of bounded length, fit for a terminal whatever was given."""

    def __init__(self, place: str, given: object, allowed: str) -> None:
        self.place = place
        self.given = given
        self.allowed = allowed
        where, wanted = shown(place, _MOST["place"]), shown(allowed, _MOST["allowed"])
        super().__init__(f"{where}: got {_given(given)}; allowed: {wanted}")


def shown(text: str, most: int = _MOST["given"]) -> str:
    """A text of a stranger on one line: its middle left out beyond `most` characters, and what a terminal would obey
    instead of showing (controls, marks of direction, halves of a character) written as escapes."""
    if len(text) > most:
        tail = most // 4
        text = f"{text[: most - tail]} ... {text[-tail:]}"
    return text if text.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def _given(value: object) -> str:
    most = _MOST["given"]
    if isinstance(value, str | bytes) and len(value) > most:  # cut before it is written out: it may be megabytes
        return f"{value[:most]!r} and {len(value) - most} more"
    try:
        return shown(repr(value), most)
    except (ValueError, RecursionError):  # a whole number of too many digits, tables nested too deep
        return f"a {type(value).__name__} too large to show"


# --- the owner of the site file or of a recording can mend these


class SiteError(CondenserError, ValueError):
    """The site file holds an unknown key, a wrong type or a value out of range; the program does not start."""


class RecordingError(CondenserError, ValueError):
    """A row or the header of a recording cannot be used; `place` names file and line."""


class ScanError(CondenserError, ValueError):
    """A value in a scan cannot be: a current below zero, a flag that is neither on nor off."""


class CommandError(CondenserError, ValueError):
    """An argument of a command, a request from the page or from the broker is not allowed."""


class ScenarioError(CondenserError, ValueError):
    """A scenario file of the simulator cannot be used."""


# --- whoever wired the boards can mend these


class WiringError(CondenserError, ValueError):
    """Two channels on one pin, an address no chip can have, a sense without a channel."""


class SenseError(CondenserError, OSError):
    """A chip did not answer, hangs or clips: the reading of this scan is missing."""


# --- the broker, the disk or a phone service


class BrokerError(CondenserError, OSError):
    """The broker cannot be reached, refuses us or is not installed."""


class HistoryError(CondenserError, OSError):
    """The history file cannot be opened, written or read."""


class DatabaseError(CondenserError, OSError):
    """The fleet's database cannot be reached, is of another version or refused a write; nothing was acknowledged."""


class NotifyError(CondenserError, OSError):
    """A phone service refused the message or did not answer in time."""


# --- us


class ContractError(CondenserError, RuntimeError):
    """Something inside called another part against its contract; please report it."""
