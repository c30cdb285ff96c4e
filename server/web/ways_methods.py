"""Other methods than temporary shafts: single draw cords, picking up by hand, keeping the temporaries in."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from itertools import islice

from fastapi import APIRouter, Request
from pydantic import TypeAdapter, ValidationError
from starlette.responses import RedirectResponse, Response

from server.design.piece import Piece
from server.plan.no_plan import NoPlan
from server.plan.workorder import Totals
from server.session.wording import minutes_text, numbers_text, several
from server.store.database import Store
from server.store.weavings import Weaving
from server.ways.methods import (
    FEW_WALKS,
    FEWEST_COPIES,
    MOST_BY_HAND,
    MOST_COPIES,
    MOST_CORD_MINUTES,
    MOST_HAND_MINUTES,
    MOST_MINUTES_A_ROW,
    MOST_PICKS_BY_HAND,
    MOST_WEAVINGS,
    ROWS_TO_A_WALK,
    Assumptions,
    Methods,
    Verdict,
    WithPlans,
    copies_for,
    from_json,
    lacking,
    methods,
    options_for,
)
from server.web.preferences import Sent
from server.web.rendering import NotUnderstood, go_to, naming_of, number_of, page, store_of, weaving_of
from server.web.warp_form import read_decimal
from server.web.working import Working, answer_to, to_working

router = APIRouter()

MOST_ROWS_TOLD = 1_000
"""Rows that lack something, one by one."""


# --- what the weaver says --------------------------------------------------------------------------------

_ASSUMED = TypeAdapter(Assumptions)


def assumed_for(store: Store, piece: int) -> Assumptions:
    """What the weaver said for a piece; the guess where she never did.

    Where she never said how many in a row, that follows how often she will weave it.
    """
    kept = store.preferences().get(_key(piece), "{}")
    try:
        assumed = _ASSUMED.validate_json(kept)
    except ValidationError:
        return Assumptions()
    return assumed if "copies" in json.loads(kept) else replace(assumed, copies=copies_for(assumed.weavings))


def _key(piece: int) -> str:
    return f"methods:{piece}"


def _read(sent: Mapping[str, str]) -> Assumptions:
    """What a form says. NotUnderstood with a sentence if it cannot be used."""
    return Assumptions(
        cord=float(
            read_decimal(
                sent.get("cord", ""),
                "Minutes to string one single draw cord",
                "cord",
                MOST_CORD_MINUTES,
                zero=True,
            )
        ),
        hand=float(
            read_decimal(
                sent.get("hand", ""),
                "Minutes to pick one unit up by hand, for one pick",
                "hand",
                MOST_HAND_MINUTES,
                zero=True,
            )
        ),
        weavings=number_of(sent.get("weavings", ""), "How often you will weave it", 1, MOST_WEAVINGS),
        copies=number_of(
            sent.get("copies", ""), "How many in a row, on one warp", FEWEST_COPIES, MOST_COPIES
        ),
    )


def _typed(assumed: Assumptions) -> dict[str, str]:
    return {name: f"{value:g}" for name, value in asdict(assumed).items()}


# --- what is said to her ---------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def methods_of(piece: Piece, totals: Totals, assumed: Assumptions) -> Methods:
    """The other methods; worked out once for a piece."""
    return methods(piece, totals, assumed)


@dataclass(frozen=True, slots=True)
class AdviceWords:
    """The advice in words.

    Attributes:
        sentence: what we would do.
        because: why, a sentence each.
        to_do: what the button says that leads on, and its address.
    """

    verdict: Verdict
    sentence: str
    because: tuple[str, ...]
    to_do: tuple[str, str]


_SENTENCES: dict[Verdict, str] = {
    "nothing needed": "There is nothing to decide: the loom lifts every row as it hangs.",
    "temporaries": "Weave it with temporary shafts, as it is planned.",
    "by hand": "Pick the units up by hand: they are few.",
    "wrong method": "Temporary shafts are the wrong method for this.",
}


def advice_words(weaving: Weaving, found: Methods, assumed: Assumptions) -> AdviceWords:
    """What we would say to her, with the figures."""
    here, rows = f"/pieces/{weaving.id}", len(weaving.piece.rows)
    verdict, plan, hand = found.advice.verdict, found.plan, found.by_hand
    to_do, because = ("To the plan", here), list[str]()
    if verdict == "temporaries":
        rhythm = _does(plan.walks, "walk", f" in {several(rows, 'row')}", "leaves", "leave")
        because = [f"{rhythm} the weaving its rhythm, and {_cords_pay(found)}.", *_not_by_hand(found)]
    elif verdict == "by hand":
        lack = _does(hand.rows, "row", "", "lacks", "lack")
        because = [
            f"{lack} at most {several(hand.most, 'unit')} for a pick. Picking them up takes about "
            f"{minutes_text(hand.minutes, True)} in all, and the plan {minutes_text(plan.minutes, True)}."
        ]
        to_do = ("How that goes", f"{here}/ways/methods#by-hand")
    elif verdict == "wrong method":
        because = _why_wrong(found, assumed, rows, rows * len(weaving.piece.loom.leashes))
        to_do = ("See the other methods", f"{here}/ways/methods#cords")
    return AdviceWords(verdict, _SENTENCES[verdict], tuple(because), to_do)


def _why_wrong(found: Methods, assumed: Assumptions, rows: int, cells: int) -> list[str]:
    plan, cords, reasons = found.plan, found.cords, found.advice.reasons
    because = []
    if "no rhythm" in reasons:
        apart = rows / plan.walks
        every = f": one every {f'{apart:.1f}'.removesuffix('.0')} rows" if apart >= 1.05 else ""
        because.append(f"There would be {several(plan.walks, 'walk')} in {several(rows, 'row')}{every}.")
    if "changing outweighs" in reasons:
        each = minutes_text(plan.minutes / rows, True)
        because.append(
            f"It would take {minutes_text(plan.minutes, True)} besides the weaving, {each} for each row."
        )
    if "cords cost less" in reasons:
        times = "" if assumed.weavings == 1 else f" in {assumed.weavings:,} weavings"
        together = minutes_text(cords.stringing + assumed.weavings * cords.minutes, True)
        take = _does(len(cords.units), "single draw cord", ", strung and pulled,", "takes", "take")
        with_plan = minutes_text(assumed.weavings * plan.minutes, True)
        because.append(f"{take} {together}{times}; the plan takes {with_plan}.")
    else:
        because.append(f"{_cords_pay(found)}.")
    because += _not_by_hand(found)
    change = f"{found.changed:,} of {cells:,} cells {'changes' if found.changed == 1 else 'change'}"
    if found.leaves_nothing:
        because.append(f"Without any temporary {change}, and nothing of what needs one remains.")
    else:
        because.append(f"Or let it be symmetric: where {change}, the loom weaves it as it hangs.")
    return because


def _not_by_hand(found: Methods) -> list[str]:
    """Why what takes fewer minutes is not what we say, in a sentence, if it does."""
    hand = found.by_hand
    if hand.minutes >= found.plan.minutes:
        return []
    takes = minutes_text(hand.minutes, True)
    return [
        f"Picked up by hand it would take {takes}, but up to {several(hand.most, 'unit')} for a pick, "
        f"in {several(hand.picks, 'pick')}: beyond {several(MOST_BY_HAND, 'unit')}, or "
        f"{several(MOST_PICKS_BY_HAND, 'pick')}, one goes wrong."
    ]


def unaided_words(found: Methods) -> str:
    """What is given up for the nearest design without any temporary."""
    changed = f"{several(found.changed, 'cell')} change{'s' * (found.changed == 1)}"
    words = f"The nearest design that the loom weaves as it hangs: {changed}."
    return f"{words} Nothing of what needs a temporary remains." if found.leaves_nothing else words


def _does(number: int, what: str, more: str, one: str, many: str) -> str:
    """ "1 row lacks", "2 walks in 20 rows leave"."""
    return f"{several(number, what)}{more} {one if number == 1 else many}"


def _cords_pay(found: Methods) -> str:
    cords = found.cords
    strung = several(len(cords.units), "single draw cord")
    string = f"{strung} would take {minutes_text(cords.stringing, True)} to string"
    if cords.pays_from is None:
        return f"{string} and never pay"
    if cords.pays_from == 1:
        return f"{string}, which pays the first time already"
    return f"{string}, which pays if you weave it {cords.pays_from:,} times or more"


def judgement() -> str:
    """Where the advice changes, in words; the figures are those it goes by."""
    return (
        "This is our judgement, not a rule of the trade. We call temporary shafts the wrong method where "
        "single draw cords take fewer minutes in all, for as often as you weave it; where there are more "
        f"than {FEW_WALKS} walks and fewer than {ROWS_TO_A_WALK} rows to a walk; or where changing takes "
        f"more than {minutes_text(MOST_MINUTES_A_ROW)} a row. We say that units are few enough to be picked "
        f"up by hand where no pick lacks more than {several(MOST_BY_HAND, 'unit')}, in at most "
        f"{MOST_PICKS_BY_HAND} picks, and that takes fewer minutes than the plan."
    )


# --- the page --------------------------------------------------------------------------------------------


@router.get("/pieces/{piece}/ways/methods")
def show_methods(request: Request, piece: str) -> Response:
    """The other methods; those that take plans of their own are worked out when she asks for them."""
    return _methods_page(request, weaving_of(request, piece))


@router.post("/pieces/{piece}/ways/methods")
def keep_assumed(request: Request, piece: str, sent: Sent) -> Response:
    """Keep what she says: all of it, or nothing."""
    weaving = weaving_of(request, piece)
    try:
        _keep(request, weaving, sent)
    except NotUnderstood as why:
        return _methods_page(request, weaving, f"{why} Nothing was changed.", 422, typed=sent)
    return RedirectResponse(f"/pieces/{weaving.id}/ways/methods?kept=yes", 303)


def _keep(request: Request, weaving: Weaving, sent: Mapping[str, str]) -> None:
    store = store_of(request)
    before, told = assumed_for(store, weaving.id), asdict(_read(sent))
    is_left = told["copies"] == before.copies == copies_for(before.weavings)
    if is_left or told["copies"] == copies_for(told["weavings"]):
        del told["copies"]  # the field had it by itself
    store.set_preferences({_key(weaving.id): json.dumps(told)})


@router.post("/pieces/{piece}/ways/methods/planned")
def work_out(request: Request, piece: str, sent: Sent) -> Response:
    """Work out the methods that take plans of their own, by what she says; that is kept as well."""
    weaving = weaving_of(request, piece)
    if sent:
        try:
            _keep(request, weaving, sent)
        except NotUnderstood as why:
            return _methods_page(request, weaving, f"{why} Nothing was changed.", 422, typed=sent)
    return _planned(request, weaving, anew=True)


@router.get("/pieces/{piece}/ways/methods/planned")
def show_planned(request: Request, piece: str) -> Response:
    """The same, with the methods that take plans of their own."""
    return _planned(request, weaving_of(request, piece), anew=False)


def _planned(request: Request, weaving: Weaving, *, anew: bool) -> Response:
    store, here = store_of(request), f"/pieces/{weaving.id}/ways/methods/planned"
    options = options_for(weaving.order.totals, assumed_for(store, weaving.id))
    try:
        answer = answer_to(request, store.piece_text(weaving.id) or "", "methods", options, anew=anew)
    except NotUnderstood as why:
        return _methods_page(request, weaving, str(why), 422)
    except NoPlan as why:
        return _methods_page(request, weaving, why.counted(naming_of(request, weaving).shaft), 422)
    if isinstance(answer, Working):
        return to_working(request, answer, here)
    if anew:
        return go_to(request, f"{here}#set")
    return _methods_page(request, weaving, planned=from_json(answer))


def _methods_page(
    request: Request,
    weaving: Weaving,
    message: str = "",
    status: int = 200,
    *,
    typed: Mapping[str, str] | None = None,
    planned: WithPlans | None = None,
) -> Response:
    assumed = assumed_for(store_of(request), weaving.id)
    if not message and request.query_params.get("kept") == "yes":
        message = "Kept."
    found = methods_of(weaving.piece, weaving.order.totals, assumed)
    fields = _typed(assumed)
    if typed is not None:
        fields = {name: typed.get(name, "")[:40] for name in fields}
    naming = naming_of(request, weaving)
    units = naming.unit_numbers(found.cords.units)
    by_row = lacking(weaving.piece)
    return page(
        "ways_methods.html",
        status=status,
        weaving=weaving,
        message=message,
        found=found,
        assumed=assumed,
        guess=Assumptions(),
        typed=fields,
        advice=advice_words(weaving, found, assumed),
        judgement=judgement(),
        units=numbers_text(units) if units else "",
        by_hand=[
            (row, numbers_text(naming.unit_numbers(wanted)))
            for row, wanted in islice(by_row.items(), MOST_ROWS_TOLD)
        ],
        more_by_hand=max(0, len(by_row) - MOST_ROWS_TOLD),
        planned=planned,
        most_by_hand=MOST_BY_HAND,
        most_picks_by_hand=MOST_PICKS_BY_HAND,
    )
