"""How an episode reads in a list: terminal, report and office say the same of it. Pure."""

from __future__ import annotations

from condenser_monitor.monitor.core.records import Episode, EpisodeState, UnitStatus
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.monitor.strings.translate import Texts, mark, tr

_STATES = Texts(
    {
        EpisodeState.ACTIVE: mark("active"),
        EpisodeState.QUIET: mark("quiet, not known to be repaired"),
        EpisodeState.REPAIRED: mark("said to be repaired, not yet confirmed"),
        EpisodeState.OVER: mark("ended"),
    }
)
_MEANT = mark("no call by intent")
_WITH = mark("with it: {others}")
_OFTEN = mark("comes and goes: {times} times so far")
_ANSWERED = mark("answered by {who}")
_VISIT = mark("a technician comes on {day}")
_REPAIRED = mark("repaired, says {who}; the next run confirms it or takes it back")
_INTENDED = mark("no call by intent, says {who}; the next call takes it back")


def stands(episode: Episode) -> str:
    """Return how it stands, in a few words."""
    return tr(_MEANT) if episode.intended_by is not None else _STATES[episode.state]


def headline(episode: Episode) -> str:
    """Return the sentence that people read first of it."""
    return _headline(episode.heading)


def _headline(finding: str) -> str:
    """A finding's; the name of one that this version does not know."""
    return texts.TOLD[finding].headline if finding in texts.TOLD else f"{texts.capital(finding.replace('-', ' '))}."


def beside(status: UnitStatus | None, finding: str) -> tuple[str, ...]:
    """Return the findings of the open episode that a finding belongs to."""
    known = () if status is None else status.episodes
    found = (one.findings for one in known if finding in one.findings and one.state is not EpisodeState.OVER)
    return next(found, ())


def besides(episode: Episode) -> list[str]:
    """Return what else is known of it: what belongs to it, how often it came, and what people answered."""
    others = [_headline(name).rstrip(".") for name in episode.findings if name != episode.heading]
    visit = f"; {tr(_VISIT).format(day=time_format.named_day(episode.visit_day))}" if episode.visit_day else ""
    lines = (
        (others, tr(_WITH).format(others="; ".join(others))),
        (episode.often, tr(_OFTEN).format(times=episode.returns + 1)),
        (episode.answered_by, tr(_ANSWERED).format(who=episode.answered_by) + visit),
        (episode.repaired_by and episode.state is not EpisodeState.OVER, tr(_REPAIRED).format(who=episode.repaired_by)),
        (episode.intended_by, tr(_INTENDED).format(who=episode.intended_by)),
    )
    return [line for holds, line in lines if holds]
