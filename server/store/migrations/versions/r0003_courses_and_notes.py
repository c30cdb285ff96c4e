"""What taps say besides, plans made on the way, and notes on rows."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the columns and make the tables."""
    op.add_column("taps", sa.Column("detail", sa.Text, nullable=False, server_default=""))
    op.add_column("taps", sa.Column("key", sa.Text))
    op.create_index("taps_once", "taps", ["piece", "key"], unique=True)
    op.create_table(
        "courses",
        sa.Column("piece", sa.Integer, sa.ForeignKey("pieces.id"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("course_text", sa.Text, nullable=False),
        sa.Column("added_at", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("piece", "number"),
    )
    for event in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER courses_no_{event.lower()} BEFORE {event} ON courses "
            "BEGIN SELECT RAISE(ABORT, 'courses: rows are only added'); END"
        )
    op.create_table(
        "notes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("piece", sa.Integer, sa.ForeignKey("pieces.id"), nullable=False),
        sa.Column("row", sa.Integer, nullable=False),
        sa.Column("words", sa.Text, nullable=False),
        sa.Column("picture", sa.LargeBinary),
        sa.Column("media_type", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("thrown_away", sa.Boolean, nullable=False),
    )
    op.create_index("ix_notes_piece", "notes", ["piece"])
