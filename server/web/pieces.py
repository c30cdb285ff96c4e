"""The pieces: what is on the loom, waiting, set aside, finished; and bringing in a piece file."""

from __future__ import annotations

import logging

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from server.design.piece_file import Unusable, read_piece
from server.plan.planner import NoPlan, plan
from server.plan.replay import Mismatch
from server.session.place import Status
from server.web.rendering import NotUnderstood, go_to, page, store_of
from server.web.sent_file import sent_file
from server.web.turn_to_plan import turn_to_plan

router = APIRouter()

PLANNING_SECONDS = 10.0

_log = logging.getLogger("spareshaft")

SHELVES: tuple[tuple[str, tuple[Status, ...]], ...] = (
    ("On the loom", ("on the loom",)),
    ("Set aside", ("aside",)),
    ("Waiting", ("waiting",)),
    ("Finished", ("finished", "ended")),
)


@router.get("/")
def show_pieces(request: Request) -> Response:
    """All pieces, those under way first."""
    return _pieces_page(request)


@router.post("/pieces")
async def bring_in(request: Request) -> Response:
    """Read a piece file, plan it and keep it; nothing is kept of a file that cannot be used."""
    try:
        content = await sent_file(request, "a piece file")
        piece_id = await run_in_threadpool(_plan_and_keep, request, content)
    except (Unusable, NoPlan, NotUnderstood) as refusal:
        return await run_in_threadpool(_pieces_page, request, str(refusal), 422)
    return go_to(request, f"/pieces/{piece_id}")


def _plan_and_keep(request: Request, content: bytes) -> int:
    piece = read_piece(content)
    with turn_to_plan():
        try:
            order = plan(piece, limit=PLANNING_SECONDS)
            return store_of(request).add_piece(content.decode("utf-8-sig"), order, sent=True)
        except (Mismatch, ValueError) as fault:
            _log.exception("A plan came out wrong.")
            raise NotUnderstood(
                "The plan that Spareshaft worked out does not weave this piece, so nothing was kept. "
                "The fault is Spareshaft’s, not the file’s."
            ) from fault


def _pieces_page(request: Request, refusal: str = "", status: int = 200) -> Response:
    lines = store_of(request).pieces()
    shelves = [(title, [line for line in lines if line.status in statuses]) for title, statuses in SHELVES]
    return page("pieces.html", status=status, shelves=shelves, refusal=refusal, any=bool(lines))
