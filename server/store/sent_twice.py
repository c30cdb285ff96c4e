"""A form that comes again: pressed twice, or sent once more by a slow net."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, cast

from sqlmodel import Session, SQLModel, col, select

SENT_TWICE = timedelta(minutes=1)
"""What is the same as the newest and comes within this is the same form, sent twice."""


def sent_before(
    session: Session, row: SQLModel, same: tuple[str, ...], at: str, among: Any = True
) -> int | None:
    """The id under which a row was kept already by the same form; None if it is another.

    Args:
        row: what is to be kept, not in the session yet.
        same: the fields that would be the same.
        at: the field with its time.
        among: a condition on those whose newest is looked at.
    """
    kind: Any = type(row)
    newest = session.exec(select(kind).where(among).order_by(col(kind.id).desc()).limit(1)).first()
    if (
        newest is not None
        and all(getattr(newest, name) == getattr(row, name) for name in same)
        and abs(getattr(row, at) - getattr(newest, at)) < SENT_TWICE
    ):
        return cast(int, newest.id)
    return None
