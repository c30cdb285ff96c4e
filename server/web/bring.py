"""Bringing in a picture, a chart, a WIF file or one of our own: how it is read, what comes of it, keeping it.

Nothing is held between two requests: the file comes again with each, and is read again. A browser without
scripts cannot send it again; the page that it is shown carries what was read instead.
"""

from __future__ import annotations

import re
import secrets
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, get_args

import numpy as np
import numpy.typing as npt
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import RedirectResponse, Response

from server.design.bands import LONGEST_TURN, square_picks
from server.design.brought import (
    Brought,
    Choices,
    Place,
    as_design,
    begins_at,
    cut,
    hung_otherwise,
    kind_brought,
    placed,
    put_in,
    read_brought,
    warp_like,
)
from server.design.cells import LIFTED, Cells, to_cells
from server.design.design import MOST_PICKS, Band, BandsChanged, Design, changed, check, write_design
from server.design.incoming import Kind
from server.design.pictures import MIDDLE, right_side
from server.design.piece import Piece
from server.design.piece_file import MOST, Unusable
from server.design.threads import Threads
from server.design.warp import Warp, write_warp
from server.design.wif import Wif
from server.loom.state import Loom
from server.plan.demands import troubles
from server.session.naming import Naming
from server.store.board import KeptDesign, KeptWarp
from server.web.bands import picks_text
from server.web.guard import MOST_PICTURE
from server.web.rendering import (
    NotUnderstood,
    go_to,
    is_count,
    is_htmx,
    number_of,
    page,
    preferences_of,
    store_of,
)
from server.web.same_name import which_of_its_name
from server.web.squared import MOST_OF_A_FIGURE, design_of
from server.web.turn_to_plan import turn_to_read

router = APIRouter()

MOST_RUNS = 60_000
"""Stretches of lifted cells in the drawing that is shown; a finer one is drawn coarser."""
MOST_IN_TURN = 12
LONGEST_NAME = 60
MOST_KEY = 100
IN_THE_BOX = "It is in the box of figures now."

Places = npt.NDArray[np.int_]

_FIELDS = {
    "across": "",
    "rows": "",
    "picks": "",
    "how": "solid",
    "level_by": "found",
    "level": str(MIDDLE),
    "smallest": "1",
    "swapped": "",
    "side": "right",
    "lifted": "",
    "first_thread": "right",
    "take_from": "",
    "take_to": "",
    "place": "middle",
    "at": "1",
    "name": "",
    "after": "",
    "chart": "",
    "read": "",
    "read_kind": "",
    "read_side": "",
    "read_name": "",
    "key": "",
    "do": "",
}
"""What the form sends beside the file, and what stands in it at first."""

_NO_LETTER = re.compile(r"[\x00-\x1f\x7f]")


@dataclass(frozen=True, slots=True)
class Sheet:
    """Where something is brought in: a design, or a warp on which a design is begun with it.

    Attributes:
        warps: to choose from, where a design is begun.
    """

    kept: KeptDesign | None
    warp_id: int
    warp: Warp | None
    warps: Sequence[KeptWarp]
    naming: Naming | None

    @property
    def address(self) -> str:
        """Of the page."""
        return f"/designs/{self.kept.id}/bring" if self.kept else "/bring"

    @property
    def design(self) -> Design:
        """What it is put into."""
        return self.kept.design if self.kept else Design(self.hung.units, ())

    @property
    def hung(self) -> Warp:
        """The warp.

        Raises:
            NotUnderstood: if none is chosen.
        """
        if self.warp is None:
            raise NotUnderstood("Choose the warp first that it is to be woven on.")
        return self.warp


@dataclass(frozen=True, slots=True)
class Drawing:
    """Cells as they lie before the weaver, the first row at the bottom; ends across, and as high as woven.

    Attributes:
        width: in ends.
        height: in widths of an end.
        path: data of a filled path, across in ends, down in picks.
        pick: the height of a pick, in widths of an end.
        coarser: how many cells across and up each square of the drawing stands for.
    """

    width: int
    height: float
    path: str
    pick: float
    coarser: int = 1


