"""Guided checks: from a finding or a symptom, through typed readings, to what it really was.

The diagnosis itself is monitor/diagnosis/visit/session.py; here its answers are kept in the visitor's session between
requests, each reading in the history, and at the end the visit's outcome.
"""

from __future__ import annotations

from typing import Any, cast

from flask import Blueprint, abort, current_app, flash, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import AlertState, UnitStatus
from condenser_monitor.monitor.diagnosis.checks.base import CAUTIONS, Check, Who
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import SITUATIONS
from condenser_monitor.monitor.diagnosis.visit.session import (
    SYMPTOMS,
    VisitSession,
)
from condenser_monitor.monitor.storage.history import begun_visit
from condenser_monitor.monitor.strings import terms, texts, visits
from condenser_monitor.monitor.strings.translate import tr
from condenser_monitor.web import guard
from condenser_monitor.web.access import SignInTries
from condenser_monitor.web.context import PageContext, page_context
from condenser_monitor.web.template_strings import plain, t

checks = Blueprint("checks", __name__)
VISIT = "visit"
_NAMED_AT_ONCE = 4  # suspects that the page lists before the rest is unfolded


@checks.get("/checks")
def shown() -> str:
    """The diagnosis under way, or where it may begin."""
    visit = _under_way()
    if visit is None:
        return render_template(
            "checks_begin.html",
            findings=_open(page_context().look().status),
            symptoms=SYMPTOMS,
            begin=request.args.get("begin", ""),
            by=session.get("by", ""),
            technician=guard.technician(),
        )
    diagnosis = resume(page_context(), visit)
    wanted = request.args.get("check", "")
    if wanted in CHECKS and diagnosis.who != "technician" and CHECKS[wanted].who == "technician":
        wanted = ""
    check = CHECKS[wanted] if wanted in CHECKS else diagnosis.next_check()
    return render_template(
        "checks.html",
        visit=visit,
        diagnosis=diagnosis,
        verdict=diagnosis.verdict(),
        check=check,
        chosen=wanted in CHECKS,
        again_why=_again_why(diagnosis, check) if wanted not in CHECKS else "",
        offers=diagnosis.offers(),
        shown=diagnosis.shown(),
        unexplained=_unexplained(diagnosis),
        symptoms=SYMPTOMS,
        advice=visits.advice(diagnosis),
        tell=visits.read_out(diagnosis, visit["start"], page_context().history.status()),
        looks=() if diagnosis.answers else _looks(diagnosis),
        answers={
            name: visits.answer_words(name, diagnosis.typed[name], judged.outcome)
            for name, judged in diagnosis.answers.items()
        },
        cautions=CAUTIONS,
        terms=terms.of_check(check, diagnosis.suspects()[:_NAMED_AT_ONCE]),
        checks=CHECKS,
        causes=_causes(diagnosis),
        others=[name for name in SUSPECTS if name not in diagnosis.suspects()],
        by=session.get("by", ""),
    )


def _again_why(diagnosis: VisitSession, check: Check | None) -> str:
    """Why a check that was answered is proposed once more; "" where readings contradict each other, which is said so,
    and where it was not."""
    if check is None or check.name not in diagnosis.answers:
        return ""
    again = check.name in diagnosis.verdict().measure_again
    return diagnosis.answers[check.name].doubt if again else diagnosis.why_once_more(check.name)


def _unexplained(diagnosis: VisitSession) -> list[str]:
    """What has another cause than what was found, in words."""
    findings, answered = diagnosis.unexplained()
    headlines = [texts.FINDINGS[name].headline.rstrip(".") for name in findings if name in texts.FINDINGS]
    return [*headlines, *(tr(CHECKS[name].says(diagnosis.answers[name].outcome)) for name in answered)]


def _causes(diagnosis: VisitSession) -> list[str]:
    """Who of those left may be kept as the cause; a technician may keep all others too, and anybody something else."""
    left = diagnosis.suspects()
    return [*left[:_NAMED_AT_ONCE]] if diagnosis.who != "technician" else [*left]


def _looks(diagnosis: VisitSession) -> tuple[str, ...]:
    """What the first page says is safe to look at, of a finding."""
    name, recent = diagnosis.findings[0], "recent:"
    beside = [key.removeprefix(recent) for key in diagnosis.seen if key.startswith(recent)]
    called = {"call": diagnosis.seen.get("call") == "on"}
    return texts.look(name, (*diagnosis.beside, *beside), called) if name in texts.FINDINGS else ()


