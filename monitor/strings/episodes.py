"""How an episode reads in a list: terminal, report and office say the same of it. Pure."""

from __future__ import annotations

from condenser_monitor.monitor.core.records import Episode, EpisodeState, UnitStatus
from condenser_monitor.monitor.strings import texts

STATES: dict[EpisodeState, str] = {
    EpisodeState.ACTIVE: "active",
    EpisodeState.QUIET: "quiet, not known to be repaired",
    EpisodeState.REPAIRED: "said to be repaired, not yet confirmed",
    EpisodeState.OVER: "ended",
}


def headline(episode: Episode) -> str:
    """Return the sentence that people read first of it."""
    return texts.TOLD[episode.heading].headline


def beside(status: UnitStatus | None, finding: str) -> tuple[str, ...]:
    """Return the findings of the open episode that a finding belongs to."""
    known = () if status is None else status.episodes
    found = (one.findings for one in known if finding in one.findings and one.state is not EpisodeState.OVER)
    return next(found, ())


def besides(episode: Episode) -> list[str]:
    """Return what else is known of it: what belongs to it, how often it came, and what people answered."""
    others = [name for name in episode.findings if name != episode.heading]
    visit = f"; a technician comes on {episode.visit_day}" if episode.visit_day else ""
    lines = (
        (others, f"with it: {', '.join(others)}"),
        (episode.often, f"comes and goes: {episode.returns + 1} times so far"),
        (episode.answered_by, f"answered by {episode.answered_by}{visit}"),
        (episode.repaired_by, f"repaired, says {episode.repaired_by}; the next run confirms it or takes it back"),
    )
    return [line for holds, line in lines if holds]
