"""What the terminal shows, as lines of plain text: the unit at a glance, what changed, the catalogues. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import tzinfo

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import Settings, Unit
from condenser_monitor.monitor.core.errors import CommandError, shown
from condenser_monitor.monitor.core.findings import CATALOGUE as FINDINGS
from condenser_monitor.monitor.core.readings import READINGS, SHOWN
from condenser_monitor.monitor.core.records import (
    AlertState,
    Change,
    Diagnosed,
    Finding,
    LinkState,
    LinkView,
    UnitStatus,
    stated,
)
from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import SITUATIONS
from condenser_monitor.monitor.diagnosis.visit.dialogue import POWER, permitted
from condenser_monitor.monitor.storage.models import Health, OwnFault
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.calm import Calm, sentence, short
from condenser_monitor.monitor.strings.episodes import beside

_SIGNS = {LinkState.LIVE: "[#]", LinkState.DEAD: "[ ]", LinkState.UNKNOWN: "[?]"}


# ---------------------------------------------------------------- the unit at a glance


def look(
    status: UnitStatus | None, age_s: float | None, settings: Settings, found: Calm, zone: tzinfo | None = None
) -> list[str]:
    """The unit at a glance: `found` in words, the chain, the active problems, what to do. A status too old is shown as
    what it is: not known."""
    if status is None or age_s is None:
        return [sentence(found)]
    blind = not found.of_now
    lines = [f"{status.name}: {'not known' if blind else texts.state(status.cycle)}{_as_of(status, zone)}"]
    if blind:
        lines.append(
            f"The monitor isn't receiving readings: the last one is {texts.span(age_s)} old. The unit may be fine."
        )
    lines += [_link(view, status, blind=blind) for view in status.links]
    if "outdoor_c" in status.readings and not blind:
        lines.append(f"  outdoors {_heat(status, settings)}")
    if not status.findings or blind:
        lines += ["", sentence(found, status.cycle)]
    for finding in status.findings:
        lines += ["", *about(finding, settings.unit, zone, beside(status, finding.name))]
    for offer in status.offers:
        lines += ["", f"{offer.question} If so, write {offer.site_line} in the site file."]
    return [*lines, *_alerts(status, zone)]


def _as_of(status: UnitStatus, zone: tzinfo | None) -> str:
    return "" if status.wall_s is None else f", {time_format.moment(status.wall_s, None, zone)}"


def _heat(status: UnitStatus, settings: Settings) -> str:
    outdoor_c = status.readings["outdoor_c"]
    if outdoor_c is None:
        return "not known"
    scale = settings.web.temperature
    uncertain_k = status.uncertainty.get("outdoor_c")
    about = "" if uncertain_k is None else f" ± {uncertain_k * (1.8 if scale == 'F' else 1.0):.1f} °{scale}"
    return time_format.degrees(float(outdoor_c), scale) + about


def _link(view: LinkView, status: UnitStatus, *, blind: bool) -> str:
    state = LinkState.UNKNOWN if blind else view.state
    title = texts.LINKS[view.name].title
    reading = next(iter(SHOWN.get(view.name, ())), "")
    value = status.readings.get(reading)
    measured = "" if value is None or blind else _measured(reading, value, status)
    marks = " (inferred)" if view.inferred and not blind else ""
    marks += "  <-- the break" if view.name == status.break_at and not blind else ""
    return f"  {_SIGNS[state]} {title:<15} {link_words(view, state):<11} {measured:>8}{marks}".rstrip()


def _measured(reading: str, value: float, status: UnitStatus) -> str:
    """A number with its uncertainty, where that is known."""
    uncertain = status.uncertainty.get(reading)
    return texts.value_words(reading, value) if uncertain is None else stated(value, uncertain, READINGS[reading].unit)


def link_words(view: LinkView, state: LinkState) -> str:
    """A link's state in words."""
    if state is LinkState.UNKNOWN:
        return texts.WORDS["not-sensed" if view.sense is None else "no-reading"]
    link = texts.LINKS[view.name]
    return link.live if state is LinkState.LIVE else link.dead


