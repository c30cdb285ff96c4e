"""The pieces: what is on the loom, waiting, set aside, finished; and bringing in a piece file."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from server.design.piece_file import Unusable, read_piece
from server.session.place import Status
from server.web.rendering import NotUnderstood, page, store_of
from server.web.sent_file import sent_file
from server.web.working import NotWoven, plan_and_keep

router = APIRouter()

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
    """Read a piece file and plan it; it is kept when its plan is there, and nothing of one that has none."""
    try:
        content = await sent_file(request, "a piece file")
        return await run_in_threadpool(_bring_in, request, content)
    except NotWoven as refusal:
        return await run_in_threadpool(_pieces_page, request, refusal.said, 422, refusal.why_not)
    except (Unusable, NotUnderstood) as refusal:
        return await run_in_threadpool(_pieces_page, request, str(refusal), 422)


def _bring_in(request: Request, content: bytes) -> Response:
    read_piece(content)  # before it is taken for text
    return plan_and_keep(request, content.decode("utf-8-sig"))


def _pieces_page(request: Request, refusal: str = "", status: int = 200, why_not: str = "") -> Response:
    lines = store_of(request).pieces()
    shelves = [(title, [line for line in lines if line.status in statuses]) for title, statuses in SHELVES]
    return page(
        "pieces.html", status=status, shelves=shelves, refusal=refusal, why_not=why_not, any=bool(lines)
    )
