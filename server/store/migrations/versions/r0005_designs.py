"""Warps, the designs drawn on them with every change, figures; and which design a piece was drawn as."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Make the tables, and the column."""
    op.create_table(
        "warps",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("warp_text", sa.Text, nullable=False),
        sa.Column("changed_at", sa.Text, nullable=False),
        sa.Column("thrown_away", sa.Boolean, nullable=False, server_default=sa.false()),
    )
    op.create_table(
        "designs",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("warp", sa.Integer, sa.ForeignKey("warps.id"), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("design_text", sa.Text, nullable=False),
        sa.Column("at", sa.Integer, nullable=False, server_default="0"),
        sa.Column("changed_at", sa.Text, nullable=False),
        sa.Column("thrown_away", sa.Boolean, nullable=False, server_default=sa.false()),
    )
    op.create_index("ix_designs_warp", "designs", ["warp"])
    op.create_table(
        "changes",
        sa.Column("design", sa.Integer, sa.ForeignKey("designs.id"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("change_text", sa.Text, nullable=False),
        sa.Column("key", sa.Text),
    )
    op.create_index("changes_once", "changes", ["design", "key"], unique=True)
    op.create_table(
        "figures",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("rows_text", sa.Text, nullable=False),
        sa.Column("added_at", sa.Text, nullable=False),
        sa.Column("thrown_away", sa.Boolean, nullable=False, server_default=sa.false()),
    )
    op.add_column("pieces", sa.Column("design", sa.Integer))
