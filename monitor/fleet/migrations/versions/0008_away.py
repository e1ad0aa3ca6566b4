"""Until when nobody is home."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("sites", sa.Column("away_until", sa.Text(), nullable=True))
