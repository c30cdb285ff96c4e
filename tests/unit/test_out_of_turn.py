"""What is ticked out of its turn without asking is allowed by the loom's rules, whatever is ticked before."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from functools import cache

import pytest

from server.loom.actions import Refused, apply
from server.loom.state import Loom, State, Temporary
from server.loom.steps import Insert, MoveCords, Step, Withdraw
from server.session.cards import Card, deal
from server.session.out_of_turn import needed_before
from server.session.place import Decks, NotNow, Place, Tap, after_tap, walk_of
from tests.demo import demo_order, demo_piece

SETS = 60
"""Of things that are done, tried on each walk."""


@cache
def demo(name: str) -> Decks:
    piece = demo_piece(name)
    return Decks(piece.loom, (deal(piece, demo_order(name)),))


def walks(cards: tuple[Card, ...]) -> Iterator[range]:
    number = 0
    while number < len(cards):
        walk = walk_of(cards, number)
        if walk:
            yield walk
        number = walk.stop if walk else number + 1


def needs_on(decks: Decks, walk: range) -> tuple[frozenset[int], ...]:
    (cards,) = decks.cards
    steps = tuple(step for number in walk if (step := cards[number].step) is not None)
    return needed_before(decks.loom, cards[walk.start].before, steps)


def ticked(decks: Decks, place: Place, number: int) -> Place:
    return after_tap(decks, place, Tap("tick", place.card, place.turn, json.dumps({"card": number})))


@pytest.mark.parametrize("name", ["harbour_runner.json", "net_mender.json"])
def test_whatever_is_ticked_after_what_it_needs_is_allowed(name: str) -> None:
    decks, chance = demo(name), random.Random(7)
    out_of_turn = 0
    for walk in walks(decks.cards[0]):
        needs = needs_on(decks, walk)
        for _ in range(SETS):
            place, done = Place(status="on the loom", card=walk.start), set[int]()
            while len(done) < len(walk) - 1:
                can = [n for n in range(len(walk)) if n not in done and needs[n] <= done]
                number = chance.choice(can)
                place = ticked(decks, place, walk.start + number)
                done.add(number)
                out_of_turn += number != min(set(range(len(walk))) - done | {number})
            assert place.card == walk.start + min(set(range(len(walk))) - done)
    assert out_of_turn > 1000


@pytest.mark.parametrize("name", ["harbour_runner.json", "net_mender.json"])
def test_nothing_that_could_be_ticked_first_is_held_back(name: str) -> None:
    decks = demo(name)
    for walk in walks(decks.cards[0]):
        for number, needed in zip(walk, needs_on(decks, walk), strict=True):
            try:
                ticked(decks, Place(status="on the loom", card=walk.start), number)
            except NotNow:
                assert needed, f"{number} can be done first as far as is known"
            else:
                assert not needed, f"{number} needs nothing"


LOOM = Loom((1, 1, 1, 2, 2, 2), frozenset(), pattern_shafts=2, spare_shafts=3, temporaries_per_shaft=2)


def test_where_room_is_short_what_comes_out_first_comes_out_first() -> None:
    units = sorted(LOOM.units_of(1))
    standing = (Temporary("1a", 1, frozenset(units[:1])), Temporary("1b", 1, frozenset(units[1:2])))
    other = min(LOOM.units_of(2))
    state = State(phase="behind", labelled=frozenset({1, 2}), temporaries=standing)
    steps: tuple[Step, ...] = (
        Withdraw("1a"),
        Withdraw("1b"),
        Insert(1, "1c", (units[0],)),
        Insert(1, "1d", (units[1],)),
        Insert(2, "2a", (other,)),
    )
    assert needed_before(LOOM, state, steps) == (frozenset(), frozenset(), *[frozenset({0, 1})] * 3)
    for step in (steps[0], steps[2]):
        state = apply(LOOM, state, step)
    with pytest.raises(Refused):  # in place of the one before it would do
        apply(LOOM, state, steps[3])


def test_cords_wait_for_what_they_go_to_and_not_for_more() -> None:
    units = {shaft: min(LOOM.units_of(shaft)) for shaft in (1, 2)}
    state = State(phase="behind", labelled=frozenset({1, 2}))
    steps: tuple[Step, ...] = (
        Insert(1, "1a", (units[1],)),
        MoveCords("1", "1", "1a"),
        Insert(2, "2a", (units[2],)),
        MoveCords("2", "2", "2a"),
    )
    assert needed_before(LOOM, state, steps) == (frozenset(), frozenset({0}), frozenset(), frozenset({2}))
