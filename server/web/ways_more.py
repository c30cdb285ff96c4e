"""What one more buys: the table of minutes and walks, her own loom marked in it, and what it says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.session.spoken import number_words
from server.session.wording import minutes_text, several
from server.ways.more import (
    HANDLES_FIELD,
    MOST_SECONDS,
    SHAFTS_FIELD,
    Cell,
    More,
    check_numbers,
    from_json,
    most_temporaries,
    own_numbers,
    usual_numbers,
)
from server.web.rendering import NotUnderstood, is_count, page, weaving_of
from server.web.ways_reckoned import FROM, Reckoned, Time, answer_of, kept_answer, reckoned_for
from server.web.working import Working, to_working

router = APIRouter()

TIME = Time(60.0, MOST_SECONDS)
"""For the whole table."""

SHOWN = 0.05
"""Minutes: less is not told."""

_ORDINALS = (
    "",
    "",
    "a second",
    "a third",
    "a fourth",
    "a fifth",
    "a sixth",
    "a seventh",
    "an eighth",
    "a ninth",
)


# --- what is said of it --------------------------------------------------------------------------------


def _more_words(number: int) -> str:
    """One more after so many: "a third"; before any, "one"."""
    if number < 2:
        return "one"
    return _ORDINALS[number] if number < len(_ORDINALS) else "one more"


def saved_words(one: Cell, other: Cell) -> str:
    """What the other saves: "4 walks and 12 minutes"; "nothing"."""
    if one.minutes is None or other.minutes is None or one.walks is None or other.walks is None:
        return "nothing"
    minutes, walks = one.minutes - other.minutes, one.walks - other.walks
    if minutes < SHOWN and walks <= 0:
        return "next to nothing" if minutes > 1e-6 else "nothing"
    if walks > 0:
        told = several(walks, "walk")
        return told if minutes < SHOWN else f"{told} and {minutes_text(minutes, True)}"
    return f"no walk, but {minutes_text(minutes, True)}"


def knee_words(line: Sequence[Cell], own: int, what: str, in_use: int = 0) -> list[str]:
    """What each one more is worth, in sentences: how far it pays, and what one more or fewer is to her.

    Args:
        line: what it takes with none, with one, and so on.
        own: how many her loom has.
        what: "spare shaft" or "spare handle".
        in_use: how many what stands in the loom takes now; with fewer there is no way on.
    """
    known = [number for number, cell in enumerate(line) if cell.minutes is not None]
    if not known:
        up_to = f"up to {several(len(line) - 1, what)}"
        if any(cell.is_possible for cell in line):
            return [f"What it takes with {up_to} could not be worked out in the time."]
        return [f"With {up_to} there is no plan."]
    first, said = known[0], list[str]()
    is_least = not any(cell.is_possible for cell in line[:first])
    if line[own].minutes is None:
        fewer = "with fewer there is none" if is_least else "with fewer none was found in the time"
        return [f"With {several(first, what)} there is a plan, and {fewer}."]
    knee = _knee(line, known)
    if knee > first:
        without = "without which there is no plan" if is_least else "with which a plan was found"
        if first == in_use:
            without = "in use now"
        begin = "" if not first else f"Beyond the {several(first, what)} {without}, "
        number = f"{number_words(knee - first)} {'more ' if first else ''}{what}{'s' * (knee - first > 1)}"
        saves = f"save{'s' * (knee - first == 1)} {saved_words(line[first], line[knee])}"
        sentence = _capital(f"{begin}{number} {saves}")
        if knee + 1 in known:
            sentence += f"; {_more_words(knee - first + 1)} saves {saved_words(line[knee], line[knee + 1])}"
        said.append(f"{sentence}.")
    elif first and own == first:
        no_plan = "There is no plan with" if is_least else "No plan was found in the time with"
        fewer = f"{no_plan} fewer than {several(first, what)}."
        if first == in_use:
            fewer = f"{several(first, what)} {'is' if first == 1 else 'are'} in use now."
        said.append(fewer)
    said += _more_than_own(line, own, knee, first, what)
    if not own == knee == first + 1:  # that was said
        said += _fewer_than_own(line, own, first, what)
    if not own == in_use == len(line) - 1:  # there is nothing to choose
        said += _advice(line, own, knee, what)
    if said and not all(cell.is_exact or not cell.is_possible for cell in line):
        said.append("That is as far as it could be worked out in the time.")
    return said


def _knee(line: Sequence[Cell], known: Sequence[int]) -> int:
    """So many save walks, and more of them save none; where none does, so many save minutes.

    Args:
        known: the numbers with which it is known what it takes.
    """
    first = knee = known[0]
    for number in known:
        if (line[number].walks or 0) < (line[knee].walks or 0):
            knee = number
    if knee > first:
        return knee
    lasts = [number for one, number in pairwise(known) if not line[number].is_as(line[one])]
    return lasts[-1] if lasts else first


def _is_known(cell: Cell) -> bool:
    """Whether the table says what it takes, or that there is no plan."""
    return cell.minutes is not None or not cell.is_possible


def _more_than_own(line: Sequence[Cell], own: int, knee: int, first: int, what: str) -> list[str]:
    """What one more than she has buys, if that was not said yet."""
    if own + 1 >= len(line) or (own == knee > first) or not _is_known(line[own + 1]):
        return []
    if all(cell.is_as(line[own]) for cell in line[own:]):
        if not all(cell.is_exact or not cell.is_possible for cell in line[own:]):
            return [f"With more {what}s than your loom has nothing better was found."]
        return [f"More {what}s than your loom has would save nothing."]
    return [f"One {what} more than your loom has would save {saved_words(line[own], line[own + 1])}."]


def _fewer_than_own(line: Sequence[Cell], own: int, first: int, what: str) -> list[str]:
    """What she could do without."""
    least = _as_well(line, own)
    if least < own:
        if not least:
            return [f"Your loom’s {several(own, what)} save nothing." if own > 1 else "Yours saves nothing."]
        do = "does" if least == 1 else "do"
        return [f"Of the {number_words(own)} that your loom has, {number_words(least)} {do} as well."]
    if own > first and line[own - 1].minutes is not None:
        return [f"With one {what} fewer than it has you would lose {saved_words(line[own - 1], line[own])}."]
    return []


def _as_well(line: Sequence[Cell], own: int) -> int:
    """The fewest with which it takes what it takes with hers."""
    return next(number for number, cell in enumerate(line) if cell.is_as(line[own]))


def _advice(line: Sequence[Cell], own: int, knee: int, what: str) -> list[str]:
    """How many are best, in a sentence; nothing where the table does not say so, or it was said."""
    is_open = not all(map(_is_known, line[max(own - 1, 0) : own]))
    is_open |= any(cell.is_possible and not cell.is_exact for cell in line[own + 1 : own + 2])
    if is_open or not line[1:] or _as_well(line, own) < own:
        return []
    if own < knee:
        return [f"{_capital(number_words(knee))} would be best."]
    return [f"{_capital(number_words(own)) if own else f'No {what}'}, as now, is best."]


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


# --- the table -----------------------------------------------------------------------------------------


NO_PLAN, IN_USE = "no plan", "more in use now"
"""Why there are no minutes."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A cell of the table.

    Attributes:
        minutes: "12.4"; from an hour on "1 hour 15 minutes"; "" where there is no plan, or none is known.
        unit: "minutes", where that is not in `minutes`.
        is_exact: whether no plan takes fewer.
        walks: "3 walks"; where there are no minutes, why.
        beside: what it is beside her own loom: "4 less", or "".
        is_own: whether it is her own loom.
    """

    minutes: str
    unit: str
    is_exact: bool
    walks: str
    beside: str
    is_own: bool


@dataclass(frozen=True, slots=True)
class Line:
    """The looms with so many spare shafts; or with several numbers of them, where none has a plan.

    Attributes:
        words: how many.
        cells: () where none has a plan.
        why: why not.
    """

    words: str
    is_own: bool
    cells: tuple[Shown, ...]
    why: str = ""


def lines_of(found: More) -> list[Line]:
    """The table: the fewest spare shafts first."""
    in_use = never = found.in_use[0]
    while never < found.own[0] and not any(cell.is_possible for cell in found.rows[never]):
        never += 1
    lines = [
        Line(str(first) if first == last else f"{first} to {last}", is_own=False, cells=(), why=why)
        for first, last, why in ((0, in_use - 1, IN_USE), (in_use, never - 1, NO_PLAN))
        if first <= last
    ]
    for shafts in range(never, len(found.rows)):
        cells = tuple(_shown(cell, found, shafts, handles) for handles, cell in enumerate(found.rows[shafts]))
        lines.append(Line(str(shafts), shafts == found.own[0], cells))
    return lines


def _shown(cell: Cell, found: More, shafts: int, handles: int) -> Shown:
    is_own = (shafts, handles) == found.own
    if cell.minutes is None or cell.walks is None:
        why = "not worked out" if cell.is_possible else IN_USE if handles < found.in_use[1] else NO_PLAN
        return Shown("", "", cell.is_exact, why, "", is_own)
    walks = several(cell.walks, "walk") if cell.walks else "no walk"
    beside = "" if is_own else _beside(cell, found.own_cell)
    minutes, unit = _number_and_unit(cell.minutes)
    return Shown(minutes, unit, cell.is_exact, walks, beside, is_own)


def _beside(cell: Cell, own: Cell) -> str:
    """What a loom takes beside hers."""
    if cell.minutes is None or own.minutes is None:
        return ""
    if cell.is_as(own):
        return "as yours" if cell.is_exact else "as yours, or less"
    saved = own.minutes - cell.minutes
    if abs(saved) < SHOWN:
        return "nearly as yours"
    return f"{_number_and_unit(abs(saved))[0]} {'less' if saved > 0 else 'more'}"


def _number_and_unit(minutes: float) -> tuple[str, str]:
    """Minutes as everywhere on these pages, for a narrow table."""
    number, _, unit = minutes_text(minutes, True).partition(" ")
    return (f"{number} {unit}", "") if unit.startswith("hour") else (number, unit)


# --- the page ------------------------------------------------------------------------------------------


@router.get("/pieces/{piece}/ways/more")
def show_more(
    request: Request, piece: str, shafts: str = "", handles: str = "", longer: str = ""
) -> Response:
    """The table, once it is said how far it goes; the usual one at once, if it was worked out before.

    Args:
        shafts: how far it goes, in spare shafts; with `handles` empty: two more than her loom has.
        longer: how often its time has been made longer.
    """
    weaving = weaving_of(request, piece)
    reckoned, refused = reckoned_for(weaving, request.query_params.getlist(FROM))
    typed = shafts, handles
    if refused:
        return _more_page(reckoned, typed, refused, 422)
    try:
        numbers, time = _numbers(reckoned, shafts, handles), TIME.read(longer)
        typed = str(numbers[0]), str(numbers[1])
        if {"shafts", "handles"}.isdisjoint(request.query_params):
            time, answer = _usual(request, reckoned, numbers)
        else:
            answer = answer_of(request, reckoned, "more", _options(numbers, time))
    except NotUnderstood as why:
        return _more_page(reckoned, typed, str(why), 422)
    if isinstance(answer, Working):
        return to_working(request, answer, _address(weaving.id, (*_told(numbers, time), *reckoned.fields)))
    return _more_page(reckoned, typed, time=time, found=None if answer is None else from_json(answer))


def _usual(
    request: Request, reckoned: Reckoned, numbers: tuple[int, int]
) -> tuple[Time, dict[str, Any] | Working | None]:
    """The answer that is kept, if there is one, and the time that it was given; of several the last."""
    time, kept = TIME, kept_answer(request, reckoned, "more", _options(numbers, TIME))
    while isinstance(kept, dict) and not _is_exact(from_json(kept)) and time.next is not None:
        answer = kept_answer(request, reckoned, "more", _options(numbers, time.next))
        if answer is None:
            break
        time, kept = time.next, answer
    return time, kept


def _options(numbers: tuple[int, int], time: Time) -> dict[str, Any]:
    return {"shafts": numbers[0], "handles": numbers[1], "limit": time.seconds}


def _told(numbers: tuple[int, int], time: Time) -> tuple[tuple[str, str], ...]:
    """What an address says of a table."""
    return ("shafts", str(numbers[0])), ("handles", str(numbers[1])), *time.fields


def _address(piece: int, told: Sequence[tuple[str, str]]) -> str:
    return f"/pieces/{piece}/ways/more?{urlencode(told)}"


def _more_page(
    reckoned: Reckoned,
    typed: tuple[str, str],
    message: str = "",
    status: int = 200,
    *,
    time: Time = TIME,
    found: More | None = None,
) -> Response:
    weaving, stands, loom = reckoned.weaving, reckoned.stands, reckoned.piece.loom
    if not any(typed):
        typed = _as_text(usual_numbers(reckoned.piece, stands))
    in_use = (0, 0) if found is None else found.in_use
    now = () if reckoned.now is None else ((FROM, str(reckoned.now.turn)),)
    return page(
        "ways_more.html",
        status=status,
        weaving=weaving,
        message=message,
        reckoned=reckoned,
        anew=_address(weaving.id, (("shafts", typed[0]), ("handles", typed[1]), *time.fields, *now)),
        found=found,
        lines=[] if found is None else lines_of(found),
        own_sum="" if found is None else _own_sum(found),
        by_handles=[]
        if found is None
        else knee_words(found.by_handles, found.own[1], "spare handle", in_use[1]),
        by_shafts=[]
        if found is None
        else knee_words(found.by_shafts, found.own[0], "spare shaft", in_use[0]),
        is_exact=found is None or _is_exact(found),
        unused=(loom.spare_shafts, loom.spare_handles) != own_numbers(reckoned.piece, stands),
        typed=[text[:9] for text in typed],
        labels=(SHAFTS_FIELD, HANDLES_FIELD),
        fields=reckoned.fields,
        time=time,
        at_most=TIME.words,
        most=most_temporaries(reckoned.piece, stands),
    )


def _as_text(numbers: tuple[int, int]) -> tuple[str, str]:
    return str(numbers[0]), str(numbers[1])


def _is_exact(found: More) -> bool:
    return all(cell.is_exact or not cell.is_possible for row in found.rows for cell in row)


def _numbers(reckoned: Reckoned, shafts: str, handles: str) -> tuple[int, int]:
    """How far the table shall go; what is left empty is as usual.

    Raises:
        NotUnderstood: if it cannot go so far; says why.
    """
    stands = reckoned.stands
    usual = usual_numbers(reckoned.piece, stands)
    read = [
        number if not text.strip() else int(text) if is_count(text.strip()) else text
        for text, number in zip((shafts, handles), usual, strict=True)
    ]
    if not handles.strip() and isinstance(read[0], int):
        read[1] = min(usual[1], read[0])
    try:
        return check_numbers(reckoned.piece, *read, stands=stands)
    except ValueError as why:
        raise NotUnderstood(str(why)) from why


def _own_sum(found: More) -> str:
    own = found.own_cell
    if own.minutes is None or own.walks is None:
        return ""
    walks = several(own.walks, "walk") if own.walks else "no walk"
    return f"{minutes_text(own.minutes, True)} and {walks}"
