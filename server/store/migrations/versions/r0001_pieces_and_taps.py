"""Pieces, and the log of taps that is only added to."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables, and the triggers that keep the log a log."""
    op.create_table(
        "pieces",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("loom_name", sa.Text, nullable=False),
        sa.Column("file_text", sa.Text, nullable=False),
        sa.Column("order_text", sa.Text, nullable=False),
        sa.Column("added_at", sa.Text, nullable=False),
    )
    op.create_table(
        "taps",
        sa.Column("piece", sa.Integer, sa.ForeignKey("pieces.id"), nullable=False),
        sa.Column("turn", sa.Integer, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("card", sa.Integer, nullable=False),
        sa.Column("again", sa.Integer),
        sa.Column("at", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("piece", "turn"),
    )
    for table in ("pieces", "taps"):
        for event in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table}: rows are only added'); END"
            )
    # also keeps INSERT OR REPLACE from putting one tap in another's place
    op.execute(
        "CREATE TRIGGER taps_in_turn BEFORE INSERT ON taps "
        "WHEN NEW.turn IS NOT 1 + (SELECT COALESCE(MAX(turn), 0) FROM taps WHERE piece = NEW.piece) "
        "BEGIN SELECT RAISE(ABORT, 'taps: turns are counted without gaps'); END"
    )
