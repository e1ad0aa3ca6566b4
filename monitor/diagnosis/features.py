"""What shape, size and history tell about the suspects, and the watch that sees the features.

A *feature* is an observable of the unit as a whole: how long it stays off, what it drew before a trip, whether it
heals. How much more (or less) usual each of its symbols is behind a suspect stands in the suspect's row (`signs`).

`FeatureWatch` sees the features of one unit. It is fed what is believed to change and each scan's numbers, holds
nothing older than limits.EPISODE_S, and answers `seen()`.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Collection, Mapping
from math import inf
from statistics import median, median_high
from typing import NamedTuple

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Unit
from condenser_monitor.monitor.core.inputs import lasted
from condenser_monitor.monitor.core.links import Facts
from condenser_monitor.monitor.core.records import Cycle, Scan
from condenser_monitor.monitor.diagnosis.silent_starts import SilentStarts
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS


class FeatureSays(NamedTuple):
    """One symbol of a feature: what it means in one clause, and suspect -> ratio."""

    says: str
    ratios: Mapping[str, float]


_FAN_STOPPED = ("fan-motor", "fan-capacitor", "fan-control", "defrost-board", "loose-connection")
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
_STALLS = {"stalled": "yes", "trip-amps": "locked", "trip-after": "seconds"}
_RAN = frozenset({"usual", "under", "low", "high"})  # what a motor draws that has started
_OF_RUNS = {"capacitor-load": "good", "power-factor": "normal"}
# The findings that a feature speaks about; beside others it says nothing.
ABOUT: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(_OF_STOPS, _STOPS),
    # A safety that cuts the call itself: what the compressor drew may tell of it, when it came is as well the pan's.
    **dict.fromkeys(("off-time", "trip-amps"), (*_STOPS, "call-not-reaching-unit")),
    "opened": ("call-without-pull-in", "call-without-run", "short-cycling", "contactor-chatter"),
    "flickers": (*_STOPS, "low-control-voltage"),
    "call-flickers": ("call-not-reaching-unit", *_STOPS),
    "stalled": ("compressor-not-running", "pull-in-without-run", "call-without-run", "overload-cycling"),
    "stall-winding": ("locked-rotor", *_STOPS),
    "fan-amps": ("high-running-current", "fan-not-running", "sensing-disagrees", "call-not-reaching-unit", *_STOPS),
    "fan-glimpse": ("call-not-reaching-unit", *_STOPS),
    "both-stop": ("overload-cycling", "pull-in-without-run", "compressor-not-running"),
    "fan-fell": ("compressor-not-running",),
    "fan-stopped": ("fan-not-running", "high-running-current", *_STOPS),
    "clamps": (
        *("sensing-disagrees", "high-running-current", "low-running-current", "fan-not-running", "long-run"),
        *_STOPS,
    ),
    "coil-before": ("control-power-lost", "call-not-reaching-unit", "low-control-voltage", "overdue-call"),
    "coil-amps": ("call-without-pull-in", "call-without-run", "low-control-voltage", "contactor-chatter"),
    "waits": ("call-without-pull-in", "call-without-run"),
    "comes-and-goes": (),
    "called-again": ("short-cycling",),
    "calls-satisfied": ("compressor-not-running", "pull-in-without-run", "fan-not-running", "call-without-run"),
    "line-blink": ("locked-rotor", "compressor-not-running", "overload-cycling"),
    "call-blink": (
        *("locked-rotor", "compressor-not-running", "pull-in-without-run"),
        *("overload-cycling", "call-without-run"),
    ),
    "starts": ("locked-rotor", "compressor-not-running", "overload-cycling", "pull-in-without-run", "slow-start"),
    "supply-lost": ("line-supply-lost",),
    "left-volts": ("line-supply-lost",),
    "silent-start": ("compressor-not-running", "pull-in-without-run", "call-without-run"),
    "dead-for": ("compressor-not-running", "pull-in-without-run", "call-without-run"),
    "run-amps": ("long-run", "not-cooling", "low-split", "high-split", *_STOPS),
    "rise": ("long-run", "high-running-current", *_STOPS),
    "fall": ("low-running-current", "long-run", "not-cooling", "low-split"),
    "blower-in-run": (
        *("not-cooling", "low-split", "high-split", "low-running-current", "short-cycling", "overload-cycling"),
        *("call-without-pull-in", "call-without-run", "call-not-reaching-unit", "compressor-not-running"),
    ),
    **dict.fromkeys(("capacitor-load", "winding-load", "power-factor", "large-pipe", "small-pipe", "start-sag"), ()),
    "scans": (),
}
# What a feature cannot deny where scans are far apart: whose symbol it is that lasts seconds, and may have fallen
# between two of them. Whoever shows that symbol is as usual behind what was read instead as anybody.
_SECONDS = {"trip-amps": ("trip-amps", "locked"), "dead-for": ("stalled", "yes")}

_SAYS: dict[str, dict[str, str]] = {
    "off-time": {
        "seconds": "it is back within seconds, too soon for an overload or a pressure switch",
        "moments": "it is back after a minute or a few, as a pressure switch is and no hot compressor's overload",
        "minutes": "it stays off for minutes, as an overload or a pressure switch does",
        "long": "it stays off for a quarter of an hour and more, as a hot compressor's overload does",
    },
    "trip-amps": {
        "locked": "it drew locked-rotor current before it stopped",
        "high": "it drew more than is normal before it stopped",
        "usual": "it drew its normal current until it stopped",
        "under": "its current had come to rest, no higher than is normal, before it stopped",
        "low": "it drew less than is normal before it stopped",
    },
    "stalled": {
        "yes": "it drew locked-rotor current for a moment and stopped",
    },
    "stall-winding": {
        "none": "nothing flowed to the start winding while the compressor stalled",
    },
    "silent-start": {
        "yes": "a rested compressor drew nothing as it was called, not even a stalled one's current",
    },
    "trip-after": {
        "seconds": "it stops within seconds of its start",
        "minutes": "it stops some minutes into the run",
        "hour": "it stops after long runs",
    },
    "trip-heat": {
        "hot": "it stops in hot weather",
        "mild": "it stops in mild weather too",
    },
    "dead-for": {
        "hours": "it has stayed dead for hours under its call, longer than an overload stays open",
    },
    "run-amps": {
        "low": "it draws less than it used to at such temperatures",
        "usual": "it draws what it always drew at such temperatures",
        "high": "it draws more than it used to at such temperatures",
    },
    "rise": {
        "sudden": "its current rose from one run to the next, and dirt takes weeks",
    },
    "fall": {
        "sudden": "its current fell to about half within a minute of a run, and no gas leaks so fast",
    },
    "flickers": {
        "yes": "the contacts open and close several times a minute under a standing call",
    },
    "call-flickers": {
        "yes": "the call comes and goes at the unit while the thermostat calls all the time",
    },
    "opened": {
        "at-start": "nothing started when the call came",
        "in-run": "the contactor let go in the middle of a run with the call still there",
    },
    "fan-amps": {
        "high": "the fan draws more than its own normal",
        "low": "the fan draws less than its own normal",
        "none": "the fan drew nothing while the compressor ran",
    },
    "fan-fell": {
        "yes": "the fan's current fell with the compressor's, as if it had lost a part of its volts",
    },
    "both-stop": {
        "yes": "the fan stopped with the compressor behind closed contacts, and no overload stops a fan",
    },
    "fan-stopped": {
        "in-frost": "the fan stopped in the middle of a run, in weather in which a heat pump defrosts",
    },
    "fan-glimpse": {
        "still": "the fan drew nothing in a run's one or last scan",
        "stalled": "the fan drew a stalled motor's current in a run's one or last scan",
    },
    "clamps": {
        "swapped": "the fan's clamp reads the compressor's current",
    },
    "coil-before": {
        "short": "the coil drew a short circuit's current before the 24 V went",
        "usual": "the coil drew its usual current until the 24 V went",
    },
    "coil-amps": {
        "over": "the coil draws more than an open armature's current, beside its own sealed one",
        "open": "the coil draws more than its own sealed current, so the armature stands open",
    },
    "waits": {
        "yes": "the runs before began as long after each call, as behind a delay",
    },
    "comes-and-goes": {
        "yes": "it works again by itself, which nothing burnt or blown does",
    },
    "called-again": {
        "soon": "it starts again within minutes of each stop, sooner than a house warms up",
    },
    "calls-satisfied": {
        "yes": "calls are satisfied all the same, so what reads dead does run",
    },
    "line-blink": {
        "yes": "the line blinked just before the start that stalled",
        "likely": "it stalled in the middle of a run, as a blink of the line makes it",
    },
    "call-blink": {
        "yes": "the call went and was soon back before the start that stalled",
    },
    "starts": {
        "lengthening": "starts take longer and longer",
        "steady": "starts take as long as ever",
    },
    "blower-in-run": {
        "rests": "the indoor blower stood still while the unit ran",
    },
    # what settled minutes of the last run showed, where it is sensed (baselines/performance.py)
    "capacitor-load": {
        "weak": "the run capacitor is weak under load",
        "good": "the run capacitor is good under load",
    },
    "winding-load": {
        "over": "far more current flows to the start winding than its run capacitor carries",
    },
    "power-factor": {
        "low": "the compressor's power factor is low",
        "normal": "the compressor's power factor is normal",
    },
    "start-sag": {
        "usual": "the line voltage holds at the start",
        "deep": "the line voltage breaks down at the start",
    },
    "large-pipe": {
        "freezing": "the large pipe is freezing",
        "cool": "the large pipe is cool",
        "warm": "the large pipe is warm",
    },
    "small-pipe": {
        "near-outdoor": "the small pipe is hardly warmer than the air",
        "warm": "the small pipe is warm as it should be",
        "hot": "the small pipe is hot",
    },
    "scans": {
        "apart": "the readings are too far apart to show what lasts seconds",
    },
    "left-volts": {
        "hum": "the compressor still draws a part of its current, as a lost leg lets it and a dead line does not",
    },
    "supply-lost": {
        "at-start": "the supply went as the compressor started",
        "in-run": "the supply went in the middle of a run",
        "at-rest": "the supply went at rest",
    },
}
FEATURES: dict[str, dict[str, FeatureSays]] = {
    feature: {
        symbol: FeatureSays(
            says,
            {
                name: suspect.signs[feature][symbol]
                for name, suspect in SUSPECTS.items()
                if symbol in suspect.signs.get(feature, ())
            },
        )
        for symbol, says in symbols.items()
    }
    for feature, symbols in _SAYS.items()
}


def ratios(features: Mapping[str, str], findings: Collection[str]) -> dict[str, Mapping[str, float]]:
    """Feature -> suspect -> ratio, of the features that speak about one of the findings."""
    # While the contactor chatters, each stop is the contactor's.
    mute: tuple[str, ...] = ()
    if "contactor-chatter" in findings or "flickers" in features:
        mute += (*_OF_STOPS, "stalled", "opened", "silent-start")
    if "contactor-chatter" in findings:
        mute += ("call-flickers",)  # the finding says it, of whatever makes and breaks by the second
    if "locked-rotor" in findings or not stalls(features):
        mute += ("stalled",)  # the finding says it, or it is chance
    if features.get("off-time") == "seconds" or not features.keys().isdisjoint(("call-blink", "line-blink")):
        # Called again before the pressures have met, a sound compressor stalls too.
        mute += tuple(name for name, symbol in _STALLS.items() if features.get(name) == symbol)
    told = {
        name: FEATURES[name][symbol].ratios
        for name, symbol in features.items()
        if name not in mute
        if not ABOUT[name] or not set(findings).isdisjoint(ABOUT[name])
    }
    if "trip-after" in told and features["trip-after"] == "seconds" and features.get("trip-amps") in _RAN:
        # As short as the run was, it had started.
        stall = FEATURES["stalled"]["yes"].ratios
        told["trip-after"] = {
            who: min(r, 1.0) if stall.get(who, 1.0) > 1.0 else r for who, r in told["trip-after"].items()
        }
    by_switch = features.get("opened") == "in-run" and features.get("off-time") == "moments"
    if by_switch and features.get("trip-after") == "seconds":
        told.pop("trip-after", None)  # it has closed before the pressures have met: the next run trips at once
    if "trip-amps" in told and features["trip-amps"] == "high" and features.get("trip-heat") == "mild":
        told.pop("trip-heat", None)  # the weather tells of the head pressure, and the amperes themselves do
    if "scans" in features:
        if "compressor-not-running" not in findings and "silent-start" not in features:
            # No fan shows that it was fed, and each try to start may have fallen between two scans.
            told.pop("dead-for", None)
        for name, (of, brief) in _SECONDS.items():
            shows = FEATURES[of][brief].ratios
            if name in told and (name, features[name]) != (of, brief):
                told[name] = {who: max(r, 1.0) if shows.get(who, 1.0) > 1.0 else r for who, r in told[name].items()}
    if not _STARTS.isdisjoint(findings):
        # What was measured in the last run that went well says little of a start that fails since.
        told = {name: ratio for name, ratio in told.items() if features[name] != _OF_RUNS.get(name)}
    if "waits" in told and "comes-and-goes" in told:
        # What closes by itself after as long each time is a timer, as much as anybody who comes and goes.
        again = told["comes-and-goes"]
        told["comes-and-goes"] = {**again, "time-delay": max(again.values())}
    if "winding-load" in features:
        # A start capacitor that stays in overloads the motor, which trips as one with a dirty condenser does.
        for name in told.keys() & set(_OF_STOPS):
            told[name] = {**told[name], "start-device": max(1.0, told[name].get("condenser-dirty", 1.0))}
    if "fan-amps" in told:
        told.pop("fan-glimpse", None)  # more than one scan says it
    if "trip-amps" in told:
        told.pop("run-amps", None)  # what it drew as it stopped says the same, and of the stop itself
    if "fan-not-running" in findings:
        told.pop("fan-glimpse", None)
        if features.get("fan-amps") == "none":
            told.pop("fan-amps")  # the finding says it
        # Without its fan the compressor trips alike, whatever keeps the fan from turning; and is locked out then, so
        # that the next call finds the contactor open.
        if features.get("opened") == "at-start":
            told.pop("opened", None)
        for name in told.keys() & {*_OF_STOPS, "opened"}:
            alike = told[name].get("fan-motor", 1.0)
            own = max(alike, told[name].get("run-capacitor", 1.0))  # its fan's side, or the other
            told[name] = {**told[name], **dict.fromkeys(_FAN_STOPPED, alike), "run-capacitor": own}
    return told


def stalls(features: Mapping[str, str]) -> bool:
    """Whether it stalls as it starts. What ran before each of its stops, at no more than its normal current, has no
    trouble in starting: a single try before the pressures have met stalls a sound motor too."""
    runs = features.get("trip-amps") in _RAN - {"high"}
    return "stalled" in features and not ("trip-after" in features and runs)


def beside(features: Mapping[str, str], finding: str, others: Collection[str]) -> Mapping[str, str]:
    """The features that speak about a finding by itself: how the unit stopped belongs to a finding of stops, where
    there is one."""
    if finding in _STOPS or set(others).isdisjoint(_STOPS):
        return features
    return {name: symbol for name, symbol in features.items() if name not in _OF_STOPS}


# ---------------------------------------------------------------- the watch


class _Stop(NamedTuple):
    """A stop of the compressor that no thermostat asked for."""

    at_s: float
    ran_s: float | None  # None: not known
    amps: float | None
    outdoor_c: float | None
    # what the same run drew before, once it had settled, and whether the fan drew a stalled motor's current at its end
    settled_a: float | None = None
    fan_stalled: bool = False
    normal_a: float | None = None  # what its compressor draws at that temperature, in that stage
    rough: tuple[float, float] | None = None  # the same as its first runs have it, while that is not learned
    steady: bool = False  # its current rose no more, as far as the run was long enough to show it
    apart: bool = False  # its last reading came too early to show seconds of another current


_AT_ONCE_S = limits.STALE_S.value


class FeatureWatch:
    """Sees the features of one unit. `normal_a` of `changed` is what its compressor draws at this temperature, `rough`
    the least and the most as its first runs have it, where that is not learned; `memory`
    is what `memory()` of an earlier process gave: feature -> its symbol and how long ago it was seen, s; `rest_s` how
    long a compressor that ran has to rest before it is called again."""

    def __init__(
        self,
        unit: Unit,
        memory: Mapping[str, tuple[str, float]] = {},
        rest_s: float = limits.SHORT_CYCLING.off_s.value,
    ) -> None:
        self._unit, self._locked_a, self._rest_s = unit, unit.locked_a, rest_s
        self.distrusted: Collection[str] = ()  # readings that are not believed, and count as missing
        self.last: deque[Scan] = deque(maxlen=90)
        self._stops: deque[_Stop] = deque(maxlen=3)
        # of the last stops that tell what was drawn: when, the word, and whether it may have ended otherwise unseen
        self._trip_words: deque[tuple[float, str, bool]] = deque(maxlen=3)
        self._off_s: deque[float] = deque(maxlen=3)
        self._fan_runs_a: deque[float] = deque(maxlen=64)
        self._runless: deque[float] = deque(maxlen=3)
        self._sealed_a: float | None = None  # what the coil drew in the last run
        self._started_s: float | None = None
        self._stopped_s = self._blink_s = self._lost_s = self._closed_s = self._called_s = -inf
        self._made_s = self._opened_s = -inf
        self._let_go_s = -inf  # when the contactor let go in a run, while a call that came since is looked at
        self._dead_s = inf
        self._normal_a: float | None = None
        self._slows = False  # a board sets, or has just set, the compressor's speed
        self._rough: tuple[float, float] | None = None
        self._drew: deque[float] = deque(maxlen=int(limits.RUN_MINUTES.value))  # of normal, by settled minute
        self._since_normal, self._sudden = int(limits.RISE_MINUTES.value), False  # settled minutes; not known at first
        self._was_high, self._rose_so, self._high_s = False, False, -inf  # how it rose before, and until when
        self._level_a: deque[float] = deque(maxlen=int(limits.FALL_MINUTES.value))  # of the run's last minutes
        self._level_of_s: float | None = None  # the start of that run
        self._began_a: float | None = None  # what it drew in its first minute, where scans are close
        self._fallen, self._fell_from_a = 0, 0.0  # minutes in a row far below that level; what it fell from
        self._blew = False  # the blower's sensor has read it running beside the compressor
        self._stalled_s: float | None = None
        self._stall_began_s = -inf
        self.winding_known = False  # current to the start winding has been read in sound runs
        self._silent, self._facts = SilentStarts(unit.delay_on_make_s), Facts()
        self._fan_stopped_s = self._both_s = -inf  # when the fan last stopped; the last stop of both motors
        self.stall_read_s = -inf  # when a stall was last read
        self._fan_within = ""
        self._fan_ran_a: float | None = None  # what the fan drew beside the compressor, until that stopped
        # a run of which one scan has been seen: the scan, what it says, and whether it came under a call long open
        self._within: tuple[Scan, Facts, bool] | None = None
        self._open_within: tuple[float, Facts] | None = None  # a stop of which one scan has been seen
        self._load: bool | None = None
        self._flicks_s: deque[float] = deque(maxlen=int(limits.FLICKERS.value))
        self._call: bool | None = None  # as the scan before had it under the thermostat's call
        # The call as each scan reads it, and since when; when it was last back so soon that it blinked.
        self._called, self._call_read_s, self._uncalled_s, self._recalled_s = False, -inf, -inf, -inf
        self._hasty_s = -inf  # when it was last back sooner than a thermostat calls again
        self._fell_below_a = 0.0  # under what the compressor's current fell as the last call ended, and no further
        self._cut_run = False  # the compressor ran, and did not stall, until the call was last read as gone
        self._blinks_s: deque[float] = deque(maxlen=int(limits.FLICKERS.value))
        self._marks = {
            name: (symbol, -age_s) for name, (symbol, age_s) in memory.items() if symbol in FEATURES.get(name, ())
        }

    # ------------------------------------------------------------ in

    def keep(self, scan: Scan) -> None:
        """Hold a scan that says nothing new. Cheap on purpose: most are of that kind."""
        self.last.append(scan)

    def glimpse(self, scan: Scan) -> None:
        """Hold a scan and see in it what no belief follows: a start that stalled between two scans (locked-rotor
        current in a single one, and none in the next), contacts that are found open and closed by turns, and a call
        that comes and goes at the unit while the thermostat calls, at whatever rate it is looked at."""
        self.last.append(scan)
        if scan.load is not None:
            if self._load is not None and scan.load is not self._load and scan.call is not False:
                self._flicks_s.append(scan.t_s)
                within_s = scan.t_s - self._flicks_s[0]
                if len(self._flicks_s) == self._flicks_s.maxlen and within_s <= limits.FLICKERS_WINDOW_S.value:
                    self._mark("flickers", "yes", scan.t_s)
            self._load = scan.load
        if scan.call is not None and scan.call is not self._called:
            self._called = scan.call
            if not scan.call:
                self._uncalled_s = scan.t_s
                since_s = scan.t_s - limits.BLINK_BEFORE_S.value
                drew = [one.compressor_a or 0.0 for one in self._ran() if one.t_s >= since_s]
                self._cut_run = bool(drew) and drew[-1] < self._locked_a
            else:
                self._call_read_s = scan.t_s
                # A motor that ran until then meets its own pressures for some minutes.
                away_s = self._rest_s if self._cut_run else limits.BLINK_S.value
                if scan.t_s - self._uncalled_s <= away_s:
                    self._recalled_s = scan.t_s
                if not lasted(self._uncalled_s, scan.t_s, limits.TRUST.pause_s.value):
                    self._hasty_s = scan.t_s
        if not scan.thermostat:
            self._call = None
        elif scan.call is not None:
            if self._call is not None and scan.call is not self._call:
                self._blinks_s.append(scan.t_s)
                scans = sum(one.t_s >= self._blinks_s[0] for one in self.last)
                if len(self._blinks_s) == self._blinks_s.maxlen and scans <= limits.FLICKERS_SCANS.value:
                    self._mark("call-flickers", "yes", scan.t_s)
            self._call = scan.call
        self._glimpse_stall(scan)

    def _glimpse_stall(self, scan: Scan) -> None:
        """See a compressor's current, and whether it is a stalled one's that stops."""
        amps = scan.compressor_a
        if amps is not None and amps >= self._unit.compressor_rla_a * limits.RUNNING_OFF_RATIO.value:
            self._silent.drew()
        if amps is not None and amps >= self._locked_a:
            self._glimpse_winding(scan)
            if self._stalled_s is None:
                self._stall_began_s = scan.t_s
            self._stalled_s = scan.t_s
            if lasted(self._stall_began_s, scan.t_s, limits.LOCKED_ROTOR.hold_s.value):
                self.stall_read_s = scan.t_s  # once may be the inrush of a start
        elif self._stalled_s is not None:
            after = [s for s in self.last if s.t_s > self._stalled_s and s.compressor_a is not None]
            if after:
                # With the call or the contacts gone it was stopped, and did not stall.
                held = after[0].call is not False and after[0].load is not False
                if (after[0].compressor_a or 0.0) < self._unit.compressor_rla_a * limits.RUNNING_OFF_RATIO.value:
                    self.stall_read_s = self._stalled_s
                    if held:
                        self._mark("stalled", "yes", self._stalled_s)
                        self._mark_blink(self._stalled_s)
                self._stalled_s = None

    def _glimpse_winding(self, scan: Scan) -> None:
        """See whether anything flows to the start winding of a motor that stalls: through an open capacitor, or by a
        lead that is off, nothing does, whatever else keeps a rotor from turning."""
        amps = scan.start_winding_a
        if amps is None or not self.winding_known or "start_winding_a" in self.distrusted:
            return
        if amps < limits.START_WINDING_NONE_A.value:
            self._mark("stall-winding", "none", scan.t_s)
        else:
            self._marks.pop("stall-winding", None)

    def call_flickers(self, now_s: float) -> bool:
        """Whether the call has just come and gone as often as no thermostat lets it, or does so again."""
        just = sum(not lasted(at_s, now_s, limits.FLICKERS_WINDOW_S.value) for at_s in self._blinks_s)
        known = self._marks.get("call-flickers", ("", 0.0))[0] == "yes"
        return just >= (1 if known else limits.TRUST.flickers.value)

    def glimpse_run(self, scan: Scan, said: Facts, facts: Facts) -> tuple[Facts, Facts] | None:
        """See a run that one scan alone shows under a standing call, as scans a minute apart do, be it the contactor
        that lets go or something that cuts the thermostat's call on its way. Return what that scan said, and the one
        that has found the contacts open again. It moves no belief, and tells all the same that the chain works, and
        how it stopped. `said`: what this scan says by itself; `facts`: what is believed."""
        open_now, within, self._within = facts.load is False, self._within, None
        asked = said.call or said.thermostat
        if open_now and said.call and said.load and said.compressor:
            self._within = within or (scan, said, bool(facts.call or facts.thermostat))
        elif within is not None and open_now and asked and said.load is False and said.supply is not False:
            self._run_within(*within, let_go=bool(said.call))
            return within[1], said
        elif said.load is None:
            self._within = within
        return None

    def glimpse_stop(self, scan: Scan, said: Facts, facts: Facts) -> tuple[Facts, float] | None:
        """See a stop that one scan alone shows in a run, as scans a minute apart do: contacts and compressor both off
        under a standing call. Return what that scan said, and when, once the next has found both on again."""
        open_scan, self._open_within = self._open_within, None
        running = facts.call and facts.contacts and facts.compressor and said.call and said.supply is not False
        if running and said.load is False and said.compressor is False:
            self._open_within = (scan.t_s, said)
        elif open_scan is not None and running and said.load and said.compressor:
            at_s, within = open_scan
            self._watch_compressor(facts, within, at_s)
            self._watch_compressor(within, facts, scan.t_s)
            self._mark("opened", "in-run", at_s)
            self._mark("comes-and-goes", "yes", scan.t_s)
            return within, at_s
        return None

    def _run_within(self, scan: Scan, facts: Facts, again: bool, *, let_go: bool) -> None:
        """Mark such a run: `again`, after the contacts had been open under its call, the unit works by itself;
        `let_go`, the contactor opened with the call still at the unit. A fan stands or stalls where two in a row show
        it."""
        if let_go:
            self._mark("opened", "in-run", scan.t_s)
        if again:
            self._mark("comes-and-goes", "yes", scan.t_s)
        was, self._fan_within = self._fan_within, "stalled" if facts.stalled else "ran" if facts.fan else "still"
        word = "" if facts.fan is None or (not facts.fan and facts.fan_may_rest) else self._fan_within
        twice = word == was
        if twice and word == "still":
            self._mark("fan-amps", "none", scan.t_s)
        if word in FEATURES["fan-glimpse"]:
            self._mark("fan-glimpse", word, scan.t_s)
        elif word:
            self._marks.pop("fan-glimpse", None)
        stalled = twice and word == "stalled"
        amps, outdoor_c, normal_a = scan.compressor_a, scan.outdoor_c, self._normal_a
        stop = _Stop(scan.t_s, None, amps, outdoor_c, fan_stalled=stalled, normal_a=normal_a, rough=self._rough)
        self._add_stop(stop._replace(apart=True))

    def changed(
        self,
        was: Facts,
        facts: Facts,
        at_s: float,
        normal_a: float | None,
        rough: tuple[float, float] | None = None,
    ) -> None:
        """What is believed went from `was` to `facts` at `at_s`."""
        self._normal_a, self._rough, self._facts = normal_a, rough, facts
        self._silent.changed(was, facts, at_s)
        if facts.call and was.call is False:
            self._called_s = at_s
        if facts.contacts and was.contacts is False:
            self._closed_s = at_s
        if facts.contacts and not was.contacts and self._marks.get("opened", ("", 0.0))[0] == "at-start":
            del self._marks["opened"]  # it has closed after all, and whatever let it go before is as it was
            if self._let_go_s > -inf:
                self._mark("opened", "in-run", self._let_go_s)
        if was.contacts:
            self._made_s = at_s
        if facts.call is False and not lasted(self._opened_s, at_s, _AT_ONCE_S):
            self._marks.pop("opened", None)  # it let go because the call went, which is read a moment later
        ended = was.call and facts.call is False and facts.thermostat is not True
        if facts.call or facts.compressor is False:
            self._fell_below_a = 0.0
        elif was.call and facts.call is False:
            self._fell_below_a = self._fell_at_end() if facts.load is None else 0.0
        if ended and self._stops and not lasted(self._stops[-1].at_s, at_s, _AT_ONCE_S):
            self._stops.pop()  # so was a stop of the compressor: its thermostat asked for it
        # Where the contacts are not sensed, a call closes them unless they are at fault themselves.
        closed = facts.call if facts.contacts is None else facts.contacts
        if facts.compressor or not closed:
            self._dead_s = inf
        elif facts.compressor is False and self._dead_s == inf:
            self._dead_s = at_s
            if facts.contacts and not was.contacts and at_s - self._recalled_s <= limits.BLINK_BEFORE_S.value:
                self._mark("call-blink", "yes", at_s)  # where scans are far apart, the stall fell between two of them
        if was.fan and facts.fan is False:
            self._fan_stopped_s = at_s
        self._watch_defrost(was, facts, at_s)
        self._watch_compressor(was, facts, at_s)
        self._watch_both(facts, at_s)
        self._watch_contactor(was, facts, at_s)
        self._watch_supply(was, facts, at_s)
        cut = was.call and facts.call is False and facts.thermostat
        if cut or (was.control_power and facts.control_power is False):
            self._mark_coil(at_s)

    def cycle(self, cycle: Cycle) -> None:
        """A cycle is over: the fan's own normal, and whether the call was satisfied though nothing was seen to run."""
        if cycle.fan_a is not None and cycle.run_s >= limits.SETTLE_S.value:
            self._judge_fan(cycle)
        if cycle.coil_a is not None and limits.COIL_NONE_A.value <= cycle.coil_a < limits.COIL_UNSEALED_A.value:
            self._sealed_a = cycle.coil_a
        lasted_s = cycle.stopped_s - cycle.started_s
        # A clamp that read a stall of that call reads what there is.
        stalled = self._marks.get("stalled", ("", -inf))[1] >= cycle.started_s
        half_seen = cycle.run_s == 0.0 and cycle.closings > 0 and not stalled
        if self._hasty_s >= cycle.started_s - limits.MINUTE_S.value:
            self._runless.clear()  # it came and went as no thermostat's does
        elif half_seen and cycle.start_seen and limits.SETTLE_S.value <= lasted_s <= limits.SATISFIED_MOST_S.value:
            self._runless.append(cycle.stopped_s)
            if len(self._runless) == self._runless.maxlen:
                self._mark("calls-satisfied", "yes", cycle.stopped_s)
        elif cycle.run_s:
            self._runless.clear()

    def minute(self, minute_a: float | None, normal_a: float | None, at_s: float) -> None:
        """A settled minute of a run, beside what is normal at its temperature. The middle of the last minutes tells,
        and what it said stands until it is clearly over: at the border a single minute says the one as well as the
        other."""
        if minute_a is None or normal_a is None:
            return
        self._drew.append(minute_a / normal_a)
        ratio = median(self._drew)
        was, slack = self._marks.get("run-amps", ("usual", 0.0))[0], limits.RUN_SLACK_RATIO.value
        self._watch_rise(minute_a / normal_a, at_s)
        low = limits.RUN_LOW_RATIO.value + (slack if was == "low" else 0.0)
        high = limits.RUN_HIGH_RATIO.value - (slack if was == "high" else 0.0)
        self._mark("run-amps", "low" if ratio < low else "high" if ratio > high else "usual", at_s)

    def _watch_rise(self, ratio: float, at_s: float) -> None:
        """See whether the current rose from its normal within minutes of run: dirt takes weeks. What was high earlier
        that day as well, and normal in the cool of the night, rises as it did before."""
        if ratio <= limits.RUN_HIGH_RATIO.value:
            if self._was_high:
                self._high_s, self._rose_so = at_s, self._sudden
            self._since_normal, self._sudden, self._was_high = 0, False, False
            self._marks.pop("rise", None)
            return
        self._since_normal += 1
        self._was_high |= ratio >= limits.RISE_BEFORE_RATIO.value
        if ratio >= limits.RISE_RATIO.value:
            again = not lasted(self._high_s, at_s, limits.RISE_AGAIN_S.value)
            soon = self._since_normal <= limits.RISE_MINUTES.value
            self._sudden |= soon and (self._rose_so if again else True)
            if self._sudden:
                self._mark("rise", "sudden", at_s)

    def run_minute(self, minute_a: float | None, at_s: float, *, slows: bool) -> None:
        """See whether the current fell at once in the middle of a run (`minute_a`: of the last whole minute of it). The
        minute in which it falls shows a part of it only; a low stage draws more than what counts as a fall. `slows`: a
        board sets the compressor's speed, or has just slowed it down with its fan: no fall tells anything then."""
        self._slows = slows
        if slows:
            self._fallen = 0
            self._marks.pop("fall", None)
            return
        if self._level_of_s != self._started_s:
            self._level_of_s, self._began_a, self._fallen = self._started_s, None, 0
            self._level_a.clear()
        if self._began_a is None and self._started_s is not None:
            # Where scans are close, the run's first minute is a level too.
            ran = [s.compressor_a or 0.0 for s in self._ran() if s.t_s >= self._started_s]
            began = [amps for amps in ran if amps < self._locked_a]
            self._began_a = median(began) if len(began) >= limits.FALL_SCANS.value else None
        if minute_a is None:
            return
        whole = len(self._level_a) == self._level_a.maxlen
        level_a = median(self._level_a) if whole else self._began_a
        if level_a is not None and minute_a < limits.FALL_RATIO.value * level_a:
            self._fallen += 1
            if self._fallen >= limits.FALL_CONFIRM.value:
                self._fell_from_a = level_a
                self._mark("fall", "sudden", at_s)
            return
        self._fallen = 0
        self._level_a.append(minute_a)
        if minute_a >= limits.FALL_RATIO.value * self._fell_from_a:
            self._marks.pop("fall", None)  # it is back

    def blower_minute(self, *, blower: bool | None, rests_since_s: float, at_s: float) -> None:
        """See whether the indoor blower stands still in a run under a call (`rests_since_s`: both have been so). A
        sensor that has never read it running is no witness."""
        if blower:
            self._blew = True
            self._marks.pop("blower-in-run", None)
            return
        known = self._blew or "blower-in-run" in self._marks
        if blower is False and known and lasted(rests_since_s, at_s, limits.BLOWER_RESTS_S.value):
            self._mark("blower-in-run", "rests", at_s)

    def drew_a(self, since_s: float = -inf, before_s: float = inf) -> float | None:
        """Return what the compressor drew in the last readings in which it ran before `before_s`, none of them before
        `since_s`."""
        ran = [scan.compressor_a or 0.0 for scan in self._ran(before_s)[-4:] if scan.t_s >= since_s]
        return median_high(ran) if ran else None

    def _ran(self, before_s: float = inf) -> list[Scan]:
        """The last scans before a time that show the compressor running."""
        least_a = self._unit.compressor_rla_a * limits.RUNNING_OFF_RATIO.value
        return [s for s in self.last if s.t_s < before_s and s.compressor_a is not None and s.compressor_a > least_a]

    def starts(self, slow: bool | None, at_s: float) -> None:
        """Whether the last captured starts took longer than the unit's own first ones."""
        if slow is not None:
            self._mark("starts", "lengthening" if slow else "steady", at_s)

    def gap(self) -> None:
        """Nothing was seen for a while: what was under way is not known."""
        self._started_s = None
        self._stopped_s = -inf
        self._dead_s = inf
        self._stalled_s = self._load = self._call = self._within = self._open_within = None
        self._called, self._call_read_s, self._uncalled_s, self._recalled_s = False, -inf, -inf, -inf
        self._cut_run = False
        self._fell_below_a = 0.0
        self._silent.gap()
        self.last.clear()

    # ------------------------------------------------------------ out

    def repeats(self) -> tuple[str, ...]:
        """The compressor's power and current, and the line's volts, where their last numbers are the same to the last
        digit."""
        last, found = list(self.last), []
        scans = {"compressor_w": limits.STILL_SCANS, "compressor_a": limits.STILL_SCANS, "line_v": limits.STILL_VOLTS}
        for name, limit in scans.items():
            count = int(limit.value)
            numbers = {getattr(scan, name) for scan in last[-count:]}
            if len(last) >= count and len(numbers) == 1 and None not in numbers:
                found.append(name)
        return tuple(found)

    def seen(self, now_s: float, since_s: float | None = None, step_s: float = 0.0) -> dict[str, str]:
        """The features of the last hours; `since_s` is when what stands began, and the hours before that count;
        `step_s` how far apart scans are: what lasts no longer may have fallen between two of them, also of the stops
        where they were so."""
        since_s = now_s if since_s is None else since_s
        self.judge_clamps(now_s)
        found = {name: symbol for name, (symbol, at_s) in self._marks.items() if _tells(at_s, since_s)}
        if found.get("opened") == "at-start" and not lasted(self._called_s, now_s, _AT_ONCE_S):
            del found["opened"]  # a contactor has not had the time yet, and what it feeds is not read yet
            if _tells(self._let_go_s, since_s):
                found["opened"] = "in-run"
        hidden = step_s >= limits.GLIMPSE_STEP_S.value
        recent = [stop for stop in self._stops if _tells(stop.at_s, since_s)]
        if recent:
            words = [(word, apart) for at_s, word, apart in self._trip_words if _tells(at_s, since_s)]
            found |= self._of_stops(recent, [word for word, _ in words], step_s)
            if words:
                hidden = all(apart for _, apart in words)
        if lasted(self._dead_s, now_s, limits.OVERLOAD_MOST_S.value):
            found["dead-for"] = "hours"
        if self._silent.seen(self._facts, now_s, step_s):
            found["silent-start"] = "yes"
        if self._fan_fell():
            found["fan-fell"] = "yes"
        coil = self._coil_word(now_s)
        if coil:
            found["coil-amps"] = coil
        if self._off_s and _tells(self._stopped_s, since_s):
            word = _off_word(sorted(self._off_s)[len(self._off_s) // 2], step_s)
            found |= {"off-time": word} if word else {}
        if hidden:
            found["scans"] = "apart"
        return found

    def _fan_fell(self) -> bool:
        """Whether the fan has run on since the compressor stopped behind closed contacts, on clearly less current, for
        long enough to be no coasting and no inrush."""
        since = [s for s in self.last if s.t_s >= self._dead_s and s.fan_a is not None]
        if self._fan_ran_a is None or not since or not lasted(since[0].t_s, since[-1].t_s, limits.STEADY_TRIP_S.value):
            return False
        drew = [scan.fan_a or 0.0 for scan in since]
        least_a = self._unit.fan_on_a
        return least_a < min(drew) and max(drew) < limits.FAN_FELL_RATIO.value * self._fan_ran_a

    def _coil_word(self, now_s: float) -> str:
        """Return "over" where the coil whose armature stays open draws more than that alone makes it draw, "open" where
        it draws less than any open one does at its full voltage and still more than it does sealed; else ""."""
        now_a = self.last[-1].coil_a if self.last else None
        if self._sealed_a is None or now_a is None or now_a <= limits.COIL_OPEN_RATIO.value * self._sealed_a:
            return ""
        since_s = max(self._call_read_s, now_s - limits.MINUTE_S.value)
        drawn = [s.coil_a for s in self.last if s.t_s >= since_s and s.call and s.coil_a is not None]
        word, ratio = "open", limits.COIL_OPEN_RATIO.value
        if now_a >= limits.COIL_UNSEALED_A.value:
            word, ratio = "over", limits.COIL_OVER_RATIO.value
            drawn = [amps for amps in drawn if amps >= limits.COIL_UNSEALED_A.value]
        return word if len(drawn) >= limits.CONFIRM_SCANS.value and median(drawn) > ratio * self._sealed_a else ""

    def memory(self, now_s: float) -> dict[str, tuple[str, float]]:
        """Feature -> its symbol and how long ago it was seen, s."""
        return {name: (symbol, now_s - at_s) for name, (symbol, at_s) in self._marks.items() if _tells(at_s, now_s)}

    def deadline(self, now_s: float) -> float:
        """When after `now_s` the next of them is too old to tell, s."""
        stops_s = (*(stop.at_s for stop in self._stops), *(one[0] for one in self._trip_words), self._stopped_s)
        times_s = (*(at_s for _, at_s in self._marks.values()), *stops_s)
        soonest_s = min((at_s + limits.EPISODE_S.value for at_s in times_s if _tells(at_s, now_s)), default=inf)
        dead_s = self._dead_s + limits.OVERLOAD_MOST_S.value
        return min(soonest_s, self._silent.due_s(now_s), dead_s if dead_s > now_s else inf)

    def judge_clamps(self, now_s: float) -> bool | None:
        """See whether the fan's clamp has read what no fan draws, scan after scan, and the compressor's what a fan
        does. Return None, and leave what was seen, while the fan's reads nothing or what either of them may draw: the
        current of a compressor that has just started, or that is small beside its fan."""
        fla_a, left = self._unit.fan_fla_a, int(limits.SWAPPED_SCANS.value)
        fans_most_a, no_fan_a, least_a = 2.0 * fla_a, limits.SWAPPED_RATIO.value * fla_a, self._unit.fan_on_a
        last_s = None
        for scan in reversed(self.last):
            if scan.fan_a is None or scan.fan_a <= least_a:
                continue
            like_a_fan = scan.compressor_a is not None and scan.compressor_a < fans_most_a
            if scan.fan_a < fans_most_a or not like_a_fan or not _tells(scan.t_s, now_s):
                self._marks.pop("clamps", None)
                return False
            if scan.fan_a <= no_fan_a:
                return None
            left -= 1
            last_s = scan.t_s if last_s is None else last_s
            if left == 0 or last_s - scan.t_s >= limits.SWAPPED_S.value:
                self._mark("clamps", "swapped", last_s)
                return True
        return None

    def _of_stops(self, stops: list[_Stop], words: list[str], step_s: float) -> dict[str, str]:
        found: dict[str, str] = {}
        if stops[-1].fan_stalled:
            found["fan-amps"] = "high"
        # Two alike of three tell as well: one reading may have been taken as the current fell.
        amps = Counter(words).most_common()
        if len(amps) == 1 or (amps and amps[0][1] >= limits.CONFIRM_STOPS.value):
            found["trip-amps"] = amps[0][0]
        elif amps and {word for word, _ in amps} <= {"usual", "under", "low"}:
            found["trip-amps"] = "under"  # what they have in common
        if len(stops) < limits.CONFIRM_STOPS.value:
            return found  # when a single stop came may be chance
        ran_s = sorted(stop.ran_s for stop in stops if stop.ran_s is not None)
        if len(ran_s) >= limits.CONFIRM_STOPS.value:
            word = _ran_word(ran_s[len(ran_s) // 2], step_s)
            found |= {"trip-after": word} if word else {}
        blind = "outdoor_c" in self.distrusted
        outdoor = [stop.outdoor_c for stop in stops if stop.outdoor_c is not None and not blind]
        if outdoor and min(outdoor) >= limits.HOT_C.value:
            found["trip-heat"] = "hot"
        elif outdoor and min(outdoor) < limits.MILD_C.value:
            found["trip-heat"] = "mild"
        return found

    def _amps_word(self, stop: _Stop) -> str | None:
        unit, normal_a, amps = self._unit, stop.normal_a, stop.amps
        if amps is None:
            return None
        if amps >= self._locked_a:
            return "locked"
        high_a = unit.compressor_rla_a * limits.HIGH_TRIP_RATIO.value
        if amps > (high_a if normal_a is None else min(high_a, normal_a * limits.HIGH_TRIP_RATIO.value)):
            return "high"
        if normal_a is None and stop.rough is not None:
            least_a, most_a = stop.rough
            if amps > most_a * limits.HIGH_TRIP_RATIO.value:
                return "high"
            # What has run for a moment only has not come to its current yet.
            ran_s = stop.ran_s or 0.0
            low = limits.RUN_LOW_RATIO if ran_s >= limits.SETTLE_S.value else limits.ROUGH_LOW_RATIO
            if amps < least_a * low.value and ran_s >= limits.ROUGH_RAN_S.value:
                return "low"
            if amps < least_a * limits.RUN_LOW_RATIO.value:
                return "under" if stop.steady else None  # nearly too little to be called usual
        if normal_a is None:
            # A unit of two stages goes over to its high one within a run.
            settled_a = None if unit.kind == "two-stage" else stop.settled_a
            if settled_a is not None and amps > settled_a * limits.HIGH_TRIP_RATIO.value:
                return "high"
            if amps < unit.compressor_rla_a * limits.LOW_TRIP_RATIO.value / 2:
                # What a board runs slowly draws little of its nameplate's.
                return None if self._slows or unit.kind == "variable-speed" else "low"
            # No overload of a sound motor opens on so much less than its nameplate allows.
            return "usual" if amps < unit.compressor_rla_a * limits.USUAL_TRIP_RATIO.value else None
        if amps >= normal_a * limits.LOW_TRIP_RATIO.value:
            return "usual"
        # What is normal is what a settled run draws; that a shorter one drew less says nothing of its charge yet.
        if stop.ran_s is not None and stop.ran_s < limits.ROUGH_RAN_S.value:
            return "under" if stop.steady else None
        return "low"

    # ------------------------------------------------------------ what each change tells

    def _mark_blink(self, at_s: float) -> None:
        """See what blinked just before a start that stalls: the line, or its call."""
        if at_s - self._blink_s <= limits.BLINK_BEFORE_S.value:
            self._mark("line-blink", "yes", at_s)
        elif self._ran_into(at_s) and at_s - self._recalled_s > limits.BLINK_BEFORE_S.value:
            # A motor whose capacitor fails runs on with its main winding alone; what stalls it so is its supply.
            self._mark("line-blink", "likely", at_s)
        else:
            self._marks.pop("line-blink", None)  # it stalls without one as well
        if at_s - self._recalled_s <= limits.BLINK_BEFORE_S.value:
            self._mark("call-blink", "yes", at_s)
        else:
            self._marks.pop("call-blink", None)  # it stalls without one as well

    def _ran_into(self, at_s: float) -> bool:
        """Whether a stall came out of a run that had gone on for a while, with no more than a blink between the two."""
        least_s, most_s = limits.STEADY_TRIP_S.value, limits.BLINK_BEFORE_S.value
        ran = [scan for scan in self._ran(at_s) if (scan.compressor_a or 0.0) < self._locked_a]
        went_on = any(least_s <= at_s - scan.t_s <= most_s for scan in ran)
        return went_on and at_s - ran[-1].t_s <= limits.BLINK_S.value

    @property
    def fell_with_call(self) -> bool:
        """Whether what the compressor's clamp reads is what it fell to as the call ended, and no run that goes on."""
        amps = self.last[-1].compressor_a if self.last else None
        return amps is not None and amps < self._fell_below_a

    def _fell_at_end(self) -> float:
        """Under what the compressor's current has fallen with the call, A RMS, if no contacts leave so little that stay
        closed: they leave it as it is, or, of two stages, the lower. Else 0."""
        called = max((scan.t_s for scan in self.last if scan.call), default=inf)
        ran = [s.compressor_a for s in self.last if s.t_s <= called and s.compressor_a is not None][-4:]
        left = [s.compressor_a for s in self.last if s.t_s > called and s.compressor_a is not None]
        below_a = limits.FALL_RATIO.value * median(ran) if ran else 0.0
        return below_a if left and max(left) < below_a else 0.0

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
                self._add_stop(self._stop(at_s, self._started_s))
                self._watch_fan(at_s)
                self._watch_last_of_fan(was, at_s, self._started_s)
            fans = [scan.fan_a for scan in self._ran(at_s) if scan.fan_a is not None]
            self._fan_ran_a = median(fans) if fans and was.fan else None
            self._stopped_s, self._started_s = at_s, None
        if facts.locked and not was.locked:
            self._mark_blink(at_s)

    def _watch_both(self, facts: Facts, at_s: float) -> None:
        """See whether both motors stop at one moment with line voltage behind the contacts, by what is in both their
        leads; a compressor that stops while its fan runs on takes that back."""
        if not (facts.call and facts.load and facts.supply is not False) or facts.fan_may_rest:
            return
        if facts.compressor is not False or self._stopped_s == -inf or not self._stops:
            return
        if self._stops[-1].at_s != self._stopped_s:
            return
        together = abs(self._fan_stopped_s - self._stopped_s) <= _AT_ONCE_S
        if facts.fan is False and together and self._both_s != self._stopped_s:
            self._both_s = self._stopped_s
            self._mark("both-stop", "yes", at_s)
        elif facts.fan and lasted(self._stopped_s, at_s, _AT_ONCE_S):
            self._marks.pop("both-stop", None)

    def _watch_defrost(self, was: Facts, facts: Facts, at_s: float) -> None:
        """See a heat pump's fan stop in a run in weather in which it defrosts, and run again."""
        if facts.fan:
            self._marks.pop("fan-stopped", None)
        elif was.fan and facts.fan is False and was.compressor and facts.compressor:
            outdoor_c = self.last[-1].outdoor_c if self.last and "outdoor_c" not in self.distrusted else None
            if self._unit.heat_pump and outdoor_c is not None and outdoor_c < limits.HABITS.frost_c.value:
                self._mark("fan-stopped", "in-frost", at_s)

    def _watch_contactor(self, was: Facts, facts: Facts, at_s: float) -> None:
        if not facts.call or facts.supply is False:
            return
        # Readings need not be of one instant: while a motor's current is not yet read as gone, nobody knows.
        if facts.contacts is False and was.contacts is not False and not lasted(self._made_s, at_s, _AT_ONCE_S):
            self._opened_s = at_s
            self._mark("opened", "in-run", at_s)
            if was.call and was.compressor is None and facts.compressor is None:
                self._add_stop(self._stop(at_s, self._closed_s)._replace(amps=None))
        elif facts.contacts is None and self._coil_let_go(was, facts, at_s):
            self._opened_s = at_s
            self._mark("opened", "in-run", at_s)
        elif was.call is False and not facts.contacts:
            symbol, marked_s = self._marks.get("opened", ("", -inf))
            self._let_go_s = marked_s if symbol == "in-run" else -inf
            self._mark("opened", "at-start", at_s)

    def _coil_let_go(self, was: Facts, facts: Facts, at_s: float) -> bool:
        """Whether, with nothing behind the contacts to tell of them, the compressor has just stopped under a standing
        call as the coil's current went: what sits ahead of the coil has opened."""
        gone = was.coil in ("sealed", "unsealed") or was.compressor is True
        just = self._stopped_s > -inf and not lasted(self._stopped_s, at_s, _AT_ONCE_S)
        return bool(was.call and gone and just and facts.compressor is False and facts.coil == "none")

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
        # What the coil drew in an earlier call tells nothing of this one: the mark that its end has left goes.
        since_s = max(at_s - 30.0, self._call_read_s)
        before = [scan for scan in self.last if scan.t_s >= since_s and scan.coil_a is not None]
        self._marks.pop("coil-before", None)
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
        elif worst >= limits.COIL_NONE_A.value and at_s - before[-1].t_s < limits.GLIMPSE_STEP_S.value:
            self._mark("coil-before", "usual", at_s)  # a fuse is blown within seconds

    def _add_stop(self, stop: _Stop) -> None:
        """Keep a stop. One that does not tell what it drew takes nothing back of what those before it told."""
        self._stops.append(stop)
        if (word := self._amps_word(stop)) is not None:
            self._trip_words.append((stop.at_s, word, stop.apart))

    def _stop(self, at_s: float, started_s: float) -> _Stop:
        """What the last scans show of a stop: amperes are the mean of the last readings in which the compressor ran."""
        ran = self._ran(at_s)
        last = sorted(scan.compressor_a or 0.0 for scan in ran[-4:])
        settled_s = started_s + limits.SETTLE_S.value
        earlier = sorted(scan.compressor_a or 0.0 for scan in ran[:-4] if scan.t_s >= settled_s)
        fans = [self._fan_state(scan.fan_a) for scan in ran if scan.fan_a is not None][-2:]
        last_a = ran[-1].fan_a if ran else None
        self._fan_within = "" if last_a is None else self._fan_state(last_a)
        return _Stop(
            at_s,
            at_s - started_s,
            # The reading at the very stop may show half of it.
            last[len(last) // 2] if last else None,
            next((s.outdoor_c for s in reversed(self.last) if s.outdoor_c is not None), None),
            earlier[len(earlier) // 2] if len(earlier) >= 3 else None,
            fans == ["stalled", "stalled"],
            self._normal_a,
            self._rough,
            self._rises_no_more([scan for scan in ran if scan.t_s >= started_s]),
            bool(ran) and at_s - ran[-1].t_s >= limits.GLIMPSE_STEP_S.value,
        )

    @staticmethod
    def _rises_no_more(run: list[Scan]) -> bool:
        """Whether the last of a run's readings is hardly above one that was well before it."""
        before = [scan for scan in run if lasted(scan.t_s, run[-1].t_s, limits.STEADY_TRIP_S.value)]
        if not before:
            return False
        return (run[-1].compressor_a or 0.0) <= limits.STEADY_TRIP_RATIO.value * (before[-1].compressor_a or 0.0)

    def _watch_fan(self, at_s: float) -> None:
        """See whether the fan drew more than it should until the compressor stopped: a call may go on for hours."""
        ran = self._ran(at_s)[-int(limits.FAN_SCANS.value) :]
        fans = [scan.fan_a for scan in ran if scan.fan_a is not None]
        if len(fans) >= limits.CONFIRM_STOPS.value and self._fan_word(median(fans)) == "high":
            self._mark("fan-amps", "high", at_s)

    def _watch_last_of_fan(self, was: Facts, at_s: float, started_s: float) -> None:
        """See a fan that stood or stalled in a run's last scans, while the compressor drew no less than before: in the
        heat a pressure switch opens before the fan has been found dead. One scan tells where it is no part of the stop
        itself, as scans far apart are; two in a row always do."""
        run = [scan for scan in self._ran(at_s) if scan.t_s >= started_s and scan.fan_a is not None]
        word = self._fan_within
        if was.fan is None or len(run) < 2 or (word == "still" and was.fan_may_rest):
            return
        last, before = run[-1], median(scan.compressor_a or 0.0 for scan in run[:-1])
        if word not in FEATURES["fan-glimpse"] or (last.compressor_a or 0.0) < limits.RUN_LOW_RATIO.value * before:
            return
        if self._fan_state(run[-2].fan_a or 0.0) == word:
            if word == "still":  # one that stalls is in the stop
                self._mark("fan-amps", "none", at_s)
        elif last.t_s - run[-2].t_s >= limits.GLIMPSE_STEP_S.value:
            self._mark("fan-glimpse", word, at_s)

    def _fan_state(self, fan_a: float) -> str:
        """Whether a fan that draws so much stands, has stalled or turns."""
        fla_a = self._unit.fan_fla_a
        if fan_a < limits.FAN_OFF_RATIO.value * fla_a:
            return "still"
        stalled = limits.FAN_STALLED_RATIO.value * fla_a < fan_a < limits.SWAPPED_RATIO.value * fla_a
        return "stalled" if stalled else "ran"

    def _fan_word(self, fan_a: float) -> str:
        """What the fan's current says beside its own normal, "" for nothing; none at all is the finding's to tell."""
        fla_a, sound = self._unit.fan_fla_a, sorted(self._fan_runs_a)
        between = self._unit.fan_on_a < fan_a <= limits.SWAPPED_RATIO.value * fla_a
        if not between or len(sound) < limits.FAN_RUNS.value:
            return ""
        ratio = fan_a / sound[len(sound) // 2]
        return "high" if ratio > limits.FAN_HIGH_RATIO.value else "low" if ratio < limits.FAN_LOW_RATIO.value else ""

    def _judge_fan(self, cycle: Cycle) -> None:
        fan_a, again = cycle.fan_a or 0.0, cycle.closings > 1
        if fan_a > limits.SWAPPED_RATIO.value * self._unit.fan_fla_a:
            return
        if again and self._fan_word(fan_a) != "high":
            return  # the mean holds the scans of each stop
        if word := self._fan_word(fan_a):
            self._mark("fan-amps", word, cycle.stopped_s)
        else:
            self._marks.pop("fan-amps", None)
            if fan_a > self._unit.fan_on_a:
                self._fan_runs_a.append(fan_a)


def _tells(at_s: float, now_s: float) -> bool:
    """What was seen then is not too old to tell."""
    return not lasted(at_s, now_s, limits.EPISODE_S.value)


def _off_word(off_s: float, step_s: float) -> str:
    """How long it was off; "" where readings so far apart leave it open whether that was seconds or minutes."""
    if off_s < limits.OFF_SECONDS_S.value:
        return "seconds"
    if off_s - step_s < limits.OFF_SECONDS_S.value:
        return ""
    if off_s < limits.OFF_SWITCH_S.value:
        return "moments"
    return "minutes" if off_s < limits.OFF_LONG_S.value else "long"


def _ran_word(ran_s: float, step_s: float) -> str:
    """How long it ran before it stopped; "" where readings so far apart leave it open."""
    if ran_s < limits.MINUTE_S.value:
        return "seconds"
    if ran_s - step_s < limits.MINUTE_S.value:
        return ""
    return "minutes" if ran_s < 1500.0 else "hour"