def _open(status: UnitStatus | None) -> list[str]:
    """The findings that a diagnosis may begin with: what stands, and what nobody has closed, also between calls."""
    if status is None:
        return []
    alerts = [alert.finding for alert in status.alerts if alert.state is not AlertState.NORMAL]
    known = [*(finding.name for finding in status.findings), *alerts]
    return [name for name in dict.fromkeys(known) if name in SITUATIONS]


def resume(found: PageContext, visit: dict[str, Any]) -> VisitSession:
    """The diagnosis as it stands: what was known at its start, and its answers.

    What the monitor sees meanwhile is left out: a technician at work pulls disconnects and lifts wires.
    """
    diagnosis = VisitSession(
        visit["findings"],
        unit=found.settings.unit,
        seen=visit["seen"],
        fitted=visit["fitted"],
        cleared=visit["cleared"],
        who=cast("Who", visit["who"]),
        features=visit.get("features"),
        beside=visit.get("beside", ()),
        values=visit.get("values"),
    )
    for name, typed in visit["answers"]:
        diagnosis.enter(name, typed)
    diagnosis.confirmed |= set(visit.get("confirmed", ()))
    diagnosis.skipped |= set(visit.get("skipped", ()))
    return diagnosis


def kept_as(diagnosis: VisitSession, begun_with: str) -> dict[str, Any]:
    """A fresh diagnosis as the visitor's session keeps it."""
    return {
        "start": begun_with,
        "who": diagnosis.who,
        "findings": list(diagnosis.findings),
        "seen": diagnosis.seen,
        "fitted": list(diagnosis.fitted),
        "cleared": diagnosis.cleared,
        "features": diagnosis.features,
        "beside": list(diagnosis.beside),
        "values": diagnosis.values,
        "answers": [list(pair) for pair in diagnosis.typed.items()],
        "confirmed": sorted(diagnosis.confirmed),
        "skipped": sorted(diagnosis.skipped),
    }


# ---------------------------------------------------------------- what a person enters


@checks.post("/checks/begin")
def begin() -> Response:
    """Begin a diagnosis."""
    origin, who = request.form.get("start", ""), request.form.get("who", "")
    if who not in ("homeowner", "technician"):
        raise CommandError("who", who[:80], "homeowner or technician")
    if who == "technician" and guard.technician() is None:
        problem = _sign_in(request.form.get("code", ""))
        if problem:
            flash(problem)
            return redirect(url_for("checks.shown", begin=origin if origin in SITUATIONS else None))
    if origin not in SITUATIONS and origin not in SYMPTOMS:
        raise CommandError("start", origin[:80], ", ".join((*SYMPTOMS, *SITUATIONS)))
    found = page_context()
    diagnosis = begun_visit(found.history, found.settings, origin, found.history.status(), cast("Who", who))
    session[VISIT] = kept_as(diagnosis, origin)
    if origin in SYMPTOMS and len(diagnosis.findings) == 1 and diagnosis.findings[0] in texts.FINDINGS:
        flash(t("begun-with-found", finding=texts.FINDINGS[diagnosis.findings[0]].headline))
    _keep_name()
    return _back()


def _sign_in(code: str) -> str:
    """Sign a technician in by the code that the owner gave out; what to say where that fails. Tries are counted."""
    tries = current_app.extensions["share_tries"]
    assert isinstance(tries, SignInTries)
    wait_s, found = tries.attempt(guard.address(), lambda: page_context().access.technician(code))
    if wait_s > 0:
        return t("too-many-codes", minutes=f"{max(1.0, wait_s / 60):.0f}")
    if found is None:
        return t("technician-code-wrong")
    session[guard.TECHNICIAN] = [found.name, found.made_wall_s]
    session["by"] = found.name
    return ""


