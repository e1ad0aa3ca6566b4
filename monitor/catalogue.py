"""(edge) The catalogue pages, made from the tables: findings, predictions, suspects, checks, limits, states.

`pages()` gives each page's Markdown by file name. The pages are kept in monitor/pages/, and a test holds them to the
tables; `python -m condenser_monitor.monitor.catalogue` writes them again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

from condenser_monitor.monitor import limits, sources
from condenser_monitor.monitor.alarms import alarm_manager as alerts
from condenser_monitor.monitor.core import cycle
from condenser_monitor.monitor.core.findings import ROWS as FINDINGS
from condenser_monitor.monitor.core.findings import FindingRow
from condenser_monitor.monitor.core.readings import SYMBOLS
from condenser_monitor.monitor.core.records import (
    AlertState,
    CycleState,
)
from condenser_monitor.monitor.diagnosis.checks.base import CAUTION_FIGURES, CAUTIONS, Check, Figure
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.elimination import Expect
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import SITUATIONS
from condenser_monitor.monitor.limits import Limit
from condenser_monitor.monitor.sources import Source

State = TypeVar("State", bound=StrEnum)
Signal = TypeVar("Signal", bound=StrEnum)
PLACE = Path(__file__).with_name("pages")
_MADE = (
    "*Made from the program's tables by `python -m condenser_monitor.monitor.catalogue`; "
    "change the tables, not this page.*"
)
_ORDER = {name: place for place, name in enumerate(SYMBOLS)}


def pages() -> dict[str, str]:
    """File name -> Markdown, for every page of the catalogue."""
    made = {
        "findings.md": findings_page(),
        "predictions.md": predictions_page(),
        "suspects.md": suspects_page(),
        "checks.md": checks_page(),
        "limits.md": limits_page(),
        "sources.md": sources_page(),
        "states.md": states_page(),
    }
    return {name: "\n".join(lines).rstrip() + "\n" for name, lines in made.items()}


def write(place: Path = PLACE) -> None:
    """Write every page."""
    place.mkdir(exist_ok=True)
    for name, text in pages().items():
        (place / name).write_text(text, encoding="utf-8")


# ---------------------------------------------------------------- Markdown


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    yield "| " + " | ".join(head) + " |"
    yield "|" + "---|" * len(head)
    for row in rows:
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |"
    yield ""


def _titled(title: str, *paragraphs: str) -> list[str]:
    return [f"# {title}", "", _MADE, "", *(line for paragraph in paragraphs for line in (paragraph, ""))]


def _codes(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


def _number(limit: Limit) -> str:
    return f"{limit.value:g}" if limit.unit == "1" else f"{limit.value:g} {limit.unit}"


# ---------------------------------------------------------------- findings


def findings_page() -> list[str]:
    """Every finding: what it means, its numbers, what it follows from, its suspects."""
    lines = _titled(
        "Findings",
        "In the order in which they are judged, parents first. A finding is not raised while one that it follows from"
        " stands. Every number may be set in the site file under `[limits.FINDING]`.",
    )
    for row in FINDINGS:
        lines += _finding(row)
    return lines


def _finding(row: FindingRow) -> Iterator[str]:
    numbers = limits.FINDINGS[row.name].rows()
    yield from (f"## {row.name}", "", f"**{row.severity.value}.** {row.summary}", "")
    if row.parents:
        yield from (f"Follows from: {_codes(row.parents)}", "")
    if row.after_delay:
        yield from ("Its delay counts beyond the unit's `delay_on_make_s`.", "")
    yield from _table(("key", "default", "from", "to", "basis", "source"), (_limit(*item) for item in numbers.items()))
    yield from (f"Proved repaired when: {row.proof.words}.", "")
    yield from (f"Suspects, the most usual first: {_codes(_suspected(row.name))}", "")


def _suspected(finding: str) -> list[str]:
    return list(dict.fromkeys(cause.suspect for cause in SITUATIONS[finding].causes))


def _limit(name: str, limit: Limit) -> tuple[str, ...]:
    return (f"`{name}`", _number(limit), f"{limit.low:g}", f"{limit.high:g}", limit.basis, limit.source)


# ---------------------------------------------------------------- predictions


def predictions_page() -> list[str]:
    """What each suspect predicts, finding by finding."""
    lines = _titled(
        "What each suspect predicts",
        "One table for each finding. The row *plainly* says what is seen there whoever is at fault; a suspect's row"
        " says where it differs. An empty cell is as in the first row, a dash is no news; *(seldom x)* weighs"
        f" {limits.SELDOM_SHARE.value:g} of what is usual. `weight` puts in figures how usual a suspect is there"
        " (common practice; only the order and the rough ratio mean anything). A suspect with several rows has several"
        " ways of showing itself; *if seen* names the senses without which it is not thought of.",
        "What a meter shows on the parts themselves is on [suspects](suspects.md) and [checks](checks.md).",
    )
    for finding, situation in SITUATIONS.items():
        columns = sorted(
            {*situation.base, *(name for cause in situation.causes for name in cause.predicts)},
            key=lambda name: (_ORDER.get(name, len(_ORDER)), name),
        )
        marked = any(cause.marks for cause in situation.causes)
        rows = [["*plainly*", "", *(_said(situation.base.get(name)) for name in columns), *([""] if marked else [])]]
        for cause in situation.causes:
            cells = [_said(cause.predicts[name]) if name in cause.predicts else "" for name in columns]
            rows.append([cause.suspect, f"{cause.usual:g}", *cells, *([", ".join(cause.marks)] if marked else [])])
        lines += [f"## {finding}", ""]
        lines += _table(("suspect", "weight", *columns, *(("if seen",) if marked else ())), rows)
    return lines


def _said(said: Expect | None) -> str:
    if said is None:
        return "–"
    usual = ", ".join(sorted(said.usual))
    return usual + (f" (seldom {', '.join(sorted(said.seldom))})" if said.seldom else "")


# ---------------------------------------------------------------- suspects


def suspects_page() -> list[str]:
    """Every suspect: part, what a meter shows, what repairs it, where it is suspected."""
    lines = _titled(
        "Suspects",
        "Every part not named in a row's *checks that show it* is taken to be sound: one fault at a time, until no"
        " single one explains what is seen.",
    )
    for name, suspect in SUSPECTS.items():
        where = [finding for finding in SITUATIONS if name in _suspected(finding)]
        shown = [f"{check} {_said(said)}" for check, said in suspect.meter.items()]
        lines += [f"## {name}", "", f"{suspect.title}. Part: {suspect.part}.", ""]
        lines += [f"- Checks that show it: {'; '.join(shown) if shown else 'none of its own'}"]
        lines += [f"- What repairs it: {suspect.repair}", f"- Suspected in: {_codes(where)}", ""]
    return lines


# ---------------------------------------------------------------- checks


def checks_page() -> list[str]:
    """Every check: a table to choose from, then each in full; the cautions once at the end."""
    lines = _titled(
        "Checks",
        "Hazard: 0 none, 1 hand tools with the power off, 2 extra-low voltage live, 3 line voltage live. Work on line"
        " voltage is for qualified people only, and local rules decide.",
    )
    head = ("check", "what", "where", "power", "cabinet opened", "who", "minutes", "hazard")
    lines += _table(head, (_check_row(check) for check in CHECKS.values()))
    for check in CHECKS.values():
        lines += _check(check)
    lines += ["## Cautions", ""]
    for name, text in CAUTIONS.items():
        lines += [f"- **{name}**: {text}", *_figures(CAUTION_FIGURES.get(name, ()))]
    return lines


def _check_row(check: Check) -> tuple[str, ...]:
    opened = "yes" if check.panel else "no"
    numbers = (f"{check.minutes:g}", str(check.hazard))
    return (f"`{check.name}`", check.title, check.where, check.power, opened, check.who, *numbers)


def _check(check: Check) -> Iterator[str]:
    yield from (f"## {check.name}", "", f"{check.title}.", "")
    yield from (f"{number}. {step}" for number, step in enumerate(check.steps, 1))
    yield ""
    if check.tools:
        yield f"- With: {', '.join(check.tools)}"
    if check.cautions:
        yield f"- Cautions: {', '.join(check.cautions)}"
    yield f"- Expected: {check.expected} ({check.basis}: {check.source})"
    yield from _figures(check.figures)
    for outcome in check.outcomes:
        yield f"- `{outcome.symbol}`{_range(check, outcome.symbol)}: {outcome.says}"
    yield ""


def _figures(figures: Iterable[Figure]) -> Iterator[str]:
    """Each figure of the words, with its basis and its source."""
    for figure in figures:
        yield f"    - {figure.shown}: {figure.basis}; {figure.source}"


def _range(check: Check, symbol: str) -> str:
    """The stretch of readings that is this outcome."""
    parts = []
    place = check.symbols.index(symbol)
    if check.bounds and place <= len(check.bounds):
        low = _border(check, place - 1) if place else ""
        high = _border(check, place) if place < len(check.bounds) else ""
        parts += [word for word in (f"from {low}" if low else "", f"under {high}" if high else "") if word]
    if check.over == symbol:
        parts.append("or over range" if parts else "over range")
    return f" ({' '.join(parts)})" if parts else ""


_TIMES = {
    "": "",
    "control": " of 24 V",
    "rla": "",
    "lra": "",
    "rated": "",
    "label": "",
    "run-capacitor": "",
    "line": "",
}


def _border(check: Check, place: int) -> str:
    bound = check.bounds[place]
    return f"{_number(bound.limit)}{_TIMES[bound.times]}"


# ---------------------------------------------------------------- limits


def limits_page() -> list[str]:
    """Every default number of the program with its bounds, basis and source."""
    lines = _titled(
        "Limits",
        "Every default number of the program. Those of findings are in [findings](findings.md) too, and may be set for"
        " a site.",
    )
    head = ("name", "default", "from", "to", "basis", "source")
    lines += ["## Of the program", "", *_table(head, (_limit(*item) for item in limits.single_limits().items()))]
    for group in limits.limit_groups():
        lines += [f"## {group.group_name()}", "", *_table(head, (_limit(*item) for item in group.rows().items()))]
    return lines


# ---------------------------------------------------------------- sources


_ACCESS = {
    "read": "the document was read",
    "quoted": "read where another one quotes it",
    "remembered": "from memory: confirm it before you rely on it",
}


def _stands_on(limit: Limit, row: Source) -> bool:
    """Whether a number names this row, and not another one of the same document that says what the number is."""
    others = [other.says for _, other in sources.sources() if other.cite == row.cite and other.says != row.says]
    return row.cite in limit.source and (row.says in limit.source or not any(one in limit.source for one in others))


def sources_page() -> list[str]:
    """The ledger of sources: each document, how it is known, what it says, and the numbers that stand on it."""
    lines = _titled(
        "Sources",
        "Every document that a number of the program rests on. Numbers without a document are common practice or our"
        " own choice, and say so in [limits](limits.md).",
    )
    figures = {check.name: check.figures for check in CHECKS.values()}
    figures |= {f"caution {name}": rows for name, rows in CAUTION_FIGURES.items()}
    for name, row in sources.sources():
        used = [
            key for key, limit in (limits.single_limits() | limits.tabled_limits()).items() if _stands_on(limit, row)
        ]
        used += [
            f"{limit.group}.{limit.key}"
            for group in limits.limit_groups()
            for limit in group.rows().values()
            if _stands_on(limit, row)
        ]
        used += [
            f"check {check.name}" for check in CHECKS.values() if row.text in check.source or row.says == check.source
        ]
        used += [f"{name}: {one.shown}" for name, rows in figures.items() for one in rows if row.cite in one.source]
        lines += [f"## {name}", "", f"{row.cite}: {row.says}.", "", f"- {_ACCESS[row.access]}{_looked(row)}"]
        lines += [f"- used by {_codes(used)}" if used else "- used by the circuits or the simulator"]
        lines += [f"- held by `tests/{sources.HELD_BY[name]}`" if name in sources.HELD_BY else "- held by no test", ""]
    return lines


def _looked(row: Source) -> str:
    return f" ({row.checked})" if row.checked else ""


# ---------------------------------------------------------------- states


def states_page() -> list[str]:
    """The two state machines, drawn from their transition tables."""
    lines = _titled("States")
    lines += ["## The cooling cycle", "", *_diagram(cycle.TRANSITIONS, CycleState.UNKNOWN)]
    lines += ["## The life of an alert (ISA-18.2 / IEC 62682)", "", *_diagram(alerts.TRANSITIONS, AlertState.NORMAL)]
    return lines


def _diagram(table: Mapping[State, Mapping[Signal, State]], first: State) -> Iterator[str]:
    """A Mermaid state diagram; what leaves a state as it is, is left out."""
    yield from ("```mermaid", "stateDiagram-v2", f"    [*] --> {_node(first)}")
    for state, row in table.items():
        arrows: dict[State, list[str]] = {}
        for event, target in row.items():
            if target is not state:
                arrows.setdefault(target, []).append(event.value)
        for target, events in arrows.items():
            yield f"    {_node(state)} --> {_node(target)}: {', '.join(events)}"
    yield from ("```", "")


def _node(state: StrEnum) -> str:
    return state.value.replace("-", "_")


if __name__ == "__main__":
    write()
