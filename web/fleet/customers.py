"""Customers with their premises and units: what is known of them, handed out and erased."""

from __future__ import annotations

from typing import Any

import msgspec
from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import customers as listed
from condenser_monitor.monitor.fleet import enroll, privacy, queries, tenants
from condenser_monitor.web.fleet.office_context import field, office_context, offset, viewer

customers = Blueprint("customers", __name__)


@customers.get("/customers")
def all_() -> str:
    """Customers by name; former ones on demand."""
    words, former = request.args.get("q", "")[:200], request.args.get("former") == "yes"
    with office_context().store.read() as connection:
        page = queries.customers(connection, viewer(), words, former=former, offset=offset())
    return render_template("fleet/customers.html", page=page, words=words, former=former)


@customers.get("/customer/<int(max=9223372036854775807):key>")
def one(key: int) -> str:
    """One customer: where their units are and how they do, where they lived before, and what may be changed."""
    with office_context().store.read() as connection:
        found = queries.customer(connection, viewer(), key)
        calms: dict[str, Any] = {}
        if found is not None:
            names = [row.site for row in found.sites]
            calms = queries.calms(connection, names, office_context().wall())
        lived = tenants.former_homes(connection, viewer(), key)
    if found is None:
        abort(404)
    return render_template("fleet/customer.html", customer=found, calms=calms, lived=lived)


@customers.post("/customer/<int(max=9223372036854775807):key>")
def change(key: int) -> AnyResponse:
    """Another name, telephone number or number."""
    about = dict.fromkeys(tenants.OF_CUSTOMER, "")
    about |= listed.checked({name: field(name) for name in about})
    if not about["customer"]:
        raise CommandError("customer", "", "a name")
    with office_context().store.write() as connection:
        tenants.edit_customer(connection, viewer(), key, about, office_context().wall())
    flash("Noted.")
    return redirect(url_for("customers.one", key=key))


@customers.get("/customer/<int(max=9223372036854775807):key>/export.json")
def export(key: int) -> Response:
    """Everything that is held of a customer, to hand out."""
    text = msgspec.json.format(msgspec.json.encode(privacy.export_customer(office_context().store, key)), indent=1)
    headers = {"Content-Disposition": f'attachment; filename="customer-{key}.json"'}
    return Response(text, mimetype="application/json", headers=headers)


@customers.post("/customer/<int(max=9223372036854775807):key>/erase")
def erase(key: int) -> AnyResponse:
    """Erase a customer for good; their name must be typed."""
    store, now = office_context().store, office_context().wall()
    with store.read() as connection:
        found = queries.customer(connection, viewer(), key)
    if found is None:
        abort(404)
    if field("name") != found.customer:
        raise CommandError("name", field("name"), "the customer's name, as it stands on their page")
    homes = privacy.erase_customer(store, key, by=viewer().login, now=now)
    told = enroll.update_broker(store, office_context().settings.broker) if homes else ""
    shut = f" Their monitors are shut out: {', '.join(homes)}. {told}" if homes else ""
    flash(f"Erased. Backups still hold them.{shut}")
    return redirect(url_for("customers.all_"))
