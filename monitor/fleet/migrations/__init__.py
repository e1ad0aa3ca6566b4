"""Steps of the fleet database, run by Alembic through monitor/fleet/store.py."""