@checks.post("/checks/answer")
def answer() -> Response:
    """Take one typed reading; what it changed is told, and it is kept in the history."""
    visit = _visit()
    name, typed = request.form.get("check", ""), request.form.get("typed", "").strip()[:60]
    diagnosis = resume(page_context(), visit)
    try:
        step = diagnosis.enter(name, typed)
    except CommandError as error:
        flash(t("not-usable", typed=typed, allowed=error.allowed))
        return redirect(url_for("checks.shown", check=name if name in CHECKS else None))
    visit["answers"] = [pair for pair in visit["answers"] if pair[0] != name] + [[name, typed]]
    visit["confirmed"] = sorted(diagnosis.confirmed)
    session[VISIT] = visit
    _keep_name()
    kept = next(r for r in diagnosis.readings(_name()) if r.check == name)
    page_context().history.add_meter_reading(kept)
    assert step.judged is not None
    flash(t("answered", title=tr(CHECKS[name].title), says=visits.answer_words(name, typed, step.judged.outcome)))
    if visit["who"] == "technician":
        for why in dict.fromkeys(step.ruled_out.values()):
            names = [texts.suspect(one) for one, reason in step.ruled_out.items() if reason == why]
            flash(t("now-ruled-out", suspects="; ".join(names), why=tr(why)))
        if step.back:
            flash(t("back-in-question", suspects="; ".join(map(texts.suspect, step.back))))
    return _back()


@checks.post("/checks/back")
def take_back() -> Response:
    """Take an answer back."""
    visit, name = _visit(), request.form.get("check", "")
    visit["answers"] = [pair for pair in visit["answers"] if pair[0] != name]
    session[VISIT] = visit
    return _back()


@checks.post("/checks/skip")
def skip() -> Response:
    """Put a check aside that cannot be made here, and go on to the next one; nothing is concluded from it."""
    visit, name = _visit(), request.form.get("check", "")
    if name not in CHECKS:
        raise CommandError("check", name[:80], "one of " + ", ".join(CHECKS))
    visit["skipped"] = sorted({*visit.get("skipped", ()), name})
    session[VISIT] = visit
    flash(t("skipped", title=tr(CHECKS[name].title)))
    return _back()


@checks.post("/checks/found")
def found_out() -> Response:
    """Keep the confirmed cause, and end the diagnosis: never by the Enter key, and never without a reading unless the
    person says that nothing was measured."""
    visit = _visit()
    diagnosis = resume(page_context(), visit)
    _keep_name()
    was, measured = request.form.get("was", ""), bool(diagnosis.answers)
    if diagnosis.who == "homeowner":
        known = measured = request.form.get("known") == "yes"
    else:
        known = measured or request.form.get("unmeasured") == "yes"
    if request.form.get("finish") != "yes" or not was or not known:
        flash(t("cause-needs-word" if diagnosis.who == "homeowner" else "cause-needs-reading"))
        return _back()
    note = request.form.get("note", "").strip()[:500]
    outcome = diagnosis.visit(was, _name(), note=note, measured=measured)
    still = request.form.get("still", "") if diagnosis.who == "technician" else ""
    following = diagnosis.go_on(was, still) if still and was in SUSPECTS else None
    page_context().history.add_visit(outcome)
    session.pop(VISIT, None)
    told = t("visit-kept", suspect=texts.suspect(was))
    if following is not None:
        session[VISIT] = kept_as(following, still)
        flash(told + " " + t("visit-goes-on"))
        return _back()
    if outcome.first_right is not None:
        told += " " + t("visit-first" if outcome.first_right else "visit-not-first")
    if _open(page_context().history.status()):
        told += " " + t("visit-then", place=url_for("alerts.listed"))
    flash(told)
    return _back()


@checks.post("/checks/drop")
def drop() -> Response:
    """End the diagnosis without a result; the readings stay in the history."""
    session.pop(VISIT, None)
    return _back()


def _visit() -> dict[str, Any]:
    visit = _under_way()
    if visit is None:
        abort(409, t("no-visit"))
    return visit


def _under_way() -> dict[str, Any] | None:
    """The visit of this device; None also for one that an earlier version of the program kept."""
    visit = session.get(VISIT)
    if visit is None or "findings" not in visit:
        return None
    # A code that was revoked opens no cabinet any more: the visit goes on as a homeowner's.
    return {**visit, "who": visit["who"] if guard.technician() is not None else "homeowner"}


def _name() -> str:
    return str(session.get("by") or plain("someone"))


def _keep_name() -> None:
    given = request.form.get("by", "").strip()[:64]
    if given:
        session["by"] = given


def _back() -> Response:
    return redirect(url_for("checks.shown"))
