"""Which episodes are open, and how: what is quiet and not repaired is found without reading them all."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for name in ("severity", "state"):
        op.add_column("episodes", sa.Column(name, sa.Text(), server_default="", nullable=False))
    open_ = sa.text("over_at IS NULL")
    op.create_index("ix_episodes_open", "episodes", ["state"], sqlite_where=open_, postgresql_where=open_)
