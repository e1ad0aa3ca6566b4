"""The workbench: break and mend the simulated unit with a click, look, measure, guess. In simulation only.

A Flask blueprint that the command puts beside the status page of the same app; it knows that page by the names of its
base template, its parts and its guided checks only. What it changes is the simulated world; whatever the page shows of
that went through the real drivers. For learning, a part is broken that the page does not name: it is to be found by the
ladder, the guided checks and the meter of sim/meter_model.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import Any, NamedTuple

import msgspec
from flask import Blueprint, abort, current_app, flash, redirect, render_template, request, url_for
from markupsafe import Markup

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.diagnosis.checks.base import Check
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.sim.causes import CAUSES
from condenser_monitor.sim.demo import Demo, story
from condenser_monitor.sim.meter_model import shows
from condenser_monitor.sim.scenario import Scenario
from condenser_monitor.sim.world import World

FAST = 10.0  # ours: simulated seconds per second that a small machine still keeps up with
SHOWN_LOOKS = 8
PARTS = ("say", "ladder", "figures", "standing")  # of the status page, kept live by its script

# What stands where in the chain, in the order in which somebody walks it. A name with "/" breaks the sense behind it.
PLACES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "Indoors, 24 V",
        (
            *("transformer-burnt-out", "transformer-weak", "control-fuse-open"),
            *("thermostat-dead", "thermostat-stuck-on", "float-switch-open"),
        ),
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
        "Compressor",
        (
            *("compressor-lead-loose", "run-capacitor-fades", "dual-capacitor-fades", "compressor-seizes"),
            *("protector-stuck-open", "run-winding-opens", "start-winding-opens", "common-winding-opens"),
        ),
    ),
    ("Fan", ("fan-lead-loose", "fan-capacitor-fades", "fan-winding-opens", "fan-seizes")),
    ("Refrigerant and air", ("condenser-fouls", "charge-leaks", "overcharged")),
    (
        "The monitor's own senses",
        ("sense-unplugged/compressor_a", "sense-unplugged/control_v", "sense-stuck/load", "sense-drifts/compressor_a"),
    ),
)
# What is broken for a learner: it shows within minutes of a call, and looks or a meter tell it from all others here.
EXERCISES = (
    *("transformer-burnt-out", "transformer-weak", "control-fuse-open", "float-switch-open", "control-wire-cut"),
    *("call-joint-poor", "call-splice-loose", "pressure-switch-open", "coil-burnt-open", "coil-lead-loose"),
    *("coil-turns-shorted", "armature-jammed", "contacts-fouled", "disconnect-pulled", "load-lead-loose"),
    *("compressor-lead-loose", "run-capacitor-fades", "compressor-seizes", "protector-stuck-open"),
    *("run-winding-opens", "start-winding-opens", "fan-lead-loose", "fan-capacitor-fades", "fan-winding-opens"),
    "fan-seizes",
)


class Shown(NamedTuple):
    """One part on the bench: its key in forms, what its break is called, whether it is broken, and whether it may be
    what is hidden in an exercise."""

    key: str
    says: str
    broken: bool
    hidden: bool


class Look(NamedTuple):
    """One look of the learner: the check, what it showed, and whether the thermostat called then."""

    name: str
    title: str
    power: str
    shown: str
    called: bool


class Search(NamedTuple):
    """An exercise under way: the cause that is hidden, and the last guess."""

    cause: str
    guessed: str = ""


class WorkbenchScore(NamedTuple):
    """What the learner has done since the bench was opened."""

    tried: int = 0
    found: int = 0
    looks: int = 0
    wrong: int = 0


class Bench:
    """The bench of one running demo and one learner."""

    def __init__(self, demo: Demo, seed: int | None = None) -> None:
        self.demo = demo
        self._rng = Random(seed)
        self._to_come: list[str] = []
        self.calls = self.fast = False
        self.search: Search | None = None
        self.score = WorkbenchScore()
        self.looks: list[Look] = []
        self.opened = ""

    def turn(self, form: Any) -> str:
        """Do what a form asks; what was done, in words. Raises CommandError when it asks for nothing known."""
        change = wished(form)
        if change is None and form.get("do") not in ("slow", "fast"):
            raise CommandError("bench", dict(form), "a part to break or mend, or a switch of the bench")
        if change is not None:
            self.demo.ask(change)
        return self._noted(form)

    def _noted(self, form: Any) -> str:
        for field, done in (("break", "Broken"), ("mend", "Mended")):  # in the order of `wished`
            if (key := form.get(field)) in _KEYS:
                self.opened = next(title for title, keys in PLACES if key in keys)
                return f"{done}: {says(key)}"
        do = form["do"]
        if do in ("call", "rest"):
            self.calls = do == "call"
            return "The thermostat calls." if self.calls else "The thermostat no longer calls."
        if do in ("slow", "fast"):
            self.fast = do == "fast"
            self.demo.pace(FAST if self.fast else 1.0)
            return "Time goes ten times as fast." if self.fast else "Time goes as it is."
        self.search = None
        return "Everything is mended."

    def look(self, name: str) -> Look:
        """Make one check in the simulated unit. Raises CommandError for one that does not exist."""
        if name not in CHECKS:
            raise CommandError("check", name, "one of " + ", ".join(CHECKS))
        check = CHECKS[name]
        text = self.demo.ask(lambda world: shows(name, world))
        if text is None:
            raise CommandError("check", name, "a unit that is running; try again")
        seen = check.says(text) if check.quantity == "eye" else text
        found = Look(name, check.title, check.power, seen, self.calls)
        self.looks = [found, *self.looks][:SHOWN_LOOKS]
        if self.search is not None:
            self.score = self.score._replace(looks=self.score.looks + 1)
        return found

    def hide(self) -> None:
        """Break a part that is not told, in a unit otherwise sound and called."""
        if not self._to_come:
            self._to_come = self._rng.sample(EXERCISES, len(EXERCISES))
        cause = self._to_come.pop()

        def change(world: World) -> None:
            _mend_all(world)
            world.call_by_hand(True)
            world.timeline.switch(cause)

        self.demo.ask(change)
        self.calls, self.looks, self.search = True, [], Search(cause)
        self.score = self.score._replace(tried=self.score.tried + 1)

    def guess(self, key: str) -> bool:
        """Whether that is it; the exercise is then over, and the part stays broken until it is mended."""
        if self.search is None:
            raise CommandError("guess", key, "an exercise under way")
        if key != self.search.cause:
            self.search = self.search._replace(guessed=key)
            self.score = self.score._replace(wrong=self.score.wrong + 1)
            return False
        self.search = None
        self.score = self.score._replace(found=self.score.found + 1)
        return True

    def give_up(self) -> str:
        """What it was; the exercise is over. "" where there is none."""
        search, self.search = self.search, None
        return "" if search is None else search.cause


def says(key: str) -> str:
    """A break in words; a sense's with the reading that it is of."""
    name, _, sense = key.partition("/")
    plain = CAUSES[name].says
    return f"{plain.removesuffix('.')}: {READINGS[sense].meaning}." if sense else plain


