"""Where no plan was found for what was asked: what is in conflict, and the smallest ways out."""

from __future__ import annotations

import re
from urllib.parse import parse_qsl

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import Response

from server.design.piece import Piece
from server.design.piece_file import Unusable, read_piece
from server.loom.actions import and_list
from server.plan.changed_cells import with_changed
from server.plan.demands import asked_of as asked_of_shaft
from server.plan.no_plan import NoPlan
from server.session.naming import Naming
from server.session.wording import after_row, numbers_text, several
from server.ways.questions import refusal
from server.ways.taken import design_with, name_with, text_with
from server.ways.why_not import WhyNot, from_json, lacking_elsewhere
from server.web.drawings import Drawn
from server.web.drawn import drawn_or_refusal, drawn_view
from server.web.rendering import NotUnderstood, go_to, page, preferences_of, store_of
from server.web.ways import way_picture
from server.web.working import (
    NOT_HERE,
    Asked,
    NotWoven,
    Working,
    answer_to,
    asked_of,
    plan_and_keep,
    to_working,
)

router = APIRouter()

_DESIGN = re.compile(r"/designs/([0-9]{1,9})\b", re.ASCII)

MOST_IN_CONFLICT = 40
"""Lines; of a conflict that was not made small in time there may be very many."""


@router.get("/working/{question}/why-not")
def show_why_not(request: Request, question: str) -> Response:
    """What would do; worked out first, if need be."""
    asked, piece, why = _asked(request, question)
    try:
        answer = answer_to(request, asked.kept.piece_text, "why not", {})
    except (NoPlan, NotUnderstood) as refused:
        return _why_not_page(request, asked, piece, why, None, str(refused), 422)
    if isinstance(answer, Working):
        return to_working(request, answer, f"/working/{asked.kept.id}/why-not{asked.query}")
    return _why_not_page(request, asked, piece, why, from_json(answer))


@router.post("/working/{question}/why-not/take")
def take_cells(request: Request, question: str) -> Response:
    """Change the cells, and make that a design on the same warp, or a piece."""
    asked, piece, why = _asked(request, question)
    found: WhyNot | None = None
    try:
        answer = answer_to(request, asked.kept.piece_text, "why not", {})
        if isinstance(answer, Working):
            return to_working(request, answer, f"/working/{asked.kept.id}/why-not{asked.query}")
        found = from_json(answer)
        rows = with_changed(piece.rows, [(cell.row, cell.unit) for cell in found.cells])
        words = f"{several(len(found.cells), 'cell')} changed"
        come, board = asked.come, store_of(request).board
        drawn = board.design(come.design) if come is not None and come.design is not None else None
        if drawn is not None and drawn.warp.loom.leashes == piece.loom.leashes:
            name = name_with(drawn.name, words)
            return go_to(
                request, f"/designs/{board.add_design(drawn.warp_id, name, design_with(piece, rows))}"
            )
        text = asked.kept.piece_text if come is None else come.file_text or asked.kept.piece_text
        return plan_and_keep(request, text_with(text, rows, name_with(read_piece(text).name, words)))
    except NotWoven as refused:
        said = refused.said
    except ValueError as refused:  # NotUnderstood, and what the board refuses
        said = f"{refused} Nothing was made."
    return _why_not_page(request, asked, piece, why, found, said, 422)


def _asked(request: Request, question: str) -> tuple[Asked, Piece, NoPlan]:
    """The question of an address, its piece, and why there is no plan.

    Raises:
        HTTPException: 404 where there is none, or none that was refused a plan.
    """
    asked = asked_of(request, question)
    why = refusal(asked.kept.content) if asked.kept.state == "refused" else None
    if asked.kept.kind != "plan" or not isinstance(why, NoPlan):
        raise HTTPException(404, NOT_HERE)
    text = asked.kept.piece_text
    if asked.come is not None and asked.come.file_text:
        text = asked.come.file_text  # with what planning does not look at
    try:
        return asked, read_piece(text), why
    except Unusable:
        raise HTTPException(404, NOT_HERE) from None


