"""Notes and photographs on the rows of a piece."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import RedirectResponse, Response

from server.session.place import MOST_WORDS
from server.store.weavings import Weaving
from server.web.guard import MOST_PICTURE
from server.web.photographs import MEDIA_TYPE, kept_photograph
from server.web.rendering import NotUnderstood, Shown, is_count, number_of, page, store_of, tap_of, weaving_of

router = APIRouter()


@dataclass(frozen=True, slots=True)
class NoteLine:
    """A note as it is shown.

    Attributes:
        id: 0 for a mistake that stays in: that is in the log, and is struck out there.
        mistake: which mistake that stays in; None: it is none.
        at: when it was noted, in UTC.
        struck: whether it is struck out.
    """

    id: int
    row: int
    words: str
    has_picture: bool
    at: datetime
    mistake: int | None = None
    struck: bool = False


def note_lines(request: Request, weaving: Weaving) -> list[NoteLine]:
    """What was noted, by row: the notes, and the mistakes that were left in."""
    lines = [
        NoteLine(note.id, note.row, note.words, bool(note.media_type), note.at)
        for note in store_of(request).notes(weaving.id)
    ]
    for mistake in weaving.place.mistakes:
        words = f"A mistake stays in. {mistake.words}".rstrip()
        at = weaving.log[mistake.turn].at
        lines.append(NoteLine(0, mistake.row, words, False, at, mistake.turn, mistake.struck))
    return sorted(lines, key=lambda line: (line.row, line.at, line.id))


@router.get("/pieces/{piece}/notes")
def show_notes(request: Request, piece: str, away: str = "") -> Response:
    """All notes of a piece.

    Args:
        away: the note that has just been thrown away.
    """
    weaving = weaving_of(request, piece)
    return _notes_page(request, weaving, away=int(away) if is_count(away) else 0)


def _notes_page(
    request: Request,
    weaving: Weaving,
    message: str = "",
    status: int = 200,
    *,
    away: int = 0,
    row: str = "",
    words: str = "",
) -> Response:
    here = weaving.decks.at(weaving.place)
    return page(
        "put_right/notes.html",
        status=status,
        weaving=weaving,
        message=message,
        lines=note_lines(request, weaving),
        away=away,
        row=row or str(max(here.row, 1) if here.kind in ("raise", "weave") else here.row),
        words=words,
        most_words=MOST_WORDS,
        at_loom=weaving.place.status == "on the loom",
    )


@router.post("/pieces/{piece}/notes")
async def add_note(request: Request, piece: str) -> Response:
    """Words, a picture, or both, on a row; nothing is kept of what cannot be used."""
    form = await request.form(max_files=2, max_fields=10)
    try:
        words = _text(form, "words")
        picture = await _picture(form, "photograph") or await _picture(form, "picture")
        return await run_in_threadpool(_add, request, piece, _text(form, "row"), words, picture)
    finally:
        await form.close()


async def _picture(form: FormData, name: str) -> bytes:
    file = form.get(name)
    return await file.read(MOST_PICTURE + 1) if isinstance(file, UploadFile) else b""


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value if isinstance(value, str) else ""


def _add(request: Request, piece: str, row: str, words: str, picture: bytes) -> Response:
    weaving = weaving_of(request, piece)
    # browsers count a new line as one character, and send two
    said = words.replace("\r\n", "\n").replace("\x00", "").strip()
    try:
        number = number_of(row, "The row", 0, len(weaving.piece.rows))
        if len(said) > MOST_WORDS:
            raise NotUnderstood(f"A note has at most {MOST_WORDS} characters; these are {len(said)}.")
        if not said and not picture:
            raise NotUnderstood("Write something, or choose a picture; then it is kept.")
        if len(picture) > MOST_PICTURE:
            raise NotUnderstood("The picture is larger than 20 MB, the most that can be brought in here.")
        kept = kept_photograph(picture) if picture else None
    except NotUnderstood as why:
        return _notes_page(request, weaving, str(why), 422, row=row, words=said[: 2 * MOST_WORDS])
    store_of(request).add_note(weaving.id, number, said, kept, MEDIA_TYPE if kept else "")
    return RedirectResponse(f"/pieces/{weaving.id}/notes", 303)


@router.get("/pieces/{piece}/notes/{note}/picture")
def show_picture(request: Request, piece: str, note: str) -> Response:
    """A note's picture, shut in a box of its own."""
    weaving = weaving_of(request, piece)
    found = store_of(request).picture(weaving.id, int(note)) if is_count(note) else None
    if found is None:
        raise HTTPException(404, "There is no such picture here.")
    content, kind = found
    headers = {
        "Content-Security-Policy": "default-src 'none'; sandbox",
        "Cache-Control": "private, max-age=604800, immutable",
        "Content-Disposition": "inline",
    }
    return Response(content, media_type=kind, headers=headers)


@router.post("/pieces/{piece}/notes/strike")
def strike_out(request: Request, piece: str, shown: Shown, mistake: Annotated[str, Form()] = "") -> Response:
    """A mistake that was left in is struck out of the record, or counts again."""
    weaving = weaving_of(request, piece)
    try:
        turn = number_of(mistake, "The mistake", 0, weaving.place.turn)
        tap = replace(tap_of("strike", shown), detail=json.dumps({"turn": turn}))
    except NotUnderstood as why:
        return _notes_page(request, weaving, str(why), 422)
    answer = store_of(request).tap(weaving.id, tap)
    assert answer is not None  # pieces are never removed
    if not answer.counted:
        return _notes_page(request, answer.weaving, answer.message, 422)
    return RedirectResponse(f"/pieces/{weaving.id}/notes#kept", 303)


@router.post("/pieces/{piece}/notes/{note}/away")
def throw_away(request: Request, piece: str, note: str) -> Response:
    """Out of sight; it can be taken back."""
    return _put(request, piece, note, away=True)


@router.post("/pieces/{piece}/notes/{note}/keep")
def take_back(request: Request, piece: str, note: str) -> Response:
    """What was thrown away is there again."""
    return _put(request, piece, note, away=False)


def _put(request: Request, piece: str, note: str, *, away: bool) -> Response:
    weaving = weaving_of(request, piece)
    if not is_count(note) or not store_of(request).throw_note_away(weaving.id, int(note), away):
        raise HTTPException(404, "There is no such note here.")
    return RedirectResponse(f"/pieces/{weaving.id}/notes{f'?away={int(note)}' if away else ''}", 303)