@dataclass(frozen=True, slots=True)
class Shown:
    """What comes of it.

    Attributes:
        suggested: a name for it.
        facts: sentences: how large, how much is lifted, what the loom can weave of it.
        notes: sentences on what was mended.
        refusal: why it cannot be put in as it is; empty: it can.
        otherwise: how the loom of a WIF file differs from the warp; empty: it does not.
        right_side: what the cloth shows on its right side, where that is the other one.
        on_warp: where it lies on the warp, if it is narrower.
        carried: what was read, as a design's text, for a browser that cannot send the file again.
    """

    kind: Kind
    suggested: str
    facts: tuple[str, ...]
    notes: tuple[str, ...]
    refusal: str
    otherwise: str
    lifted: Drawing
    right_side: Drawing | None
    on_warp: Drawing | None
    carried: str


# --- the page ------------------------------------------------------------------------------------------


@router.get("/designs/{design}/bring")
def show_bring(request: Request, design: str, boxed: str = "") -> Response:
    """The form, for a design."""
    return _page(request, _sheet_of_design(request, design), {}, message=IN_THE_BOX if boxed else "")


@router.get("/bring")
def show_bring_new(request: Request, warp: str = "", boxed: str = "") -> Response:
    """The form, for a design that is begun with what is brought in."""
    return _page(request, _sheet_of_warp(request, warp), {}, message=IN_THE_BOX if boxed else "")


@router.post("/designs/{design}/bring/preview")
async def preview(request: Request, design: str) -> Response:
    """What comes of a file, read as the form says; nothing is kept."""
    return await _asked(request, design)


@router.post("/bring/preview")
async def preview_new(request: Request) -> Response:
    """The same for a design that is begun."""
    return await _asked(request)


@router.post("/designs/{design}/bring")
async def bring(request: Request, design: str) -> Response:
    """Put it in as a band, keep it in the box, or hang a warp like the file."""
    return await _asked(request, design, keep=True)


@router.post("/bring")
async def bring_new(request: Request) -> Response:
    """Begin a design with it; or as `bring`."""
    return await _asked(request, keep=True)


async def _asked(request: Request, design: str | None = None, *, keep: bool = False) -> Response:
    form = await request.form(max_files=1, max_fields=60)
    try:
        return await run_in_threadpool(_answer, request, design, form, keep)
    finally:
        await form.close()


def _sheet_of_design(request: Request, design: str) -> Sheet:
    kept, chosen = design_of(request, design), preferences_of(store_of(request))
    return Sheet(kept, kept.warp_id, kept.warp, (), chosen.naming(kept.warp.loom))


def _sheet_of_warp(request: Request, warp: str) -> Sheet:
    store = store_of(request)
    warps = store.board.warps()
    chosen = next((each for each in warps if warp == str(each.id)), warps[0] if len(warps) == 1 else None)
    if chosen is None:
        return Sheet(None, 0, None, warps, None)
    return Sheet(None, chosen.id, chosen.warp, warps, preferences_of(store).naming(chosen.warp.loom))


def _page(
    request: Request,
    sheet: Sheet,
    sent: Mapping[str, str],
    *,
    shown: Shown | None = None,
    refusal: str = "",
    message: str = "",
    kind: str = "",
    status: int = 200,
) -> Response:
    """The whole page; of it only what is shown, where a script asks."""
    fields = _FIELDS | dict(sent)
    fields["key"] = secrets.token_hex(8)  # what is sent from this page counts once
    fields["picks"] = fields["picks"] or (_usual_picks(sheet.warp.threads) if sheet.warp else "4")
    return page(
        "bring_shown.html" if is_htmx(request) else "bring.html",
        status=status,
        sheet=sheet,
        kept=sheet.kept,
        which=which_of_its_name(((each.id, each.name) for each in sheet.warps), "Warp"),
        f=fields,
        shown=shown,
        refusal=refusal,
        message=message,
        kind=shown.kind if shown else kind,
        with_script=is_htmx(request),
        most=MOST_PICTURE,
    )


def _usual_picks(threads: Threads) -> str:
    """Picks per row, as they are typed, at which cells come out square, or nearly so."""
    return picks_text(square_picks(threads, LONGEST_TURN) or (1,))


# --- what was sent -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Content:
    """A file or a text that was sent.

    Attributes:
        name: of the file.
        carried: whether it was read before, as it was chosen then; where it goes can still be chosen.
    """

    data: bytes
    name: str = ""
    carried: bool = False


