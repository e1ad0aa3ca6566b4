"""Holds what is seen of a failed part to what proves it repaired (the `proof` of its row in core/findings.py).

One good run is not enough by itself where causes come and go: several are asked for, spread over hours, the more the
oftener it has come back. After a person's word that it is repaired, one is. What shows in hot weather only is proved in
weather as hot alone. Pure.
"""

from __future__ import annotations

import msgspec

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.findings import Answer, Proof, both, stopped
from condenser_monitor.monitor.core.links import Facts


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

    def proved(self, row: Proof, facts: Facts, x_s: float, outdoor_c: float | None) -> bool:
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

    def _works(self, row: Proof, facts: Facts) -> Answer:
        if row.at_rest is not None and not self.called:
            return row.at_rest(facts)
        if row.kind != "stop":
            return row.works(facts)
        if row.works is not stopped and row.works(facts) is False:
            self.ran = False  # it lied, or was contradicted, within the run: that run proves nothing
        elif facts.compressor and facts.call is not False:
            self.ran = True
        return both(self.ran, stopped(facts), row.works(facts))

    def _too_mild(self, row: Proof, outdoor_c: float | None) -> bool:
        if not row.in_heat or self.outdoor_c is None:
            return False
        return outdoor_c is None or outdoor_c < self.outdoor_c - limits.PROOF.cooler_k.value

    def _enough(self, row: Proof) -> bool:
        if self.word:
            return True
        returns = min(self.returns, int(limits.PROOF.returns_most.value))
        times = row.times + returns if row.times > 1 or returns else 1
        span_s = max(row.span_s, returns * limits.PROOF.day_s.value)
        return len(self.good_x) >= times and self.good_x[-1] - self.good_x[0] >= span_s
