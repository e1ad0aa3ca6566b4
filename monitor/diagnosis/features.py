"""What shape, size and history tell about the suspects: a table of ratios, and the watch that sees the features.

A *feature* is an observable of the unit as a whole: how long it stays off, what it drew before a trip, whether it
heals. Each of its symbols says how much more (or less) usual it is behind a suspect than behind the others; a suspect
that is not named has ratio 1. The ratios are common practice put into figures by this project: only their order and
rough size mean anything.

`FeatureWatch` sees the features of one unit. It is fed what is believed to change and each scan's numbers, holds
nothing older than limits.EPISODE_S, and answers `seen()`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping
from math import inf
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import Cycle, Scan


class FeatureSays(NamedTuple):
    """One symbol of a feature: what it means in one clause, and suspect -> ratio."""

    says: str
    ratios: Mapping[str, float]


_HEAT_SIDE = (
    "condenser-dirty",
    "charge-high",
    "non-condensables",
    "high-pressure-cutout",
    "fan-motor",
    "fan-capacitor",
)
_FAN_STOPPED = ("fan-control", "defrost-board", "loose-connection")
_COLD_SIDE = ("charge-low", "low-pressure-cutout", "indoor-airflow", "metering-device")
_OVERLOADED = ("condenser-dirty", "charge-low", "charge-high", "indoor-airflow", "metering-device", "non-condensables")
_PERMANENT = {
    "control-fuse": 0.02,
    "compressor-grounded": 0.03,
    "compressor-winding-open": 0.05,
    "contacts-welded": 0.3,
    "control-transformer": 0.1,
    "control-wire-shorted": 0.3,
    "control-wire-open": 0.3,
    "coil-open": 0.1,
    "coil-shorted": 0.1,
    "compressor-locked": 0.3,
    "line-supply-off": 0.3,
    "line-leg-lost": 0.3,
    "time-delay": 0.1,
}


def _all(names: tuple[str, ...], ratio: float) -> dict[str, float]:
    return dict.fromkeys(names, ratio)


_STOPS = (
    "overload-cycling",
    "compressor-not-running",
    "pull-in-without-run",
    "short-cycling",
    "locked-rotor",
    "call-without-pull-in",
    "call-without-run",
)
_OF_STOPS = ("off-time", "trip-amps", "trip-after", "trip-heat")
_STARTS = {"locked-rotor", "compressor-not-running", "pull-in-without-run", "call-without-run"}
_OF_RUNS = {"capacitor-load": "good", "power-factor": "normal"}
# The findings that a feature speaks about; beside others it says nothing.
ABOUT: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(_OF_STOPS, _STOPS),
    # A safety that cuts the call itself: what the compressor drew may tell of it, when it came is as well the pan's.
    **dict.fromkeys(("off-time", "trip-amps"), (*_STOPS, "call-not-reaching-unit")),
    "opened": ("call-without-pull-in", "call-without-run", "short-cycling", "contactor-chatter"),
    "stalled": ("compressor-not-running", "pull-in-without-run", "call-without-run", "overload-cycling"),
    "fan-amps": ("high-running-current", "fan-not-running", "sensing-disagrees", *_STOPS),
    "clamps": ("high-running-current", "low-running-current", "fan-not-running", "long-run", *_STOPS),
    "coil-before": ("control-power-lost", "call-not-reaching-unit", "low-control-voltage", "overdue-call"),
    "comes-and-goes": (),
    "calls-satisfied": ("compressor-not-running", "pull-in-without-run", "fan-not-running", "call-without-run"),
    "line-blink": ("locked-rotor", "compressor-not-running", "overload-cycling"),
    "starts": ("locked-rotor", "compressor-not-running", "overload-cycling", "pull-in-without-run", "slow-start"),
    "supply-lost": ("line-supply-lost",),
    "dead-for": ("compressor-not-running",),
    "run-amps": ("long-run", "not-cooling", "low-split", "high-split"),
    **dict.fromkeys(("capacitor-load", "power-factor", "large-pipe", "small-pipe", "start-sag"), ()),
}

FEATURES: dict[str, dict[str, FeatureSays]] = {
    "off-time": {
        "seconds": FeatureSays(
            "it is back within seconds, too soon for an overload or a pressure switch",
            _all(_OVERLOADED, 0.1)
            | _all(("fan-motor", "fan-capacitor", "run-capacitor", "compressor-locked", "start-device"), 0.15)
            | {"compressor-overload-open": 0.02, "low-pressure-cutout": 0.3, "high-pressure-cutout": 0.1}
            | {"loose-connection": 4, "contacts-not-making": 2, "control-voltage-weak": 2, "monitor-sensing": 2},
        ),
        "minutes": FeatureSays(
            "it stays off for minutes, as an overload or a pressure switch does",
            {"loose-connection": 0.4, "contacts-not-making": 0.4, "monitor-sensing": 0.5},
        ),
        "long": FeatureSays(
            "it stays off for a quarter of an hour and more, as a hot compressor's overload does",
            {
                "compressor-overload-open": 1.5,
                "run-capacitor": 1.5,
                "loose-connection": 0.3,
                "low-pressure-cutout": 0.5,
            },
        ),
    },
    "trip-amps": {
        "locked": FeatureSays(
            "it drew locked-rotor current before it stopped",
            {
                "run-capacitor": 3,
                "compressor-locked": 3,
                "start-device": 3,
                "compressor-winding-open": 2,
                "line-voltage": 1.5,
                "loose-connection": 0.5,
            }
            | _all(_OVERLOADED, 0.1)
            | {"fan-motor": 0.3, "fan-capacitor": 0.3, "compressor-overload-open": 0.3, "float-switch": 0.1}
            | {"pressure-switch": 0.1, "high-pressure-cutout": 0.1, "low-pressure-cutout": 0.1},
        ),
        "high": FeatureSays(
            "it drew more than is normal before it stopped",
            _all(_HEAT_SIDE, 3)
            | _all(_COLD_SIDE, 0.15)
            | {"line-voltage": 1.5, "float-switch": 0.3, "pressure-switch": 2},
        ),
        "usual": FeatureSays(
            "it drew its normal current until it stopped",
            {
                "run-capacitor": 0.3,
                "compressor-locked": 0.05,
                "start-device": 0.1,
                "loose-connection": 2,
                "low-pressure-cutout": 1.5,
            }
            # A high-pressure switch opens far above what is normal, and so are the amperes there.
            | {"condenser-dirty": 0.3, "charge-high": 0.3, "high-pressure-cutout": 0.15, "float-switch": 1.5},
        ),
        "low": FeatureSays(
            "it drew less than is normal before it stopped",
            _all(_COLD_SIDE, 3)
            | _all(_HEAT_SIDE, 0.1)
            | {"charge-low": 6, "run-capacitor": 0.1, "compressor-locked": 0.02}
            | {"float-switch": 0.5, "pressure-switch": 2, "compressor-not-pumping": 2},
        ),
    },
    "stalled": {
        "yes": FeatureSays(
            "it drew locked-rotor current for a moment and stopped",
            _all(("run-capacitor", "compressor-locked", "start-device"), 3)
            | _all(_OVERLOADED, 0.2)
            | {
                "compressor-winding-open": 2,
                "line-voltage": 1.5,
                "loose-connection": 0.4,
                "compressor-overload-open": 0.1,
            }
            | {"line-supply-off": 0.3, "coil-open": 0.1, "contacts-not-making": 0.1},
        ),
    },
    "trip-after": {
        "seconds": FeatureSays(
            "it stops within seconds of its start",
            {"run-capacitor": 2, "compressor-locked": 3, "start-device": 2.5, "line-voltage": 1.5, "float-switch": 0.1}
            | {"condenser-dirty": 0.2, "high-pressure-cutout": 0.4, "charge-high": 0.4, "indoor-airflow": 0.3}
            | {"load-shed": 0.3},  # a utility's switch knows nothing of starts
        ),
        "minutes": FeatureSays(
            "it stops some minutes into the run",
            {"compressor-locked": 0.2, "start-device": 0.3, "float-switch": 0.2, "low-pressure-cutout": 2}
            | {"high-pressure-cutout": 2, "fan-motor": 2, "fan-capacitor": 2, "pressure-switch": 2, "charge-low": 3}
            | {"condenser-dirty": 1.5},
        ),
        "hour": FeatureSays(
            "it stops after long runs",
            {"float-switch": 4, "indoor-airflow": 1.5, "compressor-locked": 0.05, "run-capacitor": 0.5}
            | {"fan-motor": 0.5, "fan-capacitor": 0.5, "low-pressure-cutout": 0.7},
        ),
    },
    "trip-heat": {
        "hot": FeatureSays(
            "it stops in hot weather",
            {"condenser-dirty": 1.5, "high-pressure-cutout": 1.7, "charge-high": 1.3, "non-condensables": 1.3}
            | {"line-voltage": 1.3, "low-pressure-cutout": 0.7, "charge-low": 0.9},
        ),
        "mild": FeatureSays(
            "it stops in mild weather too",
            {"charge-low": 1.7, "low-pressure-cutout": 2, "metering-device": 1.5, "indoor-airflow": 1.5}
            | {"condenser-dirty": 0.4, "high-pressure-cutout": 0.3, "charge-high": 0.6, "non-condensables": 0.6},
        ),
    },
    "dead-for": {
        "hours": FeatureSays(
            "it has stayed dead for hours under its call, longer than an overload stays open",
            {
                "compressor-winding-open": 3,
                "compressor-overload-open": 0.5,  # one that has failed stays open as a winding does
                "loose-connection": 1.3,
                "indoor-airflow": 0.1,
                "line-leg-lost": 1.5,
                "line-voltage": 0.2,
                "run-capacitor": 0.3,
                "start-device": 0.3,
            }
            | _all(_OVERLOADED, 0.1)
            | _all(("fan-motor", "fan-capacitor"), 0.2),
        ),
    },
    "run-amps": {
        "low": FeatureSays(
            "it draws less than it used to at such temperatures",
            _all(_COLD_SIDE, 2.5)
            | {"compressor-not-pumping": 2.5, "condenser-dirty": 0.3, "charge-high": 0.3, "non-condensables": 0.3}
            | {"thermostat-setting": 0.5, "thermostat": 0.5},
        ),
        "usual": FeatureSays(
            "it draws what it always drew at such temperatures",
            {"condenser-dirty": 0.5, "charge-high": 0.4, "compressor-not-pumping": 0.2, "non-condensables": 0.4},
        ),
        "high": FeatureSays(
            "it draws more than it used to at such temperatures",
            _all(("condenser-dirty", "charge-high", "non-condensables"), 2.5)
            | _all(_COLD_SIDE, 0.3)
            | {"compressor-not-pumping": 0.1, "thermostat-setting": 0.5, "thermostat": 0.5},
        ),
    },
    "opened": {
        "in-run": FeatureSays(
            "the contactor let go in the middle of a run with the call still there",
            {
                "pressure-switch": 4,
                "low-pressure-cutout": 4,
                "high-pressure-cutout": 4,
                "charge-low": 4,
                "indoor-airflow": 2,
                "loose-connection": 1.2,
                "line-supply-off": 0.6,
            }
            | {
                "condenser-dirty": 4,
                "fan-motor": 2,
                "fan-capacitor": 2,
                "contacts-not-making": 0.5,
                "armature-blocked": 0.05,
            }
            | {"time-delay": 0.1},
        ),
        "at-start": FeatureSays(
            "the contactor did not close when the call came",
            {"pressure-switch": 0.5, "high-pressure-cutout": 0.2, "low-pressure-cutout": 0.5, "condenser-dirty": 0.1}
            | {"charge-low": 0.3, "indoor-airflow": 0.2}
            | {"fan-motor": 0.1, "fan-capacitor": 0.1},
        ),
    },
    "fan-amps": {
        "high": FeatureSays(
            "the fan draws more than its own normal",
            {"fan-motor": 5, "fan-capacitor": 5, "condenser-dirty": 0.3, "charge-high": 0.3, "non-condensables": 0.3},
        ),
        "low": FeatureSays("the fan draws less than its own normal", {"fan-motor": 1.5, "line-voltage": 1.5}),
    },
    "clamps": {
        "swapped": FeatureSays("the fan's clamp reads the compressor's current", {"monitor-sensing": 80}),
    },
    "coil-before": {
        "short": FeatureSays(
            "the coil drew a short circuit's current before the 24 V went",
            {"coil-shorted": 20, "control-wire-shorted": 0.5},
        ),
        "usual": FeatureSays(
            "the coil drew its usual current until the 24 V went", {"coil-shorted": 0.2, "control-wire-shorted": 1.2}
        ),
    },
    "comes-and-goes": {
        "yes": FeatureSays(
            "it works again by itself, which nothing burnt or blown does",
            _PERMANENT
            | {"loose-connection": 3, "load-shed": 2, "refrigerant-detector": 0.7, "thermostat-setting": 0.7},
        ),
    },
    "calls-satisfied": {
        "yes": FeatureSays("calls are satisfied all the same, so what reads dead does run", {"monitor-sensing": 80}),
    },
    "line-blink": {
        "yes": FeatureSays(
            "the line blinked just before the start that stalled",
            {"line-supply-off": 6, "line-voltage": 2, "thermostat": 2, "run-capacitor": 0.4, "compressor-locked": 0.3}
            | {"start-device": 0.5},
        ),
    },
    "starts": {
        "lengthening": FeatureSays(
            "starts take longer and longer", {"run-capacitor": 2.5, "start-device": 1.5, "line-supply-off": 0.3}
        ),
        "steady": FeatureSays("starts take as long as ever", {"run-capacitor": 0.7, "start-device": 0.8}),
    },
    # what settled minutes of the last run showed, where it is sensed (baselines/performance.py)
    "capacitor-load": {
        "weak": FeatureSays("the run capacitor is weak under load", {"run-capacitor": 20}),
        "good": FeatureSays("the run capacitor is good under load", {"run-capacitor": 0.1}),
    },
    "power-factor": {
        "low": FeatureSays(
            "the compressor's power factor is low",
            {"run-capacitor": 2.5, "compressor-not-pumping": 2, "line-voltage": 1.5},
        ),
        "normal": FeatureSays(
            "the compressor's power factor is normal", {"run-capacitor": 0.4, "compressor-not-pumping": 0.6}
        ),
    },
    "start-sag": {
        "usual": FeatureSays("the line voltage holds at the start", {"line-voltage": 0.5}),
        "deep": FeatureSays("the line voltage breaks down at the start", {"line-voltage": 5, "loose-connection": 2}),
    },
    "large-pipe": {
        "freezing": FeatureSays(
            "the large pipe is freezing",
            {"indoor-airflow": 4, "charge-low": 2, "metering-device": 2, "charge-high": 0.7},
        ),
        "cool": FeatureSays("the large pipe is cool", {"charge-low": 0.4, "compressor-not-pumping": 0.3}),
        "warm": FeatureSays(
            "the large pipe is warm",
            {"charge-low": 3, "compressor-not-pumping": 4, "metering-device": 2, "indoor-airflow": 0.1},
        ),
    },
    "small-pipe": {
        "near-outdoor": FeatureSays(
            "the small pipe is hardly warmer than the air",
            {"charge-low": 1.5, "compressor-not-pumping": 2, "charge-high": 1.5},
        ),
        "warm": FeatureSays("the small pipe is warm as it should be", {"compressor-not-pumping": 0.5}),
        "hot": FeatureSays(
            "the small pipe is hot",
            {"condenser-dirty": 3, "fan-motor": 2, "fan-capacitor": 2, "non-condensables": 2, "charge-low": 0.4},
        ),
    },
    "supply-lost": {
        "at-start": FeatureSays(
            "the supply went as the compressor started",
            {"compressor-grounded": 4, "line-supply-off": 0.7, "loose-connection": 1.5, "line-leg-lost": 1.5},
        ),
        "in-run": FeatureSays("the supply went in the middle of a run", {"compressor-grounded": 2}),
        "at-rest": FeatureSays("the supply went at rest", {"compressor-grounded": 0.1, "loose-connection": 0.5}),
    },
}


def ratios(features: Mapping[str, str], findings: Collection[str]) -> dict[str, Mapping[str, float]]:
    """Feature -> suspect -> ratio, of the features that speak about one of the findings."""
    # While the contactor chatters, each stop is the contactor's.
    mute: tuple[str, ...] = _OF_STOPS if "contactor-chatter" in findings else ()
    if "locked-rotor" in findings:
        mute += ("stalled",)  # the finding says it
    told = {
        name: FEATURES[name][symbol].ratios
        for name, symbol in features.items()
        if name not in mute
        if not ABOUT[name] or not set(findings).isdisjoint(ABOUT[name])
    }
    if not _STARTS.isdisjoint(findings):
        # What was measured in the last run that went well says little of a start that fails since.
        told = {name: ratio for name, ratio in told.items() if features[name] != _OF_RUNS.get(name)}
    if "fan-not-running" in findings:
        # Without its fan the compressor trips alike, whatever keeps the fan from turning; and is locked out then, so
        # that the next call finds the contactor open.
        if features.get("opened") == "at-start":
            told.pop("opened", None)
        for name in told.keys() & {*_OF_STOPS, "opened"}:
            alike = told[name].get("fan-motor", 1.0)
            told[name] = {**told[name], **{one: max(alike, told[name].get(one, 1.0)) for one in _FAN_STOPPED}}
    return told


def clause(feature: str, symbol: str) -> str:
    """What a feature's symbol says, in one clause."""
    return FEATURES[feature][symbol].says


