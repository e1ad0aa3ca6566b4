"""The report's last part: what was measured by hand, what visits found, what unit it is and what is sensed. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import MeterReading, StoredVisit
from condenser_monitor.monitor.diagnosis.checks.base import Check
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.report.blocks import (
    Block,
    Bullets,
    Heading,
    Para,
    Table,
)
from condenser_monitor.monitor.report.facts import ReportFacts
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.report import say
from condenser_monitor.monitor.strings.translate import tr


def when(facts: ReportFacts, wall_s: float | None) -> str:
    """A moment in the report's words."""
    return time_format.moment(wall_s, None, facts.zone)


def by_hand(facts: ReportFacts) -> Iterator[Block]:
    """Meter readings of the span, and what earlier visits found."""
    if facts.meter:
        yield Heading(say("meter"))
        rows = [_meter(facts, reading) for reading in facts.meter]
        yield Table(
            [say(f"col-{key}") for key in ("when", "check", "reading", "taken-for", "by")],
            rows,
            (0.17, 0.27, 0.15, 0.26, 0.15),
        )
    if facts.visits:
        yield Heading(say("earlier-visits"))
        yield Bullets([_visit(facts, visit) for visit in facts.visits])
        right, wrong, unnamed = facts.score
        yield Para(say("score", right=right, wrong=wrong, none=unnamed), "soft")


def _meter(facts: ReportFacts, reading: MeterReading) -> tuple[str, ...]:
    check: Check | None = CHECKS.get(reading.check)
    title = reading.check if check is None else tr(check.title)
    known = check is not None and reading.symbol in check.symbols
    says = tr(check.says(reading.symbol)) if check is not None and known else reading.symbol
    return when(facts, reading.wall_s), title, reading.typed, says, reading.by


def _visit(facts: ReportFacts, visit: StoredVisit) -> str:
    note = f" {visit.note}" if visit.note else ""
    return f"{when(facts, visit.wall_s)}, {visit.by}: {texts.suspect(visit.was)}.{note}"


def plate(facts: ReportFacts) -> Iterator[Block]:
    """The nameplate as the site file has it, and what is sensed."""
    unit = facts.settings.unit
    yield Heading(say("unit"))
    rows = [
        (say("compressor"), f"RLA {unit.compressor_rla_a:g} A, LRA {unit.compressor_lra_a:g} A"),
        (say("condenser-fan"), f"FLA {unit.fan_fla_a:g} A"),
        (say("contactor"), say("poles" if unit.contactor_poles > 1 else "pole", count=unit.contactor_poles)),
        (say("line"), f"{unit.line_hz} Hz"),
        (say("delay"), f"{unit.delay_on_make_s:g} s" if unit.delay_on_make_s else say("none")),
        (say("kind"), say("heat-pump" if unit.heat_pump else "cooling-only")),
        (say("sensed"), ", ".join(texts.NAMES[name] for name in facts.settings.fitted)),
        (
            say("not-sensed"),
            ", ".join(texts.NAMES[name] for name in READINGS if name not in facts.settings.fitted) or say("nothing"),
        ),
    ]
    yield Table((say("site-file"), ""), rows, (0.25, 0.75))
    disk = facts.health.disk_error
    if disk:
        yield Para(say("disk", why=disk), "warn")
