"""What the engine leaves out where nothing is new changes nothing that it says: against the same engine, made to take
the full look at every scan and to ask every finding each time."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import pytest

from condenser_monitor.monitor.core.evaluation import Evaluation, FindingEvaluator, Snapshot
from condenser_monitor.monitor.core.inputs import DebouncedInputs, NumberInput
from condenser_monitor.monitor.core.records import (
    Change,
    Cycle,
    Event,
    Scan,
)
from condenser_monitor.monitor.engine import Engine
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    SETTINGS,
)
from tests.size import one_in

FLAGS = [name for name in ALL if isinstance(REST[name], bool)]
NUMBERS = [name for name in ALL if name not in FLAGS]


def thorough(monkeypatch: pytest.MonkeyPatch) -> None:
    """No short ways from here on."""
    update = NumberInput.update

    def whole(track: NumberInput, *given: Any) -> Any:
        track.calm = False
        return update(track, *given)

    monkeypatch.setattr(DebouncedInputs, "quiet", lambda sensing, scan: False)
    evaluate = FindingEvaluator.evaluate

    def of_all(evaluator: FindingEvaluator, moment: Snapshot) -> Evaluation:
        evaluator._evaluated = None  # no facts are known ones
        return evaluate(evaluator, moment)

    monkeypatch.setattr(FindingEvaluator, "evaluate", of_all)
    snapshot = Engine._snapshot

    def compared(engine: Any) -> Snapshot:
        engine._symbols_revision = -1
        return snapshot(engine)

    monkeypatch.setattr(Engine, "_snapshot", compared)
    monkeypatch.setattr(NumberInput, "update", whole)


def restless(seed: int) -> tuple[list[str], list[Scan]]:
    """A unit that starts, stops and fails at random, seen through senses that flicker and fall silent; scans from ten a
    second to one a minute."""
    chance = random.Random(seed)
    step_s = chance.choice([0.1, 1.0, 5.0, 60.0])
    fitted = list(ALL) if chance.random() < 0.5 else [name for name in ALL if chance.random() < 0.8]
    odd, missing = chance.choice([(0.0, 0.0), (0.01, 0.0), (0.0, 0.05), (0.02, 0.02)])
    return fitted, list(_scans(chance, fitted, step_s, odd, missing))


def _scans(chance: random.Random, fitted: list[str], step_s: float, odd: float, missing: float) -> Iterator[Scan]:
    state, t_s, silent = dict(REST), 0.0, ""
    for _ in range(900):
        if chance.random() < 0.02:
            state = _next(chance, state)
            silent = chance.choice([*fitted, *[""] * 40]) if fitted else ""
        row: dict[str, Any] = {}
        for name in fitted:
            value = state[name]
            if name in NUMBERS:
                value *= chance.gauss(1, 0.01)
            if chance.random() < odd:
                value = not value if name in FLAGS else chance.uniform(0, 60)
            row[name] = None if name == silent or chance.random() < missing else value
        yield Scan(t_s=t_s, wall_s=1_784_000_000.0 + t_s, **row)
        t_s += step_s * (chance.uniform(0.9, 1.1) if chance.random() < 0.99 else chance.choice([0.05, 3.0, 40.0]))


def _next(chance: random.Random, state: dict[str, Any]) -> dict[str, Any]:
    if chance.random() < 0.7:
        return dict(chance.choice([REST, RUN]))
    name = chance.choice([name for name in ALL if name != "outdoor_c"])
    value = not state[name] if name in FLAGS else RUN[name] * chance.choice([0.0, 0.5, 1.0, 1.5, 5.0])
    return state | {name: value}


def said(fitted: list[str], stream: list[Scan]) -> list[tuple[object, ...]]:
    """All that the engine says, but for the readings shown beside it: the full look keeps newer ones."""
    engine = Engine(SETTINGS, fitted=fitted)
    found = [_plain(event) for scan in stream for event in (*engine.feed(scan), *engine.tick(scan.t_s, scan.wall_s))]
    status = engine.status()
    return [*found, (status.cycle, status.links, [(f.name, f.suspects, f.since_s) for f in status.findings])]


def _plain(event: Event) -> tuple[object, ...]:
    if isinstance(event, Change):
        return event.t_s, event.change, event.finding, event.suspects
    if isinstance(event, Cycle):
        return event.started_s, event.stopped_s, event.closings, event.compressor_starts, event.compressor_max_a
    return (type(event).__name__, event.t_s)


@one_in(6)
@pytest.mark.parametrize("block", range(6))
def test_short_looks_say_what_full_looks_say(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten random units each: changes, suspects, cycles, steps of alerts, and the chain at the end."""
    streams = [restless(seed) for seed in range(10 * block, 10 * block + 10)]
    short = [said(*stream) for stream in streams]
    assert sum(map(len, short)) > 100
    thorough(monkeypatch)
    for seed, (stream, found) in enumerate(zip(streams, short, strict=True), 10 * block):
        assert said(*stream) == found, f"seed {seed}"
