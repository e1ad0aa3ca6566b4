"""What proves that the cause of a finding is repaired: the table beside the catalogue of findings.

A condition that is gone proves nothing. A call that ended, a thermostat that was switched off (as the message asked),
mild weather or a pulled breaker end it as well. Proof is that the very part was seen to work: in a *run* under a call,
for long enough that the finding would have come; at a *stop* after a run, for contacts that would not open; or in a
*state* that only the repaired part can give. One such run is not enough by itself where causes come and go: several
are asked for, spread over hours, the more the oftener it has come back. After a person's word that it is repaired, one
is. What shows in hot weather only is proved in weather as hot alone. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.findings import CATALOGUE, Answer, both, contradictions, no
from condenser_monitor.monitor.core.links import Facts

Kind = Literal["run", "stop", "state"]


def cools(facts: Facts) -> Answer:
    """Return whether the unit does its work under a call: contacts closed, compressor and fan running."""
    if facts.call is False or facts.contacts is False or facts.fan is False or facts.locked:
        return False
    return facts.compressor


def rests(facts: Facts) -> Answer:
    """Return whether everything is off without a call while the line supply is not known to be off."""
    if facts.supply is False:
        return None
    return both(no(facts.call), no(facts.compressor), not facts.contacts, not facts.fan)


class ProofRow(NamedTuple):
    """What proves one finding's cause repaired: `works` held for `hold_s`, `times` times, over `span_s` at least.

    `in_heat`: only in weather about as hot as it failed in. `at_rest` proves what was lost while nothing was called.
    """

    kind: Kind
    words: str
    works: Callable[[Facts], Answer] = cools
    hold_s: float = limits.PROOF.run_s.value
    times: int = int(limits.PROOF.times.value)
    span_s: float = limits.PROOF.span_s.value
    in_heat: bool = False
    at_rest: Callable[[Facts], Answer] | None = None


_RUN = "the unit cooled in several runs, spread over half a day or more"
_LONG = limits.PROOF.long_run_s.value
_DAY = limits.PROOF.day_s.value
_HOT_RUN = "the unit cooled in several long runs, over a day or more, in weather as hot as when it failed"
_DAY_RUN = "the unit cooled in several runs, over a day or more"

_PROOF: dict[str, ProofRow] = {
    "sensor-silent": ProofRow(
        "state", "the sensor gave readings for half a day", lambda f: True, limits.PROOF.span_s.value, 1, 0.0
    ),
    "sensing-disagrees": ProofRow(
        "stop", "sensors agreed through several runs and the rests after them", lambda f: not contradictions(f)
    ),
    "line-supply-lost": ProofRow(
        "run",
        "power was there, and carried a run if it had been lost in one",
        times=1,
        span_s=0.0,
        at_rest=lambda f: f.supply,
    ),
    "control-power-lost": ProofRow(
        "run",
        "24 V was there, and carried a run if it had been lost in one",
        times=1,
        span_s=0.0,
        at_rest=lambda f: f.control_power,
    ),
    "call-not-reaching-unit": ProofRow("run", _DAY_RUN, hold_s=_LONG, span_s=_DAY),
    "low-control-voltage": ProofRow(
        "run", _DAY_RUN, lambda f: both(cools(f), f.volts in ("normal", "high")), span_s=_DAY
    ),
    "contactor-chatter": ProofRow("run", _DAY_RUN, span_s=_DAY),
    "call-without-pull-in": ProofRow("run", _RUN),
    "call-without-run": ProofRow("run", _RUN),
    "locked-rotor": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "overload-cycling": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "pull-in-without-run": ProofRow("run", _RUN, hold_s=_LONG),
    "compressor-not-running": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "fan-not-running": ProofRow("run", _RUN, lambda f: both(cools(f), f.fan), hold_s=_LONG),
    "contacts-stuck-closed": ProofRow("stop", "the contacts opened at the end of several runs", rests),
    "short-cycling": ProofRow("run", _DAY_RUN, span_s=_DAY),
    "high-running-current": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "low-running-current": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "slow-start": ProofRow("run", _DAY_RUN, span_s=_DAY),
    "long-run": ProofRow("stop", "the unit stopped when the call ended", rests, times=1, span_s=0.0),
    "no-call-in-heat": ProofRow("run", _RUN, hold_s=_LONG),
    "overdue-call": ProofRow("run", _RUN, hold_s=_LONG),
    "low-line-voltage": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "high-line-voltage": ProofRow("run", _DAY_RUN, span_s=_DAY),
    "run-capacitor-weak": ProofRow("run", _DAY_RUN, hold_s=_LONG, span_s=_DAY),
    "not-cooling": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "low-split": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "high-split": ProofRow("run", _HOT_RUN, hold_s=_LONG, span_s=_DAY, in_heat=True),
    "call-without-thermostat": ProofRow(
        "stop", "call and thermostat agreed through several runs", lambda f: no(both(no(f.thermostat), f.call))
    ),
}
# A finding without a row is proved repaired as most are: the unit cooled in several runs.
PROOF: Mapping[str, ProofRow] = {name: _PROOF.get(name, ProofRow("run", _RUN)) for name in CATALOGUE} | _PROOF


class Trial(msgspec.Struct, forbid_unknown_fields=True):
    """What has been seen of one failed part since it failed; times in the timeline's `x`.

    `good_x`: when it was seen to work for long enough, once a run. `works_x`: since when it works without a break.
    `ran`: a run was seen before the stop that is to prove it. `returns`: how often it failed again after it had worked.
    """

    outdoor_c: float | None = None
    called: bool = True
    good_x: list[float] = []
    works_x: float | None = None
    counted: bool = False
    ran: bool = False
    worked: bool = False
    returns: int = 0
    word: bool = False

    def failed(self, facts: Facts, outdoor_c: float | None) -> None:
        """Begin again: the finding stands (again). A person's word is taken back by it."""
        self.returns += self.worked
        self.called = facts.call is not False or facts.thermostat is True
        self.good_x, self.works_x, self.counted, self.ran, self.worked, self.word = [], None, False, False, False, False
        self.heat(outdoor_c)

    def heat(self, outdoor_c: float | None) -> None:
        """Keep how hot it was while it stood, the hottest."""
        if outdoor_c is not None:
            self.outdoor_c = outdoor_c if self.outdoor_c is None else max(self.outdoor_c, outdoor_c)

    def proved(self, row: ProofRow, facts: Facts, x_s: float, outdoor_c: float | None) -> bool:
        """Take what is seen at `x_s` while the finding does not stand; return whether that proves it repaired."""
        works = self._works(row, facts)
        if not works:
            self.works_x, self.counted = None, False
            return False
        self.works_x = x_s if self.works_x is None else self.works_x
        held_s = x_s - self.works_x
        self.worked |= row.kind != "state" and held_s >= limits.PROOF.worked_s.value
        if held_s < row.hold_s or self.counted or self._too_mild(row, outdoor_c):
            return False
        self.counted = True
        self.good_x.append(x_s)
        del self.good_x[1 : 1 + max(0, len(self.good_x) - int(limits.PROOF.kept.value))]  # the first one tells the span
        self.ran = False
        return self._enough(row)

    def _works(self, row: ProofRow, facts: Facts) -> Answer:
        if row.at_rest is not None and not self.called:
            return row.at_rest(facts)
        if row.kind != "stop":
            return row.works(facts)
        if row.works is not rests and row.works(facts) is False:
            self.ran = False  # it lied, or was contradicted, within the run: that run proves nothing
        elif facts.compressor and facts.call is not False:
            self.ran = True
        return both(self.ran, rests(facts), row.works(facts))

    def _too_mild(self, row: ProofRow, outdoor_c: float | None) -> bool:
        if not row.in_heat or self.outdoor_c is None:
            return False
        return outdoor_c is None or outdoor_c < self.outdoor_c - limits.PROOF.cooler_k.value

    def _enough(self, row: ProofRow) -> bool:
        if self.word:
            return True
        returns = min(self.returns, int(limits.PROOF.returns_most.value))
        times = row.times + returns if row.times > 1 or returns else 1
        span_s = max(row.span_s, returns * limits.PROOF.day_s.value)
        return len(self.good_x) >= times and self.good_x[-1] - self.good_x[0] >= span_s