# ---------------------------------------------------------------- the watch


class _Stop(NamedTuple):
    """A stop of the compressor that no thermostat asked for."""

    at_s: float
    ran_s: float
    amps: float | None
    outdoor_c: float | None


_AT_ONCE_S = limits.STALE_S.value


class FeatureWatch:
    """Sees the features of one unit. `normal_a` of `changed` is what its compressor draws at this temperature; `memory`
    is what `memory()` of an earlier process gave: feature -> its symbol and how long ago it was seen, s."""

    def __init__(self, unit: Unit, memory: Mapping[str, tuple[str, float]] = {}) -> None:
        self._unit = unit
        self._last: deque[Scan] = deque(maxlen=90)
        self._stops: deque[_Stop] = deque(maxlen=3)
        self._off_s: deque[float] = deque(maxlen=3)
        self._fan_runs_a: deque[float] = deque(maxlen=64)
        self._runless: deque[float] = deque(maxlen=3)
        self._started_s: float | None = None
        self._stopped_s = self._blink_s = self._lost_s = self._closed_s = self._called_s = -inf
        self._made_s = self._opened_s = -inf
        self._dead_s = inf
        self._normal_a: float | None = None
        self._stalled_s: float | None = None
        self._marks = {
            name: (symbol, -age_s) for name, (symbol, age_s) in memory.items() if symbol in FEATURES.get(name, ())
        }

    # ------------------------------------------------------------ in

    def keep(self, scan: Scan) -> None:
        """Hold the last scans. Cheap on purpose: it is done for each one."""
        self._last.append(scan)

    def glimpse(self, scan: Scan) -> None:
        """See a start that stalled between two scans: locked-rotor current in a single one, and none in the next."""
        lra_a, amps = self._unit.compressor_lra_a, scan.compressor_a
        if amps is not None and amps >= lra_a * limits.LOCKED_RATIO.value:
            self._stalled_s = scan.t_s
        elif self._stalled_s is not None:
            after = [s for s in self._last if s.t_s > self._stalled_s and s.compressor_a is not None]
            if after:
                # With the call or the contacts gone it was stopped, and did not stall.
                held = after[0].call is not False and after[0].load is not False
                if (
                    held
                    and (after[0].compressor_a or 0.0) < self._unit.compressor_rla_a * limits.RUNNING_OFF_RATIO.value
                ):
                    self._mark("stalled", "yes", self._stalled_s)
                self._stalled_s = None

    def changed(self, was: Facts, facts: Facts, at_s: float, normal_a: float | None) -> None:
        """What is believed went from `was` to `facts` at `at_s`."""
        self._normal_a = normal_a
        if facts.call and was.call is False:
            self._called_s = at_s
        if facts.contacts and was.contacts is False:
            self._closed_s = at_s
            if self._marks.get("opened", ("", 0.0))[0] == "at-start":
                del self._marks["opened"]  # it has closed after all
        if was.contacts:
            self._made_s = at_s
        if facts.call is False and not lasted(self._opened_s, at_s, _AT_ONCE_S):
            self._marks.pop("opened", None)  # it let go because the call went, which is read a moment later
        if facts.compressor or not facts.contacts:
            self._dead_s = inf
        elif facts.compressor is False and self._dead_s == inf:
            self._dead_s = at_s
        self._watch_compressor(was, facts, at_s)
        self._watch_contactor(was, facts, at_s)
        self._watch_supply(was, facts, at_s)
        cut = was.call and facts.call is False and facts.thermostat
        if cut or (was.control_power and facts.control_power is False):
            self._mark_coil(at_s)

    def cycle(self, cycle: Cycle) -> None:
        """A cycle is over: the fan's own normal, and whether the call was satisfied though nothing was seen to run."""
        if cycle.fan_a is not None and cycle.run_s >= limits.SETTLE_S.value:
            self._judge_fan(cycle)
        lasted_s = cycle.stopped_s - cycle.started_s
        half_seen = cycle.run_s == 0.0 and cycle.closings > 0
        if half_seen and cycle.start_seen and limits.SETTLE_S.value <= lasted_s <= limits.SATISFIED_MOST_S.value:
            self._runless.append(cycle.stopped_s)
            if len(self._runless) == self._runless.maxlen:
                self._mark("calls-satisfied", "yes", cycle.stopped_s)
        elif cycle.run_s:
            self._runless.clear()

    def minute(self, minute_a: float | None, normal_a: float | None, at_s: float) -> None:
        """A settled minute of a run, beside what is normal at its temperature."""
        if minute_a is None or normal_a is None:
            return
        ratio = minute_a / normal_a
        low, high = limits.RUN_LOW_RATIO.value, limits.RUN_HIGH_RATIO.value
        self._mark("run-amps", "low" if ratio < low else "high" if ratio > high else "usual", at_s)

    def starts(self, slow: bool | None, at_s: float) -> None:
        """Whether the last captured starts took longer than the unit's own first ones."""
        if slow is not None:
            self._mark("starts", "lengthening" if slow else "steady", at_s)

    def gap(self) -> None:
        """Nothing was seen for a while: what was under way is not known."""
        self._started_s = None
        self._stopped_s = -inf
        self._dead_s = inf
        self._stalled_s = None
        self._last.clear()

    # ------------------------------------------------------------ out

    def seen(self, now_s: float, since_s: float | None = None) -> dict[str, str]:
        """The features of the last hours; `since_s` is when what stands began, and the hours before that count."""
        since_s = now_s if since_s is None else since_s
        found = {name: symbol for name, (symbol, at_s) in self._marks.items() if _tells(at_s, since_s)}
        recent = [stop for stop in self._stops if _tells(stop.at_s, since_s)]
        if recent:
            found |= self._of_stops(recent)
        if lasted(self._dead_s, now_s, limits.OVERLOAD_MOST_S.value):
            found["dead-for"] = "hours"
        if self._swapped(now_s):
            found["clamps"] = "swapped"
        if self._off_s and _tells(self._stopped_s, since_s):
            found["off-time"] = _off_word(sorted(self._off_s)[len(self._off_s) // 2])
        return found

    def memory(self, now_s: float) -> dict[str, tuple[str, float]]:
        """Feature -> its symbol and how long ago it was seen, s."""
        return {name: (symbol, now_s - at_s) for name, (symbol, at_s) in self._marks.items() if _tells(at_s, now_s)}

    def deadline(self, now_s: float) -> float:
        """When after `now_s` the next of them is too old to tell, s."""
        times_s = (*(at_s for _, at_s in self._marks.values()), *(stop.at_s for stop in self._stops), self._stopped_s)
        soonest_s = min((at_s + limits.EPISODE_S.value for at_s in times_s if _tells(at_s, now_s)), default=inf)
        dead_s = self._dead_s + limits.OVERLOAD_MOST_S.value
        return min(soonest_s, dead_s) if dead_s > now_s else soonest_s

    def _swapped(self, now_s: float) -> bool:
        """Whether the fan's clamp has read what no fan draws, scan after scan, and the compressor's what a fan does."""
        fla_a = self._unit.fan_fla_a
        ran = [
            scan
            for scan in self._last
            if scan.fan_a is not None and scan.fan_a > limits.FAN_ON_RATIO.value * fla_a and _tells(scan.t_s, now_s)
        ][-int(limits.SWAPPED_SCANS.value) :]
        return len(ran) >= limits.SWAPPED_SCANS.value and all(
            (scan.fan_a or 0.0) > limits.SWAPPED_RATIO.value * fla_a
            and scan.compressor_a is not None
            and scan.compressor_a < 2.0 * fla_a
            for scan in ran
        )

    def _of_stops(self, stops: list[_Stop]) -> dict[str, str]:
        found: dict[str, str] = {}
        amps = {word for stop in stops if (word := self._amps_word(stop.amps)) is not None}
        if len(amps) == 1:
            found["trip-amps"] = amps.pop()
        if len(stops) < limits.CONFIRM_STOPS.value:
            return found  # when a single stop came may be chance
        middle = sorted(stop.ran_s for stop in stops)[len(stops) // 2]
        found["trip-after"] = "seconds" if middle < 60.0 else "minutes" if middle < 1500.0 else "hour"
        outdoor = [stop.outdoor_c for stop in stops if stop.outdoor_c is not None]
        if outdoor and min(outdoor) >= limits.HOT_C.value:
            found["trip-heat"] = "hot"
        elif outdoor and min(outdoor) < limits.MILD_C.value:
            found["trip-heat"] = "mild"
        return found

    def _amps_word(self, amps: float | None) -> str | None:
        unit, normal_a = self._unit, self._normal_a
        if amps is None:
            return None
        if amps >= unit.compressor_lra_a * limits.LOCKED_RATIO.value:
            return "locked"
        high_a = unit.compressor_rla_a * limits.HIGH_TRIP_RATIO.value
        if amps > (high_a if normal_a is None else min(high_a, normal_a * limits.HIGH_TRIP_RATIO.value)):
            return "high"
        if normal_a is None:
            return "low" if amps < unit.compressor_rla_a * limits.LOW_TRIP_RATIO.value / 2 else None
        return "low" if amps < normal_a * limits.LOW_TRIP_RATIO.value else "usual"

    # ------------------------------------------------------------ what each change tells

    def _mark(self, feature: str, symbol: str, at_s: float) -> None:
        self._marks[feature] = (symbol, at_s)

    def _watch_compressor(self, was: Facts, facts: Facts, at_s: float) -> None:
        if facts.compressor and was.compressor is False:
            self._started_s = at_s
            if (
                at_s - self._stopped_s <= limits.EPISODE_S.value
                and self._stops
                and self._stops[-1].at_s == self._stopped_s
            ):
                self._off_s.append(at_s - self._stopped_s)
            if at_s - self._blink_s <= limits.BLINK_BEFORE_S.value:
                self._mark("line-blink", "yes", at_s)
        elif was.compressor and facts.compressor is False:
            asked = facts.call is False and facts.thermostat is not True
            if self._started_s is not None and not asked and facts.supply is not False:
                amps, outdoor_c = self._before(at_s)
                self._stops.append(_Stop(at_s, at_s - self._started_s, amps, outdoor_c))
            self._stopped_s, self._started_s = at_s, None
        if facts.locked and not was.locked and at_s - self._blink_s <= limits.BLINK_BEFORE_S.value:
            self._mark("line-blink", "yes", at_s)

    def _watch_contactor(self, was: Facts, facts: Facts, at_s: float) -> None:
        if not facts.call or facts.supply is False:
            return
        # Readings need not be of one instant: while a motor's current is not yet read as gone, nobody knows.
        if facts.contacts is False and was.contacts is not False and not lasted(self._made_s, at_s, _AT_ONCE_S):
            self._opened_s = at_s
            self._mark("opened", "in-run", at_s)
            if was.call and was.compressor is None and facts.compressor is None:
                self._stops.append(_Stop(at_s, at_s - self._closed_s, None, self._before(at_s)[1]))
        elif was.call is False and not facts.contacts:
            self._mark("opened", "at-start", at_s)

    def _watch_supply(self, was: Facts, facts: Facts, at_s: float) -> None:
        if was.supply and facts.supply is False:
            self._lost_s = at_s
            started_s = max(self._closed_s, -inf if self._started_s is None else self._started_s)
            running = bool(was.contacts)
            # What trips a breaker as the contacts close is gone before a scan has seen them closed.
            soon = at_s - (started_s if running else self._called_s) <= _AT_ONCE_S
            self._mark("supply-lost", "at-start" if soon else "in-run" if running else "at-rest", at_s)
        elif facts.supply and was.supply is False and at_s - self._lost_s <= limits.BLINK_S.value:
            self._blink_s = at_s

    def _mark_coil(self, at_s: float) -> None:
        before = [scan for scan in self._last if at_s - scan.t_s <= 30.0 and scan.coil_a is not None]
        if not before:
            return
        worst = max(scan.coil_a or 0.0 for scan in before)
        sagged = any(
            (scan.coil_a or 0.0) >= limits.COIL_UNSEALED_A.value
            and scan.control_v is not None
            and scan.control_v < limits.CONTROL_GHOST_V.value
            for scan in before
        )
        if worst >= limits.COIL_SHORT_A.value or sagged:
            self._mark("coil-before", "short", at_s)
        elif worst >= limits.COIL_NONE_A.value:
            self._mark("coil-before", "usual", at_s)

    def _before(self, at_s: float) -> tuple[float | None, float | None]:
        """The compressor's last amperes before a stop (the mean of the last readings in which it ran), and the outdoor
        temperature."""
        least_a = self._unit.compressor_rla_a * limits.RUNNING_OFF_RATIO.value
        ran = [s for s in self._last if s.t_s < at_s and s.compressor_a is not None and s.compressor_a > least_a]
        last = [scan.compressor_a or 0.0 for scan in ran[-4:]]
        outdoor = next((s.outdoor_c for s in reversed(self._last) if s.outdoor_c is not None), None)
        # The reading at the very stop may show half of it.
        return (None if not last else sorted(last)[len(last) // 2]), outdoor

    def _judge_fan(self, cycle: Cycle) -> None:
        fan_a = cycle.fan_a or 0.0
        if fan_a > limits.SWAPPED_RATIO.value * self._unit.fan_fla_a:
            return
        normal = sorted(self._fan_runs_a)[len(self._fan_runs_a) // 2] if len(self._fan_runs_a) >= 3 else None
        if normal is not None and fan_a > limits.FAN_HIGH_RATIO.value * normal:
            self._mark("fan-amps", "high", cycle.stopped_s)
        elif normal is not None and fan_a < limits.FAN_LOW_RATIO.value * normal:
            self._mark("fan-amps", "low", cycle.stopped_s)
        else:
            self._marks.pop("fan-amps", None)
            self._fan_runs_a.append(fan_a)


def _tells(at_s: float, now_s: float) -> bool:
    """What was seen then is not too old to tell."""
    return not lasted(at_s, now_s, limits.EPISODE_S.value)


def _off_word(off_s: float) -> str:
    if off_s < limits.OFF_SECONDS_S.value:
        return "seconds"
    return "minutes" if off_s < limits.OFF_LONG_S.value else "long"
