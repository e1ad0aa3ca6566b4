"""The first version of the fleet's database."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")
JSON_ = sa.JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")
# rewritten all day: room on each page for the new version of a row, and dead ones swept early
HOT = ("state", "standing", "snapshots", "site_days")


def upgrade() -> None:
    op.create_table(
        "audit",
        sa.Column("id", KEY, nullable=False),
        sa.Column("at", sa.Double(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("did", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("detail", JSON_, nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
    )
    op.create_index(op.f("ix_audit_at"), "audit", ["at"], unique=False)
    op.create_table(
        "cycles",
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("at", sa.Double(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("seq", KEY, autoincrement=False, nullable=False),
        sa.Column("run_s", sa.Double(), nullable=False),
        sa.Column("pull_in_s", sa.Double(), nullable=True),
        sa.Column("run_delay_s", sa.Double(), nullable=True),
        sa.Column("compressor_a", sa.Double(), nullable=True),
        sa.Column("compressor_max_a", sa.Double(), nullable=True),
        sa.Column("fan_a", sa.Double(), nullable=True),
        sa.Column("control_v", sa.Double(), nullable=True),
        sa.Column("coil_a", sa.Double(), nullable=True),
        sa.Column("outdoor_c", sa.Double(), nullable=True),
        sa.Column("compressor_starts", sa.Integer(), nullable=False),
        sa.Column("start_s", sa.Double(), nullable=True),
        sa.PrimaryKeyConstraint("site_id", "at", "origin", "seq", name=op.f("pk_cycles")),
        postgresql_partition_by="RANGE (at)",
    )
    op.create_table(
        "events",
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("at", sa.Double(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("seq", KEY, autoincrement=False, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("finding", sa.Text(), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("received_at", sa.Double(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", "at", "origin", "seq", name=op.f("pk_events")),
        postgresql_partition_by="RANGE (at)",
    )
    op.create_table(
        "login_failures",
        sa.Column("id", KEY, nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("at", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_login_failures")),
    )
    op.create_index(op.f("ix_login_failures_subject_at"), "login_failures", ["subject", "at"], unique=False)
    op.create_table(
        "set_aside",
        sa.Column("id", KEY, nullable=False),
        sa.Column("at", sa.Double(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_set_aside")),
    )
    op.create_index(op.f("ix_set_aside_at"), "set_aside", ["at"], unique=False)
    op.create_table(
        "settings",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_settings")),
    )
    op.create_table(
        "site_days",
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("cycles", sa.Integer(), nullable=False),
        sa.Column("starts", sa.Integer(), nullable=False),
        sa.Column("run_s", sa.Double(), nullable=False),
        sa.Column("amp_s", sa.Double(), nullable=False),
        sa.Column("degree_s", sa.Double(), nullable=False),
        sa.Column("measured_s", sa.Double(), nullable=False),
        sa.Column("outdoor_max_c", sa.Double(), nullable=True),
        sa.PrimaryKeyConstraint("site_id", "day", name=op.f("pk_site_days")),
    )
    op.create_table(
        "slots",
        sa.Column("slot", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("used_at", sa.Double(), nullable=False),
        sa.Column("holder", sa.Text(), nullable=False),
        sa.Column("messages", KEY, server_default="0", nullable=False),
        sa.Column("taken", KEY, server_default="0", nullable=False),
        sa.Column("known", KEY, server_default="0", nullable=False),
        sa.Column("aside", KEY, server_default="0", nullable=False),
        sa.PrimaryKeyConstraint("slot", name=op.f("pk_slots")),
    )
    op.create_table(
        "users",
        sa.Column("id", KEY, nullable=False),
        sa.Column("login", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_users")),
        sa.UniqueConstraint("login", name=op.f("uq_users_login")),
    )
    op.create_table(
        "sessions",
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("user_id", KEY, nullable=False),
        sa.Column("form_token", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.Column("used_at", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name=op.f("fk_sessions_user_id")),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_sessions")),
    )
    op.create_index(op.f("ix_sessions_user_id"), "sessions", ["user_id"], unique=False)
    op.create_table(
        "sites",
        sa.Column("id", KEY, nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("customer", sa.Text(), server_default="", nullable=False),
        sa.Column("address", sa.Text(), server_default="", nullable=False),
        sa.Column("phone", sa.Text(), server_default="", nullable=False),
        sa.Column("vulnerability", sa.Integer(), server_default="0", nullable=False),
        sa.Column("vulnerability_note", sa.Text(), server_default="", nullable=False),
        sa.Column("plan", sa.Text(), server_default="", nullable=False),
        sa.Column("plan_visit_due", sa.Text(), nullable=True),
        sa.Column("technician_id", KEY, nullable=True),
        sa.Column("unit", JSON_, nullable=True),
        sa.Column("credential", sa.Text(), server_default="", nullable=False),
        sa.Column("enrolled_at", sa.Double(), nullable=False),
        sa.Column("revoked_at", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["technician_id"], ["users.id"], name=op.f("fk_sites_technician_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sites")),
        sa.UniqueConstraint("site", name=op.f("uq_sites_site")),
    )
    op.create_index(op.f("ix_sites_technician_id"), "sites", ["technician_id"], unique=False)
    op.create_table(
        "asks",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("request", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("asked_by", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.Column("sent_at", sa.Double(), nullable=True),
        sa.Column("answered_at", sa.Double(), nullable=True),
        sa.Column("done", sa.Boolean(), nullable=True),
        sa.Column("why", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_asks_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_asks")),
    )
    op.create_index(op.f("ix_asks_site_id_made_at"), "asks", ["site_id", "made_at"], unique=False)
    op.create_index(
        "ix_asks_unsent",
        "asks",
        ["made_at"],
        unique=False,
        sqlite_where=sa.text("sent_at IS NULL"),
        postgresql_where=sa.text("sent_at IS NULL"),
    )
    op.create_table(
        "snapshots",
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_snapshots_site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_snapshots")),
    )
    op.create_table(
        "standing",
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("finding", sa.Text(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("since_at", sa.Double(), nullable=False),
        sa.Column("changed_at", sa.Double(), nullable=False),
        sa.Column("suspects", sa.Text(), nullable=False),
        sa.Column("evidence", sa.Text(), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.Column("rank", sa.Double(), nullable=False),
        sa.Column("unit_at", sa.Double(), nullable=True),
        sa.Column("alert_state", sa.Text(), server_default="", nullable=False),
        sa.Column("alert_by", sa.Text(), server_default="", nullable=False),
        sa.Column("alert_rank", sa.Double(), server_default="0", nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_standing_site_id")),
        sa.PrimaryKeyConstraint("site_id", "finding", name=op.f("pk_standing")),
    )
    op.create_index(
        "ix_standing_active",
        "standing",
        ["severity", "site_id"],
        unique=False,
        sqlite_where=sa.text("active"),
        postgresql_where=sa.text("active"),
    )
    op.create_table(
        "state",
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("heard_at", sa.Double(), nullable=True),
        sa.Column("online", sa.Boolean(), nullable=True),
        sa.Column("online_at", sa.Double(), nullable=True),
        sa.Column("cycle", sa.Text(), nullable=True),
        sa.Column("break_at", sa.Text(), nullable=True),
        sa.Column("outdoor_c", sa.Double(), nullable=True),
        sa.Column("service_until_at", sa.Double(), nullable=True),
        sa.Column("unit_at", sa.Double(), nullable=True),
        sa.Column("books", sa.Text(), server_default="{}", nullable=False),
        sa.Column("hole_since", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_state_site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_state")),
    )
    op.create_index(op.f("ix_state_hole_since"), "state", ["hole_since"], unique=False)
    op.create_table(
        "visits",
        sa.Column("id", KEY, nullable=False),
        sa.Column("site_id", KEY, autoincrement=False, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("status", sa.Text(), nullable=False),
        sa.Column("technician_id", KEY, nullable=True),
        sa.Column("due_day", sa.Text(), nullable=False),
        sa.Column("finding", sa.Text(), server_default="", nullable=False),
        sa.Column("suspects", JSON_, nullable=False),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.Column("was", sa.Text(), server_default="", nullable=False),
        sa.Column("parts", JSON_, nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.Column("done_at", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_visits_site_id")),
        sa.ForeignKeyConstraint(["technician_id"], ["users.id"], name=op.f("fk_visits_technician_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visits")),
    )
    op.create_index(op.f("ix_visits_site_id_made_at"), "visits", ["site_id", "made_at"], unique=False)
    op.create_index(
        op.f("ix_visits_technician_id_status_due_day"), "visits", ["technician_id", "status", "due_day"], unique=False
    )
    if op.get_bind().dialect.name == "postgresql":
        for table in HOT:
            op.execute(f"ALTER TABLE {table} SET (fillfactor = 60, autovacuum_vacuum_scale_factor = 0.05)")


def downgrade() -> None:
    op.drop_table("visits")
    op.drop_table("state")
    op.drop_table("standing")
    op.drop_table("snapshots")
    op.drop_table("asks")
    op.drop_table("sites")
    op.drop_table("sessions")
    op.drop_table("users")
    op.drop_table("slots")
    op.drop_table("site_days")
    op.drop_table("settings")
    op.drop_table("set_aside")
    op.drop_table("login_failures")
    op.drop_table("events")
    op.drop_table("cycles")
    op.drop_table("audit")
