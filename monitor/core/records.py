"""The nouns, in order of flow: Scan -> LinkView -> Cycle -> Finding, Change -> Alert -> UnitStatus.

All are frozen, keyword-only and carry the unit in the name of each number. `t_s` is monotonic seconds since the
program (or the recording) started and is what durations are made of; `wall_s` is seconds since 1970-01-01T00:00:00Z,
may jump, may be None before the network is found, and is only for people. None always means: not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from math import floor, log10
from typing import Any, Literal

import msgspec

from condenser_monitor.monitor.core.errors import ScanError
from condenser_monitor.monitor.core.readings import PROBE_MOST_C, READINGS

# ---------------------------------------------------------------- what is sensed


_NUMBERED = tuple((name, row) for name, row in READINGS.items() if row.kind == "number")
_MOST, _FAR_C = 1e6, 90.0  # of any current, voltage or power; of any temperature


class Scan(msgspec.Struct, frozen=True, kw_only=True, repr_omit_defaults=True):
    """One set of readings taken together; a reading not fitted or not taken is None, never zero, never the last value.

    Its fields are those of READINGS. Raises ScanError (a ValueError) for a number that its reading cannot have.
    """

    t_s: float
    wall_s: float | None = None
    call: bool | None = None
    control_v: float | None = None
    coil_a: float | None = None
    supply: bool | None = None
    load: bool | None = None
    compressor_a: float | None = None
    fan_a: float | None = None
    outdoor_c: float | None = None
    control_power: bool | None = None
    thermostat: bool | None = None
    line_v: float | None = None
    compressor_w: float | None = None
    start_winding_a: float | None = None
    suction_c: float | None = None
    liquid_c: float | None = None
    return_air_c: float | None = None
    supply_air_c: float | None = None
    coil_v: float | None = None
    blower: bool | None = None
    discharge_c: float | None = None

    def __post_init__(self) -> None:
        # Written out, because every scan and every row of a recording passes here; NaN fails each comparison too. A
        # test holds it to READINGS.
        volts, coil, compressor, fan = self.control_v, self.coil_a, self.compressor_a, self.fan_a
        if not (
            (volts is None or 0.0 <= volts <= _MOST)
            and (coil is None or 0.0 <= coil <= _MOST)
            and (compressor is None or 0.0 <= compressor <= _MOST)
            and (fan is None or 0.0 <= fan <= _MOST)
            and (self.outdoor_c is None or -_FAR_C <= self.outdoor_c <= _FAR_C)
            and (self.line_v is None or 0.0 <= self.line_v <= _MOST)
            and (self.compressor_w is None or 0.0 <= self.compressor_w <= _MOST)
            and (self.start_winding_a is None or 0.0 <= self.start_winding_a <= _MOST)
            and (self.suction_c is None or -_FAR_C <= self.suction_c <= _FAR_C)
            and (self.liquid_c is None or -_FAR_C <= self.liquid_c <= _FAR_C)
            and (self.return_air_c is None or -_FAR_C <= self.return_air_c <= _FAR_C)
            and (self.supply_air_c is None or -_FAR_C <= self.supply_air_c <= _FAR_C)
            and (self.coil_v is None or 0.0 <= self.coil_v <= _MOST)
            and (self.discharge_c is None or -_FAR_C <= self.discharge_c <= PROBE_MOST_C)
        ):
            self._complain()

    def _complain(self) -> None:
        for name, row in _NUMBERED:
            value = getattr(self, name)
            if value is not None and not row.least <= value <= row.most:
                raise ScanError(name, value, row.allowed)


class StartTransient(msgspec.Struct, frozen=True, kw_only=True):
    """The compressor's start as captured at the full sample rate when the contacts closed.

    `duration_s` runs from the first current to the moment it has settled; None when it never did within the capture.
    `before_v` is the line voltage at the last scan, `lowest_v` the lowest cycle of the start. The traces are RMS values
    of a cycle (A, V) with their time since `t_s`.
    """

    t_s: float
    duration_s: float | None
    peak_a: float
    settled_a: float | None
    rate_hz: float
    before_v: float | None = None
    lowest_v: float | None = None
    trace_a: tuple[tuple[float, float], ...] = ()
    trace_v: tuple[tuple[float, float], ...] = ()


# ---------------------------------------------------------------- the chain


class LinkState(StrEnum):
    LIVE = "live"
    DEAD = "dead"
    UNKNOWN = "unknown"


class LinkView(msgspec.Struct, frozen=True, kw_only=True):
    """One link of the chain as it stands. `inferred` is true where no sense tells it and another link implies it."""

    name: str
    state: LinkState
    since_s: float
    sense: str | None
    inferred: bool = False


# ---------------------------------------------------------------- the cycle


class CycleState(StrEnum):
    """States of the cooling cycle; theory and transitions are in monitor/core/cycle.py."""

    UNKNOWN = "unknown"
    IDLE = "idle"
    CALLED = "called"
    CLOSED = "closed"
    RUNNING = "running"
    OVERRUN = "overrun"


class Cycle(msgspec.Struct, frozen=True, kw_only=True):
    """One finished cooling cycle, from the call (or the first sight of it) to the end of call and run.

    Delays are None where the start was not seen or the sense is not fitted; means are over the compressor's run, those
    of readings without a field of their own in `means`.
    """

    started_s: float
    stopped_s: float
    started_wall_s: float | None
    start_seen: bool
    pull_in_s: float | None
    run_delay_s: float | None
    run_s: float
    compressor_a: float | None
    compressor_max_a: float | None
    fan_a: float | None
    control_v: float | None
    coil_a: float | None
    outdoor_c: float | None
    closings: int
    compressor_starts: int
    transient: StartTransient | None = None
    means: dict[str, float] = {}


# ---------------------------------------------------------------- findings


class Severity(StrEnum):
    """urgent = no cooling now or damage under way; soon = book a visit; watch = tell at the next visit."""

    URGENT = "urgent"
    SOON = "soon"
    WATCH = "watch"


SEVERITIES = tuple(Severity)  # the worst first
Evidence = dict[str, float | bool | str | list[str]]


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """A finding that stands. `ruled_out` maps a suspect to the reason in one clause; `wanted_senses` are the senses,
    not fitted or silent, that would tell the remaining suspects further apart."""

    name: str
    severity: Severity
    since_s: float
    raised_s: float
    raised_wall_s: float | None
    suspects: tuple[str, ...]
    evidence: Evidence
    summary: str
    ruled_out: dict[str, str] = {}
    wanted_senses: tuple[str, ...] = ()


def worst(findings: Sequence[Finding]) -> Finding | None:
    """The finding to speak of first: the most severe, of these the one that has stood longest; None for none."""
    return min(findings, key=lambda finding: (SEVERITIES.index(finding.severity), finding.raised_s), default=None)


class ChangeKind(StrEnum):
    RAISED = "raised"
    REVISED = "revised"
    CLEARED = "cleared"
    DIAGNOSED = "diagnosed"


class Change(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One change of a finding: the line that `replay --json` prints and that goes out as an event."""

    t_s: float
    change: ChangeKind
    finding: str
    severity: Severity
    suspects: tuple[str, ...]
    evidence: Evidence
    summary: str
    wall_s: float | None = None
    wanted_senses: tuple[str, ...] = ()

    @classmethod
    def of(cls, finding: Finding, kind: ChangeKind, now_s: float, wall_s: float | None) -> Change:
        """Return a change of a finding as it is now."""
        return cls(
            t_s=now_s,
            wall_s=wall_s,
            change=kind,
            finding=finding.name,
            severity=finding.severity,
            suspects=finding.suspects,
            evidence=finding.evidence,
            summary=finding.summary,
            wanted_senses=finding.wanted_senses,
        )