def _answer(request: Request, design: str | None, form: FormData, keep: bool) -> Response:
    sent = {name: value for name in _FIELDS if isinstance(value := form.get(name), str)}
    warp = form.get("warp", "")
    sheet = (
        _sheet_of_warp(request, warp if isinstance(warp, str) else "")
        if design is None
        else _sheet_of_design(request, design)
    )
    kind = ""
    try:
        hung = sheet.hung
        with turn_to_read():
            content = _content(form.get("file"), sent)
            kind = kind_brought(content.data)
            choices = _carried_choices(sent, sheet) if content.carried else _choices(sent, sheet)
            brought = read_brought(content.data, Choices() if content.carried else choices, hung.threads)
            brought = cut(brought, choices)
        if content.carried:
            kind = next((kind for kind in get_args(Kind) if kind == sent.get("read_kind")), brought.kind)
            brought = replace(brought, kind=kind)
        name = (
            _name(sent.get("name", "")) or _name(brought.name) or _name(content.name) or _NAMES[brought.kind]
        )
        if keep:
            return _keep(request, sheet, brought, choices, sent, name)
        shown = _shown(sheet, brought, choices, name)
    except (Unusable, NotUnderstood) as why:
        return _page(request, sheet, sent, refusal=str(why), kind=kind, status=422)
    return _page(request, sheet, sent, shown=shown)


_NAMES: dict[Kind, str] = {"picture": "Picture", "chart": "Chart", "wif": "Draft", "piece": "Rows"}
"""Of what has no other name."""


def _content(file: Any, sent: Mapping[str, str]) -> Content:
    if isinstance(file, UploadFile) and file.filename:
        data = file.file.read(MOST_PICTURE + 1)
        if len(data) > MOST_PICTURE:
            raise NotUnderstood("The file is larger than 20 MB, the most that can be brought in here.")
        last = re.split(r"[/\\]", file.filename)[-1]
        return Content(data, (last.rpartition(".")[0] or last).replace("_", " "))
    if chart := sent.get("chart", "").strip("\r\n"):
        return Content(chart.encode("utf-8", "replace"))
    if read := sent.get("read", ""):
        return Content(read.encode("utf-8", "replace"), sent.get("read_name", ""), carried=True)
    raise NotUnderstood("Choose a file first, or type a chart.")


def _name(text: str) -> str:
    return _NO_LETTER.sub(" ", text).strip()[:LONGEST_NAME].strip()


def _choices(sent: Mapping[str, str], sheet: Sheet) -> Choices:
    """How it is to be read. NotUnderstood with a sentence if something chosen cannot be."""
    fields = _FIELDS | {name: text.strip() for name, text in sent.items()}
    level = {"found": None, "middle": MIDDLE}.get(fields["level_by"], -1)
    first, last = (
        number_of(fields[name], "The units it has", 1, MOST) if fields[name] else None
        for name in ("take_from", "take_to")
    )
    return replace(
        _carried_choices(fields, sheet),
        picks=_picks(fields["picks"] or _usual_picks(sheet.hung.threads)),
        across=number_of(fields["across"], "Units across", 1, MOST) if fields["across"] else None,
        rows=number_of(fields["rows"], "Rows", 1, MOST) if fields["rows"] else None,
        how="dots" if fields["how"] == "dots" else "solid",
        level=number_of(fields["level"], "The level", 0, 255) if level == -1 else level,
        smallest=number_of(fields["smallest"] or "1", "The smallest patch", 1, MOST),
        swapped=bool(fields["swapped"]),
        wrong_side_up=fields["side"] == "wrong",
        lifted=sent.get("lifted", "")[:100],
        first_thread="left" if fields["first_thread"] == "left" else "right",
        taken=(first or 1, last),
    )


def _carried_choices(sent: Mapping[str, str], sheet: Sheet) -> Choices:
    """Where it goes."""
    places: tuple[Place, ...] = get_args(Place)
    place = next((place for place in places if place == sent.get("place")), None) or "middle"
    return Choices(
        place=place,
        at=number_of(sent.get("at", ""), "The unit where it begins", 1, MOST) if place == "at" else 1,
        counted_from=sheet.naming.units_from if sheet.naming else "left",
        wrong_side_up=sent.get("read_side") == "wrong",
    )


def _picks(text: str) -> tuple[int, ...]:
    """Picks per row as they are typed: "4", or "4, 5" in turn."""
    words = text.replace(",", " ").split()
    if len(words) > MOST_IN_TURN:
        raise NotUnderstood(f"Picks per row: at most {MOST_IN_TURN} numbers, used in turn.")
    return tuple(number_of(word, "Picks per row", 1, MOST_PICKS) for word in words)


# --- what comes of it ----------------------------------------------------------------------------------


