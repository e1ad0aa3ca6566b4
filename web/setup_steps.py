"""The set-up in steps: which settings each asks for, how a form's texts become values, and why one cannot be used.

Pure. The settings' own bounds decide (monitor/core/config.py); here they are told in words for whoever fills in a form.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, Literal, NamedTuple

from condenser_monitor.monitor.core.config import BOUNDS, NOT_WATCHED, Settings
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.core.records import Cycle
from condenser_monitor.monitor.strings.lookup import ALL, plain
from condenser_monitor.monitor.strings.texts import NAMES
from condenser_monitor.monitor.strings.time_format import clock

Kind = Literal["text", "number", "choice", "check", "sensors", "addresses", "clock", "secret", "tel", "url"]


class Field(NamedTuple):
    """One setting of a form: "table.key", how it is asked for, what may be chosen, and its unit."""

    key: str
    kind: Kind = "text"
    choices: tuple[str, ...] = ()
    unit: str = ""

    @property
    def name(self) -> str:
        """Its key in the catalogue of words: `field-...`."""
        return "field-" + self.key.partition(".")[2].replace("_", "-")

    @property
    def note(self) -> str:
        """The key of what is said under it; empty where nothing is."""
        return f"{self.name}-note" if f"{self.name}-note" in ALL else ""


class Step(NamedTuple):
    """One page of the set-up."""

    slug: str
    fields: tuple[Field, ...]


_KINDS = ("single-stage", "two-stage", "variable-speed", *NOT_WATCHED)
STEPS: tuple[Step, ...] = (
    Step(
        "name",
        (
            Field("site.name"),
            Field("web.language", "choice", ("auto", "en", "es")),
            Field("web.temperature", "choice", ("F", "C")),
            Field("web.clock", "choice", ("12", "24")),
        ),
    ),
    Step(
        "equipment",
        (
            Field("unit.kind", "choice", _KINDS),
            Field("unit.heat_pump", "check"),
            Field("unit.fan_control", "choice", ("contactor", "board")),
            Field("unit.start_kit", "check"),
            Field("unit.load_shed", "check"),
            Field("unit.contactor_poles", "choice", ("1", "2")),
            Field("unit.call_tap", "choice", ("y-terminal", "coil")),
            Field("unit.delay_on_make_s", "number", unit="s"),
            Field("unit.delay_on_break_s", "number", unit="s"),
        ),
    ),
    Step(
        "nameplate",
        (
            Field("unit.compressor_rla_a", "number", unit="A"),
            Field("unit.compressor_lra_a", "number", unit="A"),
            Field("unit.fan_fla_a", "number", unit="A"),
            Field("unit.line_v", "number", unit="V"),
            Field("unit.line_hz", "choice", ("60", "50")),
            Field("unit.run_capacitor_uf", "number", unit="µF"),
            Field("unit.run_capacitor_tolerance_pct", "number", unit="%"),
            Field("unit.refrigerant"),
            Field("unit.metering", "choice", ("unknown", "fixed", "txv")),
        ),
    ),
    Step("sensors", (Field("senses.fitted", "sensors"),)),
    Step("contractor", (Field("notify.contractor_name"), Field("notify.contractor_phone", "tel"))),
    Step(
        "phones",
        (
            Field("notify.urls", "addresses"),
            Field("notify.language", "choice", ("en", "es")),
            Field("notify.page_url", "url"),
        ),
    ),
    Step(
        "hours",
        (
            Field("notify.least", "choice", ("watch", "soon", "urgent")),
            Field("notify.quiet_from", "clock"),
            Field("notify.quiet_to", "clock"),
            Field("notify.proof_of_life", "choice", ("weekly", "daily", "off")),
        ),
    ),
    Step(
        "broker",
        (
            Field("mqtt.host"),
            Field("mqtt.port", "number"),
            Field("site.id"),
            Field("mqtt.username"),
            Field("mqtt.password_file", "secret"),
            Field("mqtt.tls", "check"),
        ),
    ),
)
BY_SLUG = {step.slug: step for step in STEPS}
_ADDRESS = re.compile(r"[a-z][a-z0-9+.-]*://\S+", re.IGNORECASE)
_LEAST_SENSORS = ("call", "compressor_a")


def after(slug: str) -> str | None:
    """Return the step after one; None after the last."""
    slugs = [*BY_SLUG]
    place = slugs.index(slug) + 1
    return slugs[place] if place < len(slugs) else None


def text_of(settings: Settings, field: Field) -> str:
    """Return a setting as its form shows it."""
    value = _value(settings, field.key)
    return f"{value:g}" if isinstance(value, float) else str(value)


def is_set(settings: Settings, field: Field) -> bool:
    """Whether there is something to say of a setting: not of what is empty, zero or unchecked."""
    return _value(settings, field.key) not in ("", 0, False, ())


def shown_value(settings: Settings, field: Field) -> str:
    """Return a setting in words, nothing of a secret in them."""
    value = _value(settings, field.key)
    if field.kind in ("addresses", "secret"):
        kept = [url.partition("://")[0] for url in value] if field.kind == "addresses" else ([value] if value else [])
        return ", ".join(kept) if field.kind == "addresses" and kept else plain("kept" if kept else "none-set")
    if field.kind == "sensors":
        return ", ".join(NAMES[name] for name in settings.fitted)
    if field.kind == "check":
        return plain("yes" if value else "no")
    if field.kind == "choice":
        return plain(f"{field.name}-{value}")
    if field.kind == "clock" and value:
        return clock(datetime.strptime(value, "%H:%M"))
    return f"{text_of(settings, field)} {field.unit}".strip() if value not in ("", 0.0) else plain("none-set")


def values_of(step: Step, form: Mapping[str, str], lists: Mapping[str, list[str]], now: Settings) -> dict[str, Any]:
    """Return the values of a form that was sent. `lists` are fields that may come several times.

    Raises FormError with the field and why its text cannot be used.
    """
    found: dict[str, Any] = {}
    for field in step.fields:
        given = form.get(field.key, "").strip()
        if field.kind == "check":
            found[field.key] = given == "yes"
        elif field.kind == "number":
            found[field.key] = _number(field, given, now)
        elif field.kind == "choice":
            found[field.key] = _chosen(field, given, now)
        elif field.kind == "sensors":
            found[field.key] = _sensors(field, lists.get(field.key, []))
        elif field.kind == "addresses":
            found[field.key] = _addresses(field, given, lists.get("remove", []), now)
        elif field.kind != "secret":
            found[field.key] = given
    return found


class FormError(Exception):
    """A field's text cannot be used: which field, and why in words."""

    def __init__(self, key: str, why: str) -> None:
        super().__init__(why)
        self.key, self.why = key, why


