"""The pieces: on the loom, being worked out, set aside, waiting, finished; and bringing in a piece file."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from server.design.incoming import belongs_elsewhere
from server.design.piece_file import Unusable, read_piece
from server.session.place import Status
from server.web.rendering import NotUnderstood, page, store_of
from server.web.same_name import which_of_its_name
from server.web.sent_file import sent_file
from server.web.working import NotWoven, plan_and_keep, queued

router = APIRouter()

SHELVES: tuple[tuple[str, tuple[Status, ...]], ...] = (
    ("On the loom", ("on the loom",)),
    ("Set aside", ("aside",)),
    ("Waiting", ("waiting",)),
    ("Finished", ("finished", "ended")),
)


@router.get("/")
def show_pieces(request: Request) -> Response:
    """All pieces, those on the loom first, and what is being worked out."""
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
    try:
        read_piece(content)  # before it is taken for text
    except Unusable as why:
        raise Unusable(belongs_elsewhere(content, "piece") or str(why)) from None
    return plan_and_keep(request, content.decode("utf-8-sig"))


def _pieces_page(request: Request, refusal: str = "", status: int = 200, why_not: str = "") -> Response:
    store = store_of(request)
    lines, under_way = store.pieces(), store.worked_out.under_way()
    shelves = [(title, [line for line in lines if line.status in statuses]) for title, statuses in SHELVES]
    return page(
        "pieces.html",
        status=status,
        shelves=shelves,
        under_way=list(map(queued, under_way)),
        which=which_of_its_name(((line.id, line.name) for line in lines), "Plan"),
        refusal=refusal,
        why_not=why_not,
        any=bool(lines or under_way),
    )