def _shown(sheet: Sheet, brought: Brought, choices: Choices, name: str) -> Shown:
    warp, on_warp, refusal = sheet.hung, None, ""
    threads, width = warp.threads, brought.units
    ends: Sequence[int] = (threads.usual_ends,) * width
    try:
        begin = begins_at(brought, warp.units, choices)
        ends = threads.ends_per_unit[begin : begin + width]
        on_warp = Design(warp.units, placed(brought, warp.units, choices))
        check(changed(sheet.design, put_in(sheet.design, on_warp.bands, None, name)))
    except ValueError as why:
        refusal = str(why)
    facts = _facts(brought, sum(ends), threads)
    if on_warp and not refusal:
        facts.append(_need_words(on_warp, warp.loom))
    pick = float(threads.ends_per_cm / threads.picks_per_cm)
    once = _once(Design(width, brought.bands))
    cells, picks = to_cells(once.rows()), once.picks()
    turned = choices.wrong_side_up
    return Shown(
        kind=brought.kind,
        suggested=name,
        facts=tuple(facts),
        notes=brought.notes,
        refusal=refusal,
        otherwise=_otherwise(brought.wif, warp, sheet.naming) if brought.wif and sheet.naming else "",
        lifted=_drawing(cells, ends, picks, pick),
        right_side=_drawing(right_side(cells, turned), ends[::-1], picks, pick) if turned else None,
        on_warp=_drawing(to_cells(_once(on_warp).rows()), threads.ends_per_unit, picks, pick)
        if on_warp and width < warp.units
        else None,
        carried=write_design(Design(width, brought.bands, len(brought.bands))),
    )


def _once(design: Design) -> Design:
    """Each of its bands woven once."""
    return replace(design, bands=tuple(replace(band, times=1) for band in design.bands))


def _facts(brought: Brought, ends: int, threads: Threads) -> list[str]:
    rows = _rows_woven(brought)
    lifted = sum(row.count(LIFTED) * band.times for band in brought.bands for row in band.rows)
    picks = sum(Design(brought.units, brought.bands).picks())
    across = "1 unit" if brought.units == 1 else f"{brought.units:,} units"
    up = "1 row" if rows == 1 else f"{rows:,} rows"
    facts = [
        f"{across} × {up}. Of {brought.units * rows:,} cells {lifted:,} are lifted.",
        f"{_cm(ends / threads.ends_per_cm)} wide. {picks:,} picks, {_cm(picks / threads.picks_per_cm)} high.",
    ]
    if len(brought.bands) > 1:
        facts.append(
            f"{len(brought.bands)} bands, one after another; what is woven several times is drawn once."
        )
    return facts


def _rows_woven(brought: Brought) -> int:
    return sum(len(band.rows_of(brought.units)) * band.times for band in brought.bands)


def _cm(length: Fraction) -> str:
    return f"{float(length):.1f} cm"


def _need_words(design: Design, loom: Loom) -> str:
    """How many rows the loom cannot weave as it hangs."""
    times: Counter[str] = Counter()
    for band in design.bands:
        for row in band.rows:
            times[row] += band.times
    distinct = list(times)
    cells = to_cells(distinct)
    lifted = tuple(frozenset((np.flatnonzero(row) + 1).tolist()) for row in cells)
    needing = sum(times[distinct[trouble.row - 1]] for trouble in troubles(Piece("", loom, lifted)))
    if not needing:
        return "The loom weaves every row as it hangs."
    verb = "needs" if needing == 1 else "need"
    return f"{needing:,} of {sum(times.values()):,} drawn rows {verb} temporaries."


def _otherwise(wif: Wif, warp: Warp, naming: Naming) -> str:
    """How the loom of a file differs from the warp, as she counts; empty: it does not."""
    if len(wif.leashes) != warp.units:
        return f"The file tells of a loom with {len(wif.leashes):,} units; this warp has {warp.units:,}."
    units = hung_otherwise(wif, warp)
    if not units:
        return ""
    unit = min(units, key=naming.unit)
    theirs = replace(naming, pattern_shafts=wif.pattern_shafts)
    there, here = (
        f"on shaft {naming.shaft(shaft)}" if shaft else "on its single draw cord only"
        for naming, shaft in ((theirs, wif.leashes[unit - 1]), (naming, warp.loom.leashes[unit - 1]))
    )
    return (
        f"In the file {len(units):,} of {warp.units:,} units hang otherwise than on this warp: "
        f"unit {naming.unit(unit)} is {there} there, and {here} here."
    )


