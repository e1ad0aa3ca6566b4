"""The workbench: break and mend the simulated unit with a click and watch the monitor answer. In simulation only.

A Flask blueprint that the command puts beside the status page of the same app; it knows that page only by the names of
its base template. What it changes is the simulated world; whatever the page shows of it went through the real drivers.
Good for learning: hide the causes, let somebody else break something, and find it with the ladder and the checks.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec
from flask import Blueprint, abort, redirect, render_template_string, request, url_for

from sim.causes import CAUSES, Cause
from sim.demo import Demo, story
from sim.scenario import Scenario
from sim.world import World

# What stands where in the chain, in the order in which somebody walks it.
_PLACES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "Indoors, 24 V",
        ("control-fuse-open", "transformer-burnt-out", "transformer-weak", "thermostat-dead", "float-switch-open"),
    ),
    (
        "Between the units",
        ("control-wire-cut", "control-wire-thin", "call-joint-poor", "call-splice-loose", "pressure-switch-open"),
    ),
    (
        "Contactor",
        (
            *("coil-burnt-open", "coil-lead-loose", "coil-turns-shorted"),
            *("armature-jammed", "armature-sticks", "contacts-fouled", "contacts-weld"),
        ),
    ),
    ("Line side", ("disconnect-pulled", "outage", "line-sag", "line-joint-poor", "load-lead-loose")),
    (
        "Motors",
        (
            *("run-capacitor-fades", "compressor-seizes", "protector-stuck-open", "compressor-lead-loose"),
            *("fan-seizes", "fan-capacitor-fades", "fan-lead-loose"),
        ),
    ),
    ("Refrigerant and air", ("condenser-fouls", "charge-leaks", "overcharged")),
)


class Shown(NamedTuple):
    """One cause on the bench, and whether it is broken now."""

    cause: Cause
    broken: bool


# The parts with these names are kept live by the page's own script.
_PAGE = """{% extends "base.html" %}
{% block title %}Workbench{% endblock %}
{% block body %} data-poll="1" data-lost="1000000000"{% endblock %}
{% block main %}
<div class="two">
<div>
<div id="part-say" data-mark="" role="status" aria-live="polite"></div>
<section class="card"><h2>Wiring as it stands</h2><div id="part-ladder" data-mark=""></div></section>
<div id="part-standing" data-mark=""></div>
</div>
<div>
<section class="card"><h1>Workbench</h1>
<p>This unit exists in software only. Break something, and find it by what the monitor shows.
A break takes effect at once; findings take their delays.</p>
<form method="post" action="{{ url_for('workbench.turn') }}">
<input type="hidden" name="csrf" value="{{ csrf() }}">
<p>The thermostat {{ "calls" if calls else "does not call" }}.
<button name="do" value="{{ 'rest' if calls else 'call' }}">
{{ "End the call" if calls else "Call for cooling" }}</button>
<button name="do" value="mend-all">Mend everything</button></p>
</form></section>
{% for title, rows in places %}
<section class="card"><h2>{{ title }}</h2>
<form method="post" action="{{ url_for('workbench.turn') }}">
<input type="hidden" name="csrf" value="{{ csrf() }}">
{% for row in rows %}
<p><button name="{{ 'mend' if row.broken else 'break' }}" value="{{ row.cause.name }}"
 aria-label="{{ 'Mend' if row.broken else 'Break' }}: {{ row.cause.says }}">
{{ "Mend" if row.broken else "Break" }}</button>
 {{ row.cause.says }}{% if row.broken %} <strong>(broken)</strong>{% endif %}</p>
{% endfor %}</form></section>
{% endfor %}
</div></div>
{% endblock %}"""


def scenario_for_bench() -> Scenario:
    """The demo's unit, sound, with nothing planned and no call until somebody makes one."""
    plain = story()
    plan = msgspec.structs.replace(plain.plan, causes=(), calls=())
    return msgspec.structs.replace(plain, plan=plan, duration_s=float("inf"), expect=())


def workbench(demo: Demo) -> Blueprint:
    """The bench of one running demo."""
    bench = Blueprint("workbench", __name__, url_prefix="/workbench")

    @bench.get("/")
    def bench_page() -> str:
        places = [
            (title, [Shown(CAUSES[name], demo.levels.get(name, 0.0) > 0.0) for name in names])
            for title, names in _PLACES
        ]
        return render_template_string(_PAGE, places=places, calls=demo.calls)

    @bench.post("/turn")
    def turn() -> Any:
        change = wished(request.form)
        if change is None:
            abort(400, "Nothing of the bench was named.")
        demo.wish(change)
        demo.settle()
        return redirect(url_for("workbench.bench_page"))

    return bench


def wished(form: Any) -> Any:
    """What a form asks of the world, None when it asks for nothing known."""
    breaks, mends, do = form.get("break"), form.get("mend"), form.get("do")
    if breaks in CAUSES and not CAUSES[breaks].of_sense:
        return lambda world: world.timeline.switch(breaks)
    if mends in CAUSES:
        return lambda world: _mend(world, mends)
    if do in ("call", "rest"):
        return lambda world: world.call_by_hand(do == "call")
    if do == "mend-all":
        return _mend_all
    return None


def _mend(world: World, name: str) -> None:
    world.timeline.switch(name, 0)
    world.unit.control.fuse.replace()


def _mend_all(world: World) -> None:
    world.timeline.mend_all()
    world.unit.control.fuse.replace()
