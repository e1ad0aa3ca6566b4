"""Eleven mutants of the core that once survived every test: now each is killed by the tests named beside it."""

from __future__ import annotations

from typing import NamedTuple

_RULES = "tests/monitor/test_core_rules.py::test_"
_ALERTS = "tests/monitor/test_alerts.py::test_"


class SeenMutant(NamedTuple):
    """What is changed in which file, as text (it stands there once), and the test that must fail."""

    claim: str
    file: str
    before: str
    after: str
    test: str


SEEN: tuple[SeenMutant, ...] = (
    SeenMutant(
        "a reset releases what waits behind the alarm",
        "monitor/alarms/alarm_manager.py",
        "        return told + self._release(now_x)\n\n    def _begin_service",
        "        return told\n\n    def _begin_service",
        f"{_ALERTS}the_reset_of_a_parent_lets_its_consequence_be_told",
    ),
    SeenMutant(
        "rows of a commit that failed and was carried out all the same are written over",
        "monitor/storage/recovery.py",
        'PUT_OUTBOX = "INSERT OR REPLACE INTO',
        'PUT_OUTBOX = "INSERT OR IGNORE INTO',
        f"{_RULES}a_commit_that_failed_and_was_carried_out_all_the_same_is_written_over",
    ),
    SeenMutant(
        "no cursor goes ahead of the disk",
        "monitor/storage/writer.py",
        "cursors={name: min(at, place) for name, at in self.cursors.items()}",
        "cursors=dict(self.cursors)",
        f"{_RULES}no_cursor_in_the_redo_log_lies_ahead_of_its_rows",
    ),
    SeenMutant(
        "offsets are committed in order",
        "monitor/publishers/broker.py",
        "            if row.id not in self._acked:\n                break",
        "            if row.id not in self._acked:\n                continue",
        f"{_RULES}what_the_broker_acknowledged_out_of_order_waits_for_what_came_before",
    ),
    SeenMutant(
        "the hold begins again when the parent goes",
        "monitor/core/evaluation.py",
        "            elif self.suppressed and not suppressed:\n",
        "            elif False:\n",
        f"{_RULES}the_hold_begins_again_when_the_parent_goes",
    ),
    SeenMutant(
        "every scan of a steady finding's hold must bear it out",
        "monitor/core/evaluation.py",
        "            if row.steady and answer and not bears_out:",
        "            if False:",
        f"{_RULES}every_scan_of_a_steady_findings_hold_must_bear_it_out",
    ),
    SeenMutant(
        "nothing is cleared on a scan that contradicts it",
        "monitor/core/evaluation.py",
        "            elif timer.over(moment.now_s) and bears_out:",
        "            elif timer.over(moment.now_s):",
        f"{_RULES}a_scan_that_contradicts_clears_nothing",
    ),
    SeenMutant(
        "another sensor telling it is no start and no stop",
        "monitor/core/patterns.py",
        "        if sensed_by(was) != sensed_by(facts):",
        "        if False:",
        f"{_RULES}another_sensor_telling_it_is_no_stop_and_no_start",
    ),
    SeenMutant(
        "where a run stopped is not rewritten later",
        "monitor/core/patterns.py",
        "        if self.places and at_s - self._stopped_s <= limits.STALE_S.value and not facts.runs:",
        "        if self.places and not facts.runs:",
        f"{_RULES}where_a_run_stopped_is_not_rewritten_by_what_comes_later",
    ),
    SeenMutant(
        "comparisons that disagree make no calibration",
        "hardware/calibration.py",
        "    if worst > limits.CALIBRATION.spread.value:",
        "    if False:",
        "tests/hardware/test_calibration.py::test_refusals_name_place_and_what_is_allowed",
    ),
    SeenMutant(
        "a minute across a cycle's border has no means",
        "monitor/core/cycle.py",
        "if fresh > 0 and count <= sums.count else None",
        "if fresh != 0 else None",
        f"{_RULES}a_minute_across_a_cycles_border_has_no_means",
    ),
)
