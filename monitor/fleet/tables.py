"""The fleet's database as tables: one description for PostgreSQL and SQLite.

Instants are seconds since 1970-01-01T00:00:00Z (`_at` in the name), as everywhere in the program; days are dates in
the office's time zone as text (`2026-07-14`). `events` and `cycles` grow for ever: on PostgreSQL they are partitioned
by the month of `at` (see retention.py), and nothing but their own site, origin, number and instant makes a row unique.
Columns named `body`, `suspects`, `evidence` and `books` hold JSON as the text that came or went; only cold tables use
a JSON type.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import JSONB

JSON_ = sa.JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")
KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")  # SQLite numbers only INTEGER keys by itself
AT = sa.Double
MONTHLY = ("events", "cycles")

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _site(*, primary_key: bool = False, checked: bool = True) -> sa.Column[int]:
    """`checked` false: no foreign key where millions of rows come in. Their site is read, locked, in the same
    transaction, and no row of `sites` is ever deleted."""
    key = [sa.ForeignKey("sites.id")] if checked else []
    return sa.Column("site_id", KEY, *key, primary_key=primary_key, nullable=False, autoincrement=False)


def _branch() -> sa.Column[str]:
    """A branch of the company; "": of a site, none; of a person or program, all of them."""
    return sa.Column("branch", sa.Text, nullable=False, server_default="")


# ---------------------------------------------------------------- people

users = sa.Table(
    "users",
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("login", sa.Text, nullable=False, unique=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("password_hash", sa.Text, nullable=False),
    sa.Column("active", sa.Boolean, nullable=False),
    sa.Column("made_at", AT, nullable=False),
    _branch(),
)

sessions = sa.Table(
    "sessions",
    metadata,
    sa.Column("token_hash", sa.Text, primary_key=True),
    sa.Column("user_id", KEY, sa.ForeignKey("users.id"), nullable=False, index=True),
    sa.Column("form_token", sa.Text, nullable=False),
    sa.Column("made_at", AT, nullable=False),
    sa.Column("used_at", AT, nullable=False),
)

login_failures = sa.Table(
    "login_failures",
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("subject", sa.Text, nullable=False),  # `login:NAME` or `from:ADDRESS`
    sa.Column("at", AT, nullable=False),
    sa.Index(None, "subject", "at"),
)

audit = sa.Table(
    "audit",
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("at", AT, nullable=False, index=True),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("did", sa.Text, nullable=False),
    sa.Column("what", sa.Text, nullable=False),
    sa.Column("detail", JSON_),
)

# ---------------------------------------------------------------- sites and what is known of them now

customers = sa.Table(
    "customers",  # people: who calls, and whom a report is handed to
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("number", sa.Text, unique=True),  # the office's own, where it has one
    sa.Column("name", sa.Text, nullable=False, server_default=""),
    sa.Column("phone", sa.Text, nullable=False, server_default=""),
    sa.Index(None, "name"),
)

premises = sa.Table(
    "premises",  # a house or shop; its units are sites
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("name", sa.Text, nullable=False, server_default=""),  # "": of one unit, that needs no name
    sa.Column("address", sa.Text, nullable=False, server_default=""),
    sa.Index(None, "name"),
)

sites = sa.Table(
    "sites",  # a unit with its monitor
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("site", sa.Text, nullable=False, unique=True),  # SITE-ID of the topics
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("plan_visit_due", sa.Text),  # a day
    sa.Column("technician_id", KEY, sa.ForeignKey("users.id"), index=True),
    sa.Column("unit", JSON_),  # the nameplate: the [unit] table of the site file
    sa.Column("credential", sa.Text, nullable=False, server_default=""),  # hash as the broker's password file wants it
    sa.Column("enrolled_at", AT, nullable=False),
    sa.Column("revoked_at", AT),
    _branch(),
    sa.Column("premises_id", KEY, sa.ForeignKey("premises.id"), index=True),  # always there; SQLite adds no such column
)

tenancies = sa.Table(
    "tenancies",  # whose a unit is or was, and what is known of those who live there; one of a site is open, always
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("site_id", KEY, sa.ForeignKey("sites.id"), nullable=False, index=True),
    sa.Column("customer_id", KEY, sa.ForeignKey("customers.id"), nullable=False, index=True),
    sa.Column("plan", sa.Text, nullable=False, server_default=""),
    sa.Column("vulnerability", sa.Integer, nullable=False, server_default="0"),  # see triage.VULNERABILITY
    sa.Column("vulnerability_note", sa.Text, nullable=False, server_default=""),
    sa.Column("away_until", sa.Text),  # the last day on which nobody is home, as the customer told the office
    sa.Column("from_at", AT, nullable=False),
    sa.Column("to_at", AT),  # null: still
)
sa.Index(
    "ix_tenancies_open",
    tenancies.c.site_id,
    unique=True,
    sqlite_where=tenancies.c.to_at.is_(None),
    postgresql_where=tenancies.c.to_at.is_(None),
)

# A unit with its premises and its present customer, and what they are called in lists, files and the interface.
HOUSED = (
    sites.join(premises, premises.c.id == sites.c.premises_id)
    .join(tenancies, sa.and_(tenancies.c.site_id == sites.c.id, tenancies.c.to_at.is_(None)))
    .join(customers, customers.c.id == tenancies.c.customer_id)
)
_OF_PEOPLE = {name: tenancies.c[name] for name in ("plan", "vulnerability", "vulnerability_note", "away_until")}
ABOUT: dict[str, sa.ColumnElement[Any]] = {
    **{column.name: column for column in sites.c},
    **{name: column.label(name) for name, column in _OF_PEOPLE.items()},
    "customer": customers.c.name.label("customer"),
    "customer_id": customers.c.id.label("customer_id"),
    "customer_number": customers.c.number.label("customer_number"),
    "phone": customers.c.phone.label("phone"),
    "premises": premises.c.name.label("premises"),
    "address": premises.c.address.label("address"),
}

state = sa.Table(
    "state",
    metadata,
    _site(primary_key=True),
    sa.Column("heard_at", AT),
    sa.Column("online", sa.Boolean),
    sa.Column("online_at", AT),
    sa.Column("cycle", sa.Text),
    sa.Column("break_at", sa.Text),
    sa.Column("outdoor_c", AT),
    sa.Column("service_until_at", AT),
    sa.Column("unit_at", AT),  # the site's own instant of the newest `unit` message
    sa.Column("unit_rank", AT),  # its place in the site's life: how far the site had numbered when it was made
    sa.Column("unit_received_at", AT),
    sa.Column("clock_off_s", AT),  # the site's clock against ours at the newest `unit`; null when it was not set
    sa.Column("books", sa.Text, nullable=False, server_default="{}"),  # the ledgers, see sequence_tracker.py
    sa.Column("hole_since", AT, index=True),  # when numbers were first found missing; null when none are
)

snapshots = sa.Table(
    "snapshots",
    metadata,
    _site(primary_key=True),
    sa.Column("body", sa.Text, nullable=False),  # the newest `unit` message, whole
)

episodes = sa.Table(
    "episodes",  # of the `unit` messages, each as it was told last: what the household was told, for the season
    metadata,
    _site(primary_key=True),
    sa.Column("origin", sa.Text, primary_key=True),
    sa.Column("episode", sa.Text, primary_key=True),
    sa.Column("since_at", AT, nullable=False),
    sa.Column("over_at", AT),
    sa.Column("seen_at", AT, nullable=False),  # instant of the newest `unit` message that spoke of it
    sa.Column("body", sa.Text, nullable=False),
    sa.Column("severity", sa.Text, nullable=False, server_default=""),
    sa.Column("state", sa.Text, nullable=False, server_default=""),
)
sa.Index(
    "ix_episodes_open",
    episodes.c.state,
    sqlite_where=episodes.c.over_at.is_(None),
    postgresql_where=episodes.c.over_at.is_(None),
)

standing = sa.Table(
    "standing",
    metadata,
    _site(primary_key=True),
    sa.Column("finding", sa.Text, primary_key=True),
    sa.Column("active", sa.Boolean, nullable=False),
    sa.Column("severity", sa.Text, nullable=False),
    sa.Column("since_at", AT, nullable=False),
    sa.Column("changed_at", AT, nullable=False),
    sa.Column("suspects", sa.Text, nullable=False),
    sa.Column("evidence", sa.Text, nullable=False),
    sa.Column("summary", sa.Text, nullable=False),
    sa.Column("rank", AT, nullable=False),  # order of the event that made this row; an older one changes nothing
    sa.Column("unit_at", AT),  # instant of the `unit` message that corrected it, if one did
    sa.Column("alert_state", sa.Text, nullable=False, server_default=""),
    sa.Column("alert_by", sa.Text, nullable=False, server_default=""),
    sa.Column("alert_rank", AT, nullable=False, server_default="0"),
)
sa.Index(
    "ix_standing_active",
    standing.c.severity,
    standing.c.site_id,
    sqlite_where=standing.c.active,
    postgresql_where=standing.c.active,
)

# ---------------------------------------------------------------- what came in

events = sa.Table(
    "events",
    metadata,
    _site(primary_key=True, checked=False),
    sa.Column("at", AT, primary_key=True),
    sa.Column("origin", sa.Text, primary_key=True),
    sa.Column("seq", KEY, primary_key=True, autoincrement=False),
    sa.Column("kind", sa.Text, nullable=False),  # `finding` or `alert`
    sa.Column("finding", sa.Text, nullable=False),
    sa.Column("step", sa.Text, nullable=False),  # raised, revised, cleared; or the alert's new state
    sa.Column("severity", sa.Text, nullable=False),
    sa.Column("received_at", AT, nullable=False),
    sa.Column("body", sa.Text, nullable=False),
    postgresql_partition_by="RANGE (at)",
)

cycles = sa.Table(
    "cycles",
    metadata,
    _site(primary_key=True, checked=False),
    sa.Column("at", AT, primary_key=True),
    sa.Column("origin", sa.Text, primary_key=True),
    sa.Column("seq", KEY, primary_key=True, autoincrement=False),
    sa.Column("run_s", AT, nullable=False),
    sa.Column("pull_in_s", AT),
    sa.Column("run_delay_s", AT),
    sa.Column("compressor_a", AT),
    sa.Column("compressor_max_a", AT),
    sa.Column("fan_a", AT),
    sa.Column("control_v", AT),
    sa.Column("coil_a", AT),
    sa.Column("outdoor_c", AT),
    sa.Column("compressor_starts", sa.Integer, nullable=False),
    sa.Column("start_s", AT),
    postgresql_partition_by="RANGE (at)",
)

site_days = sa.Table(
    "site_days",
    metadata,
    _site(primary_key=True, checked=False),
    sa.Column("day", sa.Text, primary_key=True),
    sa.Column("cycles", sa.Integer, nullable=False),
    sa.Column("starts", sa.Integer, nullable=False),
    sa.Column("run_s", AT, nullable=False),
    sa.Column("amp_s", AT, nullable=False),  # compressor_a times run_s, over cycles that measured it
    sa.Column("degree_s", AT, nullable=False),  # outdoor_c times run_s, likewise
    sa.Column("measured_s", AT, nullable=False),  # run_s of the cycles that measured both
    sa.Column("outdoor_max_c", AT),
)

set_aside = sa.Table(
    "set_aside",
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("at", AT, nullable=False, index=True),
    sa.Column("topic", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
)

# ---------------------------------------------------------------- what goes out, and who works

asks = sa.Table(
    "asks",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    _site(),
    sa.Column("request", sa.Text, nullable=False),
    sa.Column("body", sa.Text, nullable=False),  # the whole `requests` message
    sa.Column("asked_by", sa.Text, nullable=False),
    sa.Column("made_at", AT, nullable=False),
    sa.Column("sent_at", AT),
    sa.Column("answered_at", AT),
    sa.Column("done", sa.Boolean),
    sa.Column("why", sa.Text, nullable=False, server_default=""),
    sa.Index(None, "site_id", "made_at"),
)
sa.Index(
    "ix_asks_unsent", asks.c.made_at, sqlite_where=asks.c.sent_at.is_(None), postgresql_where=asks.c.sent_at.is_(None)
)

slots = sa.Table(
    "slots",
    metadata,
    sa.Column("slot", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("used_at", AT, nullable=False),
    sa.Column("holder", sa.Text, nullable=False),  # machine and process
    sa.Column("messages", KEY, nullable=False, server_default="0"),  # acknowledged since it started, of all kinds
    sa.Column("taken", KEY, nullable=False, server_default="0"),  # of those, numbered and new
    sa.Column("known", KEY, nullable=False, server_default="0"),  # numbered and had before
    sa.Column("aside", KEY, nullable=False, server_default="0"),
    sa.Column("caught_up_at", AT),  # when nothing that the broker had given was left unread
)

visits = sa.Table(
    "visits",
    metadata,
    sa.Column("id", KEY, primary_key=True),
    _site(),
    sa.Column("kind", sa.Text, nullable=False),  # see visits.KINDS
    sa.Column("status", sa.Text, nullable=False),  # `booked`, `done` or `dropped`
    sa.Column("technician_id", KEY, sa.ForeignKey("users.id")),
    sa.Column("due_day", sa.Text, nullable=False),
    sa.Column("finding", sa.Text, nullable=False, server_default=""),
    sa.Column("suspects", JSON_, nullable=False),  # as they stood when booked: what the score judges
    sa.Column("note", sa.Text, nullable=False, server_default=""),
    sa.Column("was", sa.Text, nullable=False, server_default=""),  # the suspect it really was, or `other`
    sa.Column("parts", JSON_, nullable=False),  # parts used
    sa.Column("made_at", AT, nullable=False),
    sa.Column("done_at", AT),
    sa.Index(None, "site_id", "made_at"),
    sa.Index(None, "technician_id", "status", "due_day"),
)

notices = sa.Table(
    "notices",  # urgent cases that whoever is on call has been told of
    metadata,
    _site(primary_key=True),
    sa.Column("finding", sa.Text, primary_key=True),
    sa.Column("since_at", AT, primary_key=True),
    sa.Column("made_at", AT, nullable=False),
)

api_tokens = sa.Table(
    "api_tokens",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("digest", sa.Text, nullable=False, unique=True),
    sa.Column("scopes", sa.Text, nullable=False),  # see people.SCOPES, a space between
    sa.Column("made_at", AT, nullable=False),
    _branch(),
)

calendars = sa.Table(
    "calendars",  # the address of a person's feed of visits, as a hash
    metadata,
    sa.Column("user_id", KEY, sa.ForeignKey("users.id"), primary_key=True, autoincrement=False),
    sa.Column("digest", sa.Text, nullable=False, unique=True),
    sa.Column("made_at", AT, nullable=False),
)

webhooks = sa.Table(
    "webhooks",  # receivers; the secret is kept as it is, for what is sent is signed with it
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("url", sa.Text, nullable=False),
    sa.Column("events", sa.Text, nullable=False),  # see webhooks.EVENTS, a space between
    sa.Column("secret", sa.Text, nullable=False),
    sa.Column("made_at", AT, nullable=False),
    sa.Column("tries", sa.Integer, nullable=False, server_default="0"),  # that failed in a row
    sa.Column("next_at", AT, nullable=False, server_default="0"),  # not to be tried before
    sa.Column("delivered_at", AT),
    sa.Column("off_at", AT),  # since when it is tried no more
    sa.Column("problem", sa.Text, nullable=False, server_default=""),
    _branch(),
)

outbox = sa.Table(
    "outbox",
    metadata,
    sa.Column("id", KEY, primary_key=True),
    sa.Column("webhook", sa.Text, sa.ForeignKey("webhooks.name"), nullable=False),
    sa.Column("site_id", KEY, sa.ForeignKey("sites.id"), index=True),
    sa.Column("message_id", sa.Text, nullable=False, unique=True),
    sa.Column("body", sa.Text, nullable=False),
    sa.Column("made_at", AT, nullable=False),
    sa.Column("delivered_at", AT),
)
sa.Index(
    "ix_outbox_waiting",
    outbox.c.webhook,
    outbox.c.id,
    sqlite_where=outbox.c.delivered_at.is_(None),
    postgresql_where=outbox.c.delivered_at.is_(None),
)

settings = sa.Table(
    "settings",
    metadata,
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)
