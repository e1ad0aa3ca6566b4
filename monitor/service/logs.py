"""(edge) Where log records go: into the journal with all their fields, or as lines to standard error.

Every module logs by `logging.getLogger(__name__)`; only a command that stays (the service, the page, the office) sets
up where that goes. Under systemd each record is one entry of the journal, however many lines its traceback has, with
PRIORITY, LOGGER_NAME, CODE_FILE, CODE_LINE, EXCEPTION_TYPE, TRACEBACK and the name of the part that failed:

    journalctl -u condenser-monitor -p err -o verbose
"""

from __future__ import annotations

import logging

from logging_journald import Facility, JournaldLogHandler, check_journal_stream

_FORMAT = "%(asctime)s %(levelname)s %(name)s: %(message)s"


def set_up(level: int = logging.INFO) -> None:
    """Send records from `level` on to the journal where standard error goes there, else to standard error."""
    logging.basicConfig(level=level, format=_FORMAT, handlers=[handler()])
    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # what it says may hold addresses; phone_send reads it


def handler() -> logging.Handler:
    """Return the handler for where this program's standard error goes."""
    try:
        if check_journal_stream():
            found: logging.Handler = JournaldLogHandler(
                identifier="condenser-monitor", facility=Facility.DAEMON, use_message_id=False
            )
            found.setFormatter(logging.Formatter("%(message)s"))
            return found
    except (OSError, ValueError):  # no standard error, a journal that cannot be reached, or words that name none
        pass
    lines = logging.StreamHandler()
    lines.setFormatter(_Lines(_FORMAT))
    return lines


class _Lines(logging.Formatter):
    """For a terminal: tracebacks of the program's own faults only. A broker that is away is told in one line."""

    def format(self, record: logging.LogRecord) -> str:
        if record.levelno < logging.ERROR and record.exc_info:
            record = logging.makeLogRecord({**record.__dict__, "exc_info": None, "exc_text": None})
        return super().format(record)
