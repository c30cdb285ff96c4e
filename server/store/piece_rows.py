"""The row of a piece: its plan is replayed before it is made; what a list says of it before any tap."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

from sqlmodel import Session

from server.design.piece_file import read_piece
from server.plan.replay import verify
from server.plan.workorder import WorkOrder, write_workorder
from server.store.sent_twice import sent_before
from server.store.tables import PieceRow
from server.store.weavings import PieceLine


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


@dataclass(frozen=True, slots=True)
class Waiting:
    """A piece before any tap is made on it; that never changes.

    Attributes:
        line: what a list says of it.
    """

    line: PieceLine
    added_at: datetime


def waiting_piece(row: PieceRow) -> Waiting:
    """What a list says of a piece that no tap was made on.

    Of its file only the rows are counted, and of its plan the totals are read: to read a long one strictly
    and to deal its cards takes seconds. Both passed that before they were kept.
    """
    totals = _totals_in(row.order_text)
    return Waiting(
        PieceLine(
            id=cast(int, row.id),
            name=row.name,
            loom_name=row.loom_name,
            status="waiting",
            rows_woven=0,
            rows=len(json.loads(row.file_text)["rows"]),
            last_at=None,
            walks=totals["walks"],
            minutes=totals["minutes"],
        ),
        row.added_at,
    )


_TOTALS = '"totals": '


def _totals_in(order_text: str) -> dict[str, Any]:
    """The totals in what `write_workorder` wrote; they stand before the steps."""
    totals, _ = json.JSONDecoder().raw_decode(order_text, order_text.index(_TOTALS) + len(_TOTALS))
    return cast(dict[str, Any], totals)
