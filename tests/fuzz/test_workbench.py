"""The workbench's forms under what nobody should send: refused, or done in the simulated world; no error of ours."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st

from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.sim.workbench import PLACES, scenario_for_bench, workbench
from condenser_monitor.sim.world import World
from tests.fuzz.fields import WORDS
from tests.fuzz.refusals import fuzzed
from tests.fuzz.test_forms import looked_at
from tests.monitor import units
from tests.web.conftest import app_of, csrf
from tests.web.filled import from_scans

_KEYS = [key for _, keys in PLACES for key in keys]
_FORM = st.fixed_dictionaries(
    {},
    optional={
        **dict.fromkeys(("break", "mend", "guess"), st.one_of(st.sampled_from(_KEYS), WORDS)),
        "do": st.one_of(st.sampled_from(["call", "rest", "mend-all", "slow", "fast"]), WORDS),
        "check": st.one_of(st.sampled_from(["coil-ohms", "coil-volts", "listen", "charge"]), WORDS),
    },
)


class _Demo:
    """A demo whose world stands still between two wishes."""

    def __init__(self) -> None:
        self.world: World = scenario_for_bench().world()

    @property
    def broken(self) -> frozenset[tuple[str, str]]:
        return self.world.timeline.by_hand()

    def ask(self, question: Callable[[World], Any]) -> Any:
        answer = question(self.world)
        self.world.advance(self.world.t_s + 0.1)
        return answer

    def pace(self, speed: float) -> None:
        pass


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    """The page with the bench on it."""
    kept = Settings(unit=units.UNIT, senses=SensorSettings(fitted=units.ALL))
    site = from_scans(tmp_path_factory.mktemp("bench"), kept, units.scans((30, units.REST)), end_s=29.0)
    app = app_of(site)
    app.register_blueprint(workbench(_Demo(), seed=1))  # type: ignore[arg-type]
    app.testing = True
    yield app
    site.history.close()


@fuzzed(100)
@given(steps=st.lists(st.tuples(st.sampled_from(["turn", "look", "hide", "guess", "show"]), _FORM), max_size=5))
def test_the_bench_bears_whatever_is_sent(bench: Flask, steps: list[tuple[str, dict[str, str]]]) -> None:
    """Some forms one after the other, then the bench itself."""
    client = bench.test_client()
    kept = csrf(client)
    for action, form in steps:
        looked_at(client.post(f"/workbench/{action}", data={**form, "csrf": kept}), action)
    looked_at(client.get("/workbench/"), "/workbench/")
