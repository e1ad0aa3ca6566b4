"""Addresses of calendar feeds."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "calendars",
        sa.Column("user_id", KEY, autoincrement=False, nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name=op.f("fk_calendars_user_id")),
        sa.PrimaryKeyConstraint("user_id", name=op.f("pk_calendars")),
        sa.UniqueConstraint("digest", name=op.f("uq_calendars_digest")),
    )
