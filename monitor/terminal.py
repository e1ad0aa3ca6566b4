"""What the terminal shows: the unit at one look, and explanations out of the catalogues. Text in lines, no I/O."""

from __future__ import annotations

import sys

from monitor import texts
from monitor.checks import CHECKS
from monitor.checks_base import CAUTIONS
from monitor.config import Unit
from monitor.errors import CommandError
from monitor.findings import CATALOGUE as FINDINGS
from monitor.links import CHAIN
from monitor.records import Finding, LinkState, UnitStatus
from monitor.suspects_table import SUSPECTS

_SIGNS = {LinkState.LIVE: "[#]", LinkState.DEAD: "[ ]", LinkState.UNKNOWN: "[?]"}


def status_lines(status: UnitStatus | None, age_s: float | None, stale_s: float, unit: Unit) -> list[str]:
    """The unit at one look: the chain, what stands, what to do. A status too old is shown as what it is: not known."""
    if status is None or age_s is None:
        return ["Nothing has been seen of the unit yet."]
    blind = age_s > stale_s
    lines = [f"{status.name}: {status.cycle if not blind else 'not known'}"]
    if blind:
        lines.append(
            f"The monitor is blind: its last scan is {texts.span(age_s)} old. What follows is not the state now."
        )
    titles = {link.name: link.title for link in CHAIN}
    for view in status.links:
        state = LinkState.UNKNOWN if blind else view.state
        marks = (" (inferred)" if view.inferred else "") + ("  <-- the break" if view.name == status.break_at else "")
        lines.append(f"  {_SIGNS[state]} {titles[view.name]}: {state}{marks}")
    if not status.findings:
        lines.append("Nothing stands." if not blind else "")
    for finding in status.findings:
        lines += finding_lines(finding, unit)
    return [line for line in lines if line]


def finding_lines(finding: Finding, unit: Unit) -> list[str]:
    """One finding: what it is, suspects in order, what was ruled out, what is safe, what to say."""
    lines = ["", f"{finding.severity.upper()}  {finding.name}: {finding.summary}"]
    lines.append("  suspects: " + (", ".join(finding.suspects) or "none"))
    lines += [f"  ruled out: {name}: {why}" for name, why in finding.ruled_out.items()]
    if finding.wanted_senses:
        lines.append("  would tell more: " + ", ".join(finding.wanted_senses))
    lines += [f"  safe to look at: {text}" for text in texts.look(finding.name)]
    lines += [f"  do not touch: {text}" for text in texts.avoid(finding.name, unit)]
    lines.append(f"  for the technician: {texts.tell(finding)}")
    return lines


def explain(name: str, unit: Unit) -> list[str]:
    """What a finding, a suspect or a check is, with its cautions. Raises CommandError for an unknown name."""
    if name in FINDINGS:
        return _explain_finding(name, unit)
    if name in SUSPECTS:
        suspect = SUSPECTS[name]
        return [f"{name} (suspect): {suspect.title}", f"part: {suspect.part}", f"what mends it: {suspect.mend}"]
    if name in CHECKS:
        return _explain_check(name)
    raise CommandError("explain", name, ", ".join((*FINDINGS, *SUSPECTS, *CHECKS)))


def _explain_finding(name: str, unit: Unit) -> list[str]:
    row = FINDINGS[name]
    lines = [f"{name} (finding, {row.severity}): {row.summary}"]
    if row.parents:
        lines.append("not told while one of these stands: " + ", ".join(row.parents))
    lines += [f"safe to look at: {text}" for text in texts.look(name)]
    lines += [f"do not touch: {text}" for text in texts.avoid(name, unit)]
    return lines


def _explain_check(name: str) -> list[str]:
    check = CHECKS[name]
    lines = [f"{name} (check): {check.title}", f"power: {check.power}; who may: {check.who}"]
    lines += [f"{place}. {step}" for place, step in enumerate(check.steps, 1)]
    lines.append(f"a sound part shows: {check.expected} ({check.basis}: {check.source})")
    return [*lines, *(f"caution: {CAUTIONS[caution]}" for caution in check.cautions)]


def ask(prompt: str = "> ") -> str | None:
    """One line from whoever sits at the terminal; None at the end of input."""
    print(prompt, end="", flush=True)
    line = sys.stdin.readline()
    return line.rstrip("\n") if line else None
