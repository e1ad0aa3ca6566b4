"""Alembic's entry: runs the steps on the connection that monitor/fleet/store.py hands over."""

from __future__ import annotations

from alembic import context

from condenser_monitor.monitor.fleet.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, render_as_batch=False)
with context.begin_transaction():
    context.run_migrations()