def _why_not_page(
    request: Request,
    asked: Asked,
    piece: Piece,
    why: NoPlan,
    found: WhyNot | None,
    message: str = "",
    status: int = 200,
) -> Response:
    naming = preferences_of(store_of(request)).naming(piece.loom)
    home, home_words = asked.home
    changed: tuple[tuple[int, int], ...] = ()
    if found is not None:
        changed = tuple((cell.row, cell.unit) for cell in found.cells)
    rows, units = ([cell[way] for cell in changed[:1]] for way in (0, 1))
    drawn, refused = drawn_or_refusal(Drawn.about(piece, rows, units), naming, request.query_params)
    if refused and not message:
        message, status = refused, 422
    return page(
        "ways_why_not.html",
        status=status,
        message=message,
        called=piece.name,
        question=asked.kept.id,
        query=asked.query,
        home=home,
        home_words=home_words,
        why=[sentence.counted(naming.shaft) for sentence in why.sentences],
        found=found,
        elsewhere=lacking_elsewhere(piece, found.conflict) if found is not None else 0,
        has=has_words(piece),
        conflict=conflict_words(piece, found, naming) if found is not None else [],
        more=max(0, len(found.conflict) - MOST_IN_CONFLICT) if found is not None else 0,
        rooms=room_words(piece, found) if found is not None else [],
        warp=_warp_of(request, asked),
        walks=walk_words(found) if found is not None else [],
        cells=len(changed),
        picture=way_picture(piece, with_changed(piece.rows, changed), naming, drawn) if changed else None,
        drawn=drawn_view(drawn, naming, f"/working/{asked.kept.id}/why-not", parse_qsl(asked.query[1:])),
    )


def _warp_of(request: Request, asked: Asked) -> int | None:
    """The warp on which it was drawn, where the loom is told; None if it was not drawn here."""
    design = asked.come.design if asked.come is not None else None
    if design is None and (found := _DESIGN.match(asked.home[0])) is not None:
        design = int(found[1])
    kept = None if design is None else store_of(request).board.design(design)
    return None if kept is None else kept.warp_id


def has_words(piece: Piece) -> str:
    """What the loom has for temporaries: "2 spare shafts and no spare handle"."""
    loom = piece.loom
    return and_list(
        [
            several(number, what) if number else f"no {what}"
            for number, what in ((loom.spare_shafts, "spare shaft"), (loom.spare_handles, "spare handle"))
        ]
    )


def conflict_words(piece: Piece, found: WhyNot, naming: Naming) -> list[str]:
    """What is in conflict, line by line."""
    lines = []
    for ask in found.conflict[:MOST_IN_CONFLICT]:
        part = asked_of_shaft(piece, ask.row, ask.shaft)
        shaft = naming.shaft(ask.shaft)
        if part == piece.loom.units_of(ask.shaft):
            lines.append(f"Row {ask.row} asks for the whole of shaft {shaft}.")
        else:
            units = "unit" if len(part) == 1 else "units"
            lines.append(
                f"Row {ask.row} asks of shaft {shaft} for {units} {numbers_text(naming.unit_numbers(part))}."
            )
    return lines


def room_words(piece: Piece, found: WhyNot) -> list[str]:
    """What more the loom would have to have, each way out by itself: "2 spare shafts (1 now)"."""
    loom, said = piece.loom, []
    for room in found.rooms:
        of_one = several(room.temporaries_per_shaft, "temporary", "temporaries") + " of one shaft at a time"
        needed = (
            (room.spare_shafts, loom.spare_shafts, several(room.spare_shafts, "spare shaft")),
            (room.spare_handles, loom.spare_handles, several(room.spare_handles, "spare handle")),
            (room.temporaries_per_shaft, loom.temporaries_per_shaft, of_one),
        )
        more = [f"{words} ({have or 'none'} now)" for number, have, words in needed if number > have]
        said.append(and_list(more))
    return said


def walk_words(found: WhyNot) -> list[str]:
    """Where walks would have to be made, each way out in a sentence."""
    return [
        f"A walk {after_row(walks[0])}."
        if len(walks) == 1
        else f"Walks {and_list([after_row(row) for row in walks])}."
        for walks in found.walks
    ]
