"""The tables. Where a weaver is, is in none of them: it follows from the taps."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Dialect, Text, TypeDecorator
from sqlmodel import Field, SQLModel


class UtcTime(TypeDecorator[datetime]):
    """An aware time, kept as ISO 8601 text in UTC: SQLite has no type that keeps the zone."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """To the file."""
        return None if value is None else value.astimezone(UTC).isoformat(timespec="microseconds")

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:
        """From the file."""
        return None if value is None else datetime.fromisoformat(value)


class PieceRow(SQLModel, table=True):
    """A piece as it was brought in, and its plan; neither ever changes."""

    __tablename__ = "pieces"

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(sa_type=Text)
    loom_name: str = Field(sa_type=Text)
    file_text: str = Field(sa_type=Text)
    order_text: str = Field(sa_type=Text)
    added_at: datetime = Field(sa_type=UtcTime)


class TapRow(SQLModel, table=True):
    """One tap that counted. Rows are only added; triggers refuse everything else."""

    __tablename__ = "taps"

    piece: int = Field(foreign_key="pieces.id", primary_key=True)
    turn: int = Field(primary_key=True)
    kind: str = Field(sa_type=Text)
    card: int
    again: int | None = None
    at: datetime = Field(sa_type=UtcTime)


class PreferenceRow(SQLModel, table=True):
    """A setting that goes for all pieces, or, where its key ends in a piece's id, for that piece."""

    __tablename__ = "preferences"

    key: str = Field(sa_type=Text, primary_key=True)
    value: str = Field(sa_type=Text)
