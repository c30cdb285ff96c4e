"""A piece file planned for the terminal: read, planned with a progress line, brought in or refused."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from server.design.piece_file import Unusable, read_piece
from server.plan.planner import NoPlan, plan
from server.plan.replay import Mismatch
from server.plan.workorder import WorkOrder
from server.terminal import ProgressLine, Unreadable, complain, read_file

if TYPE_CHECKING:
    from server.store.database import Store

FAILED, UNUSABLE, NO_PLAN = 1, 2, 3


class Refused(Exception):
    """A piece file was refused. Why has been said on standard error.

    Attributes:
        status: the exit status that says so.
    """

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status
        complain(sentence)


def planned(name: str, limit: float) -> tuple[str, WorkOrder]:
    """Read and plan a piece file.

    Args:
        name: the file, "-" being standard input.
        limit: seconds after which the search ends.

    Returns:
        The file's text, and the plan.

    Raises:
        Refused: if the file cannot be used, no plan exists, or the planner gives a wrong one.
    """
    shown = "standard input" if name == "-" else name
    try:
        content = read_file(name)
        piece = read_piece(content)
        with ProgressLine(sys.stderr) as progress:
            order = plan(piece, limit=limit, progress=progress)
    except Unreadable as why:
        raise Refused(UNUSABLE, str(why)) from None
    except Unusable as why:
        raise Refused(UNUSABLE, f"{shown}: {why}") from None
    except NoPlan as why:
        raise Refused(NO_PLAN, f"{shown}: {why}") from None
    except Mismatch as why:
        fault = "the plan did not pass its own check, so it is not given. This is a fault in Spareshaft"
        raise Refused(FAILED, f"{shown}: {fault}. {why}") from None
    return content.decode("utf-8-sig"), order


def bring_in(store: Store, name: str, limit: float) -> str:
    """Plan a piece file and put it among the pieces.

    Returns:
        A sentence on what was brought in.

    Raises:
        Refused: as `planned`.
        StoreFailure: if it cannot be kept.
    """
    text, order = planned(name, limit)
    store.add_piece(text, order)
    piece, totals = read_piece(text), order.totals
    walks = f"{totals.walks} walk{'s' * (totals.walks != 1)}"
    return (
        f"Brought in “{piece.name}”: {len(piece.rows)} rows, {walks}, "
        f"{totals.minutes:.1f} minutes of changing."
    )
