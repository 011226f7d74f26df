"""Alembic migrations of the store, one file per schema revision under `versions`."""
