"""What would it take: the ways to weave a piece side by side, and what all their pages share.

These pages look at a piece as it was planned when it came, or, where weaving has begun, at what is left of it
(`server.web.ways_reckoned`). Nothing on them changes a piece: a way that she takes becomes a new design, or a
new piece.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.design.piece import Piece
from server.session.naming import Naming
from server.session.wording import minutes_text, several
from server.store.weavings import Weaving
from server.store.worked_out import UnderWay
from server.ways.methods import Methods
from server.ways.taken import Rows, design_with, name_with, text_with
from server.web.drawings import Drawn, Tick, row_path
from server.web.plan import hand_totals, is_too_large_by_hand
from server.web.proposals import left_now
from server.web.rendering import NotUnderstood, go_to, page, store_of, weaving_of
from server.web.ways_methods import advice_words, assumed_for, judgement, methods_of, unaided_words
from server.web.ways_reckoned import FROM, Reckoned, reckoned_for
from server.web.working import address_of, plan_and_keep

router = APIRouter()


# --- a way that she takes --------------------------------------------------------------------------------


def take(request: Request, weaving: Weaving, rows: Rows, words: str) -> Response:
    """Make a way the design: a new one on the warp that the piece was drawn on, or a new piece.

    Args:
        rows: of the design.
        words: what was done to it, for its name: "without temporaries".

    Raises:
        NotUnderstood: if it cannot be kept; says why.
        NotWoven: if a new piece cannot be woven.
    """
    store, piece = store_of(request), weaving.piece
    name = name_with(piece.name, words)
    if (warp := _warp_of(request, weaving)) is not None:
        try:
            return go_to(request, f"/designs/{store.board.add_design(warp, name, design_with(piece, rows))}")
        except ValueError as why:
            raise NotUnderstood(str(why)) from why
    return plan_and_keep(request, text_with(store.piece_text(weaving.id) or "", rows, name))


def _warp_of(request: Request, weaving: Weaving) -> int | None:
    """The warp that the piece was drawn on; None if it was not drawn here, or hangs otherwise by now."""
    board = store_of(request).board
    kept = board.design(weaving.design) if weaving.design is not None else None
    if kept is None:
        return None
    then, now = weaving.piece.loom, kept.warp.loom
    is_same = (then.leashes, then.single_cords, then.pattern_shafts) == (
        now.leashes,
        now.single_cords,
        now.pattern_shafts,
    )
    return kept.warp_id if is_same else None


def becomes(request: Request, weaving: Weaving, *, on_the_way: bool = False) -> str:
    """What “Take this one” makes of a way, in a sentence.

    Args:
        on_the_way: whether it was asked for what is left of a piece that is begun.
    """
    what = "a new piece" if _warp_of(request, weaving) is None else "a new design on the same warp"
    if not on_the_way:
        return f"It becomes {what}; this piece stays as it is."
    return f"It becomes {what}, woven from its first row on. The piece that you are weaving goes on as it is."


# --- a way in a picture ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WayPicture:
    """A design, or a part of it, with what differs from the one drawn: row 1 at the bottom, unit 1 left.

    Attributes:
        units, rows: how many are drawn; `first_unit`, `first_row`: from which on, as files count.
        cell: pixels to a cell at full size.
        lifted: path data of all cells lifted now, for a stroke one cell thick.
        added: a dot on each cell that is lifted now and was not.
        gone: a ring on each cell that was lifted and is not now.
        kept: (x, y, width, height) of each block that stays as it is.
    """

    units: int
    rows: int
    first_unit: int
    first_row: int
    cell: int
    lifted: str
    added: str
    gone: str
    kept: tuple[tuple[int, int, int, int], ...]
    unit_ticks: tuple[Tick, ...]
    row_ticks: tuple[Tick, ...]


Block = tuple[int, int, int, int]
"""First and last row, first and last unit."""


def way_picture(
    piece: Piece, now: Rows, naming: Naming, drawn: Drawn, kept: Iterable[Block] = ()
) -> WayPicture:
    """A design with the cells marked that differ from the piece.

    Args:
        now: its rows.
        drawn: how much of it is drawn.
        kept: blocks that stay as they are.
    """
    lifted, added, gone = [], [], []
    for row in drawn.rows:
        old, new, y = piece.rows[row - 1], now[row - 1], drawn.y(row)
        lifted.append(row_path(drawn.across(new), y))
        added += [f"M{unit - 0.5:g} {y:g}h0" for unit in drawn.across(new - old)]
        gone += [f"M{unit - 0.78:g} {y - 0.28:g}h.56v.56h-.56z" for unit in drawn.across(old - new)]
    frames = (drawn.frame(range(r1, r2 + 1), range(u1, u2 + 1)) for r1, r2, u1, u2 in kept)
    return WayPicture(
        units=len(drawn.units),
        rows=len(drawn.rows),
        first_unit=drawn.units.start,
        first_row=drawn.rows.start,
        cell=max(6, min(16, 860 // len(drawn.units))),
        lifted="".join(lifted),
        added="".join(added),
        gone="".join(gone),
        kept=tuple(frame for frame in frames if frame is not None),
        unit_ticks=drawn.unit_ticks(naming),
        row_ticks=drawn.row_ticks(),
    )


# --- side by side ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Way:
    """A way in the list.

    Attributes:
        address: its page; "" if it has none.
        words: what it is, and what is given up for it.
        takes: minutes each time; "" where that is to be worked out.
        walks: walks each time; "" likewise.
        working: the page that shows how far it is; "" where it is not being worked out.
    """

    name: str
    address: str
    words: str
    takes: str = ""
    walks: str = ""
    working: str = ""


@router.get("/pieces/{piece}/ways")
def show_ways(request: Request, piece: str) -> Response:
    """The advice, and the ways side by side."""
    weaving, store = weaving_of(request, piece), store_of(request)
    reckoned, refused = reckoned_for(weaving, request.query_params.getlist(FROM))
    assumed = assumed_for(store, weaving.id)
    found = methods_of(weaving.piece, weaving.order.totals, assumed)
    known = known_ways(weaving, found) if reckoned.asked is None else _known_on_the_way(weaving)
    to_work_out = ways_to_work_out(reckoned, _working(store.worked_out.under_way(), reckoned))
    return page(
        "ways.html",
        status=422 if refused else 200,
        weaving=weaving,
        message=refused,
        reckoned=reckoned,
        advice=advice_words(weaving, found, assumed),
        judgement=judgement(),
        known=known,
        to_work_out=to_work_out if found.by_hand.rows else [],
    )


def _working(under_way: Iterable[UnderWay], reckoned: Reckoned) -> dict[str, str]:
    """By the kind of the question, the pages of what is being worked out of it."""
    back = _with(f"/pieces/{reckoned.weaving.id}/ways", reckoned)
    return {
        one.kept.kind: address_of(one.kept.id, back=back)
        for one in reversed(list(under_way))  # of several, the one that is there first
        if reckoned.weaving.id in one.pieces and reckoned.is_asked_with(one.kept.options)
    }


def _with(address: str, reckoned: Reckoned) -> str:
    """An address that says what is asked for, too."""
    path, mark, place = address.partition("#")
    return f"{path}?{urlencode(reckoned.fields)}{mark}{place}" if reckoned.fields else address


def _known_on_the_way(weaving: Weaving) -> list[Way]:
    """Of what is left, the ways whose figures are known at once."""
    left = left_now(weaving)
    words = "What is left to be done by the plan that you follow."
    return [_way("As it is drawn", f"/pieces/{weaving.id}", words, left.minutes, left.walks)]


def known_ways(weaving: Weaving, found: Methods) -> list[Way]:
    """The ways whose figures are known at once."""
    here, piece, plan = f"/pieces/{weaving.id}", weaving.piece, weaving.order.totals
    planned = "with temporary shafts, no plan takes fewer minutes"
    if not weaving.order.proven:
        planned = "with temporary shafts, the best plan that was found"
    if not found.by_hand.rows:
        planned = "the loom lifts every row as it hangs"
    ways = [_way("As it is drawn", here, f"As planned: {planned}.", plan.minutes, plan.walks)]
    if not found.by_hand.rows:
        return ways
    by_rule = None if is_too_large_by_hand(piece) else hand_totals(piece)
    if is_too_large_by_hand(piece):
        words = "As one plans it in one’s head. It is not worked out for so large a piece."
        ways.append(Way("Row by row", "", words))
    if by_rule is not None and by_rule.minutes > plan.minutes + 1e-6:
        words = "As one plans it in one’s head: each temporary put in when it is needed."
        ways.append(_way("Row by row", "", words, by_rule.minutes, by_rule.walks))
    ways.append(_way("Without any temporary", f"{here}/ways/unaided", unaided_words(found), found.unaided, 0))
    cords, by_hand = found.cords, found.by_hand
    words = (
        f"{several(len(cords.units), 'cord')} to string once, {minutes_text(cords.stringing, True)}; "
        f"up to {cords.most_at_once} pulled for a row."
    )
    ways.append(
        Way(
            "Single draw cords",
            f"{here}/ways/methods#cords",
            words,
            minutes_text(cords.minutes, True),
            "once strung, no walk",
        )
    )
    words = f"Up to {several(by_hand.most, 'unit')} for a pick, in {several(by_hand.picks, 'pick')}."
    ways.append(_way("Picked up by hand", f"{here}/ways/methods#by-hand", words, by_hand.minutes, 0))
    return ways


def _way(name: str, address: str, words: str, minutes: float, walks: int) -> Way:
    return Way(
        name, address, words, minutes_text(minutes, True), several(walks, "walk") if walks else "no walk"
    )


def ways_to_work_out(reckoned: Reckoned, working: Mapping[str, str]) -> list[Way]:
    """The ways that have to be worked out first.

    Args:
        working: by the kind of the question, the pages of what is being worked out.
    """
    here = f"/pieces/{reckoned.weaving.id}/ways"
    ways = [
        ("more", "What one more buys", "One spare shaft or spare handle more, or less."),
        ("places", "Where else it could sit", "The figure some units or rows away, or mirrored."),
        ("cells", "What a few cells are worth", "The same design but for one cell, two, three …"),
    ]
    if reckoned.asked is None:
        ways.append(("methods#set", "A set of them", "Several in a row on one warp, temporaries staying in."))
    return [
        Way(
            name,
            _with(f"{here}/{place}", reckoned),
            words,
            working=working.get(place.partition("#")[0], ""),
        )
        for place, name, words in ways
    ]
