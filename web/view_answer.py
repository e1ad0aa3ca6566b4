"""Answers by one tap: what a link in a message would do, and what it did. Nothing of the unit is shown but that."""

from __future__ import annotations

from datetime import date

from flask import Blueprint, render_template, request

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import Episode, EpisodeState
from condenser_monitor.monitor.publishers.answer_links import AnswerLink, LinkSigner, request_of
from condenser_monitor.monitor.strings import texts
from condenser_monitor.monitor.strings.time_format import named_day
from condenser_monitor.web.context import page_context
from condenser_monitor.web.template_strings import plain
from condenser_monitor.web.view_alerts import put

answer = Blueprint("answer", __name__)


@answer.get("/a/<token>")
def asked(token: str) -> str | tuple[str, int]:
    """What the link would do: following it changes nothing, as services look at links in advance."""
    link = _link(token)
    return _no_longer() if link is None else _shown(link, token)


@answer.post("/a/<token>")
def given(token: str) -> str | tuple[str, int]:
    """Do it, and say what it did."""
    link = _link(token)
    if link is None:
        return _no_longer()
    if link.action == "look":
        return _shown(link, token)
    day = request.form.get("day", "") if link.action == "visit" else ""
    try:
        chosen = date.fromisoformat(day).isoformat() if day else None
    except ValueError:
        raise CommandError("day", day[:40], "a date as YYYY-MM-DD") from None
    if link.action == "visit" and chosen is None:
        return _shown(link, token, problem=plain("answer-day-missing"))
    reply = put(request_of(link, token, chosen))
    if reply is None:
        return _shown(link, token, done=plain("answer-pending"))
    if not reply.done:
        return _shown(link, token, problem=plain("answer-refused"), why=reply.why)
    return _shown(link, token, done=plain(f"answered-{link.action}", day=named_day(chosen or "")))


def _link(token: str) -> AnswerLink | None:
    """What a link says; None for one that has expired, was cut short, or is of another monitor."""
    found = page_context()
    try:
        return LinkSigner(found.history.path).read(token, found.wall())
    except CommandError:
        return None


def _no_longer() -> tuple[str, int]:
    days = round(limits.NOTIFY.link_s.value / 86400.0)
    return render_template("answer_no_longer.html", days=days), 410


def _shown(link: AnswerLink, token: str, *, done: str = "", problem: str = "", why: str = "") -> str:
    status = page_context().history.status()
    episode = next((one for one in status.episodes if link.episode in (one.id, *one.merged)), None) if status else None
    about = None if episode is None else texts.TOLD[episode.heading]
    finding = None
    if status is not None and episode is not None:
        finding = next((one for one in status.findings if one.name == episode.heading), None)
    look: tuple[str, ...] = ()
    avoid: tuple[str, ...] = ()
    if episode is not None and not _ended(episode):
        evidence = None if finding is None else finding.evidence
        look = texts.look(episode.heading, episode.findings, evidence)
        avoid = texts.avoid(episode.heading, page_context().settings.unit)
    return render_template(
        "answer.html",
        link=link,
        token=token,
        about=about,
        look=look,
        avoid=avoid,
        tell="" if finding is None else texts.read_out(finding),
        ended=_ended(episode),
        done=done,
        problem=problem,
        why=why,
    )


def _ended(episode: Episode | None) -> bool:
    return episode is None or episode.state is EpisodeState.OVER
