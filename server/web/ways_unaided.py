"""Without any temporary: the nearest design that the loom weaves as it hangs, and what it changes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from server.design.piece import Piece
from server.loom.actions import and_list
from server.session.naming import Naming
from server.session.wording import numbers_text, several
from server.store.weavings import Weaving
from server.ways.unaided import Unaided, unaided
from server.web.drawings import Drawn
from server.web.drawn import drawn_or_refusal, drawn_view
from server.web.rendering import NotUnderstood, naming_of, number_of, page, weaving_of
from server.web.ways import Block, becomes, take, way_picture

router = APIRouter()

WHOLE = "whole"
"""How an address says that a shaft is lifted whole where that changes as many cells as to leave it down."""
MOST_BLOCKS = 20
MOST_NAMED = 6
"""Places that a sentence names; more would not be read."""

_BLOCK = re.compile(r"([0-9]{1,9})-([0-9]{1,9})-([0-9]{1,9})-([0-9]{1,9})", re.ASCII)


def blocks_of(stay: Sequence[str], piece: Piece) -> tuple[Block, ...]:
    """Blocks that stay as they are, from an address or a form, as the piece's file counts.

    Raises:
        NotUnderstood: if they are none of this piece.
    """
    if len(stay) > MOST_BLOCKS:
        raise NotUnderstood(f"At most {MOST_BLOCKS} blocks can stay; put some together.")
    rows, units = len(piece.rows), len(piece.loom.leashes)
    blocks: list[Block] = []
    for text in stay:
        found = _BLOCK.fullmatch(text)
        r1, r2, u1, u2 = map(int, found.groups()) if found else (0, 0, 0, 0)
        if not (1 <= r1 <= r2 <= rows and 1 <= u1 <= u2 <= units):
            raise NotUnderstood("What stays could not be read, so all may change. Say it again.")
        if (r1, r2, u1, u2) not in blocks:
            blocks.append((r1, r2, u1, u2))
    return tuple(blocks)


def new_block(typed: Sequence[str], piece: Piece, naming: Naming, *, is_sent: bool = False) -> Block | None:
    """The block that she typed, as she counts; either corner may come first. None if there is none.

    Args:
        typed: first and last row, first and last unit; where a last one is empty it is the first.
        is_sent: whether it was sent by its form, and not by a link that has none.

    Raises:
        NotUnderstood: if it is none of this piece, or she left all empty and sent it.
    """
    if not any(text.strip() for text in typed):
        if is_sent:
            raise NotUnderstood("What shall stay? Write its rows and units first.")
        return None
    first_row, last_row, first_unit, last_unit = typed
    rows, units = len(piece.rows), len(piece.loom.leashes)
    r1 = number_of(first_row, "From row", 1, rows)
    r2 = number_of(last_row, "To row", 1, rows) if last_row.strip() else r1
    u1 = naming.unit(number_of(first_unit, "From unit", 1, units))
    u2 = naming.unit(number_of(last_unit, "To unit", 1, units)) if last_unit.strip() else u1
    return min(r1, r2), max(r1, r2), min(u1, u2), max(u1, u2)


@lru_cache(maxsize=8)
def without(piece: Piece, blocks: tuple[Block, ...], even: str) -> Unaided:
    """The nearest design for a piece of which these blocks stay; worked out once.

    Args:
        even: what an address or a form says of where it is even: `WHOLE`, or what else it may be.
    """
    fixed: dict[int, frozenset[int]] = {}
    across: dict[tuple[Block, ...], frozenset[int]] = {}  # few, however many rows the blocks go over
    for row in sorted({row for first, last, _, _ in blocks for row in range(first, last + 1)}):
        here = tuple(block for block in blocks if block[0] <= row <= block[1])
        if here not in across:
            across[here] = frozenset(unit for _, _, u1, u2 in here for unit in range(u1, u2 + 1))
        fixed[row] = across[here]
    return unaided(piece, fixed, even_whole=even == WHOLE)


@router.get("/pieces/{piece}/ways/unaided")
def show_unaided(
    request: Request,
    piece: str,
    row: str = "",
    to_row: str = "",
    unit: str = "",
    to_unit: str = "",
    even: str = "",
) -> Response:
    """The nearest design.

    Args:
        row: with the others a block more that stays, as she counts; those that stay already are `stay`.
    """
    weaving = weaving_of(request, piece)
    typed = (row, to_row, unit, to_unit)
    blocks: tuple[Block, ...] = ()
    try:
        blocks = blocks_of(request.query_params.getlist("stay"), weaving.piece)
        is_sent = "row" in request.query_params
        one_more = new_block(typed, weaving.piece, naming_of(request, weaving), is_sent=is_sent)
        blocks = with_one_more(blocks, one_more, weaving.piece)
    except NotUnderstood as why:
        return _unaided_page(request, weaving, blocks, even, str(why), 422, typed)
    return _unaided_page(request, weaving, blocks, even)


@router.post("/pieces/{piece}/ways/unaided/take")
async def take_unaided(request: Request, piece: str) -> Response:
    """Make it the design."""
    form = await request.form(max_files=0, max_fields=MOST_BLOCKS + 5)
    stay = [text for text in form.getlist("stay") if isinstance(text, str)]
    even = WHOLE if form.get("even") == WHOLE else ""

    def make() -> Response:
        weaving = weaving_of(request, piece)
        blocks: tuple[Block, ...] = ()
        try:
            blocks = blocks_of(stay, weaving.piece)
            found = without(weaving.piece, blocks, even)
            if found.stuck or not found.changed:
                raise NotUnderstood("There is nothing to take: no cell of the design would change.")
            return take(request, weaving, found.rows, "without temporaries")
        except NotUnderstood as why:
            return _unaided_page(request, weaving, blocks, even, f"{why} Nothing was made.", 422)

    return await run_in_threadpool(make)


def _unaided_page(
    request: Request,
    weaving: Weaving,
    blocks: tuple[Block, ...],
    even: str,
    message: str = "",
    status: int = 200,
    typed: Sequence[str] = ("", "", "", ""),
) -> Response:
    naming, found = naming_of(request, weaving), without(weaving.piece, blocks, even)
    fields = _fields(blocks, even)
    here = f"/pieces/{weaving.id}/ways/unaided"
    first = found.changed[:1]
    usual = Drawn.about(weaving.piece, [cell.row for cell in first], [cell.unit for cell in first])
    drawn, refused = drawn_or_refusal(usual, naming, request.query_params)
    if refused and not message:
        message, status = refused, 422
    return page(
        "ways_unaided.html",
        status=status,
        weaving=weaving,
        message=message,
        found=found,
        rows_changed=len({cell.row for cell in found.changed}),
        lifted=sum(cell.lifted for cell in found.changed),
        minutes=weaving.piece.minutes.pull * found.pulls,
        stuck=_stuck_words(found, naming),
        picture=way_picture(weaving.piece, found.rows, naming, drawn, blocks),
        drawn=drawn_view(drawn, naming, here, fields),
        becomes=becomes(request, weaving),
        stay=[
            (
                block_words(block, naming),
                _address(here, _fields([other for other in blocks if other != block], even)),
            )
            for block in blocks
        ],
        fields=fields,
        is_whole=even == WHOLE,
        other_words=_other_words(weaving.piece, blocks, even) if found.even else "",
        other_way=_address(here, _fields(blocks, "" if even == WHOLE else WHOLE)),
        typed=[text[:20] for text in typed],
    )


def _other_words(piece: Piece, blocks: tuple[Block, ...], even: str) -> str:
    """What would be otherwise if it were the other way where it is even, in a sentence."""
    here, there = (without(piece, blocks, way) for way in (even, "" if even == WHOLE else WHOLE))
    both = list(zip(here.rows, there.rows, strict=True))
    filled, emptied = (sum(len(new - old) for old, new in way) for way in (both, [(b, a) for a, b in both]))
    told = []
    if filled:
        told.append(f"{several(filled, 'cell')} {'is' if filled == 1 else 'are'} lifted instead of kept down")
    if emptied:
        number = f"{emptied:,}" if filled else several(emptied, "cell")
        told.append(f"{number} {'is' if emptied == 1 else 'are'} kept down instead of lifted")
    return f"The other way {and_list(told)}; as many change as now." if told else "The other way is the same."


def _fields(blocks: Sequence[Block], even: str) -> list[tuple[str, str]]:
    """What an address or a form says, for all of it to stay so."""
    return [*(("stay", block_text(block)) for block in blocks), *([("even", WHOLE)] if even == WHOLE else [])]


def _address(here: str, fields: Sequence[tuple[str, str]]) -> str:
    return f"{here}?{urlencode(fields)}" if fields else here


def with_one_more(blocks: tuple[Block, ...], block: Block | None, piece: Piece) -> tuple[Block, ...]:
    """The blocks that stay with one more, once; `NotUnderstood` where they are too many then."""
    if block is None or block in blocks:
        return blocks
    return blocks_of([*map(block_text, blocks), block_text(block)], piece)


def block_text(block: Block) -> str:
    """A block of cells that stay, as a form carries it."""
    return "-".join(map(str, block))


def block_words(block: Block, naming: Naming) -> str:
    """A block of cells that stay, as she counts."""
    r1, r2, u1, u2 = block
    rows = f"row {r1}" if r1 == r2 else f"rows {r1}–{r2}"
    ends = sorted((naming.unit(u1), naming.unit(u2)))
    units = f"unit {ends[0]}" if u1 == u2 else f"units {ends[0]}–{ends[1]}"
    return f"{rows}, {units}"


def _stuck_words(found: Unaided, naming: Naming) -> str:
    """Where the cells that stay leave the loom nothing that it can do; "" if nowhere."""
    if not found.stuck:
        return ""
    by_shaft: dict[int, list[int]] = {}
    for stuck in found.stuck:
        by_shaft.setdefault(naming.shaft(stuck.shaft), []).append(stuck.row)
    named = [
        f"shaft {shaft} in row{'s' * (len(rows) > 1)} {numbers_text(rows)}"
        for shaft, rows in sorted(by_shaft.items())
    ]
    rest = len(named) - MOST_NAMED
    if rest > 0:
        named = [*named[:MOST_NAMED], f"{rest} shafts more"]
    return and_list(named)
