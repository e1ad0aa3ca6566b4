"""The machines of the inference core, written in a well-known state-machine library (`transitions`, MIT).

Each sense, the cycle and each finding is a machine of the library. Every scan gives each sense its symbol, the cycle
its signals, each finding its answer: a trigger, whose conditions and callbacks the library runs. Bands, facts and the
counters of patterns are no state machines and are the core's own; suspects, evidence, alerts and trends are not in it,
so it does less than the core. tests/benchmarks/test_benchmarks.py holds both to say the same.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import inf
from typing import Any

from transitions import Machine  # the extra `bench`

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core import cycle
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.cycle import Signal
from condenser_monitor.monitor.core.findings import (
    ROWS,
    Answer,
    FindingRow,
    hold_s,
)
from condenser_monitor.monitor.core.inputs import DebouncedInputs, lasted
from condenser_monitor.monitor.core.links import Facts, contacts_closed, either
from condenser_monitor.monitor.core.readings import draw_bands
from condenser_monitor.monitor.core.records import CycleState, Scan

Said = tuple[float, str, str]  # when, "raised" or "cleared", which finding


class Mover:
    """The model that the library moves; it gives it `state` and a method for each signal."""

    state: str


def cycle_machine() -> Mover:
    """The cycle machine: states, and each signal a trigger with one row a state."""
    mover = Mover()
    machine: Any = Machine(
        mover, states=[state.value for state in CycleState], initial="unknown", auto_transitions=False, send_event=False
    )
    for state, row in cycle.TRANSITIONS.items():
        for signal, after in row.items():
            machine.add_transition(f"take_{signal.name.lower()}", state.value, after.value)
    return mover


def triggers(mover: Mover) -> dict[Signal, Callable[[], object]]:
    """A signal's trigger."""
    return {signal: getattr(mover, f"take_{signal.name.lower()}") for signal in Signal}


class Sense(Mover):
    """What one sense is believed to say. A state is what is believed, with what the last scan said instead behind it;
    each symbol is a trigger, and `miss` that there was none."""

    def __init__(self, symbols: tuple[Any, ...]) -> None:
        self.symbol: Any = None
        self.said: Any = None
        self.since_s, self.candidate_s, self.missing_s, self.now_s = -inf, 0.0, 0.0, 0.0
        self.missing = 0
        self.changed = False
        known = [str(symbol) for symbol in symbols]
        believed = ["unknown", *known]
        states = believed + [f"{old} but {new}" for old in believed for new in known if new != old]
        machine: Any = Machine(self, states=states, initial="unknown", auto_transitions=False)
        for old in believed:
            for new in known:
                name = f"say_{new}"
                doubt = [state for state in states if state == old or state.startswith(f"{old} but ")]
                if new == old:
                    machine.add_transition(name, doubt, old, before="heard")
                    continue
                odd = f"{old} but {new}"
                machine.add_transition(name, odd, new, before=["heard", "confirm"])
                machine.add_transition(name, [state for state in doubt if state != odd], odd, before=["heard", "doubt"])
        machine.add_transition("miss", states, "unknown", before="count", conditions="stale", after="lose")
        machine.add_transition("miss", states, "=", before="count")
        self._say = {symbol: getattr(self, f"say_{symbol}") for symbol in symbols}

    def take(self, symbol: Any, now_s: float) -> bool:
        """One scan; True when what is believed has changed."""
        self.now_s, self.changed = now_s, False
        if symbol is None:
            self.said = self.symbol
            if self.missing == 0:
                self.missing_s = now_s
            self.miss()  # type: ignore[attr-defined]
        else:
            self.said = symbol
            self._say[symbol]()
        return self.changed

    @property
    def settled(self) -> bool:
        return " but " not in self.state and self.missing == 0

    @property
    def gone(self) -> bool:
        return self.missing > 0 and self.symbol is None

    def heard(self) -> None:
        self.missing = 0

    def doubt(self) -> None:
        self.candidate_s = self.now_s

    def confirm(self) -> None:
        self.since_s = self.now_s if self.symbol is None else self.candidate_s
        self.symbol, self.changed = self.said, True

    def stale(self) -> bool:
        long = lasted(self.missing_s, self.now_s, limits.STALE_S.value)
        return long and self.missing + 1 >= limits.CONFIRM_SCANS.value and self.symbol is not None

    def count(self) -> None:
        self.missing += 1

    def lose(self) -> None:
        self.symbol = self.said = None
        self.since_s, self.changed = self.missing_s, True