class Offer(msgspec.Struct, frozen=True, kw_only=True):
    """Something that the unit seems to do by design, for a person to confirm: the key of the site file, the value that
    it would get, the question in plain words and the number that stands in it. Never an alarm."""

    setting: str
    value: float | bool | str
    question: str
    lasted: int = 0

    @property
    def name(self) -> str:
        """What it is called in `[unit] not_by_design`."""
        return self.value if isinstance(self.value, str) else self.setting.partition(".")[2]

    @property
    def site_line(self) -> str:
        """What to write into the site file if it is so."""
        table, key = self.setting.split(".")
        value = f"{self.value:g}" if isinstance(self.value, float) else msgspec.json.encode(self.value).decode()
        return f"[{table}] {key} = {value}"


class Diagnosed(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The unit's one diagnosis when it has changed, over all findings of the last hours.

    `suspects` are (suspect, share of belief), the likeliest first; the shares add up to at most 1. `because` are plain
    clauses, `distrusted` the readings that are not believed, `next_check` the check that tells most, None when none
    does, `features` what was seen of shape, size and history, by name.
    """

    t_s: float
    change: ChangeKind
    findings: tuple[str, ...]
    suspects: tuple[tuple[str, float], ...]
    because: tuple[str, ...]
    distrusted: tuple[str, ...]
    next_check: str | None
    summary: str
    wall_s: float | None = None
    features: dict[str, str] = {}


# ---------------------------------------------------------------- alerts


class AlertState(StrEnum):
    """Alarm states by the letters of ISA-18.2 / IEC 62682; transitions are in monitor/alarms/alarm_manager.py."""

    NORMAL = "normal"  # A
    UNACKED = "unacknowledged"  # B
    ACKED = "acknowledged"  # C
    RETURNED = "returned-unacknowledged"  # D
    LATCHED_UNACKED = "latched-unacknowledged"  # E
    LATCHED_ACKED = "latched-acknowledged"  # F
    SHELVED = "shelved"  # G
    SUPPRESSED = "suppressed-by-design"  # H
    OUT_OF_SERVICE = "out-of-service"  # I


class Alert(msgspec.Struct, frozen=True, kw_only=True):
    """One alert as it stands. Its identity is the finding's name: it holds no measured value."""

    finding: str
    state: AlertState
    severity: Severity
    active: bool
    since_s: float
    since_wall_s: float | None
    summary: str
    suspects: tuple[str, ...]
    acked_by: str | None = None
    shelved_until_wall_s: float | None = None
    note: str = ""


class EpisodeState(StrEnum):
    """How a story stands: `over` needs proof, or a person's word that a run has confirmed."""

    ACTIVE = "active"  # one of its findings stands
    QUIET = "quiet-not-repaired"  # none does, and nothing shows that the cause is repaired
    REPAIRED = "said-to-be-repaired"  # a person says so, and the next run has not confirmed it yet
    OVER = "over"


class Episode(msgspec.Struct, frozen=True, kw_only=True):
    """One root cause as people are told of it: one thread of messages, one clock, one all-clear.

    `lead` is the finding that heads it, `findings` all that joined. `level` rises as it gets worse (core/findings.py),
    `worst` is the finding that made it. `returns` counts how often it came back after it had worked, `returned_wall_s`
    when last; `often` says that it comes and goes. `taken_back` counts words that it is repaired which a call
    disproved. `intended_by` says that no call was meant to come; the next one takes it back. `visit_day` is a local
    date. `merged` names episodes that turned out to be this one. `works`: all that had failed was seen to work since,
    not often or not long enough to prove it repaired.
    """

    id: str
    lead: str
    findings: tuple[str, ...]
    severity: Severity
    level: int
    worst: str = ""
    state: EpisodeState
    since_s: float
    since_wall_s: float | None
    suspects: tuple[str, ...] = ()
    returns: int = 0
    returned_wall_s: float | None = None
    often: bool = False
    quiet_wall_s: float | None = None
    answered_by: str | None = None
    answered_wall_s: float | None = None
    visit_day: str | None = None
    snoozed_until_wall_s: float | None = None
    repaired_by: str | None = None
    intended_by: str | None = None
    taken_back: int = 0
    merged: tuple[str, ...] = ()
    works: bool = False
    over_wall_s: float | None = None

    @property
    def heading(self) -> str:
        """The finding that speaks for it: the worst of it by now."""
        return self.worst or self.lead


class AlertChange(msgspec.Struct, frozen=True, kw_only=True):
    """One step of an alert's life. `tell` says whether people are to be told (phone, page banner)."""

    t_s: float
    wall_s: float | None
    finding: str
    state_was: AlertState
    state: AlertState
    severity: Severity
    tell: Literal["no", "alarm", "all-clear"]
    summary: str
    suspects: tuple[str, ...] = ()
    by: str | None = None


Event = Change | Diagnosed | Cycle | AlertChange  # what one engine step can bring


OWN_FAULT = "monitor-fault"  # what a request names to acknowledge the program's own faults, as if it were a finding


class RequestKind(StrEnum):
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    SERVICE = "service"
    RESUME = "resume"
    RENEW = "renew"
    REPAIRED = "repaired"
    INTENDED = "intended"  # no call was meant to come: away, set warmer, switched off


class Request(msgspec.Struct, frozen=True, kw_only=True):
    """A wish of a person, from the page or the broker; `finding` is needed by all but service, resume and renew.

    `hours` bounds shelving and service mode; `part` is what a visit renewed ("compressor" or "contactor"): its counts
    and what was normal with the old one begin again. `finding` may name an episode as well: it then stands for all of
    its findings. `day` (a local date) goes with acknowledge: a technician comes then. `id` lets the sender match the
    answer and makes a repeat harmless.
    """

    id: str
    request: RequestKind
    by: str
    finding: str | None = None
    hours: float | None = None
    note: str = ""
    part: str | None = None
    day: str | None = None


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What became of a request: done, or why not."""

    id: str
    done: bool
    why: str = ""


# ---------------------------------------------------------------- a technician's visit


class MeterReading(msgspec.Struct, frozen=True, kw_only=True):
    """One reading typed in for a meter check: `typed` as it was entered, `value` as understood (None for "OL" and
    looks by eye), `symbol` the outcome it was taken for."""

    check: str
    typed: str
    by: str
    wall_s: float | None = None
    value: float | None = None
    unit: str = ""
    symbol: str = ""
    finding: str | None = None


class StoredVisit(msgspec.Struct, frozen=True, kw_only=True):
    """What a visit found: `was` is a suspect's name, or "other"; `suspects` what the program had said, in order."""

    was: str
    by: str
    wall_s: float | None = None
    finding: str | None = None
    suspects: tuple[str, ...] = ()
    note: str = ""
    measured: bool = True  # False: the person says that nothing was measured

    @property
    def first_right(self) -> bool | None:
        """Whether the first suspect was the cause; None where the program had named none, or nobody measured."""
        return self.suspects[0] == self.was if self.suspects and self.measured else None


# ---------------------------------------------------------------- the unit as a whole


def stated(value: float, uncertainty: float, unit: str) -> str:
    """A number as people read it, with its uncertainty in one or two digits and no digit further: `9.58 A ± 0.21 A`."""
    digits = max(0, min(3, 1 - floor(log10(uncertainty)))) if uncertainty > 0 else 3
    return f"{value:.{digits}f} {unit} ± {uncertainty:.{digits}f} {unit}"


class UnitStatus(msgspec.Struct, frozen=True, kw_only=True):
    """All that the page and the retained `unit` message show, as of `t_s`."""

    site: str
    name: str
    t_s: float
    wall_s: float | None
    cycle: CycleState
    cycle_since_s: float
    links: tuple[LinkView, ...]
    readings: dict[str, float | bool | None]
    findings: tuple[Finding, ...]
    alerts: tuple[Alert, ...]
    break_at: str | None
    distrusted: tuple[str, ...] = ()  # readings that lie, and count as missing
    offers: tuple[Offer, ...] = ()  # what the unit seems to do by design, for somebody to confirm
    service_until_wall_s: float | None = None
    episodes: tuple[Episode, ...] = ()
    trends: dict[str, Any] = {}
    diagnosis: Diagnosed | None = None
    uncertainty: dict[str, float] = {}  # of each number in `readings`: expanded, k = 2, in its own unit; if known
