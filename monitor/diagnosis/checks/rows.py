"""The catalogue of checks, and which one comes next.

Each check says what to do, with what, who may, at which power state, what a sound part shows and where that figure
comes from. The rows are in checks/eye.py (eye, ear and hand), checks/control.py and checks/line.py (meter).

`next_check` goes as a technician goes: eyes, ears and thermostat first; then one live walk along the 24 V string and
the line, by qualified people; then lock out and ohm. Within a stage it picks what is expected to tell most about the
suspects for its time, its hazard and what it takes to get there: a state of the power and a cabinet are kept while
that is worth it.
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
_SYMBOLS = {name: check.symbols for name, check in CHECKS.items()}


class CheckOffer(NamedTuple):
    """A check worth doing: the bits it is expected to tell, and its cost in minutes with the hazard counted in."""

    check: Check
    bits: float
    cost_minutes: float


class Place(NamedTuple):
    """Where the technician stands: the power as it is, and the cabinet that is open; "" where neither is known yet."""

    power: str = ""
    where: str = ""


def cost_minutes(check: Check, at: Place = Place()) -> float:  # noqa: B008 - immutable
    """Time to do it, each step of hazard counted as HAZARD_MINUTES, with what it takes to get there from `at`."""
    cost = check.minutes + check.hazard * limits.HAZARD_MINUTES.value
    if stage(check) == 0:  # so that the likeliest look comes first, and not the quickest
        cost += limits.LOOK_MINUTES.value
    if check.power != "as-is" and at.power and check.power != at.power:
        cost += limits.SWITCH_MINUTES.value
    if check.panel and at.where and check.where != at.where:
        cost += limits.MOVE_MINUTES.value
    return cost


def stage(check: Check) -> int:
    """0: nothing is opened and nothing live is touched; 1: live, the walk along the string; 2: power off and locked.

    3: whatever takes longer than LONG_CHECK_MINUTES, a matter of a visit of its own.
    """
    if check.minutes > limits.LONG_CHECK_MINUTES.value:
        return 3
    return {"as-is": 0, "live": 1, "off": 2}[check.power]


def offers(
    rows: Sequence[PredictionRow],
    done: Sequence[str] = (),
    who: Who = "technician",
    *,
    breaker_off: bool = False,
    barred: Collection[str] = (),
    runs: bool | None = None,
) -> list[CheckOffer]:
    """The checks that tell the open rows apart, the next one first.

    `rows`: what is still open (Diagnosis.rows). `done`: checks already done, the newest last. `who`: a homeowner is
    offered only what a homeowner may do. `breaker_off`: it was found off, and leaves the power off. `barred`: those
    that are not to be made. `runs`: whether the compressor was found running; None: nobody has looked. Checks that
    tell less than CHECK_GAIN_BITS come after all others, but where nothing is
    opened and nothing live is touched they come before a cabinet is opened.
    """
    opened = [CHECKS[name] for name in done if CHECKS[name].panel]
    at = Place(opened[-1].power, opened[-1].where) if opened else Place("off" if breaker_off else "")
    allowed = _allowed(rows, done, who, barred, runs)
    bits = {check.name: elimination.gain_bits(rows, check.name, _SYMBOLS[check.name]) for check in allowed}
    ahead = {name for name, gain in bits.items() if gain > 1e-9}  # walked along the string, in its order
    order = _ORDER_WHEN_OFF if at.power == "off" else _ORDER
    ranked = []
    for check in allowed:
        if check.name in ahead and ahead.isdisjoint(check.after):
            offer = CheckOffer(check, bits[check.name], cost_minutes(check, at))
            places = _SLIGHT_ORDER if offer.bits < limits.CHECK_GAIN_BITS.value else order
            ranked.append((places[stage(check)], -offer.bits / offer.cost_minutes, offer))
    return [offer for *_, offer in sorted(ranked, key=lambda rank: rank[:2])]


def _allowed(
    rows: Sequence[PredictionRow], done: Collection[str], who: Who, barred: Collection[str], runs: bool | None
) -> list[Check]:
    """The checks that can be made now: those of a running compressor only where it was found to run or, if nobody has
    looked, most of what is open says so."""
    if runs is None:
        running = [row.weight for row in rows if "running" in row.predicts.get("compressor_a", _RUNNING).usual]
        runs = sum(running) * 2.0 >= sum(row.weight for row in rows)
    return [
        check
        for check in CHECKS.values()
        if check.name not in done
        and check.name not in barred
        and check.news
        and (who == "technician" or check.who == "homeowner")
        and (runs or not check.running)
    ]


def energizes(check: Check) -> bool:
    """Whether the outdoor unit has its power on, or is called, while the check is made."""
    return check.power == "live" or check.calls


_RUNNING = elimination.expect("running")
# stage -> place in the order, for a check that tells enough and for one that tells little.
_ORDER = {0: 0, 1: 2, 2: 3, 3: 4}
_SLIGHT_ORDER = {0: 1, 1: 5, 2: 6, 3: 7}
# With the power off and locked, what can be done so comes before it is put on again.
_ORDER_WHEN_OFF = _ORDER | {1: 3, 2: 2}


def next_check(
    rows: Sequence[PredictionRow],
    done: Sequence[str] = (),
    who: Who = "technician",
    *,
    breaker_off: bool = False,
) -> Check | None:
    """The check to do next; None when no check tells the suspects further apart."""
    found = offers(rows, done, who, breaker_off=breaker_off)
    return found[0].check if found else None


def confirming_check(
    rows: Sequence[PredictionRow],
    done: Collection[str] = (),
    who: Who = "technician",
    *,
    barred: Collection[str] = (),
    runs: bool | None = None,
) -> Check | None:
    """Where nothing tells the suspects apart: the check by which the first of them shows on its own part.

    No part is to be changed on suspicion alone. None when there is no such check left.
    """
    best = max(rows, key=lambda row: row.weight, default=None)
    if best is None:
        return None
    shown = [
        check
        for check in _allowed(rows, done, who, barred, runs)
        if check.sound is not None
        and check.name in best.predicts
        and check.sound not in best.predicts[check.name].usual
    ]
    return min(shown, key=lambda check: (stage(check), cost_minutes(check)), default=None)
