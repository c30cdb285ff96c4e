"""Questions that take long, with their answers; and the pieces that wait for their plan."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "questions",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("piece_text", sa.Text, nullable=False),
        sa.Column("options_text", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("tries", sa.Integer, nullable=False, server_default="0"),
        sa.Column("server", sa.Integer, nullable=False),
        sa.Column("asked_at", sa.Text, nullable=False),
        sa.Column("ended_at", sa.Text),
        sa.Column("answer_text", sa.Text, nullable=False, server_default=""),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_questions_key", "questions", ["key"])
    op.create_table(
        "pieces_to_come",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("question", sa.Integer, sa.ForeignKey("questions.id"), nullable=False),
        sa.Column("file_text", sa.Text, nullable=False),
        sa.Column("design", sa.Integer),
        sa.Column("asked_at", sa.Text, nullable=False),
        sa.Column("given_up", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.Column("piece", sa.Integer, sa.ForeignKey("pieces.id")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_pieces_to_come_question", "pieces_to_come", ["question"])
