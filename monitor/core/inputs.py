"""What each sense is believed to say.

A sense is *believed* only when two scans in a row say the same, so a single odd scan never moves anything; the new
answer then counts from the first of the two. A sense that stays missing becomes unknown (None): neither live nor dead.
Numbers are put into bands (readings.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import inf
from operator import attrgetter
from typing import Any

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.readings import (
    AS_IT_IS,
    FLAGS,
    NUMBERS,
    READINGS,
    Bands,
    compressor_bands,
    resting_bands,
    run_bands,
    word,
)
from condenser_monitor.monitor.core.records import Scan


def lasted(since_s: float, now_s: float, hold_s: float) -> bool:
    """Whether what began at `since_s` has lasted `hold_s`: the very moment at which it ends counts."""
    return now_s - since_s >= hold_s - limits.MOMENT_S.value


class DebouncedInput:
    """What one sense is believed to say. `symbol` is None while unknown; `since_s` is when that began; `said` is what
    the last scan said by itself (what is believed, where it had no reading); `heard_s` is when a sense now missing was
    last heard; `back_s` is when it last said again what is believed, after scans that did not bear that out."""

    __slots__ = (
        "back_s",
        "candidate",
        "candidate_s",
        "heard_s",
        "missing_s",
        "missing_scans",
        "name",
        "said",
        "since_s",
        "symbol",
        "was",
    )

    def __init__(self, name: str) -> None:
        self.name = name
        self.symbol: Any = None
        self.said: Any = None
        self.was: Any = None
        self.since_s = self.back_s = -inf
        self.candidate: Any = None
        self.candidate_s = 0.0
        self.missing_s = self.heard_s = 0.0
        self.missing_scans = 0

    def __repr__(self) -> str:
        return f"<DebouncedInput {self.name} = {self.symbol!r} since {self.since_s:g} s>"

    @property
    def settled(self) -> bool:
        """This scan said what is believed."""
        return self.candidate is None and self.missing_scans == 0

    @property
    def gone(self) -> bool:
        """Missing for so long that it is unknown."""
        return self.missing_scans > 0 and self.symbol is None

    @property
    def long_gone(self) -> bool:
        """So many scans have missed it that counting more of them changes nothing."""
        return self.gone and self.missing_scans >= limits.COUNTED_SCANS.value

    def doubtful(self, now_s: float) -> bool:
        """The last scan said something else, or nothing and it was last heard too long ago to speak for now."""
        old = self.missing_scans > 0 and lasted(self.heard_s, now_s, limits.STALE_S.value)
        return self.candidate is not None or old

    def update(self, raw: Any, now_s: float, before_s: float = -inf) -> bool:
        """One scan's answer (None: missing); `before_s` is when the scan before was. True when what is believed has
        changed."""
        if raw is None:
            return self._miss(now_s, before_s)
        self.said, self.missing_scans = raw, 0
        if raw == self.symbol:
            if self.candidate is not None:
                self.candidate, self.back_s = None, now_s
            return False
        if raw != self.candidate:
            self.candidate, self.candidate_s = raw, now_s
            return False
        # What was found, and not seen to begin, counts from now: nobody knows since when it has been so.
        return self._become(raw, now_s if self.symbol is None else self.candidate_s)

    def forget(self, now_s: float) -> None:
        """Nothing was seen for a while: unknown from now on, until two scans agree again."""
        self._become(None, now_s)

    def _miss(self, now_s: float, before_s: float) -> bool:
        if self.missing_scans == 0:
            self.missing_s, self.heard_s = now_s, before_s
        self.missing_scans += 1
        self.said = self.symbol
        stale = lasted(self.missing_s, now_s, limits.STALE_S.value) and self.missing_scans >= limits.CONFIRM_SCANS.value
        if stale and self.symbol is not None:
            return self._become(None, self.missing_s)
        return False

    def _become(self, symbol: Any, since_s: float) -> bool:
        self.was, self.symbol, self.since_s, self.candidate = self.symbol, symbol, since_s, None
        self.said = symbol
        return True


class NumberInput:
    """One number with one or more banded inputs on it. `stretch` is [low, high): in it nothing can change."""

    __slots__ = ("bands", "calm", "inputs", "raw", "reading", "stretch")

    def __init__(self, reading: str, bands: Mapping[str, Bands]) -> None:
        self.reading = reading
        self.inputs = [DebouncedInput(name) for name in bands]
        self.bands = list(bands.values())
        self.raw: list[int | None] = [None] * len(self.inputs)
        self.stretch = [inf, -inf]
        self.calm = False

    def update(self, value: float | None, now_s: float, before_s: float) -> Sequence[DebouncedInput]:
        """Put the number into its bands; the inputs that changed."""
        if self.calm and value is not None and self.stretch[0] <= value < self.stretch[1]:
            return ()
        changed = []
        # While the number is missing the stretch is empty, so that its return is heard.
        least, most = (-inf, inf) if value is not None else (inf, -inf)
        for index, (one, bands) in enumerate(zip(self.inputs, self.bands, strict=True)):
            if value is None:
                symbol = None
            else:
                band = self.raw[index] = bands.place(value, self.raw[index])
                symbol = bands.names[band]
                low, high = bands.stay(band)
                least, most = max(least, low), min(most, high)
            if one.update(symbol, now_s, before_s):
                changed.append(one)
        self.stretch[:] = least, most  # in place: DebouncedInputs.quiet has it at hand
        self.calm = all(one.settled for one in self.inputs)
        return changed

    def forget(self, now_s: float) -> None:
        """After a gap in what was seen: unknown, until two scans agree again."""
        self.calm = False
        for one in self.inputs:
            one.forget(now_s)

    def set_bands(self, name: str, bands: Bands) -> None:
        """Move the borders of one input (the unit's normal current moves with the weather)."""
        for index, one in enumerate(self.inputs):
            if one.name == name:
                if bands.edges == self.bands[index].edges:
                    return
                if len(bands.names) != len(self.bands[index].names):
                    self.raw[index] = None
                self.bands[index] = bands
        self.stretch[:] = inf, -inf


# ---------------------------------------------------------------- all senses of a unit


class DebouncedInputs:
    """All fitted senses of one unit; `update(scan)` gives the inputs that changed. `revision` counts the times that
    an input came to say something else; `settled`: the last scan bore out all that is believed; `slowed`: the
    compressor has glided to less than a run's current, and runs on until it draws nothing."""

    def __init__(self, settings: Settings, fitted: Sequence[str] | None = None) -> None:
        self.fitted = tuple(settings.fitted if fitted is None else fitted)
        unit = settings.unit
        self.delayed = unit.delay_on_make_s > 0
        bands = {name: make(settings) for name in self.fitted if (make := READINGS[name].inputs) is not None}
        self.tracks = [NumberInput(name, bands.get(name, {name: AS_IT_IS})) for name in NUMBERS if name in self.fitted]
        self.flags = [DebouncedInput(name) for name in FLAGS if name in self.fitted]
        self.by_name: dict[str, DebouncedInput] = {one.name: one for one in self.flags}
        self.readings: dict[str, DebouncedInput] = dict(self.by_name)
        for track in self.tracks:
            self.by_name |= {one.name: one for one in track.inputs}
            self.readings[track.reading] = track.inputs[0]
        self.read_as(unit)
        self._compressor = self.track("compressor_a")
        self.readings_of = _getter(self.fitted)
        self._get_flags = _getter([one.name for one in self.flags])
        self._get_numbers = _getter([track.reading for track in self.tracks])
        self._stretches = [track.stretch for track in self.tracks]
        self._last_flags: tuple[Any, ...] | None = None
        self.settled = self.slowed = False
        self._all_heard = False
        self._silent: set[str] = set()
        self.revision = 0
        self.distrusted: frozenset[str] = frozenset()

    def read_as(self, unit: Unit) -> None:
        """Read the compressor's current as that of this kind of unit, from the next scan that is read whole on."""
        called = compressor_bands(unit)
        resting = resting_bands(unit.compressor_rla_a) if unit.contactor_poles == 1 else called
        self._by_call = resting, called
        self._slowed = run_bands(unit.compressor_rla_a, limits.DRIVE_ON_RATIO, limits.DRIVE_OFF_RATIO)

    def quiet(self, scan: Scan) -> bool:
        """Nothing can change by this scan: every sense says again what it said, and is believed. Cheap on purpose."""
        if not self.settled or self._get_flags(scan) != self._last_flags:
            return False
        # Not strict: both are made of the tracks, and the check costs a quarter of the whole.
        for (low, high), value in zip(self._stretches, self._get_numbers(scan)):  # noqa: B905
            if value is None:
                if low < high:
                    return False
            elif not low <= value < high:
                return False
        return True

    def presence_alone(self, scan: Scan) -> bool:
        """The scan has no number, of those that are fitted, but presence."""
        return any(flag is not None for flag in self._get_flags(scan)) and not any(
            value is not None for value in self._get_numbers(scan)
        )

    def update(self, scan: Scan, before_s: float = -inf, *, numbers: bool = True) -> list[DebouncedInput]:
        """Read one scan; the inputs that changed by it, in the order of the chain. `before_s`: when the scan before
        was; without `numbers` they were not asked for this time, and are not missing."""
        now_s = scan.t_s
        flags = self._last_flags = self._get_flags(scan)
        changed = [one for one, raw in zip(self.flags, flags, strict=True) if one.update(raw, now_s, before_s)]
        call = self.by_name.get("call")
        if self._compressor is not None and call is not None:
            # One odd scan without a call makes no rest of a run; nor does a call sensor that lies, nor closed contacts.
            load = self.by_name.get("load")
            rests = call.symbol is False and scan.call is not True and "call" not in self.distrusted
            rests = rests and not (load is not None and load.symbol and "load" not in self.distrusted)
            if rests or call.symbol is not None or scan.call:
                # A call that is missing tells of neither.
                self._compressor.set_bands(
                    "compressor", self._slowed if self.slowed and not rests else self._by_call[not rests]
                )
        if numbers:
            for track, value in zip(self.tracks, self._get_numbers(scan), strict=True):
                changed += track.update(value, now_s, before_s)
        self._all_heard = not any(one.missing_scans for one in self.by_name.values())
        self.settled = all(one.settled or one.long_gone for one in self.by_name.values())
        self.revision += bool(changed)
        return changed

    def track(self, reading: str) -> NumberInput | None:
        """The track of a number, None where it is not fitted."""
        return next((track for track in self.tracks if track.reading == reading), None)

    def inputs_of(self, reading: str) -> Sequence[DebouncedInput]:
        """The debounced inputs that are made of a reading; none where it is not fitted."""
        track = self.track(reading)
        return [self.by_name[reading]] if reading in self.by_name and track is None else track.inputs if track else ()

    def forget(self, now_s: float) -> None:
        """After a gap in what was seen: everything is unknown."""
        for one in self.flags:
            one.forget(now_s)
        for track in self.tracks:
            track.forget(now_s)
        self.settled = False
        self.revision += 1

    def unsettled(self) -> frozenset[str]:
        """The inputs that the last scan did not bear out, and that are not gone."""
        if self.settled:
            return frozenset()
        return frozenset(name for name, one in self.by_name.items() if not (one.settled or one.gone))

    def back(self, now_s: float) -> bool:
        """Whether one of them says again by this scan what is believed, and had said something else before it."""
        return any(one.back_s == now_s for one in self.by_name.values())

    def silent(self, now_s: float, hold_s: float, scans: float) -> list[str]:
        """The fitted readings missing for `hold_s` and `scans` scans, and not believed again since."""
        if self._all_heard and not self._silent:
            return []
        for name, one in self.readings.items():
            if one.missing_scans >= scans and lasted(one.missing_s, now_s, hold_s):
                self._silent.add(name)
            elif one.symbol is not None:
                self._silent.discard(name)
        return [name for name in self.readings if name in self._silent]

    def silence_deadline(self, now_s: float, hold_s: float) -> float:
        """Return when, after `now_s`, a reading that the last scan did not have will have been missing for `hold_s`."""
        if self._all_heard:
            return inf
        due_s = (one.missing_s + hold_s for one in self.readings.values() if one.missing_scans)
        return min((at_s for at_s in due_s if at_s > now_s), default=inf)

    def doubted(self, now_s: float) -> list[str]:
        """The readings that do not bear out, at the last scan, what is believed of them."""
        if self._all_heard and self.settled:
            return []
        return [name for name, one in self.readings.items() if one.doubtful(now_s)]

    def symbols(self) -> dict[str, str]:
        """What each sense is believed to say, in the words of readings.SYMBOLS; unknown senses are left out."""
        said = {one.name: word(one.name, {one.name: one.symbol}) for one in self.flags}
        for track in self.tracks:
            said[track.reading] = word(track.reading, {one.name: one.symbol for one in track.inputs})
        return {name: symbol for name in self.readings if (symbol := said[name]) is not None}


def _getter(names: Sequence[str]) -> Any:
    """attrgetter that always returns a tuple."""
    if not names:
        return lambda scan: ()
    if len(names) == 1:
        get = attrgetter(names[0])
        return lambda scan: (get(scan),)
    return attrgetter(*names)
