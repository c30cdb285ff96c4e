"""A name of the database's own, so that what a browser has kept for another one is told apart."""

from __future__ import annotations

import secrets

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Make the table, and the name."""
    table = op.create_table("name", sa.Column("name", sa.Text, primary_key=True))
    op.bulk_insert(table, [{"name": secrets.token_hex(4)}])
