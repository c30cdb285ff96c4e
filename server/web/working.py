"""What takes long is not worked out in the request: it gets a page of its own, which shows how far it is.

A page that needs an answer asks `answer_to`; where that gives `Working`, it sends the browser there with
`to_working`, and is asked again when the answer is there.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import JSONResponse, Response

from server.design.design import piece_text
from server.design.piece_file import Unusable, read_piece
from server.plan.no_plan import NoPlan
from server.session.wording import minutes_text, several
from server.store.worked_out import Kept, PieceToCome, TooManyWait, UnderWay, Wanted
from server.ways.questions import QUESTIONS, refusal
from server.web.rendering import NotUnderstood, go_to, is_count, page, preferences_of, store_of
from server.working import Told, Workroom

router = APIRouter()

PLANNING_SECONDS = 120.0
"""For the plan of a piece. The best so far can be taken sooner."""

BUSY = "Other plans are being worked out already, so nothing was changed. Try again in a moment."

NOT_HERE = "Nothing of that number is being worked out here, and nothing was lately."

LONGEST_BACK = 4_000

_BACK = re.compile(
    r"(?P<home>/(?:pieces|designs|warps|working)/[0-9]{1,9})(?:/[a-z0-9/-]*)?(?:\?[A-Za-z0-9=&%.,+_~;:*!()-]*)?",
    re.ASCII,
)

_HOMES = {
    "pieces": "Back to the piece",
    "designs": "Back to the design",
    "warps": "Back to the warp",
    "working": "Back to what was asked",
}


@dataclass(frozen=True, slots=True)
class Working:
    """It is still being worked out, or that was stopped; the page of that number tells."""

    id: int


class NotWoven(NoPlan):
    """There is no plan.

    Attributes:
        said: why, as she counts.
        why_not: the address of the page that says what would do.
    """

    def __init__(self, why: NoPlan, said: str, why_not: str) -> None:
        super().__init__(*why.sentences)
        self.said = said
        self.why_not = why_not


def workroom_of(request: Request) -> Workroom:
    """Where this server works things out."""
    workroom: Workroom = request.app.state.workroom
    return workroom


def answer_to(
    request: Request, piece_text: str, kind: str, options: Mapping[str, Any], *, anew: bool = False
) -> dict[str, Any] | Working:
    """The answer to a question, found again or worked out within a moment; else it is being worked out.

    It may take a second or two, so it is for routes that are run in a thread.

    Args:
        piece_text: the file of the piece that it asks about.
        kind: one of `server.ways.questions.QUESTIONS`.
        options: JSON.
        anew: whether it is begun once more where it was stopped; not where a page is only looked at.

    Raises:
        NoPlan: if that is the answer.
        NotUnderstood: if the question makes no sense, or too many wait already; a sentence for the weaver.
    """
    try:
        kept, _ = workroom_of(request).ask(kind, piece_text, options, anew=anew)
    except TooManyWait:
        raise NotUnderstood(BUSY) from None
    except ValueError as why:
        raise NotUnderstood(str(why)) from why
    if kept.state == "answered":
        return kept.content
    if kept.state == "refused":
        refused = refusal(kept.content)
        raise refused if isinstance(refused, NoPlan) else NotUnderstood(str(refused))
    return Working(kept.id)


def to_working(request: Request, working: Working, back: str) -> Response:
    """Send the browser to the page that shows how far it is.

    Args:
        back: the address that asked, to which that page leads when the answer is there.
    """
    return go_to(request, address_of(working.id, back=back))


def address_of(question: int, *, back: str = "", to_come: int | None = None) -> str:
    """The address of the page of a question."""
    asked = {name: value for name, value in (("piece", to_come), ("back", back)) if value}
    return f"/working/{question}" + (f"?{urlencode(asked)}" if asked else "")


def why_not_address(question: int, *, back: str = "", to_come: int | None = None) -> str:
    """The address of the page that says what would do, where the question for a plan was refused."""
    path, mark, query = address_of(question, back=back, to_come=to_come).partition("?")
    return f"{path}/why-not{mark}{query}"


def plan_and_keep(request: Request, text: str, *, design: int | None = None) -> Response:
    """Put a piece among the pieces as soon as it is planned, and send the browser to it or to where it waits.

    Args:
        text: the piece’s file.
        design: id of the design that it was drawn as.

    Raises:
        Unusable: if the text is no piece.
        NotWoven: if there is no plan.
        NotUnderstood: if too many wait already, or what came out was wrong. Nothing is kept.
    """
    workroom, options = workroom_of(request), {"limit": PLANNING_SECONDS}
    try:
        kept, to_come = workroom.ask("plan", text, options, anew=True, wanted=Wanted(text, design))
    except TooManyWait:
        raise NotUnderstood(BUSY) from None
    come = store_of(request).worked_out.piece_to_come(to_come or 0)
    if come is not None and come.piece is not None:
        return go_to(request, f"/pieces/{come.piece}")
    if kept.state == "refused":
        raise _refused(request, kept, to_come, text)
    if kept.state == "answered" or kept.content.get("fault"):
        what, made = ("design", "no piece was made") if design else ("piece", "nothing was kept")
        raise NotUnderstood(
            f"The plan that Spareshaft worked out does not weave this {what}, so {made}. "
            f"The fault is Spareshaft’s, not the {what if design else 'file'}’s."
        )
    return go_to(request, address_of(kept.id, to_come=to_come))


def _refused(request: Request, kept: Kept, to_come: int | None, text: str) -> Exception:
    why = refusal(kept.content)
    if not isinstance(why, NoPlan):
        return NotUnderstood(str(why))
    naming = preferences_of(store_of(request)).naming(read_piece(text).loom)
    return NotWoven(why, why.counted(naming.shaft), why_not_address(kept.id, to_come=to_come))


# --- the page -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """What an address of this page names.

    Attributes:
        come: the piece that waits for the plan, if one does.
        back: the address that asked; "" for none.
    """

    kept: Kept
    come: PieceToCome | None
    back: str

    @property
    def home(self) -> tuple[str, str]:
        """Where to go where there is no answer, and how that is called."""
        if self.come is not None and self.come.design is not None:
            return f"/designs/{self.come.design}/bands", _HOMES["designs"]
        if (found := _BACK.fullmatch(self.back)) is not None:
            return found["home"], _HOMES[found["home"].split("/")[1]]
        return "/", "To the pieces"

    @property
    def why_not(self) -> str:
        """Where it is said what would do."""
        to_come = None if self.come is None else self.come.id
        return why_not_address(self.kept.id, back=self.back, to_come=to_come)

    @property
    def query(self) -> str:
        """What follows the address of the page, and of all that is done on it."""
        address = address_of(0, back=self.back, to_come=None if self.come is None else self.come.id)
        return address.removeprefix("/working/0")


def asked_of(request: Request, question: str, *, with_text: bool = True) -> Asked:
    """What an address names.

    Args:
        with_text: whether the file of the question’s piece is read as well.

    Raises:
        HTTPException: 404 if there is no such question.
    """
    worked_out = store_of(request).worked_out
    kept = worked_out.question(int(question), with_text=with_text) if is_count(question) else None
    if kept is None:
        raise HTTPException(404, NOT_HERE)
    said = dict(parse_qsl(request.url.query))
    back, piece = said.get("back", ""), said.get("piece", "")
    if len(back) > LONGEST_BACK or _BACK.fullmatch(back) is None:
        back = ""
    come = worked_out.piece_to_come(int(piece)) if is_count(piece) else None
    return Asked(kept, come if come is not None and come.question == kept.id else None, back)


@router.get("/working/{question}")
def show_working(request: Request, question: str) -> Response:
    """How far it is; or on to the answer, where it is there."""
    return _shown(request, asked_of(request, question))


def _shown(request: Request, asked: Asked, message: str = "", status: int = 200) -> Response:
    kept, come = asked.kept, asked.come
    workroom, store = workroom_of(request), store_of(request)
    if kept.is_unfinished:
        workroom.look_after(kept)
    if kept.state == "answered" and come is not None and come.piece is None:
        workroom.keep_pieces(kept.id)
        come = store.worked_out.piece_to_come(come.id)
    if come is not None and come.given_up and kept.state not in ("refused", "dropped"):
        kept = replace(
            kept, state="stopped"
        )  # for this piece; another is waiting for the same plan, or has it
    changed = "" if come is None else _changed_since(request, come)
    if kept.state == "answered":
        if come is not None and come.piece is not None and not changed:
            return go_to(request, f"/pieces/{come.piece}")
        if asked.back:
            return go_to(request, asked.back)
    far = _far(request, kept)
    home, home_words = asked.home
    why = refusal(kept.content) if kept.state == "refused" else None
    text = kept.piece_text if come is None else come.file_text or kept.piece_text
    return page(
        "working.html",
        status=status,
        kept=kept,
        come=come,
        query=asked.query,
        about=about_words(kept),
        called=_name_of(text),
        said=_why(request, why, kept.piece_text) if why else [],
        can_begin_anew=kept.state == "stopped" or bool(kept.piece_text),
        why_not=asked.why_not if isinstance(why, NoPlan) and kept.kind == "plan" else "",
        far=far,
        others=[queued(one) for one in store.worked_out.under_way() if one.kept.id in far["first"]],
        at_most=_at_most(kept),
        changed=changed,
        home=home,
        home_words=home_words,
        message=message,
    )


@router.get("/working/{question}/far")
def show_how_far(request: Request, question: str) -> Response:
    """How far it is, for the script of the page."""
    kept = asked_of(request, question, with_text=False).kept
    if kept.is_unfinished:
        workroom_of(request).look_after(kept)
    return JSONResponse({"state": kept.state} | _far(request, kept))


def _far(request: Request, kept: Kept) -> dict[str, Any]:
    """How far a question is.

    Returns:
        lines: sentences; share: for the bar, 0 … 1, or None; best: whether the best so far can be taken;
        first: ids of the questions that come first.
    """
    far: dict[str, Any] = {"lines": [], "share": None, "best": False, "first": []}
    if not kept.is_unfinished:
        return far
    told = workroom_of(request).told(kept.id)
    if told is None:
        first = store_of(request).worked_out.before(kept) if kept.state == "waiting" else []
        others = f"{several(len(first), 'other')} {'comes' if len(first) == 1 else 'come'} first."
        now = "It is begun in a moment."
        if workroom_of(request).is_elsewhere(kept):
            now = "Another Spareshaft with these pieces works on it."
        return far | {"lines": [others if first else now], "first": first}
    can_be_taken = kept.kind == "plan" and told.minutes is not None and not told.is_enough
    return far | {"lines": list(_lines(kept, told)), "share": _share(told), "best": can_be_taken}


@dataclass(frozen=True, slots=True)
class Queued:
    """A line for something that is being worked out.

    Attributes:
        name: of the piece; it may be blank.
        about: what is worked out of it.
        address: of its page, where it can be stopped.
    """

    name: str
    about: str
    address: str
    is_begun: bool


def queued(under_way: UnderWay) -> Queued:
    """The line of a question that is unfinished."""
    kept, come, back = under_way.kept, under_way.come, ""
    if come is None and under_way.pieces:
        back = f"/pieces/{under_way.pieces[0]}/ways"
    return Queued(
        _name_of(come.file_text if come is not None else kept.piece_text),
        about_words(kept),
        address_of(kept.id, back=back, to_come=None if come is None else come.id),
        kept.state == "working",
    )


def about_words(kept: Kept) -> str:
    """What a question asks, in a few words."""
    return QUESTIONS[kept.kind].about if kept.kind in QUESTIONS else "What was asked"


def _at_most(kept: Kept) -> str:
    """How long it is worked on, in a sentence; "" where that is not said with the question."""
    if (limit := _limit(kept)) is None:
        return ""
    longer = ", and longer only if there is no plan by then" if kept.kind == "plan" else ""
    return f"It is worked on for {seconds_text(limit)} at most{longer}."


def _limit(kept: Kept) -> float | None:
    """The seconds that a question may take; None where it does not say."""
    limit = kept.options.get("limit")
    return float(limit) if isinstance(limit, int | float) and 1.0 <= limit < 1e6 else None


def _lines(kept: Kept, told: Told) -> list[str]:
    lines = []
    if told.words:
        lines.append(told.words)
    if told.minutes is not None:
        lines.append(f"The best plan so far takes {minutes_text(told.minutes, True)} besides the weaving.")
        if told.bound is not None:
            lines.append(f"No plan takes fewer than {minutes_text(max(told.bound, 0.0), True)}.")
    elif kept.kind == "plan":
        lines.append("There is no plan yet.")
        if (limit := _limit(kept)) is not None and told.seconds > limit:
            lines.append(
                f"Its {seconds_text(limit)} are over. It goes on until there is a plan, or until you stop it."
            )
    if told.is_enough:
        lines.append("The best so far is being taken.")
    lines.append(f"Begun {seconds_text(told.seconds)} ago.")
    return lines


def _share(told: Told) -> float | None:
    """How much of it is done; of a plan, how much of the best so far is known to be needed by any."""
    if told.share is not None:
        return min(max(told.share, 0.0), 1.0)
    if told.minutes is None or told.bound is None:
        return None
    return min(max(told.bound / told.minutes, 0.0), 1.0) if told.minutes > 0 else 1.0


def seconds_text(seconds: float) -> str:
    """ "12 seconds", "3 minutes and 5 seconds"."""
    minutes, rest = divmod(int(seconds), 60)
    if not minutes:
        return several(rest, "second")
    return several(minutes, "minute") + (f" and {several(rest, 'second')}" if rest else "")


def _why(request: Request, why: NoPlan | ValueError, text: str) -> list[str]:
    if not isinstance(why, NoPlan):
        return [str(why)]
    naming = preferences_of(store_of(request)).naming(read_piece(text).loom)
    return [sentence.counted(naming.shaft) for sentence in why.sentences]


def _name_of(text: str) -> str:
    try:
        name = json.loads(text)["name"] if text else ""
    except (ValueError, KeyError, TypeError):
        return ""
    return str(name)


def _changed_since(request: Request, come: PieceToCome) -> str:
    """A sentence where the design is not any more what is being planned; "" where it is."""
    if come.design is None:
        return ""
    store = store_of(request)
    kept = store.board.design(come.design)
    if kept is None:
        return "The design has been thrown away since."
    planned = come.file_text if come.piece is None else store.piece_text(come.piece)
    try:
        now = piece_text(kept.name, kept.design, kept.warp)
    except Unusable:
        now = ""
    return "" if now == planned else "The design has been changed since."


# --- what is done on it -------------------------------------------------------------------------------


@router.post("/working/{question}/stop")
def stop(request: Request, question: str) -> Response:
    """Stop working it out; of what has ended meanwhile the page tells."""
    asked = asked_of(request, question)
    workroom_of(request).stop(asked.kept.id)
    return go_to(request, f"/working/{asked.kept.id}{asked.query}")


@router.post("/working/{question}/enough")
def enough(request: Request, question: str) -> Response:
    """The best plan so far will do."""
    asked = asked_of(request, question)
    if not workroom_of(request).enough(asked.kept.id) and asked.kept.is_unfinished:
        return _shown(
            request, asked, "There is no plan yet that could be taken. Look again in a moment.", 422
        )
    return go_to(request, f"/working/{asked.kept.id}{asked.query}")


@router.post("/working/{question}/again")
def again(request: Request, question: str) -> Response:
    """Begin it once more, where it was stopped or given up."""
    asked = asked_of(request, question)
    try:
        workroom_of(request).again(asked.kept.id, None if asked.come is None else asked.come.id)
    except TooManyWait:
        return _shown(request, asked, BUSY, 422)
    return go_to(request, f"/working/{asked.kept.id}{asked.query}")
