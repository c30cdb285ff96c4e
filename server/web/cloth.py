"""The cloth: its picture, from the whole piece down to single threads, and what is told of it."""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal, get_args
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.datastructures import QueryParams
from starlette.responses import PlainTextResponse, Response

from server.cloth.crossings import Draft, Window
from server.cloth.edges import repeat_across, repeat_along
from server.cloth.floats import Bound, Side, bound
from server.cloth.picture import MOST_CROSSINGS, View, draw, height_of, png
from server.cloth.yarns import YARNS, Yarn
from server.design.cells import Cells, row_of_units, to_cells
from server.design.piece import Piece
from server.design.threads import MOST_ENDS, MOST_TO_A_CM, Threads, sett
from server.loom.ground import (
    MOST_GROUND_SHAFTS,
    Ground,
    plain_weave,
    satin,
    satin_counters,
    twill,
    weave_name,
)
from server.session.naming import Naming
from server.store.board import KeptDesign
from server.store.weavings import Weaving
from server.web.cloth_words import (
    SIDE_WORDS,
    Counting,
    edges_told,
    even_area_words,
    float_lines,
    warnings,
)
from server.web.rendering import (
    NotUnderstood,
    is_count,
    naming_of,
    page,
    preferences_of,
    store_of,
    weaving_of,
)
from server.web.squared import design_of

router = APIRouter()

Way = Literal["closer", "farther", "left", "right", "up", "down"]

FEWEST = 4
"""Threads of each kind that are shown at the closest."""

MOST_GONE_THROUGH = 100_000_000
"""Crossings of a cloth in which floats are looked for."""

MOST_ENDS_PER_UNIT = 100

_WIDE, _HIGH = 1_400, 900
"""Dots into which the page's picture goes."""

_RANGE = re.compile(r"([0-9]{1,7})-([0-9]{1,7})", re.ASCII)
_SETT = re.compile(r"[0-9]{1,4}(?:[.,][0-9]{1,3})?", re.ASCII)


# --- what is looked at ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Subject:
    """A piece or a design as far as its cloth goes.

    Attributes:
        address: of its page.
        threads: None where its file tells none.
        shown: what the template needs to name it: `weaving` or `kept`.
    """

    name: str
    address: str
    cells: Cells
    picks_per_row: tuple[int, ...]
    treadling: tuple[int, ...]
    threads: Threads | None
    naming: Naming
    shown: dict[str, Weaving | KeptDesign | None]


def _piece_subject(request: Request, piece: str) -> Subject:
    weaving = weaving_of(request, piece)
    woven = weaving.piece
    return Subject(
        name=woven.name,
        address=f"/pieces/{weaving.id}/cloth",
        cells=cells_of(woven),
        picks_per_row=tuple(woven.picks_per_row),
        treadling=tuple(woven.treadling),
        threads=woven.threads,
        naming=naming_of(request, weaving),
        shown={"weaving": weaving, "kept": None},
    )


def cells_of(piece: Piece) -> Cells:
    """The cells of a piece."""
    units = len(piece.loom.leashes)
    return to_cells([row_of_units(lifted, units) for lifted in piece.rows])


def _design_subject(request: Request, design: str) -> Subject:
    kept = design_of(request, design)
    return Subject(
        name=kept.name,
        address=f"/designs/{kept.id}/cloth",
        cells=to_cells(kept.design.rows()),
        picks_per_row=kept.design.picks(),
        treadling=kept.warp.treadling,
        threads=kept.warp.threads,
        naming=preferences_of(store_of(request)).naming(kept.warp.loom),
        shown={"weaving": None, "kept": kept},
    )


# --- where the file does not tell the threads ----------------------------------------------------------


OWN = "own"
"""The ground weave whose order the treadling makes: each treadle raises the shaft of its number."""


