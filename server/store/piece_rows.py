"""The row of a new piece: its plan is replayed before the row is made."""

from __future__ import annotations

from datetime import datetime
from typing import cast

from sqlmodel import Session

from server.design.piece_file import read_piece
from server.plan.replay import verify
from server.plan.workorder import WorkOrder, write_workorder
from server.store.sent_twice import sent_before
from server.store.tables import PieceRow


def piece_row(text: str, order: WorkOrder, at: datetime, design: int | None) -> PieceRow:
    """The row of a piece and its plan.

    Raises:
        Unusable: if the text is no piece.
        Mismatch: if the order does not weave it.
    """
    piece = read_piece(text)
    verify(piece, order)
    return PieceRow(
        name=piece.name,
        loom_name=piece.loom.name,
        file_text=text,
        order_text=write_workorder(order),
        added_at=at,
        design=design,
    )


def add_row(session: Session, row: PieceRow, *, sent: bool) -> int:
    """Keep it; its id.

    Args:
        sent: by a form. One that comes again within a minute is the same form, sent twice.
    """
    if sent and (kept := sent_before(session, row, ("file_text",), "added_at")):
        return kept
    session.add(row)
    session.flush()
    return cast(int, row.id)