def about(finding: Finding, unit: Unit, zone: tzinfo | None = None, behind: Collection[str] = ()) -> list[str]:
    """One finding that stands: what it is, what to do, who is suspected, what is safe, what to say."""
    text = texts.FINDINGS[finding.name]
    severity = texts.WORDS[f"severity-{finding.severity.value}"].upper()
    since = "" if finding.raised_wall_s is None else f", since {time_format.moment(finding.raised_wall_s, None, zone)}"
    lines = [f"{severity}: {text.headline} ({finding.name}{since})", f"  {text.means}", f"  {text.do}"]
    if finding.suspects:
        lines += ["  Suspected, the likeliest first:", *(f"    {texts.suspect(name)}" for name in finding.suspects)]
    if finding.ruled_out:
        lines += ["  Ruled out:", *(f"    {texts.suspect(name)}: {why}" for name, why in finding.ruled_out.items())]
    if finding.wanted_senses:
        names = ", ".join(texts.NAMES.get(name, name) for name in finding.wanted_senses)
        lines.append(f"  Not sensed, and would narrow it further: {names}")
    lines += [
        "  Safe to look at, without tools:",
        *(f"    - {row}" for row in texts.look(finding.name, behind, finding.evidence)),
    ]
    lines += ["  Do not touch:", *(f"    - {row}" for row in texts.avoid(finding.name, unit))]
    return [*lines, "  Read this to the technician:", f"    “{texts.read_out(finding)}”"]


def _alerts(status: UnitStatus, zone: tzinfo | None) -> Iterator[str]:
    told = [alert for alert in status.alerts if alert.state is not AlertState.NORMAL]
    if told:
        yield ""
    for alert in told:
        state = texts.WORDS[f"alert-{alert.state.value}"]
        snoozed = alert.state is AlertState.SHELVED  # by whom is not who acknowledged it
        by = f" by {shown(alert.acked_by)}" if alert.acked_by and not snoozed else ""
        shelved_s = alert.shelved_until_wall_s
        ends = "" if shelved_s is None else f" until {time_format.moment(shelved_s, None, zone)}"
        yield f"  alert {alert.finding}: {state}{by}{ends}"
    if status.service_until_wall_s is not None:
        until = time_format.moment(status.service_until_wall_s, None, zone)
        yield f"  Service mode until {until}: nobody is told of anything."


def own_fault(one: OwnFault) -> str:
    """One part of the program that has failed, and when."""
    often = "once" if one.times == 1 else f"{one.times} times"
    when = time_format.moment(one.last_wall_s, None)
    return f"a fault of its own in {one.part}, {often}, last {when}: {shown(one.error)}; the log has more"


def troubles(health: Health) -> list[str]:
    """What is wrong with the monitor itself; empty when nothing is."""
    lines = [f"disk: {health.disk_error}"] if health.disk_error else []
    lines += [f"no reading of {texts.NAMES.get(name, name)}: {why}" for name, why in sorted(health.faults.items())]
    lines += [f"{name}: {one.error}" for name, one in sorted(health.publishers.items()) if one.error]
    lines += [f"{name}: {said}" for name, said in sorted(health.notes.items()) if said]
    lines += [own_fault(one) for one in health.own_faults]
    return ["", "The monitor itself:", *(f"  {line}" for line in lines)] if lines else []


# ---------------------------------------------------------------- what changed


def changed(before: UnitStatus, after: UnitStatus) -> list[str]:
    """What is different between two looks, one line each: links, cycle, findings."""
    lines = []
    if before.cycle is not after.cycle:
        lines.append(f"the unit is {texts.state(after.cycle)}")
    was = {view.name: view for view in before.links}
    for view in after.links:
        if view.name in was and view.state is not was[view.name].state:
            reading = next(iter(SHOWN.get(view.name, ())), "")
            measured = after.readings.get(reading)
            value = "" if measured is None else f", {texts.value_words(reading, measured)}"
            lines.append(f"{texts.LINKS[view.name].title}: {link_words(view, view.state)}{value}")
    return [*lines, *_findings_changed(before, after)]


def _findings_changed(before: UnitStatus, after: UnitStatus) -> Iterator[str]:
    old = {finding.name: finding for finding in before.findings}
    new = {finding.name: finding for finding in after.findings}
    for name, finding in new.items():
        if name not in old:
            suspected = f" Suspected first: {texts.suspect(finding.suspects[0])}." if finding.suspects else ""
            yield f"{finding.severity.value.upper()} {name}: {texts.FINDINGS[name].headline}{suspected}"
        elif finding.suspects != old[name].suspects:
            yield f"{name}: now suspected: " + ", ".join(texts.suspect(one) for one in finding.suspects)
    yield from (f"over: {name}" for name in old if name not in new)


