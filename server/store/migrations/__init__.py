"""Alembic's migrations, oldest first by name in `versions`."""
