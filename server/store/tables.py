"""The tables. Where a weaver is, is in none of them: it follows from the taps."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Dialect, Index, LargeBinary, Text, TypeDecorator
from sqlmodel import Field, SQLModel


def utc_text(at: datetime) -> str:
    """An aware time as the file keeps it."""
    return at.astimezone(UTC).isoformat(timespec="microseconds")


class UtcTime(TypeDecorator[datetime]):
    """An aware time, kept as ISO 8601 text in UTC: SQLite has no type that keeps the zone."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """To the file."""
        return None if value is None else utc_text(value)

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
    design: int | None = None  # that it was drawn as, if it was drawn here


class WarpRow(SQLModel, table=True):
    """A warp that designs are drawn on."""

    __tablename__ = "warps"

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(sa_type=Text)
    warp_text: str = Field(sa_type=Text)
    changed_at: datetime = Field(sa_type=UtcTime)
    thrown_away: bool = False


class DesignRow(SQLModel, table=True):
    """A design as it is now, after the first `at` of its changes."""

    __tablename__ = "designs"

    id: int | None = Field(default=None, primary_key=True)
    warp: int = Field(foreign_key="warps.id", index=True)
    name: str = Field(sa_type=Text)
    design_text: str = Field(sa_type=Text)
    at: int = 0
    changed_at: datetime = Field(sa_type=UtcTime)
    thrown_away: bool = False


class ChangeRow(SQLModel, table=True):
    """One change of a design. Those beyond the design's `at` are taken back, and go when another is made."""

    __tablename__ = "changes"
    __table_args__ = (Index("changes_once", "design", "key", unique=True),)

    design: int = Field(foreign_key="designs.id", primary_key=True)
    number: int = Field(primary_key=True)
    change_text: str = Field(sa_type=Text)
    key: str | None = Field(default=None, sa_type=Text)


class FigureRow(SQLModel, table=True):
    """A figure in the box, to be put into any design."""

    __tablename__ = "figures"

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(sa_type=Text)
    rows_text: str = Field(sa_type=Text)
    added_at: datetime = Field(sa_type=UtcTime)
    thrown_away: bool = False


class TapRow(SQLModel, table=True):
    """One tap that counted. Rows are only added; triggers refuse everything else."""

    __tablename__ = "taps"
    __table_args__ = (Index("taps_once", "piece", "key", unique=True),)

    piece: int = Field(foreign_key="pieces.id", primary_key=True)
    turn: int = Field(primary_key=True)
    kind: str = Field(sa_type=Text)
    card: int
    again: int | None = None  # as of before 0003: the card that was being done once more
    at: datetime = Field(sa_type=UtcTime)
    detail: str = Field(default="", sa_type=Text)
    key: str | None = Field(default=None, sa_type=Text)


class CourseRow(SQLModel, table=True):
    """A plan that was made on the way; it never changes. Number 0 is the piece's own."""

    __tablename__ = "courses"

    piece: int = Field(foreign_key="pieces.id", primary_key=True)
    number: int = Field(primary_key=True)
    course_text: str = Field(sa_type=Text)
    added_at: datetime = Field(sa_type=UtcTime)


class NoteRow(SQLModel, table=True):
    """What she noted on a row: words, or a picture. What was thrown away is kept out of sight."""

    __tablename__ = "notes"

    id: int | None = Field(default=None, primary_key=True)
    piece: int = Field(foreign_key="pieces.id", index=True)
    row: int
    words: str = Field(default="", sa_type=Text)
    picture: bytes | None = Field(default=None, sa_type=LargeBinary)
    media_type: str = Field(default="", sa_type=Text)
    at: datetime = Field(sa_type=UtcTime)
    thrown_away: bool = False


class QuestionRow(SQLModel, table=True):
    """A question that takes long, with its answer once it has one."""

    __tablename__ = "questions"

    id: int | None = Field(default=None, primary_key=True)
    key: str = Field(sa_type=Text, index=True)
    kind: str = Field(sa_type=Text)
    piece_text: str = Field(sa_type=Text)
    options_text: str = Field(sa_type=Text)
    state: str = Field(sa_type=Text)
    tries: int = 0  # how often it was begun
    server: int  # the process that works it out
    asked_at: datetime = Field(sa_type=UtcTime)
    ended_at: datetime | None = Field(default=None, sa_type=UtcTime)
    answer_text: str = Field(default="", sa_type=Text)


class PieceToComeRow(SQLModel, table=True):
    """A piece that is to be among the pieces as soon as its plan is there."""

    __tablename__ = "pieces_to_come"

    id: int | None = Field(default=None, primary_key=True)
    question: int = Field(foreign_key="questions.id", index=True)
    file_text: str = Field(sa_type=Text)
    design: int | None = None
    asked_at: datetime = Field(sa_type=UtcTime)
    given_up: bool = False
    piece: int | None = Field(default=None, foreign_key="pieces.id")


class NameRow(SQLModel, table=True):
    """The database's own name, made at random; its one row never changes."""

    __tablename__ = "name"

    name: str = Field(sa_type=Text, primary_key=True)


class PreferenceRow(SQLModel, table=True):
    """A setting that goes for all pieces, or, where its key ends in a piece's id, for that piece."""

    __tablename__ = "preferences"

    key: str = Field(sa_type=Text, primary_key=True)
    value: str = Field(sa_type=Text)