def beat(status: UnitStatus, settings: Settings, found: Calm) -> str:
    """The unit in one short line, for a terminal that is looked at now and then."""
    parts = [texts.state(status.cycle)]
    for name in ("compressor_a", "fan_a", "control_v"):
        value = status.readings.get(name)
        if value is not None:
            parts.append(f"{texts.NAMES[name].split()[0]} {texts.value_words(name, value)}")
    if status.readings.get("outdoor_c") is not None:
        parts.append(_heat(status, settings))
    parts.append(short(found))
    return ", ".join(parts)


# ---------------------------------------------------------------- the catalogues


def change_line(change: Change | Diagnosed) -> str:
    """A change of a finding or of the diagnosis in one line, with the time of the recording or simulation, s."""
    if isinstance(change, Diagnosed):
        shares = ", ".join(f"{name} {share:.0%}" for name, share in change.suspects)
        return f"{change.t_s:>10.1f} s  {change.change:<9} {change.summary} ({shares})"
    suspects = f" Suspects: {', '.join(change.suspects)}." if change.suspects else ""
    return f"{change.t_s:>10.1f} s  {change.change:<8} {change.finding} ({change.severity}). {change.summary}{suspects}"


def names() -> Mapping[str, Iterable[str]]:
    """Everything that can be explained, by kind."""
    return {"findings": FINDINGS, "suspects": SUSPECTS, "checks": CHECKS}


def explain(name: str, unit: Unit) -> list[str]:
    """What a finding, a suspect or a check is, with its cautions. Raises CommandError for an unknown name."""
    for table, made in ((FINDINGS, _finding), (SUSPECTS, _suspect), (CHECKS, _check)):
        if name in table:
            return list(made(name, unit))
    near = [known for kind in names().values() for known in kind if name and (name in known or known in name)]
    raise CommandError("explain", name, ", ".join(near or [known for kind in names().values() for known in kind]))


def _finding(name: str, unit: Unit) -> Iterator[str]:
    row, text = FINDINGS[name], texts.FINDINGS[name]
    yield f"{name}: a finding, {texts.WORDS[f'severity-{row.severity.value}'].lower()}"
    yield from (f"  {row.summary}", f"  {text.means}", f"  {text.do}")
    if row.parents:
        yield "  Not told while one of these stands, as it follows from them: " + ", ".join(row.parents)
    yield "Suspects, the most usual first:"
    suspects = dict.fromkeys(cause.suspect for cause in SITUATIONS[name].causes)
    yield from (f"  {suspect:<25} {texts.suspect(suspect)}" for suspect in suspects)
    yield from ("Safe to look at, without tools:", *(f"  - {line}" for line in texts.look(name)))
    yield from ("Do not touch:", *(f"  - {line}" for line in texts.avoid(name, unit)))
    yield "Its numbers, changed in the site file under [limits." + name + "]:"
    for key, limit in limits.FINDINGS[name].rows().items():
        value = f"{limit.value:g} {limit.unit}".removesuffix(" 1")
        yield f"  {key} = {value} ({limit.low:g} to {limit.high:g}; {limit.basis}: {limit.source})"


def _suspect(name: str, unit: Unit) -> Iterator[str]:
    suspect = SUSPECTS[name]
    yield f"{name}: a suspect: {suspect.title}"
    yield f"  part: {suspect.part}"
    yield f"  repair: {suspect.repair}"
    where = [found for found, row in SITUATIONS.items() if name in {cause.suspect for cause in row.causes}]
    yield "  suspected in: " + ", ".join(where)
    cautions: dict[str, None] = {}
    for check, expected in suspect.meter.items():
        usual = " or ".join(sorted(expected.usual)) or "no news"
        yield f"  check {check}: {CHECKS[check].title}: then shows {usual}"
        cautions |= dict.fromkeys(CHECKS[check].cautions)
    yield from _cautions(cautions, unit)


def _check(name: str, unit: Unit) -> Iterator[str]:
    check = CHECKS[name]
    yield f"{name}: a check: {check.title}"
    yield f"  {check.where}; {POWER[check.power]}; {permitted(check)}; about {check.minutes:g} min"
    if check.tools:
        yield "  with: " + ", ".join(check.tools)
    yield from _cautions(check.cautions, unit)
    yield from (f"  {number}. {step}" for number, step in enumerate(check.steps, 1))
    yield f"  a sound part shows: {check.expected} ({check.basis}: {check.source})"
    yield from (f"  {outcome.symbol}: {outcome.says}" for outcome in check.outcomes)


def _cautions(names_: Iterable[str], unit: Unit) -> Iterator[str]:
    yield from (f"  ! {CAUTIONS[one]}" for one in names_ if one != "one-pole" or unit.contactor_poles == 1)
