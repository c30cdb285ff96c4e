"""Plans from any state: against exhaustive search, and through a replay that shares nothing with `server`."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.loom.actions import Refused
from server.loom.legal import check_state
from server.loom.state import State, Temporary
from server.plan.from_here import NoPlan, check_start, plan_from_here
from server.plan.replay import Mismatch, verify_from
from server.plan.workorder import WorkOrder, read_workorder, write_workorder
from tests.outside.courses import Course, is_within_a_row, random_course, state_of, visits_of
from tests.outside.exhaustive import Best, TooLarge, best_order
from tests.outside.pieces import examples, small_piece
from tests.outside.replayer import faults

CLOSE = Fraction(2, 10**6)
"""Minutes: WORKORDER.md allows a millionth, and rounds to one."""

Json = dict[str, Any]


def piece_and_course(seed: int) -> tuple[Json, Course]:
    """A small piece, and a way through it from somewhere."""
    rng = random.Random(seed)
    piece = small_piece(rng)
    return piece, random_course(rng, piece)


courses = st.integers(0, 2**63).map(piece_and_course)


def planned(piece: Json, course: Course) -> WorkOrder:
    """Our plan."""
    return plan_from_here(
        read_piece(json.dumps(piece)),
        state_of(course),
        visits_of(course),
        until_bare=course["until_bare"],
        free_now=course["free_now"],
        limit=20,
    )


def searched(piece: Json, course: Course) -> Best | None:
    """What exhaustive search finds: with a walk that breaks a row off only if it must be."""
    if is_within_a_row(course):
        best = best_order(piece, largest=1500, course=course, walk_now=False)
        if best is not None:
            return best
    return best_order(piece, largest=1500, course=course)


def small_course(**changes: Any) -> tuple[Json, Course]:
    """Three rows on one shaft of four units, and the way through all of them from the bare loom."""
    of_the_loom = {"spare_shafts", "spare_handles", "temporaries_per_shaft", "temporaries_may_stay"}
    of_the_piece = {"rows", "single_cords", "free_walks", "no_walks", "minutes", "picks_per_row"}
    piece: Json = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Small",
        "loom": {
            "pattern_shafts": 1,
            "spare_shafts": 2,
            "spare_handles": 0,
            "temporaries_per_shaft": 2,
            "temporaries_may_stay": True,
        }
        | {key: value for key, value in changes.items() if key in of_the_loom},
        "leashes": [1, 1, 1, 1],
        "single_cords": [],
        "rows": ["##..", "##..", "####"],
        "picks_per_row": [2],
        "free_walks": [],
        "no_walks": [],
        **{key: value for key, value in changes.items() if key in of_the_piece},
    }
    course: Course = {
        "row": 0,
        "picks": 0,
        "phase": "down",
        "temporaries": [],
        "cords": {},
        "labelled": None,
        "raised": [],
        "pulled": [],
        "visits": [[1, 0, 2], [2, 0, 2], [3, 0, 2]],
        "until_bare": True,
        "free_now": False,
        **{k: v for k, v in changes.items() if k not in of_the_loom | of_the_piece},
    }
    return piece, course


def temporary(name: str, *units: int) -> Json:
    return {"name": name, "shaft": 1, "units": list(units)}


# A temporary that no row needs, and that pays in pulls saved because it need not be drawn out at the end.
PAYS_FOR_ITSELF = small_course(
    single_cords=[1, 2],
    visits=[[1, 0, 2], [2, 0, 2]],
    until_bare=False,
    free_now=True,
    minutes={"pull": 1},
)
TWINS = {"temporaries": [temporary("1a", 1, 2), temporary("1b", 1, 2)]}


@examples(400)
@given(courses)
@example(small_course())
@example(small_course(**TWINS, cords={"1": "1a", "S1": "1b"}, spare_handles=1, labelled=[1]))
@example(small_course(**TWINS, cords={"1": "1b"}))
@example(small_course(**TWINS, cords={"S1": "1b"}, spare_handles=2, temporaries_may_stay=False))
@example(small_course(**TWINS, no_walks=[0, 1, 2]))
@example(small_course(**TWINS, phase="behind", cords={"1": None}))
@example(small_course(phase="behind", visits=[], until_bare=False))
@example(small_course(phase="behind", visits=[], cords={"1": None}, until_bare=True))
@example(small_course(temporaries=[temporary("1c", 3)], visits=[]))
@example(small_course(temporaries=[temporary("1c", 3)], visits=[], no_walks=[0]))
@example(small_course(row=3, visits=[[3, 2, 0], [2, 2, 0], [1, 2, 1]], until_bare=False))
@example(small_course(row=3, visits=[[3, 2, 0], [2, 2, 0], [2, 0, 2], [3, 0, 2]]))
@example(small_course(row=2, visits=[[3, 0, 2]], until_bare=False, minutes={"withdraw": 9}))
@example(PAYS_FOR_ITSELF)
def test_no_course_has_a_cheaper_order(found: tuple[Json, Course]) -> None:
    piece, course = found
    try:
        best = searched(piece, course)
    except TooLarge:
        assert piece["name"] != "Small", "the examples written down here are looked at"
        return
    if best is None:
        with pytest.raises(NoPlan, match=r"\.$"):
            planned(piece, course)
        return
    order = planned(piece, course)
    assert faults(piece, json.loads(write_workorder(order)), course) == []
    minutes = Fraction(order.totals.minutes)
    assert minutes >= best.minutes - CLOSE
    assert Fraction(order.bound) <= best.minutes + CLOSE
    assert order.proven, "small enough to be proven"
    assert minutes <= best.minutes + CLOSE
    assert order.totals.walks == best.walks


@examples(150)
@given(courses, st.randoms(use_true_random=False))
def test_our_replay_agrees_with_the_independent_one(found: tuple[Json, Course], rng: random.Random) -> None:
    """On orders with one thing changed in them: what the one lets through the other does."""
    piece, course = found
    try:
        content = json.loads(write_workorder(planned(piece, course)))
    except NoPlan:
        return
    if not content["steps"]:
        return
    place = rng.randrange(len(content["steps"]))
    step = content["steps"][place]
    key = rng.choice(sorted(step))
    match step[key]:
        case _ if rng.random() < 0.3:
            del content["steps"][place]
        case "raise":
            step[key] = "reopen"
        case "reopen":
            step[key] = "raise"
        case int(value):
            step[key] = value + rng.choice([-1, 1])
        case list(value) if value:
            step[key] = value[:-1]
        case None:
            step[key] = "1"
        case _:
            content["steps"].insert(place, step)
    assert let_through(piece, course, content) == (faults(piece, content, course) == [])


def let_through(piece: Json, course: Course, content: Json) -> bool:
    """Whether our replay finds nothing wrong."""
    try:
        verify_from(
            read_piece(json.dumps(piece)),
            state_of(course),
            visits_of(course),
            read_workorder(json.dumps(content)),
            until_bare=course["until_bare"],
            free_now=course["free_now"],
        )
    except Mismatch:
        return False
    return True


def check_course(piece: Json, course: Course) -> None:
    """The start is legal, as the server has it."""
    check_start(read_piece(json.dumps(piece)), state_of(course))


@examples(200)
@given(courses)
def test_every_start_among_these_is_legal(found: tuple[Json, Course]) -> None:
    check_course(*found)


def spoil(rng: random.Random, piece: Json, state: State) -> tuple[State, str] | None:
    """A state that the rules do not allow, and a word of what is wrong with it; None where it cannot be."""
    read = read_piece(json.dumps(piece))
    loom = read.loom
    wide = [shaft for shaft, units in loom.units_by_shaft.items() if len(units) > 1]
    shaft = rng.choice(sorted(loom.units_by_shaft) or [1])
    hung = sorted(loom.units_of(shaft))
    kind = rng.choice(list(SPOILT))

    def with_one(name: str, parent: int, units: frozenset[int]) -> State:
        return replace(state, temporaries=(*state.temporaries, Temporary(name, parent, units)))

    match kind:
        case "whole" if hung:
            return with_one(f"{shaft}q", shaft, frozenset(hung)), SPOILT[kind]
        case "empty":
            return with_one(f"{shaft}q", shaft, frozenset()), SPOILT[kind]
        case "stray" if len(hung) < len(loom.leashes):
            stray = next(u for u in range(1, len(loom.leashes) + 1) if u not in hung)
            return with_one(f"{shaft}q", shaft, frozenset({stray})), SPOILT[kind]
        case "name" if wide:
            return with_one("7", wide[0], frozenset(sorted(loom.units_of(wide[0]))[:1])), SPOILT[kind]
        case "doubled" if state.temporaries:
            return replace(state, temporaries=(*state.temporaries, state.temporaries[0])), SPOILT[kind]
        case "room" if wide:
            units = frozenset(sorted(loom.units_of(wide[0]))[:1])
            more = [Temporary(f"{wide[0]}q{'q' * n}", wide[0], units) for n in range(loom.spare_shafts + 1)]
            return replace(state, temporaries=(*state.temporaries, *more)), SPOILT[kind]
        case "handle":
            return replace(state, away=(*state.away, ("S9", None))), SPOILT[kind]
        case "carrier" if str(shaft) not in dict(state.away):
            return replace(state, away=(*state.away, (str(shaft), f"{shaft}zz"))), SPOILT[kind]
        case "free" if state.phase != "behind" and str(shaft) not in dict(state.away):
            return replace(state, away=(*state.away, (str(shaft), None))), SPOILT[kind]
        case "home" if str(shaft) not in dict(state.away):
            return replace(state, away=(*state.away, (str(shaft), str(shaft)))), SPOILT[kind]
        case "cord":
            none = [u for u in range(1, len(loom.leashes) + 1) if u not in loom.single_cords]
            if none:
                shed = replace(state, phase="woven", picks=0, reopened=False, away=(), raised=frozenset())
                return replace(shed, pulled=frozenset(none[:1])), SPOILT[kind]
        case "rows":
            return replace(state, row=len(read.rows) + 1, phase="down", raised=frozenset()), SPOILT[kind]
        case "picks":
            return replace(state, picks=-1), SPOILT[kind]
    return None


SPOILT = {
    "whole": "pass some by",
    "empty": "pass some by",
    "stray": "does not hang on",
    "name": "is called",
    "doubled": "Two temporaries are called",
    "room": "and no more|no spare shaft|no temporary at once",
    "handle": "no handle S9",
    "carrier": "is not in the loom",
    "free": "hang free",
    "home": "are where they belong",
    "cord": "has no single draw cord",
    "rows": "The piece has no row",
    "picks": "cannot be -1 picks",
}


@examples(300)
@given(courses, st.randoms(use_true_random=False))
def test_a_state_that_the_rules_do_not_allow_is_refused_with_what_is_wrong(
    found: tuple[Json, Course], rng: random.Random
) -> None:
    piece, course = found
    spoilt = spoil(rng, piece, state_of(course))
    if spoilt is None:
        return
    state, why = spoilt
    read = read_piece(json.dumps(piece))
    with pytest.raises(Refused, match=rf"({why}).*\.$"):
        check_state(read.loom, state, len(read.rows))
    with pytest.raises(Refused, match=rf"({why}).*\.$"):
        plan_from_here(read, state, visits_of(course))
