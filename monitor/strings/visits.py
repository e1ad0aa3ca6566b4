"""What a homeowner's visit says, on the page and in the terminal."""

from __future__ import annotations

import msgspec

from condenser_monitor.monitor.core.records import UnitStatus
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.visit.session import VisitSession
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.lookup import ALL, plain
from condenser_monitor.monitor.strings.translate import tr


def advice(visit: VisitSession) -> list[str]:
    """Return what a homeowner does about what was seen, the last first; nothing for a technician."""
    if visit.who == "technician":
        return []
    keys = [f"seen-{name}-{judged.outcome}" for name, judged in visit.answers.items()]
    return [plain(key) for key in reversed(keys) if key in ALL]


def read_out(visit: VisitSession, begun_with: str, status: UnitStatus | None) -> str:
    """Return what a homeowner reads out to the technician: what the monitor found, else the symptom, and what was
    seen. `begun_with`: the finding or symptom."""
    standing = {} if status is None else {one.name: one for one in status.findings}
    finding = standing.get(visit.findings[0])
    if finding is not None and visit.answers:  # what was looked at may have put another suspect first
        finding = msgspec.structs.replace(finding, suspects=tuple(visit.suspects()))
    begun = (
        texts.FINDINGS[begun_with].headline if begun_with in texts.FINDINGS else f"{plain(f'symptom-{begun_with}')}."
    )
    told = begun if finding is None else texts.read_out(finding)
    looks = [tr(CHECKS[name].says(judged.outcome)) for name, judged in visit.answers.items()]
    return f"{told} {plain('looked-at', looks='; '.join(looks))}" if looks else told


def answer_words(name: str, typed: str, outcome: str) -> str:
    """Return an answer in words: what was seen; of a meter what it showed, and what that means."""
    says = tr(CHECKS[name].says(outcome))
    return says if CHECKS[name].quantity == "eye" else f"{typed}: {says}"