def _grounds() -> dict[str, tuple[str, Ground]]:
    """Ground weaves to suppose, by their names in addresses, with their names on screen."""
    found = {"plain": ("plain weave", plain_weave())}
    for shafts in range(3, 9):
        found[f"twill-{shafts}"] = f"twill on {shafts} shafts", twill(shafts)
    for shafts in range(5, 17):
        for counter in satin_counters(shafts):
            words = f"satin on {shafts} shafts, counter {counter}"
            found[f"satin-{shafts}-{counter}"] = words, satin(shafts, counter)
    return found


GROUNDS = _grounds()


@dataclass(frozen=True, slots=True)
class Supposed:
    """Threads that are supposed, as the address tells them.

    Attributes:
        ground: a key of `GROUNDS`, or `OWN`.
        own: the treadling of the file.
    """

    own: tuple[int, ...]
    ground: str
    ends_per_unit: int
    ends_per_cm: str
    picks_per_cm: str

    @property
    def choices(self) -> dict[str, str]:
        """The ground weaves to choose from, with their names on screen."""
        names = {key: name for key, (name, _) in GROUNDS.items()}
        return {OWN: "as the file treads it"} | names if _makes_an_order(self.own) else names

    @property
    def _ground(self) -> Ground:
        return twill(len(self.own)) if self.ground == OWN else GROUNDS[self.ground][1]

    def threads(self, units: int) -> Threads:
        """The threads of a warp of so many units. ValueError with a sentence if they cannot be."""
        return Threads(
            ends_per_unit=(self.ends_per_unit,) * units,
            ground=self._ground,
            ends_per_cm=_sett_of(self.ends_per_cm),
            picks_per_cm=_sett_of(self.picks_per_cm),
        )

    @property
    def treadling(self) -> tuple[int, ...]:
        """The file's own where it makes the order, else each treadle once, in order."""
        return self.own if self.ground == OWN else tuple(range(1, len(self._ground.treadles) + 1))


def _makes_an_order(treadling: tuple[int, ...]) -> bool:
    """Whether a treadling is itself the order of a weave: each treadle once, and not one after the other."""
    straight = tuple(range(1, len(treadling) + 1))
    return 3 <= len(treadling) <= MOST_GROUND_SHAFTS and treadling != straight == tuple(sorted(treadling))


def _sett_of(text: str) -> Fraction:
    return sett(float(text.replace(",", ".")))