def _shown(broken: frozenset[tuple[str, str]]) -> Iterator[tuple[str, list[Shown]]]:
    for title, keys in PLACES:
        yield title, [Shown(key, says(key), _pair(key) in broken, key in EXERCISES) for key in keys]


def _pair(key: str) -> tuple[str, str]:
    name, _, sense = key.partition("/")
    return name, sense


def _checks() -> list[tuple[str, list[Check]]]:
    places = dict.fromkeys(check.where for check in CHECKS.values())
    return [(place, [check for check in CHECKS.values() if check.where == place]) for place in places]


def scenario_for_bench() -> Scenario:
    """The demo's unit, sound, with nothing planned and no call until somebody makes one."""
    plain = story()
    plan = msgspec.structs.replace(plain.plan, causes=(), calls=())
    return msgspec.structs.replace(plain, plan=plan, duration_s=float("inf"), expect=())


# ---------------------------------------------------------------- what a form asks of the world


_KEYS = frozenset(key for _, keys in PLACES for key in keys)


def wished(form: Any) -> Any:
    """The change of the world that a form asks for; None when it asks for nothing known."""
    breaks, mends, do = form.get("break"), form.get("mend"), form.get("do")
    if breaks in _KEYS:
        name, sense = _pair(breaks)
        return lambda world: world.timeline.switch(name, sense=sense)
    if mends in _KEYS:
        return lambda world: _mend(world, mends)
    if do in ("call", "rest"):
        return lambda world: world.call_by_hand(do == "call")
    if do == "mend-all":
        return _mend_all
    return None


def _mend(world: World, key: str) -> None:
    name, sense = _pair(key)
    world.timeline.switch(name, 0, sense)
    world.unit.serviced(world.outdoor_c)


def _mend_all(world: World) -> None:
    world.timeline.mend_all()
    world.unit.serviced(world.outdoor_c)


# ---------------------------------------------------------------- the page


def workbench(demo: Demo, seed: int | None = None) -> Blueprint:
    """The bench of one running demo; `seed` makes the exercises come in the same order."""
    pages = Blueprint(
        "workbench", __name__, url_prefix="/workbench", template_folder="templates", static_folder="static"
    )
    bench = Bench(demo, seed)

    @pages.get("/")
    def shown() -> str:
        part = current_app.view_functions["pages.part"]
        return render_template(
            "bench.html",
            parts={name: Markup(part(name=name)) for name in PARTS},  # noqa: S704 - the status page's own parts
            places=list(_shown(demo.broken)),
            checks=_checks(),
            calls=bench.calls,
            fast=bench.fast,
            search=bench.search,
            score=bench.score,
            looked=bench.looks,
            opened=bench.opened,
        )

    @pages.post("/turn")
    def turn() -> Any:
        try:
            flash(bench.turn(request.form))
        except CommandError as error:
            abort(400, str(error))
        return redirect(url_for("workbench.shown"))

    @pages.post("/look")
    def look() -> Any:
        try:
            bench.look(request.form.get("check", ""))
        except CommandError as error:
            abort(400, str(error))
        return redirect(url_for("workbench.shown", _anchor="h-meter"))

    @pages.post("/hide")
    def hide() -> Any:
        bench.hide()
        return redirect(url_for("workbench.shown"))

    @pages.post("/guess")
    def guess() -> Any:
        key = request.form.get("guess", "")
        if bench.search is None or key not in EXERCISES:
            abort(400, "There is nothing to guess, or that is no part of the bench.")
        right = bench.guess(key)
        flash(f"Right. {says(key)} Mend it below." if right else f"No, that is not it: {says(key)}")
        return redirect(url_for("workbench.shown"))

    @pages.post("/show")
    def give_up() -> Any:
        was = bench.give_up()
        if was:
            flash(f"It was this: {says(was)}")
        return redirect(url_for("workbench.shown"))

    return pages