class Case(Mover):
    """One finding: quiet, in doubt while its condition holds, standing; its answers are the triggers."""

    def __init__(self, row: FindingRow, settings: Settings, core: Core) -> None:
        self.row, self.core = row, core
        self.hold_s = hold_s(row, settings)
        clear = limits.FINDINGS[row.name].clear_s
        self.clear_s = settings.limit(clear) if clear else 0.0
        self.true_s = self.false_s = 0.0
        self.scans = 0
        machine: Any = Machine(self, states=["quiet", "doubt", "standing"], initial="quiet", auto_transitions=False)
        machine.add_transition("yes", "quiet", "standing", prepare="begin", conditions="due", after="raised")
        machine.add_transition("yes", "quiet", "doubt")
        machine.add_transition("yes", "doubt", "standing", prepare="held_down", conditions="due", after="raised")
        machine.add_transition("yes", "doubt", "=")
        machine.add_transition("yes", "standing", "=", after="stand")
        for name in ("no", "unknown"):
            machine.add_transition(name, ["quiet", "doubt"], "quiet")
        machine.add_transition("no", "standing", "quiet", prepare="end", conditions="over", after="cleared")
        machine.add_transition("no", "standing", "=")
        machine.add_transition("unknown", "standing", "=", after="stand")
        self._take: dict[Answer, Callable[[], object]] = {
            True: self.yes,  # type: ignore[attr-defined]
            False: self.no,  # type: ignore[attr-defined]
            None: self.unknown,  # type: ignore[attr-defined]
        }
        self.suppressed = self.was_suppressed = self.ended = False

    def take(self, answer: Answer, bears_out: bool) -> None:
        self.scans = self.scans + bears_out if answer or bears_out else 0
        self.was_suppressed, self.suppressed = self.suppressed, self.core.suppressed(self.row)
        self._take[answer]()

    def begin(self) -> None:
        self.true_s = self.core.changed_s
        self._steady()

    def held_down(self) -> None:
        if self.was_suppressed and not self.suppressed:
            self.true_s = self.core.now_s
        self._steady()

    def _steady(self) -> None:
        if self.row.steady and not self.core.borne_out(self.row):
            self.true_s = self.core.now_s

    def due(self) -> bool:
        held = lasted(self.true_s, self.core.now_s, self.hold_s) and not self.suppressed
        return held and self.scans >= limits.CONFIRM_SCANS.value and self.core.borne_out(self.row)

    def stand(self) -> None:
        self.ended = False

    def end(self) -> None:
        if not self.ended:
            self.ended, self.false_s = True, self.core.changed_s

    def over(self) -> bool:
        return lasted(self.false_s, self.core.now_s, self.clear_s) and self.core.borne_out(self.row)

    def raised(self) -> None:
        self.ended = False
        self.core.tell("raised", self.row)

    def cleared(self) -> None:
        self.core.tell("cleared", self.row)


class Core:
    """The core in the library's machines; `take(scan)` gives what was raised and cleared."""

    def __init__(self, settings: Settings, fitted: tuple[str, ...]) -> None:
        plain = DebouncedInputs(settings, fitted)  # its bands
        self.delayed = plain.delayed
        self.flags = {belief.name: Sense((False, True)) for belief in plain.flags}
        self.tracks = plain.tracks
        self.senses: dict[str, Sense] = dict(self.flags)
        for track in plain.tracks:
            track.set_bands("draw", draw_bands(settings))  # as of a unit whose normal is not learned
            for belief, bands in zip(track.inputs, track.bands, strict=True):
                self.senses[belief.name] = Sense(bands.names)
        self.cycle = cycle_machine()
        self._signals = triggers(self.cycle)
        self.cases = [Case(row, settings, self) for row in ROWS if row.condition is not None]
        self.standing: set[str] = set()
        self.now_s = self.changed_s = 0.0
        self._told: list[Said] = []

    def take(self, scan: Scan) -> list[Said]:
        """One scan."""
        now_s = self.now_s = scan.t_s
        self._told = []
        changed = [sense for sense, symbol in self._symbols(scan) if sense.take(symbol, now_s)]
        self.changed_s = max((sense.since_s for sense in changed), default=now_s)
        facts = self._facts({name: sense.symbol for name, sense in self.senses.items()})
        said = self._facts({name: sense.said for name, sense in self.senses.items()})
        for signal in cycle.signals(facts):
            self._signals[signal]()
        for case in self.cases:
            condition = case.row.condition
            assert condition is not None
            case.take(condition(facts), bool(condition(said)))
        return self._told

    def _symbols(self, scan: Scan) -> list[tuple[Sense, Any]]:
        found = [(sense, getattr(scan, name)) for name, sense in self.flags.items()]
        for track in self.tracks:
            value = getattr(scan, track.reading)
            for place, (belief, bands) in enumerate(zip(track.inputs, track.bands, strict=True)):
                symbol = None
                if value is not None:
                    band = track.raw[place] = bands.place(value, track.raw[place])
                    symbol = bands.names[band]
                found.append((self.senses[belief.name], symbol))
        return found

    def _facts(self, symbols: Mapping[str, Any]) -> Facts:
        get = symbols.get
        runs = either(get("compressor"), get("fan"))
        named = "call supply load control_power thermostat compressor locked draw fan stalled"
        said: dict[str, Any] = {name: get(name) for name in named.split()}
        return Facts(
            **said,
            volts=get("control_v"),
            coil=get("coil_a"),
            runs=runs,
            contacts=contacts_closed(get("load"), runs),
            delayed=self.delayed,
        )

    def suppressed(self, row: FindingRow) -> bool:
        """A parent stands."""
        return any(parent in self.standing for parent in row.parents)

    def borne_out(self, row: FindingRow) -> bool:
        """This scan said what is believed, of all that the finding needs."""
        return all(self.senses[name].settled or self.senses[name].gone for name in row.needs if name in self.senses)

    def tell(self, change: str, row: FindingRow) -> None:
        """A finding was raised or cleared."""
        (self.standing.add if change == "raised" else self.standing.discard)(row.name)
        self._told.append((self.now_s, change, row.name))
