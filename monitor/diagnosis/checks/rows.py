"""The catalogue of checks, and which one comes next.

Each check says what to do, with what, who may, at which power state, what a sound part shows and where that figure
comes from. The rows are in checks/eye.py (eye, ear and hand), checks/control.py and checks/line.py (meter).
`next_check` picks the one that is expected to tell most about the suspects for its time and hazard; whatever can be
learnt without opening a cabinet comes first, and with the power off before live.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.diagnosis import elimination
from condenser_monitor.monitor.diagnosis.checks.base import Check, Who
from condenser_monitor.monitor.diagnosis.checks.control import CONTROL_CHECKS
from condenser_monitor.monitor.diagnosis.checks.eye import BY_EYE
from condenser_monitor.monitor.diagnosis.checks.line import LINE_CHECKS
from condenser_monitor.monitor.diagnosis.elimination import PredictionRow

CHECKS: dict[str, Check] = {check.name: check for check in (*BY_EYE, *CONTROL_CHECKS, *LINE_CHECKS)}


class Offer(NamedTuple):
    """A check worth doing: the bits it is expected to tell, and its cost in minutes with the hazard counted in."""

    check: Check
    bits: float
    cost_minutes: float


def cost_minutes(check: Check) -> float:
    """Time to do it, each step of hazard counted as HAZARD_MINUTES."""
    return check.minutes + check.hazard * limits.HAZARD_MINUTES.value


def stage(check: Check) -> int:
    """0: nothing is opened and nothing live is touched; 1: a cabinet is opened with the power off; 2: live.

    3: whatever takes longer than LONG_CHECK_MINUTES, a matter of a visit of its own.
    """
    if check.minutes > limits.LONG_CHECK_MINUTES.value:
        return 3
    if check.power == "live":
        return 2
    return 1 if check.panel else 0


def offers(rows: Sequence[PredictionRow], done: Collection[str] = (), who: Who = "technician") -> list[Offer]:
    """The checks that tell the open rows apart, the next one first.

    `rows`: what is still open (suspects.open_rows). `done`: checks already done. `who`: a homeowner is offered only
    what a homeowner may do. Checks that tell less than CHECK_GAIN_BITS come after all others, but where nothing is
    opened and nothing live is touched they come before a live one.
    """
    bits = {c: elimination.gain_bits(rows, c.name, c.symbols) for c in _allowed(done, who)}
    found = [Offer(check, gain, cost_minutes(check)) for check, gain in bits.items() if gain > 1e-9]
    return sorted(found, key=_rank)


def _allowed(done: Collection[str], who: Who) -> list[Check]:
    return [
        check
        for check in CHECKS.values()
        if check.name not in done and check.news and (who == "technician" or check.who == "homeowner")
    ]


# stage -> place in the order, for a check that tells enough and for one that tells little.
_PLACES = {0: 0, 1: 1, 2: 3, 3: 4}
_SLIGHT_PLACES = {0: 2, 1: 5, 2: 6, 3: 7}


def _rank(offer: Offer) -> tuple[int, float]:
    places = _SLIGHT_PLACES if offer.bits < limits.CHECK_GAIN_BITS.value else _PLACES
    return places[stage(offer.check)], -offer.bits / offer.cost_minutes


def next_check(rows: Sequence[PredictionRow], done: Collection[str] = (), who: Who = "technician") -> Check | None:
    """The check to do next; None when no check tells the suspects further apart."""
    found = offers(rows, done, who)
    return found[0].check if found else None


def confirming_check(
    rows: Sequence[PredictionRow], done: Collection[str] = (), who: Who = "technician"
) -> Check | None:
    """Where nothing tells the suspects apart: the check by which the first of them shows on its own part.

    No part is to be changed on suspicion alone. None when there is no such check left.
    """
    best = max(rows, key=lambda row: row.weight, default=None)
    if best is None:
        return None
    shown = [
        check
        for check in _allowed(done, who)
        if check.sound is not None
        and check.name in best.predicts
        and check.sound not in best.predicts[check.name].usual
    ]
    return min(shown, key=lambda check: (stage(check), cost_minutes(check)), default=None)