def _suppose(subject: Subject) -> Supposed:
    """What is supposed where nothing was chosen: the ground weave by the treadles, cells about square."""
    treadles = max(subject.treadling)
    if _makes_an_order(subject.treadling):
        ground = OWN
    elif treadles <= 16 and (counters := satin_counters(treadles)):
        ground = f"satin-{treadles}-{counters[0]}"
    elif f"twill-{treadles}" in GROUNDS:
        ground = f"twill-{treadles}"
    else:
        ground = "plain" if treadles == 2 else "satin-5-2"
    picks = round(sum(subject.picks_per_row) / len(subject.picks_per_row))
    most = min(MOST_ENDS_PER_UNIT, max(1, MOST_ENDS // subject.cells.shape[1]))
    return Supposed(subject.treadling, ground, min(max(picks, 1), most), "20", "20")


def _read_supposed(subject: Subject, query: QueryParams) -> Supposed:
    supposed = _suppose(subject)
    if ground := query.get("ground"):
        if ground not in supposed.choices:
            raise NotUnderstood("Choose one of the ground weaves in the list.")
        supposed = replace(supposed, ground=ground)
    if ends := query.get("ends_per_unit"):
        if not is_count(ends) or not 1 <= int(ends) <= MOST_ENDS_PER_UNIT:
            raise NotUnderstood(f"Ends to a unit: a whole number from 1 to {MOST_ENDS_PER_UNIT}.")
        supposed = replace(supposed, ends_per_unit=int(ends))
    return replace(
        supposed,
        ends_per_cm=_read_sett(query.get("ends_per_cm"), "Ends") or supposed.ends_per_cm,
        picks_per_cm=_read_sett(query.get("picks_per_cm"), "Picks") or supposed.picks_per_cm,
    )


def _read_sett(text: str | None, what: str) -> str | None:
    if text and (not _SETT.fullmatch(text) or not 0 < _sett_of(text) <= MOST_TO_A_CM):
        raise NotUnderstood(f"{what} to a centimetre: a number above 0, such as 20 or 7.5.")
    return text


# --- what was asked for --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """What an address asks for, read.

    Attributes:
        supposed: None where the file tells the threads.
        longer_than: floats longer than this are counted.
    """

    subject: Subject
    draft: Draft
    supposed: Supposed | None
    window: Window
    view: View
    longer_than: int

    def address(
        self,
        window: Window | None = None,
        *,
        mark: Window | None = None,
        side: Side | None = None,
        width: int | None = None,
    ) -> str:
        """The address of the page with another part or side to be seen; with a width, of the picture."""
        window, mark, side = window or self.window, mark or self.view.mark, side or self.view.side
        told: dict[str, object] = {} if window == self.draft.whole else _window_told(window)
        told |= {"side": side, "warp": self.view.warp.key, "weft": self.view.weft.key}
        if mark is not None:
            told |= {f"mark_{key}": value for key, value in _window_told(mark).items()}
        told |= self.kept_fields
        if width is None:
            return f"{self.subject.address}?{urlencode(told)}"
        return f"{self.subject.address}.png?{urlencode(told | {'width': width})}"

    @property
    def kept_fields(self) -> dict[str, object]:
        """What every address and form carries along besides what is seen."""
        kept: dict[str, object] = {"longer": self.longer_than}
        if self.supposed is not None:
            kept |= {
                "ground": self.supposed.ground,
                "ends_per_unit": self.supposed.ends_per_unit,
                "ends_per_cm": self.supposed.ends_per_cm,
                "picks_per_cm": self.supposed.picks_per_cm,
            }
        return kept


def _window_told(window: Window) -> dict[str, object]:
    return {
        "ends": f"{window.ends.start + 1}-{window.ends.stop}",
        "picks": f"{window.picks.start + 1}-{window.picks.stop}",
    }


def _read(subject: Subject, query: QueryParams) -> Asked:
    """What an address asks for.

    Raises:
        NotUnderstood: with a sentence.
    """
    supposed = _read_supposed(subject, query) if subject.threads is None else None
    try:
        draft = Draft(
            subject.cells,
            subject.picks_per_row,
            supposed.treadling if supposed else subject.treadling,
            subject.threads or supposed.threads(subject.cells.shape[1]),  # type: ignore[union-attr]
        )
    except ValueError as why:
        raise NotUnderstood(str(why)) from None
    longer = query.get("longer", "")
    if longer and not is_count(longer):
        raise NotUnderstood("Longer than how many threads? Enter a whole number.")
    usual = max(repeat_across(draft), repeat_along(draft)) - 1
    return Asked(
        subject=subject,
        draft=draft,
        supposed=supposed,
        window=_read_window(draft, query, "") or _at_once(draft),
        view=View(
            warp=_yarn(query.get("warp") or "linen"),
            weft=_yarn(query.get("weft") or "indigo"),
            side=_side(query.get("side") or "front"),
            mark=_read_window(draft, query, "mark_"),
        ),
        longer_than=int(longer) if longer else usual,
    )


def _read_window(draft: Draft, query: QueryParams, prefix: str) -> Window | None:
    ends, picks = query.get(f"{prefix}ends"), query.get(f"{prefix}picks")
    if not ends and not picks:
        return None
    return Window(
        _read_range(ends, draft.ends, "ends"),
        _read_range(picks, draft.picks, "picks"),
    )


def _read_range(text: str | None, there_are: int, what: str) -> range:
    if not text:
        return range(there_are)
    found = _RANGE.fullmatch(text)
    if not found or not 1 <= int(found[1]) <= int(found[2]) <= there_are:
        raise NotUnderstood(f"There are no such {what} in this cloth: it has {there_are:,}.")
    return range(int(found[1]) - 1, int(found[2]))


def _yarn(key: str) -> Yarn:
    if key not in YARNS:
        raise NotUnderstood("Choose one of the yarns in the list.")
    return YARNS[key]


def _side(text: str) -> Side:
    for side in get_args(Side):
        if side == text:
            return side  # type: ignore[no-any-return]
    raise NotUnderstood("A cloth has two sides; choose one of them.")


# --- parts of a cloth to be looked at ------------------------------------------------------------------


def _at_once(draft: Draft) -> Window:
    """All of a cloth, or as much from its first pick on as goes into one picture."""
    return Window(range(draft.ends), range(min(draft.picks, max(1, MOST_CROSSINGS // draft.ends))))


def moved(draft: Draft, window: Window, way: Way, side: Side) -> Window:
    """The part next to a part, or closer, or farther; left and right as they are seen."""
    ends, picks = window.ends, window.picks
    across, along = (part.start + len(part) / 2 for part in (ends, picks))
    wide, high = len(ends), len(picks)
    if way == "closer":
        wide, high = wide // 2, high // 2
    elif way == "farther":
        wide, high = wide * 2, high * 2
    elif way in ("left", "right"):
        across += wide / 2 * (1 if (way == "right") == (side == "front") else -1)
    else:
        along += high / 2 * (1 if way == "up" else -1)
    return _part(draft, across, along, wide, high)


def ninths(draft: Draft, window: Window, side: Side) -> list[Window]:
    """Closer, around the middle of each ninth of a part: from the upper left to the lower right."""
    lefts = (1, 3, 5) if side == "front" else (5, 3, 1)
    return [
        _part(
            draft,
            window.ends.start + len(window.ends) * across / 6,
            window.picks.start + len(window.picks) * along / 6,
            len(window.ends) // 2,
            len(window.picks) // 2,
        )
        for along in (5, 3, 1)
        for across in lefts
    ]


def _part(draft: Draft, across: float, along: float, wide: int, high: int) -> Window:
    """So many ends and picks about a place, as far as the cloth goes, and as goes into one picture."""
    ends = _stretch(across, wide, draft.ends)
    return Window(ends, _stretch(along, min(high, MOST_CROSSINGS // len(ends)), draft.picks))


def _stretch(middle: float, length: int, there_are: int) -> range:
    length = min(max(length, FEWEST), there_are)
    start = min(max(round(middle - length / 2), 0), there_are - length)
    return range(start, start + length)


# --- the pages -----------------------------------------------------------------------------------------


_CONTROLS: tuple[tuple[Way, str], ...] = (
    ("closer", "Closer"),
    ("farther", "Farther"),
    ("left", "To the left"),
    ("right", "To the right"),
    ("up", "Up"),
    ("down", "Down"),
)


@dataclass(frozen=True, slots=True)
class Shown:
    """The picture on the page.

    Attributes:
        dots: width and height.
        closer: where a tap on each ninth of it leads.
        controls: way, its words, and where it leads.
        live: whether the page's script may ask for other parts itself: the whole must go into one picture.
    """

    picture: str
    dots: tuple[int, int]
    words: str
    whole: str
    closer: tuple[str, ...]
    controls: tuple[tuple[Way, str, str], ...]
    live: bool


def _shown(asked: Asked, counting: Counting) -> Shown:
    draft, window, side = asked.draft, asked.window, asked.view.side
    ratio = height_of(draft.threads, window, 10_000) / 10_000
    width = max(1, min(_WIDE, round(_HIGH / ratio)))
    return Shown(
        picture=asked.address(width=width),
        dots=(width, height_of(draft.threads, window, width)),
        words=_window_words(asked, counting),
        whole=asked.address(_at_once(draft)),
        closer=tuple(asked.address(part) for part in ninths(draft, window, side)),
        controls=tuple(
            (way, words, asked.address(moved(draft, window, way, side))) for way, words in _CONTROLS
        ),
        live=draft.whole.crossings <= MOST_CROSSINGS,
    )


def _window_words(asked: Asked, counting: Counting) -> str:
    window = asked.window
    first, last = sorted((counting.end(window.ends.start), counting.end(window.ends.stop - 1)))
    what = "the whole cloth, " if window == asked.draft.whole else ""
    return f"{what}ends {first:,}–{last:,}, picks {window.picks.start + 1:,}–{window.picks.stop:,}"


@router.get("/pieces/{piece}/cloth")
def show_piece(request: Request, piece: str) -> Response:
    """The cloth of a piece."""
    return _cloth_page(request, _piece_subject(request, piece))


@router.get("/designs/{design}/cloth")
def show_design(request: Request, design: str) -> Response:
    """The cloth of a design, as it is drawn now."""
    return _cloth_page(request, _design_subject(request, design))


@router.get("/pieces/{piece}/cloth.png")
def piece_picture(request: Request, piece: str) -> Response:
    """A picture of a piece's cloth."""
    return _picture(request, lambda: _piece_subject(request, piece))


@router.get("/designs/{design}/cloth.png")
def design_picture(request: Request, design: str) -> Response:
    """A picture of a design's cloth."""
    return _picture(request, lambda: _design_subject(request, design))


def _cloth_page(request: Request, subject: Subject) -> Response:
    message, status = "", 200
    asked: Asked | None
    try:
        asked = _read(subject, request.query_params)
    except NotUnderstood as why:
        message, status = str(why), 422
        try:
            asked = _read(subject, QueryParams())
        except NotUnderstood:
            asked, status = None, 200  # nothing was asked that could be asked otherwise
    if asked is None:
        return page("cloth.html", status=status, subject=subject, message=message, asked=None)
    draft, counting = asked.draft, Counting(asked.draft, subject.naming)
    found = floats_of(draft) if draft.whole.crossings <= MOST_GONE_THROUGH else None
    return page(
        "cloth.html",
        status=status,
        subject=subject,
        message=message,
        asked=asked,
        draft=draft,
        shown=_shown(asked, counting),
        sides=SIDE_WORDS,
        yarns=YARNS.values(),
        weave=weave_name(draft.threads.ground, draft.treadling),
        even=even_area_words(draft),
        floats=float_lines(found, counting, asked.longer_than) if found else [],
        warnings=warnings(draft, found, counting),
        gone_through=found is not None,
        edges=edges_told(draft),
    )


_MOST_KEPT = 4
_kept: dict[str, Bound] = {}
_keeping = threading.Lock()


def floats_of(draft: Draft) -> Bound:
    """The floats of a cloth; kept, because every part that is looked at asks for them again.

    They are kept by its fingerprint: a draft itself would hold all its cells.
    """
    with _keeping:
        found = _kept.pop(draft.fingerprint, None)
    if found is None:
        found = bound(draft)
    with _keeping:
        _kept[draft.fingerprint] = found  # the last asked for stands last
        while len(_kept) > _MOST_KEPT:
            del _kept[next(iter(_kept))]
    return found


def _picture(request: Request, subject: Callable[[], Subject]) -> Response:
    """A picture, not drawn again while the browser has it as it is."""
    try:
        asked, width = _read(subject(), request.query_params), request.query_params.get("width", "")
        if not is_count(width) or not int(width):
            raise NotUnderstood("How wide? Give the picture’s width in dots.")
        seen = (asked.draft.fingerprint, asked.window, int(width), asked.view)
        mark = f'"{hashlib.sha256(repr(seen).encode()).hexdigest()[:32]}"'
        headers = {"ETag": mark, "Cache-Control": "private, no-cache"}
        if mark in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        picture = draw(asked.draft, asked.window, int(width), asked.view)
    except ValueError as why:
        return PlainTextResponse(str(why), 422)
    return Response(png(picture), media_type="image/png", headers=headers)
