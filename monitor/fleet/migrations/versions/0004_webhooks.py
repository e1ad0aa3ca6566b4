"""Webhooks: receivers, and the outbox of what they are to be told."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "webhooks",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("events", sa.Text(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.Column("tries", sa.Integer(), server_default="0", nullable=False),
        sa.Column("next_at", sa.Double(), server_default="0", nullable=False),
        sa.Column("delivered_at", sa.Double(), nullable=True),
        sa.Column("off_at", sa.Double(), nullable=True),
        sa.Column("problem", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_webhooks")),
    )
    op.create_table(
        "outbox",
        sa.Column("id", KEY, nullable=False),
        sa.Column("webhook", sa.Text(), nullable=False),
        sa.Column("site_id", KEY, nullable=True),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.Column("delivered_at", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_outbox_site_id")),
        sa.ForeignKeyConstraint(["webhook"], ["webhooks.name"], name=op.f("fk_outbox_webhook")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint("message_id", name=op.f("uq_outbox_message_id")),
    )
    op.create_index(op.f("ix_outbox_site_id"), "outbox", ["site_id"])
    op.create_index(
        "ix_outbox_waiting",
        "outbox",
        ["webhook", "id"],
        sqlite_where=sa.text("delivered_at IS NULL"),
        postgresql_where=sa.text("delivered_at IS NULL"),
    )
