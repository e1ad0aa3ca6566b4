"""A desk under virtual time: findings come and go, people ask, hours pass; what was told is kept."""

from __future__ import annotations

from collections.abc import Iterable
from unittest.mock import patch

from condenser_monitor.monitor.alarms.alarm_manager import ALERTS_MEMORY, AlarmManager, AlarmMemory
from condenser_monitor.monitor.alarms.episodes import Trial
from condenser_monitor.monitor.core.config import Settings
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.records import (
    Alert,
    AlertChange,
    AlertState,
    Answer,
    Change,
    ChangeKind,
    Request,
    RequestKind,
)
from condenser_monitor.monitor.limits import FINDINGS
from tests.monitor.units import over_a_restart

SETTINGS = Settings()
WALL_S = 1_783_000_000.0  # a summer's day in 2026


class Bench:
    """Drives one desk. `wall_ahead_s` is what the wall clock is wrong by; None: there is no wall clock."""

    def __init__(self, settings: Settings = SETTINGS, *, wall_ahead_s: float | None = 0.0) -> None:
        self.settings = settings
        self.desk = AlarmManager(settings)
        self.now_s = 0.0
        self.true_s = 0.0
        self.wall_ahead_s = wall_ahead_s
        self.steps: list[tuple[float, AlertChange]] = []
        self._ids = 0

    @property
    def wall_s(self) -> float | None:
        return None if self.wall_ahead_s is None else WALL_S + self.true_s + self.wall_ahead_s

    def _keep(self, steps: Iterable[AlertChange]) -> list[AlertChange]:
        # Times as lived, so that runs with and without restarts can be compared.
        kept = list(steps)
        self.steps += [(round(self.true_s - self.now_s + step.t_s, 6), step) for step in kept]
        return kept

    def wait(self, seconds: float, *, ticks: bool = True) -> list[AlertChange]:
        """Time passes; the desk is asked whenever it wants to be, and at the end."""
        end_s, found = self.now_s + seconds, []
        for _ in range(200):
            due_s = self.desk.next_deadline()
            if not ticks or due_s is None or due_s >= end_s:
                break
            step_s = max(due_s - self.now_s, 0.0)
            self.now_s, self.true_s = self.now_s + step_s, self.true_s + step_s
            found += self._keep(self.desk.tick(self.now_s, self.wall_s))
        else:
            raise AssertionError("the desk wants to be asked for ever")
        self.true_s += end_s - self.now_s
        self.now_s = end_s
        return found + self._keep(self.desk.tick(self.now_s, self.wall_s))

    def change(self, kind: str, finding: str) -> list[AlertChange]:
        row = CATALOGUE[finding]
        change = Change(
            t_s=self.now_s,
            wall_s=self.wall_s,
            change=ChangeKind(kind),
            finding=finding,
            severity=row.severity,
            suspects=("loose-connection",),
            evidence={"control_v": 26.4},
            summary=row.summary,
        )
        return self._keep(self.desk.apply(change))

    def raised(self, finding: str) -> list[AlertChange]:
        return self.change("raised", finding)

    def cleared(self, finding: str, *, repaired: bool = True) -> list[AlertChange]:
        """It is gone; `repaired`: and its part was seen to work for long enough, at once."""
        steps = self.change("cleared", finding)
        return steps + self.prove(finding) if repaired else steps

    def prove(self, finding: str) -> list[AlertChange]:
        """The part was seen to work, in as many runs as are asked for."""
        story = self.desk.episode_book.find(finding)
        if story is None or finding not in story.trials:
            return []
        with patch.object(Trial, "proved", lambda trial, *_: trial is story.trials[finding]):
            return self._keep(self.desk.observe(self.now_s, self.wall_s))

    def ask(self, kind: str, finding: str | None = None, hours: float | None = None, **rest: str) -> Answer:
        self._ids += 1
        request = Request(
            id=rest.get("id", f"request-{self._ids}"),
            request=RequestKind(kind),
            by=rest.get("by", "Sam"),
            finding=finding,
            hours=hours,
            note=rest.get("note", ""),
        )
        answer, steps = self.desk.request(request, self.now_s, self.wall_s)
        self._keep(steps)
        return answer

    def left(self) -> AlarmMemory:
        """What the next process reads of the alerts."""
        return over_a_restart(ALERTS_MEMORY, self.desk.memory())

    def restart(self, off_s: float = 0.0) -> None:
        """The program ends and starts again after `off_s`; its seconds begin at 0 again."""
        self.desk = AlarmManager(self.settings, self.left(), self.desk.episode_book.memory)
        self.true_s += off_s
        self.now_s = 0.0
        self._keep(self.desk.tick(0.0, self.wall_s))

    def notified(self, finding: str | None = None) -> list[tuple[str, str]]:
        """(finding, what) of all that people were told."""
        steps = [step for _, step in self.steps if step.tell != "no"]
        return [(step.finding, step.tell) for step in steps if finding in (None, step.finding)]

    def alert(self, finding: str) -> Alert | None:
        return next((alert for alert in self.desk.alerts() if alert.finding == finding), None)

    def state(self, finding: str) -> AlertState:
        alert = self.alert(finding)
        return AlertState.NORMAL if alert is None else alert.state

    def delay_s(self, finding: str) -> float:
        return self.settings.limit(FINDINGS[finding].all_clear_s)