def refused(error: SiteError, step: Step) -> FormError:
    """Return a refusal of the settings as one of the form's field."""
    key = error.place.rpartition(": ")[2]
    known = {field.key: field for field in step.fields}
    reason = f"refused-{key.partition('.')[2].replace('_', '-')}"
    if key not in known:
        return FormError(step.fields[0].key, str(error))
    return FormError(
        key, plain(reason) if reason in ALL else plain("refused", given=error.given, allowed=error.allowed)
    )


def _value(settings: Settings, key: str) -> Any:
    table, _, name = key.partition(".")
    return getattr(getattr(settings, table), name)


def _number(field: Field, given: str, now: Settings) -> float | int:
    low, high = BOUNDS[field.key]
    try:
        value = float(given.replace(",", ".") or "nan")
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise FormError(field.key, plain("refused-number", low=f"{low:g}", high=f"{high:g}", unit=field.unit).rstrip())
    if isinstance(_value(now, field.key), int):
        if value != int(value):
            raise FormError(field.key, plain("refused-whole"))
        return int(value)
    return value


def _chosen(field: Field, given: str, now: Settings) -> Any:
    if given in NOT_WATCHED and field.key == "unit.kind":
        raise FormError(field.key, plain(f"not-watched-{given}"))
    if given not in field.choices:
        raise FormError(field.key, plain("refused-choice"))
    return int(given) if isinstance(_value(now, field.key), int) else given


def _sensors(field: Field, given: Iterable[str]) -> list[str]:
    chosen = set(given)
    found = [name for name in READINGS if name in chosen]
    if not all(name in found for name in _LEAST_SENSORS):
        raise FormError(field.key, plain("refused-sensors"))
    return found


def _addresses(field: Field, given: str, remove: Iterable[str], now: Settings) -> list[str]:
    gone = {int(place) for place in remove if place.isdigit()}
    kept = [url for place, url in enumerate(now.notify.urls) if place not in gone]
    if given and not _ADDRESS.fullmatch(given):
        raise FormError(field.key, plain("refused-address"))
    return [*kept, *([given] if given and given not in kept else [])]


def drawn(cycles: Iterable[tuple[float, Cycle]]) -> float | None:
    """Return the median current of the compressor over finished runs, A RMS; None before there are three."""
    found = sorted(one.compressor_a for _, one in cycles if one.compressor_a is not None and one.run_s >= 120.0)
    return found[len(found) // 2] if len(found) >= 3 else None