def _drawing(cells: Cells, ends: Sequence[int], picks: Sequence[int], pick: float) -> Drawing:
    """Args: pick: the height of a pick, in widths of an end."""
    across = np.concatenate(([0], np.cumsum(ends)))
    up = np.concatenate(([0], np.cumsum(picks)))
    width, height, coarser = int(across[-1]), int(up[-1]), 1
    while True:
        edges = np.diff(np.pad(cells, ((0, 0), (1, 1))).astype(np.int8), axis=1)
        rows, starts = np.nonzero(edges == 1)
        if len(rows) <= MOST_RUNS:
            break
        cells, across, up, coarser = _halved(cells), _every_other(across), _every_other(up), coarser * 2
    top, bottom = height - up[rows + 1], height - up[rows]
    runs = np.stack((across[starts], top, across[np.nonzero(edges == -1)[1]], bottom - top), axis=1).tolist()
    path = "".join(f"M{x} {y}H{to}v{high}H{x}z" for x, y, to, high in runs)
    return Drawing(width, height * pick, path, pick, coarser)


def _halved(cells: Cells) -> Cells:
    """Each two by two cells as one: lifted if two of them are or more."""
    rows, units = cells.shape
    even = np.pad(cells, ((0, rows % 2), (0, units % 2)))
    sums = even.reshape(-(-rows // 2), 2, -(-units // 2), 2).sum(axis=(1, 3))
    lifted: Cells = sums >= 2
    return lifted


def _every_other(places: Places) -> Places:
    """The edges that are left when each two cells are drawn as one."""
    return places[::2] if len(places) % 2 else np.append(places[::2], places[-1])


# --- keeping it ----------------------------------------------------------------------------------------


def _keep(
    request: Request, sheet: Sheet, brought: Brought, choices: Choices, sent: Mapping[str, str], name: str
) -> Response:
    do = sent.get("do")
    board = store_of(request).board
    try:
        if do == "box":
            squares = brought.units * _rows_woven(brought)
            if squares > MOST_OF_A_FIGURE:
                raise NotUnderstood(
                    f"A figure in the box has at most {MOST_OF_A_FIGURE:,} squares; "
                    f"this would have {squares:,}."
                )
            board.add_figure(name, Design(brought.units, brought.bands).rows())
            if is_htmx(request):
                shown = _shown(sheet, brought, choices, name)
                return _page(request, sheet, sent, shown=shown, message=IN_THE_BOX)
            return RedirectResponse(f"{sheet.address}?boxed=1&warp={sheet.warp_id}", 303)
        if do == "hang":
            return _hang(request, sheet, brought, choices, name)
        bands = placed(brought, sheet.hung.units, choices)
        if sheet.kept is None:
            design = changed(sheet.design, put_in(sheet.design, bands, None, name))
            return go_to(request, f"/designs/{board.add_design(sheet.warp_id, name, design)}")
        return _put_in(request, sheet.kept, bands, sent, name)
    except ValueError as why:
        raise NotUnderstood(str(why)) from why


def _put_in(
    request: Request, kept: KeptDesign, bands: Sequence[Band], sent: Mapping[str, str], name: str
) -> Response:
    after = sent.get("after", "")
    put: list[int] = []

    def make(design: Design) -> BandsChanged:
        change = put_in(design, bands, int(after) if is_count(after) else None, name)
        put.extend(band.number for band in change.after if band not in change.before)
        return change

    if store_of(request).board.change(kept.id, make, sent.get("key", "")[:MOST_KEY]) is None:
        raise NotUnderstood("This design has been thrown away meanwhile; nothing was kept.")
    # the same form sent twice counts once, and does not know the number any more
    return go_to(request, f"/designs/{kept.id}" + (f"?band={put[0]}" if put else ""))


def _hang(request: Request, sheet: Sheet, brought: Brought, choices: Choices, name: str) -> Response:
    """A warp like a WIF file's loom, and its rows as a design on it."""
    if brought.wif is None:
        raise NotUnderstood("Only a WIF file tells of a loom. Choose the file again, and then hang it.")
    if brought.units != len(brought.wif.leashes):
        raise NotUnderstood(
            "To hang a warp like the file, all of its units are taken: leave empty which of them."
        )
    design = as_design(brought, name)
    check(design)
    text = write_warp(warp_like(brought.wif, sheet.hung, name, choices.picks))
    board = store_of(request).board
    return go_to(request, f"/designs/{board.add_design(board.add_warp(text), name, design)}")
