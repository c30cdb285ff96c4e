"""The warps: the list of them, and the loom on paper, where one is hung and changed."""

from __future__ import annotations

import hashlib
import re
from typing import Annotated, Any, cast

from fastapi import APIRouter, Depends, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from server.design.incoming import belongs_elsewhere
from server.design.piece_file import Unusable
from server.design.warp import MOST_PARTS, Warp, read_warp, write_warp
from server.loom.ground import MOST_GROUND_SHAFTS, satin_counters
from server.store.board import ChangedMeanwhile, KeptWarp, NotKept
from server.web.rendering import (
    NotUnderstood,
    go_to,
    is_count,
    page,
    preferences_of,
    store_of,
)
from server.web.same_name import which_of_its_name
from server.web.sent_file import sent_file
from server.web.warp_drawing import figures, hanging, shape_of, square_words, warnings
from server.web.warp_form import (
    GROUND_WORDS,
    MINUTE_WORDS,
    MOST_TIED,
    PART_WORDS,
    NotRead,
    WarpSheet,
    needed_shafts,
    new_sheet,
    read_sheet,
    sheet_of,
    sheet_sent,
    tied_size,
)

router = APIRouter()

MOST_FIELDS = 5_000
"""Of the form: the most parts there can be, the largest tie-up, and room to be told of a part too many."""

_DO = re.compile(r"(away|left|right|counter):([0-9]{1,6})", re.ASCII)

CHANGED_ELSEWHERE = (
    "This warp was changed elsewhere since you opened it, so nothing was kept. Keep it again to put yours in "
    "its place, or keep yours as another warp."
)
NO_SUCH_WARP = "There is no such warp here."


async def _sent(request: Request) -> list[tuple[str, str]]:
    form = await request.form(max_files=0, max_fields=MOST_FIELDS)
    return [(name, text) for name, text in form.multi_items() if isinstance(text, str)]


Sent = Annotated[list[tuple[str, str]], Depends(_sent)]
"""What the form sent, unread."""


# --- the list --------------------------------------------------------------------------------------------


@router.get("/warps")
def show_warps(request: Request, away: str = "") -> Response:
    """All warps; with the one that was thrown away just now, to bring it back."""
    board = store_of(request).board
    thrown = int(away) if is_count(away) and board.warp(int(away)) is None else None
    return _warps_page(request, thrown=thrown)


def _warps_page(
    request: Request, message: str = "", status: int = 200, thrown: int | None = None
) -> Response:
    warps = store_of(request).board.warps()
    return page(
        "warps.html",
        status=status,
        warps=[(kept, shape_of(kept.warp)) for kept in warps],
        which=which_of_its_name(((kept.id, kept.name) for kept in warps), "Warp"),
        message=message,
        thrown=thrown,
    )


# --- a warp ----------------------------------------------------------------------------------------------


@router.get("/warps/new")
def show_new(request: Request) -> Response:
    """The form for a new warp."""
    return _warp_page(request, new_sheet(), is_kept=True)


@router.post("/warps/new")
def hang_new(request: Request, sent: Sent) -> Response:
    """Keep a new warp, or change something in the form."""
    return _done(request, sent, None)


@router.post("/warps/preview")
def preview(request: Request, sent: Sent) -> Response:
    """What the form says, drawn and counted; nothing is kept."""
    of = dict(sent).get("of", "")
    kept = store_of(request).board.warp(int(of)) if is_count(of) else None
    seen = _seen(request, sheet_sent(sent), kept)
    return page("warp_seen.html", kept=kept, **seen)


@router.post("/warps/bring")
async def bring_in(request: Request) -> Response:
    """Read a warp file and keep the warp; nothing is kept of a file that cannot be used."""
    try:
        content = await sent_file(request, "a warp file")
        number = await run_in_threadpool(_read_and_keep, request, content)
    except (Unusable, NotUnderstood) as refusal:
        return await run_in_threadpool(_warps_page, request, str(refusal), 422)
    return go_to(request, f"/warps/{number}?said=kept")


def _read_and_keep(request: Request, content: bytes) -> int:
    try:
        warp = read_warp(content)
    except Unusable as why:
        raise Unusable(belongs_elsewhere(content, "warp") or str(why)) from None
    shafts_from = preferences_of(store_of(request)).shafts_from
    read_sheet(sheet_of(warp, shafts_from), shafts_from, warp.threads.ground)  # or it could never be changed
    return store_of(request).board.add_warp(write_warp(warp))


@router.get("/warps/{warp}")
def show_warp(request: Request, warp: str, said: str = "") -> Response:
    """A warp in its form."""
    kept = _kept(request, warp)
    sheet = sheet_of(kept.warp, preferences_of(store_of(request)).shafts_from)
    return _warp_page(request, sheet, kept, "Kept." if said == "kept" else "", is_kept=True)


@router.post("/warps/{warp}")
def change_warp(request: Request, warp: str, sent: Sent) -> Response:
    """Keep the warp as it is in the form, or as another, or change something in the form."""
    return _done(request, sent, _kept(request, warp))


@router.post("/warps/{warp}/away")
def throw_away(request: Request, warp: str) -> Response:
    """Throw a warp away; it can be brought back."""
    kept = _kept(request, warp)
    try:
        store_of(request).board.throw_warp_away(kept.id)
    except NotKept as refusal:
        sheet = sheet_of(kept.warp, preferences_of(store_of(request)).shafts_from)
        return _warp_page(request, sheet, kept, str(refusal), 422, is_kept=True)
    return go_to(request, f"/warps?away={kept.id}")


