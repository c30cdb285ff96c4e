"""Preferences."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "preferences",
        sa.Column("key", sa.Text, primary_key=True, nullable=False),
        sa.Column("value", sa.Text, nullable=False),
    )
