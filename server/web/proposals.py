"""Ways on that are shown before they are taken: planned, told in figures, and taken as they were shown."""

from __future__ import annotations

import hashlib
import json
import logging
import threading
from collections import OrderedDict
from dataclasses import dataclass, replace

from fastapi import Request

from server.design.piece import Piece
from server.loom.legal import Refused
from server.plan.no_plan import NoPlan
from server.plan.replay import Mismatch
from server.plan.workorder import Totals
from server.session.cards import Card, Course, deal_course
from server.session.naming import Naming
from server.session.put_right import Proposal, course_of, sheds_known, what_is_left
from server.session.wishes import Wishes, wished
from server.store.courses import write_course
from server.store.weavings import Answer, Weaving
from server.web.rendering import NotUnderstood, store_of, tap_of
from server.web.turn_to_plan import turn_to_plan

PLANNING_SECONDS = 2.0

_log = logging.getLogger("spareshaft")

_lock = threading.Lock()


@dataclass(frozen=True, slots=True)
class Planned:
    """A proposal with its plan.

    Attributes:
        cards: what is to be done, instruction by instruction.
        mark: names this very plan; a form gives it back, so that no other is taken in its place.
        before: what the course that she follows still takes.
    """

    proposal: Proposal
    course: Course
    cards: tuple[Card, ...]
    mark: str
    before: Totals

    @property
    def after(self) -> Totals:
        """What the rest takes on this course."""
        return self.course.order.totals

    @property
    def proven(self) -> bool:
        """Whether no other way on takes fewer minutes."""
        return self.course.order.proven

    @property
    def saved(self) -> float:
        """Minutes that it takes less than the course that she follows; below 0: more."""
        return round(self.before.minutes - self.after.minutes, 6)


def wishes_of(weaving: Weaving) -> Wishes:
    """What she wishes of the walks by now: the course that she follows was planned with it."""
    course = weaving.place.course
    return weaving.courses[course - 1].wishes if course else Wishes()


def left_now(weaving: Weaving) -> Totals:
    """What the course that she follows still takes."""
    return what_is_left(wished(weaving.piece, wishes_of(weaving)), weaving.decks, weaving.place)


def planned(weaving: Weaving, proposal: Proposal, naming: Naming) -> Planned:
    """Work the plan out, or recall it.

    Args:
        naming: how she counts: so a refusal is told.

    Raises:
        NotUnderstood: if there is no way on, the loom cannot stand like that, or too many plans are being
            worked out; says why.
    """
    with turn_to_plan():
        try:
            course, cards, mark = _worked_out(weaving, proposal)
        except NoPlan as why:
            raise NotUnderstood(why.counted(naming.shaft)) from why
        except Refused as why:
            raise NotUnderstood(str(why)) from why
        except (Mismatch, ValueError) as fault:
            _log.exception("A plan on the way came out wrong.")
            raise NotUnderstood(
                "The plan that Spareshaft worked out does not weave what is left, so nothing was changed. "
                "The fault is Spareshaft’s."
            ) from fault
    return Planned(proposal, course, cards, mark, left_now(weaving))


_WorkedOut = tuple[Course, tuple[Card, ...], str]

_kept: OrderedDict[tuple[Piece, Proposal], _WorkedOut] = OrderedDict()
"""Plans that were shown lately, so that the very same is taken; one that is gone is worked out again."""

MOST_KEPT = 16


def _worked_out(weaving: Weaving, proposal: Proposal) -> _WorkedOut:
    piece = weaving.piece
    if (found := _kept.get((piece, proposal))) is None:
        known = sheds_known(weaving.decks, weaving.place)
        course = course_of(piece, proposal, known, limit=PLANNING_SECONDS)
        text = f"{proposal.why} {proposal.row} {write_course(course)}"
        mark = hashlib.sha256(text.encode()).hexdigest()
        found = course, deal_course(piece, course), mark
    with _lock:
        _kept[piece, proposal] = found
        _kept.move_to_end((piece, proposal))
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
    return found


def take(request: Request, weaving: Weaving, plan: Planned, shown: tuple[str, str], mark: str) -> Answer:
    """Follow this course from now on.

    Args:
        shown: card and turn that the form named.
        mark: that of the plan that she saw.

    Raises:
        NotUnderstood: if it is not this one.
    """
    if mark != plan.mark:
        raise NotUnderstood("The plan has come out otherwise than you saw it. Look it over, then take it.")
    detail = json.dumps({"why": plan.proposal.why, "row": plan.proposal.row})
    tap = replace(tap_of("course", shown), detail=detail)
    answer = store_of(request).tap(weaving.id, tap, course=plan.course)
    assert answer is not None  # pieces are never removed
    return answer
