"""The set-up in steps, each a form that stands on its own: left and taken up again, later reached from Settings."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import PROFILES, Settings
from condenser_monitor.monitor.core.errors import NotifyError, SiteError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.publishers.phone import addresses, sender
from condenser_monitor.monitor.publishers.phone_text import MessageWriter
from condenser_monitor.monitor.strings.lookup import plain
from condenser_monitor.web import guard
from condenser_monitor.web.context import PageContext, page_context
from condenser_monitor.web.setup_steps import BY_SLUG, STEPS, FormError, Step, after, drawn, refused, text_of, values_of
from condenser_monitor.web.template_strings import t

setup = Blueprint("setup", __name__)
_DAY_S = 86400.0


@setup.get("/settings/<slug>")
def shown(slug: str) -> str:
    """One step's form."""
    return _page(_step(slug))


@setup.post("/settings/<slug>")
def kept(slug: str) -> Response | tuple[str, int]:
    """Keep what was filled in and go on; what cannot be used is refused beside its field."""
    step, found = _step(slug), page_context()
    if request.form.get("skip"):
        found.page_settings.change(found.site_file, {}, by=_who(), wall_s=found.wall(), step=slug)
        return _onward(slug)
    try:
        values = values_of(step, request.form, request.form.to_dict(flat=False), found.settings)
        password = request.form.get("mqtt.password_file", "")
        if slug == "broker" and password:
            values["mqtt.password_file"] = found.page_settings.write_broker_password(password)
        follows = _follows(values, found.settings)
        found.page_settings.change(found.site_file, values | follows, by=_who(), wall_s=found.wall(), step=slug)
    except SiteError as error:
        return _page(step, refused(error, step)), 400
    except FormError as error:
        return _page(step, error), 400
    if request.form.get("test"):
        return _page(step, sent=_test(found.settings)), 200
    if follows:
        flash(t("set-with-heat-pump"))
    return _onward(slug)


def _follows(values: dict[str, Any], now: Settings) -> dict[str, Any]:
    """What a unit that is told to be a heat pump just now does by design too, where the same form leaves it as it was;
    once it is one, each setting stands for itself."""
    if not values.get("unit.heat_pump") or now.unit.heat_pump:
        return {}
    profile = {f"unit.{name}": value for name, value in PROFILES["heat-pump"].items()}
    left = {key for key in profile if values.get(key) == getattr(now.unit, key.removeprefix("unit."))}
    return {key: value for key, value in profile.items() if key in left and values[key] != value}


@setup.post("/settings/design")
def design() -> Response:
    """Keep a person's answer to what the unit seems to do by design: the setting itself, or that it is not so."""
    found = page_context()
    if not found.site_file.web.setup:
        abort(404)
    asked = {offer.name: offer for offer in found.offers(found.history.status())}
    name, answer = request.form.get("name", ""), request.form.get("answer", "")
    if name not in asked:
        abort(409, t("by-design-answered"))
    if answer not in ("yes", "no"):
        abort(400, t("refused-choice"))
    denied = tuple(dict.fromkeys((*found.settings.unit.not_by_design, name)))
    value = {asked[name].setting: asked[name].value} if answer == "yes" else {"unit.not_by_design": denied}
    found.page_settings.change(found.site_file, value, by=_who(), wall_s=found.wall())
    return redirect(url_for("settings.shown"))


def _onward(slug: str) -> Response:
    following = after(slug)
    if not request.form.get("onward"):
        return redirect(url_for("settings.shown"))
    if following is None:
        flash(t("setup-finished"))
        return redirect(url_for("pages.status"))
    return redirect(url_for("setup.shown", slug=following))


def _step(slug: str) -> Step:
    if slug not in BY_SLUG or not page_context().site_file.web.setup:
        abort(404)
    return BY_SLUG[slug]


def _who() -> str:
    """Who makes a change: the name that this session has given, else where from."""
    name = str(session.get("by", "")) or (plain("this-monitor") if guard.is_local() else plain("owner"))
    return f"{name} ({guard.address()})"


def _page(step: Step, problem: FormError | None = None, sent: tuple[tuple[str, str], ...] = ()) -> str:
    found = page_context()
    return render_template(
        "setup_step.html",
        step=step,
        steps=STEPS,
        done=found.stored_settings().steps,
        problem=problem,
        sent=sent,
        settings=found.settings,
        form=request.form if problem else {},
        text_of=text_of,
        lists=request.form.to_dict(flat=False) if problem else {},
        readings=READINGS,
        observed=_observed(found) if step.slug == "nameplate" else "",
        onward=after(step.slug),
    )


def _observed(found: PageContext) -> str:
    """What the unit draws, against the rated load that was typed in."""
    now_s, rated_a = found.wall(), found.settings.unit.compressor_rla_a
    amps = drawn(found.history.cycles(now_s - limits.WEB.observed_days.value * _DAY_S, now_s, 50))
    if amps is None:
        return plain("observed-none")
    share = amps / rated_a
    fits = limits.WEB.observed_low.value <= share <= limits.WEB.observed_high.value
    return plain(
        "observed-fits" if fits else "observed-wrong", amps=f"{amps:.1f}", rated=f"{rated_a:g}", share=f"{share:.0%}"
    )


def _test(settings: Settings) -> tuple[tuple[str, str], ...]:
    """Send a test message to each address; what became of each, without what is secret in it."""
    results = []
    try:
        told = addresses(settings.notify)
    except SiteError as error:
        return ((plain("phone-addresses"), str(error)),)
    for person, url in told:
        try:
            sender(url)(MessageWriter(settings, person=person).trial())
        except NotifyError as error:
            results.append((url.partition("://")[0], plain("test-refused", why=error.given)))
        else:
            results.append((url.partition("://")[0], plain("test-sent")))
    return tuple(results)
