"""A piece file planned for the terminal: read, planned with a progress line, brought in or refused."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from typing import TYPE_CHECKING

from server.design.incoming import belongs_elsewhere
from server.design.piece import Piece
from server.design.piece_file import Unusable, read_piece
from server.plan.planner import NoPlan, Stopped, plan
from server.plan.replay import Mismatch, verify
from server.plan.workorder import WorkOrder
from server.terminal import (
    FAILED,
    NO_PLAN,
    UNUSABLE,
    CtrlC,
    ProgressLine,
    Unreadable,
    complain,
    read_file,
)

if TYPE_CHECKING:
    from server.store.database import Store

WHAT_WOULD_DO = (
    "Nothing is kept of it. Bring the same file in on the page Pieces: “What would do?” there finds "
    "the smallest changes that would."
)


class Refused(Exception):
    """A piece file was refused. Why has been said on standard error.

    Attributes:
        status: the exit status that says so.
    """

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status
        complain(sentence)


def planned(name: str, limit: float, stop: CtrlC | None = None) -> tuple[str, WorkOrder]:
    """Read and plan a piece file.

    Args:
        name: the file, "-" being standard input.
        limit: seconds after which the search ends.
        stop: the Ctrl-C that ends the search with the best plan found so far; None: it ends all.

    Returns:
        The file's text, and the plan.

    Raises:
        Refused: if the file cannot be used, no plan exists, or the planner gives a wrong one.
        KeyboardInterrupt: if it was stopped before there was any plan.
    """
    shown = "standard input" if name == "-" else name
    try:
        content = read_file(name)
        piece = _read(content)
        with ProgressLine(sys.stderr) as progress, stop or nullcontext():
            if stop is None:
                order = plan(piece, limit=limit, progress=progress)
            else:
                order = _beside(
                    lambda: plan(piece, limit=limit, progress=progress, stop=stop), stop, progress
                )
        if stop is not None and stop.left_running:
            verify(piece, order)
    except Unreadable as why:
        raise Refused(UNUSABLE, str(why)) from None
    except Unusable as why:
        raise Refused(UNUSABLE, f"{shown}: {why}") from None
    except Stopped:
        raise KeyboardInterrupt from None
    except NoPlan as why:
        raise Refused(NO_PLAN, f"{shown}: {_each_once(why)} {WHAT_WOULD_DO}") from None
    except Mismatch as why:
        fault = "the plan did not pass its own check, so it is not given. This is a fault in Spareshaft"
        raise Refused(FAILED, f"{shown}: {fault}. {why}") from None
    if stop is not None and stop.pressed and not order.proven:
        complain(
            f"stopped. This is the best plan so far, {order.totals.minutes:.1f} minutes besides the weaving; "
            f"none takes fewer than {order.bound:.1f}."
        )
    return content.decode("utf-8-sig"), order


def _read(content: bytes) -> Piece:
    try:
        return read_piece(content)
    except Unusable as why:
        raise Unusable(belongs_elsewhere(content, "piece") or str(why)) from None


def _each_once(why: NoPlan) -> str:
    """Why there is no plan; what is true of the loom is said with the first rows that run into it."""
    statements = [said for sentence in str(why).split(". ") if (said := sentence.rstrip("."))]
    return ". ".join(dict.fromkeys(statements)) + "."


GRACE = 2.0
"""Seconds that a solver, which hears nothing deep in its work, has to end after a Ctrl-C."""


def _beside(work: Callable[[], WorkOrder], stop: CtrlC, progress: ProgressLine) -> WorkOrder:
    """Do it in a thread of its own: Ctrl-C is heard in this one, and while the solver runs it hears nothing.

    What it raises is raised here. Where it does not end soon after a Ctrl-C, it is left running, and the best
    order that it has told is given.
    """
    done: list[WorkOrder] = []
    failed: list[BaseException] = []

    def do() -> None:
        try:
            done.append(work())
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=do, daemon=True)
    thread.start()
    waited = 0.0
    while thread.is_alive():
        thread.join(0.1)  # one without an end would not be interrupted
        waited += 0.1 * stop.pressed
        latest = progress.latest
        if waited > GRACE and latest is not None and latest.order is not None:
            stop.left_running = True
            bound = min(max(latest.bound or 0.0, 0.0), latest.order.totals.minutes)
            return replace(latest.order, proven=False, bound=bound)
    if failed:
        raise failed[0]
    return done[0]


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
        f"{totals.minutes:.1f} minutes besides the weaving."
    )