@router.post("/warps/{warp}/back")
def bring_back(request: Request, warp: str) -> Response:
    """Bring a warp back that was thrown away."""
    if not is_count(warp):
        raise HTTPException(404, NO_SUCH_WARP)
    try:
        store_of(request).board.throw_warp_away(int(warp), away=False)
    except NotKept as refusal:
        return _warps_page(request, str(refusal), 422)
    return go_to(request, f"/warps/{int(warp)}")


def _kept(request: Request, warp: str) -> KeptWarp:
    kept = store_of(request).board.warp(int(warp)) if is_count(warp) else None
    if kept is None:
        raise HTTPException(404, NO_SUCH_WARP)
    return kept


def mark_of(warp: Warp) -> str:
    """A warp's mark: another warp has another."""
    return hashlib.sha256(write_warp(warp).encode()).hexdigest()[:16]


def _done(request: Request, sent: list[tuple[str, str]], kept: KeptWarp | None) -> Response:
    """Do what the button says that was pressed."""
    sheet, do = sheet_sent(sent), dict(sent).get("do", "show")
    if do in ("keep", "another"):
        return _keep(request, sheet, kept, as_another=do == "another")
    focus = ""
    if do in ("add", "borders"):
        added = 1 if do == "add" else 2
        if len(sheet.parts) + added > MOST_PARTS:
            full = f"{MOST_PARTS} parts are the most; put some together."
            return _warp_page(request, sheet, kept, full, 422)
        focus = f"part-{sheet.next_key()}-kind"
        sheet = sheet.with_part() if do == "add" else sheet.with_borders()
    elif read := _DO.fullmatch(do):
        what, number = read[1], int(read[2])
        if what == "counter":
            sheet, focus = sheet.saying(counter=str(number)), "counter"
        elif what == "away":
            sheet, focus = sheet.without(number), "add-part"
        else:
            sheet = sheet.moved(number, -1 if what == "left" else 1)
    return _warp_page(request, sheet, kept, focus=focus)


def _keep(request: Request, sheet: WarpSheet, kept: KeptWarp | None, *, as_another: bool) -> Response:
    board = store_of(request).board
    try:
        text = write_warp(_read(request, sheet, kept))
        if kept is None or as_another:
            return go_to(request, f"/warps/{board.add_warp(text)}?said=kept")
        now = write_warp(kept.warp)
        if now != text:
            if sheet.words["seen"] != mark_of(kept.warp):
                return _changed_elsewhere(request, sheet, kept)
            board.change_warp(kept.id, text, before=kept.warp)
    except ChangedMeanwhile:  # between two lines of this very function
        return _changed_elsewhere(request, sheet, _kept(request, str(cast(KeptWarp, kept).id)))
    except NotRead as refusal:
        return _warp_page(request, sheet, kept, str(refusal), 422, focus=refusal.field)
    except NotKept as refusal:
        return _warp_page(request, sheet, kept, str(refusal), 422)
    return go_to(request, f"/warps/{kept.id}?said=kept")


def _changed_elsewhere(request: Request, sheet: WarpSheet, kept: KeptWarp) -> Response:
    return _warp_page(request, sheet.saying(seen=mark_of(kept.warp)), kept, CHANGED_ELSEWHERE, 422)


def _read(request: Request, sheet: WarpSheet, kept: KeptWarp | None) -> Warp:
    shafts_from = preferences_of(store_of(request)).shafts_from
    return read_sheet(sheet, shafts_from, kept.warp.threads.ground if kept else None)


def _seen(request: Request, sheet: WarpSheet, kept: KeptWarp | None) -> dict[str, Any]:
    """What the templates show of a form: the warp drawn and counted, or why it cannot be hung."""
    words = sheet.words
    shown: dict[str, Any] = {"sheet": sheet, "refusal": None, "hanging": None, "needed": 0}
    try:
        shown["tied"] = tied_size(words)
    except NotRead:
        shown["tied"] = (0, 0)
    on = words["ground_shafts"].strip()
    is_ground = is_count(on) and int(on) <= MOST_GROUND_SHAFTS
    shown["counters"] = (int(on), satin_counters(int(on))) if is_ground else None
    try:
        warp = _read(request, sheet, kept)
    except NotRead as refusal:
        return shown | {"refusal": refusal}
    preferences = preferences_of(store_of(request))
    naming = preferences.naming(warp.loom)
    return shown | {
        "hanging": hanging(warp, naming, unfold=bool(words["unfold"])),
        "needed": needed_shafts(warp, preferences.shafts_from),
        "figures": figures(warp, naming),
        "square": square_words(warp),
        "warnings": warnings(warp),
        "from_right": naming.units_from == "right",
    }


def _warp_page(
    request: Request,
    sheet: WarpSheet,
    kept: KeptWarp | None = None,
    message: str = "",
    status: int = 200,
    *,
    focus: str = "",
    is_kept: bool = False,
) -> Response:
    """The page of a warp; `is_kept` where the form has nothing in it that is not kept."""
    drawn_on_it = store_of(request).board.designs(kept.id) if kept and kept.designs else []
    return page(
        "warp.html",
        status=status,
        kept=kept,
        is_kept=is_kept,
        cloth=f"/designs/{drawn_on_it[0].id}/cloth" if drawn_on_it else "",
        mark=sheet.words["seen"] or (mark_of(kept.warp) if kept else ""),
        message=message,
        is_refused=status == 422,
        focus=focus,
        part_words=PART_WORDS,
        ground_words=GROUND_WORDS,
        minute_words=MINUTE_WORDS,
        most_tied=MOST_TIED,
        from_back=preferences_of(store_of(request)).shafts_from == "back",
        **_seen(request, sheet, kept),
    )
